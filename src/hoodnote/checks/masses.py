"""Refrigerant and oil of a job by every way they were measured, each with its limits: what findings and ledgers both stand on.

Limits of error are taken as JCGM 100 takes them (`hoodnote.physics.uncertain`); one scale's two readings err each by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import CONVERSION, NOT_CONFIRMED, Inputs
from hoodnote.checks.tables import VOLUMES, read
from hoodnote.checks.view import View
from hoodnote.physics.uncertain import expanded, nominal
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live
from hoodnote.statements.describe import figure, in_other_unit
from hoodnote.statements.model import Measured, Step
from hoodnote.statements.vocabulary import PARTS
from hoodnote.units import to_si

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

# Recovery and charging equipment, R-134a: SAE J2788 as printed in 40 CFR 82 subpart B appendix C.
EQUIPMENT = "SAE J2788 as printed in 40 CFR 82 subpart B appendix C"
EQUIPMENT_LIMIT_KG = 0.015
# Recovery may leave this share of the charge behind: the same standard asks for 95 % (from memory).
LEFT_BEHIND = 0.05
# Common practice, no source: a bench or cylinder scale; a full can against what it says; oil in a measuring cup.
SCALE_LIMIT_KG = 0.015
CAN_LIMIT = 0.02
OIL_LIMIT_L = 0.010
STATED = "the stated charge"
# R-134a that an R-12 system takes, as a share of its R-12 charge (common practice, no source).
CONVERTED = (0.80, 0.90)


@dataclass(frozen=True)
class Amount:
    """Refrigerant by one way of measuring it."""

    kg: Uncertain
    text: str                            # how it came about: "3 cans of 12 oz, 3 oz left in one"
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Target:
    """What the label asks for, kg."""

    label: float
    low: float
    high: float
    text: str
    source: str


def said(live: Live) -> str:
    """The figure as it was stated, with the other habit's unit beside it."""
    s = live.entry.statement
    assert isinstance(s, Measured)
    other = in_other_unit(s.value, s.unit)
    return f"{figure(s.value, s.unit)} ({other})" if other else figure(s.value, s.unit)


def only_figure(inputs: Inputs, place: str, name: str) -> Live | None:
    """The job's one figure at a place; where two different ones stand it says so and gives none."""
    found = inputs.view.readings(place)
    live = inputs.figure(place)
    if len({round(si(x), 6) for x in found}) > 1:
        inputs.basis += [x.entry.id for x in found]
        inputs.lacks(f"one figure for the {name}: {' and '.join(said(x) for x in found)} both stand")
        return None
    return live


def metered(view: View, live: Live) -> Amount:
    """Recovered or charged, as stated from the equipment."""
    return Amount(view.errors.figure(si(live), EQUIPMENT_LIMIT_KG, ("equipment", live.entry.id)), said(live))


def charged(inputs: Inputs) -> Amount | None:
    live = only_figure(inputs, "charged", "refrigerant charged")
    return None if live is None else metered(inputs.view, live)


def recovered(inputs: Inputs) -> Amount | None:
    live = only_figure(inputs, "recovered", "refrigerant recovered")
    return None if live is None else metered(inputs.view, live)


def label(inputs: Inputs) -> Target | None:
    """The label's charge and tolerance."""
    live = inputs.condition("label_charge")
    if live is None:
        return None
    s, mass = live.entry.statement, si(live)
    tolerance = 0.0 if s.tolerance is None else abs(to_si(float(s.tolerance), s.unit))
    if s.tolerance is None:
        inputs.notes.append("no tolerance printed on the label, so it is taken as exact")
    return Target(mass, mass - tolerance, mass + tolerance, f"{w.mass(mass)} ± {w.mass(tolerance)}" if tolerance else w.mass(mass), EQUIPMENT)


def target(inputs: Inputs) -> Target | None:
    """What is to be charged: as the label says, or in a converted system the usual share of that."""
    printed = label(inputs)
    now, on_label = (inputs.fact(key, required=False) for key in ("refrigerant", "label_refrigerant"))
    if printed is None or None in (now, on_label) or now == on_label:
        return printed
    if (on_label, now) != CONVERSION:
        inputs.lacks(f"one refrigerant: {now} was stated, the label says {on_label}")
        return printed
    low, high = (share * printed.label for share in CONVERTED)
    return Target(printed.label, low, high,
                  f"{w.mass(low)} to {w.mass(high)}, {CONVERTED[0]:.0%} to {CONVERTED[1]:.0%} of the {on_label} charge of "
                  f"{w.mass(printed.label)}", w.COMMON_PRACTICE)


def off_scale(inputs: Inputs) -> Amount | None:
    """What the source lost on the scale, less what stayed in the hoses."""
    before, after = inputs.figure("scale_before"), inputs.figure("scale_after")
    hoses = inputs.figure("hose_allowance", required=False)
    if before is None or after is None:
        return None
    scale = [inputs.view.errors.figure(si(x), SCALE_LIMIT_KG, ("scale", x.entry.id)) for x in (before, after)]
    text = f"{said(before)} before, {said(after)} after" + (f", {said(hoses)} in the hoses" if hoses else "")
    return Amount(scale[0] - scale[1] - (si(hoses) if hoses else 0.0), text)


