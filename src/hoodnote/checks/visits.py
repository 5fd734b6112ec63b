"""The jobs of one vehicle, or of the shop, side by side: what came out, what went in, what was lost in between.

The amounts are those of `hoodnote.checks.masses`. What is in question or not stated is unknown, and never enters a difference or a sum.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from hoodnote.checks import masses
from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Inputs
from hoodnote.checks.view import View
from hoodnote.physics.uncertain import expanded, nominal
from hoodnote.readings.model import Timeline
from hoodnote.statements.model import Fact


@dataclass(frozen=True)
class Known:
    """An amount in kg with its limit of error (k = 2), or why there is none."""

    kg: float | None = None
    limit_kg: float = 0.0
    why: str = "not stated"

    @property
    def text(self) -> str:
        if self.kg is None:
            return self.why
        return f"{w.mass(self.kg)} ± {w.mass(self.limit_kg)}" if self.limit_kg else w.mass(self.kg)


@dataclass(frozen=True)
class Visit:
    work_order: str
    opened_at: datetime
    refrigerant: str | None              # confirmed, None where not stated or stated differently
    cylinders: tuple[str, ...]
    label: Known
    recovered: Known
    charged: Known
    left_with: Known                     # what was in the system when the vehicle left
    recovered_first: bool                # what came out was in the system when the vehicle came


@dataclass(frozen=True)
class Drift:
    """What was lost between two visits, kg; None with the reason where it cannot be told."""

    since: str
    until: str
    days: int
    lost: Known
    text: str


@dataclass(frozen=True)
class Sum:
    """Of one refrigerant over the shop's jobs. Limits add, since one machine errs the same way each time."""

    refrigerant: str
    recovered_kg: float
    recovered_limit_kg: float
    charged_kg: float
    charged_limit_kg: float
    left_out: tuple[str, ...]            # work orders with a figure that is not known


def visit(work_order: str, opened_at: datetime, timeline: Timeline) -> Visit:
    view = View(timeline)
    label, recovered, ways = Inputs(view), Inputs(view), masses.ways(view)
    printed, out = masses.label(label), masses.recovered(recovered)
    kind = Inputs(view)
    refrigerant = kind.refrigerant() if kind.fact("refrigerant", required=False) or kind.fact("label_refrigerant", required=False) else None
    charged = _charged(view, ways)
    named = dict.fromkeys(x.entry.statement.value for x in view.usable.live
                          if isinstance(x.entry.statement, Fact) and x.entry.statement.key == "cylinder_id")
    first_in = min((view.order(x) for x in view.readings("charged")), default=None)
    outs = [view.order(x) for x in view.readings("recovered")]
    return Visit(
        work_order, opened_at, refrigerant if kind.complete else None, tuple(named),
        Known(printed.label, printed.high - printed.label) if printed is not None and label.complete else Known(why=_why(view, label, "label_charge")),
        Known(nominal(out.kg), expanded(out.kg)) if out is not None and recovered.complete else Known(why=_why(view, recovered, "recovered")),
        charged, _left_with(view, ways, charged), bool(outs) and (first_in is None or max(outs) < first_in))


def _why(view: View, inputs: Inputs, *places: str) -> str:
    return "; ".join(inputs.missing) if view.touched(*places) and inputs.missing else "not stated"


def _charged(view: View, ways: Sequence[masses.Way]) -> Known:
    """As the job's ledger takes it: by its first way, where all ways that the record touches are whole and agree."""
    if not ways:
        return Known()
    lacking = list(dict.fromkeys(m for way in ways for m in way.inputs.missing))
    if lacking:
        return Known(why="; ".join(lacking))
    apart = masses.disagreements(ways)
    if apart or ways[0].sure is None:
        return Known(why="; ".join(apart) or "cannot tell")
    return Known(nominal(ways[0].sure.kg), expanded(ways[0].sure.kg))


def _left_with(view: View, ways: Sequence[masses.Way], charged: Known) -> Known:
    if charged.kg is None:
        return charged
    at = view.order(view.readings("charged")[-1]) if ways[0].name == masses.STATED else len(view.timeline.live)
    if masses.was_opened(view, at):
        return Known(why="the system was opened or emptied after the charge")
    if not masses.was_evacuated(view, at):
        return Known(why="what was in the system before the charge is not on record")
    return charged


def drifts(visits: Sequence[Visit]) -> tuple[Drift, ...]:
    """Between each visit and the next, oldest first."""
    ordered = sorted(visits, key=lambda v: v.opened_at)
    return tuple(_drift(one, other) for one, other in pairwise(ordered))


def _drift(one: Visit, other: Visit) -> Drift:
    days = (other.opened_at - one.opened_at).days
    why = _not_comparable(one, other)
    if why:
        return Drift(one.work_order, other.work_order, days, Known(why=why), f"cannot tell: {why}")
    assert one.left_with.kg is not None and other.recovered.kg is not None
    lost, limit = one.left_with.kg - other.recovered.kg, one.left_with.limit_kg + other.recovered.limit_kg
    behind = masses.LEFT_BEHIND * one.left_with.kg
    if lost < -limit:
        text = "more came out than was left in it: refrigerant was added elsewhere, or a figure is not right"
    elif lost <= limit + behind:
        text = f"no loss beyond the errors and the {w.mass(behind)} that recovery may leave behind"
    else:
        text = f"points to a loss in {days} days; up to {w.mass(behind)} of it recovery may have left behind; work elsewhere in between is not known here"
    return Drift(one.work_order, other.work_order, days, Known(lost, limit), text)


def _not_comparable(one: Visit, other: Visit) -> str:
    if one.left_with.kg is None:
        return f"charge that {one.work_order} left with: {one.left_with.why}"
    if other.recovered.kg is None:
        return f"recovered in {other.work_order}: {other.recovered.why}"
    if not other.recovered_first:
        return f"in {other.work_order} refrigerant went in before all was recovered"
    if one.refrigerant is None or other.refrigerant is None:
        return "the refrigerant is not stated, or not confirmed, in both"
    return "" if one.refrigerant == other.refrigerant else f"{one.refrigerant} then, {other.refrigerant} now"


def sums(visits: Iterable[Visit]) -> tuple[Sum, ...]:
    """By refrigerant; those jobs apart whose refrigerant is not known."""
    by: dict[str, list[Visit]] = {}
    for v in visits:
        if any(x.kg is not None or x.why != Known().why for x in (v.recovered, v.charged)):
            by.setdefault(v.refrigerant or "refrigerant not known", []).append(v)
    return tuple(Sum(
        name, *(_total(x.recovered for x in held)), *(_total(x.charged for x in held)),
        tuple(v.work_order for v in held if any(x.kg is None and x.why != Known().why for x in (v.recovered, v.charged))))
        for name, held in sorted(by.items()))


def _total(amounts: Iterable[Known]) -> tuple[float, float]:
    held = [a for a in amounts if a.kg is not None]
    return sum(a.kg for a in held if a.kg is not None), sum(a.limit_kg for a in held)
