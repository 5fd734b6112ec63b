"""Line and air temperatures while running: superheat, subcooling, evaporator difference, vent air."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import wording as w
from hoodnote.checks.equipment import THERMOMETER_LIMIT_C
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, judge
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.running import saturation_at
from hoodnote.checks.view import Situation, View
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality
from hoodnote.readings.facts import si
from hoodnote.statements.vocabulary import PLACES

# All of common practice, no source.
SUPERHEAT_C = (3.0, 12.0)                # at the evaporator outlet of an expansion valve system
SUCTION_GAIN_C = 3.0                     # the suction line picks up a little more on its way
SUBCOOLING_C = (3.0, 12.0)
EVAPORATOR_DIFFERENCE_C = (-3.0, 3.0)    # outlet minus inlet of an orifice tube system with enough charge
VENT_DROP_C = (8.0, 30.0)                # below the air entering the evaporator
VENT_ALLOWANCE_C = 1.0

_SOURCE = f"{w.PROPERTIES}; typical range {w.COMMON_PRACTICE}"
_SUPERHEAT_AT = ("evaporator_outlet", "suction_line", "accumulator")
_SUBCOOLING_AT = ("liquid_line", "condenser_outlet")
_READ = (*_SUPERHEAT_AT, *_SUBCOOLING_AT, "evaporator_inlet", "vent")


def check(view: View) -> Iterator[Finding]:
    for situation in view.situations("running", _READ):
        if situation.circuit_open:
            continue
        spoken = {k for d in view.doubts if d.situation == situation for k in d.keys}
        spoken |= {p for p in _READ if view.readings(p, situation=situation)}
        for place in _SUPERHEAT_AT:
            if place in spoken:
                yield _superheat(view, situation, place)
        for place in _SUBCOOLING_AT:
            if place in spoken:
                yield _subcooling(view, situation, place)
        if {"evaporator_inlet", "evaporator_outlet"} <= spoken:
            yield _evaporator_difference(view, situation)
        if "vent" in spoken:
            yield _vent(view, situation)


def _superheat(view: View, situation: Situation, place: str) -> Finding:
    inputs = Inputs(view, situation)
    check, title = f"superheat_{place}", f"Superheat at the {PLACES[place].name}"
    line = inputs.figure(place)
    device = inputs.fact("expansion_device", required=place != "accumulator")
    low, high = SUPERHEAT_C[0], SUPERHEAT_C[1] + (SUCTION_GAIN_C if place == "suction_line" else 0)
    expected = f"{w.difference_range(low, high)} with an expansion valve; no charge measure with an orifice tube"
    try:
        found = saturation_at(inputs, "low_side", Quality.DEW)
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    if line is None or found is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    superheat, limit = si(line) - found.celsius, found.limit_c + THERMOMETER_LIMIT_C
    measured = f"{w.difference(superheat)}: line {w.temperature(si(line))}, evaporating at {w.temperature(found.celsius)}"
    uncertainty = f"{w.difference_limit(limit)} from gauge, weather and thermometer ±{THERMOMETER_LIMIT_C:.0f} °C"
    if superheat < -limit:
        return inputs.finding(check, title, expected=expected, measured=measured, uncertainty=uncertainty, outcome=Outcome.OUTSIDE,
                              why="The line reads colder than the refrigerant evaporates, which cannot be: read pressure and temperature again.",
                              source=_SOURCE)
    if place == "accumulator" or device == "orifice tube":
        inputs.lacks("a charge measure that suits an orifice tube: temperature across the evaporator, or the charge by weight")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=_SOURCE,
                                  why="With an orifice tube the accumulator takes up superheat, so this figure does not measure the charge: use "
                                      "the temperature across the evaporator or the charge by weight.")
    outcome = judge(superheat, limit, low, high)
    if outcome is Outcome.OUTSIDE and superheat > high:
        why = "High superheat points to a starved evaporator: low charge, a restriction or an expansion valve that opens too little."
    elif outcome is Outcome.OUTSIDE:
        why = "Low superheat points to a flooded evaporator: an expansion valve open too far, overcharge or low airflow; liquid may reach the compressor."
    elif outcome is Outcome.WITHIN:
        why = "The expansion valve feeds the evaporator in the usual range."
    else:
        why = "The superheat is too near the edge of the usual range for these instruments to tell."
    return inputs.finding(check, title, expected=expected, measured=measured, uncertainty=uncertainty, outcome=outcome, why=why, source=_SOURCE)


def _subcooling(view: View, situation: Situation, place: str) -> Finding:
    inputs = Inputs(view, situation)
    check, title = f"subcooling_{place}", f"Subcooling at the {PLACES[place].name}"
    line = inputs.figure(place)
    low, high = SUBCOOLING_C
    expected = w.difference_range(low, high)
    try:
        found = saturation_at(inputs, "high_side", Quality.BUBBLE)
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    if line is None or found is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    subcooling, limit = found.celsius - si(line), found.limit_c + THERMOMETER_LIMIT_C
    outcome = judge(subcooling, limit, low, high)
    if subcooling < -limit:
        outcome, why = Outcome.OUTSIDE, ("The line reads hotter than the refrigerant condenses, so it carries no liquid or a figure is wrong: "
                                         "read pressure and temperature again.")
    elif outcome is Outcome.OUTSIDE and subcooling > high:
        why = "High subcooling points to liquid backed up in the condenser: overcharge or a restriction after it; compare the charge by weight."
    elif outcome is Outcome.OUTSIDE:
        why = "Low subcooling points to little liquid at the condenser outlet: low charge or poor condenser airflow; compare the charge by weight."
    elif outcome is Outcome.WITHIN:
        why = "Liquid leaves the condenser with the usual subcooling, which supports the charge but does not weigh it."
    else:
        why = "The subcooling is too near the edge of the usual range for these instruments to tell."
    return inputs.finding(
        check, title, expected=expected,
        measured=f"{w.difference(subcooling)}: condensing at {w.temperature(found.celsius)}, line {w.temperature(si(line))}",
        uncertainty=f"{w.difference_limit(limit)} from gauge, weather and thermometer ±{THERMOMETER_LIMIT_C:.0f} °C",
        outcome=outcome, why=why, source=_SOURCE)


def _evaporator_difference(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "evaporator_difference", "Temperature across the evaporator"
    into, out = inputs.figure("evaporator_inlet"), inputs.figure("evaporator_outlet")
    device = inputs.fact("expansion_device")
    low, high = EVAPORATOR_DIFFERENCE_C
    expected = f"outlet within {w.difference(high)} of the inlet, with an orifice tube"
    if into is None or out is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=w.COMMON_PRACTICE)
    gain, limit = si(out) - si(into), 2 * THERMOMETER_LIMIT_C
    measured = f"outlet {w.temperature(si(out))}, inlet {w.temperature(si(into))}"
    if device != "orifice tube":
        inputs.lacks("superheat, the measure that suits an expansion valve")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                  why="The temperature across the evaporator judges the charge of an orifice tube system; with an expansion "
                                      "valve use superheat.")
    outcome = judge(gain, limit, low, high)
    why = {Outcome.WITHIN: "Inlet and outlet are close, so liquid refrigerant likely reaches the evaporator's end.",
           Outcome.OUTSIDE: "The outlet is much warmer than the inlet, which points to a starved evaporator, most often low charge." if gain > 0 else
                            "The outlet is much colder than the inlet, which points to a restriction inside or to swapped readings.",
           Outcome.CANNOT_TELL: "The difference is too near the edge of the usual range for these thermometers to tell."}[outcome]
    return inputs.finding(check, title, expected=expected, measured=measured, uncertainty=f"{w.difference_limit(limit)}, both thermometers",
                          outcome=outcome, why=why, source=w.COMMON_PRACTICE)


def _vent(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "vent", "Vent air"
    vent = inputs.figure("vent")
    air = inputs.air("intake_air", "ambient")
    low, high = VENT_DROP_C
    expected = f"at least {w.difference(low)} below the intake air, less in damp air; not colder than the evaporating refrigerant"
    if vent is None or air is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=w.COMMON_PRACTICE)
    cold = si(vent)
    measured = f"{w.temperature(cold)}, air in {w.temperature(air[0])}"
    limit = THERMOMETER_LIMIT_C + air[1]
    floor, doubts = _evaporating_floor(view, situation)
    for doubt in doubts:
        inputs.lacks(doubt)
    humidity = inputs.condition("humidity", required=False)
    if not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE)
    if floor is not None and cold < floor[0] - floor[1]:
        inputs.basis += floor[2]
        return inputs.finding(check, title, expected=expected, measured=f"{measured}, evaporating at {w.temperature(floor[0])}",
                              uncertainty=w.difference_limit(floor[1]), outcome=Outcome.OUTSIDE,
                              why="The vent air reads colder than the refrigerant evaporates, which cannot be: read both again.", source=_SOURCE)
    inputs.notes.append(f"relative humidity {si(humidity):.0f} %" if humidity else "humidity not stated")
    drop = air[0] - cold
    outcome = judge(drop, limit, low, high)
    why = {Outcome.WITHIN: "The vent air is clearly colder than the air going in.",
           Outcome.OUTSIDE: "The vent air is hardly colder than the air going in; the pressures and the clutch tell whether to look at the refrigerant "
                            "circuit or at blend door, heater valve and airflow first." if drop < low else
                            "The vent air is colder than expected for this intake air; read both temperatures again.",
           Outcome.CANNOT_TELL: "The drop is too near the usual minimum for these thermometers to tell."}[outcome]
    if outcome is Outcome.OUTSIDE and cold > air[0] + limit:
        why = "The vent air is warmer than the air going in, so heat is being added: look at the blend door and the heater valve."
    return inputs.finding(check, title, expected=expected, measured=measured, uncertainty=f"{w.difference_limit(limit)}, both thermometers",
                          outcome=outcome, why=why, source=w.COMMON_PRACTICE)


def _evaporating_floor(view: View, situation: Situation) -> tuple[tuple[float, float, list[int]] | None, list[str]]:
    """Evaporating temperature, allowance and basis where the low side is known for sure; and what about it is unconfirmed."""
    inputs = Inputs(view, situation)
    try:
        found = saturation_at(inputs, "low_side", Quality.DEW)
    except NoSaturation:
        found = None
    doubts = [m for m in inputs.missing if m.endswith(NOT_CONFIRMED)]
    if found is None or not inputs.complete:
        return None, doubts
    return (found.celsius, found.limit_c + THERMOMETER_LIMIT_C + VENT_ALLOWANCE_C, inputs.basis), []
