"""Vacuum: pumping time, depth reached, water, and the hold test's shape."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import log

from hoodnote.checks import wording as w
from hoodnote.checks.hold import NOISE_FRACTION, SURE, Fit, HoldFit, HoldPoint, Shape, fit_hold, hold_shape, pump_down
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, weigh
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View
from hoodnote.physics.atmosphere import WEATHER_LIMIT_KPA, micron_of, water_saturation_pressure
from hoodnote.physics.errors import OutOfRange
from hoodnote.physics.gauge import COMPOUND_VACUUM_LIMIT_KPA, ELECTRONIC_VACUUM_FRACTION, vacuum_depth_absolute
from hoodnote.physics.uncertain import COVERAGE, expanded
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.statements.model import Step
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import AbsolutePressure, Temperature, from_si, to_si

__all__ = ["HoldPoint", "HoldTest", "Shape", "check", "hold_shape", "hold_tests"]

# Common practice, no source.
PUMP_MINUTES = 30.0
DEPTH_MICRON = 500.0
DRY_MICRON = 1000.0             # a vacuum that stands still above this may stand on boiling water
_WATER = "water saturation: IAPWS-95 computed with CoolProp"
_STATES = {"hold_started": "hold", "pump_off": "hold", "pump_on": "pump", "hold_finished": "", "charging_started": "", "system_closed": ""}
# Parts whose temperature decides whether water in them boils.
_PARTS = ("accumulator", "evaporator_inlet", "evaporator_outlet", "condenser_outlet")


@dataclass(frozen=True)
class HoldTest:
    """Timed readings with the pump valved off, in micron, and what was fitted to them."""

    points: tuple[HoldPoint, ...]
    fit: HoldFit | None              # None: fewer than three readings
    basis: tuple[int, ...]           # entry ids
    began: int                       # position in the record from which,
    until: int                       # and up to which, what is said belongs to this hold
    stated: bool                     # was its beginning stated?


def hold_tests(view: View) -> tuple[HoldTest, ...]:
    """Every hold of the job, in order, from usable readings only. Those without a stated beginning count where nothing speaks
    against it: the words "hold test at five minutes" need none."""
    groups: dict[int, list[Live]] = {}
    phases = _phases(view)
    starts = sorted({began for state, began in phases.values() if state == "hold"})
    for x in view.readings("vacuum"):
        state, began = phases[x.entry.id]
        if state == "hold" or (state is None and not starts):
            groups.setdefault(began, []).append(x)
    tests = []
    for began in starts or list(groups):
        timed = {float(x.entry.statement.at_minute): x for x in groups.get(began, ())
                 if x.entry.statement.unit == "micron" and x.entry.statement.at_minute is not None}
        points = tuple(HoldPoint(minute, micron_of(AbsolutePressure(si(x)))) for minute, x in sorted(timed.items()))
        if not points and not (starts and began == starts[-1]):
            continue
        until = min((view.order(x) for x in view.usable.live if view.order(x) > began and _ends(x)), default=len(view.timeline.live))
        tests.append(HoldTest(points, fit_hold(points), tuple(x.entry.id for x in timed.values()), began, until, began in starts))
    return tuple(tests)


def check(view: View) -> Iterator[Finding]:
    spoken = view.touched("pump_time", "vacuum", "hold_time") or bool(view.did("pump_on", "pump_off", "hold_started", "hold_finished"))
    if not spoken and not _low_side_vacuums(view):
        return
    if view.touched("pump_time") or view.did("pump_off"):
        yield _pump_time(view)
    yield from _depth(view)
    yield from _holds(view)


def _ends(live: Live) -> bool:
    s = live.entry.statement
    return isinstance(s, Step) and _STATES.get(s.action, "hold") != "hold"


def _phases(view: View) -> dict[int | None, tuple[str | None, int]]:
    """Entry id -> "pump", "hold", "" or None (nothing said yet), and the position in the record where that began."""
    state, began, out = None, 0, {}
    for x in view.usable.live:
        s = x.entry.statement
        if isinstance(s, Step) and s.action in _STATES and _STATES[s.action] != state:
            state, began = _STATES[s.action], view.order(x)
        out[x.entry.id] = (state, began)
    return out


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
                          f"The pump ran {PUMP_MINUTES - minutes:g} min shorter than usual, which may leave moisture behind; depth and hold decide.")


def _low_side_vacuums(view: View) -> list[Live]:
    """Low-side readings in vacuum taken during the work, that is with the pump, not with a running compressor."""
    return [x for x in view.readings("low_side", stage=Stage.DURING) if x.entry.statement.unit == "inHg" and x.engine != "running"]


def _vacuum_doubts(view: View, inputs: Inputs, since: int = 0, until: int | None = None) -> None:
    for doubt in view.doubts:
        if doubt.keys & {"vacuum", *_STATES} and since <= doubt.order and (until is None or doubt.order <= until):
            inputs.lacks(f"{doubt.text} {NOT_CONFIRMED}")


def _depth(view: View) -> Iterator[Finding]:
    inputs = Inputs(view)
    title, expected = "Vacuum reached", f"{DEPTH_MICRON:.0f} micron or less on an electronic vacuum gauge"
    phases = _phases(view)
    readings = [*view.readings("vacuum"), *_low_side_vacuums(view)]
    electronic = [x for x in readings if x.entry.statement.unit == "micron"]
    dial = [x for x in readings if x.entry.statement.unit == "inHg"]
    _vacuum_doubts(view, inputs)
    # without a reading beside the pump, the first of the hold is the depth the pump left behind
    pumped = [x for x in electronic if phases[x.entry.id][0] != "hold"] or electronic[:1]
    if pumped:
        last = pumped[-1]
        inputs.basis.append(last.entry.id)
        micron = micron_of(AbsolutePressure(si(last)))
        depth = view.errors.figure(micron, ELECTRONIC_VACUUM_FRACTION * micron, ("vacuum gauge", "electronic"))
        outcome, margin_sd = weigh(depth, 0.0, DEPTH_MICRON)
        why = {Outcome.WITHIN: "The depth commonly asked for was reached; the hold test shows whether it stays.",
               Outcome.OUTSIDE: "The depth commonly asked for was not reached, which points to a leak, moisture, or the pump and its oil.",
               Outcome.CANNOT_TELL: "The depth is too near the usual limit for the gauge to tell."}[outcome]
        if outcome is not Outcome.WITHIN:
            why += _going_on([x for x in pumped if phases[x.entry.id][0] == "pump"])
        yield inputs.finding("vacuum_depth", title, expected=expected, measured=w.microns(micron), outcome=outcome, margin_sd=margin_sd,
                             uncertainty=f"±{w.microns(expanded(depth))} (k = 2), electronic gauge", source=w.COMMON_PRACTICE, why=why)
        yield from _boiling(view, AbsolutePressure(si(last)), ELECTRONIC_VACUUM_FRACTION * si(last), last)
    elif dial:
        last = dial[-1]
        inputs.basis.append(last.entry.id)
        inputs.lacks("a reading in microns from an electronic vacuum gauge")
        inputs.notes.append(f"±1 inHg is about ±{w.microns(micron_of(AbsolutePressure(COMPOUND_VACUUM_LIMIT_KPA)))}")
        station = inputs.ambient_pressure()
        inputs.notes.append(f"a full vacuum would read {from_si(station.kpa, 'inHg'):.1f} inHg")
        yield inputs.cannot_tell("vacuum_depth", title, expected=expected, measured=f"{from_si(si(last), 'inHg'):g} inHg of vacuum",
                                 source=w.COMMON_PRACTICE,
                                 why="A compound gauge reads vacuum to about one inch of mercury, which cannot prove dryness.")
        absolute = vacuum_depth_absolute(from_si(si(last), "inHg"), station)
        yield from _boiling(view, absolute, COMPOUND_VACUUM_LIMIT_KPA + WEATHER_LIMIT_KPA, last)
    else:
        inputs.lacks("vacuum reached, in microns")
        yield inputs.cannot_tell("vacuum_depth", title, expected=expected, source=w.COMMON_PRACTICE)


def _going_on(pumping: list[Live]) -> str:
    """How long to go on, where timed readings with the pump on show where the pressure goes: one more than the curve has unknowns."""
    timed = {float(x.entry.statement.at_minute): micron_of(AbsolutePressure(si(x))) for x in pumping
             if x.entry.statement.unit == "micron" and x.entry.statement.at_minute is not None}
    points = tuple(HoldPoint(minute, micron) for minute, micron in sorted(timed.items()))
    fall = pump_down(points) if len(points) >= 4 else None
    if fall is None or fall.level is None or fall.tau is None:
        return ""
    if fall.level >= DEPTH_MICRON:
        if fall.shape is not Shape.LEVELLING:
            return ""
        return (f" Along the readings so far it levels off at about {w.microns(round(fall.level, -1))}, so pumping on alone is not likely to reach it: "
                "look for a leak, moisture or tired pump oil.")
    more = fall.begins + fall.tau * log((fall.start - fall.level) / (DEPTH_MICRON - fall.level)) - points[-1].minute
    return f" Along the readings so far it is reached after about {max(1.0, more):.0f} min more." if more > 0 else ""


def _part_temperature(inputs: Inputs) -> tuple[float, str] | None:
    """The coldest part read during the work with the engine off, else the air: water stays longest where it is cold."""
    inputs.stage = Stage.DURING
    parts = [(si(live), place) for place in _PARTS
             if (live := inputs.figure(place, required=False)) is not None and live.engine != "running"]
    inputs.stage = None
    air = inputs.condition("ambient", required=False)
    if air is not None:
        parts.append((si(air), "ambient"))
    return min(parts, default=None)


def _boiling(view: View, absolute: AbsolutePressure, limit_kpa: float, live: Live) -> Iterator[Finding]:
    inputs = Inputs(view)
    _vacuum_doubts(view, inputs)
    part = _part_temperature(inputs)
    inputs.basis.append(live.entry.id)
    kind = "compound" if live.entry.statement.unit == "inHg" else "electronic"
    if kind == "compound":
        inputs.ambient_pressure()
    name, title = "water_boiling", "Water boils at this vacuum"
    if part is None:
        if not inputs.complete:
            yield inputs.cannot_tell(name, title, expected="below water's saturation pressure", source=_WATER)
        return
    celsius, place = part
    limit_c = view.equipment.thermometer_limit_c
    try:
        boils, above = (water_saturation_pressure(Temperature(celsius + d)).kpa for d in (0.0, limit_c))
    except OutOfRange as problem:
        yield inputs.cannot_tell(name, title, expected="below water's saturation pressure", source=_WATER, why=f"{problem}.")
        return
    # the curve is convex: the secant upward is steeper than the curve below, so the limit errs on the wide side
    edge = view.errors.figure(boils, above - boils, ("thermometer", "water"))
    figure = view.errors.figure(absolute.kpa, limit_kpa, ("vacuum gauge", kind))
    outcome, margin_sd = weigh(figure, float("-inf"), edge)
    if outcome is Outcome.WITHIN and margin_sd is not None and margin_sd < COVERAGE:
        outcome = Outcome.CANNOT_TELL        # dryness is claimed only where the gauge's error leaves no doubt
    yield inputs.finding(
        name, title, expected=f"below {w.microns(micron_of(AbsolutePressure(boils)))}, where water boils at {w.temperature(celsius)}",
        measured=w.microns(max(0.0, micron_of(absolute))), margin_sd=margin_sd, outcome=outcome, source=_WATER,
        uncertainty=f"±{w.microns(micron_of(AbsolutePressure(expanded(figure))))} (k = 2), {PLACES[place].name} {w.difference_limit(limit_c)}",
        why={Outcome.WITHIN: "Water boils off at this vacuum as long as the system is about as warm as that.",
             Outcome.OUTSIDE: "Water does not boil at this vacuum, so pumping on does not dry the system yet.",
             Outcome.CANNOT_TELL: "This gauge cannot show whether water boils at this vacuum."}[outcome])


def _holds(view: View) -> Iterator[Finding]:
    tests = hold_tests(view)
    phases = _phases(view)
    dial = [x for x in (*view.readings("vacuum"), *_low_side_vacuums(view))
            if x.entry.statement.unit == "inHg" and phases[x.entry.id][0] == "hold"]
    timed = [t for t in tests if t.points]
    if not (timed or dial or view.did("hold_started", "hold_finished") or view.touched("hold_time")):
        return
    for number, test in enumerate(tests, 1):
        yield _hold(view, test, f" {number} of {len(tests)}" if len(tests) > 1 else "", dial)
    if not tests:
        yield _hold(view, HoldTest((), None, (), 0, len(view.timeline.live), False), "", dial)


def _hold(view: View, test: HoldTest, number: str, dial: list[Live]) -> Finding:
    inputs = Inputs(view)
    _vacuum_doubts(view, inputs, test.began, test.until)
    name, title, expected = "vacuum_hold", f"Vacuum hold test{number}", "no steady rise with the pump valved off"
    inputs.basis += test.basis
    measured = ", ".join(f"{p.minute:g} min {w.microns(p.micron)}" for p in test.points)
    fit = test.fit
    if fit is None or not inputs.complete:
        if fit is None:
            inputs.lacks("three or more readings in microns with their minutes")
        inputs.basis += [x.entry.id for x in dial]
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                  why="A compound gauge or fewer than three timed readings do not show whether the vacuum holds, levels off or "
                                      "keeps rising." if fit is None else "")
    shape = fit.shape
    measured = f"{measured}: {shape}"
    inputs.notes.append(f"gauge ±{ELECTRONIC_VACUUM_FRACTION:.0%}, the same for all readings, and {NOISE_FRACTION:.0%} from reading to reading")
    if shape is Shape.FLAT and fit.points[-1].micron > DRY_MICRON:
        inputs.lacks(f"a hold from below {w.microns(DRY_MICRON)}")
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                  why="The vacuum stands still, but not deep enough to tell a dry system from water that goes on boiling: pump deeper "
                                      "and hold again.")
    if shape is Shape.LEVELLING and (fit.best.level or 0.0) <= DRY_MICRON:
        inputs.lacks("a longer hold after more pumping")
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE,
                                  why=f"{_likely(fit)} The rise levels off{_level(inputs, fit.best)}, which gas leaving the oil does as well as the last of "
                                      "the moisture: pump on and hold again.")
    if shape in (Shape.UNCLEAR, Shape.SLOWING):
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=w.COMMON_PRACTICE, why=_unclear(fit))
    why = {Shape.FLAT: f"The vacuum holds, which supports a tight and dry system; a leak slower than {fit.settled_rise / fit.minutes:.0f} micron/min "
                       "would not show in this time.",
           Shape.LEVELLING: f"{_likely(fit)} The rise levels off, which points to moisture still boiling off{_level(inputs, fit.best)}: keep pumping and "
                            "test again.",
           Shape.RISING: f"{_likely(fit)} The rise goes on without levelling, which points to a leak{_rate(fit)}: find it before charging."}[shape]
    return inputs.finding(name, title, expected=expected, measured=measured, uncertainty="",
                          outcome=Outcome.WITHIN if shape is Shape.FLAT else Outcome.OUTSIDE, why=why, source=w.COMMON_PRACTICE)


def _likely(fit: HoldFit) -> str:
    others = ", ".join(f"{f.shape} {_percent(f.weight)}" for f in fit.fits[1:] if f.weight >= 0.005)
    return f"Of the shapes compared this one fits best, with {_percent(fit.best.weight)} of the weight{f' ({others})' if others else ''}."


def _percent(weight: float) -> str:
    return "over 99 %" if weight > 0.99 else f"{weight * 100:.0f} %"


def _unclear(fit: HoldFit) -> str:
    if fit.scatters:
        return "The readings scatter more than the gauge does, so none of the shapes fits: read again at steady times."
    if fit.falls:
        return "The pressure falls with the pump valved off, which cannot be: was the pump valved off, and had the gauge settled?"
    more = f"hold longer, with a reading at {fit.next_minute:.0f} min"
    if fit.shape is Shape.SLOWING:
        return f"The rise slows but has not levelled, which may become moisture or a leak with moisture: {more}."
    told = " or ".join(f"{f.shape} ({_percent(f.weight)})" for f in fit.fits if f.weight >= 1 - SURE)
    return f"The readings do not show one shape clearly, {told}: {more}."


def _level(inputs: Inputs, fit: Fit) -> str:
    """Where it levels, against what water reaches at the part's temperature."""
    text = f" (at about {w.microns(round(fit.level or 0.0, -1))}"
    part = _part_temperature(inputs)
    if part is None or part[0] <= 0 or fit.level is None:
        return text + ")"
    water = micron_of(water_saturation_pressure(Temperature(part[0])))
    share = fit.level / water
    if share > 1 + 2 * ELECTRONIC_VACUUM_FRACTION:
        return text + f", more than water reaches at {w.temperature(part[0])}, so refrigerant boiling out of the oil or another gas takes part)"
    return text + f", {share:.0%} of what water reaches at {w.temperature(part[0])})"


def _rate(fit: HoldFit) -> str:
    """The rise per minute is what leaks in, as pressure times volume, per volume of the system."""
    line = fit.of(Shape.RISING)
    if line is None:
        return ""
    pascal = to_si(line.slope, "micron") * 1000
    return f" of {line.slope:.0f} ± {fit.slope_limit:.0f} micron/min (k = 2), that is {pascal:.2g} Pa l/min for each litre of the system"
