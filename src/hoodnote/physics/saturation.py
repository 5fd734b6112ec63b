"""Saturation pressure and temperature of refrigerants, from CoolProp's Helmholtz-energy equations of state.

CoolProp is imported on the first value asked for. Inputs are rounded to 0.001 K and 0.01 kPa so that the cache helps.
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache, lru_cache

from hoodnote.physics.errors import AboveCritical, NoPropertyData, OutOfRange
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.units import AbsolutePressure, Temperature


class Quality(StrEnum):
    """End of the two-phase range; they differ for blends with glide. Superheat is taken from dew, subcooling from bubble."""

    DEW = "dew"
    BUBBLE = "bubble"


_VAPOUR_FRACTION = {Quality.DEW: 1.0, Quality.BUBBLE: 0.0}
# A plotted curve ends this far below the critical point; mixture solvers begin to fail earlier than pure ones.
_CURVE_MARGIN_K, _BLEND_CURVE_MARGIN_K = 5.0, 20.0
# The mixture models are not asked for values colder than any vehicle work.
_BLEND_LOWEST_K = 213.15


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


def saturation_slope(refrigerant: str, temperature: Temperature, quality: Quality | str = Quality.DEW) -> float:
    """dP/dT along saturation in kPa/K, by central difference over 0.2 K (one-sided at the ends of the range)."""
    _, _, lowest = _limits(_model(refrigerant))
    top = critical_point(refrigerant)[0].kelvin
    below = Temperature(max(temperature.kelvin - 0.1, lowest) - 273.15)
    above = Temperature(min(temperature.kelvin + 0.1, top - 0.01) - 273.15)
    rise = saturation_pressure(refrigerant, above, quality).kpa - saturation_pressure(refrigerant, below, quality).kpa
    return rise / (above.celsius - below.celsius)


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
    from CoolProp.CoolProp import AbstractState, PropsSI

    if not model.endswith(".mix"):
        return PropsSI("Tcrit", model), PropsSI("pcrit", model) / 1e3, PropsSI("Tmin", model)
    points = AbstractState("HEOS", model).all_critical_points()
    point = max((p for p in points if p.stable), key=lambda p: p.T)
    return point.T, point.p / 1e3, _BLEND_LOWEST_K


@lru_cache(maxsize=4096)
def _pressure_kpa(model: str, name: str, kelvin: float, fraction: float) -> float:
    critical_k, _, lowest = _limits(model)
    if kelvin >= critical_k:
        raise AboveCritical(f"{name} at {kelvin - 273.15:.1f} C is above its critical temperature of {critical_k - 273.15:.1f} C: "
                            "transcritical, it has no saturation pressure there")
    if kelvin < lowest:
        raise OutOfRange(f"{name} saturation is not defined at {kelvin - 273.15:.1f} C; check the temperature")
    return _ask("P", "T", kelvin, fraction, model, name) / 1e3


@lru_cache(maxsize=4096)
def _temperature_k(model: str, name: str, kpa: float, fraction: float) -> float:
    _, critical_kpa, lowest = _limits(model)
    if kpa >= critical_kpa:
        raise AboveCritical(f"{name} at {kpa:.0f} kPa absolute is above its critical pressure of {critical_kpa:.0f} kPa: "
                            "transcritical, it has no saturation temperature there")
    if kpa <= 0 or kpa < _ask("P", "T", lowest, fraction, model, name) / 1e3:
        raise OutOfRange(f"{name} saturation is not defined at {kpa:.2f} kPa absolute; check the pressure")
    return _ask("T", "P", kpa * 1e3, fraction, model, name)


def _ask(wanted: str, given: str, value: float, fraction: float, model: str, name: str) -> float:
    from CoolProp.CoolProp import PropsSI

    try:
        return PropsSI(wanted, given, value, "Q", fraction, model)
    except ValueError:
        raise OutOfRange(f"{name} saturation cannot be found for this value; check the figure") from None
