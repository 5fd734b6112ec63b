"""Mass balance: recovered and charged against the label, the scale against the charge, oil out against oil in."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, judge
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live
from hoodnote.statements.model import Step
from hoodnote.units import to_si

# Recovery and charging equipment, R-134a: SAE J2788 as printed in 40 CFR 82 subpart B appendix C.
EQUIPMENT_LIMIT_KG = 0.015
# Recovery may leave this share of the charge behind: the same standard asks for 95 % (from memory).
LEFT_BEHIND = 0.05
# A label without a printed tolerance is taken as exact to this (common practice, no source).
LABEL_LIMIT_KG = 0.0
# A bench or cylinder scale is good to about this (common practice, no source).
SCALE_LIMIT_KG = 0.015
# A full can holds what it says to this share (common practice, no source).
CAN_LIMIT = 0.02
OIL_LIMIT_L = 0.010             # reading oil in a measuring cup (common practice, no source)
_EQUIPMENT = "SAE J2788 as printed in 40 CFR 82 subpart B appendix C"


def check(view: View) -> Iterator[Finding]:
    if view.touched("charged"):
        yield _charged(view)
    if view.touched("recovered"):
        yield _recovered(view)
    if view.touched("scale_before", "scale_after") and view.touched("charged"):
        yield _scale(view)
    if view.touched("can_content"):
        yield _cans(view)
    if view.touched("oil_removed", "oil_added"):
        yield _oil(view)


def only_figure(inputs: Inputs, place: str, name: str) -> Live | None:
    """The job's one figure at a place; where two different ones stand it says so and gives none."""
    found = inputs.view.readings(place)
    live = inputs.figure(place)
    if len({round(si(x), 6) for x in found}) > 1:
        both = " and ".join(w.mass(si(x)) if place in ("charged", "recovered") else f"{si(x) * 1000:.0f} mL" for x in found)
        inputs.basis += [x.entry.id for x in found]
        inputs.lacks(f"one figure for the {name}: {both} both stand")
        return None
    return live


def label_charge(inputs: Inputs) -> tuple[float, float] | None:
    """Mass and tolerance printed on the label, kg."""
    live = inputs.condition("label_charge")
    if live is None:
        return None
    statement = live.entry.statement
    tolerance = LABEL_LIMIT_KG if statement.tolerance is None else abs(to_si(float(statement.tolerance), statement.unit))
    if statement.tolerance is None:
        inputs.notes.append("no tolerance printed on the label")
    return si(live), tolerance


def _label_text(label: tuple[float, float] | None) -> str:
    if label is None:
        return "the label's charge"
    return f"{w.mass(label[0])} ± {w.mass(label[1])}" if label[1] else w.mass(label[0])


def _charged(view: View) -> Finding:
    inputs = Inputs(view)
    title = "Refrigerant charged against label"
    live, label = only_figure(inputs, "charged", "refrigerant charged"), label_charge(inputs)
    expected = _label_text(label)
    if live is None or label is None or not inputs.complete or label[0] <= 0:
        return inputs.cannot_tell("charge", title, expected=expected, measured=w.mass(si(live)) if live else "", source=_EQUIPMENT)
    charged = si(live)
    share = charged / label[0]
    outcome = judge(charged, EQUIPMENT_LIMIT_KG, label[0] - label[1], label[0] + label[1])
    if outcome is Outcome.CANNOT_TELL:
        outcome = Outcome.WITHIN     # the equipment itself may be off by this much: no better agreement can be shown
    why = "The charge agrees with the label within the label's and the equipment's tolerance."
    if outcome is Outcome.OUTSIDE:
        why = (f"The charge is {share:.0%} of the label: " +
               ("less than asked for, unless refrigerant was left in the system before." if charged < label[0] else
                "more than asked for; hoses, oil separator or a mistaken figure may explain it, otherwise recover and weigh again."))
    return inputs.finding("charge", title, expected=expected, measured=f"{w.mass(charged)}, {share:.0%} of the label",
                          uncertainty=f"equipment ±{w.mass(EQUIPMENT_LIMIT_KG)}", outcome=outcome, why=why, source=_EQUIPMENT)


def _recovered(view: View) -> Finding:
    inputs = Inputs(view)
    title = "Refrigerant recovered against label"
    live, label = only_figure(inputs, "recovered", "refrigerant recovered"), label_charge(inputs)
    expected = _label_text(label)
    if live is None or label is None or not inputs.complete or label[0] <= 0:
        return inputs.cannot_tell("recovery", title, expected=expected, measured=w.mass(si(live)) if live else "", source=_EQUIPMENT)
    recovered = si(live)
    missing = label[0] - recovered
    limit = EQUIPMENT_LIMIT_KG + (LEFT_BEHIND * label[0] if missing > 0 else 0.0)
    outcome = judge(recovered, limit, label[0] - label[1], label[0] + label[1])
    if outcome is Outcome.WITHIN:
        why = "The whole charge came back, which is no evidence of a leak."
    elif outcome is Outcome.CANNOT_TELL:
        why = "The difference is no more than equipment may leave behind or misread, so it shows neither a leak nor a full charge."
    elif missing > 0:
        why = f"About {w.mass(missing)} less came back than the label asks for, which is evidence of a leak or of an earlier undercharge."
    else:
        why = f"About {w.mass(-missing)} more came back than the label asks for, which points to an earlier overcharge or to air in the recovery."
    return inputs.finding("recovery", title, expected=expected, measured=f"{w.mass(recovered)}, {recovered / label[0]:.0%} of the label",
                          uncertainty=f"equipment ±{w.mass(EQUIPMENT_LIMIT_KG)}; up to {LEFT_BEHIND:.0%} may stay in the system", outcome=outcome, why=why, source=_EQUIPMENT)


