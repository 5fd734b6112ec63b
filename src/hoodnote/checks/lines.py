"""Line and air temperatures while running: superheat, subcooling, evaporator difference, vent air."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, weigh
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.running import needs_ordinary, saturation_at
from hoodnote.checks.view import Situation, View
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality
from hoodnote.physics.uncertain import expanded, nominal
from hoodnote.readings.facts import si
from hoodnote.statements.vocabulary import PLACES

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

# All of common practice, no source.
SUPERHEAT_C = (3.0, 12.0)                # at the evaporator outlet of an expansion valve system
SUCTION_GAIN_C = 3.0                     # the suction line picks up a little more on its way
SUBCOOLING_C = (3.0, 12.0)
EVAPORATOR_DIFFERENCE_C = (-3.0, 3.0)    # outlet minus inlet of an orifice tube system with enough charge
VENT_DROP_C = (8.0, 30.0)                # below the air entering the evaporator
COOL_INTAKE_C = 18.0                     # of cooler air the usual drop is not to be had
DRY_AIR_PERCENT = 35.0                   # below it more of the work goes into cooling the air, above it into drying it
VENT_ALLOWANCE_C = 1.0

_SOURCE = f"{w.PROPERTIES}; typical range {w.COMMON_PRACTICE}"
_SUPERHEAT_AT = ("evaporator_outlet", "suction_line", "accumulator")
_SUBCOOLING_AT = ("liquid_line", "condenser_outlet")
_DISCHARGE_AT = ("discharge_line", "condenser_inlet")
_READ = (*_SUPERHEAT_AT, *_SUBCOOLING_AT, *_DISCHARGE_AT, "evaporator_inlet", "vent")


def check(view: View) -> Iterator[Finding]:
    for situation in view.situations("running", _READ):
        if situation.circuit_open:
            continue
        spoken = view.spoken(situation, _READ)
        for place in _SUPERHEAT_AT:
            if place in spoken:
                yield _superheat(view, situation, place)
        for place in _SUBCOOLING_AT:
            if place in spoken:
                yield _subcooling(view, situation, place)
        for place in _DISCHARGE_AT:
            if place in spoken:
                yield _discharge(view, situation, place)
        if {"evaporator_inlet", "evaporator_outlet"} <= spoken:
            yield _evaporator_difference(view, situation)
        if "vent" in spoken:
            yield _vent(view, situation)


def _thermometer(view: View) -> str:
    return f"thermometer ±{view.equipment.thermometer_limit_c:g} °C"


def _superheat(view: View, situation: Situation, place: str) -> Finding:
    inputs = Inputs(view, situation)
    check, title = f"superheat_{place}", f"Superheat at the {PLACES[place].name}"
    line, refrigerant = inputs.temperature(place), inputs.refrigerant()
    device = inputs.fact("expansion_device", required=place != "accumulator")
    low, high = SUPERHEAT_C[0], SUPERHEAT_C[1] + (SUCTION_GAIN_C if place == "suction_line" else 0)
    expected = f"{w.difference_range(low, high)} with an expansion valve; no charge measure with an orifice tube"
    inputs.clutch()
    try:
        found = saturation_at(inputs, "low_side", Quality.DEW)
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    if line is None or found is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    superheat = line - found.temperature
    measured = f"{w.difference(nominal(superheat))}: line {w.temperature(nominal(line))}, evaporating at {w.temperature(found.celsius)}"
    uncertainty = f"{w.difference_limit(expanded(superheat))} (k = 2) from {found.gauge_error}, weather and {_thermometer(view)}"
    impossible = weigh(superheat, 0.0, float("inf"))
    if impossible.outcome is Outcome.OUTSIDE:
        return inputs.finding(check, title, expected=expected, measured=measured, uncertainty=uncertainty, outcome=Outcome.OUTSIDE,
                              why="The line reads colder than the refrigerant evaporates, which cannot be: read pressure and temperature again.",
                              source=_SOURCE, margin_sd=impossible.margin_sd)
    if place == "accumulator" or device == "orifice tube":
        inputs.lacks("a charge measure that suits an orifice tube: temperature across the evaporator, or the charge by weight")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=_SOURCE,
                                  why="With an orifice tube the accumulator takes up superheat, so this figure does not measure the charge: use "
                                      "the temperature across the evaporator or the charge by weight.")
    needs_ordinary(inputs, refrigerant)
    outcome, margin_sd = weigh(superheat, low, high)
    if outcome is Outcome.OUTSIDE and nominal(superheat) > high:
        why = "High superheat points to a starved evaporator: low charge, a restriction or an expansion valve that opens too little."
    elif outcome is Outcome.OUTSIDE:
        why = ("Low superheat points to a flooded evaporator: an expansion valve open too far, overcharge or low airflow; liquid may "
               "reach the compressor.")
    elif outcome is Outcome.WITHIN:
        why = "The expansion valve feeds the evaporator in the usual range."
    else:
        why = "The superheat is too near the edge of the usual range for these instruments to tell."
    return inputs.finding(check, title, expected=expected, measured=measured, uncertainty=uncertainty, outcome=outcome, why=why, source=_SOURCE,
                          margin_sd=margin_sd)


def _subcooling(view: View, situation: Situation, place: str) -> Finding:
    inputs = Inputs(view, situation)
    check, title = f"subcooling_{place}", f"Subcooling at the {PLACES[place].name}"
    line, refrigerant = inputs.temperature(place), inputs.refrigerant()
    low, high = SUBCOOLING_C
    expected = w.difference_range(low, high)
    inputs.clutch()
    try:
        found = saturation_at(inputs, "high_side", Quality.BUBBLE)
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    needs_ordinary(inputs, refrigerant)
    if line is None or found is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    subcooling = found.temperature - line
    outcome, margin_sd = weigh(subcooling, low, high)
    if weigh(subcooling, 0.0, float("inf")).outcome is Outcome.OUTSIDE:
        why = ("The line reads hotter than the refrigerant condenses, so it carries no liquid or a figure is wrong: read pressure and "
               "temperature again.")
    elif outcome is Outcome.OUTSIDE and nominal(subcooling) > high:
        why = "High subcooling points to liquid backed up in the condenser: overcharge or a restriction after it; compare the charge by weight."
    elif outcome is Outcome.OUTSIDE:
        why = "Low subcooling points to little liquid at the condenser outlet: low charge or poor condenser airflow; compare the charge by weight."
    elif outcome is Outcome.WITHIN:
        why = "Liquid leaves the condenser with the usual subcooling, which supports the charge but does not weigh it."
    else:
        why = "The subcooling is too near the edge of the usual range for these instruments to tell."
    return inputs.finding(
        check, title, expected=expected, outcome=outcome, why=why, source=_SOURCE, margin_sd=margin_sd,
        measured=f"{w.difference(nominal(subcooling))}: condensing at {w.temperature(found.celsius)}, line {w.temperature(nominal(line))}",
        uncertainty=f"{w.difference_limit(expanded(subcooling))} (k = 2) from {found.gauge_error}, weather and {_thermometer(view)}")


def _discharge(view: View, situation: Situation, place: str) -> Finding:
    """What leaves a working compressor is superheated, so the line cannot be colder than the refrigerant condenses."""
    inputs = Inputs(view, situation)
    check, title = f"hot_gas_{place}", f"{PLACES[place].name.capitalize()} against condensing"
    expected = "hotter than the refrigerant condenses"
    line = inputs.temperature(place)
    inputs.clutch()
    try:
        found = saturation_at(inputs, "high_side", Quality.DEW)
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=w.PROPERTIES, why=f"{problem}.")
    if line is None or found is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=w.PROPERTIES)
    above = line - found.temperature
    outcome, margin_sd = weigh(above, 0.0, float("inf"))
    why = {Outcome.WITHIN: "Hot gas leaves the compressor, as it does when it pumps vapour.",
           Outcome.OUTSIDE: "The line reads colder than the refrigerant condenses: read both again; if they stand, liquid may be reaching "
                            "the compressor or it hardly pumps.",
           Outcome.CANNOT_TELL: "Line and condensing temperature are too close for these instruments to tell."}[outcome]
    return inputs.finding(
        check, title, expected=expected, outcome=outcome, why=why, source=w.PROPERTIES, margin_sd=margin_sd,
        measured=f"{w.temperature(nominal(line))}, condensing at {w.temperature(found.celsius)}",
        uncertainty=f"{w.difference_limit(expanded(above))} (k = 2) from {found.gauge_error}, weather and {_thermometer(view)}")


def _evaporator_difference(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "evaporator_difference", "Temperature across the evaporator"
    into, out = inputs.temperature("evaporator_inlet"), inputs.temperature("evaporator_outlet")
    device = inputs.fact("expansion_device")
    low, high = EVAPORATOR_DIFFERENCE_C
    expected = f"outlet within {w.difference(high)} of the inlet, with an orifice tube"
    inputs.clutch()
    if into is None or out is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=w.COMMON_PRACTICE)
    gain = out - into
    measured = f"outlet {w.temperature(nominal(out))}, inlet {w.temperature(nominal(into))}"
    if device != "orifice tube":
        inputs.lacks("superheat, the measure that suits an expansion valve")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                  why="The temperature across the evaporator judges the charge of an orifice tube system; with an expansion "
                                      "valve use superheat.")
    outcome, margin_sd = weigh(gain, low, high)
    why = {Outcome.WITHIN: "Inlet and outlet are close, so liquid refrigerant likely reaches the evaporator's end.",
           Outcome.OUTSIDE: "The outlet is much warmer than the inlet, which points to a starved evaporator, most often low charge."
                            if nominal(gain) > 0 else
                            "The outlet is much colder than the inlet, which points to a restriction inside or to swapped readings.",
           Outcome.CANNOT_TELL: "The difference is too near the edge of the usual range for these thermometers to tell."}[outcome]
    return inputs.finding(check, title, expected=expected, measured=measured, outcome=outcome, why=why, source=w.COMMON_PRACTICE, margin_sd=margin_sd,
                          uncertainty=f"{w.difference_limit(expanded(gain))} (k = 2), both thermometers")


def _vent(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "vent", "Vent air"
    vent = inputs.temperature("vent")
    air = inputs.air("intake_air", "ambient")
    low, high = VENT_DROP_C
    expected = f"at least {w.difference(low)} below the intake air, less in damp air; not colder than the evaporating refrigerant"
    if vent is None or air is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=w.COMMON_PRACTICE)
    measured = f"{w.temperature(nominal(vent))}, air in {w.temperature(nominal(air.celsius))}"
    floor, doubts = _evaporating_floor(view, situation)
    for doubt in doubts:
        inputs.lacks(doubt)
    humidity = inputs.condition("humidity", required=False)
    clutch = inputs.clutch(driven=False)
    if not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE)
    if floor is not None:
        above = vent - floor[0] + VENT_ALLOWANCE_C
        colder = weigh(above, 0.0, float("inf"))
        if colder.outcome is Outcome.OUTSIDE:
            inputs.basis += floor[1]
            return inputs.finding(check, title, expected=expected, measured=f"{measured}, evaporating at {w.temperature(nominal(floor[0]))}",
                                  uncertainty=f"{w.difference_limit(expanded(above))} (k = 2)", outcome=Outcome.OUTSIDE,
                                  why="The vent air reads colder than the refrigerant evaporates, which cannot be: read both again.", source=_SOURCE,
                                  margin_sd=colder.margin_sd)
    inputs.notes.append(_damp(si(humidity)) if humidity else "humidity not stated")
    drop = air.celsius - vent
    if nominal(air.celsius) < COOL_INTAKE_C:
        inputs.lacks(f"warmer intake air, {w.temperature(COOL_INTAKE_C)} or more")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                  why="With intake air this cool the usual drop is not to be had, so it says little about the system.")
    outcome, margin_sd = weigh(drop, low, high)
    warm = weigh(drop, 0.0, float("inf")).outcome is Outcome.OUTSIDE
    if warm:
        why = "The vent air is warmer than the air going in, so heat is being added: look at the blend door and the heater valve."
    elif outcome is Outcome.OUTSIDE and nominal(drop) < low and clutch == "clutch_not_engaged":
        why = "The vent air is hardly colder than the air going in, and the clutch was stated as not engaged: go through the electrical chain first."
    else:
        why = {Outcome.WITHIN: "The vent air is clearly colder than the air going in.",
               Outcome.OUTSIDE: "The vent air is hardly colder than the air going in; the pressures and the clutch tell whether to look at "
                                "the refrigerant circuit or at blend door, heater valve and airflow first." if nominal(drop) < low else
                                "The vent air is colder than expected for this intake air; read both temperatures again.",
               Outcome.CANNOT_TELL: "The drop is too near the usual minimum for these thermometers to tell."}[outcome]
    return inputs.finding(check, title, expected=expected, measured=measured, outcome=outcome, why=why, source=w.COMMON_PRACTICE, margin_sd=margin_sd,
                          uncertainty=f"{w.difference_limit(expanded(drop))} (k = 2), both thermometers")


def _damp(percent: float) -> str:
    return f"relative humidity {percent:.0f} %" + (", dry air, in which the drop is larger" if percent < DRY_AIR_PERCENT else "")


def _evaporating_floor(view: View, situation: Situation) -> tuple[tuple[Uncertain, list[int]] | None, list[str]]:
    """Evaporating temperature and basis where the low side is known for sure; and what about it is unconfirmed."""
    inputs = Inputs(view, situation)
    try:
        found = saturation_at(inputs, "low_side", Quality.BUBBLE)
    except NoSaturation:
        found = None
    doubts = [m for m in inputs.missing if m.endswith(NOT_CONFIRMED)]
    if found is None or not inputs.complete:
        return None, doubts
    return (found.temperature, inputs.basis), []
