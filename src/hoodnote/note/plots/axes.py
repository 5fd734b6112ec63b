"""Scales, marks and legend that every plot of the note is drawn with.

Marks differ by shape and fill, lines by their dashes, so that colour only helps. Text is large enough to be 7 pt where the
drawing fills half the width of an A4 page.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from xml.sax.saxutils import escape, quoteattr

from hoodnote.note.model import Plot
from hoodnote.readings.model import Stage

# Geometry, in user units.
WIDTH, LEFT, RIGHT, TOP, PLOT_HEIGHT, BOTTOM, LEGEND_LINE, FONT = 350, 40, 40, 17, 116, 27, 11.5, 9.6
INK, SOFT, GRID = "#1a1a1a", "#555", "#d5d5d5"
_COLOURS = {Stage.BEFORE: "#b34700", Stage.AFTER: "#00578a", Stage.DURING: INK}
_DASHES = {"full": "", "dashed": "5 2", "dotted": "1.5 2", "dash-dotted": "6 2 1.5 2"}
_LEGEND_WIDTH = 76           # characters


@dataclass(frozen=True)
class Printed:
    """The unit of a scale: printed figure = base figure * factor + offset."""

    name: str
    factor: float = 1.0
    offset: float = 0.0

    def of(self, base: float) -> float:
        return base * self.factor + self.offset

    def base(self, printed: float) -> float:
        return (printed - self.offset) / self.factor


@dataclass(frozen=True)
class Axis:
    """From `low` to `high` in the base unit, with the scale of the job's habit first and of the other habit second."""

    low: float
    high: float
    title: str                        # "pressure"
    first: Printed
    second: Printed | None = None
    ticks: int = 6
    log: bool = False

    def share(self, value: float) -> float:
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def round_numbers(self, printed: Printed) -> Iterator[tuple[str, float]]:
        """Round numbers of a unit as printed, and in the base unit."""
        start, end = printed.of(self.low), printed.of(self.high)
        values: list[float] = []
        if self.log:
            decades = range(math.floor(math.log10(start)), math.ceil(math.log10(end)) + 1)
            values = [f * 10.0 ** d for d in decades for f in (1, 2, 5) if start <= f * 10.0 ** d <= end]
        if len(values) < 3:
            raw = (end - start) / self.ticks
            power = 10 ** math.floor(math.log10(raw))
            step = next(f * power for f in (1, 2, 2.5, 5, 10) if f * power >= raw * (1 - 1e-9))
            first = math.ceil(start / step - 1e-9)
            values = [n * step for n in range(first, math.floor(end / step + 1e-9) + 1)]
        yield from ((f"{v:g}", printed.base(v)) for v in values)


@dataclass(frozen=True)
class Frame:
    across: Axis
    up: Axis

    def x(self, value: float) -> float:
        return LEFT + self.across.share(value) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        return TOP + (1 - self.up.share(value)) * PLOT_HEIGHT


@dataclass(frozen=True)
class Mark:
    """A point, in base units. Limits are half lengths of its bars; `linked` is where its dotted line starts."""

    shape: str                        # circle, dot, down, up, square, diamond
    stage: Stage
    x: float
    y: float
    text: str
    limit_x: float | None = None
    limit_y: float | None = None
    linked: float | None = None
    assumed: bool = False
    number: int = 0


@dataclass(frozen=True)
class Curve:
    """A line through points in base units; `text` enters the legend unless empty."""

    points: tuple[tuple[float, float], ...]
    look: str = "full"                # full, dashed, dotted, dash-dotted
    text: str = ""
    name: str = ""                    # class of the element
    stage: Stage | None = None        # its colour; None: ink


def numbered(marks: Sequence[Mark]) -> list[Mark]:
    return [replace(m, number=n) for n, m in enumerate(marks, 1)]


def plot(kind: str, frame: Frame, curves: Sequence[Curve], marks: Sequence[Mark], title: str, lead: str, caption: str, listed: bool = True) -> Plot:
    """`kind` names the plot; `lead` says in words what the curves are, before the marks are told one by one. `listed`: marks are numbered
    and enter the legend."""
    description = " ".join([f"{title}{', ' if lead else ''}{lead}.", *(f"{m.number}: {m.text}." for m in marks)])
    return Plot(kind, _svg(kind, frame, curves, marks, title, description, listed), title, description, caption)


