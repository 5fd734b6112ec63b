"""What a check says: expected, measured, uncertainty, outcome, why, and what it stands on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    WITHIN = "within"
    OUTSIDE = "outside"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class Finding:
    """One check's result. Texts carry units; `basis` holds entry ids; `source` names the standard, or `common practice, no source`."""

    check: str                       # id, e.g. "static_pressure"
    title: str                       # e.g. "Static pressure against ambient"
    stage: str                       # before, during, after, or "" for the whole job
    expected: str
    measured: str
    uncertainty: str
    outcome: Outcome
    why: str                         # one sentence
    basis: tuple[int, ...] = ()
    missing: tuple[str, ...] = ()    # what would let it decide
    source: str = ""


@dataclass(frozen=True)
class Warning:
    """A hazard or an impossibility to tell the technician at once: what can happen, what to do now."""

    id: str
    text: str
    basis: tuple[int, ...] = ()
    source: str = ""
