"""Draws invented instruments with seven-segment displays: scales, vacuum gauges, thermometers, meters, digital manifolds.

No case, segment shape or wording follows any maker's; words on the cases are made up. `DEVELOPMENT` segment shapes, looks,
layouts and faces may be looked at while the reader is written; `HELD_OUT` ones only ever score it.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tests.bench.label_render import font

# which of the segments a (top) to g (middle) are lit, clockwise from the top: the usual lettering, common practice, no source
LIT = {"0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd", "6": "afgecd", "7": "abc", "8": "abcdefg", "9": "abcdfg",
       "-": "g", " ": "", "O": "abcdef", "L": "def", "E": "adefg", "r": "eg", "o": "cdeg", "H": "bcefg", "P": "abefg"}
Colour = tuple[int, int, int]


@dataclass(frozen=True)
class Segments:
    """Lengths in shares of the digit's height; `slant` in degrees."""

    ends: str                  # "mitred", "pointed", "square", "rounded"
    width: float
    thick: float
    gap: float
    slant: float
    pitch: float               # cell to cell, in digit widths
    round_point: bool = True
    tailed: bool = True        # 6 and 9 with their tails, a and d


@dataclass(frozen=True)
class Look:
    paper: Colour
    ink: Colour
    case: Colour
    print: Colour              # words on the case
    glows: bool = False
    bloom: float = 0.0
    ghost: float = 0.05


@dataclass(frozen=True)
class Figure:
    """`text` as lit, `value` in `unit`; `word` is LOW or the like beside it, `place` where only one can be meant."""

    text: str
    value: Decimal
    unit: str
    printed_unit: str
    place: str | None = None
    word: str | None = None


@dataclass(frozen=True)
class Truth:
    instrument: str
    figures: tuple[Figure, ...]


PRINTED = {"g": ("g",), "kg": ("kg",), "oz": ("oz",), "lb:oz": ("lb:oz", "lb oz"), "micron": ("micron", "microns", "MICRON"), "F": ("°F",), "C": ("°C",),
           "V": ("V",), "mV": ("mV",), "A": ("A",), "ohm": ("Ω", "ohm"), "%": ("%",), "psi": ("psi", "PSI"), "bar": ("bar", "BAR"), "kPa": ("kPa",),
           "inHg": ("inHg",)}
# place a person would name for a figure whose place the picture cannot tell
GIVEN = {"g": "charged", "kg": "charged", "oz": "charged", "F": "vent", "C": "suction_line", "V": "battery", "mV": "clutch_ground", "A": "clutch_coil",
         "ohm": "clutch_coil", "%": "humidity"}


def invent(rng: random.Random) -> Truth:
    """What a display may show, within what the trade meets (common practice, no source)."""
    instrument = rng.choice(["scale", "scale", "vacuum", "thermometer", "thermometer", "meter", "meter", "manifold", "manifold", "hygrometer"])
    if instrument == "manifold":
        unit = rng.choice(["psi", "psi", "bar", "kPa"])
        if unit == "psi":
            low, high = f"{rng.randrange(-9, 90)}", f"{rng.randrange(60, 400)}"
            if rng.random() < 0.4:
                low, high = f"{low}.{rng.randrange(10)}", f"{high}.{rng.randrange(10)}"
        elif unit == "bar":
            low, high = f"{rng.randrange(-70, 600) / 100:.2f}", f"{rng.randrange(400, 2800) / 100:.2f}"
        else:
            low, high = f"{rng.randrange(-70, 600)}", f"{rng.randrange(400, 2800)}"
        words = rng.choice([("LOW", "HIGH"), ("LO", "HI"), ("L", "H"), ("LOW SIDE", "HIGH SIDE")])
        printed = rng.choice(PRINTED[unit])
        return Truth(instrument, tuple(Figure(t, Decimal(t), unit, printed, p, w)
                                       for t, p, w in zip((low, high), ("low_side", "high_side"), words, strict=True)))
    unit, text, place = "", "", None
    match instrument:
        case "scale":
            unit = rng.choice(["g", "kg", "oz", "lb:oz"])
            text = {"g": f"{rng.randrange(0, 9999)}", "kg": f"{rng.randrange(0, 19999) / 1000:.3f}", "oz": f"{rng.randrange(0, 9999) / 10:.1f}",
                    "lb:oz": f"{rng.randrange(0, 39)}:{rng.randrange(0, 160) / 10:04.1f}"}[unit]
        case "vacuum":
            unit, text, place = "micron", f"{rng.choice([rng.randrange(80, 1000), rng.randrange(1000, 19990)])}", "vacuum"
        case "thermometer":
            unit = rng.choice(["F", "C"])
            text = f"{(rng.randrange(-99, 1950) if unit == 'F' else rng.randrange(-199, 950)) / 10:.1f}"
        case "meter":
            unit = rng.choice(["V", "V", "mV", "A", "ohm"])
            text = {"V": f"{rng.randrange(0, 1580) / 100:.2f}", "mV": f"{rng.randrange(0, 9990) / 10:.1f}", "A": f"{rng.randrange(0, 999) / 100:.2f}",
                    "ohm": f"{rng.randrange(0, 999) / 10:.1f}"}[unit]
        case "hygrometer":
            unit, text = "%", rng.choice([f"{rng.randrange(10, 99)}", f"{rng.randrange(100, 990) / 10:.1f}"])
    printed = rng.choice(PRINTED[unit])
    if unit == "lb:oz":
        pounds, ounces = text.split(":")
        return Truth(instrument, (Figure(text, Decimal(pounds) * 16 + Decimal(ounces), "oz", printed),))
    return Truth(instrument, (Figure(text, Decimal(text), unit, printed, place),))


