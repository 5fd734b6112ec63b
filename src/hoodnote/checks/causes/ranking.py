"""Candidate causes in order, with what speaks for and against each, what is missing, and the check that would tell most."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from hoodnote.checks.causes import network
from hoodnote.checks.causes.record import Record, observe
from hoodnote.checks.causes.tables import SOURCE, Check, Tables, tables
from hoodnote.checks.model import Cause, Evidence, NextCheck, Ranking
from hoodnote.checks.view import PRESSURE_PLACES, View
from hoodnote.readings.model import Stage

if TYPE_CHECKING:
    from numpy import ndarray

# Less than this says too little to print: as a log weight, as bits.
_WORTH_SAYING, _WORTH_CHECKING, _WORTH_MISSING = 0.25, 0.02, 0.005
_MOST_MISSING, _MOST_CHECKS = 3, 5


def rank(view: View) -> Ranking | None:
    """Probabilities sum to 1. None where nothing observed speaks of a cause."""
    record = observe(view)
    if not record.observed:
        return None
    shipped = tables()
    p = network.posterior(shipped, record.observed, record.device)
    possible = [c for c in shipped.checks if _possible(c, record)]
    to_see = {name for check in possible for name in _open(check, record)}
    open_to = {name: network.joint(p, shipped.observables[name], record.device, record.observed) for name in shipped.observables if name in to_see}
    about = {name: network.gains_about(together) for name, together in open_to.items()}
    causes = [
        Cause(text.id, text.name, float(p[i]), tuple(e for e in evidence if e.weight > 0), tuple(e for e in evidence if e.weight < 0),
              _missing(shipped, {name: float(gains[i]) for name, gains in about.items()}), text.confirm, SOURCE)
        for i, (text, evidence) in enumerate(zip(shipped.causes, weights(shipped, record, [(i,) for i in range(len(p))]), strict=True))]
    gains = {name: network.gain(together) for name, together in open_to.items()}
    return Ranking(tuple(sorted(causes, key=lambda c: -c.probability)), _next(shipped, record, p, possible, gains), record.limits)


def weights(shipped: Tables, record: Record, groups: Sequence[tuple[int, ...]]) -> list[list[Evidence]]:
    """For each group of causes: what each observation says about it against all other causes, strongest first."""
    from numpy import array, log, zeros

    prior, tempered = shipped.prior(record.device), network.exponents(record.observed)
    inside = zeros((len(groups), len(prior)))
    for n, group in enumerate(groups):
        inside[n, list(group)] = 1
    share = inside * prior
    others = prior - share
    chances = array([network.likelihood(o, record.device) for o in record.observed]).T
    ratio = log((share @ chances / share.sum(axis=1, keepdims=True)) / (others @ chances / others.sum(axis=1, keepdims=True)))
    out = []
    for row in ratio:
        told = [Evidence(o.text, o.basis, float(tempered[o.observable.group] * w)) for o, w in zip(record.observed, row, strict=True)]
        out.append(sorted((e for e in told if abs(e.weight) >= _WORTH_SAYING), key=lambda e: -abs(e.weight)))
    return out


def _missing(shipped: Tables, gains: dict[str, float]) -> tuple[str, ...]:
    telling = sorted((name for name, bits in gains.items() if bits >= _WORTH_MISSING), key=lambda name: -gains[name])
    return tuple(shipped.observables[name].name for name in telling[:_MOST_MISSING])


def _next(shipped: Tables, record: Record, p: ndarray, possible: list[Check], gains: dict[str, float]) -> tuple[NextCheck, ...]:
    found = []
    for check in possible:
        bits = max((gains[name] for name in _open(check, record)), default=0.0)
        if bits >= _WORTH_CHECKING:
            found.append(NextCheck(check.id, check.text, _why(shipped, p, check, record), bits, check.minutes, check.caution))
    return tuple(sorted(found, key=lambda c: -c.gain_bits / c.minutes)[:_MOST_CHECKS])


def _why(shipped: Tables, p: ndarray, check: Check, record: Record) -> str:
    """The two likeliest causes that its outcome parts most."""
    leading = sorted(range(len(p)), key=lambda i: -p[i])[:5]
    chance = network.rows(shipped.observables[check.gives[0]], record.device)
    pairs = [(float(min(p[a], p[b]) * abs(chance[a] - chance[b]).sum()), a, b) for n, a in enumerate(leading) for b in leading[n + 1:]]
    _, a, b = max(pairs)
    return f"it would help to tell {shipped.causes[a].name} from {shipped.causes[b].name}"


def _open(check: Check, record: Record) -> list[str]:
    """What the check would show that is not on record in full."""
    return [n for n in check.gives if (seen := record.of(n)) is None or not seen.whole]


def _possible(check: Check, record: Record) -> bool:
    """In the present state of the service, with what it needs on record."""
    view = record.scope.view
    if record.scope.mended or not all(record.scope.situation("running", place) if place in PRESSURE_PLACES else view.readings(place)
                                      for place in check.needs):
        return False
    untouched = view.now.stage is Stage.BEFORE and not view.now.circuit_open
    match check.when:
        case "open":
            return view.did("recovery_finished") is not None or bool(view.readings("recovered"))
        case "running":
            return untouched and not record.standing_still
        case "stopped":
            return untouched and record.standing_still
        case _:
            return untouched
