"""Engine running: evaporating and condensing saturation temperature, compression ratio, the low side while charging."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoodnote.checks import bands, observed
from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Inputs, Pressure, weigh
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import CHARGES, PRESSURE_PLACES, Situation, View
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.physics.saturation import Quality
from hoodnote.physics.uncertain import expanded, nominal, saturation_temperature
from hoodnote.statements.model import Step
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import GaugePressure, to_si

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

# All of common practice, no source.
EVAPORATING_C = (-1.0, 7.0)
ICING_C = -3.0
CONDENSING_ABOVE_AIR_C = (11.0, 25.0)
COMPRESSION_RATIO = (4.0, 8.0)
CHARGING_LOW_SIDE_PSI = (50.0, 55.0)         # said to be kept below one or the other
CHARGING_LIMIT_FOR = ("R-12", "R-134a")

_SOURCE = f"{w.PROPERTIES}; typical range {w.COMMON_PRACTICE}"


@dataclass(frozen=True)
class SaturationAt:
    """Saturation temperature at one side, with the errors of gauge and weather."""

    temperature: Uncertain                   # C
    read: Pressure

    @property
    def celsius(self) -> float:
        return nominal(self.temperature)

    @property
    def limit_c(self) -> float:
        """Expanded uncertainty, k = 2."""
        return expanded(self.temperature)

    @property
    def gauge_error(self) -> str:
        return f"gauge {w.pressure_limit(self.read.limit_kpa)}"


def saturation_at(inputs: Inputs, place: str, quality: Quality | None = None) -> SaturationAt | None:
    """At dew or bubble, or without a quality the middle of a blend's glide, half of it either way; None where an input is missing or
    doubtful (named in `inputs.missing`). Raises NoSaturation (transcritical, no data)."""
    read, refrigerant = inputs.graded(place), inputs.refrigerant()
    if read is None or refrigerant is None:
        return None
    if quality is not None or not look_up(refrigerant).blend:
        known, key = inputs.view.worked_out, ("saturation", refrigerant, id(read), quality or Quality.DEW)
        if key not in known:
            known[key] = saturation_temperature(refrigerant, read.absolute, quality or Quality.DEW)
        return SaturationAt(known[key], read)
    bubble, dew = (saturation_temperature(refrigerant, read.absolute, q) for q in (Quality.BUBBLE, Quality.DEW))
    glide = nominal(dew) - nominal(bubble)
    inputs.notes.append(f"middle of a glide of {w.difference(glide)}")
    return SaturationAt((dew + bubble) / 2 + inputs.view.errors.figure(0.0, glide / 2, ("glide", place)), read)


def needs_ordinary(inputs: Inputs, refrigerant: str | None) -> None:
    if refrigerant == "R-744":
        inputs.lacks("a usual range for R-744, which the service manual gives")


def check(view: View) -> Iterator[Finding]:
    yield from (_unknown_state(view, s) for s in view.situations(None) if not s.circuit_open)
    for situation in view.situations("running", (*PRESSURE_PLACES, *observed.SEEN)):
        if situation.circuit_open:
            yield from _charging(view, situation)
            continue
        spoken = view.spoken(situation, PRESSURE_PLACES)
        if "low_side" in spoken:
            yield _evaporating(view, situation)
        if "high_side" in spoken:
            yield _condensing(view, situation)
        if spoken:
            yield _ratio(view, situation)
        yield from observed.check(view, situation)
    yield from bands.check(view)


def _unknown_state(view: View, situation: Situation) -> Finding:
    """A pressure means one thing with the engine off and another with it running; which is never guessed."""
    inputs = Inputs(view, situation)
    sides = {PLACES[place].name: side for place in PRESSURE_PLACES if (side := inputs.pressure(place, required=False)) is not None}
    inputs.lacks("whether the engine was off or running")
    return inputs.cannot_tell("engine_state", "Pressures and the engine's state", expected="the engine's state with every pressure",
                              measured=", ".join(f"{name} {w.pressure(side.gauge)}" for name, side in sides.items()), source=w.COMMON_PRACTICE)


def _evaporating(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "evaporating", "Evaporating saturation temperature"
    low, high = EVAPORATING_C
    expected = f"{w.temperature_range(low, high)}"
    clutch, control = inputs.clutch(), inputs.fact("compressor_control", required=False)
    try:
        found = saturation_at(inputs, "low_side")
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    if found is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    outcome, margin_sd = weigh(found.temperature, low, high)
    measured = f"{w.temperature(found.celsius)} from {w.pressure(found.read.gauge)}"
    icing = weigh(found.temperature, ICING_C, float("inf")).outcome
    if found.read.gauge.kpa < 0:
        why = ("The low side runs in a vacuum, which points to a blockage, an expansion device stuck shut, frozen moisture or almost no "
               "charge; compare the high side and look for frost.")
    elif clutch == "clutch_cycling" and outcome is Outcome.OUTSIDE:
        inputs.lacks("the lowest and the highest low side of a clutch cycle")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=_SOURCE,
                                  why="The clutch cycles, so one reading catches one moment of the swing: note the lowest and the highest low side "
                                      "and how often it cycles; fast cycling goes with a low charge.")
    elif outcome is Outcome.OUTSIDE and icing is Outcome.OUTSIDE:
        why = ("Evaporating below freezing can ice the evaporator if it stays there; watch whether the clutch cycles, then think of low "
               "charge, a restriction or low airflow.")
    elif outcome is Outcome.WITHIN and control == "variable displacement":
        why = "The low side evaporates in the usual range, where a variable compressor's control valve holds it, so it says little about the charge."
    else:
        why = {Outcome.WITHIN: "The low side evaporates in the usual range, which alone does not prove the charge.",
               Outcome.OUTSIDE: "The low side evaporates outside the usual range; read it with the high side, superheat and airflow before "
                                "drawing a conclusion.",
               Outcome.CANNOT_TELL: "The low side is too near the edge of the usual range for this gauge to tell."}[outcome]
    return inputs.finding(check, title, expected=expected, measured=measured, margin_sd=margin_sd,
                          uncertainty=f"{w.difference_limit(found.limit_c)} (k = 2) from {found.gauge_error} and weather",
                          outcome=outcome, why=why, source=_SOURCE)


def _condensing(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "condensing", "Condensing saturation temperature against air"
    air, refrigerant = inputs.air("condenser_air_in", "ambient"), inputs.refrigerant()
    low, high = CONDENSING_ABOVE_AIR_C
    expected = f"{w.difference_range(low, high)} above the air entering the condenser"
    inputs.clutch()
    try:
        found = saturation_at(inputs, "high_side")
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    needs_ordinary(inputs, refrigerant)
    if found is None or air is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    above = found.temperature - air.celsius
    outcome, margin_sd = weigh(above, low, high)
    thumb = bands.rule_of_thumb(refrigerant, air)
    fits = None
    if thumb:
        expected += f"; {bands.THUMB} {w.pressure_range(GaugePressure(nominal(thumb[0])), GaugePressure(nominal(thumb[1])))}"
        fits = weigh(found.read.above_air, *thumb).outcome
    if fits is Outcome.WITHIN and outcome is not Outcome.WITHIN:
        why = ("The rule of thumb for the high side fits but the temperature difference does not: judge it with airflow and subcooling."
               if outcome is Outcome.OUTSIDE else
               "The rule of thumb for the high side fits; the temperature difference is too near the edge of its range to tell.")
        outcome = Outcome.CANNOT_TELL
    elif outcome is Outcome.WITHIN:
        why = "The high side condenses at the usual distance above the air, which alone does not prove the charge."
        if fits is Outcome.OUTSIDE:
            why = "The high side condenses at the usual distance above the air, though the rule of thumb would expect another pressure."
    elif outcome is Outcome.CANNOT_TELL:
        why = "The high side is too near the edge of the usual range for these instruments to tell."
    elif nominal(above) > high:
        why = ("The high side condenses far above the air, which points to poor condenser airflow, overcharge, air in the system or a hot "
               "engine; subcooling and the static check help to separate them.")
    else:
        why = ("The high side condenses close to the air temperature, which points to low charge, a compressor that does not pump or an "
               "expansion device stuck open; read it with the low side.")
    return inputs.finding(
        check, title, expected=expected, margin_sd=margin_sd,
        measured=f"{w.difference(nominal(above))} above {w.temperature(nominal(air.celsius))}: condensing at {w.temperature(found.celsius)} "
                 f"from {w.pressure(found.read.gauge)}",
        uncertainty=f"{w.difference_limit(expanded(above))} (k = 2) from {found.gauge_error}, weather and air "
                    f"{w.difference_limit(expanded(air.celsius))}",
        outcome=outcome, why=why, source=_SOURCE)


def _ratio(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "compression_ratio", "Compression ratio"
    low, high = inputs.graded("low_side"), inputs.graded("high_side")
    lowest, highest = COMPRESSION_RATIO
    expected = f"{lowest:.0f} to {highest:.0f} (absolute pressures)"
    source = w.COMMON_PRACTICE
    clutch = inputs.clutch(driven=False)
    control = inputs.fact("compressor_control", required=False)
    needs_ordinary(inputs, inputs.fact("refrigerant", required=False) or inputs.fact("label_refrigerant", required=False))
    if low is None or high is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=source)
    if nominal(low.absolute) <= 0:
        return inputs.cannot_tell(check, title, expected=expected, source=source,
                                  why="The low side reads a deeper vacuum than the air allows; check the gauge's zero and read it again.")
    ratio = high.absolute / low.absolute
    outcome, margin_sd = weigh(ratio, lowest, highest)
    if outcome is Outcome.WITHIN:
        why = "The compressor builds a usual pressure ratio."
    elif outcome is Outcome.CANNOT_TELL:
        why = "The ratio is too near the edge of the usual range for these gauges to tell."
    elif nominal(ratio) > highest:
        why = "The pressure ratio is high, which points to a restriction, low charge or poor condenser airflow; read both sides together."
    elif clutch == "clutch_not_engaged":
        why = ("The clutch was stated as not engaged, and without it the compressor builds no pressure ratio: go to the electrical chain first, "
               "the compressor is not judged by this.")
    elif inputs.sides_equal():
        why = ("Low and high side are equal while running, so the clutch may not be engaged or the compressor may not pump: go to the "
               "electrical chain first.")
    elif control == "variable displacement":
        why = ("The pressure ratio is low, which with a variable compressor also goes with a light load or its control valve, besides a compressor "
               "that does not pump fully or an expansion device stuck open; a compressor is not condemned on this alone.")
    else:
        why = ("The pressure ratio is low, which points to a compressor that does not pump fully, an expansion device stuck open or a light "
               "load; a compressor is not condemned on this alone.")
    return inputs.finding(check, title, expected=expected, measured=f"{nominal(ratio):.1f} from {w.pressure(low.gauge)} and {w.pressure(high.gauge)}",
                          uncertainty=f"±{expanded(ratio):.1f} (k = 2) from both gauges and weather", outcome=outcome, why=why, source=source,
                          margin_sd=margin_sd)


def _charging(view: View, situation: Situation) -> Iterator[Finding]:
    """Vapour charged into a running system raises the low side; it is commonly kept under a limit."""
    states = [x for x in view.usable.live if isinstance(x.entry.statement, Step)
              and x.entry.statement.action in (*CHARGES, "charging_finished")]
    read = view.readings("low_side", situation=situation)
    if not read:
        return
    last = [x.entry.statement.action for x in states if view.order(x) < view.order(read[-1])]
    if not CHARGES.intersection(last[-1:]):
        return
    inputs = Inputs(view, situation)
    check, title = "charging_low_side", "Low side while charging"
    asked, limit = CHARGING_LOW_SIDE_PSI
    expected = f"below about {asked:.0f} to {limit:.0f} psi"
    low, refrigerant = inputs.graded("low_side"), inputs.refrigerant()
    if refrigerant is not None and refrigerant not in CHARGING_LIMIT_FOR:
        inputs.lacks(f"the low-side limit of {refrigerant}, which the service manual gives")
    if low is None or not inputs.complete:
        yield inputs.cannot_tell(check, title, expected=expected, source=w.COMMON_PRACTICE)
        return
    outcome, margin_sd = weigh(low.above_air, float("-inf"), to_si(limit, "psi"))
    if outcome is Outcome.WITHIN and low.gauge.psi > asked:
        outcome = Outcome.CANNOT_TELL
    yield inputs.finding(
        check, title, expected=expected, measured=w.pressure(low.gauge), outcome=outcome, margin_sd=margin_sd, source=w.COMMON_PRACTICE,
        uncertainty=f"{w.pressure_limit(expanded(low.above_air))} (k = 2) from the gauge",
        why={Outcome.WITHIN: "The low side stayed under the limit commonly kept while vapour is charged.",
             Outcome.OUTSIDE: "The low side is above the limit commonly kept while vapour is charged: close the low-side valve and let it come down.",
             Outcome.CANNOT_TELL: "The low side is at the limit commonly kept while vapour is charged: charge more slowly."}[outcome])
