"""Refusals of the property functions: each names what was asked and why there is no answer."""

from __future__ import annotations

from hoodnote.errors import HoodnoteError


class NoSaturation(HoodnoteError):
    """There is no saturation value for what was asked."""


class UnknownRefrigerant(NoSaturation):
    """The designation is not in the registry."""


class NoPropertyData(NoSaturation):
    """The refrigerant is known, but no evaluated property model of it is at hand."""


class AboveCritical(NoSaturation):
    """At or above the critical point: vapour and liquid are one (transcritical), so no saturation value exists."""


class OutOfRange(NoSaturation):
    """Outside the range of the property model or of the standard."""


class NotModelled(HoodnoteError):
    """The cycle model does not cover this refrigerant, equipment or fault."""


class NoSteadyState(HoodnoteError):
    """The circuit finds no balance under these conditions, or the model does not find it."""
