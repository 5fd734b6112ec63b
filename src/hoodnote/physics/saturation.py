"""Saturation pressure and temperature of refrigerants, from CoolProp's Helmholtz-energy equations of state.

CoolProp is imported on the first value asked for. Inputs are rounded to 0.001 K and 0.01 kPa so that the cache helps. A blend's
value takes milliseconds, so blends are interpolated (`_blend_curve`): within 0.01 % of CoolProp's pressure and 0.01 K, tested.
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache, lru_cache
from math import exp, log
from threading import Lock
from typing import TYPE_CHECKING

from hoodnote.physics.errors import AboveCritical, NoPropertyData, OutOfRange
from hoodnote.physics.refrigerants import REFRIGERANTS
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.units import AbsolutePressure, Temperature

if TYPE_CHECKING:
    from CoolProp.CoolProp import AbstractState


class Quality(StrEnum):
    """End of the two-phase range; they differ for blends with glide. Superheat is taken from dew, subcooling from bubble."""

    DEW = "dew"
    BUBBLE = "bubble"


_VAPOUR_FRACTION = {Quality.DEW: 1.0, Quality.BUBBLE: 0.0}
# A plotted curve ends this far below the critical point; mixture solvers begin to fail earlier than pure ones.
_CURVE_MARGIN_K, _BLEND_CURVE_MARGIN_K = 5.0, 20.0
# The mixture models are not asked for values colder than any vehicle work.
_BLEND_LOWEST_K = 213.15
# Blends are interpolated from these exact values up to this far below the critical point, where single ones begin to fail.
_BLEND_POINTS, _BLEND_TABLE_MARGIN_K = 10, 35.0
_ONE_AT_A_TIME = Lock()                                 # a state is set and then read


def critical_point(refrigerant: str) -> tuple[Temperature, AbsolutePressure]:
    """Raises UnknownRefrigerant or NoPropertyData."""
    kelvin, kpa, _ = _limits(_model(refrigerant))
    return Temperature(kelvin - 273.15), AbsolutePressure(kpa)


def saturation_pressure(refrigerant: str, temperature: Temperature, quality: Quality | str = Quality.DEW) -> AbsolutePressure:
    """Raises AboveCritical, OutOfRange, UnknownRefrigerant, NoPropertyData."""
    return AbsolutePressure(_pressure_kpa(_model(refrigerant), refrigerant, round(temperature.kelvin, 3),
                                          _VAPOUR_FRACTION[Quality(quality)]))


def saturation_temperature(refrigerant: str, pressure: AbsolutePressure, quality: Quality | str = Quality.DEW) -> Temperature:
    """Raises AboveCritical, OutOfRange, UnknownRefrigerant, NoPropertyData."""
    return Temperature(_temperature_k(_model(refrigerant), refrigerant, round(pressure.kpa, 2),
                                      _VAPOUR_FRACTION[Quality(quality)]) - 273.15)


def saturation_curve(refrigerant: str, lowest: Temperature, highest: Temperature, points: int = 50,
                     quality: Quality | str = Quality.DEW) -> list[tuple[Temperature, AbsolutePressure]]:
    """Evenly spaced points for a plot; ends short of the critical point (5 K, a blend 20 K) where `highest` lies above that."""
    if points < 2:
        raise ValueError("a curve has at least two points")
    margin = _BLEND_CURVE_MARGIN_K if look_up(refrigerant).blend else _CURVE_MARGIN_K
    end = min(highest.celsius, critical_point(refrigerant)[0].celsius - margin)
    steps = [lowest.celsius + (end - lowest.celsius) * i / (points - 1) for i in range(points)]
    return [(Temperature(c), saturation_pressure(refrigerant, Temperature(c), quality)) for c in steps]


def _model(designation: str) -> str:
    found = look_up(designation)
    if found.model is None:
        raise NoPropertyData(f"no evaluated property model of {designation} is at hand; judge its pressures by its maker's table")
    return found.model


@cache
def _limits(model: str) -> tuple[float, float, float]:
    """Critical temperature K, critical pressure kPa, lowest temperature K."""
    from CoolProp.CoolProp import PropsSI

    blend = next((r.critical for r in REFRIGERANTS.values() if r.model == model and r.critical), None)
    return (*blend, _BLEND_LOWEST_K) if blend else (PropsSI("Tcrit", model), PropsSI("pcrit", model) / 1e3, PropsSI("Tmin", model))


@cache
def _lowest_kpa(model: str, name: str, fraction: float) -> float:
    return _ask("T", _limits(model)[2], fraction, model, name) / 1e3


@lru_cache(maxsize=4096)
def _pressure_kpa(model: str, name: str, kelvin: float, fraction: float) -> float:
    critical_k, _, lowest = _limits(model)
    if kelvin >= critical_k:
        raise AboveCritical(f"{name} at {kelvin - 273.15:.1f} C is above its critical temperature of {critical_k - 273.15:.1f} C: "
                            "transcritical, it has no saturation pressure there")
    if kelvin < lowest:
        raise OutOfRange(f"{name} saturation is not defined at {kelvin - 273.15:.1f} C; check the temperature")
    return _ask("T", kelvin, fraction, model, name) / 1e3


@lru_cache(maxsize=4096)
def _temperature_k(model: str, name: str, kpa: float, fraction: float) -> float:
    _, critical_kpa, lowest = _limits(model)
    if kpa >= critical_kpa:
        raise AboveCritical(f"{name} at {kpa:.0f} kPa absolute is above its critical pressure of {critical_kpa:.0f} kPa: "
                            "transcritical, it has no saturation temperature there")
    if kpa < _lowest_kpa(model, name, fraction):
        raise OutOfRange(f"{name} saturation is not defined at {kpa:.2f} kPa absolute; check the pressure")
    return _ask("P", kpa * 1e3, fraction, model, name)


def _ask(given: str, value: float, fraction: float, model: str, name: str) -> float:
    try:
        if model.endswith(".mix"):
            curve = _blend_curve(model, fraction)
            if given == "T" and value <= curve.highest_k:
                return curve.pascal(value)
            if given == "P" and value <= curve.highest_pascal:
                return curve.kelvin(value)
        return _exact(given, value, fraction, model)
    except ValueError:
        raise OutOfRange(f"{name} saturation cannot be found for this value; check the figure") from None


@cache
def _state(model: str) -> AbstractState:
    from CoolProp.CoolProp import AbstractState

    return AbstractState("HEOS", model)


def _exact(given: str, value: float, fraction: float, model: str) -> float:
    """Pascal at a temperature ("T", K) or kelvin at a pressure ("P", Pa). Raises ValueError."""
    from CoolProp.CoolProp import PQ_INPUTS, QT_INPUTS

    with _ONE_AT_A_TIME:
        state = _state(model)
        if given == "T":
            state.update(QT_INPUTS, fraction, value)
            return state.p()
        state.update(PQ_INPUTS, value, fraction)
        return state.T()


class _BlendCurve:
    """ln p as a Chebyshev polynomial in 1/T through exact values, from the lowest temperature to short of the critical point."""

    def __init__(self, model: str, fraction: float):
        from numpy.polynomial.chebyshev import chebinterpolate

        self.lowest_k, self.highest_k = _BLEND_LOWEST_K, _limits(model)[0] - _BLEND_TABLE_MARGIN_K
        self._middle = (1 / self.lowest_k + 1 / self.highest_k) / 2
        self._half = (1 / self.lowest_k - 1 / self.highest_k) / 2
        coefficients = chebinterpolate(lambda u: [log(_exact("T", 1 / (self._middle + self._half * x), fraction, model)) for x in u],
                                       _BLEND_POINTS - 1)
        self._terms = [float(c) for c in coefficients]
        self.highest_pascal = self.pascal(self.highest_k)

    def pascal(self, kelvin: float) -> float:
        return exp(self._ln((1 / kelvin - self._middle) / self._half))

    def kelvin(self, pascal: float) -> float:
        wanted = log(pascal)
        u1, u2 = 1.0, -1.0
        f1, f2 = self._ln(u1) - wanted, self._ln(u2) - wanted
        for _ in range(20):                             # secant: the curve is almost a straight line
            if f1 == f2 or abs(f2) < 1e-12:
                break
            u1, u2 = u2, u2 - f2 * (u2 - u1) / (f2 - f1)
            f1, f2 = f2, self._ln(u2) - wanted
        return 1 / (self._middle + self._half * u2)

    def _ln(self, u: float) -> float:
        b1 = b2 = 0.0
        for c in reversed(self._terms[1:]):             # Clenshaw
            b1, b2 = c + 2 * u * b1 - b2, b1
        return self._terms[0] + u * b1 - b2


@cache
def _blend_curve(model: str, fraction: float) -> _BlendCurve:
    return _BlendCurve(model, fraction)
