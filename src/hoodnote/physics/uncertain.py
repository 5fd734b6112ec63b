"""Figures with their uncertainty, after JCGM 100:2008 (GUM).

A limit of error ±a, with nothing known of where between, counts as a rectangular distribution of standard uncertainty a/√3
(GUM 4.3.7). What is computed is propagated to first order with its correlations (GUM 5.2) by the `uncertainties` package: two
figures that share a source of error, such as one gauge or one station pressure, share one variable. Texts give the expanded
uncertainty of coverage factor k = 2 (GUM 6.2), about 95 % where the result is near normal.
"""

from __future__ import annotations

from functools import lru_cache
from math import sqrt
from typing import TYPE_CHECKING

from hoodnote.physics import saturation
from hoodnote.physics.saturation import Quality
from hoodnote.units import AbsolutePressure, Temperature

if TYPE_CHECKING:
    from uncertainties.core import AffineScalarFunc as Uncertain

COVERAGE = 2.0
# Secants are never taken over less: the property functions round their inputs.
_LEAST_STEP_KPA, _LEAST_STEP_K = 1.0, 0.5
# Nothing in a vehicle evaporates colder than this; a secant ends here.
_COLDEST = Temperature(-50.0)


class Sources:
    """The independent errors behind the figures of one job. Asked again for the same source, it gives the same error."""

    def __init__(self) -> None:
        self._errors: dict[object, Uncertain] = {}

    def figure(self, value: float, limit: float, source: object) -> Uncertain:
        """A value off by at most ±`limit` in its own unit, through this source. The sign of `limit` is that of its effect."""
        from uncertainties import ufloat

        if source not in self._errors:
            self._errors[source] = ufloat(0.0, 1.0, str(source))
        return value + limit / sqrt(3.0) * self._errors[source]


def expanded(value: Uncertain | float) -> float:
    """The ± of the texts: k = 2 times the standard uncertainty; 0 for a plain number."""
    return COVERAGE * getattr(value, "std_dev", 0.0)


def nominal(value: Uncertain | float) -> float:
    return float(getattr(value, "nominal_value", value))


def saturation_temperature(refrigerant: str, absolute_kpa: Uncertain, quality: Quality = Quality.DEW) -> Uncertain:
    """C at an absolute pressure in kPa. Raises NoSaturation as `hoodnote.physics.saturation` does.

    T(p) is concave, so the secant down to k = 2 below is steeper than the curve anywhere above it: the ± errs on the wide side, and
    grows with the pressure's."""
    kpa = nominal(absolute_kpa)
    middle = saturation.saturation_temperature(refrigerant, AbsolutePressure(kpa), quality).celsius
    if not expanded(absolute_kpa):
        return middle + 0 * absolute_kpa
    lowest = min(_coldest_kpa(refrigerant, quality), 0.5 * kpa)
    step = min(max(expanded(absolute_kpa), _LEAST_STEP_KPA), kpa - lowest)
    below = saturation.saturation_temperature(refrigerant, AbsolutePressure(kpa - step), quality).celsius
    return middle + (middle - below) / step * (absolute_kpa - kpa)


def saturation_pressure(refrigerant: str, celsius: Uncertain, quality: Quality = Quality.DEW) -> Uncertain:
    """Absolute kPa at a temperature in C. Raises NoSaturation, also where the upper end of its ± has no saturation pressure.

    P(T) is convex, so the secant up to k = 2 above is steeper than the curve anywhere below it."""
    middle = nominal(celsius)
    step = max(expanded(celsius), _LEAST_STEP_K)
    here, above = (saturation.saturation_pressure(refrigerant, Temperature(t), quality).kpa for t in (middle, middle + step))
    return here + (above - here) / step * (celsius - middle)


@lru_cache(maxsize=64)
def _coldest_kpa(refrigerant: str, quality: Quality) -> float:
    return saturation.saturation_pressure(refrigerant, _COLDEST, quality).kpa
