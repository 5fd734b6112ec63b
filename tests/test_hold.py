"""Shapes of a vacuum's rise: on curves of known shape with noise, and against an independent least-squares routine."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from hoodnote.checks.hold import HoldPoint, Shape, fit_hold, hold_shape, levelling


def curve(f, minutes, noise=None):
    return [HoldPoint(t, f(t) * (1 + noise.gauss(0, 0.02) if noise else 1)) for t in minutes]


@pytest.mark.parametrize("rate", [50, 200, 1000])
def test_a_constant_leak_rises_straight(rate):
    # a small leak into vacuum is choked, so its flow and the rise are constant (gas dynamics)
    assert hold_shape(curve(lambda t: 400 + rate * t, (0, 4, 9, 15))) is Shape.RISING


@pytest.mark.parametrize("tau", [2.0, 4.0])
def test_evaporating_water_levels_off(tau):
    # first-order approach to the vapour pressure of water at 20 C, 17 540 micron (IAPWS)
    assert hold_shape(curve(lambda t: 17540 - 17140 * math.exp(-t / tau), (0, 4, 8, 12))) is Shape.LEVELLING


def test_two_readings_show_no_shape():
    assert fit_hold([HoldPoint(0, 400), HoldPoint(10, 2400)]) is None
    assert hold_shape([HoldPoint(0, 400), HoldPoint(0, 500), HoldPoint(10, 2400)]) is Shape.UNCLEAR


SHAPES = {
    Shape.FLAT: lambda t: 400 + 2 * t,
    Shape.RISING: lambda t: 400 + 60 * t,
    Shape.LEVELLING: lambda t: 2400 - 2000 * math.exp(-t / 4),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("readings", [3, 5, 8])
def test_known_shapes_with_noise_are_found_and_none_is_mistaken(shape, readings):
    minutes = [20 * n / (readings - 1) for n in range(readings)]
    named = [hold_shape(curve(SHAPES[shape], minutes, random.Random(seed))) for seed in range(200)]
    wrong = {Shape.FLAT, Shape.RISING, Shape.LEVELLING} - {shape}
    assert named.count(shape) >= 140 and not wrong.intersection(named)


def test_a_rise_that_slows_is_called_neither_leak_nor_moisture():
    named = [hold_shape(curve(lambda t: 2400 - 2000 * math.exp(-t / 20), range(0, 25, 5), random.Random(seed))) for seed in range(200)]
    assert named.count(Shape.LEVELLING) + named.count(Shape.RISING) <= 4


@pytest.mark.parametrize("seed", range(6))
def test_line_and_exponential_agree_with_an_independent_routine(seed):
    noise = random.Random(seed)
    points = curve(lambda t: 3000 - 2600 * math.exp(-t / 5), range(0, 24, 3), noise)
    t, p = np.array([x.minute for x in points]), np.array([x.micron for x in points])
    # the scatter that is stated for the gauge: 2 % of the reading and 5 micron
    sigma = np.hypot(0.02 * p, 5.0)
    (level, start, tau), _ = curve_fit(lambda t, a, b, tau: a - (a - b) * np.exp(-t / tau), t, p, (2500, 300, 4), sigma=sigma)
    found = levelling(points)
    assert (found.level, found.start, found.tau) == pytest.approx((level, start, tau), rel=2e-3)
    (first, slope), covariance = curve_fit(lambda t, a, b: a + b * t, t, p, (1.0, 1.0), sigma=sigma, absolute_sigma=True)
    fit = fit_hold(points)
    line = fit.of(Shape.RISING)
    assert (line.start, line.slope) == pytest.approx((first, slope), rel=1e-5)
    # k = 2 of the slope: its variance, stretched by the misfit (JCGM 100 H.3 treats a line so), and a tenth of scale as a rectangle
    stretch = max(1.0, line.misfit / (len(points) - 2))
    assert fit.slope_limit == pytest.approx(2 * math.sqrt(covariance[1, 1] * stretch + (0.1 * slope) ** 2 / 3), rel=1e-4)


def test_weights_are_akaikes():
    fit = fit_hold(curve(lambda t: 400 + 20 * t, (0, 5, 10), random.Random(3)))
    assert sum(f.weight for f in fit.fits) == pytest.approx(1)
    known = {Shape.FLAT: 1, Shape.RISING: 2, Shape.SLOWING: 3, Shape.LEVELLING: 3}
    # AIC with the correction of Hurvich and Tsai (1989); three readings and eight that the known scatter is worth (JCGM 100 G.4.2)
    aicc = {f.shape: 11 * math.log(1 + f.misfit / 8) + 2 * (k := known[f.shape]) + 2 * k * (k + 1) / (11 - k - 1) for f in fit.fits}
    for a in fit.fits:
        for b in fit.fits:
            assert math.log(a.weight / b.weight) == pytest.approx((aicc[b.shape] - aicc[a.shape]) / 2)


@given(st.floats(0.5, 20), st.permutations(range(5)), st.integers(0, 1000))
def test_neither_the_clock_nor_the_order_of_telling_changes_the_shape(stretch, order, seed):
    noise = random.Random(seed)
    points = curve(SHAPES[Shape.RISING if seed % 2 else Shape.LEVELLING], range(0, 25, 5), noise)
    told = fit_hold([HoldPoint(points[n].minute * stretch, points[n].micron) for n in order])
    plain = fit_hold(points)
    assert told.shape is plain.shape and told.best.weight == pytest.approx(plain.best.weight, rel=1e-3)


def test_a_further_reading_that_would_tell_is_later():
    fit = fit_hold(curve(lambda t: 300 + 32 * t - 0.6 * t * t, (0, 5, 10)))
    assert fit.shape is Shape.UNCLEAR and 10 < fit.next_minute <= 60
    straight, bent = fit.of(Shape.RISING), next(f for f in fit.fits if f.tau)
    at = fit.next_minute
    assert at == 60 or abs(straight.at(at) - bent.at(at)) > 4 * 0.02 * straight.at(at)
