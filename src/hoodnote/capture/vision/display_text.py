"""What is lettered around a display's figures: the unit, LOW and HIGH, HOLD; and the figures themselves by optical reading."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.display_find import Row, stands_out
from hoodnote.capture.vision.display_flat import DIGIT, Flat, lay_flat
from hoodnote.capture.vision.display_sight import SIGN_DIGIT, Sighted, figures_of
from hoodnote.capture.vision.display_words import HELD, WRITTEN, is_held, key_of, side_of, unit_of
from hoodnote.capture.vision.readers import NeuralReader, cut_out
from hoodnote.capture.vision.signs import Sign, once, scaled, signs_in
from hoodnote.capture.vision.threads import at_once, pool

WORD_SURE = 0.8
_GUESS = 0.4                # below it a word is not read
_CLEAR = 0.93               # of a word's reading: nothing is read twice above it
GHOST, LETTERED = 0.3, 0.45        # contrast of a word, as a share of the figures': below is an unlit one, between is in doubt
_GUESSED = 0.35             # of a sign that the network for words sees
_HEIGHT = 84                       # px, height of the figures in the view that words are looked for in
_WORDS_ABOVE = 1.6                 # room around the figures, in digit heights
_WORDS_BESIDE = {1: 3.6, 2: 9.0}   # by the number of figures: two have LOW and HIGH at their side

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
        return key_of(self.text)

    @property
    def unit(self) -> str | None:
        """Id in units.UNITS or POUNDS_OUNCES; "?" for one that the note does not carry."""
        return unit_of(self.text)

    @property
    def side(self) -> str | None:
        return side_of(self.text)

    @property
    def held(self) -> bool:
        return is_held(self.text)

    @property
    def centre(self) -> np.ndarray:
        return np.array([(self.box[0] + self.box[2]) / 2, (self.box[1] + self.box[3]) / 2])


@dataclass(frozen=True, eq=False)
class Surroundings:
    """`boxes`: of the figures, as `Word.box`; `figures[i]`: what is seen in box i, None for nothing."""

    words: list[Word]
    boxes: list[tuple[float, ...]]
    figures: list[Sighted | None]


def optical(flat: Flat, left: float, right: float, reader: NeuralReader) -> tuple[str, float]:
    """What stands between two columns of a flat row by the neural text reader, and its confidence; a text that is no number comes as it is."""
    height, width = flat.pixels.shape[:2]
    margin = round(0.22 * DIGIT)
    top, bottom = max(0, round(flat.top) - margin), min(height, round(flat.top + DIGIT) + margin)
    return _number(*reader.read_strip(np.ascontiguousarray(flat.pixels[top:bottom, max(0, round(left) - margin):min(width, round(right) + margin)])))


def is_number(text: str) -> bool:
    """Is it written as a figure, digits with a point, a colon or a minus sign?"""
    return bool(re.fullmatch(r"-?\d*[.:]?\d*(?:\.\d+)?", text)) and any(c.isdigit() for c in text)


def _number(text: str, confidence: float) -> tuple[str, float]:
    plain = re.sub(r"\s", "", text).translate(_SHAPES)
    return (plain, confidence) if is_number(plain) else (text, confidence)


def words_around(pixels: np.ndarray, rows: Sequence[Row], level: float, reader: NeuralReader) -> Surroundings:
    """The words around the rows, in a view of them and what lies around them, each row's box in that view, and the figures seen there."""
    import cv2

    flat, boxes = _view(pixels, rows)
    darker, lighter = (np.clip(stands_out(flat.pixels, bright, round(0.2 * _HEIGHT)), 0, None) for bright in (False, True))
    strong = np.maximum(darker, lighter)

    def read() -> list[Word]:
        quads = [q for q in reader.find_text(flat.pixels) if not _figure_itself(q, boxes)]
        texts = pool().map(lambda q: _read_twice(flat.pixels, strong, _padded(q), reader), quads)
        return [w for q, text in zip(quads, texts, strict=True) for w in _split(*text, q, strong, level)]

    def see() -> tuple[list[Sign], list[Sign]]:
        share = SIGN_DIGIT / _HEIGHT
        small = cv2.resize(flat.pixels, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
        # letters as high as the figures are too large in the view itself
        lettered = signs_in(flat.pixels, "words", _GUESSED) + [scaled(s, 1 / share) for s in signs_in(small, "words", _GUESSED)]
        return lettered, [scaled(s, 1 / share) for s in signs_in(small, "digits")]

    words, (lettered, digits) = at_once(read, see)
    seen = [_as_word(sign, strong, level) for sign in once(lettered)]
    figures = figures_of(digits)
    return Surroundings(_agreed(_with_pounds(words), [w for w in seen if not _within(w, boxes)]), boxes, [_best_in(box, figures) for box in boxes])


def _as_word(sign: Sign, strong: np.ndarray, level: float) -> Word:
    (x, y), half = sign.at, max(abs(sign.up[1]), 3.0)
    box = (x - half, y - half, x + half, y + half)
    cut = strong[max(0, round(box[1])):max(1, round(box[3])), max(0, round(box[0])):max(1, round(box[2]))]
    return Word(WRITTEN.get(sign.name, sign.name), sign.probability, box, float(np.percentile(cut, 93)) / max(level, 1e-6) if cut.size else 0.0)


def _within(word: Word, boxes: Sequence[tuple[float, ...]]) -> bool:
    x, y = word.centre
    return any(b[0] < x < b[2] and b[1] < y < b[3] for b in boxes)


def _agreed(read: Sequence[Word], seen: Sequence[Word]) -> list[Word]:
    """Words that were read and signs that were seen, those of one place once: surer where they mean the same, in doubt where they do not."""
    out = list(read)
    for sign in seen:
        same = next((w for w in out if _touch(w, sign)), None)
        if same is None:
            out.append(sign)
            continue
        out.remove(same)
        meaning = _meaning(same.text)
        if meaning == _meaning(sign.text):
            out.append(replace(same, confidence=1 - (1 - same.confidence) * (1 - sign.confidence)))
        elif meaning is None:
            # letters that mean nothing here, read for sure, are no unit; the shortest are often misread
            out.append(sign if sign.confidence >= 0.5 or len(same.key) < 3 else same)
        else:
            surer = max(same, sign, key=lambda w: w.confidence)
            out.append(replace(surer, confidence=min(surer.confidence, WORD_SURE - 0.01)))
    return out


def _touch(word: Word, sign: Word) -> bool:
    (x, y), tall = sign.centre, word.box[3] - word.box[1]
    return word.box[0] - 0.3 * tall < x < word.box[2] + 0.3 * tall and word.box[1] - 0.2 * tall < y < word.box[3] + 0.2 * tall


def _best_in(box: tuple[float, ...], figures: Sequence[Sighted]) -> Sighted | None:
    """The figure of most digits that stands in a box, if its middle and at least one digit do."""
    def inside(figure: Sighted) -> int:
        return sum(box[0] < s.at[0] < box[2] and box[1] < s.at[1] < box[3] for s in figure.signs)

    best = max(figures, key=inside, default=None)
    return best if best is not None and inside(best) else None


def _read_twice(pixels: np.ndarray, strong: np.ndarray, quad: np.ndarray, reader: NeuralReader) -> tuple[str, float]:
    """A word as it is and, where that is unsure, by its contrast alone; two that say the same unit or side are surer than one, two
    that name different ones say nothing."""
    text, confidence = reader.read_strip(cut_out(pixels, quad))
    if confidence >= _CLEAR or len(key_of(text)) > 6:
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
    return unit_of(text) or side_of(text) or (HELD if is_held(text) else None)


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
    points = flat.to_view(row.quad)
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
