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
    "R-1234yf": (1.0, 1.10),
    "R-12": (0.98, 1.20),
    "R-152a": (1.0, 0.75),
}
# A charge at which the buffer is half full on a day like this: what a label asks for (common practice, no source).
_LABEL_DAY, _LABEL_LEVEL = Conditions(30.0, 0.5), 0.5


@cache
def typical(refrigerant: str, device: str, control: str) -> Vehicle:
    """Raises NotModelled, UnknownRefrigerant."""
    displaced, orifice = _SIZES.get(refrigerant, (1.0, 1.0))
    vehicle = Vehicle(refrigerant, device, control, charge_kg=0.6)
    sized = replace(vehicle, displacement_cc=vehicle.displacement_cc * displaced,
                    orifice_mm2=vehicle.orifice_mm2 * orifice * (1.0 if vehicle.orifice_tube else 1.35),
                    evaporating_setpoint_c=-1.0 if control == FIXED else 0.5)
    return labelled(sized)


def labelled(vehicle: Vehicle, level: float = _LABEL_LEVEL) -> Vehicle:
    """The vehicle with the charge that fills its buffer to `level` on a usual day."""
    circuit = Circuit(vehicle, _LABEL_DAY, None, level)
    return replace(vehicle, charge_kg=round(circuit.state(solved(circuit)).charge_kg, 3))
