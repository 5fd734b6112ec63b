"""What a person can state on a job: the meaning of an utterance, of typed text or of a label.

A statement knows nothing of who heard it or how sure we are; `hoodnote.readings` adds that.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any, ClassVar

from hoodnote.statements.vocabulary import ACTIONS, CONTROLS, FACTS, PLACES
from hoodnote.units import UNITS


@dataclass(frozen=True)
class Measured:
    """A figure read at a place: "low side thirty psi", "static high side ninety", "vacuum at ten minutes eight hundred microns"."""

    kind: ClassVar[str] = "measured"
    place: str
    value: Decimal
    unit: str                          # id in units.UNITS
    unit_stated: bool = True           # False: the unit was not said, the shop's default was taken
    engine: str | None = None          # "off" or "running" when the words say so
    at_minute: Decimal | None = None   # minutes since the hold or the pump began, when said
    tolerance: Decimal | None = None   # as printed on a label, in `unit`

    def __post_init__(self):
        if self.place not in PLACES:
            raise ValueError(f"unknown place {self.place}")
        if UNITS[self.unit].quantity not in PLACES[self.place].quantities:
            raise ValueError(f"{self.place} is not measured in {self.unit}")


@dataclass(frozen=True)
class Supply:
    """Power or no power at a test point of the clutch circuit."""

    kind: ClassVar[str] = "supply"
    place: str
    present: bool

    def __post_init__(self):
        if self.place not in PLACES:
            raise ValueError(f"unknown place {self.place}")


@dataclass(frozen=True)
class _Act:
    """Something of vocabulary.ACTIONS."""

    action: str

    def __post_init__(self):
        if self.action not in ACTIONS:
            raise ValueError(f"unknown action {self.action}")


@dataclass(frozen=True)
class Step(_Act):
    """Something done or found: action is a key of vocabulary.ACTIONS, item a part or a spot (key of PARTS), or None."""

    kind: ClassVar[str] = "step"
    item: str | None = None


@dataclass(frozen=True)
class Plan(_Act):
    """A step that is about to be done: a reason to warn in time, and never taken as done."""

    kind: ClassVar[str] = "plan"


@dataclass(frozen=True)
class Fact:
    """A property of the vehicle or of its label: key of vocabulary.FACTS."""

    kind: ClassVar[str] = "fact"
    key: str
    value: str

    def __post_init__(self):
        if self.key not in FACTS:
            raise ValueError(f"unknown fact {self.key}")


@dataclass(frozen=True)
class Control:
    """A word to the tool itself: key of vocabulary.CONTROLS."""

    kind: ClassVar[str] = "control"
    action: str

    def __post_init__(self):
        if self.action not in CONTROLS:
            raise ValueError(f"unknown control {self.action}")


@dataclass(frozen=True)
class Answer:
    """A figure alone, "fifteen" or "fifteen p s i": it says which version of an open question is right, and is never a reading."""

    kind: ClassVar[str] = "answer"
    value: Decimal
    unit: str | None = None            # id in units.UNITS, when it was said

    def picks(self, statement: Statement | None) -> bool:
        """Is it the figure of this statement?"""
        if isinstance(statement, Correction):
            return self.picks(statement.statement)
        return isinstance(statement, Measured) and statement.value == self.value and self.unit in (None, statement.unit)


@dataclass(frozen=True)
class FreeNote:
    """What was said outside the language, as a transcript that nobody checked: no figure, no question, and no ground of a check."""

    kind: ClassVar[str] = "free note"
    text: str                          # "" when nothing could be made of the clip


@dataclass(frozen=True)
class Correction:
    """"correction low side thirty five psi": the statement replaces the last one of the same subject."""

    kind: ClassVar[str] = "correction"
    statement: Measured | Supply | Step | Fact


Statement = Measured | Supply | Step | Plan | Fact | Control | Answer | FreeNote | Correction
_KINDS = {c.kind: c for c in (Measured, Supply, Step, Plan, Fact, Control, Answer, FreeNote, Correction)}


def uncorrected(statement: Statement | None) -> Statement | None:
    """The statement that a correction puts in place; any other as it is."""
    return statement.statement if isinstance(statement, Correction) else statement


def subject(statement: Statement) -> tuple:
    """What the statement is about, without the value: two statements with one subject can agree, differ or supersede."""
    match statement:
        case Measured(place=place, at_minute=at, unit=unit, engine=engine):
            return ("measured", place, UNITS[unit].quantity.value, engine, at)
        case Supply(place=place):
            return ("supply", place)
        case Step(action=action, item=item):
            return ("step", action, item)
        case Plan(action=action):
            return ("plan", action)
        case Fact(key=key):
            return ("fact", key)
        case Control(action=action):
            return ("control", action)
        case Answer():
            return ("answer",)
        case FreeNote():
            return ("free note",)
        case Correction(statement=inner):
            return ("correction", *subject(inner))
    raise TypeError(statement)


def to_json(statement: Statement) -> dict[str, Any]:
    out: dict[str, Any] = {"kind": statement.kind}
    for f in fields(statement):
        value = getattr(statement, f.name)
        if isinstance(value, Decimal):
            value = str(value)
        elif isinstance(statement, Correction):
            value = to_json(value)
        if value is not None:
            out[f.name] = value
    return out


def from_json(data: dict[str, Any]) -> Statement:
    """Inverse of `to_json`. Raises KeyError or ValueError on a statement this version does not know."""
    data = dict(data)
    cls = _KINDS[data.pop("kind")]
    if cls is Correction:
        return Correction(from_json(data["statement"]))
    for key in ("value", "at_minute", "tolerance"):
        if cls in (Measured, Answer) and data.get(key) is not None:
            data[key] = Decimal(data[key])
    return cls(**data)
