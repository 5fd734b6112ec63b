"""Refrigerant and oil in and out, per job and per cylinder: sums that close, or by how much they do not.

The amounts are those of `hoodnote.checks.masses`, on which the findings of the mass balance stand as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from hoodnote.checks import masses
from hoodnote.checks import wording as w
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, weigh
from hoodnote.checks.masses import EQUIPMENT, SCALE_LIMIT_KG, Amount, Way, share_of
from hoodnote.checks.model import Ledger, LedgerLine, Outcome
from hoodnote.checks.view import View
from hoodnote.physics.uncertain import expanded, nominal
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Timeline
from hoodnote.statements.model import Fact
from hoodnote.statements.vocabulary import PLACES

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

_REFRIGERANT = ("recovered", "charged", "scale_before", "scale_after", "can_content", "can_heel", "can_empty")
_WEIGHED = ("cylinder_before", "cylinder_after")
_OIL = ("oil_removed", "oil_added")


def ledgers(view: View) -> tuple[Ledger, ...]:
    """Refrigerant, oil, and each recovery cylinder that was named, as far as the job touched them."""
    found = []
    if view.touched(*_REFRIGERANT):
        found.append(_refrigerant(view))
    if view.touched(*_OIL):
        found.append(_oil(view))
    return (*found, *_cylinders([("", view)]))


def across(jobs: Sequence[tuple[str, Timeline]]) -> tuple[Ledger, ...]:
    """What went into each recovery cylinder over several jobs, given as work order and record; cylinders in the order they were named."""
    return tuple(_cylinders([(order, View(timeline)) for order, timeline in jobs]))


# refrigerant of the job ------------------------------------------------------------------------------------

def _refrigerant(view: View) -> Ledger:
    ways = masses.ways(view)
    lines = [*_label_lines(view), *_recovered_lines(view), *_charged_lines(view, ways)]
    closes, why = _closing(ways)
    return Ledger("refrigerant", "Refrigerant", tuple(lines), _in_system(view, ways, closes), closes, why, EQUIPMENT)


def _label_lines(view: View) -> Iterator[LedgerLine]:
    inputs = Inputs(view)
    label = masses.label(inputs)
    if label is not None and inputs.complete:
        live = view.readings("label_charge")[-1]
        tolerance = label.high - label.label
        yield LedgerLine("label charge", masses.said(live), f"±{w.mass(tolerance)}" if tolerance else "no tolerance printed", (live.entry.id,))
        asked = masses.target(inputs)
        if asked is not None and asked is not label and inputs.complete and asked.source is w.COMMON_PRACTICE:
            yield LedgerLine(f"usual charge after conversion: {asked.text}", f"{w.mass(asked.low)} to {w.mass(asked.high)}", w.COMMON_PRACTICE,
                             tuple(dict.fromkeys(inputs.basis)))


def _recovered_lines(view: View) -> Iterator[LedgerLine]:
    for live in view.readings("recovered"):
        yield LedgerLine("recovered", masses.said(live), _limit(masses.metered(view, live)), (live.entry.id,))
    inputs = Inputs(view)
    amount, label = masses.recovered(inputs), masses.label(inputs)
    if amount is not None and label is not None and inputs.complete:
        gap = label.label - nominal(amount.kg)
        yield LedgerLine("short of the label" if gap >= 0 else "more than the label", w.mass(abs(gap)), _limit(amount),
                         tuple(dict.fromkeys(inputs.basis)))


def _charged_lines(view: View, ways: Sequence[Way]) -> Iterator[LedgerLine]:
    for live in view.readings("charged"):
        yield LedgerLine("charged, as stated", masses.said(live), _limit(masses.metered(view, live)), (live.entry.id,))
    for way in ways:
        if way.name != masses.STATED and way.amount is not None:
            yield LedgerLine(f"charged, by {way.name}: {way.amount.text}", w.mass(nominal(way.amount.kg)), _limit(way.amount),
                             tuple(dict.fromkeys(way.inputs.basis)))


def _limit(amount: Amount) -> str:
    return f"±{w.mass(expanded(amount.kg))} (k = 2)"


def _closing(ways: Sequence[Way]) -> tuple[bool | None, str]:
    """Do the ways to the mass charged agree, each with each?"""
    lacking = list(dict.fromkeys(m for way in ways for m in way.inputs.missing))
    if lacking:
        return None, f"The sum cannot be closed; it lacks: {'; '.join(lacking)}."
    if len(ways) < 2:
        return None, ("The mass charged is on record by one way only, so there is nothing to close the sum with: a scale or a can count beside "
                      "it would.")
    apart = masses.disagreements(ways)
    notes = "".join(f" ({note})" for way in ways if way.amount for note in way.amount.notes)
    if apart:
        return False, f"{_first_up('; '.join(apart))}{notes}: check the figures before the car leaves."
    names = [way.name for way in ways]
    return True, f"{_first_up(', '.join(names[:-1]))} and {names[-1]} agree within their limits{notes}."


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _in_system(view: View, ways: Sequence[Way], closes: bool | None) -> str:
    """What is in the system now, as far as the record shows it."""
    if not ways:
        return "nothing charged on record"
    best = ways[0].sure
    if closes is False or best is None or any(not way.inputs.complete for way in ways):
        return "cannot tell what is in the system"
    inputs = Inputs(view)
    asked = masses.target(inputs) if view.touched("label_charge") else None
    share = f", {share_of(best.kg, asked.label)} of the label" if asked and inputs.complete and asked.label > 0 else ""
    at = view.order(view.readings("charged")[-1]) if ways[0].name == masses.STATED else len(view.timeline.live)
    if masses.was_opened(view, at):
        return f"{w.mass(nominal(best.kg))} charged{share}; the system was opened or emptied after that"
    if not masses.was_evacuated(view, at):
        return f"{w.mass(nominal(best.kg))} charged{share}; what was in the system before is not on record"
    return f"in the system {w.mass(nominal(best.kg))}{share}"


# oil -------------------------------------------------------------------------------------------------------

def _oil(view: View) -> Ledger:
    inputs = Inputs(view)
    oil = masses.oil(inputs)
    lines = [LedgerLine(what, masses.said(live), f"±{2 * masses.OIL_LIMIT_L * 1000 / 3 ** 0.5:.0f} mL (k = 2)", (live.entry.id,))
             for place, what in (("oil_removed", "oil removed"), ("oil_added", "oil added")) for live in view.readings(place)]
    lines += [LedgerLine("dye added, whose carrier counts as oil where the manual says so", masses.said(live), "as stated", (live.entry.id,))
              for live in view.readings("dye_added")]
    label = view.readings("label_oil")
    lines += [LedgerLine("label oil amount, whole system", masses.said(live), "as printed", (live.entry.id,)) for live in label[-1:]]
    if oil is not None:
        lines += [LedgerLine(f"usual share of the {part}", f"{low * 1000:.0f} to {high * 1000:.0f} mL", w.COMMON_PRACTICE, oil.parts)
                  for part, low, high in oil.shares]
    if oil is None or not inputs.complete:
        return Ledger("oil", "Oil", tuple(lines), "", None, f"The balance cannot be closed; it lacks: {'; '.join(inputs.missing)}.",
                      w.COMMON_PRACTICE)
    gained, (low, high) = nominal(oil.gained) * 1000, (x * 1000 for x in oil.usual)
    closes = weigh(oil.gained, *oil.usual).outcome is not Outcome.OUTSIDE
    total = f"{abs(gained):.0f} mL {'more' if gained >= 0 else 'less'} than came out"
    asked = f"{low:.0f} to {high:.0f} mL more, the usual share of what was replaced" if oil.shares else "as much as came out"
    off = low - gained if gained < low else gained - high
    why = (f"That is within the limits of {asked}; the manual decides." if closes else
           f"That is {off:.0f} mL {'under' if gained < low else 'over'} {asked}; compare with the manual.")
    return Ledger("oil", "Oil", tuple(lines), total, closes, why, w.COMMON_PRACTICE)


# cylinders -------------------------------------------------------------------------------------------------

def _cylinders(jobs: Sequence[tuple[str, View]]) -> Iterator[Ledger]:
    """40 CFR 82.42 asks a shop to show where recovered refrigerant goes; a cylinder of two refrigerants is contaminated."""
    into: dict[str, list[tuple[str, View, Live]]] = {}
    weighed: dict[str, list[tuple[str, View, Live]]] = {}
    unsure: dict[str, list[str]] = {}
    for order, view in jobs:
        named = [x for x in view.usable.live if isinstance(x.entry.statement, Fact) and x.entry.statement.key == "cylinder_id"]
        doubts = [f"{d.text} {NOT_CONFIRMED}{f' in {order}' if order else ''}" for d in view.doubts
                  if d.keys & {"recovered", "cylinder_id", "refrigerant", "label_refrigerant", *_WEIGHED}]
        for x in named:
            into.setdefault(x.entry.statement.value, [])
            weighed.setdefault(x.entry.statement.value, [])
            unsure.setdefault(x.entry.statement.value, []).extend(doubts)
        for place, found in (("recovered", into), *((p, weighed) for p in _WEIGHED)):
            for live in view.readings(place) if named else ():
                held = [x for x in named if view.order(x) < view.order(live)] or named[:1]
                found[held[-1].entry.statement.value].append((order, view, live))
    for cylinder, entries in into.items():
        if entries:
            yield _cylinder(cylinder, entries, weighed[cylinder], list(dict.fromkeys(unsure[cylinder])))


def _cylinder(cylinder: str, entries: Sequence[tuple[str, View, Live]], weighed: Sequence[tuple[str, View, Live]],
              unsure: Sequence[str]) -> Ledger:
    lines, kinds, why, closes = [], [], [], None
    counted: dict[str, dict[str, Amount]] = {}           # work order -> figure as said -> amount
    for order, view, live in entries:
        amount, kind = masses.metered(view, live), view.facts.get("label_refrigerant") or view.facts.get("refrigerant")
        kinds.append(kind)
        if amount.text in counted.setdefault(order, {}):
            why.append(f"{amount.text} was stated twice{f' in {order}' if order else ''} and is counted once.")
            continue
        counted[order][amount.text] = amount
        what = f"{f'{order}: ' if order else ''}recovered, {kind or 'refrigerant not stated'}"
        lines.append(LedgerLine(what, masses.said(live), _limit(amount), (live.entry.id,)))
    several = [f"{' and '.join(found)} both stand{f' in {order}' if order else ''}" for order, found in counted.items() if len(found) > 1]
    known = list(dict.fromkeys(k for k in kinds if k))
    if several:
        total = "cannot tell what went into it"
        why.append(f"{_first_up('; '.join(several))}, so it is not known whether one replaces the other.")
    else:
        amounts = [a for found in counted.values() for a in found.values()]
        limit = sum(expanded(a.kg) for a in amounts)         # one machine errs the same way each time, so its limits add
        total = f"recovered into it {w.mass(sum(nominal(a.kg) for a in amounts))} ± {w.mass(limit)} (k = 2)"
        gain, gain_lines = _gain(weighed)
        lines += gain_lines
        if gain is None:
            why.append("The cylinder was not weighed before and after, so there is nothing to close the sum with.")
        elif not unsure:
            left = nominal(gain) - sum(nominal(a.kg) for a in amounts)
            closes = abs(left) <= limit + expanded(gain)
            why.append(f"The cylinder gained {w.mass(nominal(gain))}, " + (
                "as much as was recovered, within the error of both scales." if closes else
                f"{w.mass(abs(left))} {'more' if left > 0 else 'less'} than was recovered: look for a figure that is missing, or for what went in "
                "or out of the cylinder elsewhere."))
    if len(known) > 1:
        why.insert(0, f"{' and '.join(known)} went into one cylinder, which makes it contaminated: mark it and keep it apart.")
    elif None in kinds:
        why.insert(0, "What refrigerant it was is not stated everywhere.")
    if unsure:
        why.insert(0, f"Left out until confirmed: {'; '.join(unsure)}.")
    return Ledger(f"cylinder {cylinder}", f"Recovery cylinder {cylinder}", tuple(lines), total, closes, " ".join(why),
                  f"{EQUIPMENT}; 40 CFR 82.42")


def _gain(weighed: Sequence[tuple[str, View, Live]]) -> tuple[Uncertain | None, list[LedgerLine]]:
    """What the cylinder gained from its first weight before to its last weight after."""
    lines, ends = [], {}
    for order, view, live in weighed:
        place = live.entry.statement.place
        if place == "cylinder_after" or place not in ends:
            ends[place] = view.errors.figure(si(live), SCALE_LIMIT_KG, ("scale", order, live.entry.id))
        lines.append(LedgerLine(f"{f'{order}: ' if order else ''}{PLACES[place].name}", masses.said(live), f"±{w.mass(SCALE_LIMIT_KG)}", (live.entry.id,)))
    return (ends["cylinder_after"] - ends["cylinder_before"] if len(ends) == 2 else None), lines
