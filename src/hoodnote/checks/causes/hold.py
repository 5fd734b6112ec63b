"""The hold test as an observation: how likely each shape of the rise is."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks.causes.network import Observed
from hoodnote.checks.causes.scope import Scope
from hoodnote.checks.causes.soft import certain, observed
from hoodnote.checks.causes.tables import tables
from hoodnote.checks.evacuation import Shape, hold_tests

_STATES = {Shape.FLAT: "flat", Shape.LEVELLING: "levelling off", Shape.SLOWING: "levelling off", Shape.RISING: "rising straight"}


def hold_test(scope: Scope) -> Iterator[Observed]:
    """Of the part before anything was mended only: a hold test after a repair speaks of the repair."""
    tests = [t for t in hold_tests(scope.view) if t.fit is not None and scope.holds(t.basis)]
    if not tests or scope.doubtful("vacuum", after=tests[-1].began):
        return
    fit, table = tests[-1].fit, tables().observables["hold"]
    if fit.scatters or fit.falls:
        return
    if fit.shape is Shape.FLAT:
        agrees = certain(table, "flat")
    else:
        agrees = tuple(sum(f.weight for f in fit.fits if _STATES[f.shape] == state) for state in table.states)
    yield observed(table, agrees, f"{len(fit.points)} readings", list(tests[-1].basis))
