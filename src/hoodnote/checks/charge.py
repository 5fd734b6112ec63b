"""Mass balance: recovered and charged against the label, scale and cans against the charge, oil out against oil in."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import masses
from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Inputs, margin, weigh
from hoodnote.checks.masses import EQUIPMENT, LEFT_BEHIND, Amount, share_of
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View
from hoodnote.physics.uncertain import expanded, nominal


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


def _charged(view: View) -> Finding:
    inputs = Inputs(view)
    title = "Refrigerant charged against label"
    amount, target = masses.charged(inputs), masses.target(inputs)
    for apart in masses.disagreements(masses.ways(view)):
        inputs.lacks(f"one figure for the refrigerant charged: {apart}")
    expected = target.text if target else "the label's charge"
    source = target.source if target else EQUIPMENT
    if amount is None or target is None or not inputs.complete or target.label <= 0:
        return inputs.cannot_tell("charge", title, expected=expected, measured=w.mass(nominal(amount.kg)) if amount else "", source=source)
    outcome, margin_sd = weigh(amount.kg, target.low, target.high)
    if outcome is Outcome.CANNOT_TELL:
        outcome = Outcome.WITHIN     # the equipment itself may be off by this much: no better agreement can be shown
    share = share_of(amount.kg, target.label)
    why = "The charge agrees with the label within the label's and the equipment's tolerance."
    if target.source is w.COMMON_PRACTICE:
        why = "The charge agrees with what a converted system commonly takes; a new label has to say what was charged."
    if outcome is Outcome.OUTSIDE:
        why = (f"The charge is {share} of the label: " +
               ("less than asked for, unless refrigerant was left in the system before." if nominal(amount.kg) < target.low else
                "more than asked for; hoses, oil separator or a mistaken figure may explain it, otherwise recover and weigh again."))
    return inputs.finding("charge", title, expected=expected, measured=f"{w.mass(nominal(amount.kg))}, {share} of the label",
                          margin_sd=margin_sd,
                          uncertainty=f"equipment ±{w.mass(expanded(amount.kg))} (k = 2)", outcome=outcome, why=why, source=source)


def _recovered(view: View) -> Finding:
    inputs = Inputs(view)
    title = "Refrigerant recovered against label"
    amount, label = masses.recovered(inputs), masses.label(inputs)
    expected = label.text if label else "the label's charge"
    if amount is None or label is None or not inputs.complete or label.label <= 0:
        return inputs.cannot_tell("recovery", title, expected=expected, measured=w.mass(nominal(amount.kg)) if amount else "", source=EQUIPMENT)
    missing = label.label - nominal(amount.kg)
    outcome = weigh(amount.kg, label.low, label.high).outcome
    # what recovery leaves behind is no error: it only ever lowers the figure
    allowed, margin_sd = weigh(amount.kg, label.low - LEFT_BEHIND * label.label, label.high)
    if outcome is not Outcome.WITHIN:
        outcome = allowed if allowed is Outcome.OUTSIDE else Outcome.CANNOT_TELL
    if outcome is Outcome.WITHIN:
        why = "The whole charge came back, which is no evidence of a leak."
    elif outcome is Outcome.CANNOT_TELL:
        why = "The difference is no more than equipment may leave behind or misread, so it shows neither a leak nor a full charge."
    elif missing > 0:
        why = f"About {w.mass(missing)} less came back than the label asks for, which is evidence of a leak or of an earlier undercharge."
    else:
        why = f"About {w.mass(-missing)} more came back than the label asks for, which points to an earlier overcharge or to air in the recovery."
    return inputs.finding("recovery", title, expected=expected,
                          measured=f"{w.mass(nominal(amount.kg))}, {share_of(amount.kg, label.label)} of the label",
                          uncertainty=f"equipment ±{w.mass(expanded(amount.kg))} (k = 2); up to {LEFT_BEHIND:.0%} may stay in the system",
                          outcome=outcome, why=why, source=EQUIPMENT, margin_sd=margin_sd)


def _scale(view: View) -> Finding:
    inputs = Inputs(view)
    return _two_ways(inputs, "scale", "Scale against refrigerant charged", "the loss on the scale equal to the mass charged",
                     masses.off_scale(inputs),
                     "off the scale", "The scale and the stated charge agree.",
                     "The scale and the stated charge differ: hoses, a purge or a mistaken figure may explain it, so check the figures.")


def _cans(view: View) -> Finding:
    inputs = Inputs(view)
    return _two_ways(inputs, "cans", "Cans against refrigerant charged", "what left the cans, less the hoses, equal to the mass charged",
                     masses.from_cans(inputs), "from the cans", "The cans and the stated charge agree.",
                     "The cans and the stated charge differ: a can not counted, refrigerant left in hoses or can, or a mistaken figure may explain it, "
                     "so check them.")


def _two_ways(inputs: Inputs, check_id: str, title: str, expected: str, other: Amount | None, where: str, agree: str, differ: str) -> Finding:
    """One charge by two ways of measuring it."""
    stated = masses.charged(inputs)
    if other is None or stated is None or not inputs.complete:
        return inputs.cannot_tell(check_id, title, expected=expected, source=w.COMMON_PRACTICE)
    inputs.notes += other.notes
    apart = masses.apart(other, stated)
    return inputs.finding(check_id, title, expected=f"{w.mass(nominal(stated.kg))} {where}",
                          measured=f"{w.mass(nominal(other.kg))} {where}: {other.text}",
                          uncertainty=f"±{w.mass(expanded(apart))} (k = 2)", outcome=Outcome.WITHIN if masses.agree(apart) else Outcome.OUTSIDE,
                          margin_sd=margin(abs(nominal(apart)), expanded(apart), float("-inf"), expanded(apart)),
                          why=agree if masses.agree(apart) else differ, source=w.COMMON_PRACTICE)


def _oil(view: View) -> Finding:
    inputs = Inputs(view)
    title, expected = "Oil put back against oil removed", "oil put back equal to oil removed, plus the share of a replaced part"
    oil = masses.oil(inputs)
    measured = f"{oil.removed_ml:.0f} mL removed, {oil.added_ml:.0f} mL added" if oil else ""
    if oil is None or not inputs.complete:
        why = ("What a replaced part takes with it is not known, so the balance cannot be judged: see the manual."
               if oil is not None and any("manual" in m for m in inputs.missing) else "")
        return inputs.cannot_tell("oil_balance", title, expected=expected, measured=measured, source=w.COMMON_PRACTICE, why=why)
    low, high = oil.usual
    outcome, margin_sd = weigh(oil.gained, low, high)
    if outcome is Outcome.CANNOT_TELL:
        outcome = Outcome.WITHIN     # a measuring cup shows no better agreement
    if oil.shares:
        expected = f"{low * 1000:.0f} to {high * 1000:.0f} mL more than came out, for the {' and the '.join(part for part, _, _ in oil.shares)}"
    if outcome is Outcome.WITHIN:
        why = "The oil that came out went back" + (", with the usual share of what was replaced: the manual decides." if oil.shares else ".")
    elif nominal(oil.gained) < low:
        why = ("Less oil went back than came out, which may starve the compressor: compare with the manual." if nominal(oil.gained) < 0 else
               "Less oil went back than the replaced parts usually take, which may starve the compressor: compare with the manual.")
    elif oil.shares:
        why = "More oil went back than the replaced parts usually take, and too much oil costs cooling: compare with the manual."
    else:
        why = ("More oil went back than came out and no replaced part that takes oil is on record, and too much oil costs cooling: compare with the "
               "manual.")
    return inputs.finding("oil_balance", title, expected=expected, measured=measured,
                          uncertainty=f"±{expanded(oil.gained) * 1000:.0f} mL (k = 2), two readings",
                          outcome=outcome, why=why, source=w.COMMON_PRACTICE, margin_sd=margin_sd)
