"""Uncertainty against the guide it follows, and against a Monte Carlo run over equations that share nothing with ours."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thermo.vapor_pressure import VaporPressure

from hoodnote.checks.inputs import judge, margin, weigh
from hoodnote.checks.model import Outcome
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality
from hoodnote.physics.saturation import saturation_temperature as sharp_temperature
from hoodnote.physics.uncertain import Sources, expanded, nominal, saturation_pressure, saturation_temperature
from hoodnote.units import AbsolutePressure

R134A_CAS = "811-97-2"


def test_a_limit_is_a_rectangular_distribution():
    # JCGM 100:2008, 4.3.7 and the example in 4.3.7: ±a is a/sqrt(3); 6.2 and 6.3: U = k u with k = 2
    assert Sources().figure(20.0, 3.0, "thermometer").std_dev == pytest.approx(3 / sqrt(3))
    assert expanded(Sources().figure(20.0, 3.0, "thermometer")) == pytest.approx(2 * 3 / sqrt(3))
    assert expanded(5.0) == 0.0


def test_errors_from_one_source_add_and_do_not_average_out():
    # JCGM 100:2008, 5.2.2, example: ten resistors of 1000 ohm compared with one standard of u = 100 mohm, in series: u = 1 ohm,
    # not the 0.32 ohm of ten independent ones
    limit = 0.1 * sqrt(3)
    one = Sources()
    assert sum(one.figure(1000.0, limit, "standard") for _ in range(10)).std_dev == pytest.approx(1.0)
    many = Sources()
    assert sum(many.figure(1000.0, limit, number) for number in range(10)).std_dev == pytest.approx(0.32, abs=0.005)


def test_what_two_readings_share_cancels_in_their_difference():
    sources = Sources()
    first, second = (sources.figure(value, 20.0, "gauge") for value in (200.0, 250.0))
    assert (second - first).std_dev == pytest.approx(0.0) and nominal(second - first) == 50.0


@pytest.mark.parametrize(("gauge_kpa", "line_c"), [(207.0, 12.0), (120.0, 5.0), (330.0, 20.0)])
def test_superheat_against_monte_carlo_over_another_equation(gauge_kpa, line_c):
    """JCGM 101 (Monte Carlo), vapour pressure of R-134a by the correlation of the `thermo` package. The secant errs on the wide side,
    most at low pressures, so ours may be up to 15 % above and no more than 2 % below (the random run's own scatter)."""
    limits = {"gauge": 18.6, "weather": 2.0, "thermometer": 2.0}
    sources = Sources()
    absolute = sources.figure(gauge_kpa, limits["gauge"], "gauge") + sources.figure(101.325, limits["weather"], "weather")
    superheat = sources.figure(line_c, limits["thermometer"], "thermometer") - saturation_temperature("R-134a", absolute)

    random = np.random.default_rng(7)
    drawn = {name: random.uniform(-a, a, 100_000) for name, a in limits.items()}
    correlation = VaporPressure(CASRN=R134A_CAS)
    kelvin = np.linspace(210, 340, 1500)
    kpa = np.array([correlation.T_dependent_property(t) / 1e3 for t in kelvin])
    evaporating = np.interp(gauge_kpa + drawn["gauge"] + 101.325 + drawn["weather"], kpa, kelvin) - 273.15
    simulated = line_c + drawn["thermometer"] - evaporating
    assert nominal(superheat) == pytest.approx(simulated.mean(), abs=0.3)
    assert 0.98 <= superheat.std_dev / simulated.std() <= 1.15


_refrigerants = st.sampled_from(["R-134a", "R-1234yf", "R-12", "R-152a"])


@settings(max_examples=60, deadline=None)
@given(_refrigerants, st.floats(45, 2500), st.floats(0, 80))
def test_the_stated_error_covers_both_ends(refrigerant, kpa, limit):
    """Saturation curves bend: the ± holds both ends of the pressure's own ±, not only the tangent's,
    down to 40 kPa absolute, about -50 C, below which no secant reaches."""
    pressure = Sources().figure(kpa, limit, "gauge")
    found, half = saturation_temperature(refrigerant, pressure), expanded(pressure)
    for end in (kpa - half, kpa + half):
        if end > 40.0:
            gap = abs(sharp_temperature(refrigerant, AbsolutePressure(end)).celsius - nominal(found))
            assert gap <= expanded(found) + 0.02


@settings(max_examples=60, deadline=None)
@given(_refrigerants, st.floats(15, 2500), st.lists(st.floats(0, 100), min_size=2, max_size=2).map(sorted))
def test_a_worse_gauge_never_sharpens_a_temperature(refrigerant, kpa, limits):
    fine, coarse = (expanded(saturation_temperature(refrigerant, Sources().figure(kpa, a, "gauge"))) for a in limits)
    assert coarse >= fine - 1e-6


@settings(max_examples=60, deadline=None)
@given(_refrigerants, st.floats(-40, 70), st.floats(0.1, 10), st.floats(0.1, 10))
def test_saturation_rises_and_its_error_follows(refrigerant, celsius, step, limit):
    lower, upper = (saturation_pressure(refrigerant, Sources().figure(c, limit, "air")) for c in (celsius, celsius + step))
    assert nominal(upper) > nominal(lower) and expanded(upper) >= expanded(lower) - 0.02
    back = saturation_temperature(refrigerant, lower, Quality.DEW)
    assert nominal(back) == pytest.approx(celsius, abs=0.02)
    assert expanded(back) >= 0.99 * 2 * limit / sqrt(3)          # out and back loses nothing


def test_too_near_the_critical_point_for_the_thermometer_has_no_answer():
    # R-744 is critical at 31.0 C (Span and Wagner 1996): air of 30 ± 2 C may be above it
    with pytest.raises(NoSaturation, match="transcritical"):
        saturation_pressure("R-744", Sources().figure(30.0, 2.0, "air"))


_finite = st.floats(-1e4, 1e4)
_edges = st.one_of(st.lists(_finite, min_size=2, max_size=2).map(sorted), _finite.map(lambda x: [x, float("inf")]))
_limits = st.lists(st.floats(0, 1e4), min_size=2, max_size=2).map(sorted)


@given(_finite, _edges, _limits)
def test_more_uncertainty_never_turns_cannot_tell_into_outside(value, edges, limits):
    """For every value and edge: what a coarse instrument finds outside, a finer one does too; and within does not depend on it."""
    fine, coarse = (judge(value, limit, *edges) for limit in limits)
    assert coarse is not Outcome.OUTSIDE or fine is Outcome.OUTSIDE
    assert (coarse is Outcome.WITHIN) == (fine is Outcome.WITHIN) == (edges[0] <= value <= edges[1])


@given(_finite, _edges, _limits, st.floats(0, 100))
def test_more_uncertainty_never_turns_cannot_tell_into_outside_with_uncertain_edges(value, edges, limits, edge_limit):
    def outcome(limit):
        sources = Sources()
        return weigh(sources.figure(value, limit, "reading"), sources.figure(edges[0], edge_limit, "air"), edges[1]).outcome

    fine, coarse = (outcome(limit) for limit in limits)
    assert coarse is not Outcome.OUTSIDE or fine is Outcome.OUTSIDE


@given(_finite, _edges, st.floats(1e-3, 1e4))
def test_the_margin_says_what_the_outcome_says(value, edges, limit):
    """`limit` is k = 2 standard deviations, so outside is below -2 and within is not below 0."""
    sd, outcome = margin(value, limit, *edges), judge(value, limit, *edges)
    assert outcome is {True: Outcome.WITHIN, False: Outcome.CANNOT_TELL if sd >= -2 else Outcome.OUTSIDE}[sd >= 0] or sd == pytest.approx(-2)
    assert margin(value, 0.0, *edges) is None


def test_an_edge_that_moves_with_the_reading_leaves_no_doubt():
    sources = Sources()
    reading, edge = (sources.figure(value, 50.0, "gauge") for value in (90.0, 100.0))
    assert weigh(reading, edge, float("inf")).outcome is Outcome.OUTSIDE
    assert weigh(reading, 100.0, float("inf")).outcome is Outcome.CANNOT_TELL
