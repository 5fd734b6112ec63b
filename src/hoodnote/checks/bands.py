"""Low side, high side and vent against what the cycle model expects at the stated conditions; the rule of thumb stands beside it.

Where a condition was not stated the band covers its whole usual range and says so: nothing is assumed in silence.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Air, Inputs, weigh
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import Situation, View
from hoodnote.physics.errors import OutOfRange
from hoodnote.physics.uncertain import expanded, nominal
from hoodnote.readings.facts import si
from hoodnote.units import GaugePressure, to_si

if TYPE_CHECKING:
    from hoodnote.physics.cycle import Conditions, Expected
    from hoodnote.physics.uncertain import Uncertain

# Taken as a range where not stated (common practice, no source).
HUMIDITY_UNSTATED = (0.20, 0.50, 0.80)
ENGINE_SPEED_UNSTATED = (800.0, 1500.0, 2000.0)
SETTLED_MINUTES = 3.0                        # the cycle has settled after this long (common practice, no source)
HIGH_PSI_PER_AMBIENT_F = (2.2, 2.5)          # rule of thumb, R-134a only (common practice, no source)
THUMB = "rule of thumb"

_SOURCE = f"steady-state model of the refrigerant cycle over usual vehicle sizes; {THUMB} {w.COMMON_PRACTICE}"
_STEP_C = 1.0                                # for how the band moves with the air
_SETTING = "cycle model: standing, doors open, blower high, full cold, settled"
# place, id, title, field of Expected
_CHECKS = (
    ("low_side", "expected_low", "Low side against the cycle model", "low_kpa"),
    ("high_side", "expected_high", "High side against the cycle model", "high_kpa"),
    ("vent", "expected_vent", "Vent air against the cycle model", "vent_c"),
)
_BELOW = {
    "low_side": "The low side is below what these conditions would give, which points to low charge, a restriction, an expansion device that opens "
                "too little or weak airflow over the evaporator.",
    "high_side": "The high side is below what these conditions would give, which points to low charge or a compressor that does not pump fully.",
    "vent": "The vent air is colder than these conditions would give: read it again, and the humidity and the air going in.",
}
_ABOVE = {
    "low_side": "The low side is above what these conditions would give, which points to a compressor that does not pump fully, an expansion "
                "device open too far or overcharge.",
    "high_side": "The high side is above what these conditions would give, which points to poor condenser airflow, overcharge, air in the system "
                 "or a hot engine; subcooling and the static check help to separate them.",
    "vent": "The vent air is warmer than these conditions would give; the pressures tell whether to look at the refrigerant circuit or at blend "
            "door, heater valve and airflow first.",
}


def check(view: View) -> Iterator[Finding]:
    places = tuple(place for place, *_ in _CHECKS)
    for situation in view.situations("running", places):
        if situation.circuit_open:
            continue
        spoken = view.spoken(situation, places)
        for place, *rest in _CHECKS:
            if place in spoken:
                yield _against_band(view, situation, place, *rest)


def rule_of_thumb(refrigerant: str | None, air: Air) -> tuple[Uncertain, Uncertain] | None:
    """High side in kPa by ambient temperature; None where the rule does not speak of it."""
    if refrigerant != "R-134a" or air.place != "ambient":
        return None
    low, high = (air.celsius * (factor * 9 / 5 * to_si(1.0, "psi")) + factor * 32 * to_si(1.0, "psi") for factor in HIGH_PSI_PER_AMBIENT_F)
    return low, high


@dataclass(frozen=True)
class _Band:
    """Edges with the error that the air's gives them, and the model's limits in words."""

    low: Uncertain
    high: Uncertain
    limits: tuple[str, ...]
    whole: bool                              # False: some of the conditions that may hold are beyond the table


def _against_band(view: View, situation: Situation, place: str, check: str, title: str, field: str) -> Finding:
    inputs = Inputs(view, situation)
    expected = "what the cycle model gives for these conditions"
    air, refrigerant = inputs.air("ambient"), inputs.refrigerant()
    clutch = inputs.clutch()
    run = inputs.figure("run_time", required=False)
    if run is not None and si(run) < SETTLED_MINUTES:
        inputs.lacks(f"readings after {SETTLED_MINUTES:.0f} minutes of running or more")
    value = inputs.temperature(place) if place == "vent" else _gauge(inputs, place)
    asked = _Asked.of(inputs, air) if air is not None else None
    if value is None or air is None or refrigerant is None or asked is None or not inputs.complete:
        return inputs.cannot_tell(check, title, expected=expected, source=_SOURCE)
    show, limit_text, range_text = _WORDS[place]
    measured = show(nominal(value))
    band = _band(refrigerant, asked, field, air)
    if band is None:
        inputs.lacks(f"the service manual's table for {refrigerant} at these conditions, which the cycle model does not cover")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=_SOURCE)
    expected = f"{range_text(nominal(band.low), nominal(band.high))} (cycle model at {w.temperature(nominal(air.celsius))})"
    thumb = rule_of_thumb(refrigerant, air) if place == "high_side" else None
    if thumb:
        expected += f"; {THUMB} {range_text(nominal(thumb[0]), nominal(thumb[1]))}"
    inputs.notes += asked.ranges
    inputs.notes += band.limits
    outcome, margin_sd = weigh(value, band.low, band.high)
    under = nominal(value) < nominal(band.low)
    if place == "low_side" and clutch == "clutch_cycling" and outcome is Outcome.OUTSIDE:
        inputs.lacks("the lowest and the highest low side of a clutch cycle")
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=_SOURCE,
                                  why="The clutch cycles, so one reading catches one moment of the swing: note the lowest and the highest low side.")
    why = {Outcome.WITHIN: "The reading lies in the band that a sound system of usual size would give, which alone proves neither charge nor parts.",
           Outcome.OUTSIDE: (_BELOW if under else _ABOVE)[place],
           Outcome.CANNOT_TELL: "The reading is too near the edge of the band for these instruments and conditions to tell."}[outcome]
    if outcome is Outcome.OUTSIDE and not band.whole:
        outcome = Outcome.CANNOT_TELL
        why = "The reading is beyond the computed band, but the band does not cover all that the conditions not stated may have been."
    if outcome is Outcome.CANNOT_TELL and asked.unstated:
        for condition in asked.unstated:
            inputs.lacks(condition)
        return inputs.cannot_tell(check, title, expected=expected, measured=measured, source=_SOURCE, why=why)
    return inputs.finding(check, title, expected=expected, measured=measured, outcome=outcome, why=why, source=_SOURCE, margin_sd=margin_sd,
                          uncertainty=f"{limit_text(expanded(value - (band.low if under else band.high)))} (k = 2) from instrument and air")


def _gauge(inputs: Inputs, place: str) -> Uncertain | None:
    """Gauge pressure with the station pressure's error too: the model's own pressures are absolute."""
    read = inputs.graded(place)
    return None if read is None else read.absolute - inputs.ambient_pressure().kpa


_PRESSURE_WORDS = (lambda kpa: w.pressure(GaugePressure(kpa)), w.pressure_limit, lambda a, b: w.pressure_range(GaugePressure(a), GaugePressure(b)))
_WORDS = {"low_side": _PRESSURE_WORDS, "high_side": _PRESSURE_WORDS, "vent": (w.temperature, w.difference_limit, w.temperature_range)}


@dataclass(frozen=True)
class _Asked:
    """The conditions of one situation: stated ones as one value, others as the values that span their usual range."""

    station_kpa: float
    humidity: tuple[float, ...]
    engine_rpm: tuple[float, ...]
    recirculation: tuple[bool, ...]
    device: str | None
    control: str | None
    unstated: tuple[str, ...]
    ranges: tuple[str, ...]                  # what was taken for each unstated one, for the note

    @classmethod
    def of(cls, inputs: Inputs, air: Air) -> _Asked:
        humidity = inputs.condition("humidity", required=False)
        speed = inputs.engine_speed()
        intake = inputs.state("recirculation_on", "fresh_air", lasting=True)
        device, control = inputs.fact("expansion_device", required=False), inputs.fact("compressor_control", required=False)
        unstated, ranges = [], []
        for held, name, taken in (
                (humidity, "relative humidity", f"{HUMIDITY_UNSTATED[0]:.0%} to {HUMIDITY_UNSTATED[-1]:.0%}"),
                (speed, "engine speed", f"{ENGINE_SPEED_UNSTATED[0]:.0f} to {ENGINE_SPEED_UNSTATED[-1]:.0f} rpm"),
                (intake, "recirculation or fresh air", "either"), (device, "expansion device", "either"), (control, "compressor control", "either")):
            if held is None:
                unstated.append(name)
                ranges.append(f"{name} not stated, {taken} taken")
        return cls(inputs.ambient_pressure().kpa, HUMIDITY_UNSTATED if humidity is None else (si(humidity) / 100,),
                   ENGINE_SPEED_UNSTATED if speed is None else (si(speed),),
                   (True, False) if intake is None else (intake == "recirculation_on",), device, control, tuple(unstated), tuple(ranges))

    def conditions(self, ambient_c: float) -> Iterator[Conditions]:
        from hoodnote.physics.cycle import Conditions

        for humidity, speed, recirculation in product(self.humidity, self.engine_rpm, self.recirculation):
            yield Conditions(ambient_c, humidity, self.station_kpa, speed, recirculation)


def _band(refrigerant: str, asked: _Asked, field: str, air: Air) -> _Band | None:
    """Least and greatest over the conditions asked for, at the air as read; None where the model's table covers none of them."""
    at = nominal(air.celsius)
    try:
        answers = {conditions: _answer(refrigerant, asked.device, asked.control, conditions) for conditions in asked.conditions(at)}
    except OutOfRange:
        return None
    ranges = {conditions: getattr(answer, field) for conditions, answer in answers.items() if answer is not None}
    if not ranges:
        return None
    lowest, highest = min(ranges, key=lambda c: ranges[c].low), max(ranges, key=lambda c: ranges[c].high)
    moved = air.celsius - at
    edges = [getattr(ranges[c], edge) + moved * _slope(refrigerant, asked, c, field, edge) for c, edge in ((lowest, "low"), (highest, "high"))]
    return _Band(*edges, common_limits([answers[conditions] for conditions in ranges]), len(ranges) == len(answers))


def common_limits(answers: list[Expected]) -> tuple[str, ...]:
    """What holds for a band over all of these, which differ in what was not stated."""
    first, *others = (a.limits for a in answers)
    return (*(text for text in first if all(text in other for other in others)), *([_SETTING] if others else []))


def _slope(refrigerant: str, asked: _Asked, conditions: Conditions, field: str, edge: str) -> float:
    """How an edge moves with the air, over a fixed step whatever the thermometer's error; one-sided where the table ends."""
    points = []
    for ambient in (conditions.ambient_c - _STEP_C, conditions.ambient_c, conditions.ambient_c + _STEP_C):
        try:
            answer = _answer(refrigerant, asked.device, asked.control, replace(conditions, ambient_c=ambient))
        except OutOfRange:
            continue
        if answer is not None:
            points.append((ambient, getattr(getattr(answer, field), edge)))
    (first, start), (last, end) = points[0], points[-1]
    return (end - start) / (last - first) if last > first else 0.0


@lru_cache(maxsize=4096)
def _answer(refrigerant: str, device: str | None, control: str | None, conditions: Conditions) -> Expected | None:
    from hoodnote.physics import cycle

    return cycle.expected(refrigerant, device, control, conditions)
