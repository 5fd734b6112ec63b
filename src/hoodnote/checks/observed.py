"""What was seen or felt with the engine running and has no figure. Guidance: each points somewhere, none decides alone."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Inputs
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import Situation, View
from hoodnote.statements.vocabulary import ACTIONS

# id, title, steps that exclude each other, what is expected, step -> (outcome, why). All of common practice, no source.
_OUT, _IN, _OPEN = Outcome.OUTSIDE, Outcome.WITHIN, Outcome.CANNOT_TELL
_OBSERVATIONS: tuple[tuple[str, str, tuple[str, ...], str, dict[str, tuple[Outcome, str]]], ...] = (
    ("needle", "High-side needle", ("needle_unsteady",), "a steady needle", {
        "needle_unsteady": (_OUT, "An unsteady high-side needle goes with air or moisture in the system, and with compressor valves: compare "
                                  "the static pressure with saturation before deciding.")}),
    ("sight_glass", "Sight glass", ("sight_glass_clear", "sight_glass_bubbles"), "guidance only", {
        "sight_glass_clear": (_OPEN, "A clear sight glass is seen with the right charge, with too much and with none at all, so it "
                                     "decides nothing alone."),
        "sight_glass_bubbles": (_OPEN, "Bubbles can mean low charge or air, and with R-134a they are also seen at the right charge, so "
                                       "weigh the charge before deciding.")}),
    ("engine_temperature", "Engine temperature", ("engine_hot",), "an engine at its usual temperature", {
        "engine_hot": (_OUT, "An overheating engine heats the condenser's air and raises the high side: settle the cooling system first, "
                             "then read the pressures again.")}),
    ("condenser_fan", "Condenser fan", ("fan_running", "fan_not_running"), "running while the compressor works", {
        "fan_running": (_IN, "The condenser fan runs, which does not show how much air passes the condenser."),
        "fan_not_running": (_OUT, "Without its fan the condenser gets little air at a standstill and the high side climbs: find out "
                                  "whether the fan should run now, then supply, control and motor.")}),
    ("airflow", "Airflow from the vents", ("airflow_weak", "airflow_good"), "strong with the blower on high", {
        "airflow_good": (_IN, "Strong airflow speaks against an iced evaporator, a clogged cabin filter or a weak blower."),
        "airflow_weak": (_OUT, "Weak airflow points to the blower, the cabin filter, a door or an iced evaporator, before the refrigerant "
                               "circuit.")}),
    ("clutch_state", "Clutch", ("clutch_engaged", "clutch_not_engaged", "clutch_cycling"),
     "engaged, or cycling to keep the evaporator from freezing", {
        "clutch_engaged": (_IN, "The clutch was stated as engaged, so the pressures are those of a driven compressor."),
        "clutch_not_engaged": (_OUT, "The clutch was stated as not engaged: go through the electrical chain before judging compressor "
                                     "or charge."),
        "clutch_cycling": (_OPEN, "A cycling clutch may protect the evaporator from freezing or answer a low pressure: how often it "
                                  "cycles and the pressures at cut-in and cut-out tell.")}),
)
SEEN = tuple(action for _, _, actions, _, _ in _OBSERVATIONS for action in actions)


def check(view: View, situation: Situation) -> Iterator[Finding]:
    spoken = view.spoken(situation, SEEN)
    for name, title, actions, expected, meanings in _OBSERVATIONS:
        if not spoken.intersection(actions):
            continue
        inputs = Inputs(view, situation)
        seen = inputs.state(*actions)
        if seen is None or not inputs.complete:
            yield inputs.cannot_tell(name, title, expected=expected, source=w.COMMON_PRACTICE)
            continue
        outcome, why = meanings[seen]
        if outcome is Outcome.CANNOT_TELL:
            yield inputs.cannot_tell(name, title, expected=expected, measured=ACTIONS[seen], source=w.COMMON_PRACTICE, why=why)
        else:
            yield inputs.finding(name, title, expected=expected, measured=ACTIONS[seen], uncertainty="as stated", outcome=outcome, why=why,
                                 source=w.COMMON_PRACTICE)
