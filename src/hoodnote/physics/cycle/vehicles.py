"""A usual vehicle for a refrigerant, expansion device and compressor control."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from hoodnote.physics.cycle.circuit import Circuit
from hoodnote.physics.cycle.model import FIXED, Conditions, Vehicle
from hoodnote.physics.cycle.solve import solved

# Sizes that go with the refrigerant: swept volume and orifice area for about the same cooling (common practice, no source).
_SIZES = {
    "R-134a": (1.0, 1.0),
    "R-1234yf": (1.0, 1.25),
    "R-12": (0.98, 1.22),
    "R-152a": (1.0, 0.72),
}
# A charge at which the buffer is half full on a day like this: what a label asks for (common practice, no source).
_LABEL_DAY, _LABEL_LEVEL = Conditions(30.0, 0.5), 0.5


@cache
def typical(refrigerant: str, device: str, control: str) -> Vehicle:
    """Raises NotModelled, UnknownRefrigerant."""
    displaced, orifice = _SIZES.get(refrigerant, (1.0, 1.0))
    vehicle = Vehicle(refrigerant, device, control, charge_kg=0.6)
    sized = replace(vehicle, displacement_cc=vehicle.displacement_cc * displaced,
                    orifice_mm2=vehicle.orifice_mm2 * orifice * (1.0 if vehicle.orifice_tube else 1.25),
                    evaporating_setpoint_c=-1.0 if control == FIXED and vehicle.orifice_tube else 0.5)
    return labelled(sized)


def labelled(vehicle: Vehicle, level: float = _LABEL_LEVEL) -> Vehicle:
    """The vehicle with the charge that fills its buffer to `level` on a usual day."""
    circuit = Circuit(vehicle, _LABEL_DAY, None, level)
    return replace(vehicle, charge_kg=round(circuit.state(solved(circuit)).charge_kg, 3))


# How sound vehicles differ from the typical one: factors and offsets, evenly spread (common practice, no source).
FACTORS: dict[str, tuple[float, float]] = {
    "displacement_cc": (0.85, 1.20), "volumetric": (0.92, 1.06), "isentropic": (0.88, 1.08), "condenser_air_m3_s": (0.78, 1.25),
    "condenser_effectiveness": (0.92, 1.08), "evaporator_air_m3_s": (0.80, 1.20), "evaporator_ua_w_k": (0.75, 1.25),
    "orifice_mm2": (0.88, 1.12), "condenser_l": (0.80, 1.20),
}
OFFSETS: dict[str, tuple[float, float]] = {
    "evaporating_setpoint_c": (-1.5, 2.5), "reingested_k": (-2.5, 4.0), "valve_superheat_k": (-1.5, 1.5),
    "evaporator_effectiveness": (-0.06, 0.05), "own_air_share": (-0.10, 0.25), "subcooling_share": (-0.06, 0.05),
}
_LEVELS = (0.25, 0.80)                    # how full charging by the label leaves the buffer


def sound_vehicles(refrigerant: str, device: str, control: str, count: int, seed: int = 1) -> list[Vehicle]:
    """Vehicles spread over `FACTORS` and `OFFSETS` by Latin hypercube. Raises NotModelled, UnknownRefrigerant."""
    import numpy as np

    base = typical(refrigerant, device, control)
    rng = np.random.default_rng(seed)
    names = [*FACTORS, *OFFSETS, "level"]
    shares = (np.array([rng.permutation(count) for _ in names]).T + 0.5) / count
    out = []
    for row in shares.tolist():
        at = dict(zip(names, row, strict=True))
        changed = {n: getattr(base, n) * (a + at[n] * (b - a)) for n, (a, b) in FACTORS.items()}
        changed |= {n: getattr(base, n) + a + at[n] * (b - a) for n, (a, b) in OFFSETS.items()}
        out.append(labelled(replace(base, **changed), _LEVELS[0] + at["level"] * (_LEVELS[1] - _LEVELS[0])))
    return out
