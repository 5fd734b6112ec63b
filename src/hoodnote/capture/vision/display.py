"""A digital display in a photo: its figures by their lit segments and, apart from that, by optical reading; its unit by its lettering.

A figure stands as agreed only when both ways give the same digits, sign and point, the unit was read, and its place is known.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

import numpy as np

from hoodnote.capture.vision.display_find import Row, find_rows
from hoodnote.capture.vision.display_segments import (
    DIGIT,
    Figures,
    Flat,
    contrast,
    read_row,
)
from hoodnote.capture.vision.display_text import (
    GHOST,
    LETTERED,
    POUNDS_OUNCES,
    SURE,
    Word,
    optical,
    words_around,
)
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NEURAL, NeuralReader
from hoodnote.capture.vision.reading import Kind, Mark, PhotoField, PhotoReading
from hoodnote.capture.vision.rectify import sharpness
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Measured
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS, Quantity

SEGMENTS_READER = "segments"
LEAST_DIGIT_PX = 16          # height of a digit in the photo; smaller ones are not read reliably
MOST_VARIANTS = 4
# where a figure belongs when nobody said: certain by its unit, or the likeliest, which is asked about
_CERTAIN = {"micron": "vacuum"}
_LIKELY = {Quantity.PRESSURE: "low_side", Quantity.VACUUM: "low_side", Quantity.TEMPERATURE: "vent", Quantity.MASS: "charged", Quantity.VOLTAGE: "battery",
           Quantity.RESISTANCE: "clutch_coil", Quantity.CURRENT: "clutch", Quantity.HUMIDITY: "humidity"}
_DEFAULT_UNIT = {"us": {Quantity.PRESSURE: "psi", Quantity.TEMPERATURE: "F", Quantity.MASS: "oz", Quantity.VACUUM: "micron"},
                 "metric": {Quantity.PRESSURE: "kPa", Quantity.TEMPERATURE: "C", Quantity.MASS: "g", Quantity.VACUUM: "micron"}}
_ALWAYS_UNIT = {Quantity.VOLTAGE: "V", Quantity.RESISTANCE: "ohm", Quantity.CURRENT: "A", Quantity.HUMIDITY: "%"}


@dataclass(frozen=True, eq=False)
class _Shown:
    """One figure on the display, found and read by its segments."""

    row: Row
    flat: Flat
    figures: Figures

    @property
    def digits(self) -> bool:
        return all(c.text.isdigit() or c.text == "-" for c in self.figures.cells) and any(c.text.isdigit() for c in self.figures.cells)

    @property
    def own_row(self) -> Row:
        """The row cut down to this figure."""
        return Row(self.corners(), self.row.bright, len(self.figures.cells))

    def corners(self, left: float | None = None, right: float | None = None) -> np.ndarray:
        f, t = self.figures, self.flat.top
        a, b = f.left if left is None else left, f.right if right is None else right
        return self.flat.to_photo(np.array([(a, t), (b, t), (b, t + DIGIT), (a, t + DIGIT)])).astype(np.float64)


def looks_like(photo: Photo) -> float:
    """0 to 1: does the photo show segment figures? Looks for lit segments only, at reduced size."""
    shown = _figures_in(photo.pixels)
    if not shown:
        return 0.0
    best = shown[0]
    sure = sum(not c.doubtful for c in best.figures.cells) / len(best.figures.cells)
    return round((0.9 if len(best.figures.cells) >= 3 else 0.75 if len(best.figures.cells) == 2 else 0.4) * sure, 3)


def read_display(photo: Photo, place: str | None = None, units: str = "us", reader: NeuralReader | None = None) -> PhotoReading:
    """Reads the one or two figures of a digital display. `place` (a vocabulary place) is where a person says the single figure was
    taken; `units` ("us" or "metric") only words a question about a unit that was not read.

    Raises HoodnoteError for a place or a unit system that is not known.
    """
    if place is not None and place not in PLACES:
        raise HoodnoteError(f"place {place!r} is not known")
    if units not in _DEFAULT_UNIT:
        raise HoodnoteError(f"unit system {units!r} is not known; use us or metric")
    reader = reader or NeuralReader()
    used = (SEGMENTS_READER, NEURAL)
    shown = _figures_in(photo.pixels)
    if not shown:
        return PhotoReading(Kind.DISPLAY, (), (), used, _what_to_do(photo), 0.0)
    problem = _refusal(shown)
    if problem:
        return PhotoReading(Kind.DISPLAY, (), (), used, problem)
    level = _level(shown[0])
    _, words, boxes = words_around(photo.pixels, [s.own_row for s in shown], level, reader)
    lettering = [_lettering(i, boxes, words) for i in range(len(shown))]
    if len(shown) == 2:
        lettering = _shared(lettering)
    one_of_two = len(shown) == 1 and any(w.side and w.confidence >= 0.6 and not w.unit and w.strength > GHOST for w in words)
    if all(unit is None for unit, _, _ in lettering) and (place is None or all(len(s.figures.cells) == 1 for s in shown)):
        seen = " and ".join(s.figures.text for s in shown)
        return PhotoReading(Kind.DISPLAY, (), (), used, f"The display seems to read {seen}, but no unit was read: take it again closer and straight, the unit in view.")
    fields = tuple(f for f in (_field(photo, s, letters, place, units, 2 if one_of_two else len(shown), reader)
                               for s, letters in zip(shown, lettering, strict=True)) if f is not None)
    if not fields:
        return PhotoReading(Kind.DISPLAY, (), (), used, "The display's unit is not one the note carries: say the figure and its unit.")
    warnings = []
    if any(w.held and w.strength > LETTERED and w.box[3] < max(b[3] for b in boxes) for w in words):
        warnings.append("The display shows a held figure (HOLD, MAX or MIN), which may not be the present one.")
    return PhotoReading(Kind.DISPLAY, fields, tuple(warnings), used)


def _figures_in(pixels: np.ndarray) -> list[_Shown]:
    """The display's figures, at most three, the upper or left one first."""
    found: list[_Shown] = []
    # a row of several pieces tells its own slope; single ones fill in what is left
    for row in sorted(find_rows(pixels), key=lambda r: r.height * (min(r.count, 4) if r.count > 1 else 0.3), reverse=True):
        if row.height < LEAST_DIGIT_PX or any(_covers(s, row) for s in found):
            continue
        if row.count == 1 and found and not any(0.7 < row.height / s.own_row.height < 1.4 for s in found):
            continue
        read = read_row(pixels, row)
        for figures in read[1] if read else ():
            shown = _Shown(row, read[0], figures)
            if _segmented(figures) and not any(_covers(s, shown.own_row) for s in found):
                found.append(shown)
    if not found:
        return []
    # a lone cell is often a mere stroke or ring of something else
    main = max(found, key=lambda s: s.own_row.height * min(len(s.figures.cells), 5) * (1.0 if s.digits else 0.5) * (0.2 if len(s.figures.cells) == 1 else 1.0))
    if len(main.figures.cells) == 1 and main.figures.cells[0].text in "1-7?":
        return []
    near = [s for s in found if s is main or _belongs(s, main)]
    near.sort(key=lambda s: (round(s.own_row.centre[1] / main.own_row.height), s.own_row.centre[0]))
    return near[:3]