def _strokes(s: Segments) -> dict[str, list[tuple[float, float]]]:
    """Outline of each segment in a cell `width` wide and 1 high."""
    w, t, g = s.width, s.thick, s.gap
    h = t / 2
    ends = {"a": ((h, h), (w - h, h)), "d": ((h, 1 - h), (w - h, 1 - h)), "g": ((h, 0.5), (w - h, 0.5)), "f": ((h, h), (h, 0.5)), "e": ((h, 0.5), (h, 1 - h)),
            "b": ((w - h, h), (w - h, 0.5)), "c": ((w - h, 0.5), (w - h, 1 - h))}
    out = {}
    for name, (p, q) in ends.items():
        p, q = np.array(p), np.array(q)
        along = (q - p) / np.linalg.norm(q - p)
        across = np.array([-along[1], along[0]])
        if s.ends == "pointed":
            points = [p + along * g, p + along * (h + g) + across * h, q - along * (h + g) + across * h, q - along * g,
                      q - along * (h + g) - across * h, p + along * (h + g) - across * h]
        elif s.ends == "square":
            a, b = p + along * (h * 0.8 + g), q - along * (h * 0.8 + g)
            points = [a + across * h, b + across * h, b - across * h, a - across * h]
        elif s.ends == "rounded":
            a, b = p + along * (h * 0.9 + g), q - along * (h * 0.9 + g)
            turn = np.linspace(-np.pi / 2, np.pi / 2, 9)
            points = [b + h * (along * math.cos(x) + across * math.sin(x)) for x in turn] + \
                     [a - h * (along * math.cos(x) + across * math.sin(x)) for x in turn]
        elif name == "g":       # the middle of a mitred digit is a hexagon
            points = [p + along * g, p + along * (h + g) + across * h, q - along * (h + g) + across * h, q - along * g,
                      q - along * (h + g) - across * h, p + along * (h + g) - across * h]
        else:                   # long on the outer edge, short on the inner
            outer = -across if name in "aec" and name != "e" else across
            outer = {"a": (0, -1), "d": (0, 1), "f": (-1, 0), "e": (-1, 0), "b": (1, 0), "c": (1, 0)}[name]
            outer = np.array(outer, float)
            # at the middle both edges end at the middle segment's point
            first, last = (name in "adfb"), (name in "adec")
            a_out, a_in = p + outer * h + along * (g - (h if first else 0)), p - outer * h + along * (g + h)
            b_out, b_in = q + outer * h - along * (g - (h if last else 0)), q - outer * h - along * (g + h)
            points = [a_out, b_out, b_in, a_in]
        out[name] = [tuple(x) for x in points]
    return out


# what is lettered or lit, its middle, and from there to its top: x, y, x, y; a point has its digits' height
Placed = tuple[str, float, float, float, float]


