"""What is lettered around a display's figures: the unit, LOW and HIGH, HOLD; and the figures themselves by optical reading."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.display_find import Row, stands_out
from hoodnote.capture.vision.display_flat import DIGIT, Flat, lay_flat
from hoodnote.capture.vision.readers import NeuralReader, cut_out

POUNDS_OUNCES = "lb:oz"
WORD_SURE = 0.8
_ON_CASE = {False: 0.25, True: 0.5}     # contrast of lone letters on the case of a display with dark or with bright figures, as `stands_out` gives it
_GUESS = 0.4                # below it a word is not read
_CLEAR = 0.93               # of a word's reading: nothing is read twice above it
GHOST, LETTERED = 0.3, 0.45        # contrast of a word, as a share of the figures': below is an unlit one, between is in doubt
_HEIGHT = 84                       # px, height of the figures in the view that words are looked for in
_WORDS_ABOVE = 1.1                 # room around the figures, in digit heights
_WORDS_BESIDE = {1: 3.6, 2: 7.0}   # by the number of figures: two have LOW and HIGH at their side

# what an annunciator may say; a bare F or C is how "°F" reads when its ring is lost, and is asked about
_UNITS = {"psi": "psi", "psig": "psi", "bar": "bar", "kpa": "kPa", "inhg": "inHg", "micron": "micron", "microns": "micron",
          "°f": "F", "°c": "C", "℉": "F", "℃": "C", "kg": "kg", "oz": "oz", "lb:oz": POUNDS_OUNCES, "lboz": POUNDS_OUNCES, "lb.oz": POUNDS_OUNCES, "lb-oz": POUNDS_OUNCES,
          "iboz": POUNDS_OUNCES, "ib:oz": POUNDS_OUNCES,
          "%": "%", "%rh": "%", "rh%": "%", "ω": "ohm", "ohm": "ohm", "ohms": "ohm", "kω": "kohm", "kohm": "kohm"}
_CASED = {"A": "A", "g": "g", "V": "V", "v": "V", "mV": "mV", "VDC": "V", "DCV": "V", "Vdc": "V"}
# units that a meter or gauge shows and the note does not carry: read, so that they are not taken for another
_FOREIGN = {"ma", "µa", "μa", "mω", "mohm", "mpa", "hz", "khz", "torr", "mbar", "pa", "mtorr", "kg/cm²", "kg/cm2", "lb", "lbs", "ml", "fl.oz", "mmhg", "hpa",
            "cmhg", "vac", "acv"}
_LOW, _HIGH = {"low", "lo", "l", "lowside", "lp"}, {"high", "hi", "h", "highside", "hp"}
_HELD = {"hold", "max", "min", "peak"}
# letters with the very shape of a segment digit
_SHAPES = str.maketrans({"O": "0", "o": "0", "D": "0", "I": "1", "l": "1", "|": "1", "Z": "2", "z": "2", "S": "5", "s": "5", "b": "6", "B": "8", "q": "9",
                         ",": ".", "–": "-", "—": "-", "：": ":", "·": "."})


@dataclass(frozen=True, eq=False)
class Word:
    """`box`: left, top, right, bottom in the words' view; `strength`: contrast as a share of the figures'."""

    text: str
    confidence: float
    box: tuple[float, float, float, float]
    strength: float

    @property
    def key(self) -> str:
        return _key(self.text)

    @property
    def unit(self) -> str | None:
        """Id in units.UNITS or POUNDS_OUNCES; "?" for one that the note does not carry."""
        return _unit_of(self.text)

    @property
    def side(self) -> str | None:
        key = self.key.lower()
        return "low_side" if key in _LOW else "high_side" if key in _HIGH else None

    @property
    def held(self) -> bool:
        return self.key.lower() in _HELD

    @property
    def centre(self) -> np.ndarray:
        return np.array([(self.box[0] + self.box[2]) / 2, (self.box[1] + self.box[3]) / 2])


def _key(text: str) -> str:
    return re.sub(r"\s", "", text).strip(".:;'\"")


def _unit_of(text: str) -> str | None:
    key = _key(text)
    if key in _CASED:
        return _CASED[key]
    if key.startswith("M") and key[1:].lower() in ("ω", "ohm") or key.lower() in _FOREIGN:
        return "?"
    return _UNITS.get(key.lower())


def optical(flat: Flat, left: float, right: float, reader: NeuralReader) -> tuple[str, float]:
    """What stands between two columns of a flat row by the neural text reader, and its confidence; a text that is no number comes as it is."""
    height, width = flat.pixels.shape[:2]
    margin = round(0.22 * DIGIT)
    top, bottom = max(0, round(flat.top) - margin), min(height, round(flat.top + DIGIT) + margin)
    return _number(*reader.read_strip(np.ascontiguousarray(flat.pixels[top:bottom, max(0, round(left) - margin):min(width, round(right) + margin)])))


def _number(text: str, confidence: float) -> tuple[str, float]:
    plain = re.sub(r"\s", "", text).translate(_SHAPES)
    return (plain, confidence) if re.fullmatch(r"-?\d*[.:]?\d*(?:\.\d+)?", plain) and plain else (text, confidence)


def words_around(pixels: np.ndarray, rows: Sequence[Row], level: float, reader: NeuralReader) -> tuple[list[Word], list[tuple[float, ...]]]:
    """The words around the rows, in a view of them and what lies around them, and each row's box in that view."""
    flat, boxes = _view(pixels, rows)
    height = max(b[3] - b[1] for b in boxes)
    darker, lighter = (np.clip(stands_out(flat.pixels, bright, round(0.2 * _HEIGHT)), 0, None) for bright in (False, True))
    strong = np.maximum(darker, lighter)
    own, other = (lighter, darker) if flat.bright else (darker, lighter)
    quads = reader.find_text(flat.pixels)
    words = []
    lettered = [q for q in quads if not _figure_itself(q, boxes)]
    for quad in lettered:
        words += _split(*_read_twice(flat.pixels, strong, _padded(quad), reader), quad, strong, level)
    # lettering in the window stands out as the figures do, that on the case may do so the other way
    for out, least in ((own, 0.5 * level), (other, _ON_CASE[flat.bright])):
        for left, top, right, bottom in _loose_marks(out, least, boxes, lettered, height):
            quad = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], np.float32)
            words += _split(*_read_twice(flat.pixels, out, _padded(quad, 0.35), reader), quad, strong, level)
    return _with_pounds(words), boxes