def _segmented(figures: Figures) -> bool:
    """Enough cells that are digits or segment letters, and not a mere row of strokes."""
    good = [c for c in figures.cells if c.text != "?"]
    return len(figures.cells) <= 7 and len(good) >= 0.7 * len(figures.cells) and (len(good) == 1 or any(c.text not in "1-" for c in good))


def _covers(shown: _Shown, row: Row) -> bool:
    own = shown.own_row
    reach = np.abs(row.centre - own.centre)
    return bool(reach[0] < own.width / 2 + 0.2 * own.height and reach[1] < 0.6 * own.height)


def _belongs(one: _Shown, main: _Shown) -> bool:
    a, b = one.own_row, main.own_row
    if a.bright is not b.bright or not 0.72 < a.height / b.height < 1.38 or not one.digits and len(one.figures.cells) < 2:
        return False
    apart = np.abs(a.centre - b.centre)
    stacked = apart[1] < 2.2 * b.height and apart[0] < 0.6 * (a.width + b.width)
    beside = apart[1] < 0.9 * b.height + 0.35 * apart[0] and apart[0] < 0.75 * (a.width + b.width) + 2.5 * b.height
    return bool(stacked or beside) and abs(_level(one) / max(_level(main), 1e-6) - 1) < 0.6


def _level(shown: _Shown) -> float:
    out = contrast(shown.flat)
    part = out[round(shown.flat.top):round(shown.flat.top + DIGIT), max(0, round(shown.figures.left)):max(1, round(shown.figures.right))]
    return float(np.percentile(part, 90)) if part.size else 0.0


def _refusal(shown: Sequence[_Shown]) -> str | None:
    if len(shown) > 2:
        return "The display shows more than two figures: fill the picture with the ones that matter and take it again."
    for s in shown:
        texts = [c.text for c in s.figures.cells]
        if not s.digits:
            if any(t.isalpha() for t in texts) and "?" not in texts:
                return f"The display shows {''.join(texts)}, which is no figure: out of range, an error or a menu. Take it again when it shows one."
            return "A digit could not be read: hold the phone straight, keep reflections off the glass and take it again."
        if any(c.hidden for c in s.figures.cells):
            return "There is glare on the digits: take the photo again from another angle."
        if len(s.figures.variants()) > MOST_VARIANTS:
            return "The digits were changing or are too faint: take it again when they stand still, with more or less light."
    return None


