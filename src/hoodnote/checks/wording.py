"""Figures in both habits of a workshop: psi and kPa, F and C, ounces and grams; the shop's own habit first."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from hoodnote.units import GaugePressure, Temperature, from_si

COMMON_PRACTICE = "common practice, no source"
PROPERTIES = "saturation properties computed with CoolProp"


# The habit holds for a whole evaluation; passing it to every sentence would hide what the sentences say.
_HABIT: ContextVar[str] = ContextVar("habit", default="us")


@contextmanager
def habit(units: str) -> Iterator[None]:
    """Figures worded inside give the units of "us" or "metric" first."""
    before = _HABIT.set(units)
    try:
        yield
    finally:
        _HABIT.reset(before)


def _both(us: str, metric: str) -> str:
    return f"{metric} ({us})" if _HABIT.get() == "metric" else f"{us} ({metric})"


def pressure(p: GaugePressure) -> str:
    if p.kpa < -0.5:
        return _both(f"{from_si(-p.kpa, 'inHg'):.1f} inHg of vacuum", f"{p.kpa:.0f} kPa")
    return _both(f"{p.psi:.0f} psi", f"{p.kpa:.0f} kPa")


def pressure_range(low: GaugePressure, high: GaugePressure) -> str:
    if low.kpa < -0.5:
        return f"{pressure(low)} to {pressure(high)}"
    return _both(f"{low.psi:.0f} to {high.psi:.0f} psi", f"{low.kpa:.0f} to {high.kpa:.0f} kPa")


def pressure_limit(kpa: float) -> str:
    digits = 0 if kpa >= 7 else 1
    return "±" + _both(f"{from_si(kpa, 'psi'):.{digits}f} psi", f"{kpa:.{digits}f} kPa")


def temperature(celsius: float) -> str:
    return _both(f"{_round(Temperature(celsius).fahrenheit)} °F", f"{_round(celsius)} °C")


def temperature_range(low: float, high: float) -> str:
    return _both(f"{_round(Temperature(low).fahrenheit)} to {_round(Temperature(high).fahrenheit)} °F",
                 f"{_round(low)} to {_round(high)} °C")


def difference(celsius: float) -> str:
    return _both(f"{_round(celsius * 9 / 5)} °F", f"{_round(celsius)} °C")


def difference_range(low: float, high: float) -> str:
    return _both(f"{_round(low * 9 / 5)} to {_round(high * 9 / 5)} °F", f"{_round(low)} to {_round(high)} °C")


def difference_limit(celsius: float) -> str:
    return "±" + _both(f"{celsius * 9 / 5:.0f} °F", f"{celsius:.1f} °C")


def mass(kg: float) -> str:
    return _both(f"{from_si(kg, 'oz'):.1f} oz", f"{kg * 1000:.0f} g")


def microns(value: float) -> str:
    return f"{value:,.0f} micron"


def _round(value: float) -> str:
    # adding zero turns a rounded -0 into 0
    return f"{round(value) + 0:d}"
