"""What is lettered on displays: units, LOW and HIGH, HOLD, in the ways they are written."""

from __future__ import annotations

import re

POUNDS_OUNCES = "lb:oz"
FOREIGN = "?"                 # a unit that the note does not carry
LOW, HIGH, HELD = "low_side", "high_side", "held"

# what an annunciator may say; a bare F or C is how "°F" reads when its ring is lost, and is asked about
_UNITS = {"psi": "psi", "psig": "psi", "bar": "bar", "kpa": "kPa", "inhg": "inHg", "micron": "micron", "microns": "micron",
          "°f": "F", "°c": "C", "℉": "F", "℃": "C", "kg": "kg", "oz": "oz", "lb:oz": POUNDS_OUNCES, "lboz": POUNDS_OUNCES, "lb.oz": POUNDS_OUNCES, "lb-oz": POUNDS_OUNCES,
          "iboz": POUNDS_OUNCES, "ib:oz": POUNDS_OUNCES,
          "%": "%", "%rh": "%", "rh%": "%", "ω": "ohm", "ohm": "ohm", "ohms": "ohm", "kω": "kohm", "kohm": "kohm"}
_CASED = {"A": "A", "g": "g", "V": "V", "v": "V", "mV": "mV", "VDC": "V", "DCV": "V", "Vdc": "V"}
# units that a meter or gauge shows and the note does not carry: read, so that they are not taken for another
_FOREIGN = {"ma", "µa", "μa", "mω", "mohm", "mpa", "hz", "khz", "torr", "mbar", "pa", "mtorr", "kg/cm²", "kg/cm2", "lb", "lbs", "ml", "fl.oz", "mmhg", "hpa",
            "cmhg", "vac", "acv"}
_LOW, _HIGH = {"low", "lo", "l", "lowside", "lp"}, {"high", "hi", "h", "highside", "hp"}
_HELD = {"hold", "max", "min", "peak"}
# how what was seen, not read, is written
WRITTEN = {"F": "°F", "C": "°C", "ohm": "Ω", "kohm": "kΩ", LOW: "LOW", HIGH: "HIGH", HELD: "HOLD", FOREIGN: "mbar"}
UNITS_SHOWN = tuple(dict.fromkeys((*_UNITS.values(), *_CASED.values(), FOREIGN)))


def key_of(text: str) -> str:
    return re.sub(r"\s", "", text).strip(".:;'\"")


def unit_of(text: str) -> str | None:
    key = key_of(text)
    if key in _CASED:
        return _CASED[key]
    if key.startswith("M") and key[1:].lower() in ("ω", "ohm") or key.lower() in _FOREIGN:
        return FOREIGN
    return _UNITS.get(key.lower())


def side_of(text: str) -> str | None:
    """LOW or HIGH."""
    key = key_of(text).lower()
    return LOW if key in _LOW else HIGH if key in _HIGH else None


def is_held(text: str) -> bool:
    """Does it say that the figure may not be the present one?"""
    return key_of(text).lower() in _HELD
