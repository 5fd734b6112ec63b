"""The figures and units of a rectified gauge face by the network that finds signs, and what they and the text reader's make together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from hoodnote.capture.vision.dial_rectify import MIDDLE, RIM, FaceView
from hoodnote.capture.vision.dial_text import REFRIGERANT, UNIT_WORDS, Text, a_word, text_in
from hoodnote.capture.vision.neighbours import grouped
from hoodnote.capture.vision.signs import Sign, once, scaled, signs_in

REACH, GROWN = 1.08, 1.05    # rim radii that are looked at; how much larger
FARTHEST = 1.02              # rim radii from the middle that something is printed at
DIGIT_SURE, LONE_SURE, UNIT_SURE = 0.45, 0.65, 0.5
AROUND, ON_A_RING = 6.0, 0.09     # heights along a scale and rim radii across it, within which digits are equally high
TURNED = 0.8                 # cosine: digits of one figure stand alike
PITCHES = (0.5, 1.1)         # heights between two digits of one figure
PARTED, POINTED = 1.25, 1.85  # pitches between two digits of one figure at most, and where a point stands between them
OFF_THE_ROW = 0.3            # heights
FARTHEST_BESIDE = math.hypot(PITCHES[1] * POINTED, OFF_THE_ROW)
SURE_TEXT = 0.8              # a text so sure is kept beside a sighted figure that differs
HALF_WIDE = 0.34             # heights, of a digit


def sighted(view: FaceView) -> list[Text]:
    """Figures and units; each `by_signs`."""
    import cv2

    low, high = int(MIDDLE - REACH * RIM), int(MIDDLE + REACH * RIM)
    face = cv2.resize(view.pixels[low:high, low:high], None, fx=GROWN, fy=GROWN, interpolation=cv2.INTER_CUBIC)
    found = [scaled(s, 1 / GROWN) for s in signs_in(face, "dials", DIGIT_SURE)]
    found = once([replace(s, at=(s.at[0] + low, s.at[1] + low)) for s in found])
    found = [s for s in found if _out(s) < FARTHEST * RIM]
    digits = _evened([s for s in found if s.name.isdigit()])
    points = [s for s in found if s.name == "."]
    pitch = _pitch(digits)
    figures = [f for row in grouped(digits, _beside) for f in _figures(row, points, pitch)]
    words = [_text([s], s.name, 2.0) for s in found if s.name in UNIT_WORDS and s.probability >= UNIT_SURE]
    return [t for t in figures if t.number is not None and (len(t.text) > 1 or t.confidence >= LONE_SURE)] + words


def _out(sign: Sign) -> float:
    return math.hypot(sign.at[0] - MIDDLE, sign.at[1] - MIDDLE)


def _evened(digits: Sequence[Sign]) -> list[Sign]:
    """With the height that those of their size around them have: figures of one scale are equally high."""
    out = []
    for one in digits:
        near = [o.height for o in digits if math.dist(o.at, one.at) < AROUND * one.height and abs(_out(o) - _out(one)) < ON_A_RING * RIM
                and 0.6 < o.height / one.height < 1.67]
        grown = float(np.median(near)) / one.height
        out.append(replace(one, up=(one.up[0] * grown, one.up[1] * grown)))
    return out


def _right(*signs: Sign) -> np.ndarray:
    """Unit vector the way the signs are read, whatever their heights."""
    x, y = (sum(way * s.up[k] / max(s.height / 2, 1e-6) for s in signs) for way, k in ((-1, 1), (1, 0)))
    return np.array([x, y]) / max(math.hypot(x, y), 1e-6)


def _pitch(digits: Sequence[Sign]) -> float:
    """Heights from one digit to the next of its figure: those of one face are all alike."""
    apart = []
    for one in digits:
        near = [abs(float(np.subtract(o.at, one.at) @ _right(one))) / one.height for o in digits if o is not one and _beside(one, o)]
        apart += [min(near)] if near else []
    return float(np.median(apart)) if apart else 0.7


def _beside(one: Sign, other: Sign) -> bool:
    high = (one.height + other.height) / 2
    if math.dist(one.at, other.at) > FARTHEST_BESIDE * high or not 0.72 < one.height / max(other.height, 1e-6) < 1.39:
        return False
    if (one.up[0] * other.up[0] + one.up[1] * other.up[1]) * 4 < TURNED * one.height * other.height:
        return False
    right = _right(one, other)
    apart = np.subtract(other.at, one.at)
    return bool(PITCHES[0] * high < abs(apart @ right) < PITCHES[1] * POINTED * high and abs(apart @ np.array([-right[1], right[0]])) < OFF_THE_ROW * high)


def _figures(row: Sequence[Sign], points: Sequence[Sign], pitch: float) -> list[Text]:
    """Digits in a row, cut where they stand farther apart than those of one figure."""
    right = _right(*row)
    row = sorted(row, key=lambda s: float(np.dot(s.at, right)))
    high = float(np.median([s.height for s in row]))
    pointed = [_point_between(low, up, points, right, high) for low, up in itertools.pairwise(row)]
    gaps = [math.dist(low.at, up.at) / high for low, up in itertools.pairwise(row)]         # a row may follow the arc of its scale
    out, begin = [], 0
    for i, (gap, point) in enumerate(zip([*gaps, math.inf], [*pointed, None], strict=True)):
        if gap > pitch * (POINTED if point else PARTED):
            signs, between = row[begin:i + 1], pointed[begin:i]
            text = "".join(s.name + ("." if p else "") for s, p in zip(signs, [*between, None], strict=True))
            out.append(_text([*signs, *(p for p in between if p)], text, HALF_WIDE))
            begin = i + 1
    return out


def _point_between(low: Sign, up: Sign, points: Sequence[Sign], right: np.ndarray, high: float) -> Sign | None:
    down = np.array([-right[1], right[0]])
    for point in points:
        along, across = float(np.subtract(point.at, low.at) @ right), float(np.subtract(point.at, low.at) @ down)
        if 0.1 * high < along < float(np.subtract(up.at, low.at) @ right) - 0.1 * high and 0.1 * high < across < 0.9 * high:
            return point
    return None


def _text(signs: Sequence[Sign], text: str, half_wide: float) -> Text:
    """`half_wide`: of its first and last sign, in heights."""
    lettered = [s for s in signs if s.name != "."]
    high = float(np.median([s.height for s in lettered]))
    right = _right(*lettered)
    up = np.array([right[1], -right[0]]) * 0.6 * high
    first, last = np.array(lettered[0].at) - half_wide * high * right, np.array(lettered[-1].at) + half_wide * high * right
    quad = np.array([first + up, last + up, last - up, first - up], np.float32)
    return replace(text_in(text, min(s.probability for s in signs), quad), by_signs=True)


def together(texts: Sequence[Text], seen: Sequence[Text]) -> list[Text]:
    """What the text reader and the network found. Where both read one figure, it is no more `by_signs`; where they differ and the
    reader is sure, both stand, so that the one which fits no scale is told of. Digits within a word are no figure."""
    words = [t for t in texts if t.number is None and (a_word(t) or REFRIGERANT.fullmatch(t.text.strip()))]
    seen = [s for s in seen if not any(_within(s, t) for t in words if s.unit is None)]
    # a digit of a figure that the reader has whole
    seen = [s for s in seen if not any(len(s.text) == 1 and s.text in t.text.strip("-") != s.text and t.number is not None and t.confidence > SURE_TEXT
                                       and _within(s, t) for t in texts)]
    kept, out = list(texts), []
    for one in seen:
        under = [t for t in texts if _within(one, t) or _within(t, one)]
        same = [t.confidence for t in under if _same(t, one)]
        out.append(replace(one, confidence=max(one.confidence, *same), by_signs=False) if same else one)
        kept = [t for t in kept if not any(t is u for u in under) or _stands(t, one, seen)]
    return [*kept, *out]


def _within(one: Text, other: Text) -> bool:
    """Whether the middle of one lies in the other."""
    import cv2

    x, y = one.quad.mean(axis=0)
    return cv2.pointPolygonTest(other.quad.astype(np.float32).reshape(-1, 1, 2), (float(x), float(y)), False) >= 0


def _same(text: Text, one: Text) -> bool:
    return text.unit == one.unit if one.unit else text.number == one.number


def _stands(text: Text, one: Text, seen: Sequence[Text]) -> bool:
    """Whether what the reader read stays beside a sighted figure or unit in its place: it reads otherwise, surely and as one."""
    if text.unit:
        return one.unit != text.unit
    if _same(text, one) or one.unit or sum(_within(s, text) for s in seen) > 1:
        return False
    return text.confidence > SURE_TEXT and text.number is not None