def _lettering(index: int, boxes: Sequence[tuple[float, ...]], words: Sequence[Word]) -> tuple[str | None, str | None, str | None]:
    """Unit, place ("low_side" or "high_side") and what is doubtful about the unit, of one figure."""
    def apart(word: Word, box: tuple[float, ...]) -> tuple[float, float]:
        x, y = word.centre
        return max(box[0] - x, 0, x - box[2]), max(box[1] - y, 0, y - box[3])

    height = boxes[index][3] - boxes[index][1]
    stacked = len(boxes) == 2 and min(boxes[0][3], boxes[1][3]) - max(boxes[0][1], boxes[1][1]) < 0.4 * height

    def distance(word: Word, box: tuple[float, ...]) -> float:
        """Words belong to the figure on their line where figures are stacked, to the one above or below them where they stand side by side."""
        dx, dy = apart(word, box)
        return float(np.hypot(dx, dy)) if len(boxes) == 1 else dy + 0.1 * dx if stacked else dx + 0.1 * dy

    def owner(word: Word) -> int | None:
        """Index of the figure that the word belongs to, None where it may be either's."""
        reach = [distance(word, box) for box in boxes]
        order = sorted(range(len(boxes)), key=reach.__getitem__)
        return order[0] if len(order) == 1 or reach[order[1]] - reach[order[0]] > 0.2 * height else None

    lit = [w for w in words if w.strength > GHOST]
    own = [w for w in lit if owner(w) == index]
    units = [w for w in own if w.unit and max(apart(w, boxes[index])) < 2.4 * height]
    sides = {w.side for w in own if w.side and w.confidence >= 0.6 and not w.unit}
    side = sides.pop() if len(sides) == 1 else None
    if not units:
        return None, side, None
    units.sort(key=lambda w: distance(w, boxes[index]))
    names = list(dict.fromkeys(w.unit for w in units))
    best = units[0]
    doubt = None
    if len(names) > 1:
        doubt = "the display names more than one unit, " + " and ".join(str(n) for n in names if n != "?")
    elif best.confidence < SURE or best.strength < LETTERED:
        doubt = f"the unit is hard to read, perhaps {best.text}"
    return best.unit, side, doubt


def _shared(lettering: list[tuple[str | None, str | None, str | None]]) -> list[tuple[str | None, str | None, str | None]]:
    """Two figures: a unit printed once is both's, and the one that is not LOW is HIGH."""
    units, sides, doubts = zip(*lettering, strict=True)
    if None in units:
        other = next((u for u in units if u), None)
        doubt = next((d for d in doubts if d), None)
        if other is not None and UNITS.get(other) is not None and UNITS[other].quantity is Quantity.PRESSURE:
            units, doubts = (other, other), (doubt, doubt)
    opposite = {"low_side": "high_side", "high_side": "low_side"}
    if sides[0] == sides[1]:
        sides = (None, None)
    else:
        sides = (sides[0] or opposite[sides[1]], sides[1] or opposite[sides[0]])
    return list(zip(units, sides, doubts, strict=True))


def _field(photo: Photo, shown: _Shown, letters: tuple[str | None, str | None, str | None], place: str | None, units: str, count: int,
           reader: NeuralReader) -> PhotoField | None:
    unit, side, doubt = letters
    if unit == "?":
        return None
    figures = shown.figures
    read = optical(shown.flat, figures, reader)
    variants = figures.variants()
    # of the texts that the segments allow, the one that the other way gives as well comes first
    seconds = [t for t, _ in read]
    text = next((t for t in seconds if t in variants), variants[0])
    where, place_doubt = _place(unit, side, place, count)
    if where is None:
        return None
    unit_id = "oz" if unit == POUNDS_OUNCES else unit
    if unit_id is None:
        quantity = PLACES[where].quantities[0]
        unit_id = _ALWAYS_UNIT.get(quantity) or _DEFAULT_UNIT[units].get(quantity)
        doubt = "its unit was not read"
        if unit_id is None:
            return None
    value = _value(text, unit)
    if value is None:
        return None
    statement = Measured(where, value, unit_id, unit_stated=unit is not None)
    agreeing = [c for t, c in read if _agrees(text, t)]
    settled = bool(agreeing) and (_agrees(text, seconds[0]) and read[0][1] >= SURE or _no_rival(read[0]) and max(agreeing) >= SURE)
    question = _question(shown, text, variants, read, unit, settled, doubt, place_doubt, where)
    segments_confidence = float(min(_clearness(c.states) for c in figures.cells))
    versions = [Version(SEGMENTS_READER, text, statement, round(segments_confidence, 3))]
    for other, confidence in read:
        other_value = _value(other, unit)
        versions.append(Version(NEURAL, other, None if other_value is None else Measured(where, other_value, unit_id, unit is not None), round(confidence, 3)))
    confidence = 1 - (1 - segments_confidence) * (1 - max(agreeing, default=0.0))
    quad = shown.corners()
    marks = (Mark(_points(quad), True, "outline"), *(Mark(_points(shown.corners(c.left, c.right)), True, "used") for c in figures.cells))
    return PhotoField(statement, Standing.UNCONFIRMED if question else Standing.AGREED, round(min(confidence, 0.999 if question is None else 0.5), 3),
                      tuple(dict.fromkeys(versions)), _box(quad, photo), tuple((int(x), int(y)) for x, y in np.rint(quad)), _crop(shown), question, None, marks)


