"""Everything observed in one record that speaks of a cause, and under what conditions that holds."""

from __future__ import annotations

from dataclasses import dataclass

from hoodnote.checks.causes.figures import Figures, equal
from hoodnote.checks.causes.hold import hold_test
from hoodnote.checks.causes.network import Observed
from hoodnote.checks.causes.scope import Scope
from hoodnote.checks.causes.seen import said
from hoodnote.checks.view import View

# With fewer independent kinds of evidence than this the priors decide much of the order.
_FEW = 3


@dataclass(frozen=True)
class Record:
    scope: Scope
    device: str | None                   # expansion device; None where it was not stated
    observed: tuple[Observed, ...]
    limits: tuple[str, ...]
    standing_still: bool                 # the compressor is known not to turn

    def of(self, name: str) -> Observed | None:
        return next((o for o in self.observed if o.observable.id == name), None)


def observe(view: View) -> Record:
    """The vehicle as it came: unconfirmed entries, and readings after something was mended, contribute nothing."""
    scope = Scope(view)
    device, control = _stated(scope, "expansion_device"), _stated(scope, "compressor_control")
    limits: list[str] = []
    spoken = list(said(scope))
    clutch = next((o for o in spoken if o.observable.id == "clutch"), None)
    still = clutch is not None and clutch.agreement[-1] == 1.0
    figures = list(Figures(scope, device, control, limits, still).all())
    pressures = next((o for o in figures if o.observable.id == "pressures"), None)
    still = still or equal(pressures)
    observed = (*figures, *spoken, *hold_test(scope))
    kinds = len({o.observable.group for o in observed})
    if kinds < _FEW:
        limits.append(f"little was observed ({kinds} of {_FEW} kinds of evidence that make an order telling): it leans on how common each cause is")
    return Record(scope, device, observed, (*_unknown(scope, device), *limits), still)


def _stated(scope: Scope, key: str) -> str | None:
    inputs = scope.inputs()
    value = inputs.fact(key, required=False)
    return value if inputs.complete else None


def _unknown(scope: Scope, device: str | None) -> list[str]:
    out = ["one cause is weighed at a time: two at once can hide each other"]
    inputs = scope.inputs()
    if inputs.refrigerant() is None or not inputs.complete:
        out.append(f"not weighed against pressures and temperatures: {'; '.join(inputs.missing)}")
    if device is None:
        out.append("expansion device not stated: the mean of orifice tube and expansion valve is taken")
    if scope.mended:
        out.append("weighed on the state before the work; readings after it describe the mended system")
    return out