class Glass:
    """The window's two layers, lit and ghost, as coverage 0 to 1, with what is lettered on it."""

    def __init__(self, size: tuple[int, int]):
        self.size = size
        self.lit, self.ghost = Image.new("L", size, 0), Image.new("L", size, 0)
        self._lit, self._ghost = ImageDraw.Draw(self.lit), ImageDraw.Draw(self.ghost)
        self.placed: list[Placed] = []

    def figure(self, text: str, box: tuple[float, float, float, float], cells: int, s: Segments) -> None:
        """`text` right-aligned in `cells` cells that fill the box's height and at most its width."""
        left, top, right, bottom = box
        lean = math.tan(math.radians(s.slant))
        height = min(bottom - top, (right - left) / (s.width * (1 + (cells - 1) * s.pitch) + lean + 0.25 * s.width))
        x0 = right - height * (s.width * (1 + (cells - 1) * s.pitch) + lean + 0.25 * s.width)
        y0 = (top + bottom - height) / 2
        strokes = _strokes(s)

        def place(points, cell):
            return [(x0 + height * (x + cell * s.width * s.pitch + (1 - y) * lean), y0 + height * y) for x, y in points]

        shown, marks = [], {}
        for ch in text:
            if ch in ".:":
                marks[len(shown) - 1] = ch
            else:
                shown.append(ch)
        offset = cells - len(shown)
        size = s.thick * 0.55
        for cell in range(cells):
            for points in strokes.values():
                self._ghost.polygon(place(points, cell), fill=255)
            ch = shown[cell - offset] if cell >= offset else " "
            lit = LIT[ch] if s.tailed else {"6": "fgecd", "9": "abcfg"}.get(ch, LIT[ch])
            for name in lit:
                self._lit.polygon(place(strokes[name], cell), fill=255)
            (x, y), (tip, top) = place([(s.width / 2, 0.5), (s.width / 2, 0)], cell)
            up = (tip - x, top - y)
            if lit:
                self.placed.append((ch, x, y, *up))
            mark = marks.get(cell - offset)
            x = s.width * (1 + (s.pitch - 1) / 2)
            spots = {".": [(x, 1 - size)], ":": [(x, 0.3), (x, 0.7)], None: []}[mark]
            if mark:
                self.placed.append((mark, *np.mean(place(spots, cell), axis=0), *up))
            if cell < cells - 1:
                self._dot(self._ghost, place([(x, 1 - size)], cell)[0], size * height, s.round_point)
            for spot in spots:
                self._dot(self._lit, place([spot], cell)[0], size * height, s.round_point)

    @staticmethod
    def _dot(draw: ImageDraw.ImageDraw, at: tuple[float, float], r: float, as_round: bool) -> None:
        (draw.ellipse if as_round else draw.rectangle)((at[0] - r, at[1] - r, at[0] + r, at[1] + r), fill=255)

    def words(self, text: str, xy: tuple[float, float], size: float, face: str, anchor: str = "lm", ghost: bool = False) -> None:
        layer = self._ghost if ghost else self._lit
        layer.text(xy, text, font=font(face, max(10, round(size))), fill=255, anchor=anchor)
        if not ghost:
            self.placed.append(printed(layer, text, xy, font(face, max(10, round(size))), anchor))

    def picture(self, look: Look, rng: random.Random) -> np.ndarray:
        """float32 RGB, 0 to 255 and above where light spills."""
        import cv2

        lit, ghost = (np.asarray(x, np.float32)[..., None] / 255 for x in (self.lit, self.ghost))
        paper, ink = np.array(look.paper, np.float32), np.array(look.ink, np.float32)
        amount = np.maximum(lit, ghost * look.ghost)
        image = paper + (ink - paper) * amount
        if look.glows:
            r = self.size[1] * 0.03
            spill = cv2.GaussianBlur(lit[..., 0], (0, 0), r)[..., None] + 0.5 * cv2.GaussianBlur(lit[..., 0], (0, 0), 3 * r)[..., None]
            image += ink * spill * look.bloom
            image += 255 * (lit * look.bloom * 0.8)       # the middle of a bright segment burns out
        yy, xx = np.mgrid[0:self.size[1], 0:self.size[0]].astype(np.float32) / self.size[1]
        wide = self.size[0] / self.size[1]
        if rng.random() < 0.4:      # a lamp or the sky, seen in the glass
            cx, cy, rx, ry = rng.uniform(0, wide), rng.uniform(0, 1), rng.uniform(0.15, 0.6), rng.uniform(0.1, 0.3)
            blob = np.exp(-(((xx - cx) / rx) ** 2 + ((yy - cy) / ry) ** 2) ** 2)
            image += rng.uniform(15, 70) * blob[..., None]
        if rng.random() < 0.25:     # a finger's shadow
            edge = rng.uniform(0.1, 0.9) * wide + (yy - 0.5) * rng.uniform(-0.8, 0.8)
            side = rng.choice([-1, 1])
            image *= 1 - rng.uniform(0.2, 0.5) * (1 / (1 + np.exp(np.clip(side * (xx - edge) / 0.04, -60, 60))))[..., None]
        return image


