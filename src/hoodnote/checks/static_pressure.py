"""Engine off, pressures equalised: the standing pressure against the saturation pressure at ambient temperature."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import OFF_SCALE, Air, Inputs, Pressure, weigh
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import Situation, View
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality
from hoodnote.physics.uncertain import expanded, nominal, saturation_pressure
from hoodnote.readings.facts import si
from hoodnote.units import GaugePressure

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

# After this long with the engine off, parts and air are taken to be of one temperature (common practice, no source).
SETTLED_MINUTES = 60.0
# Until then the hottest part may be this far above the air, and an evaporator that just ran as cold as this (common practice, no source).
HEAT_SOAK_C, COLD_EVAPORATOR_C = 25.0, 0.0
AGREE = "a low and a high side that agree with the engine off"

_TITLE = "Static pressure against ambient"
_SOURCE = f"{w.PROPERTIES}; gauge grade after ASME B40.100; uncertainty after JCGM 100"
_WHY = {
    "near": "Static pressure matches {r} at the air temperature, so some liquid is likely present, but the amount is unknown: "
            "a half-charged system reads the same as a full one.",
    "below": "Static pressure is clearly below {r} saturation, which points to no liquid left and a very low charge; it never says "
             "how much vapour is left, so find the leak and weigh what is recovered.",
    "above": "Static pressure is clearly above {r} saturation, which points to air or another gas, a wrong refrigerant, or parts hotter "
             "than the air: let it cool and settle and read again before deciding.",
    "above, settled": "Static pressure is clearly above {r} saturation after the system settled, which points to air or another gas or a wrong "
                      "refrigerant: an identifier tells them apart.",
    "soaked": "Static pressure is above {r} saturation at the air temperature, but the engine ran and hot parts can do that: let it settle for an "
              "hour and read again before thinking of air in the system.",
    "chilled": "Static pressure is below {r} saturation at the air temperature, but the engine ran and a cold evaporator can do that: let it settle "
               "for an hour and read again before thinking of a low charge.",
    "differ": "One gauge reads near {r} saturation and the other does not: find out which of them is right before drawing a conclusion.",
}


def check(view: View) -> Iterator[Finding]:
    for situation in view.situations("off"):
        if not situation.circuit_open:
            yield from _agreement(view, situation)
            yield _against_ambient(view, situation)


def _agreement(view: View, situation: Situation) -> Iterator[Finding]:
    inputs = Inputs(view, situation)
    low, high = inputs.pressure("low_side", required=False), inputs.pressure("high_side", required=False)
    if low is None or high is None:
        return
    title, expected = "Low and high side equalised", "low and high side equal within the gauges' error"
    measured = f"low side {w.pressure(low.gauge)}, high side {w.pressure(high.gauge)}"
    if low.above_air is None or high.above_air is None:
        inputs.lacks("a reading on the graded part of both gauges")
        yield inputs.cannot_tell("static_agreement", title, expected=expected, measured=measured, source="ASME B40.100")
        return
    difference = low.above_air - high.above_air
    outcome, margin_sd = _as_equal(difference)
    yield inputs.finding(
        "static_agreement", title, expected=expected, measured=measured, margin_sd=margin_sd,
        uncertainty=f"{w.pressure_limit(expanded(difference))} (k = 2), both gauges together", outcome=outcome,
        why="Both gauges read the same system pressure." if outcome is Outcome.WITHIN else
        "The gauges differ by more than their error with the engine off: give the pressures time to equalise, then suspect a valve, a hose, "
        "a coupler that is not seated, or a gauge.",
        source="gauge grade after ASME B40.100 (from memory); uncertainty after JCGM 100")


def _as_equal(difference: Uncertain) -> tuple[Outcome, float | None]:
    """Expected is a point, zero, so within means not distinguishable from it."""
    outcome, margin_sd = weigh(difference, 0.0, 0.0)
    return (Outcome.OUTSIDE if outcome is Outcome.OUTSIDE else Outcome.WITHIN), margin_sd


def _against_ambient(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    low, high = inputs.pressure("low_side", required=False), inputs.pressure("high_side", required=False)
    sides = {name: side for name, side in (("low side", low), ("high side", high)) if side is not None}
    air, refrigerant = inputs.air("ambient"), inputs.refrigerant()
    soaked = _may_be_soaked(inputs, view, situation)
    measured = ", ".join(f"{name} {w.pressure(side.gauge)}" for name, side in sides.items())
    graded = {name: side for name, side in sides.items() if side.absolute is not None}
    if sides and not graded:
        inputs.lacks(OFF_SCALE)
    expected = "saturation pressure at the air temperature"
    if not inputs.complete or air is None or refrigerant is None:
        return inputs.cannot_tell("static_pressure", _TITLE, expected=expected, measured=measured, source=_SOURCE)
    station = inputs.ambient_pressure()
    try:
        dew, bubble = (saturation_pressure(refrigerant, air.celsius, q) for q in (Quality.DEW, Quality.BUBBLE))
        state, margin_sd = _state(view, graded, air, refrigerant, dew, bubble, soaked)
    except NoSaturation as problem:
        return inputs.cannot_tell("static_pressure", _TITLE, expected=expected, measured=measured, source=_SOURCE, why=f"{problem}.")
    name, finer = _finer(graded)
    limit = expanded(finer.absolute - bubble)
    expected = (f"{w.pressure_range(GaugePressure(nominal(dew) - station.kpa - limit), GaugePressure(nominal(bubble) - station.kpa + limit))}: "
                f"{refrigerant} saturation at {w.temperature(nominal(air.celsius))} is {w.pressure(GaugePressure(nominal(bubble) - station.kpa))}")
    why = _WHY[state].format(r=refrigerant)
    if state == "near" and soaked:
        why = f"{why[:-1]}, and while parts are hotter than the air it can read so with less."
    if state in ("differ", "soaked", "chilled"):
        inputs.lacks(AGREE if state == "differ" else "a pressure read after an hour with the engine off")
        return inputs.cannot_tell("static_pressure", _TITLE, expected=expected, measured=measured, source=_SOURCE, why=why)
    return inputs.finding(
        "static_pressure", _TITLE, expected=expected, measured=measured, margin_sd=margin_sd,
        uncertainty=f"{w.pressure_limit(limit)} (k = 2): {name} gauge {w.pressure_limit(finer.limit_kpa)}, air temperature "
                    f"{w.difference_limit(expanded(air.celsius))}, which is {w.pressure_limit(expanded(bubble))}, and weather",
        outcome=Outcome.WITHIN if state == "near" else Outcome.OUTSIDE, why=why, source=_SOURCE)


def _may_be_soaked(inputs: Inputs, view: View, situation: Situation) -> bool | None:
    """Did the engine run, or stand for a stated time too short, so that parts may not have the air's temperature? None: nobody said."""
    settled = inputs.figure("settle_time", required=False)
    if settled is not None:
        minutes = si(settled)
        inputs.notes.append(f"engine off for {minutes:g} min")
        return minutes < SETTLED_MINUTES
    inputs.notes.append("time with engine off not stated")
    ran = any(view.situation(x).engine == "running" and view.situation(x).spell < situation.spell for x in view.usable.live)
    return True if ran else None


