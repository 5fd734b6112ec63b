"""The refrigerant circuit of a vehicle at steady state, from conditions and an optional fault to what gauges and thermometers would show."""

from hoodnote.physics.cycle.model import Band, Conditions, Expected, Fault, Running, Vehicle
from hoodnote.physics.cycle.solve import run, standing
from hoodnote.physics.cycle.vehicles import typical

__all__ = ["Band", "Conditions", "Expected", "Fault", "Running", "Vehicle", "run", "standing", "typical"]
