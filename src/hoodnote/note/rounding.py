"""Computed figures with no more digits than their uncertainty bears. A figure as read never comes here.

JCGM 100:2008 (GUM) 7.2.6: an uncertainty is given with at most two significant digits, the figure with as many places. Whether one
or two: the Review of Particle Physics, Introduction 5.3: two from 100 to 354 of the three leading digits, one from 355 to 949,
and 950 upwards as 1000 with two.
"""

from __future__ import annotations

import math

_UNKNOWN_PLACES = 0          # a figure of unknown uncertainty is given in whole units


def _places_of(uncertainty: float) -> int:
    """Decimal places that an uncertainty above zero bears; negative: whole tens, hundreds."""
    decade = math.floor(math.log10(uncertainty))
    leading = round(uncertainty / 10.0 ** decade * 100)
    if leading >= 950:
        return -decade
    return 1 - decade if leading <= 354 else -decade


def with_uncertainty(value: float, uncertainty: float | None, unit: str) -> str:
    """ "39.6 ± 1.3 °F"; without a known uncertainty "40 °F"."""
    if not uncertainty:
        return f"{_to_places(value, _UNKNOWN_PLACES)} {unit}"
    places = _places_of(uncertainty)
    return f"{_to_places(value, places)} ± {_to_places(uncertainty, places)} {unit}"


def _to_places(value: float, places: int) -> str:
    # adding zero turns a rounded -0 into 0
    return f"{round(value, places) + 0.0:.{max(0, places)}f}"
