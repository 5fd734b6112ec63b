"""The rise of a vacuum with the pump valved off: flat, straight, slowing and levelling shapes fitted by least squares and compared.

Weighted least squares with the gauge's own scatter, which is known to about a quarter: that is worth eight readings
(JCGM 100:2008, G.4.2), so the likelihood is Student's and a few readings can be compared at all. Shapes are compared by
Akaike's information criterion with its small-sample correction; the weights are Akaike's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from math import exp, hypot, inf, log, sqrt

from hoodnote.physics.gauge import ELECTRONIC_VACUUM_FRACTION

# Scatter of an electronic vacuum gauge from reading to reading, one standard deviation (common practice, no source).
NOISE_FRACTION, NOISE_MICRON = 0.02, 5.0
FLAT_RISE_MICRON = 100.0        # a tight dry system still rises this much as it settles (common practice, no source)
SURE = 0.9                      # a shape is named from this weight on
_NOISE_READINGS = 8.0           # what knowing the scatter to 25 % is worth: JCGM 100:2008, G.4.2
_LARGEST_MISFIT = 3.0           # root mean square of residuals, in standard deviations, beyond which no shape fits
_LONGEST_ADVICE_MIN = 60.0


class Shape(StrEnum):
    FLAT = "flat"
    LEVELLING = "levelling off"
    SLOWING = "slowing, not level yet"
    RISING = "rising steadily"
    UNCLEAR = "unclear"


@dataclass(frozen=True)
class HoldPoint:
    minute: float
    micron: float

    @property
    def sd(self) -> float:
        """Standard deviation in micron, without the gauge's scale, which is the same for all readings."""
        return hypot(NOISE_FRACTION * self.micron, NOISE_MICRON)


@dataclass(frozen=True)
class Fit:
    """`level + (start - level) exp(-(t - begins) / tau)`, or a straight line where `tau` is None. Minutes and micron."""

    shape: Shape
    begins: float
    start: float
    slope: float = 0.0
    level: float | None = None
    tau: float | None = None
    misfit: float = 0.0              # sum of squared residuals, each in standard deviations
    weight: float = 0.0              # Akaike weight among the shapes compared

    def at(self, minute: float) -> float:
        t = minute - self.begins
        if self.tau is None or self.level is None:
            return self.start + self.slope * t
        return self.level + (self.start - self.level) * exp(-t / self.tau)


@dataclass(frozen=True)
class HoldFit:
    points: tuple[HoldPoint, ...]
    fits: tuple[Fit, ...]            # the best first
    slope_limit: float               # of the straight line, micron/min, k = 2, the gauge's scale included

    @property
    def best(self) -> Fit:
        return self.fits[0]

    @property
    def minutes(self) -> float:
        return self.points[-1].minute - self.points[0].minute

    @property
    def rise(self) -> float:
        """From the first reading to the last, along the best fit."""
        return self.best.at(self.points[-1].minute) - self.best.at(self.points[0].minute)

    @property
    def scatters(self) -> bool:
        """Do the readings scatter more than the gauge does, whatever the shape?"""
        return self.best.misfit > _LARGEST_MISFIT ** 2 * len(self.points)

    @property
    def settled_rise(self) -> float:
        """What a tight system may rise by, micron."""
        return max(FLAT_RISE_MICRON, ELECTRONIC_VACUUM_FRACTION * self.points[0].micron)

    @property
    def shape(self) -> Shape:
        if self.scatters:
            return Shape.UNCLEAR
        if abs(self.rise) <= self.settled_rise:
            return Shape.FLAT
        return self.best.shape if self.rise > 0 and self.best.weight >= SURE else Shape.UNCLEAR

    @property
    def falls(self) -> bool:
        """A vacuum cannot deepen with the pump valved off."""
        return self.rise < -self.settled_rise

    def of(self, shape: Shape) -> Fit | None:
        return next((f for f in self.fits if f.shape is shape), None)

    @property
    def next_minute(self) -> float:
        """When a further reading would tell a straight rise from one that bends by four standard deviations; at most an hour."""
        straight = self.of(Shape.RISING)
        bent = next((f for f in self.fits if f.tau is not None), None)
        last = self.points[-1].minute
        minute = last + 5
        while minute < _LONGEST_ADVICE_MIN:
            if straight and bent:
                apart = abs(straight.at(minute) - bent.at(minute))
                if apart > 4 * HoldPoint(minute, max(straight.at(minute), 0.0)).sd:
                    break
            elif minute >= 2 * last:
                break
            minute += 5
        return max(minute, last + 5)


def fit_hold(points: Sequence[HoldPoint]) -> HoldFit | None:
    """Three or more readings at different minutes, in any order; None for fewer."""
    points = tuple(sorted(points, key=lambda p: p.minute))
    return _fitted(points) if len({p.minute for p in points}) >= 3 else None


@lru_cache(maxsize=64)      # asked again after every utterance
def _fitted(points: tuple[HoldPoint, ...]) -> HoldFit:
    line, slope_variance = _line(points)
    fits = [f for f in (_flat(points), line, levelling(points), _slowing(points)) if f is not None]
    criteria = [_criterion(f, len(points)) for f in fits]
    likelihoods = [exp((min(criteria) - c) / 2) for c in criteria]
    weighed = [replace(f, weight=share / sum(likelihoods)) for f, share in zip(fits, likelihoods)]
    weighed.sort(key=lambda f: -f.weight)
    scale = ELECTRONIC_VACUUM_FRACTION * line.slope
    stretch = max(1.0, line.misfit / (len(points) - 2))
    return HoldFit(points, tuple(weighed), 2 * sqrt(slope_variance * stretch + scale ** 2 / 3))


