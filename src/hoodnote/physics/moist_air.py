"""Moist air as the evaporator and the vent check need it, over psychrolib (ASHRAE Handbook Fundamentals, chapter Psychrometrics).

Temperatures in C, humidity as a fraction 0 to 1, humidity ratio in kg water per kg dry air, enthalpy in kJ per kg dry air,
pressures in kPa absolute. Every function takes the station pressure.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from hoodnote.physics.errors import OutOfRange

if TYPE_CHECKING:
    from types import ModuleType

    from numpy.typing import ArrayLike, NDArray

SEA_LEVEL_KPA = 101.325
LOWEST_C, HIGHEST_C = -60.0, 90.0
DRY_AIR_GAS_CONSTANT = 0.287042        # kJ/(kg K), ASHRAE


@dataclass(frozen=True)
class MoistAir:
    temperature_c: float
    humidity_ratio: float
    enthalpy: float                    # kJ/kg dry air


def _psychrolib() -> ModuleType:
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    return psychrolib


def humidity_ratio(temperature_c: float, humidity: float, station_kpa: float = SEA_LEVEL_KPA) -> float:
    """kg/kg. Raises OutOfRange."""
    _check(temperature_c, humidity, station_kpa)
    return _psychrolib().GetHumRatioFromRelHum(temperature_c, humidity, station_kpa * 1e3)


def enthalpy(temperature_c: float, humidity_ratio: float) -> float:
    """kJ/kg dry air, zero at 0 C dry air and liquid water (ASHRAE)."""
    return _psychrolib().GetMoistAirEnthalpy(temperature_c, humidity_ratio) / 1e3


def wet_bulb(temperature_c: float, humidity: float, station_kpa: float = SEA_LEVEL_KPA) -> float:
    """C. Raises OutOfRange."""
    _check(temperature_c, humidity, station_kpa)
    return _psychrolib().GetTWetBulbFromRelHum(temperature_c, humidity, station_kpa * 1e3)


def dew_point(temperature_c: float, humidity: float, station_kpa: float = SEA_LEVEL_KPA) -> float:
    """C; below it water condenses on a surface. Raises OutOfRange, also for dry air, which has none."""
    _check(temperature_c, humidity, station_kpa)
    if humidity < 0.001:
        raise OutOfRange("air without moisture has no dew point; state the humidity")
    return _psychrolib().GetTDewPointFromRelHum(temperature_c, humidity)


def density(temperature_c: float, humidity_ratio: float, station_kpa: float = SEA_LEVEL_KPA) -> float:
    """kg of dry air per m3 of moist air."""
    return 1.0 / _psychrolib().GetMoistAirVolume(temperature_c, humidity_ratio, station_kpa * 1e3)


def through_coil(temperature_c: float, humidity: float, surface_c: float, effectiveness: float,
                 station_kpa: float = SEA_LEVEL_KPA) -> MoistAir:
    """Air behind a coil whose wet surface is at `surface_c`: a share `effectiveness` of it reaches the surface state (apparatus dew
    point), the rest bypasses. Water condenses only where the surface lies below the dew point. Raises OutOfRange."""
    if not 0.0 <= effectiveness <= 1.0:
        raise OutOfRange(f"a coil effectiveness of {effectiveness:.2f} cannot be; state one from 0 to 1")
    w_in = humidity_ratio(temperature_c, humidity, station_kpa)
    w_surface = min(w_in, humidity_ratio(surface_c, 1.0, station_kpa))
    t_out = temperature_c + effectiveness * (surface_c - temperature_c)
    w_out = w_in + effectiveness * (w_surface - w_in)
    return MoistAir(t_out, w_out, enthalpy(t_out, w_out))


@lru_cache(maxsize=32)
def saturated_humidity_ratios(station_kpa: float, lowest_c: float, highest_c: float, step_k: float) -> tuple[NDArray, NDArray]:
    """Temperatures and humidity ratios of saturated air on an even grid, for interpolation."""
    import numpy as np

    psychrolib = _psychrolib()
    grid = np.arange(lowest_c, highest_c + step_k / 2, step_k)
    return grid, np.array([psychrolib.GetSatHumRatio(t, station_kpa * 1e3) for t in grid])


def enthalpies(temperature_c: ArrayLike, humidity_ratio: ArrayLike) -> NDArray:
    """`enthalpy` for arrays; the ASHRAE formula is linear in both."""
    import numpy as np

    t, w = np.asarray(temperature_c), np.asarray(humidity_ratio)
    return 1.006 * t + w * (2501.0 + 1.86 * t)


def _check(temperature_c: float, humidity: float, station_kpa: float) -> None:
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        raise OutOfRange(f"air at {temperature_c:.1f} C is outside {LOWEST_C:.0f} to {HIGHEST_C:.0f} C; check the temperature")
    if not 0.0 <= humidity <= 1.0:
        raise OutOfRange(f"a relative humidity of {humidity * 100:.0f} % cannot be; state one from 0 to 100 %")
    if not 20.0 <= station_kpa <= 120.0:
        raise OutOfRange(f"a station pressure of {station_kpa:.1f} kPa cannot be; check the altitude")
