"""Candidate causes, what is for and against each, and the check that would tell most. Guidance, never a verdict.

The probabilities come from a small network whose tables are data (`causes.toml`, `observations.toml`, `patterns.toml`, `checks.toml`):
`record` reads the observations off a job's record, `network` weighs them, `ranking` and `claims` put the result into words.
"""

from hoodnote.checks.causes.claims import claims, unsupported
from hoodnote.checks.causes.ranking import rank

__all__ = ["claims", "rank", "unsupported"]