@lru_cache(maxsize=64)
def pump_down(points: tuple[HoldPoint, ...]) -> Fit | None:
    """How a pump pulls down, from three or more readings in order of time: levelling off or still slowing; None where neither fits."""
    found = [f for f in (levelling(points, rising=False), _slowing(points, rising=False)) if f is not None]
    best = min(found, key=lambda f: f.misfit, default=None)
    return best if best and best.misfit <= _LARGEST_MISFIT ** 2 * len(points) else None


def levelling(points: Sequence[HoldPoint], *, rising: bool = True) -> Fit | None:
    """The best exponential that has levelled by the last reading, that is within two time constants: 86 % of the way. None where the
    readings bend the other way."""
    gaps = [b.minute - a.minute for a, b in pairwise(points) if b.minute > a.minute]
    return _exponential(points, Shape.LEVELLING, min(gaps) / 3, (points[-1].minute - points[0].minute) / 2, rising)


def _slowing(points: Sequence[HoldPoint], *, rising: bool = True) -> Fit | None:
    """One that bends clearly and is not level yet. Longer time constants are no different from a straight line."""
    span = points[-1].minute - points[0].minute
    return _exponential(points, Shape.SLOWING, span / 2, span * 2, rising)


def _exponential(points: Sequence[HoldPoint], shape: Shape, shortest: float, longest: float, rising: bool) -> Fit | None:
    """The best with a time constant between these, in minutes."""
    begins = points[0].minute

    def misfit(tau: float) -> tuple[float, float, float]:
        solved = _solve([exp(-(p.minute - begins) / tau) for p in points], points)
        if solved is None or (solved[1] < 0) is not rising:
            return inf, 0.0, 0.0
        level, step, chi2, _ = solved
        return chi2, level, step

    last = 20
    ratio = (longest / shortest) ** (1 / last)
    grid = [shortest * ratio ** n for n in range(last + 1)]
    nearest = min(range(last + 1), key=lambda n: misfit(grid[n])[0])
    tau = _least(lambda t: misfit(t)[0], grid[max(nearest - 1, 0)], grid[min(nearest + 1, last)])
    chi2, level, step = misfit(tau)
    return None if chi2 == inf else Fit(shape, begins, level + step, level=level, tau=tau, misfit=chi2)


def _flat(points: Sequence[HoldPoint]) -> Fit:
    weights = [p.sd ** -2 for p in points]
    mean = sum(w * p.micron for w, p in zip(weights, points)) / sum(weights)
    return Fit(Shape.FLAT, points[0].minute, mean, misfit=sum(w * (p.micron - mean) ** 2 for w, p in zip(weights, points)))


def _line(points: Sequence[HoldPoint]) -> tuple[Fit, float]:
    """The straight line, and the variance of its slope."""
    solved = _solve([p.minute - points[0].minute for p in points], points)
    assert solved is not None                # three different minutes
    start, slope, misfit, variance = solved
    return Fit(Shape.RISING, points[0].minute, start, slope, misfit=misfit), variance


def _solve(x: Sequence[float], points: Sequence[HoldPoint]) -> tuple[float, float, float, float] | None:
    """Weighted least squares of micron = a + b x: a, b, the misfit and the variance of b; None where x does not vary."""
    weights = [p.sd ** -2 for p in points]
    total = sum(weights)
    mean_x = sum(w * v for w, v in zip(weights, x)) / total
    mean_y = sum(w * p.micron for w, p in zip(weights, points)) / total
    spread = sum(w * (v - mean_x) ** 2 for w, v in zip(weights, x))
    if spread <= 1e-12 * total:
        return None
    b = sum(w * (v - mean_x) * (p.micron - mean_y) for w, v, p in zip(weights, x, points)) / spread
    a = mean_y - b * mean_x
    return a, b, sum(w * (p.micron - a - b * v) ** 2 for w, v, p in zip(weights, x, points)), 1 / spread


def _criterion(fit: Fit, readings: int) -> float:
    known = {Shape.FLAT: 1, Shape.RISING: 2}.get(fit.shape, 3)
    size = readings + _NOISE_READINGS
    return size * log(1 + fit.misfit / _NOISE_READINGS) + 2 * known + 2 * known * (known + 1) / (size - known - 1)


def _least(f: Callable[[float], float], low: float, high: float) -> float:
    """Golden section, to a ten-thousandth of the interval."""
    golden = (sqrt(5) - 1) / 2
    left, right = high - golden * (high - low), low + golden * (high - low)
    f_left, f_right = f(left), f(right)
    for _ in range(20):
        if f_left <= f_right:
            high, right, f_right = right, left, f_left
            left = high - golden * (high - low)
            f_left = f(left)
        else:
            low, left, f_left = left, right, f_right
            right = low + golden * (high - low)
            f_right = f(right)
    return (low + high) / 2


def hold_shape(points: Sequence[HoldPoint]) -> Shape:
    """Unclear for fewer than three readings."""
    fitted = fit_hold(points)
    return fitted.shape if fitted else Shape.UNCLEAR