def _svg(kind: str, frame: Frame, curves: Sequence[Curve], marks: Sequence[Mark], title: str, description: str, listed: bool) -> str:
    keys = [c for c in curves if c.text]
    legend = [(m, line) for m in marks if listed for line in _wrapped(m.text)]
    lines = [(c, line) for c in keys for line in _wrapped(c.text)]
    right, bottom = WIDTH - RIGHT, TOP + PLOT_HEIGHT
    height = bottom + BOTTOM + LEGEND_LINE * (len(legend) + len(lines)) + 3
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:g}" role="img" aria-label={_quoted(description)} '
           f'font-family="Arial, Helvetica, sans-serif" font-size="{FONT}" fill="{INK}">',
           f"<title>{escape(title)}</title>", f"<desc>{escape(description)}</desc>",
           f'<clipPath id="{kind}-window"><rect x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{PLOT_HEIGHT}"/></clipPath>']
    out += _scales(frame)
    out.append(f'<g clip-path="url(#{kind}-window)" fill="none" stroke-width="1.4">')
    out += [f'<polyline class="{c.name}" points="{" ".join(f"{frame.x(x):.1f},{frame.y(y):.1f}" for x, y in c.points)}" {_line_look(c)}/>'
            for c in curves]
    out.append("</g>")
    out.append(f'<rect x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{PLOT_HEIGHT}" fill="none" stroke="{INK}" stroke-width="0.7"/>')
    taken = [(frame.x(m.x), frame.y(m.y)) for m in marks]
    for m in marks:
        out += _mark(frame, m)
    for m in marks if listed else ():
        x, y = _label_place(frame, m, taken)
        out.append(f'<text x="{x:.1f}" y="{y + 3:.1f}" text-anchor="middle" font-weight="bold" stroke="#fff" stroke-width="2" '
                   f'paint-order="stroke">{m.number}</text>')
    out += _legend(lines, legend, bottom + BOTTOM - 3)
    out.append("</svg>")
    return "\n".join(out)


def _quoted(text: str) -> str:
    return quoteattr(text, {'"': "&quot;"})


def _line_look(curve: Curve) -> str:
    dashes = f' stroke-dasharray="{_DASHES[curve.look]}"' if _DASHES[curve.look] else ""
    return f'stroke="{_COLOURS[curve.stage] if curve.stage else INK}"{dashes}'


def _wrapped(text: str) -> list[str]:
    lines, current = [], ""
    for word in text.split():
        if current and len(current) + 1 + len(word) > _LEGEND_WIDTH:
            lines.append(current)
            current = word
        else:
            current = f"{current} {word}".strip()
    return [*lines, current]


def _legend(lines: Sequence[tuple[Curve, str]], marks: Sequence[tuple[Mark, str]], y: float) -> Iterator[str]:
    shown: list[Curve | Mark] = []
    for item, text in (*lines, *marks):
        y += LEGEND_LINE
        if item not in shown:
            shown.append(item)
            if isinstance(item, Curve):
                yield f'<path d="M{LEFT - 32} {y - 3:g}h22" {_line_look(item)} stroke-width="1.4" fill="none"/>'
            else:
                yield _shape(item, LEFT - 28, y - 3)
                yield f'<text x="{LEFT - 15}" y="{y:g}" font-weight="bold" text-anchor="middle">{item.number}</text>'
        yield f'<text x="{LEFT - 6}" y="{y:g}">{escape(text)}</text>'


