"""Figures in both habits of a workshop: psi and kPa, F and C, ounces and grams."""

from __future__ import annotations

from hoodnote.units import GaugePressure, Temperature, from_si

COMMON_PRACTICE = "common practice, no source"
PROPERTIES = "saturation properties computed with CoolProp"


def pressure(p: GaugePressure) -> str:
    if p.kpa < -0.5:
        return f"{from_si(-p.kpa, 'inHg'):.1f} inHg of vacuum ({p.kpa:.0f} kPa)"
    return f"{p.psi:.0f} psi ({p.kpa:.0f} kPa)"


def pressure_range(low: GaugePressure, high: GaugePressure) -> str:
    if low.kpa < -0.5:
        return f"{pressure(low)} to {pressure(high)}"
    return f"{low.psi:.0f} to {high.psi:.0f} psi ({low.kpa:.0f} to {high.kpa:.0f} kPa)"


def pressure_limit(kpa: float) -> str:
    return f"±{from_si(kpa, 'psi'):.0f} psi ({kpa:.0f} kPa)" if kpa >= 7 else f"±{from_si(kpa, 'psi'):.1f} psi ({kpa:.1f} kPa)"


def temperature(celsius: float) -> str:
    return f"{_round(Temperature(celsius).fahrenheit)} °F ({_round(celsius)} °C)"


def temperature_range(low: float, high: float) -> str:
    return (f"{_round(Temperature(low).fahrenheit)} to {_round(Temperature(high).fahrenheit)} °F "
            f"({_round(low)} to {_round(high)} °C)")


def difference(celsius: float) -> str:
    return f"{_round(celsius * 9 / 5)} °F ({_round(celsius)} °C)"


def difference_range(low: float, high: float) -> str:
    return f"{_round(low * 9 / 5)} to {_round(high * 9 / 5)} °F ({_round(low)} to {_round(high)} °C)"


def difference_limit(celsius: float) -> str:
    return f"±{celsius * 9 / 5:.0f} °F ({celsius:.1f} °C)"


def mass(kg: float) -> str:
    return f"{from_si(kg, 'oz'):.1f} oz ({kg * 1000:.0f} g)"


def microns(value: float) -> str:
    return f"{value:,.0f} micron"


def _round(value: float) -> str:
    # adding zero turns a rounded -0 into 0
    return f"{round(value) + 0:d}"
