"""Refrigerant saturation, the circuit at steady state, the atmosphere and gauges. Knows nothing of readings, speech or the database.

What is known of an instrument or an assumption is a limit: plus or minus the most a sound one can be off. `uncertain` turns limits
into standard uncertainties, propagates them with what errors share, and states results at twice the standard uncertainty.
"""
