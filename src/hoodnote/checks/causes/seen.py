"""Observations that are said rather than measured: steps and findings of the record, and power along the clutch circuit."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import electrical
from hoodnote.checks.causes.network import Observed
from hoodnote.checks.causes.scope import Scope
from hoodnote.checks.causes.soft import agreement, certain, observed
from hoodnote.checks.causes.tables import Observable, tables
from hoodnote.checks.contacts import Reason
from hoodnote.checks.model import Outcome
from hoodnote.readings.facts import si
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Step
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import Quantity

_AS_IT_SHOULD = {"open_freeze_switch": "freeze switch as it should", "open_low_pressure_switch": "low-pressure switch as it should",
                 "open_high_pressure_switch": "high-pressure switch as it should"}
# A multimeter on a coil: 0.2 ohm and 1 % (common practice, no source).
_METER_OHM, _METER_SHARE = 0.2, 0.01


def said(scope: Scope) -> Iterator[Observed]:
    for name, words in tables().steps.items():
        observable = tables().observables[name]
        if name == "lost":
            continue
        live = scope.last_step({key.partition(" ")[0] for key in words}, lambda s, words=words: _state(words, s) is not None)
        if live is not None:
            state = _state(words, live.entry.statement)
            yield observed(observable, certain(observable, state), "", [live.entry.id])
        elif name == "coil":
            yield from _coil(scope, observable)
    yield from _lost(scope)


def _state(words: dict[str, str], step: Step) -> str | None:
    return words.get(f"{step.action} {step.item}") or words.get(step.action)


def _coil(scope: Scope, observable: Observable) -> Iterator[Observed]:
    live = scope.last_reading("clutch_coil", Quantity.RESISTANCE)
    if live is not None:
        sd = (_METER_OHM + _METER_SHARE * si(live)) / 3 ** 0.5
        yield observed(observable, agreement(si(live), sd, observable.edges), describe(live.entry.statement), [live.entry.id])


def _lost(scope: Scope) -> Iterator[Observed]:
    """Where power ends, as the electrical check found it; what a person found blown or open is taken as found."""
    observable, words = tables().observables["lost"], tables().steps["lost"]
    found = scope.last_step({key.partition(" ")[0] for key in words}, lambda s: _state(words, s) is not None)
    if found is not None:
        yield observed(observable, certain(observable, _state(words, found.entry.statement)), describe(found.entry.statement), [found.entry.id])
        return
    ends = [x for x in electrical.lost_points(scope.view) if scope.holds(x.basis)]
    if ends:
        last = ends[-1]
        detail = f"power at {PLACES[last.before].name}, none at {PLACES[last.first].name}"
        agrees = certain(observable, *_states(last))
        if sum(agrees) > 1 and len(last.faults) == 1:
            # one contact is left, so there is nothing more to follow; only whether it should be open is not known
            agrees = tuple(a / sum(agrees) for a in agrees)
            yield Observed(observable, agrees, f"{observable.name} ({detail}; not known whether it should be open)", last.basis)
        else:
            yield observed(observable, agrees, detail, list(last.basis))
        return
    reached = [f for f in electrical.check(scope.view) if f.check == "clutch_circuit" and f.outcome is Outcome.WITHIN and scope.holds(f.basis)]
    if reached:
        yield observed(observable, certain(observable, "none"), "", list(reached[-1].basis))


def _states(lost: electrical.Lost) -> Iterator[str]:
    """A switch may be open for a good reason, without one, or nobody knows."""
    for fault in lost.faults:
        if fault not in _AS_IT_SHOULD or lost.reason is not Reason.GOOD:
            yield fault
        if fault in _AS_IT_SHOULD and lost.reason in (Reason.GOOD, Reason.UNKNOWN):
            yield _AS_IT_SHOULD[fault]
