"""Builds a record as a job would hold it: every statement typed and confirmed unless wrapped in `unsure`."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from hoodnote.readings.model import Entry, Origin, Standing, Timeline
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Fact, Measured, Statement, Step, Supply


@dataclass(frozen=True)
class unsure:
    statement: Statement


def m(place: str, value: float | str, unit: str, **more) -> Measured:
    for key in ("at_minute", "tolerance"):
        if key in more:
            more[key] = Decimal(str(more[key]))
    return Measured(place, Decimal(str(value)), unit, **more)


def psi(place: str, value: float) -> Measured:
    return m(place, value, "psi")


def step(action: str, item: str | None = None) -> Step:
    return Step(action, item)


def fact(key: str, value: str) -> Fact:
    return Fact(key, value)


def supply(place: str, present: bool) -> Supply:
    return Supply(place, present)


def entries(*statements: Statement | unsure) -> list[Entry]:
    out = []
    for number, s in enumerate(statements, start=1):
        doubtful = isinstance(s, unsure)
        out.append(Entry(s.statement if doubtful else s, Standing.UNCONFIRMED if doubtful else Standing.CONFIRMED, Origin("typed"), id=number))
    return out


def record(*statements: Statement | unsure) -> Timeline:
    return build(entries(*statements))
