"""The refrigerant circuit of a vehicle at steady state: conditions and an optional fault in, what gauges and thermometers show out."""

from hoodnote.physics.cycle.bands import expected
from hoodnote.physics.cycle.model import Band, Conditions, Expected, Fault, Running, Vehicle
from hoodnote.physics.cycle.solve import run, standing
from hoodnote.physics.cycle.vehicles import typical

__all__ = ["Band", "Conditions", "Expected", "Fault", "Running", "Vehicle", "expected", "run", "standing", "typical"]
