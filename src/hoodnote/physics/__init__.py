"""Refrigerant saturation, the atmosphere and gauges. Knows nothing of readings, speech or the database.

Every uncertainty in this room and in `hoodnote.checks` is a limit of error: plus or minus the most a sound instrument
or a stated assumption can be off. Limits of one result are added, not root-sum-squared: a gauge's error is the same
from reading to reading, so it does not average out.
"""
