"""Facts and figures given on the command line, read strictly: a missing unit or an unknown word is refused, never guessed."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    from hoodnote.statements.model import Fact, Measured

_TEXT_LENGTH = 500
_NUMBER = r"[-+]?(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?"
_FIGURE = re.compile(rf"({_NUMBER})\s*([^\d\s±+-][^\d±+-]*?)?\s*(?:(?:±|\+/-|\+-)\s*(\d+(?:\.\d+)?)\s*(\D*?)\s*)?", re.ASCII)
_UNIT_WORDS = {
    "degf": "f", "fahrenheit": "f", "degc": "c", "celsius": "c", "feet": "ft", "foot": "ft", "metres": "m", "meters": "m",
    "mile": "mi", "miles": "mi", "kilometres": "km", "kilometers": "km", "percent": "%", "%rh": "%", "grams": "g",
    "ounces": "oz", "pounds": "lb", "lbs": "lb",
}
# What is set by hand about vehicle, label and conditions; readings are spoken or typed as statements.
PLACES_BY_HAND = ("ambient", "humidity", "altitude", "odometer", "label_charge", "label_oil")
# Beyond these a figure is a slip of the finger. In the SI of `units.Unit`; common practice, no source.
_POSSIBLE = {
    "ambient": (-50.0, 60.0), "humidity": (0.0, 100.0), "altitude": (-450.0, 5500.0), "odometer": (0.0, 5e6),
    "label_charge": (0.02, 20.0), "label_oil": (0.005, 5.0),
}


def statement_for(key: str, text: str) -> Fact | Measured:
    """`key` as typed, dashes or underscores. Raises HoodnoteError naming the closest key, the units or the words that are known."""
    from hoodnote.statements.vocabulary import FACTS

    name = key.strip().lower().replace("-", "_").replace(" ", "_")
    if name in PLACES_BY_HAND:
        return _measured(name, text)
    if name in FACTS:
        return _fact(name, text)
    from rapidfuzz import process

    known = [*FACTS, *PLACES_BY_HAND]
    close = process.extractOne(name, known, score_cutoff=60)
    raise HoodnoteError(f"there is no {key}; " + (f"did you mean {close[0]}?" if close else f"known are {', '.join(known)}"))


def _fact(key: str, text: str) -> Fact:
    from hoodnote.statements.model import Fact
    from hoodnote.statements.vocabulary import FACT_VALUES, FACTS

    value = " ".join(text.split())
    if not value or len(value) > _TEXT_LENGTH or not value.isprintable():
        raise HoodnoteError(f"{FACTS[key]} is 1 to {_TEXT_LENGTH} printable characters; give it again")
    if key == "vin":
        return Fact(key, _vin(value))
    if key == "model_year":
        return Fact(key, _year(value))
    if key in FACT_VALUES:
        return Fact(key, _one_of(key, value, FACT_VALUES[key]))
    return Fact(key, value)


def _vin(text: str) -> str:
    from hoodnote.readings.vin import check_vin, normal_vin

    problem = check_vin(text)
    if problem is not None and problem.impossible:
        raise HoodnoteError(problem.text)
    return normal_vin(text)


def _year(text: str) -> str:
    latest = date.today().year + 2   # a model year begins before its calendar year
    if not re.fullmatch(r"[0-9]{4}", text) or not 1930 <= int(text) <= latest:
        raise HoodnoteError(f"the model year is four digits from 1930 to {latest}, not {text}")
    return text


def _one_of(key: str, text: str, known: tuple[str, ...]) -> str:
    """"r134a", "R-134A" and "134a" are one refrigerant; "belt" alone is not one of the drives."""
    from hoodnote.statements.vocabulary import FACTS

    def bare(words: str) -> str:
        letters = re.sub(r"[^a-z0-9]", "", words.lower())
        return letters.removeprefix("r") if "refrigerant" in key else letters

    for value in known:
        if bare(value) == bare(text):
            return value
    raise HoodnoteError(f"{FACTS[key]} {text} is not known; say one of: {', '.join(repr(v) for v in known)}")


def _measured(place: str, text: str) -> Measured:
    from hoodnote.statements.model import Measured
    from hoodnote.statements.vocabulary import PLACES
    from hoodnote.units import UNITS, to_si

    units = [u.id for u in UNITS.values() if u.quantity in PLACES[place].quantities]
    match = _FIGURE.fullmatch(" ".join(text.split()))
    unit = _unit(match[2], units) if match else None
    tolerance_unit = _unit(match[4], [unit]) if match and match[4] else unit
    if match is None or unit is None or tolerance_unit is None or (match[3] and place != "label_charge"):
        raise HoodnoteError(f"{PLACES[place].name} {text!r} is not understood; give the number and its unit, for instance {_EXAMPLES[place]}")
    value = Decimal(match[1].replace(",", ""))
    low, high = _POSSIBLE[place]
    if not low <= to_si(float(value), unit) <= high:
        raise HoodnoteError(f"{PLACES[place].name} {text} cannot be; check the number and its unit")
    return Measured(place, value, unit, tolerance=Decimal(match[3]) if match[3] else None)


_EXAMPLES = {"ambient": "86F or 30C", "humidity": "45 or 45%", "altitude": "1200ft or 370m", "odometer": "112000mi or 180000km",
             "label_charge": "24oz or 0.68kg or 680g", "label_oil": "5floz or 150mL"}


def _unit(text: str | None, units: list[str]) -> str | None:
    """The unit meant; the only one there is when none was given; None when that leaves a choice."""
    if not text or not text.strip():
        return units[0] if len(units) == 1 else None
    word = re.sub(r"[\s.°]", "", text.lower())
    word = _UNIT_WORDS.get(word, word)
    return next((u for u in units if u.replace(" ", "").lower() == word), None)
