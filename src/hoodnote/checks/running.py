"""Engine running: evaporating and condensing saturation temperature, compression ratio."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Inputs, judge
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import Situation, View
from hoodnote.physics.atmosphere import WEATHER_LIMIT_KPA
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality, saturation_temperature
from hoodnote.units import AbsolutePressure, GaugePressure, Temperature

# All of common practice, no source.
EVAPORATING_C = (-1.0, 7.0)
ICING_C = -3.0
CONDENSING_ABOVE_AIR_C = (11.0, 25.0)
HIGH_PSI_PER_AMBIENT_F = (2.2, 2.5)          # rule of thumb, R-134a only
COMPRESSION_RATIO = (4.0, 8.0)

_SOURCE = f"{w.PROPERTIES}; typical range {w.COMMON_PRACTICE}"


@dataclass(frozen=True)
class SaturationAt:
    """Saturation temperature at one side, and its limit of error from gauge and weather."""

    celsius: float
    limit_c: float
    gauge: GaugePressure
    gauge_limit_kpa: float


def saturation_at(inputs: Inputs, place: str, quality: Quality) -> SaturationAt | None:
    """None where an input is missing or doubtful (named in `inputs.missing`). Raises NoSaturation (transcritical, no data)."""
    read = inputs.pressure(place)
    refrigerant = inputs.refrigerant()
    if read is not None and read[1] is None:
        inputs.lacks("a reading on the graded part of the gauge")
    if read is None or read[1] is None or refrigerant is None:
        return None
    ambient = inputs.ambient_pressure()
    absolute = read[0].absolute(ambient)
    limit = read[1] + WEATHER_LIMIT_KPA
    middle = saturation_temperature(refrigerant, absolute, quality).celsius
    ends = []
    for sign in (-1, 1):
        try:
            ends.append(abs(saturation_temperature(refrigerant, AbsolutePressure(absolute.kpa + sign * limit), quality).celsius - middle))
        except NoSaturation:        # one end of the error band leaves the property range; the other still bounds it
            continue
    return SaturationAt(middle, max(ends, default=float("inf")), read[0], read[1])


def check(view: View) -> Iterator[Finding]:
    for situation in view.situations("running"):
        if situation.circuit_open:
            continue
        spoken = {k for d in view.doubts if d.situation == situation for k in d.keys}
        spoken |= {x.entry.statement.place for p in ("low_side", "high_side") for x in view.readings(p, situation=situation)}
        if "low_side" in spoken:
            yield _evaporating(view, situation)
        if "high_side" in spoken:
            yield _condensing(view, situation)
        yield _ratio(view, situation)


def _evaporating(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "evaporating", "Evaporating saturation temperature"
    low, high = EVAPORATING_C
    expected = f"{w.temperature_range(low, high)}"
    try:
        found = saturation_at(inputs, "low_side", Quality.DEW)
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    if found is None:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    outcome = judge(found.celsius, found.limit_c, low, high)
    if found.gauge.kpa < 0:
        why = ("The low side runs in a vacuum, which points to a blockage, an expansion device stuck shut, frozen moisture or almost no "
               "charge; compare the high side and look for frost.")
    elif outcome is Outcome.OUTSIDE and found.celsius < ICING_C:
        why = ("Evaporating below freezing can ice the evaporator if it stays there; watch whether the clutch cycles, then think of low "
               "charge, a restriction or low airflow.")
    else:
        why = {Outcome.WITHIN: "The low side evaporates in the usual range, which alone does not prove the charge.",
               Outcome.OUTSIDE: "The low side evaporates outside the usual range; read it with the high side, superheat and airflow before "
                                "drawing a conclusion.",
               Outcome.CANNOT_TELL: "The low side is too near the edge of the usual range for this gauge to tell."}[outcome]
    return inputs.finding(check, title, expected=expected, measured=f"{w.temperature(found.celsius)} from {w.pressure(found.gauge)}",
                          uncertainty=f"{w.difference_limit(found.limit_c)} from gauge {w.pressure_limit(found.gauge_limit_kpa)} and weather",
                          outcome=outcome, why=why, source=_SOURCE)


def _condensing(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "condensing", "Condensing saturation temperature against air"
    air = inputs.air("condenser_air_in", "ambient")
    expected = f"{w.difference_range(*CONDENSING_ABOVE_AIR_C)} above the air entering the condenser"
    try:
        found = saturation_at(inputs, "high_side", Quality.BUBBLE)
    except NoSaturation as problem:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE, why=f"{problem}.")
    if found is None or air is None:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    low, high = CONDENSING_ABOVE_AIR_C
    above, limit = found.celsius - air[0], found.limit_c + air[1]
    outcome = judge(above, limit, low, high)
    thumb = None
    if inputs.refrigerant() == "R-134a" and air[2] == "ambient":
        ambient_f = Temperature(air[0]).fahrenheit
        ends = [f * ambient_f for f in HIGH_PSI_PER_AMBIENT_F]
        expected += f"; rule of thumb {ends[0]:.0f} to {ends[1]:.0f} psi"
        thumb = judge(found.gauge.psi, GaugePressure(found.gauge_limit_kpa).psi + HIGH_PSI_PER_AMBIENT_F[1] * air[1] * 9 / 5, *ends)
    if thumb is Outcome.WITHIN and outcome is not Outcome.WITHIN:
        outcome = Outcome.CANNOT_TELL
        why = "The rule of thumb for the high side fits but the temperature difference does not: judge it with airflow and subcooling."
    elif outcome is Outcome.WITHIN:
        why = "The high side condenses at the usual distance above the air, which alone does not prove the charge."
        if thumb is Outcome.OUTSIDE:
            why = "The high side condenses at the usual distance above the air, though the rule of thumb would expect another pressure."
    elif outcome is Outcome.CANNOT_TELL:
        why = "The high side is too near the edge of the usual range for these instruments to tell."
    elif above > high:
        why = ("The high side condenses far above the air, which points to poor condenser airflow, overcharge, air in the system or a hot "
               "engine; subcooling and the static check help to separate them.")
    else:
        why = ("The high side condenses close to the air temperature, which points to low charge, a compressor that does not pump or an "
               "expansion device stuck open; read it with the low side.")
    return inputs.finding(
        check, title, expected=expected,
        measured=f"{w.difference(above)} above {w.temperature(air[0])}: condensing at {w.temperature(found.celsius)} from {w.pressure(found.gauge)}",
        uncertainty=f"{w.difference_limit(limit)} from gauge {w.pressure_limit(found.gauge_limit_kpa)}, weather and air ±{air[1]:.0f} °C",
        outcome=outcome, why=why, source=_SOURCE)


def _ratio(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    check, title = "compression_ratio", "Compression ratio"
    low, high = inputs.pressure("low_side"), inputs.pressure("high_side")
    lowest, highest = COMPRESSION_RATIO
    expected = f"{lowest:.0f} to {highest:.0f} (absolute pressures)"
    source = w.COMMON_PRACTICE
    if low and high and (low[1] is None or high[1] is None):
        inputs.lacks("a reading on the graded part of both gauges")
    if low is None or high is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=source)
    ambient = inputs.ambient_pressure()
    under, over = low[0].absolute(ambient).kpa, high[0].absolute(ambient).kpa
    if under <= 0:
        return inputs.cannot_tell(check, title, expected=expected, source=source,
                                  why="The low side reads a deeper vacuum than the air allows; check the gauge's zero and read it again.")
    ratio = over / under
    limit = ratio * ((low[1] + WEATHER_LIMIT_KPA) / under + (high[1] + WEATHER_LIMIT_KPA) / over)
    outcome = judge(ratio, limit, lowest, highest)
    if abs(over - under) <= low[1] + high[1]:
        outcome = Outcome.OUTSIDE
        why = ("Low and high side are equal while running, so the clutch may not be engaged or the compressor may not pump: go to the "
               "electrical chain first.")
    elif outcome is Outcome.WITHIN:
        why = "The compressor builds a usual pressure ratio."
    elif outcome is Outcome.CANNOT_TELL:
        why = "The ratio is too near the edge of the usual range for these gauges to tell."
    elif ratio < lowest:
        why = ("The pressure ratio is low, which points to a compressor that does not pump fully, an expansion device stuck open or a light "
               "load; a compressor is not condemned on this alone.")
    else:
        why = "The pressure ratio is high, which points to a restriction, low charge or poor condenser airflow; read both sides together."
    return inputs.finding(check, title, expected=expected, measured=f"{ratio:.1f} from {w.pressure(low[0])} and {w.pressure(high[0])}",
                          uncertainty=f"±{limit:.1f} from both gauges and weather", outcome=outcome, why=why, source=source)