def _finer(graded: dict[str, Pressure]) -> tuple[str, Pressure]:
    return min(graded.items(), key=lambda side: side[1].limit_kpa)


def _state(view: View, graded: dict[str, Pressure], air: Air, refrigerant: str, dew: Uncertain, bubble: Uncertain,
           soaked: bool | None) -> tuple[str, float | None]:
    """Key of `_WHY`, and standard deviations from saturation, negative beyond it.

    Two gauges stand for one pressure, which may be either's: it counts as beyond only where the reading nearer to saturation is, with
    the finer gauge's error and their difference as one more (half of it either way, GUM 4.3.7). So neither a coarser gauge nor a
    gauge that is wrong makes anything clearer."""
    _, finer = _finer(graded)
    readings = [nominal(side.absolute) for side in graded.values()]
    spread = view.errors.figure(0.0, (max(readings) - min(readings)) / 2, "gauges that differ")
    highest, lowest = (finer.absolute + (edge(readings) - nominal(finer.absolute)) + spread for edge in (max, min))
    under, over = weigh(highest, dew, float("inf")), weigh(lowest, float("-inf"), bubble)
    if under.outcome is Outcome.OUTSIDE:
        coldest = air.celsius + min(0.0, COLD_EVAPORATOR_C - nominal(air.celsius))
        cold = soaked and weigh(highest, saturation_pressure(refrigerant, coldest, Quality.DEW), float("inf")).outcome is not Outcome.OUTSIDE
        return ("chilled" if cold else "below"), under.margin_sd
    if over.outcome is Outcome.OUTSIDE:
        hot = soaked and weigh(lowest, float("-inf"), _hottest(refrigerant, air)).outcome is not Outcome.OUTSIDE
        return ("soaked" if hot else "above, settled" if soaked is False else "above"), over.margin_sd
    own = weigh(finer.absolute, dew, bubble)
    apart = len(graded) == 2 and _as_equal(graded["low side"].above_air - graded["high side"].above_air)[0] is Outcome.OUTSIDE
    return ("differ" if apart or own.outcome is Outcome.OUTSIDE else "near"), own.margin_sd


def _hottest(refrigerant: str, air: Air) -> Uncertain | float:
    try:
        return saturation_pressure(refrigerant, air.celsius + HEAT_SOAK_C, Quality.BUBBLE)
    except NoSaturation:        # a hot part may be above the critical temperature: no pressure is too high for it
        return float("inf")
