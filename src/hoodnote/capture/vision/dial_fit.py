"""What an angle round a face means: straight stretches of a scale, scales that close up, and the line most figures lie on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.dial_text import Text

EVEN_WITHIN = 2.6            # degrees a figure's middle may lie off the spacing
LEAST_FIGURES = 3

Placed = tuple[float, float, Text]     # angle counted on from the scale's start, value (or what it is bent to), the figure


@dataclass(frozen=True, eq=False)
class Piece:
    """A stretch where value = (angle - zero) * slope, between two angles (degrees, counted on past 360 where need be). Slope is in
    units a degree; `texts` bore it out; `rms` is by how many degrees they miss it."""

    zero: float
    slope: float
    first: float
    last: float
    texts: tuple[Text, ...]
    rms: float

    def value(self, angle: float) -> float:
        return (angle - self.zero) * self.slope

    def angle(self, value: float) -> float:
        return self.zero + value / self.slope


@dataclass(frozen=True)
class Bend:
    """Values bent so that a scale that closes up becomes even: a power, or the logarithm of one more than a multiple."""

    power: float | None
    multiple: float = 0.0

    def __call__(self, value: float | np.ndarray) -> float | np.ndarray:
        return value ** self.power if self.power is not None else np.log1p(np.asarray(value) * self.multiple)

    def back(self, bent: float) -> float:
        bent = max(bent, 0.0)
        return bent ** (1 / self.power) if self.power is not None else math.expm1(bent) / self.multiple


@dataclass(frozen=True, eq=False)
class Uneven(Piece):
    """A scale that closes up: bent value = (angle - zero) / per_unit. `knots` are the angles and bent values of its figures;
    `slope` is the mean one."""

    bend: Bend
    per_unit: float
    knots: tuple[tuple[float, float], ...]

    def value(self, angle: float) -> float:
        return self.bend.back((angle - self.zero) / self.per_unit)

    def angle(self, value: float) -> float:
        return self.zero + self.per_unit * float(self.bend(value))

    def near(self, angle: float) -> Piece:
        """The straight stretch that touches the scale at the angle. Two ways give its value: the whole curve, and the figures on
        either side alone; half way between is taken, and `rms` is no less than what they differ by."""
        angles = [k[0] for k in self.knots]
        curve, beside = (angle - self.zero) / self.per_unit, float(np.interp(angle, angles, [k[1] for k in self.knots]))
        bent, little = (curve + beside) / 2, 0.25 / self.per_unit
        slope = (self.bend.back(bent + little) - self.bend.back(bent - little)) / 0.5
        after = min(max(int(np.searchsorted(angles, angle)), 1), len(angles) - 1)
        return Piece(angle - self.bend.back(bent) / slope, slope, angles[after - 1], angles[after], self.texts,
                     max(self.rms, abs(curve - beside) * self.per_unit))


@dataclass(frozen=True, eq=False)
class Followed(Uneven):
    """A scale of no known spacing, followed from figure to figure; `knots` are the angles and values of its figures, `bend` stands for none."""

    def value(self, angle: float) -> float:
        """Half way between a straight stretch from figure to figure and a smooth curve through them all (F. Fritsch, J. Butland, 1984)."""
        return (self._straight(angle) + self._smooth(angle)) / 2

    def angle(self, value: float) -> float:
        return float(np.interp(value, [k[1] for k in self.knots], [k[0] for k in self.knots]))

    def near(self, angle: float) -> Piece:
        angles = [k[0] for k in self.knots]
        after = min(max(int(np.searchsorted(angles, angle)), 1), len(angles) - 1)
        slope = (self.knots[after][1] - self.knots[after - 1][1]) / (angles[after] - angles[after - 1])
        return Piece(angle - self.value(angle) / slope, slope, angles[after - 1], angles[after], self.texts,
                     max(self.rms, abs(self._straight(angle) - self._smooth(angle)) / slope))

    def _straight(self, angle: float) -> float:
        return float(np.interp(angle, [k[0] for k in self.knots], [k[1] for k in self.knots]))

    def _smooth(self, angle: float) -> float:
        from scipy.interpolate import PchipInterpolator

        angles = [k[0] for k in self.knots]
        return float(PchipInterpolator(angles, [k[1] for k in self.knots])(np.clip(angle, angles[0], angles[-1])))


def bends(top: float) -> list[Bend]:
    """Kinds of spacing tried on a scale that goes up to `top`."""
    powers = (0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 1.25, 1.4, 1.6, 1.8, 2.0)
    return [*(Bend(p) for p in powers), *(Bend(None, k / top) for k in (1.5, 3.0, 6.0, 12.0, 25.0, 60.0))]


def even_line(placed: Sequence[Placed]) -> tuple[float, float, list[Placed]] | None:
    """The rising straight line angle = zero + per_unit * value that most figures lie on."""
    angles, values = np.array([p[0] for p in placed]), np.array([p[1] for p in placed])
    one, other = np.triu_indices(len(placed), 1)         # a line through each two of them
    apart, more = angles[other] - angles[one], values[other] - values[one]
    rising = (apart * more > 0) & (np.abs(apart) >= 12)
    if not rising.any():
        return None
    slopes = apart[rising] / more[rising]
    off = np.abs(angles - (angles[one[rising]] - slopes * values[one[rising]])[:, None] - slopes[:, None] * values)
    on = off < EVEN_WITHIN
    different = np.stack([on[:, values == v].any(axis=1) for v in np.unique(values)]).sum(axis=0)
    best = int(np.lexsort((np.where(on, off, 0).sum(axis=1), -different))[0])
    if different[best] < LEAST_FIGURES:
        return None
    per_unit, zero = np.polyfit(values[on[best]], angles[on[best]], 1)
    members = [p for p in placed if abs(p[0] - zero - per_unit * p[1]) < EVEN_WITHIN]
    if len({v for _, v, _ in members}) < LEAST_FIGURES or per_unit <= 0:
        return None
    return float(zero), float(per_unit), members
