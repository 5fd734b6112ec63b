"""The saturation curve of the job's refrigerant with the readings on it.

A reading with the engine off stands at the ambient temperature; a running side stands on the curve at its saturation
temperature, with a dotted line to the temperature of its line where that was read (superheat, subcooling).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hoodnote.checks.equipment import Equipment
from hoodnote.note.ground import Ground
from hoodnote.note.model import Plot
from hoodnote.note.plots import axes, given
from hoodnote.note.plots.axes import Axis, Curve, Frame, Mark
from hoodnote.physics import uncertain
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.physics.saturation import Quality, saturation_curve
from hoodnote.physics.uncertain import Sources
from hoodnote.readings.facts import si
from hoodnote.readings.model import Stage
from hoodnote.units import AbsolutePressure, GaugePressure, Quantity, Temperature

_LINES = {"low_side": (("suction_line", "evaporator_outlet"), "suction line"), "high_side": (("liquid_line", "condenser_outlet"), "liquid line")}
_QUALITY = {"low_side": Quality.DEW, "high_side": Quality.BUBBLE}
_SIDE_WORDS = {"low_side": "low side", "high_side": "high side"}


def saturation_plot(ground: Ground, equipment: Equipment) -> Plot | None:
    """None where the refrigerant is not known for sure, has no property data, or no reading can be placed."""
    name = given.known_refrigerant(ground)
    if name is None:
        return None
    ambient, ambient_words = given.ambient_pressure(ground)
    marks: list[Mark] = []
    try:
        for stage in (Stage.BEFORE, Stage.AFTER):
            marks += _static(ground, name, ambient, stage, equipment)
            marks += _running(ground, name, ambient, stage, equipment)
        if not marks:
            return None
        marks = axes.numbered(marks)
        frame = _frame(marks, ground.units)
        curves = _curves(name, ambient, frame)
    except NoSaturation:
        return None
    caption = (f"{ambient_words[0].upper()}{ambient_words[1:]}. Hollow: before the work, filled: after it. Dotted: from saturation to the line's "
               f"temperature. Bars and ±: {given.COVERAGE}, from {_grades(equipment)} gauges, "
               f"a thermometer good to {given.difference(equipment.thermometer_limit_c, None, ground.units)} and the weather.")
    return axes.plot("saturation", frame, curves, marks, f"Saturation curve of {name} with the readings", ambient_words, caption)


def _grades(equipment: Equipment) -> str:
    low, high = equipment.gauges.low.grade, equipment.gauges.high.grade
    return f"grade {low}" if low == high else f"grade {low} (low side) and {high} (high side)"


def _static(ground: Ground, name: str, ambient: AbsolutePressure, stage: Stage, equipment: Equipment) -> Iterator[Mark]:
    air = given.reading(ground, "ambient", stage)
    if air is None and stage is Stage.AFTER and not ground.questions_about("ambient"):
        air = ground.facts.reading("ambient")
    if air is None:
        return
    there = Sources().figure(si(air), equipment.thermometer_limit_c, "thermometer")
    for place, side in _SIDE_WORDS.items():
        live = given.reading(ground, place, stage, "off", Quantity.PRESSURE)
        if live is None:
            continue
        try:
            saturated = uncertain.saturation_pressure(name, there)
        except NoSaturation:
            continue
        # the gauge shows what the weather leaves of it
        shown = AbsolutePressure(uncertain.nominal(saturated)).gauge(ambient).kpa
        text = (f"{stage}, engine off, {side} {given.in_own_units(ground, live)} (saturation at {given.in_own_units(ground, air)}: "
                f"{given.pressure(shown, uncertain.expanded(saturated), ground.units)})")
        yield Mark("circle", stage, si(air), si(live), text, given.bar(equipment.thermometer_limit_c),
                   given.bar(given.gauge_limit(equipment, place, si(live))))


def _running(ground: Ground, name: str, ambient: AbsolutePressure, stage: Stage, equipment: Equipment) -> Iterator[Mark]:
    for place, side in _SIDE_WORDS.items():
        live = given.reading(ground, place, stage, "running", Quantity.PRESSURE)
        if live is None:
            continue
        limit = given.gauge_limit(equipment, place, si(live))
        try:
            saturated = uncertain.saturation_temperature(name, given.absolute(GaugePressure(si(live)), limit, ambient), _QUALITY[place])
        except NoSaturation:
            continue
        celsius, sure = uncertain.nominal(saturated), uncertain.expanded(saturated) if limit is not None else None
        what = "evaporating" if place == "low_side" else "condensing"
        text = f"{stage}, running, {side} {given.in_own_units(ground, live)}, {what} {given.temperature(celsius, sure, ground.units)}"
        yield Mark("down" if place == "low_side" else "up", stage, celsius, si(live), text, sure, given.bar(limit))
        places, line = _LINES[place]
        at = next((x for p in places if (x := given.reading(ground, p, stage, "running"))), None)
        if at is not None:
            there = Sources().figure(si(at), equipment.thermometer_limit_c, "thermometer")
            kind, apart = ("superheat", there - saturated) if place == "low_side" else ("subcooling", saturated - there)
            difference = given.difference(uncertain.nominal(apart), None if limit is None else uncertain.expanded(apart), ground.units)
            yield Mark("square" if place == "low_side" else "diamond", stage, si(at), si(live),
                       f"{stage}, {line} {given.in_own_units(ground, at)}, {kind} {difference}", given.bar(equipment.thermometer_limit_c), linked=celsius)


def _frame(marks: Sequence[Mark], units: str) -> Frame:
    low_x, high_x = (f(m.x + s * (m.limit_x or 0) for m in marks) for f, s in ((min, -1), (max, 1)))
    low_y, high_y = (f(m.y + s * (m.limit_y or 0) for m in marks) for f, s in ((min, -1), (max, 1)))
    return Frame(Axis(min(-5.0, low_x) - 5, max(45.0, high_x) + 5, "temperature", *given.in_habit(given.C_AND_F, units)),
                 Axis(min(0.0, low_y) - 20, max(700.0, high_y) * 1.1, "pressure", *given.in_habit(given.KPA_AND_PSI, units), ticks=5))


def _curves(name: str, ambient: AbsolutePressure, frame: Frame) -> list[Curve]:
    blend = look_up(name).blend
    curves = []
    for quality, look in ((Quality.DEW, "full"), (Quality.BUBBLE, "dashed")) if blend else ((Quality.DEW, "full"),):
        points = saturation_curve(name, Temperature(frame.across.low), Temperature(frame.across.high), 80, quality)
        text = f"{name} {quality} (saturation)" if blend else f"{name} saturation"
        curves.append(Curve(tuple((t.celsius, p.gauge(ambient).kpa) for t, p in points), look, text, "saturation"))
    return curves