def _place(unit: str | None, side: str | None, place: str | None, count: int) -> tuple[str | None, str | None]:
    """Where the figure belongs, and what is to be asked about that."""
    quantity = UNITS["oz" if unit == POUNDS_OUNCES else unit].quantity if unit else None
    if count == 2 and side and place in (None, side) and (quantity is None or quantity in PLACES[side].quantities):
        return side, None
    if unit in _CERTAIN and place is None:
        return _CERTAIN[unit], None
    if place is not None and (quantity is None or quantity in PLACES[place].quantities):
        return place, None if count == 1 else "the display shows two figures"
    likely = _LIKELY.get(quantity) if quantity else None
    if place is not None and likely is not None:
        return likely, f"the display shows {unit}, which {PLACES[place].name} is not measured in"
    return likely, "the photo does not say where it was taken"


def _value(text: str, unit: str | None) -> Decimal | None:
    """A pounds-and-ounces figure becomes ounces, sixteen to the pound (NIST SP 811 B.8)."""
    pounds, colon, ounces = text.partition(":")
    try:
        if colon:
            if unit != POUNDS_OUNCES or not Decimal(ounces) < 16 or pounds.startswith("-"):
                return None
            return Decimal(pounds) * 16 + Decimal(ounces)
        return None if unit == POUNDS_OUNCES else Decimal(text)
    except InvalidOperation:
        return None


def _agrees(text: str, other: str) -> bool:
    """The same digits, sign and point: a point that only one way shows may be dirt."""
    return other == text


def _no_rival(read: tuple[str, float]) -> bool:
    """The first optical reading gave no number of its own, or none that it was sure of."""
    return read[1] < 0.6 or not any(ch.isdigit() for ch in read[0]) or read[0].count(".") > 1


def _question(shown: _Shown, text: str, variants: Sequence[str], read: Sequence[tuple[str, float]], unit: str | None, settled: bool, doubt: str | None,
              place_doubt: str | None, where: str) -> str | None:
    value = f"{text} {unit}" if unit else text
    name = PLACES[where].name
    if len(variants) > 1:
        return f"A segment is in doubt: does the display read {' or '.join(variants)}{' ' + unit if unit else ''}?"
    if not settled:
        others = [t for t, c in read if t != text and c >= 0.5 and any(ch.isdigit() for ch in t)]
        if others:
            return f"The display reads {value} or {others[0]}{' ' + unit if unit else ''}: which is it?"
        return f"The display reads {value}, but only by its segments: is it right?"
    if shown.figures.beside:
        return f"The display reads {value}, but {shown.figures.beside}: is that all of it?"
    if doubt:
        return f"The display reads {text}, but {doubt}: is it {value}?"
    if place_doubt:
        return f"The display reads {value}; {place_doubt}: is it the {name}?"
    return None


def _clearness(states: Sequence[float]) -> float:
    """1 where every segment is fully lit or dark, 0 where one lies halfway."""
    return min(min(1.0, abs(s - 0.48) / 0.42) for s in states)


def _points(quad: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in quad)


def _box(quad: np.ndarray, photo: Photo) -> tuple[int, int, int, int]:
    return (max(0, int(quad[:, 0].min())), max(0, int(quad[:, 1].min())), min(photo.width, int(quad[:, 0].max()) + 1), min(photo.height, int(quad[:, 1].max()) + 1))


def _crop(shown: _Shown) -> bytes:
    from PIL import Image

    f, flat = shown.figures, shown.flat
    margin = DIGIT // 4
    cut = flat.pixels[max(0, round(flat.top) - margin):round(flat.top + DIGIT) + margin, max(0, round(f.left) - margin):round(f.right) + margin]
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(cut)).save(out, "PNG")
    return out.getvalue()


def _what_to_do(photo: Photo) -> str:
    if sharpness(photo.pixels) < 15:
        return "No display was found and the photo is blurred: hold still, focus on the display and take it again."
    return "No figures of a display were found: fill the picture with the display, straight and without reflections, and take it again."
