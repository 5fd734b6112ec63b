"""What each fault changes in the model, as factors on a sound vehicle. Sizes at severity 1: common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass

from hoodnote.physics.cycle.model import Fault, Vehicle
from hoodnote.physics.errors import NotModelled


@dataclass(frozen=True)
class Effects:
    charge: float = 1.0                       # of the label
    air_kpa: float = 0.0                      # partial pressure of air at 25 C, spread over the whole circuit
    condensing: float = 1.0                   # condensing effectiveness
    condenser_air: float = 1.0
    reingested_k: float = 0.0
    restriction: float | None = None          # free area of the narrowed place over the fully open device
    valve_most: float = 1.0                   # how far the valve can open
    valve_least: float = 0.02                 # how far it can close
    volumetric: float = 1.0
    isentropic: float = 1.0
    evaporator_air: float = 1.0
    evaporator_ua: float = 1.0
    unprotected: bool = False                 # the freeze protection does not act
    heater: float = 0.0                       # share of the air that passes a hot heater core


def effects(vehicle: Vehicle, fault: Fault | None) -> Effects:
    """Raises NotModelled for a stuck valve where there is none."""
    if fault is None:
        return Effects()
    s = fault.severity
    if fault.id.startswith("valve_stuck") and vehicle.orifice_tube:
        raise NotModelled("an orifice tube has no valve that could stick; model a restriction instead")
    match fault.id:
        case "undercharge":
            return Effects(charge=1 - 0.85 * s)
        case "overcharge":
            return Effects(charge=1 + 0.7 * s)
        case "air":
            return Effects(air_kpa=150.0 * s, condensing=1 - 0.15 * s)
        case "restriction":
            return Effects(restriction=0.75 * (1 - 0.85 * s) / max(s, 1e-3) ** 0.5)
        case "valve_stuck_closed":
            return Effects(valve_most=(1 - s) ** 2 + 0.04 * s)
        case "valve_stuck_open":
            return Effects(valve_least=0.02 + 1.48 * s, valve_most=1.0 + 0.5 * s)
        case "condenser_airflow":
            return Effects(condenser_air=1 - 0.65 * s, reingested_k=6 * s)
        case "weak_compressor":
            return Effects(volumetric=1 - 0.8 * s, isentropic=1 - 0.4 * s)
        case "iced_evaporator":
            return Effects(evaporator_air=1 - 0.85 * s, evaporator_ua=1 - 0.9 * s, unprotected=True)
        case _:
            return Effects(heater=0.45 * s)
