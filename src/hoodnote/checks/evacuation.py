"""Vacuum: pumping time, depth reached, water, and the hold test's shape."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from hoodnote.checks import wording as w
from hoodnote.checks.equipment import THERMOMETER_LIMIT_C
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, judge
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View
from hoodnote.physics.atmosphere import WEATHER_LIMIT_KPA, micron_of, water_saturation_pressure
from hoodnote.physics.errors import OutOfRange
from hoodnote.physics.gauge import COMPOUND_VACUUM_LIMIT_KPA, ELECTRONIC_VACUUM_FRACTION, vacuum_depth_absolute
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.statements.model import Step
from hoodnote.units import AbsolutePressure, Temperature, from_si

# Common practice, no source.
PUMP_MINUTES = 30.0
DEPTH_MICRON = 500.0
FLAT_RISE_MICRON = 100.0        # a tight dry system still rises this much as it settles
_WATER = "water saturation: IAPWS-95 computed with CoolProp"


class Shape(StrEnum):
    FLAT = "flat"
    LEVELLING = "levelling off"
    RISING = "rising steadily"
    UNCLEAR = "unclear"


@dataclass(frozen=True)
class HoldPoint:
    minute: float
    micron: float


def hold_shape(points: list[HoldPoint]) -> Shape:
    """Shape of a rise with the pump valved off, from points in order of time.

    Compares the mean slope of the first and last interval pairs: a leak keeps its slope, moisture loses it as the
    pressure nears the water vapour's. Each reading may be off by a tenth in scale, which is the same for all readings of
    one gauge and leaves the shape alone. Fewer than three points, or slopes in between, are unclear.
    """
    if len(points) < 3 or points[-1].minute <= points[0].minute:
        return Shape.UNCLEAR
    rise = points[-1].micron - points[0].micron
    if abs(rise) <= max(FLAT_RISE_MICRON, ELECTRONIC_VACUUM_FRACTION * points[0].micron):
        return Shape.FLAT
    if rise < 0:
        return Shape.UNCLEAR
    middle = min(range(1, len(points) - 1), key=lambda i: abs(points[i].minute - (points[0].minute + points[-1].minute) / 2))
    early, late = _slope(points[0], points[middle]), _slope(points[middle], points[-1])
    if early <= 0:
        return Shape.UNCLEAR
    if late <= 0.4 * early:
        return Shape.LEVELLING
    return Shape.RISING if late >= 0.75 * early else Shape.UNCLEAR


def _slope(a: HoldPoint, b: HoldPoint) -> float:
    return (b.micron - a.micron) / (b.minute - a.minute)


def check(view: View) -> Iterator[Finding]:
    spoken = view.touched("pump_time", "vacuum") or bool(view.did("pump_on", "pump_off", "hold_started", "hold_finished"))
    if not spoken and not _low_side_vacuums(view):
        return
    if view.touched("pump_time") or view.did("pump_off"):
        yield _pump_time(view)
    yield from _depth(view)
    yield from _hold(view)


def _pump_time(view: View) -> Finding:
    inputs = Inputs(view)
    live = inputs.figure("pump_time")
    expected = f"{PUMP_MINUTES:.0f} min or more"
    if live is None or not inputs.complete:
        return inputs.cannot_tell("pump_time", "Vacuum pump running time", expected=expected, source=w.COMMON_PRACTICE)
    minutes = si(live)
    enough = minutes >= PUMP_MINUTES
    return inputs.finding("pump_time", "Vacuum pump running time", expected=expected, measured=f"{minutes:g} min", uncertainty="as stated",
                          outcome=Outcome.WITHIN if enough else Outcome.OUTSIDE, source=w.COMMON_PRACTICE,
                          why="The pump ran for the usual time; only depth and hold show dryness." if enough else
                          "The pump ran shorter than usual, which may leave moisture behind; depth and hold decide.")


def _during_hold(view: View) -> dict[int | None, bool]:
    """Entry id -> was the pump valved off when it was said?"""
    holding, out = False, {}
    for x in view.usable.live:
        s = x.entry.statement
        if isinstance(s, Step):
            if s.action in ("hold_started", "pump_off"):
                holding = True
            elif s.action in ("pump_on", "hold_finished", "charging_started", "system_closed"):
                holding = False
        out[x.entry.id] = holding
    return out


def _low_side_vacuums(view: View) -> list[Live]:
    """Low-side readings in vacuum taken during the work, that is with the pump, not with a running compressor."""
    return [x for x in view.readings("low_side", stage=Stage.DURING) if x.entry.statement.unit == "inHg" and x.engine != "running"]


def _vacuum_doubts(view: View, inputs: Inputs, after: int | None = None) -> None:
    for doubt in view.doubts:
        if "vacuum" in doubt.keys and (after is None or doubt.order > after):
            inputs.lacks(f"{doubt.text} {NOT_CONFIRMED}")


def _depth(view: View) -> Iterator[Finding]:
    inputs = Inputs(view)
    title, expected = "Vacuum reached", f"{DEPTH_MICRON:.0f} micron or less on an electronic vacuum gauge"
    holding = _during_hold(view)
    readings = [*view.readings("vacuum"), *_low_side_vacuums(view)]
    pumped = [x for x in readings if x.entry.statement.unit == "micron" and not holding[x.entry.id]]
    dial = [x for x in readings if x.entry.statement.unit == "inHg"]
    _vacuum_doubts(view, inputs)
    if not pumped:
        held = [x for x in readings if x.entry.statement.unit == "micron"]
        pumped = held[:1]           # the first reading of the hold is the depth the pump left behind
    if pumped:
        last = pumped[-1]
        inputs.basis.append(last.entry.id)
        micron = micron_of(AbsolutePressure(si(last)))
        limit = ELECTRONIC_VACUUM_FRACTION * micron
        outcome = judge(micron, limit, 0.0, DEPTH_MICRON)
        yield inputs.finding("vacuum_depth", title, expected=expected, measured=w.microns(micron),
                             uncertainty=f"±{w.microns(limit)}, electronic gauge", outcome=outcome, source=w.COMMON_PRACTICE,
                             why={Outcome.WITHIN: "The depth commonly asked for was reached; the hold test shows whether it stays.",
                                  Outcome.OUTSIDE: "The depth commonly asked for was not reached, which points to a leak, moisture, or the pump and its "
                                                   "oil.",
                                  Outcome.CANNOT_TELL: "The depth is too near the usual limit for the gauge to tell."}[outcome])
        yield from _boiling(view, AbsolutePressure(si(last)), limit / micron * si(last) if micron else 0.0, last)
    elif dial:
        last = dial[-1]
        inputs.basis.append(last.entry.id)
        inputs.lacks("a reading in microns from an electronic vacuum gauge")
        inputs.notes.append(f"±1 inHg is about ±{w.microns(micron_of(AbsolutePressure(COMPOUND_VACUUM_LIMIT_KPA)))}")
        yield inputs.cannot_tell("vacuum_depth", title, expected=expected, measured=f"{from_si(si(last), 'inHg'):g} inHg of vacuum",
                                 source=w.COMMON_PRACTICE,
                                 why="A compound gauge reads vacuum to about one inch of mercury, which cannot prove dryness.")
        absolute = vacuum_depth_absolute(from_si(si(last), "inHg"), inputs.ambient_pressure())
        yield from _boiling(view, absolute, COMPOUND_VACUUM_LIMIT_KPA + WEATHER_LIMIT_KPA, last)
    else:
        inputs.lacks("vacuum reached, in microns")
        yield inputs.cannot_tell("vacuum_depth", title, expected=expected, source=w.COMMON_PRACTICE)


def _boiling(view: View, absolute: AbsolutePressure, limit_kpa: float, live: Live) -> Iterator[Finding]:
    inputs = Inputs(view)
    _vacuum_doubts(view, inputs)
    air = inputs.condition("ambient", required=False)
    inputs.basis.append(live.entry.id)
    if live.entry.statement.unit == "inHg":
        inputs.ambient_pressure()
    name, title = "water_boiling", "Water boils at this vacuum"
    if air is None:
        if not inputs.complete:
            yield inputs.cannot_tell(name, title, expected="below water's saturation pressure", source=_WATER)
        return
    celsius = si(air)
    try:
        least, boils, most = (water_saturation_pressure(Temperature(celsius + d)).kpa for d in (-THERMOMETER_LIMIT_C, 0.0, THERMOMETER_LIMIT_C))
    except OutOfRange as problem:
        yield inputs.cannot_tell(name, title, expected="below water's saturation pressure", source=_WATER, why=f"{problem}.")
        return
    outcome = (Outcome.WITHIN if absolute.kpa + limit_kpa < least else
               Outcome.OUTSIDE if absolute.kpa - limit_kpa > most else Outcome.CANNOT_TELL)
    yield inputs.finding(
        name, title, expected=f"below {w.microns(micron_of(AbsolutePressure(boils)))}, where water boils at {w.temperature(celsius)}",
        measured=w.microns(max(0.0, micron_of(absolute))),
        uncertainty=f"±{w.microns(micron_of(AbsolutePressure(limit_kpa)))}, air ±{THERMOMETER_LIMIT_C:.0f} °C",
        outcome=outcome, source=_WATER,
        why={Outcome.WITHIN: "Water boils off at this vacuum as long as the system is about as warm as the air.",
             Outcome.OUTSIDE: "Water does not boil at this vacuum, so pumping on does not dry the system yet.",
             Outcome.CANNOT_TELL: "This gauge cannot show whether water boils at this vacuum."}[outcome])


def _hold(view: View) -> Iterator[Finding]:
    holding = _during_hold(view)
    started = view.did("hold_started")
    timed = [x for x in view.readings("vacuum")
             if x.entry.statement.unit == "micron" and x.entry.statement.at_minute is not None
             and (holding[x.entry.id] or started is None)]
    dial = [x for x in (*view.readings("vacuum"), *_low_side_vacuums(view)) if x.entry.statement.unit == "inHg" and holding[x.entry.id]]
    if not (timed or dial or started or view.did("hold_finished") or view.touched("hold_time")):
        return
    inputs = Inputs(view)
    _vacuum_doubts(view, inputs)
    title, expected = "Vacuum hold test", "no steady rise with the pump valved off"
    latest = {float(x.entry.statement.at_minute): x for x in timed}
    points = [HoldPoint(m, micron_of(AbsolutePressure(si(x)))) for m, x in sorted(latest.items())]
    inputs.basis += [x.entry.id for x in latest.values()]
    measured = ", ".join(f"{p.minute:g} min {w.microns(p.micron)}" for p in points)
    if len(points) < 3 or not inputs.complete:
        if len(points) < 3:
            inputs.lacks("three or more readings in microns with their minutes")
        inputs.basis += [x.entry.id for x in dial]
        yield inputs.cannot_tell("vacuum_hold", title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                 why="A compound gauge or fewer than three timed readings do not show whether the vacuum holds, levels off or "
                                     "keeps rising." if inputs.complete or len(points) < 3 else "")
        return
    shape = hold_shape(points)
    outcome = {Shape.FLAT: Outcome.WITHIN, Shape.UNCLEAR: Outcome.CANNOT_TELL}.get(shape, Outcome.OUTSIDE)
    why = {Shape.FLAT: "The vacuum holds, which supports a tight and dry system.",
           Shape.LEVELLING: "The rise levels off, which points to moisture still boiling off: keep pumping and test again.",
           Shape.RISING: "The rise goes on without levelling, which points to a leak: find it before charging.",
           Shape.UNCLEAR: "The readings do not show one shape clearly: hold longer and read more often."}[shape]
    yield inputs.finding("vacuum_hold", title, expected=expected, measured=f"{measured}: {shape}",
                         uncertainty=f"gauge ±{ELECTRONIC_VACUUM_FRACTION:.0%}, the same for all readings", outcome=outcome, why=why,
                         source=w.COMMON_PRACTICE)

