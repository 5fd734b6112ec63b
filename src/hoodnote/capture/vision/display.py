"""A digital display in a photo: its figures by a small network over the whole row, by another that finds each sign alone, and, apart from
those, by which segments are lit; its unit by its lettering.

A figure stands as agreed only when all three ways give the same digits, sign and point, the text reader is not sure of other digits, the
unit was read, and its place is known. A point that the segments leave open needs the text reader's word as well. A lone digit is always
asked, for its neighbours may be what was not seen; so are pounds and ounces, whose colon is one more thing to miss.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, InvalidOperation

import numpy as np

from hoodnote.capture.vision.display_accounts import NETWORK, SEGMENTS_READER, Accounts, accounts_of
from hoodnote.capture.vision.display_rows import Shown, figures_in, is_sure, large_figures
from hoodnote.capture.vision.display_text import GHOST, LETTERED, WORD_SURE, Word, words_around
from hoodnote.capture.vision.display_words import FOREIGN, POUNDS_OUNCES
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NEURAL, NeuralReader
from hoodnote.capture.vision.reading import Kind, Mark, PhotoField, PhotoReading
from hoodnote.capture.vision.rectify import sharpness
from hoodnote.capture.vision.signs import SIGNS_READER
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Measured
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS, Quantity

MOST_VARIANTS = 4
_REACH, _FAR = 2.4, 4.5       # digit heights from a figure to its unit, and to one that is asked about
_OTHER_DIGITS = 0.9           # confidence of the text reader from which other digits than those agreed are a doubt
_ALONE = 0.97                # probability from which the network's word is worth a question
# where a figure belongs when nobody said: certain by its unit, or the likeliest, which is asked about
_CERTAIN = {"micron": "vacuum"}
_LIKELY = {Quantity.PRESSURE: "low_side", Quantity.VACUUM: "low_side", Quantity.TEMPERATURE: "vent", Quantity.MASS: "charged", Quantity.VOLTAGE: "battery",
           Quantity.RESISTANCE: "clutch_coil", Quantity.CURRENT: "clutch", Quantity.HUMIDITY: "humidity"}
_DEFAULT_UNIT = {"us": {Quantity.PRESSURE: "psi", Quantity.TEMPERATURE: "F", Quantity.MASS: "oz", Quantity.VACUUM: "micron"},
                 "metric": {Quantity.PRESSURE: "kPa", Quantity.TEMPERATURE: "C", Quantity.MASS: "g", Quantity.VACUUM: "micron"}}
_ALWAYS_UNIT = {Quantity.VOLTAGE: "V", Quantity.RESISTANCE: "ohm", Quantity.CURRENT: "A", Quantity.HUMIDITY: "%"}


def looks_like(photo: Photo, large: bool = False, but: Sequence[np.ndarray] = ()) -> float:
    """0 to 1: does the photo show segment figures? `large`: such as are seen at a glance, and no others; nor those within the quads `but`."""
    if large and not large_figures(photo, but):
        return 0.0
    return max((_likeness(s) for s in _at_once_seen(photo)), default=0.0)


def _at_once_seen(photo: Photo) -> list[Shown]:
    return photo.once("segment figures", lambda: figures_in(photo, thorough=False))


def _figures(photo: Photo) -> list[Shown]:
    seen = _at_once_seen(photo)
    return seen if is_sure(seen) else figures_in(photo)


def _likeness(shown: Shown) -> float:
    """A lone digit or two may be a mere shape; what is read differently by its segments may be print."""
    signs = sum(c.isdigit() for c in shown.net.text)
    same = shown.figures is not None and shown.net.text in shown.figures.variants()
    return round(shown.net.probability * (0.35, 0.55, 0.8, 0.95)[min(signs, 3)] * (1.0 if same else 0.6), 3)


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
    used = (SEGMENTS_READER, NETWORK, SIGNS_READER, NEURAL)
    shown = _figures(photo)
    if not shown:
        return PhotoReading(Kind.DISPLAY, (), (), used, _what_to_do(photo), 0.0)
    if len(shown) > 2:
        return PhotoReading(Kind.DISPLAY, (), (), used, "The display shows more than two figures: fill the picture with the ones that matter and take it again.")
    around = words_around(photo.pixels, [s.row for s in shown], shown[0].level, reader)
    words, boxes = around.words, around.boxes
    read = [accounts_of(s, seen, reader) for s, seen in zip(shown, around.figures, strict=True)]
    problem = next((p for p in map(_refusal, read) if p), None)
    if problem:
        return PhotoReading(Kind.DISPLAY, (), (), used, problem)
    lettering = [_lettering(i, boxes, words) for i in range(len(shown))]
    if len(shown) == 2:
        lettering = _shared(lettering)
    one_of_two = len(shown) == 1 and any(w.side and w.confidence >= (0.6 if len(w.key) > 1 else 0.95) and not w.unit and w.strength > GHOST for w in words)
    seen = " and ".join(a.text for a in read)
    if all(unit is None for unit, _, _ in lettering) and (place is None or all(len(a.text) == 1 for a in read)):
        return PhotoReading(Kind.DISPLAY, (), (), used, f"The display seems to read {seen}, but no unit was read: take it again closer and straight, the unit in view.")
    if all(_is_lone(a) and (doubt or not a.sure) for a, (_, _, doubt) in zip(read, lettering, strict=True)):
        # print and key caps look like that
        return PhotoReading(Kind.DISPLAY, (), (), used, f"The display seems to read {seen}, a lone digit and not clear: take it again closer and straight, the unit in view.")
    fields = tuple(f for f in (_field(photo, a, letters, place, units, 2 if one_of_two else len(shown))
                               for a, letters in zip(read, lettering, strict=True)) if f is not None)
    if not fields:
        return PhotoReading(Kind.DISPLAY, (), (), used, "The display's unit is not one the note carries: say the figure and its unit.")
    warnings = []
    if any(w.held and w.strength > LETTERED and w.box[3] < max(b[3] for b in boxes) for w in words):
        warnings.append("The display shows a held figure (HOLD, MAX or MIN), which may not be the present one.")
    return PhotoReading(Kind.DISPLAY, fields, tuple(warnings), used)


def _is_lone(read: Accounts) -> bool:
    return sum(c.isdigit() for c in read.text) < 2


def _refusal(read: Accounts) -> str | None:
    shown = read.shown
    if shown.letters:
        return "The display shows letters, which are no figure: out of range, an error or a menu. Take it again when it shows one."
    if read.alike < 2 or (read.glare and (read.alike < 3 or _is_lone(read))):
        if read.glare:
            return "There is glare on the digits: take the photo again from another angle."
        if shown.net.probability < _ALONE:
            return "A digit could not be read: hold the phone straight, keep reflections off the glass and take it again."
        if shown.figures is not None and len(shown.figures.variants()) > MOST_VARIANTS:
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
    near = [w for w in own if w.unit and max(apart(w, boxes[index])) < _REACH * height]
    units = near or [w for w in own if w.unit and w.confidence >= WORD_SURE and distance(w, boxes[index]) < _FAR * height]
    sides = {w.side for w in own if w.side and w.confidence >= 0.6 and not w.unit}
    side = sides.pop() if len(sides) == 1 else None
    if not units:
        return None, side, None
    # a speck may look like a letter: what is surely lettered comes before what may be
    units = [w for w in units if w.confidence >= WORD_SURE] or units
    units.sort(key=lambda w: distance(w, boxes[index]))
    names = list(dict.fromkeys(w.unit for w in units))
    best = units[0]
    doubt = None
    if len(names) > 1:
        doubt = "the display names more than one unit, " + " and ".join(str(n) for n in names if n != "?")
    elif not near:
        doubt = f"{best.text} stands far from it"
    elif best.confidence < WORD_SURE or best.strength < LETTERED:
        doubt = f"the unit is hard to read, perhaps {best.text}"
    return best.unit, side, doubt


def _shared(lettering: list[tuple[str | None, str | None, str | None]]) -> list[tuple[str | None, str | None, str | None]]:
    """Two figures: a unit printed once is both's, one that is hard to read may be the other one's, and the one that is not LOW is HIGH."""
    units, sides, doubts = zip(*lettering, strict=True)
    if None in units:
        other = next((u for u in units if u), None)
        doubt = next((d for d in doubts if d), None)
        if _is_pressure(other):
            units, doubts = (other, other), (doubt, doubt)
    elif units[0] != units[1] and (doubts[0] is None) is not (doubts[1] is None):
        sure = doubts.index(None)
        if _is_pressure(units[sure]):       # likelier than two units is one of them misread
            told = f"{doubts[1 - sure]}, and the other figure's is {units[sure]}"
            units, doubts = (units[sure],) * 2, tuple(None if i == sure else told for i in (0, 1))
    opposite = {"low_side": "high_side", "high_side": "low_side"}
    if sides[0] == sides[1]:
        sides = (None, None)
    else:
        sides = (sides[0] or opposite[sides[1]], sides[1] or opposite[sides[0]])
    return list(zip(units, sides, doubts, strict=True))


def _is_pressure(unit: str | None) -> bool:
    return unit in UNITS and UNITS[unit].quantity is Quantity.PRESSURE


def _field(photo: Photo, read: Accounts, letters: tuple[str | None, str | None, str | None], place: str | None, units: str, count: int) -> PhotoField | None:
    unit, side, doubt = letters
    shown, text = read.shown, read.text
    if unit == FOREIGN:
        return None
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
    question = _question(read, unit or unit_id, doubt, place_doubt, where)

    def version(name: str, said: str, confidence: float) -> Version:
        number = _value(said, unit)
        return Version(name, said, None if number is None else Measured(where, number, unit_id, unit is not None), round(confidence, 3))

    quad = shown.corners(shown.left, shown.right)
    cells = shown.figures.cells if shown.figures else ()
    marks = (Mark(_points(quad), True, "outline"), *(Mark(_points(shown.corners(c.left, c.right)), True, "used") for c in cells))
    return PhotoField(Measured(where, value, unit_id, unit_stated=unit is not None), Standing.UNCONFIRMED if question else Standing.AGREED,
                      round(min(shown.net.probability, 0.999 if question is None else 0.5), 3), tuple(version(*a) for a in read.told), _box(quad, photo),
                      tuple((int(x), int(y)) for x, y in np.rint(quad)), None, question, None, marks)


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


def _question(read: Accounts, unit: str, doubt: str | None, place_doubt: str | None, where: str) -> str | None:
    """`unit`: in which it is kept, `doubt`: about that; whoever answers is told both."""
    value = f"{read.text} {unit}"
    question = _figure_question(read, unit)
    if question:
        return f"{doubt[0].upper()}{doubt[1:]}: taken as {unit}. {question}" if doubt else question
    if doubt:
        return f"The display reads {read.text}, but {doubt}: is it {value}?"
    if place_doubt:
        return f"The display reads {value}; {place_doubt}: is it the {PLACES[where].name}?"
    return None


def _figure_question(read: Accounts, unit: str) -> str | None:
    """What is to be asked about the figure itself."""
    shown, text = read.shown, read.text
    value = f"{text} {unit}"
    figures = shown.figures
    if figures is None:
        return f"The display reads {value}, but only as a whole: is it right?"
    variants = figures.variants()
    # which of two digits it is may be settled by nobody but a person; a point that is hard to see, by the other way
    digits = list(dict.fromkeys(v.replace(".", "") for v in variants))
    if len(digits) > 1:
        others = [v for v in dict.fromkeys((text, *variants)) if v != text]
        return f"A segment is in doubt: does the display read {text} or {' or '.join(others[:2])} {unit}?"
    seen = read.seen
    rivals = [t for t in (shown.net.text, *((seen.text,) if seen else ()), *shown.rivals, *variants[:1] * (text not in variants)) if t != text]
    if rivals:
        return f"The display reads {value} or {rivals[0]} {unit}: which is it?"
    if read.glare:
        return f"The display reads {value}, but there is glare on it: is it right?"
    if not read.sure:
        return f"The display reads {value}, but not clearly: is it right?"
    said, sure = read.printed
    if len(variants) > 1 and said != text:
        return f"A decimal point is hard to see: does the display read {text} or {next(v for v in variants if v != text)} {unit}?"
    if _is_lone(read):
        return f"The display reads {value}, a lone digit: is that all of it?"
    if unit == POUNDS_OUNCES:
        return f"The display reads {value}: is it right, colon and all?"
    if sure >= _OTHER_DIGITS and said.replace(".", "").isdigit() and said.replace(".", "") != text.replace(".", "").replace(":", "").replace("-", ""):
        return f"The display reads {value} or {said} {unit}: which is it?"
    if figures.beside:
        return f"The display reads {value}, but {figures.beside}: is that all of it?"
    return None


def _points(quad: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in quad)


def _box(quad: np.ndarray, photo: Photo) -> tuple[int, int, int, int]:
    return (max(0, int(quad[:, 0].min())), max(0, int(quad[:, 1].min())), min(photo.width, int(quad[:, 0].max()) + 1), min(photo.height, int(quad[:, 1].max()) + 1))


def _what_to_do(photo: Photo) -> str:
    if sharpness(photo.pixels) < 15:
        return "No display was found and the photo is blurred: hold still, focus on the display and take it again."
    return "No figures of a display were found: fill the picture with the display, straight and without reflections, and take it again."