def _scales(frame: Frame) -> Iterator[str]:
    right, bottom, half = WIDTH - RIGHT, TOP + PLOT_HEIGHT, TOP + PLOT_HEIGHT / 2
    across, up = frame.across, frame.up
    for text, value in across.round_numbers(across.first):
        yield f'<path d="M{frame.x(value):.1f} {TOP}V{bottom}" stroke="{GRID}" stroke-width="0.5"/>'
        yield f'<text class="bottom" x="{frame.x(value):.1f}" y="{bottom + 11}" text-anchor="middle">{text}</text>'
    for text, value in up.round_numbers(up.first):
        yield f'<path d="M{LEFT} {frame.y(value):.1f}H{right}" stroke="{GRID}" stroke-width="0.5"/>'
        yield f'<text class="left" x="{LEFT - 4}" y="{frame.y(value) + 3:.1f}" text-anchor="end">{text}</text>'
    yield f'<text x="{(LEFT + right) / 2:g}" y="{bottom + 23}" text-anchor="middle">{_titled(across)}</text>'
    yield f'<text transform="translate(9 {half:g}) rotate(-90)" text-anchor="middle">{_titled(up)}</text>'
    if across.second:
        for text, value in across.round_numbers(across.second):
            yield f'<path d="M{frame.x(value):.1f} {TOP}v-3" stroke="{SOFT}" stroke-width="0.5"/>'
            yield f'<text class="top" x="{frame.x(value):.1f}" y="{TOP - 5}" text-anchor="middle" fill="{SOFT}">{text}</text>'
        yield f'<text x="{right + 8}" y="{TOP - 5}" fill="{SOFT}">{escape(across.second.name)}</text>'
    if up.second:
        for text, value in up.round_numbers(up.second):
            yield f'<path d="M{right} {frame.y(value):.1f}h3" stroke="{SOFT}" stroke-width="0.5"/>'
            yield f'<text class="right" x="{right + 5}" y="{frame.y(value) + 3:.1f}" fill="{SOFT}">{text}</text>'
        yield f'<text transform="translate({WIDTH - 2} {half:g}) rotate(-90)" text-anchor="middle" fill="{SOFT}">{escape(up.second.name)}</text>'


def _titled(axis: Axis) -> str:
    return escape(f"{axis.title}, {axis.first.name}")


def _mark(frame: Frame, m: Mark) -> Iterator[str]:
    x, y, colour = frame.x(m.x), frame.y(m.y), _COLOURS[m.stage]
    if m.linked is not None:
        yield f'<path d="M{frame.x(m.linked):.1f} {y:.1f}H{x:.1f}" stroke="{colour}" stroke-dasharray="1.5 2" fill="none"/>'
    if m.limit_y:
        yield _bar(x, frame.y(max(m.y - m.limit_y, frame.up.low)), x, frame.y(m.y + m.limit_y), colour)
    if m.limit_x:
        yield _bar(frame.x(m.x - m.limit_x), y, frame.x(m.x + m.limit_x), y, colour)
    yield _shape(m, x, y, f' data-reading="{m.number}" data-x="{x:.2f}" data-y="{y:.2f}"')


def _bar(x1: float, y1: float, x2: float, y2: float, colour: str) -> str:
    """With short caps, so that it is no tick and no grid line."""
    caps = f"M{x1 - 2:.1f} {y1:.1f}h4M{x2 - 2:.1f} {y2:.1f}h4" if x1 == x2 else f"M{x1:.1f} {y1 - 2:.1f}v4M{x2:.1f} {y2 - 2:.1f}v4"
    return f'<path class="bar" d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}{caps}" stroke="{colour}" stroke-width="0.9"/>'


def _shape(m: Mark, x: float, y: float, more: str = "") -> str:
    colour = _COLOURS[m.stage]
    fill = "#fff" if m.stage is Stage.BEFORE or m.assumed else colour
    line = 'stroke-width="1" stroke-dasharray="1.6 1.2"' if m.assumed else 'stroke-width="1.5"'
    look = f'fill="{fill}" stroke="{colour}" {line}{more}'
    match m.shape:
        case "circle" | "dot":
            return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{3.4 if m.shape == "circle" else 1.4}" {look}/>'
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
    x, y = frame.x(m.x), frame.y(m.y)
    spots = [(x + dx, y + dy) for r in (9.0, 13.0, 18.0) for dx, dy in ((-r, -r / 2), (r, -r / 2), (-r, r / 2), (r, r / 2), (0, -r), (0, r))]
    inside = [s for s in spots if LEFT + 4 < s[0] < WIDTH - RIGHT - 4 and TOP + 5 < s[1] < TOP + PLOT_HEIGHT - 5]
    best = max(inside or spots, key=lambda s: (min(8.5, *(math.dist(s, t) for t in taken)), -spots.index(s)))
    taken.append(best)
    return best