def from_cans(inputs: Inputs) -> Amount | None:
    """Each can that was said to be empty gave its content, one with a heel gave the rest; what stayed in the hoses is not in the system."""
    view = inputs.view
    content, heel = only_figure(inputs, "can_content", "content of a can"), inputs.figure("can_heel", required=False)
    hoses = inputs.figure("hose_allowance", required=False)
    emptied = [x for x in view.usable.live if x.entry.statement == Step("can_empty")]
    inputs.basis += [x.entry.id for x in emptied]
    if any("can_empty" in doubt.keys for doubt in view.doubts):
        inputs.lacks(f"another empty can {NOT_CONFIRMED}")
    if not emptied and heel is None:
        inputs.lacks("how many cans were emptied, or what is left in one")
    if content is None or not (emptied or heel):
        return None
    opened = len(emptied) + (heel is not None)
    full = view.errors.figure(si(content), CAN_LIMIT * si(content), ("can", content.entry.id))
    left = view.errors.figure(si(heel), SCALE_LIMIT_KG, ("scale", heel.entry.id)) if heel else 0.0
    stayed = [f"{said(live)} left in {place}" for live, place in ((heel, "one"), (hoses, "the hoses")) if live is not None]
    notes = () if hoses else ("what stayed in the hoses not stated",)
    return Amount(opened * full - left - (si(hoses) if hoses else 0.0),
                  ", ".join([f"{opened} {'can' if opened == 1 else 'cans'} of {said(content)}", *stayed]), notes)


def apart(one: Amount, other: Amount) -> Uncertain:
    return one.kg - other.kg


def agree(difference: Uncertain) -> bool:
    return abs(nominal(difference)) <= expanded(difference)


@dataclass(frozen=True)
class Way:
    """One way to the mass charged, and what it stands on and lacks."""

    name: str                            # STATED, "the scale" or "the cans"
    inputs: Inputs
    amount: Amount | None

    @property
    def sure(self) -> Amount | None:
        return self.amount if self.inputs.complete else None


def ways(view: View) -> list[Way]:
    """Every way that the record touches, whether or not it leads to a figure."""
    return [Way(name, inputs := Inputs(view), found(inputs)) for name, places, found in (
        (STATED, ("charged",), charged), ("the scale", ("scale_before", "scale_after"), off_scale),
        ("the cans", ("can_content", "can_empty", "can_heel"), from_cans)) if view.touched(*places)]


def disagreements(found: Sequence[Way]) -> list[str]:
    """One clause for every two sure ways that differ by more than their limits."""
    told = []
    for one, other in combinations([x for x in found if x.sure is not None], 2):
        difference = apart(one.sure, other.sure)
        if not agree(difference):
            more, less = (other, one) if nominal(difference) < 0 else (one, other)
            told.append(f"{more.name} gives {w.mass(abs(nominal(difference)))} ± {w.mass(expanded(difference))} more than {less.name}")
    return told


# oil -------------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Oil:
    """Litres out and in, and what replaced parts usually take."""

    removed: Live
    added: Live
    gained: Uncertain                            # added less removed
    shares: tuple[tuple[str, float, float], ...]   # part, lowest, highest
    parts: tuple[int, ...]                       # entries of the replacements

    @property
    def removed_ml(self) -> float:
        return si(self.removed) * 1000

    @property
    def added_ml(self) -> float:
        return si(self.added) * 1000

    @property
    def usual(self) -> tuple[float, float]:
        return sum(low for _, low, _ in self.shares), sum(high for _, _, high in self.shares)


def oil(inputs: Inputs) -> Oil | None:
    """None, with what is missing named, also where a part was replaced that has no usual share."""
    view = inputs.view
    out, back = only_figure(inputs, "oil_removed", "oil removed"), only_figure(inputs, "oil_added", "oil added")
    for doubt in view.doubts:
        if "replaced" in doubt.keys:
            inputs.lacks(f"{doubt.text} {NOT_CONFIRMED}")
    replaced = [x for x in view.usable.live if isinstance(x.entry.statement, Step) and x.entry.statement.action == "replaced"]
    shares, dry = _shares()
    taken = []
    for x in replaced:
        part = x.entry.statement.item
        if part in dry:
            continue
        inputs.basis.append(x.entry.id)
        if part in shares:
            taken.append((PARTS[part], *shares[part]))
        else:
            inputs.lacks(f"the replaced part's share of oil from the manual ({PARTS.get(part, 'part not named')})")
    if out is None or back is None:
        return None
    read = [view.errors.figure(si(x), OIL_LIMIT_L, ("cup", x.entry.id)) for x in (out, back)]
    return Oil(out, back, read[1] - read[0], tuple(taken), tuple(x.entry.id for x in replaced))


@cache
def _shares() -> tuple[dict[str, tuple[float, float]], frozenset[str]]:
    """Part -> usual share in litres; parts without oil."""
    table = read(Path(__file__).with_name("oil.toml"))
    share, dry = table.table("share"), table.table("dry")
    assert share is not None and dry is not None
    return {part: share.span(part, VOLUMES) for part in share.data}, frozenset(dry.data["parts"])


def was_evacuated(view: View, before: int) -> bool:
    """Was the system pumped down before this position of the record, so that nothing of the old charge counts?"""
    pumped = [*view.readings("vacuum"), *view.readings("pump_time"), *_steps(view, "pump_on")]
    return any(view.order(x) < before for x in pumped)


def was_opened(view: View, after: int) -> bool:
    """Was refrigerant taken out again, or the system opened, after this position of the record?"""
    taken = [*view.readings("recovered"), *_steps(view, "recovery_started", "recovery_finished", "opening_system", "pump_on")]
    return any(view.order(x) > after for x in taken)


def _steps(view: View, *actions: str) -> list[Live]:
    return [x for x in view.usable.live if isinstance(x.entry.statement, Step) and x.entry.statement.action in actions]


def share_of(part: Uncertain | float, whole: float) -> str:
    return f"{nominal(part) / whole:.0%}"
