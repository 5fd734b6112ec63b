"""The figures and unit words printed on a rectified gauge face, each with where it stands."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.dial_rectify import MIDDLE, RIM, SIDE, FaceView
from hoodnote.capture.vision.readers import NeuralReader, _neural_engine, cut_out

LEAST_SURE = 0.5
MOST_TEXTS = 48
FINDING_SIDE = 640           # px the view is reduced to for finding text
SHORT_TEXT = [3, 48, 160]    # the recognizer's input for a figure or a unit; its own is made for whole lines and takes twice the time
# a tick beside a figure reads as a dash; which figures are below zero is told by where they stand
_NUMBER = re.compile(r"[-–—−_=.]?((?:0|[1-9]\d{0,3})(?:[.,]\d{1,2})?|[.,]\d{1,2})[-–—−_=.]?")
UNIT_WORDS = {
    "psi": re.compile(r"p[s5][il1|](?:g)?|l[bl]f?/(?:in|sq\.?in)\.?[2²]?", re.IGNORECASE),
    "bar": re.compile(r"bar", re.IGNORECASE),
    "kPa": re.compile(r"kpa", re.IGNORECASE),
    "inHg": re.compile(r"(?:[il1|]n\.?\s*hg\.?(?:\s*vac\.?)?|[\"”″]\s*hg|hg[\"”″])", re.IGNORECASE),
}
OTHER_WORDS = re.compile(r"mpa|mbar|kg|cm[2²]|torr|mmhg|rpm|km/?h|mph|°|volt|amp|[x×]\s*1?0|%", re.IGNORECASE)    # units, factors: not read


@dataclass(frozen=True, eq=False)
class Text:
    """`angle` in degrees clockwise from the view's top, `radius` in pixels; `quad` in the view, clockwise from the text's top left."""

    text: str
    confidence: float
    angle: float
    radius: float
    quad: np.ndarray

    @property
    def number(self) -> float | None:
        """The figure without its sign, when nothing but a figure surely stands there."""
        return number_in(self.text) if self.confidence >= LEAST_SURE else None

    @property
    def unit(self) -> str | None:
        if self.confidence < LEAST_SURE:
            return None
        return next((u for u, words in UNIT_WORDS.items() if words.fullmatch(self.text.strip(" .()[]"))), None)


def number_in(text: str) -> float | None:
    match = _NUMBER.fullmatch(text.replace(" ", ""))
    return float(match[1].replace(",", ".")) if match else None


def read_texts(view: FaceView, reader: NeuralReader) -> list[Text]:
    """Every text that was found, those that could not be read among them: they tell that there is more on the face."""
    import cv2

    small = cv2.resize(view.pixels, (FINDING_SIDE, FINDING_SIDE), interpolation=cv2.INTER_AREA)
    quads = [q * (SIDE / FINDING_SIDE) for q in reader.find_text(small)]
    quads = [q for q in quads if np.hypot(*(q.mean(axis=0) - MIDDLE)) < 1.05 * RIM]
    quads = sorted(quads, key=lambda q: _sides(q)[0] * _sides(q)[1], reverse=True)[:MOST_TEXTS]
    if not quads:
        return []
    up = _common_direction(quads)
    boxes = [(i, _aligned(q, turn)) for i, q in enumerate(quads) for turn in ([up] if up is not None else _turns_with_the_scale(q))]
    best: dict[int, tuple[str, float, np.ndarray]] = {}
    for (i, box), (text, confidence) in zip(boxes, read_short([cut_out(view.pixels, box) for _, box in boxes]), strict=True):
        if i not in best or confidence > best[i][1]:
            best[i] = text, confidence, box
    out = []
    for i, (text, confidence, box) in best.items():
        middle = quads[i].mean(axis=0) - MIDDLE
        out.append(Text(text, confidence, math.degrees(math.atan2(middle[0], -middle[1])) % 360, float(np.hypot(*middle)), box))
    return out


def read_short(strips: Sequence[np.ndarray]) -> list[tuple[str, float]]:
    """What stands in each RGB strip, with how sure, by the neural reader's own network."""
    from rapidocr.ch_ppocr_rec.typings import TextRecInput

    if not strips:
        return []
    engine = _neural_engine()
    if engine.text_rec is None:          # it loads its networks one by one, as they are asked for
        NeuralReader().read_strip(strips[0])
    recognizer = copy.copy(engine.text_rec)
    recognizer.rec_image_shape = SHORT_TEXT
    read = recognizer(TextRecInput(img=[np.ascontiguousarray(s[..., ::-1]) for s in strips]))
    return [(text.strip(), float(score)) for text, score in zip(read.txts, read.scores, strict=True)]


def _sides(quad: np.ndarray) -> tuple[float, float]:
    return float(np.linalg.norm(quad[1] - quad[0])), float(np.linalg.norm(quad[3] - quad[0]))


def _common_direction(quads: Sequence[np.ndarray]) -> float | None:
    """The direction (degrees) all long texts run in, None where they run with the scale."""
    pull = 0j
    weight = 0.0
    for quad in quads:
        width, height = _sides(quad)
        if width < 1.25 * height:
            continue
        side = quad[1] - quad[0]
        pull += (width / height) * np.exp(2j * math.atan2(side[1], side[0]))
        weight += width / height
    if weight == 0:
        return 0.0
    if abs(pull) / weight < 0.75:
        return None
    return math.degrees(np.angle(pull)) / 2


def _turns_with_the_scale(quad: np.ndarray) -> list[float]:
    middle = quad.mean(axis=0) - MIDDLE
    tangent = math.degrees(math.atan2(middle[0], -middle[1]))
    if np.hypot(*middle) < 0.25 * RIM:
        return [0.0]
    if abs(tangent) < 75:
        return [tangent]
    return [tangent, tangent + 180]


def _aligned(quad: np.ndarray, degrees: float) -> np.ndarray:
    """The rectangle round the quad whose top runs in the given direction, with a little air."""
    a = math.radians(degrees)
    along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    u, v = quad @ along, quad @ across
    air = 0.06 * (v.max() - v.min())
    left, right, top, bottom = u.min() - air, u.max() + air, v.min() - air, v.max() + air
    return np.array([along * x + across * y for x, y in [(left, top), (right, top), (right, bottom), (left, bottom)]], np.float32)
