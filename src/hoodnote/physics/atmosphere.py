"""The air around the gauge, and water in a vacuum.

Station pressure: ISO 2533:1975 standard atmosphere, troposphere. Water: IAPWS-95 through CoolProp.
"""

from __future__ import annotations

from functools import lru_cache

from hoodnote.physics.errors import OutOfRange
from hoodnote.units import AbsolutePressure, Temperature, from_si

SEA_LEVEL = AbsolutePressure(101.325)                   # ISO 2533
# Weather moves station pressure about this much either way (common practice, no source).
WEATHER_LIMIT_KPA = 2.0

_T0, _LAPSE, _EXPONENT = 288.15, 0.0065, 9.80665 / (0.0065 * 287.05287)     # ISO 2533: K, K/m, g/(L R)
LOWEST_M, HIGHEST_M = -2000.0, 11000.0


def station_pressure(altitude_m: float) -> AbsolutePressure:
    """Standard pressure at a geopotential altitude of -2000 to 11000 m. Raises OutOfRange."""
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise OutOfRange(f"no station pressure for an altitude of {altitude_m:.0f} m; state one from {LOWEST_M:.0f} to {HIGHEST_M:.0f} m")
    return AbsolutePressure(SEA_LEVEL.kpa * (1 - _LAPSE * altitude_m / _T0) ** _EXPONENT)


def micron_of(pressure: AbsolutePressure) -> float:
    """Absolute pressure in micrometres of mercury, as vacuum gauges show it."""
    return from_si(pressure.kpa, "micron")


def water_saturation_pressure(temperature: Temperature) -> AbsolutePressure:
    """Below this absolute pressure water boils at the temperature (0.01 to 373 C). Raises OutOfRange; below that it is ice."""
    return AbsolutePressure(_water_kpa(round(temperature.kelvin, 2)))


@lru_cache(maxsize=256)
def _water_kpa(kelvin: float) -> float:
    from CoolProp.CoolProp import PropsSI

    if not 273.16 <= kelvin <= 647.0:
        raise OutOfRange(f"water is not a boiling liquid at {kelvin - 273.15:.1f} C; below 0 C it is ice, warm the system before pumping")
    return PropsSI("P", "T", kelvin, "Q", 0, "Water") / 1e3
