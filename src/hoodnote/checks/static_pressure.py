"""Engine off, pressures equalised: the standing pressure against the saturation pressure at ambient temperature."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Inputs
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import Situation, View
from hoodnote.physics.atmosphere import WEATHER_LIMIT_KPA
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality, saturation_pressure, saturation_slope
from hoodnote.units import GaugePressure, Temperature

_TITLE = "Static pressure against ambient"
_SOURCE = f"{w.PROPERTIES}; gauge grade after ASME B40.100"
_WHY = {
    "near": "Static pressure matches {r} at the air temperature, so some liquid is likely present, but the amount is unknown: "
            "a half-charged system reads the same as a full one.",
    "below": "Static pressure is clearly below {r} saturation, which points to no liquid left and a very low charge; it never says "
             "how much vapour is left, so find the leak and weigh what is recovered.",
    "above": "Static pressure is clearly above {r} saturation, which points to air or another gas, a wrong refrigerant, or parts hotter "
             "than the air: let it cool and settle and read again before deciding.",
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
    measured = f"low side {w.pressure(low[0])}, high side {w.pressure(high[0])}"
    if low[1] is None or high[1] is None:
        inputs.lacks("a reading on the graded part of both gauges")
        yield inputs.cannot_tell("static_agreement", title, expected=expected, measured=measured, source="ASME B40.100")
        return
    limit = low[1] + high[1]
    agree = abs(low[0].kpa - high[0].kpa) <= limit
    yield inputs.finding(
        "static_agreement", title, expected=expected, measured=measured, uncertainty=f"{w.pressure_limit(limit)}, both gauges together",
        outcome=Outcome.WITHIN if agree else Outcome.OUTSIDE,
        why="Both gauges read the same system pressure." if agree else
        "The gauges differ by more than their error with the engine off: give the pressures time to equalise, then suspect a valve, a hose, "
        "a coupler that is not seated, or a gauge.",
        source="gauge grade after ASME B40.100 (from memory)")


def _against_ambient(view: View, situation: Situation) -> Finding:
    inputs = Inputs(view, situation)
    low, high = inputs.pressure("low_side", required=False), inputs.pressure("high_side", required=False)
    sides = [(name, *side) for name, side in (("low side", low), ("high side", high)) if side is not None]
    air = inputs.air("ambient")
    refrigerant = inputs.refrigerant()
    measured = ", ".join(f"{name} {w.pressure(value)}" for name, value, _ in sides)
    graded = [s for s in sides if s[2] is not None]
    if sides and not graded:
        inputs.lacks("a reading on the graded part of a gauge")
    elif low and high and low[1] is not None and high[1] is not None and abs(low[0].kpa - high[0].kpa) > low[1] + high[1]:
        inputs.lacks("a low and a high side that agree with the engine off")
    expected = "saturation pressure at the air temperature"
    if not inputs.complete or air is None or refrigerant is None:
        return inputs.cannot_tell("static_pressure", _TITLE, expected=expected, measured=measured, source=_SOURCE)
    name, value, gauge_limit = min(graded, key=lambda s: s[2])
    ambient = inputs.ambient_pressure()
    try:
        dew, bubble = (saturation_pressure(refrigerant, Temperature(air[0]), q).gauge(ambient) for q in (Quality.DEW, Quality.BUBBLE))
        slope = saturation_slope(refrigerant, Temperature(air[0]), Quality.BUBBLE)
    except NoSaturation as problem:
        return inputs.cannot_tell("static_pressure", _TITLE, expected=expected, measured=measured, source=_SOURCE, why=f"{problem}.")
    from_air = air[1] * slope
    limit = gauge_limit + from_air + WEATHER_LIMIT_KPA
    if view.readings("settle_time", situation=situation) == []:
        inputs.notes.append("time with engine off not stated")
    verdict = "below" if value.kpa < dew.kpa - limit else "above" if value.kpa > bubble.kpa + limit else "near"
    return inputs.finding(
        "static_pressure", _TITLE,
        expected=f"{w.pressure_range(GaugePressure(dew.kpa - limit), GaugePressure(bubble.kpa + limit))}: {refrigerant} saturation at "
                 f"{w.temperature(air[0])} is {w.pressure(bubble)}",
        measured=measured,
        uncertainty=f"{w.pressure_limit(limit)}: {name} gauge {w.pressure_limit(gauge_limit)}, air temperature ±{air[1]:.0f} °C is "
                    f"{w.pressure_limit(from_air)}, weather {w.pressure_limit(WEATHER_LIMIT_KPA)}",
        outcome=Outcome.WITHIN if verdict == "near" else Outcome.OUTSIDE,
        why=_WHY[verdict].format(r=refrigerant), source=_SOURCE)
