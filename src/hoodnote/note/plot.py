"""The saturation curve of the job's refrigerant with the readings on it, as a small SVG.

A reading with the engine off stands at the ambient temperature; a running side stands on the curve at its saturation
temperature, with a dotted line to the temperature of its line where that was read (superheat, subcooling).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from xml.sax.saxutils import escape

from hoodnote.note import words
from hoodnote.note.ground import Ground
from hoodnote.note.model import Plot
from hoodnote.physics.atmosphere import SEA_LEVEL, station_pressure
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.gauge import USUAL_MANIFOLD, ManifoldGauges
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.physics.saturation import Quality, saturation_curve, saturation_pressure, saturation_temperature
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.units import AbsolutePressure, GaugePressure, Quantity, Temperature, from_si

# Geometry, in user units.
WIDTH, LEFT, RIGHT, TOP, PLOT_HEIGHT, BOTTOM, LEGEND_LINE = 350, 38, 38, 16, 112, 25, 11
_LINES = {"low_side": (("suction_line", "evaporator_outlet"), "suction line"), "high_side": (("liquid_line", "condenser_outlet"), "liquid line")}
_SIDES = ("low_side", "high_side")
_QUALITY = {"low_side": Quality.DEW, "high_side": Quality.BUBBLE}
_TEMPERATURE_LIMIT_C = 2.0            # of the ambient air, unless stated (common practice, no source)
_COLOURS = {Stage.BEFORE: "#b34700", Stage.AFTER: "#00578a"}
_SIDE_WORDS = {"low_side": "low side", "high_side": "high side"}


@dataclass(frozen=True)
class Mark:
    """A point of the plot: degC and kPa gauge; limits are half lengths of the bars."""

    shape: str                        # circle, down, up, square, diamond
    stage: Stage
    celsius: float
    kpa: float
    text: str
    limit_c: float | None = None
    limit_kpa: float | None = None
    linked_celsius: float | None = None
    number: int = 0


def saturation_plot(ground: Ground, gauges: ManifoldGauges = USUAL_MANIFOLD) -> Plot | None:
    """None where the refrigerant is not known for sure, has no property data, or no reading can be placed."""
    name = _refrigerant(ground)
    if name is None:
        return None
    ambient, ambient_words = _ambient_pressure(ground)
    marks: list[Mark] = []
    try:
        for stage in (Stage.BEFORE, Stage.AFTER):
            marks += _static(ground, name, ambient, stage, gauges)
            marks += _running(ground, name, ambient, stage, gauges)
        if not marks:
            return None
        marks = [replace(m, number=n) for n, m in enumerate(marks, 1)]
        frame = _frame(marks, ground.units)
        curves = _curves(name, ambient, frame)
    except NoSaturation:
        return None
    title = f"Saturation curve of {name} with the readings"
    description = f"{title}, {ambient_words}. " + " ".join(f"{m.number}: {m.text}." for m in marks)
    caption = (f"{ambient_words[0].upper()}{ambient_words[1:]}. Hollow: before the work, filled: after it. Dotted: from saturation to the line's "
               f"temperature. Bars: grade {gauges.low.grade} gauges"
               + (f", air ± {_difference(_TEMPERATURE_LIMIT_C, ground.units)}." if any(m.limit_c for m in marks) else "."))
    return Plot(_svg(frame, curves, marks, name, title, description), title, description, caption)


def _refrigerant(ground: Ground) -> str | None:
    known = {v for k in ("refrigerant", "label_refrigerant") if (v := ground.facts.get(k))}
    doubted = ground.questions_about("refrigerant") or ground.questions_about("label_refrigerant")
    if len(known) != 1 or doubted:
        return None
    name = known.pop()
    try:
        return name if look_up(name).model else None
    except NoSaturation:
        return None


def _ambient_pressure(ground: Ground) -> tuple[AbsolutePressure, str]:
    live = ground.facts.reading("altitude")
    try:
        if live is not None and not ground.questions_about("altitude"):
            pressure = station_pressure(si(live))
            return pressure, f"ambient pressure {pressure.kpa:.1f} kPa at the stated altitude"
    except NoSaturation:
        pass
    return SEA_LEVEL, f"ambient pressure {SEA_LEVEL.kpa:.1f} kPa, sea level assumed"


def _reading(ground: Ground, place: str, stage: Stage, engine: str | None = None, quantity: Quantity | None = None) -> Live | None:
    """The last usable one, and none while a question about it is open."""
    return None if ground.questions_about(place, stage) else ground.facts.reading(place, stage=stage, engine=engine, quantity=quantity)


def _static(ground: Ground, name: str, ambient: AbsolutePressure, stage: Stage, gauges: ManifoldGauges) -> Iterator[Mark]:
    air = _reading(ground, "ambient", stage)
    if air is None and stage is Stage.AFTER and not ground.questions_about("ambient"):
        air = ground.facts.reading("ambient")
    if air is None:
        return
    for place in _SIDES:
        live = _reading(ground, place, stage, "off", Quantity.PRESSURE)
        if live is None:
            continue
        try:
            there = _pressure(saturation_pressure(name, Temperature(si(air))).gauge(ambient).kpa, ground.units)
        except NoSaturation:
            continue
        text = f"{stage}, engine off, {_SIDE_WORDS[place]} {_in_own_units(ground, live)} (saturation at {_temperature(si(air), ground.units)}: {there})"
        yield Mark("circle", stage, si(air), si(live), text, _TEMPERATURE_LIMIT_C, _limit(gauges, place, si(live)))


def _running(ground: Ground, name: str, ambient: AbsolutePressure, stage: Stage, gauges: ManifoldGauges) -> Iterator[Mark]:
    for place in _SIDES:
        live = _reading(ground, place, stage, "running", Quantity.PRESSURE)
        if live is None:
            continue
        try:
            saturated = saturation_temperature(name, GaugePressure(si(live)).absolute(ambient), _QUALITY[place]).celsius
        except NoSaturation:
            continue
        what = "evaporating" if place == "low_side" else "condensing"
        text = f"{stage}, running, {_SIDE_WORDS[place]} {_in_own_units(ground, live)}, {what} {_temperature(saturated, ground.units)}"
        yield Mark("down" if place == "low_side" else "up", stage, saturated, si(live), text, None, _limit(gauges, place, si(live)))
        places, line = _LINES[place]
        at = next((x for p in places if (x := _reading(ground, p, stage, "running"))), None)
        if at is not None:
            difference = si(at) - saturated if place == "low_side" else saturated - si(at)
            kind = "superheat" if place == "low_side" else "subcooling"
            yield Mark("square" if place == "low_side" else "diamond", stage, si(at), si(live),
                       f"{stage}, {line} {_in_own_units(ground, at)}, {kind} {_difference(difference, ground.units)}", linked_celsius=saturated)


def _limit(gauges: ManifoldGauges, place: str, kpa: float) -> float | None:
    return gauges.of(place).limit_of_error_kpa(GaugePressure(kpa))


def _in_own_units(ground: Ground, live: Live) -> str:
    """The figure in the units of the job alone; the table of readings has both."""
    return words.figure_text(live.entry.statement, ground.units).partition(" (")[0]


def _temperature(celsius: float, units: str) -> str:
    return f"{celsius:.0f} °C" if units == "metric" else f"{from_si(celsius, 'F'):.0f} °F"


def _difference(kelvin: float, units: str) -> str:
    return f"{kelvin:.0f} °C" if units == "metric" else f"{from_si(kelvin, 'F difference'):.0f} °F"


def _pressure(kpa: float, units: str) -> str:
    return f"{kpa:.0f} kPa" if units == "metric" else f"{from_si(kpa, 'psi'):.0f} psi"


@dataclass(frozen=True)
class Frame:
    """The window of the plot: degC and kPa gauge to user units, and the scales of both habits."""

    low_c: float
    high_c: float
    low_kpa: float
    high_kpa: float
    units: str

    def x(self, celsius: float) -> float:
        return LEFT + (celsius - self.low_c) / (self.high_c - self.low_c) * (WIDTH - LEFT - RIGHT)

    def y(self, kpa: float) -> float:
        return TOP + (self.high_kpa - kpa) / (self.high_kpa - self.low_kpa) * PLOT_HEIGHT


def _frame(marks: Sequence[Mark], units: str) -> Frame:
    temperatures, pressures = [m.celsius for m in marks], [m.kpa + (m.limit_kpa or 0) for m in marks]
    return Frame(min([-5.0, *temperatures]) - 5, max([45.0, *temperatures]) + 5,
                 min([0.0, *(m.kpa - (m.limit_kpa or 0) for m in marks)]) - 20, max([700.0, *pressures]) * 1.1, units)


def _curves(name: str, ambient: AbsolutePressure, frame: Frame) -> list[list[tuple[float, float]]]:
    qualities = (Quality.DEW, Quality.BUBBLE) if look_up(name).blend else (Quality.DEW,)
    curves = []
    for quality in qualities:
        points = saturation_curve(name, Temperature(frame.low_c), Temperature(frame.high_c), 80, quality)
        curves.append([(t.celsius, p.gauge(ambient).kpa) for t, p in points])
    return curves


def _svg(frame: Frame, curves: Sequence[Sequence[tuple[float, float]]], marks: Sequence[Mark], name: str, title: str, description: str) -> str:
    legend = [w for m in marks for w in _wrapped(f"{m.number}", m.text)]
    height = TOP + PLOT_HEIGHT + BOTTOM + LEGEND_LINE * (len(legend) + 1)
    right, bottom = WIDTH - RIGHT, TOP + PLOT_HEIGHT
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(description, {chr(34): "&quot;"})}" '
           'font-family="Arial, Helvetica, sans-serif" font-size="9" fill="#1a1a1a">',
           f"<title>{escape(title)}</title>", f"<desc>{escape(description)}</desc>",
           f'<clipPath id="saturation-window"><rect x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{PLOT_HEIGHT}"/></clipPath>']
    out += _scales(frame)
    out.append('<g clip-path="url(#saturation-window)" fill="none" stroke="#1a1a1a" stroke-width="1.4">')
    for i, curve in enumerate(curves):
        points = " ".join(f"{frame.x(t):.1f},{frame.y(p):.1f}" for t, p in curve)
        out.append(f'<polyline class="saturation" points="{points}"{" stroke-dasharray=" + chr(34) + "5 2" + chr(34) if i else ""}/>')
    out.append("</g>")
    out.append(f'<rect x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{PLOT_HEIGHT}" fill="none" stroke="#1a1a1a" stroke-width="0.7"/>')
    taken = [(frame.x(m.celsius), frame.y(m.kpa)) for m in marks]
    for m in marks:
        out += _mark(frame, m)
    for m in marks:
        x, y = _label_place(frame, m, taken)
        out.append(f'<text x="{x:.1f}" y="{y + 3:.1f}" text-anchor="middle" font-weight="bold" stroke="#fff" stroke-width="2" '
                   f'paint-order="stroke">{m.number}</text>')
    y = bottom + BOTTOM + LEGEND_LINE - 3
    out.append(f'<path d="M{LEFT - 30} {y - 3}h20" stroke="#1a1a1a" stroke-width="1.4" fill="none"/>')
    out.append(f'<text x="{LEFT - 4}" y="{y}">{escape(name)} saturation{": dew (full line), bubble (dashed)" if len(curves) > 1 else ""}</text>')
    shown: set[str] = set()
    for number, line in legend:
        y += LEGEND_LINE
        if number not in shown:
            shown.add(number)
            mark = marks[int(number) - 1]
            out.append(_shape(mark.shape, LEFT - 26, y - 3, mark.stage))
            out.append(f'<text x="{LEFT - 14}" y="{y}" font-weight="bold" text-anchor="middle">{number}</text>')
        out.append(f'<text x="{LEFT - 4}" y="{y}">{escape(line)}</text>')
    out.append("</svg>")
    return "\n".join(out)


def _wrapped(number: str, text: str, width: int = 70) -> list[tuple[str, str]]:
    lines, current = [], ""
    for word in text.split():
        if current and len(current) + 1 + len(word) > width:
            lines.append((number, current))
            current = word
        else:
            current = f"{current} {word}".strip()
    return [*lines, (number, current)]


def _scales(frame: Frame) -> Iterator[str]:
    right, bottom = WIDTH - RIGHT, TOP + PLOT_HEIGHT
    first, second = (("C", "kPa"), ("F", "psi")) if frame.units == "metric" else (("F", "psi"), ("C", "kPa"))
    for value, x in _ticks(frame.low_c, frame.high_c, first[0], frame.x, 6):
        yield f'<path d="M{x:.1f} {TOP}V{bottom}" stroke="#d5d5d5" stroke-width="0.5"/>'
        yield f'<text class="bottom" x="{x:.1f}" y="{bottom + 11}" text-anchor="middle">{value}</text>'
    for value, y in _ticks(frame.low_kpa, frame.high_kpa, first[1], frame.y, 5):
        yield f'<path d="M{LEFT} {y:.1f}H{right}" stroke="#d5d5d5" stroke-width="0.5"/>'
        yield f'<text class="left" x="{LEFT - 4}" y="{y + 3:.1f}" text-anchor="end">{value}</text>'
    for value, x in _ticks(frame.low_c, frame.high_c, second[0], frame.x, 6):
        yield f'<path d="M{x:.1f} {TOP}v-3" stroke="#555" stroke-width="0.5"/>'
        yield f'<text class="top" x="{x:.1f}" y="{TOP - 5}" text-anchor="middle" fill="#555">{value}</text>'
    for value, y in _ticks(frame.low_kpa, frame.high_kpa, second[1], frame.y, 5):
        yield f'<path d="M{right} {y:.1f}h3" stroke="#555" stroke-width="0.5"/>'
        yield f'<text class="right" x="{right + 5}" y="{y + 3:.1f}" fill="#555">{value}</text>'
    middle = (LEFT + right) / 2
    yield f'<text x="{middle}" y="{bottom + 22}" text-anchor="middle">temperature, °{first[0]}</text>'
    yield f'<text x="{right + 8}" y="{TOP - 5}" fill="#555">°{second[0]}</text>'
    half = TOP + PLOT_HEIGHT / 2
    yield f'<text transform="translate(9 {half}) rotate(-90)" text-anchor="middle">pressure, {first[1]} gauge</text>'
    yield f'<text transform="translate({WIDTH - 3} {half}) rotate(-90)" text-anchor="middle" fill="#555">{second[1]} gauge</text>'


def _ticks(low: float, high: float, unit: str, place: Callable[[float], float], about: int) -> Iterator[tuple[str, float]]:
    """Round numbers of `unit` between two values in degC or kPa."""
    start, end = from_si(low, unit), from_si(high, unit)
    raw = (end - start) / about
    power = 10 ** math.floor(math.log10(raw))
    step = next(f * power for f in (1, 2, 2.5, 5, 10) if f * power >= raw)
    value = math.ceil(start / step) * step
    while value <= end + 1e-9:
        share = (value - start) / (end - start)
        yield f"{value:g}", place(low + share * (high - low))
        value += step


def _mark(frame: Frame, m: Mark) -> Iterator[str]:
    x, y, colour = frame.x(m.celsius), frame.y(m.kpa), _COLOURS[m.stage]
    if m.linked_celsius is not None:
        yield f'<path d="M{frame.x(m.linked_celsius):.1f} {y:.1f}H{x:.1f}" stroke="{colour}" stroke-dasharray="1.5 2" fill="none"/>'
    if m.limit_kpa:
        yield f'<path class="bar" d="M{x:.1f} {frame.y(m.kpa - m.limit_kpa):.1f}V{frame.y(m.kpa + m.limit_kpa):.1f}" stroke="{colour}" stroke-width="0.9"/>'
    if m.limit_c:
        yield f'<path class="bar" d="M{frame.x(m.celsius - m.limit_c):.1f} {y:.1f}H{frame.x(m.celsius + m.limit_c):.1f}" stroke="{colour}" stroke-width="0.9"/>'
    yield _shape(m.shape, x, y, m.stage, f' data-reading="{m.number}" data-x="{x:.2f}" data-y="{y:.2f}"')


def _shape(shape: str, x: float, y: float, stage: Stage, more: str = "") -> str:
    colour = _COLOURS[stage]
    fill = "#fff" if stage is Stage.BEFORE else colour
    look = f'fill="{fill}" stroke="{colour}" stroke-width="1.5"{more}'
    match shape:
        case "circle":
            return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.4" {look}/>'
        case "down":
            path = f"M{x - 4:.1f} {y - 3:.1f}h8l-4 7z"
        case "up":
            path = f"M{x - 4:.1f} {y + 3:.1f}h8l-4 -7z"
        case "square":
            path = f"M{x - 3:.1f} {y - 3:.1f}h6v6h-6z"
        case _:
            path = f"M{x:.1f} {y - 4.4:.1f}l4.4 4.4l-4.4 4.4l-4.4 -4.4z"
    return f'<path d="{path}" {look}/>'


def _label_place(frame: Frame, m: Mark, taken: list[tuple[float, float]]) -> tuple[float, float]:
    """Beside its mark, where nothing else stands; adds itself to `taken`."""
    x, y = frame.x(m.celsius), frame.y(m.kpa)
    spots = [(x + dx, y + dy) for r in (9.0, 13.0, 18.0) for dx, dy in ((-r, -r / 2), (r, -r / 2), (-r, r / 2), (r, r / 2), (0, -r), (0, r))]
    inside = [s for s in spots if LEFT + 4 < s[0] < WIDTH - RIGHT - 4 and TOP + 5 < s[1] < TOP + PLOT_HEIGHT - 5]
    best = max(inside or spots, key=lambda s: (min(8.5, *(math.dist(s, t) for t in taken)), -spots.index(s)))
    taken.append(best)
    return best