def printed(pen: ImageDraw.ImageDraw, text: str, xy: tuple[float, float], face: ImageFont.FreeTypeFont, anchor: str) -> Placed:
    left, top, right, bottom = pen.textbbox(xy, text, font=face, anchor=anchor)
    return text, (left + right) / 2, (top + bottom) / 2, 0.0, (top - bottom) / 2


@dataclass(frozen=True)
class Layout:
    """Shares of the case. `unit_at`: "right", "top", "below", "foot" in the window, or "case" beside it; `rows`: how two figures lie."""

    size: tuple[int, int]
    window: tuple[float, float, float, float]
    unit_at: str
    rows: str                  # "stacked" or "beside"
    word_on_case: bool
    buttons: str               # "below", "left", "knob"


Draw = Callable[..., None]


def _boxes(count: int, rows: str, w: int, h: int) -> list[tuple[float, float, float, float]]:
    if count == 1:
        return [(0.03 * w, 0.05 * h, 0.97 * w, 0.95 * h)]
    if rows == "stacked":
        return [(0.03 * w, 0.04 * h, 0.97 * w, 0.48 * h), (0.03 * w, 0.52 * h, 0.97 * w, 0.96 * h)]
    # so far apart that they are two
    return [(0.02 * w, 0.05 * h, 0.46 * w, 0.95 * h), (0.54 * w, 0.05 * h, 0.98 * w, 0.95 * h)]


def draw(truth: Truth, s: Segments, look: Look, layout: Layout, face: str, rng: random.Random, placed: list[Placed] | None = None) -> Image.Image:
    """The instrument's face, upright, from the front. `placed` is given what stands on it, but for its controls."""
    import cv2

    width, height = layout.size
    image = Image.new("RGB", layout.size, look.case)
    pen = ImageDraw.Draw(image)
    pen.rounded_rectangle((6, 6, width - 7, height - 7), 40, outline=tuple(int(c * 0.6) for c in look.case), width=8)
    left, top, right, bottom = (round(v * x) for v, x in zip(layout.window, (width, height, width, height), strict=True))
    w, h = right - left, bottom - top
    glass = Glass((w, h))
    case_words = []
    for figure, box in zip(truth.figures, _boxes(len(truth.figures), layout.rows, w, h), strict=True):
        x0, y0, x1, y1 = box
        bw, bh = x1 - x0, y1 - y0
        lead = 0.0
        if figure.word:
            if layout.word_on_case and layout.rows == "stacked":
                case_words.append((figure.word, (left - 14, top + (y0 + y1) / 2), "rm"))
            elif layout.rows == "stacked":
                glass.words(figure.word, (x0, y0 + 0.3 * bh), min(0.3 * bh, 0.24 * bw / max(1, len(figure.word))), face)
                lead = 0.17
            elif layout.word_on_case:
                case_words.append((figure.word, (left + (x0 + x1) / 2, top - 26), "mm"))
            else:
                glass.words(figure.word, (x0, y0 + 0.1 * bh), 0.15 * bh, face)
        size = min(0.3 * bh, 0.12 * w)
        digits = {"right": (x0 + lead * bw, y0 + 0.06 * bh, x1 - 0.17 * bw, y1 - 0.06 * bh), "top": (x0 + lead * bw, y0 + 0.24 * bh, x1, y1),
                  "below": (x0 + lead * bw, y0, x1, y1 - 0.24 * bh),
                  "foot": (x0 + lead * bw, y0, x1, y1 - 0.24 * bh), "case": (x0 + lead * bw, y0 + 0.08 * bh, x1, y1 - 0.08 * bh)}[layout.unit_at]
        if figure.word and layout.rows == "beside" and not layout.word_on_case:
            digits = (digits[0], max(digits[1], y0 + 0.24 * bh), digits[2], digits[3])
        unit = figure.printed_unit
        length = font(face, 100).getlength(unit) / 100
        if layout.unit_at == "right":
            glass.words(unit, (x1, y1 - 0.2 * bh), min(size, 0.15 * bw / length), face, "rm")
        elif layout.unit_at == "case":
            case_words.append((unit, (right + 14, top + (y0 + y1) / 2), "lm"))
        elif layout.unit_at == "foot":
            glass.words(unit, (x0 + (lead + 0.05) * bw, y1 - 0.1 * bh), min(0.19 * bh, 0.5 * bw / length), face, "lm")
        else:
            at = y0 + 0.1 * bh if layout.unit_at == "top" else y1 - 0.1 * bh
            glass.words(unit, (x1 - 0.02 * bw, at), min(0.19 * bh, 0.5 * bw / length), face, "rm")
            if not figure.word and rng.random() < 0.5:
                glass.words(rng.choice(["HOLD", "AUTO", "DC"]), (x0 + 0.02 * bw, at), 0.14 * bh, face, "lm")
            others = {"F": "°C", "C": "°F", "g": "kg", "psi": "bar", "bar": "psi"}
            if figure.unit in others and not figure.word:
                glass.words(others[figure.unit], (x0 + 0.5 * bw, at), 0.16 * bh, face, "mm", ghost=True)
        cells = sum(c not in ".:" for c in figure.text)
        glass.figure(figure.text, digits, max(cells, rng.choice([3, 4, 4]) if figure.word else rng.choice([4, 4, 5])), s)
    canvas = np.asarray(image, np.float32).copy()
    canvas[top - 8:bottom + 8, left - 8:right + 8] *= 0.55          # the bezel
    canvas[top:bottom, left:right] = glass.picture(look, rng)
    if look.glows:      # light on the case
        canvas = canvas + 0.15 * look.bloom * cv2.GaussianBlur(np.clip(canvas - 140, 0, None), (0, 0), 25)
    image = Image.fromarray(np.clip(canvas, 0, 255).astype(np.uint8))
    pen = ImageDraw.Draw(image)
    for words, xy, anchor in case_words:
        room = (left - 30) if anchor == "rm" else (width - right - 30) if anchor == "lm" else w / 2
        size = min(64, round(room / max(0.5, font(face, 100).getlength(words) / 100)))
        pen.text(xy, words, font=font(face, max(14, size)), fill=look.print, anchor=anchor)
        if placed is not None:
            placed.append(printed(pen, words, xy, font(face, max(14, size)), anchor))
    if placed is not None:
        placed += [(sign, x + left, y + top, *up) for sign, x, y, *up in glass.placed]
    _controls(pen, layout, look, face, rng, (left, top, right, bottom))
    return image


