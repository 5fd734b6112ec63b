"""What is lettered around a display's figures: the unit, LOW and HIGH, HOLD; and the figures themselves by optical reading."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.display_find import Row, stands_out
from hoodnote.capture.vision.display_segments import DIGIT, Figures, Flat, lay_flat
from hoodnote.capture.vision.readers import NeuralReader, cut_out

POUNDS_OUNCES = "lb:oz"
SURE = 0.8
GHOST, LETTERED = 0.3, 0.45        # contrast of a word, as a share of the figures': below is an unlit one, between is in doubt
_HEIGHT = 84                       # px, height of the figures in the view that words are looked for in
_WORDS_ABOVE = 1.1                 # room around the figures, in digit heights
_WORDS_BESIDE = {1: 3.6, 2: 5.4}   # by the number of figures: two have LOW and HIGH at their side

# what an annunciator may say; a bare F or C is how "°F" reads when its ring is lost, and is asked about
_UNITS = {"psi": "psi", "psig": "psi", "bar": "bar", "kpa": "kPa", "inhg": "inHg", "micron": "micron", "microns": "micron", "°f": "F", "°c": "C", "℉": "F",
          "℃": "C", "g": "g", "kg": "kg", "oz": "oz", "lb:oz": POUNDS_OUNCES, "lboz": POUNDS_OUNCES, "lb.oz": POUNDS_OUNCES, "lb-oz": POUNDS_OUNCES,
          "%": "%", "%rh": "%", "rh%": "%", "ω": "ohm", "ohm": "ohm", "ohms": "ohm", "kω": "kohm", "kohm": "kohm", "a": "A"}
_CASED = {"V": "V", "v": "V", "mV": "mV", "VDC": "V", "DCV": "V", "Vdc": "V"}
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


def optical(flat: Flat, figures: Figures, reader: NeuralReader) -> list[tuple[str, float]]:
    """The figures by the neural text reader, as (text, confidence): from the picture as it is, then, where that is not what the
    segments say, from its contrast alone. A text that is no number comes as it is."""
    strip = _strip(flat, figures)
    first = _number(*reader.read_strip(strip))
    if first[0] == figures.text and first[1] >= SURE:
        return [first]
    out = np.clip(stands_out(strip, flat.bright, round(0.36 * DIGIT)), 0, None)
    plain = 255 - np.clip(out / max(float(np.percentile(out, 92)), 0.02) * 235, 0, 255)
    return [first, _number(*reader.read_strip(np.repeat(plain.astype(np.uint8)[..., None], 3, axis=2)))]


def _strip(flat: Flat, figures: Figures) -> np.ndarray:
    height, width = flat.pixels.shape[:2]
    margin = round(0.22 * DIGIT)
    top, bottom = max(0, round(flat.top) - margin), min(height, round(flat.top + DIGIT) + margin)
    left, right = max(0, round(figures.left) - margin), min(width, round(figures.right) + margin)
    return np.ascontiguousarray(flat.pixels[top:bottom, left:right])


def _number(text: str, confidence: float) -> tuple[str, float]:
    plain = re.sub(r"\s", "", text).translate(_SHAPES)
    return (plain, confidence) if re.fullmatch(r"-?\d*[.:]?\d*(?:\.\d+)?", plain) and plain else (text, confidence)


def words_around(pixels: np.ndarray, rows: Sequence[Row], level: float, reader: NeuralReader) -> tuple[Flat, list[Word], list[tuple[float, ...]]]:
    """A view of the rows with what lies around them, the words in it, and each row's box in it."""
    flat, boxes = _view(pixels, rows)
    height = max(b[3] - b[1] for b in boxes)
    darker, lighter = (np.clip(stands_out(flat.pixels, bright, round(0.2 * _HEIGHT)), 0, None) for bright in (False, True))
    strong = np.maximum(darker, lighter)
    quads = reader.find_text(flat.pixels)
    words = []
    lettered = [q for q in quads if not _figure_itself(q, boxes)]
    for quad in lettered:
        text, confidence = reader.read_strip(cut_out(flat.pixels, _padded(quad)))
        words += _split(text, confidence, quad, strong, level)
    for box in _loose_marks(darker if not flat.bright else lighter, level, boxes, lettered, height):
        left, top, right, bottom = box
        quad = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], np.float32)
        seen = [reader.read_strip(cut_out(flat.pixels, _padded(quad, grow))) for grow in (0.25, 0.45)]
        if _unit_of(seen[0][0]) is not None and _unit_of(seen[0][0]) == _unit_of(seen[1][0]) or seen[0][0] == seen[1][0]:
            words += _split(seen[0][0], min(s[1] for s in seen), quad, strong, level)
    return flat, words, boxes


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

    whole = word(text, 0, 1)
    if not text or whole.unit or whole.side or " " not in text.strip():
        return [whole] if text else []
    out, at = [], 0
    for part in text.split():
        start = text.index(part, at)
        at = start + len(part)
        out.append(word(part, start / len(text), at / len(text)))
    return out


def _loose_marks(out: np.ndarray, level: float, boxes: Sequence[tuple[float, ...]], quads: Sequence[np.ndarray], height: float) -> list[tuple[float, ...]]:
    """Boxes of small lone marks that the text finder passes over, such as a single V."""
    import cv2

    mask = ((out > 0.5 * level) * 255).astype(np.uint8)
    for left, top, right, bottom in boxes:
        mask[max(0, round(top - 0.06 * height)):round(bottom + 0.06 * height), max(0, round(left - 0.06 * height)):round(right + 0.06 * height)] = 0
    for quad in quads:
        cv2.fillConvexPoly(mask, _padded(quad, 0.1).astype(np.int32), 0)
    joined = cv2.dilate(mask, np.ones((3, max(3, round(0.12 * height)) | 1), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(joined)
    found = []
    for x, y, w, h, area in stats[1:count]:
        if 0.12 * height < h < 0.62 * height and w < 2.2 * height and area > 0.02 * height * height \
                and x > 1 and y > 1 and x + w < out.shape[1] - 1 and y + h < out.shape[0] - 1:
            found.append((float(x), float(y), float(x + w), float(y + h)))
    middle = np.mean([((b[0] + b[2]) / 2, (b[1] + b[3]) / 2) for b in boxes], axis=0)
    found.sort(key=lambda b: float(np.hypot((b[0] + b[2]) / 2 - middle[0], (b[1] + b[3]) / 2 - middle[1])))
    return found[:6]
