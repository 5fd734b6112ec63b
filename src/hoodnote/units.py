"""Units of what is read in a bay, and the pressure and temperature types that physics works with.

Factors: NIST SP 811 (2008), appendix B.8 and B.9, exact where SP 811 prints them bold.
Gauge and absolute pressure are different types on purpose: nothing converts one to the other
without the ambient pressure (`GaugePressure.absolute`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Quantity(StrEnum):
    PRESSURE = "pressure"          # gauge; negative is vacuum
    VACUUM = "vacuum"              # depth below ambient (inHg) or absolute (micron)
    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature difference"
    MASS = "mass"
    VOLUME = "volume"
    VOLTAGE = "voltage"
    RESISTANCE = "resistance"
    CURRENT = "current"
    DURATION = "duration"
    HUMIDITY = "humidity"
    ROTATION = "engine speed"
    ALTITUDE = "altitude"
    DISTANCE = "distance"


@dataclass(frozen=True)
class Unit:
    """`si = value * factor + offset`; SI here is kPa, degC, kg, L, V, ohm, A, min, %, rpm, m, km."""

    id: str
    quantity: Quantity
    factor: float
    offset: float = 0.0


_UNITS = [
    Unit("psi", Quantity.PRESSURE, 6.894757),
    Unit("bar", Quantity.PRESSURE, 100.0),
    Unit("kPa", Quantity.PRESSURE, 1.0),
    Unit("MPa", Quantity.PRESSURE, 1000.0),
    Unit("kg/cm2", Quantity.PRESSURE, 98.0665),
    Unit("inHg", Quantity.VACUUM, 3.386389),
    Unit("micron", Quantity.VACUUM, 1.333224e-4),
    Unit("F", Quantity.TEMPERATURE, 5 / 9, -160 / 9),
    Unit("C", Quantity.TEMPERATURE, 1.0),
    Unit("F difference", Quantity.TEMPERATURE_DIFFERENCE, 5 / 9),
    Unit("C difference", Quantity.TEMPERATURE_DIFFERENCE, 1.0),
    Unit("oz", Quantity.MASS, 28.349523e-3),
    Unit("lb", Quantity.MASS, 0.45359237),
    Unit("g", Quantity.MASS, 1e-3),
    Unit("kg", Quantity.MASS, 1.0),
    Unit("fl oz", Quantity.VOLUME, 29.57353e-3),
    Unit("mL", Quantity.VOLUME, 1e-3),
    Unit("V", Quantity.VOLTAGE, 1.0),
    Unit("mV", Quantity.VOLTAGE, 1e-3),
    Unit("ohm", Quantity.RESISTANCE, 1.0),
    Unit("kohm", Quantity.RESISTANCE, 1e3),
    Unit("A", Quantity.CURRENT, 1.0),
    Unit("min", Quantity.DURATION, 1.0),
    Unit("h", Quantity.DURATION, 60.0),
    Unit("s", Quantity.DURATION, 1 / 60),
    Unit("%", Quantity.HUMIDITY, 1.0),
    Unit("rpm", Quantity.ROTATION, 1.0),
    Unit("ft", Quantity.ALTITUDE, 0.3048),
    Unit("m", Quantity.ALTITUDE, 1.0),
    Unit("mi", Quantity.DISTANCE, 1.609344),
    Unit("km", Quantity.DISTANCE, 1.0),
]
UNITS: dict[str, Unit] = {u.id: u for u in _UNITS}


def to_si(value: float, unit: str) -> float:
    """Value in the base unit of its quantity (see `Unit`). Raises KeyError for an unknown unit."""
    u = UNITS[unit]
    return float(value) * u.factor + u.offset


def from_si(value: float, unit: str) -> float:
    u = UNITS[unit]
    return (float(value) - u.offset) / u.factor


def convert(value: float, unit: str, into: str) -> float:
    """Raises ValueError when the units measure different things (a mass ounce is no fluid ounce)."""
    if UNITS[unit].quantity is not UNITS[into].quantity:
        raise ValueError(f"{unit} measures {UNITS[unit].quantity}, {into} measures {UNITS[into].quantity}")
    return from_si(to_si(value, unit), into)


@dataclass(frozen=True, order=True)
class AbsolutePressure:
    kpa: float

    def gauge(self, ambient: AbsolutePressure) -> GaugePressure:
        return GaugePressure(self.kpa - ambient.kpa)


@dataclass(frozen=True, order=True)
class GaugePressure:
    """Pressure above ambient; below zero is vacuum."""

    kpa: float

    @classmethod
    def of(cls, value: float, unit: str) -> GaugePressure:
        if UNITS[unit].quantity is not Quantity.PRESSURE:
            raise ValueError(f"{unit} is not a gauge pressure unit")
        return cls(to_si(value, unit))

    @property
    def psi(self) -> float:
        return from_si(self.kpa, "psi")

    def absolute(self, ambient: AbsolutePressure) -> AbsolutePressure:
        return AbsolutePressure(self.kpa + ambient.kpa)


@dataclass(frozen=True, order=True)
class Temperature:
    celsius: float

    @classmethod
    def of(cls, value: float, unit: str) -> Temperature:
        if UNITS[unit].quantity is not Quantity.TEMPERATURE:
            raise ValueError(f"{unit} is not a temperature unit")
        return cls(to_si(value, unit))

    @property
    def fahrenheit(self) -> float:
        return from_si(self.celsius, "F")

    @property
    def kelvin(self) -> float:
        return self.celsius + 273.15