def _controls(pen: ImageDraw.ImageDraw, layout: Layout, look: Look, face: str, rng: random.Random, window: tuple[int, int, int, int]) -> None:
    width, height = layout.size
    dark = tuple(int(c * 0.75) for c in look.case)
    name = "".join(rng.choice(["ve", "lo", "mar", "ti", "qua", "sen", "dro", "pel", "ix", "on"]) for _ in range(3))
    labels = rng.sample(["ON/OFF", "MODE", "HOLD", "ZERO", "UNIT", "TARE", "°C/°F", "LIGHT", "SET"], 3)
    left, top, _, bottom = window
    if layout.buttons == "left":
        spots = [(left / 2, top + (bottom - top) * (i + 0.5) / 3) for i in range(3)]
    else:
        y = (bottom + height) / 2 + 10 if layout.buttons == "below" else height * 0.62
        spots = [(width * (i + 1) / 4, y) for i in range(3)]
    r = min(60, (height - bottom) / 3.2) if layout.buttons != "left" else min(50, left / 3.2)
    for (x, y), label in zip(spots, labels, strict=True):
        pen.rounded_rectangle((x - 1.6 * r, y - 0.6 * r, x + 1.6 * r, y + 0.6 * r), int(r * 0.4), fill=dark, outline=look.print, width=2)
        pen.text((x, y), label, font=font(face, max(12, round(r * 0.55))), fill=look.print, anchor="mm")
    if layout.buttons == "knob":
        x, y, r = width / 2, height * 0.82, min(width, height) * 0.13
        pen.ellipse((x - r, y - r, x + r, y + r), fill=dark, outline=look.print, width=4)
        turn = rng.uniform(0, 2 * math.pi)
        pen.line((x, y, x + 0.9 * r * math.cos(turn), y + 0.9 * r * math.sin(turn)), fill=look.print, width=8)
    pen.text((width / 2, max(18, top / 2 - 8)), name.upper() if rng.random() < 0.5 else name, font=font(face, max(14, min(38, round(top * 0.4)))),
             fill=look.print, anchor="mm")


@dataclass(frozen=True)
class Split:
    segments: tuple[Segments, ...]
    looks: tuple[Look, ...]
    layouts: tuple[Layout, ...]
    faces: tuple[str, ...]
    first_seed: int