def _read_twice(pixels: np.ndarray, strong: np.ndarray, quad: np.ndarray, reader: NeuralReader) -> tuple[str, float]:
    """A word as it is and, where that is unsure, by its contrast alone; two that say the same unit or side are surer than one, two
    that name different ones say nothing."""
    text, confidence = reader.read_strip(cut_out(pixels, quad))
    if confidence >= _CLEAR or len(_key(text)) > 6:
        return text, confidence
    import cv2

    cut = cut_out(strong, quad)
    plain = 255 - np.clip(cut / max(float(np.percentile(cut, 95)), 0.02) * 235, 0, 255).astype(np.uint8)
    plain = cv2.resize(plain, (max(8, round(48 * plain.shape[1] / plain.shape[0])), 48), interpolation=cv2.INTER_CUBIC)
    lone = plain.shape[1] < 1.25 * len(plain)
    if lone:            # a lone letter is read better as one of a word
        plain = np.hstack([plain] * 3)
    plain = cv2.copyMakeBorder(plain, 6, 6, 16, 16, cv2.BORDER_CONSTANT, value=255)
    other, sure = reader.read_strip(np.repeat(plain[..., None], 3, axis=2))
    if lone and len(other) % 3 == 0 and other.lower() == other[:len(other) // 3].lower() * 3:
        other = other[:len(other) // 3]
    first, second = _meaning(text), _meaning(other)
    if first == second and first is not None:
        return text, 1 - (1 - confidence) * (1 - sure)
    if first is not None and second is not None:
        return "", 0.0
    return (text, confidence) if second is None else (other, sure)


def _meaning(text: str) -> str | None:
    word = Word(text, 1.0, (0, 0, 0, 0), 1.0)
    return word.unit or word.side


def _with_pounds(words: list[Word]) -> list[Word]:
    """ "lb" and "oz" beside each other are one unit."""
    for one in words:
        if one.key.lower() not in ("lb", "ib"):
            continue
        for other in words:
            tall = other.box[3] - other.box[1]
            if other.unit == "oz" and abs(other.centre[1] - one.centre[1]) < 0.4 * tall and -0.2 * tall < other.box[0] - one.box[2] < 1.5 * tall:
                box = (one.box[0], min(one.box[1], other.box[1]), other.box[2], max(one.box[3], other.box[3]))
                both = Word("lb oz", min(one.confidence, other.confidence), box, min(one.strength, other.strength))
                return [w for w in words if w is not one and w is not other] + [both]
    return words


def _view(pixels: np.ndarray, rows: Sequence[Row]) -> tuple[Flat, list[tuple[float, ...]]]:
    first = lay_flat(pixels, rows[0])
    places = [_placed(first, r) for r in rows]
    left, top = min(p[0] for p in places), min(p[1] for p in places)
    right, bottom = max(p[2] for p in places), max(p[3] for p in places)
    quad = first.to_photo(np.array([(left, top), (right, top), (right, bottom), (left, bottom)]))
    tall = (bottom - top) / DIGIT
    flat = lay_flat(pixels, Row(quad.astype(np.float64), rows[0].bright, 0), 0.0, _WORDS_ABOVE / tall, _WORDS_BESIDE[len(rows)] / tall, round(tall * _HEIGHT))
    return flat, [_placed(flat, r) for r in rows]


def _placed(flat: Flat, row: Row) -> tuple[float, float, float, float]:
    import cv2

    points = cv2.perspectiveTransform(np.asarray(row.quad, np.float32).reshape(-1, 1, 2), flat.matrix).reshape(-1, 2)
    return float(points[:, 0].min()), float(points[:, 1].min()), float(points[:, 0].max()), float(points[:, 1].max())


def _padded(quad: np.ndarray, share: float = 0.18) -> np.ndarray:
    """The quad grown on all sides by a share of its height."""
    across, down = quad[1] - quad[0], quad[3] - quad[0]
    n, m = np.linalg.norm(across), np.linalg.norm(down)
    a, d = across / max(n, 1e-6) * share * m, down / max(m, 1e-6) * share * m
    return np.array([quad[0] - a - d, quad[1] + a - d, quad[2] + a + d, quad[3] - a + d], np.float32)


def _figure_itself(quad: np.ndarray, boxes: Sequence[tuple[float, ...]]) -> bool:
    left, top, right, bottom = quad[:, 0].min(), quad[:, 1].min(), quad[:, 0].max(), quad[:, 1].max()
    for box in boxes:
        high = min(bottom, box[3]) - max(top, box[1])
        wide = min(right, box[2]) - max(left, box[0])
        if high > 0.6 * (box[3] - box[1]) and wide > 0.25 * (right - left):
            return True
    return False


def _split(text: str, confidence: float, quad: np.ndarray, strong: np.ndarray, level: float) -> list[Word]:
    """One Word for each word of a line, its box by its share of the letters; "LOW SIDE" and "lb oz" stay one."""
    left, top, right, bottom = (float(v) for v in (quad[:, 0].min(), quad[:, 1].min(), quad[:, 0].max(), quad[:, 1].max()))

    def word(part: str, a: float, b: float) -> Word:
        box = (left + (right - left) * a, top, left + (right - left) * b, bottom)
        cut = strong[max(0, round(top)):max(1, round(bottom)), max(0, round(box[0])):max(1, round(box[2]))]
        return Word(part, confidence, box, float(np.percentile(cut, 93)) / max(level, 1e-6) if cut.size else 0.0)

    if confidence < _GUESS:
        return []
    whole = word(text, 0, 1)
    if not text or whole.unit or whole.side or " " not in text.strip():
        return [whole] if text else []
    out, at = [], 0
    for part in text.split():
        start = text.index(part, at)
        at = start + len(part)
        out.append(word(part, start / len(text), at / len(text)))
    return out


def _loose_marks(out: np.ndarray, least: float, boxes: Sequence[tuple[float, ...]], quads: Sequence[np.ndarray], height: float) -> list[tuple[float, ...]]:
    """Boxes of small lone marks that the text finder passes over, such as a single V."""
    import cv2

    mask = ((out > least) * 255).astype(np.uint8)
    for left, top, right, bottom in boxes:
        mask[max(0, round(top - 0.06 * height)):round(bottom + 0.06 * height), max(0, round(left - 0.06 * height)):round(right + 0.06 * height)] = 0
    for quad in quads:
        cv2.fillConvexPoly(mask, _padded(quad, 0.1).astype(np.int32), 0)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    lettering = (stats[:count, cv2.CC_STAT_HEIGHT] < 0.65 * height) & (stats[:count, cv2.CC_STAT_WIDTH] < 2 * height)      # no window's edge
    mask *= lettering[labels].astype(np.uint8)
    joined = cv2.dilate(mask, np.ones((3, max(3, round(0.12 * height)) | 1), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(joined)
    found = []
    for x, y, w, h, area in stats[1:count]:
        near = any(max(b[0] - x - w, x - b[2], b[1] - y - h, y - b[3]) < 1.6 * height for b in boxes)
        if 0.15 * height < h < 0.62 * height and w < 2.2 * height and w < 4 * h and 0.02 * height * height < area < 0.9 * w * h and near \
                and x > 1 and y > 1 and x + w < out.shape[1] - 1 and y + h < out.shape[0] - 1:
            found.append((float(x), float(y), float(x + w), float(y + h)))
    middle = np.mean([((b[0] + b[2]) / 2, (b[1] + b[3]) / 2) for b in boxes], axis=0)
    found.sort(key=lambda b: float(np.hypot((b[0] + b[2]) / 2 - middle[0], (b[1] + b[3]) / 2 - middle[1])))
    return found[:4]
