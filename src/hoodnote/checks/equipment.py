"""What the shop measures with: gauges and thermometer with their limits of error."""

from __future__ import annotations

from dataclasses import dataclass

from hoodnote.physics.gauge import USUAL_MANIFOLD, ManifoldGauges

# A thermometer read at arm's length in a bay, unless told otherwise (common practice, no source).
THERMOMETER_LIMIT_C = 2.0


@dataclass(frozen=True)
class Equipment:
    gauges: ManifoldGauges = USUAL_MANIFOLD
    thermometer_limit_c: float = THERMOMETER_LIMIT_C


USUAL = Equipment()