DEVELOPMENT = Split(
    (Segments("mitred", 0.52, 0.13, 0.012, 6, 1.28), Segments("pointed", 0.55, 0.12, 0.015, 10, 1.35), Segments("square", 0.5, 0.12, 0.02, 0, 1.4, False),
     Segments("mitred", 0.6, 0.16, 0.02, 3, 1.25, False), Segments("pointed", 0.48, 0.10, 0.01, 8, 1.45, True, False)),
    (Look((150, 160, 140), (35, 42, 38), (45, 47, 52), (220, 220, 215), ghost=0.06), Look((172, 178, 160), (92, 100, 92), (200, 170, 40), (30, 30, 30), ghost=0.05),
     Look((90, 180, 225), (15, 25, 70), (60, 62, 66), (230, 230, 230), ghost=0.08), Look((12, 10, 12), (235, 45, 35), (38, 40, 44), (225, 225, 225), True, 0.3, 0.03),
     Look((10, 14, 12), (60, 225, 90), (70, 74, 80), (235, 235, 235), True, 0.5, 0.03), Look((18, 24, 55), (205, 222, 245), (120, 30, 30), (240, 240, 240), ghost=0.07)),
    (Layout((1000, 640), (0.12, 0.16, 0.88, 0.62), "right", "stacked", False, "below"), Layout((1000, 760), (0.14, 0.15, 0.86, 0.62), "top", "stacked", True, "below"),
     Layout((860, 1150), (0.12, 0.12, 0.88, 0.46), "top", "stacked", False, "knob"), Layout((1150, 620), (0.22, 0.17, 0.82, 0.66), "case", "stacked", True, "below"),
     Layout((1200, 600), (0.08, 0.2, 0.92, 0.64), "top", "beside", True, "below")),
    ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "LiberationSans-Regular.ttf"), 1_000)
HELD_OUT = Split(
    (Segments("rounded", 0.54, 0.12, 0.012, 5, 1.32), Segments("rounded", 0.5, 0.145, 0.02, 9, 1.4), Segments("pointed", 0.58, 0.14, 0.02, 0, 1.3, False),
     Segments("square", 0.56, 0.14, 0.012, 12, 1.36), Segments("mitred", 0.5, 0.11, 0.015, 4, 1.38, False, False)),
    (Look((165, 172, 150), (50, 55, 50), (85, 30, 28), (235, 235, 230), ghost=0.07), Look((140, 148, 135), (70, 78, 72), (50, 52, 60), (225, 225, 220), ghost=0.05),
     Look((235, 165, 60), (60, 30, 8), (40, 42, 46), (230, 230, 230), ghost=0.06), Look((225, 232, 232), (25, 28, 34), (30, 80, 120), (240, 240, 240), ghost=0.05),
     Look((14, 12, 10), (245, 160, 30), (52, 54, 58), (230, 230, 225), True, 0.35, 0.03), Look((10, 12, 18), (70, 130, 250), (90, 92, 96), (20, 20, 22), True, 0.4, 0.03),
     Look((20, 30, 24), (190, 235, 200), (46, 50, 48), (235, 235, 235), ghost=0.06)),
    (Layout((1050, 680), (0.1, 0.18, 0.9, 0.66), "below", "stacked", False, "below"), Layout((1150, 640), (0.26, 0.16, 0.93, 0.8), "right", "stacked", False, "left"),
     Layout((900, 1100), (0.17, 0.14, 0.83, 0.48), "case", "stacked", True, "knob"), Layout((1240, 560), (0.06, 0.22, 0.94, 0.68), "below", "beside", True, "below")),
    ("LiberationSans-Bold.ttf", "DejaVuSansCondensed-Bold.ttf", "DejaVuSansCondensed.ttf"), 900_000)
SPLITS = {"development": DEVELOPMENT, "heldout": HELD_OUT}


def random_display(split: Split, seed: int) -> tuple[Image.Image, Truth]:
    rng = random.Random(split.first_seed + seed)
    truth = invent(rng)
    layouts = [x for x in split.layouts if len(truth.figures) == 2 or x.rows == "stacked"]
    segments = rng.choice(split.segments)
    segments = replace(segments, slant=max(0.0, segments.slant + rng.uniform(-2, 2)) if segments.slant else 0.0)
    return draw(truth, segments, rng.choice(split.looks), rng.choice(layouts), rng.choice(split.faces), rng), truth