def _scale(view: View) -> Finding:
    inputs = Inputs(view)
    title = "Scale against refrigerant charged"
    before, after = inputs.figure("scale_before"), inputs.figure("scale_after")
    live = only_figure(inputs, "charged", "refrigerant charged")
    expected = "the loss on the scale equal to the mass charged"
    if before is None or after is None or live is None or not inputs.complete:
        return inputs.cannot_tell("scale", title, expected=expected, source=w.COMMON_PRACTICE)
    lost, charged = si(before) - si(after), si(live)
    limit = 2 * SCALE_LIMIT_KG
    agree = abs(lost - charged) <= limit
    return inputs.finding("scale", title, expected=f"{w.mass(charged)} off the scale", measured=f"{w.mass(lost)} off the scale",
                          uncertainty=f"±{w.mass(limit)}, two scale readings", outcome=Outcome.WITHIN if agree else Outcome.OUTSIDE,
                          why="The scale and the stated charge agree." if agree else
                          "The scale and the stated charge differ: hoses, a purge or a mistaken figure may explain it, so check the figures.",
                          source=w.COMMON_PRACTICE)


def _cans(view: View) -> Finding:
    """Each can that was said to be empty gave its content, one with a heel gave the rest; what stayed in the hoses is not in the system."""
    inputs = Inputs(view)
    title, expected = "Cans against refrigerant charged", "what left the cans, less the hoses, equal to the mass charged"
    content, heel = only_figure(inputs, "can_content", "content of a can"), inputs.figure("can_heel", required=False)
    hoses, live = inputs.figure("hose_allowance", required=False), only_figure(inputs, "charged", "refrigerant charged")
    emptied = [x for x in view.usable.live if x.entry.statement == Step("can_empty")]
    inputs.basis += [x.entry.id for x in emptied]
    if any("can_empty" in doubt.keys for doubt in view.doubts):
        inputs.lacks(f"another empty can {NOT_CONFIRMED}")
    if not emptied and heel is None:
        inputs.lacks("how many cans were emptied, or what is left in one")
    if content is None or not inputs.complete:
        return inputs.cannot_tell("cans", title, expected=expected, source=w.COMMON_PRACTICE)
    opened = len(emptied) + (heel is not None)
    left = (si(heel) if heel else 0.0) + (si(hoses) if hoses else 0.0)
    given = opened * si(content) - left
    limit = CAN_LIMIT * opened * si(content) + (SCALE_LIMIT_KG if heel else 0.0)
    if hoses is None:
        inputs.notes.append("what stayed in the hoses not stated")
    agree = abs(given - si(live)) <= limit
    return inputs.finding(
        "cans", title, expected=f"{w.mass(si(live))} from the cans", outcome=Outcome.WITHIN if agree else Outcome.OUTSIDE, source=w.COMMON_PRACTICE,
        measured=f"{w.mass(given)} from {opened} {'can' if opened == 1 else 'cans'} of {w.mass(si(content))}, {w.mass(left)} left behind",
        uncertainty=f"±{w.mass(limit)}, the cans' content{' and the scale' if heel else ''}",
        why="The cans and the stated charge agree." if agree else
        "The cans and the stated charge differ: a can not counted, refrigerant left in hoses or can, or a mistaken figure may explain it, so check them.")


def _oil(view: View) -> Finding:
    inputs = Inputs(view)
    title, expected = "Oil put back against oil removed", "oil put back equal to oil removed, plus the share of a replaced part"
    removed, added = only_figure(inputs, "oil_removed", "oil removed"), only_figure(inputs, "oil_added", "oil added")
    if removed is None or added is None or not inputs.complete:
        return inputs.cannot_tell("oil_balance", title, expected=expected, source=w.COMMON_PRACTICE)
    out, back = si(removed) * 1000, si(added) * 1000
    measured = f"{out:.0f} mL removed, {back:.0f} mL added"
    limit = OIL_LIMIT_L * 2000
    replaced = view.did("replaced")
    if back < out - limit:
        outcome, why = Outcome.OUTSIDE, "Less oil went back than came out, which may starve the compressor: compare with the manual."
    elif back <= out + limit:
        outcome, why = Outcome.WITHIN, "The oil that came out went back."
        if replaced:
            inputs.basis.append(replaced.entry.id)
            inputs.lacks("the replaced part's share of oil from the manual")
            return inputs.cannot_tell("oil_balance", title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                      why="The oil that came out went back, but a replaced part takes its own share: see the manual.")
    elif replaced:
        inputs.basis.append(replaced.entry.id)
        inputs.lacks("the replaced part's share of oil from the manual")
        return inputs.cannot_tell("oil_balance", title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                  why="More oil went back than came out, which may be the replaced part's share: compare with the manual.")
    else:
        outcome, why = Outcome.OUTSIDE, ("More oil went back than came out and no replaced part is on record, and too much oil costs cooling: compare "
                                         "with the manual.")
    return inputs.finding("oil_balance", title, expected=expected, measured=measured, uncertainty=f"±{limit:.0f} mL, two readings",
                          outcome=outcome, why=why, source=w.COMMON_PRACTICE)
