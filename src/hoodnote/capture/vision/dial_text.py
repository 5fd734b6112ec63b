"""The figures and unit words printed on a rectified gauge face, each with where it stands."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.dial_rectify import MIDDLE, RIM, FaceView
from hoodnote.capture.vision.readers import NeuralReader, cut_out

LEAST_SURE = 0.5
MOST_TEXTS = 48
FINDING_REACH = 1.06         # rim radii round the middle that text is looked for in
FINDING_SIDE = 576           # px that part is brought to
PARTED, PARTED_IF_ODD = 0.3, 0.15    # of a strip's height: an empty gap so wide is between two figures; where they make no likely one
WIDER_GAP = 1.25             # by how much the gap between figures is wider than those between digits
MOST_WAYS = 3
MOST_KEPT = 0.7              # of a text's digits are in its parts
TALLEST = 0.35               # rim radii: what is larger is no text
WORDS_WITHIN = 0.5           # rim radii: where units are printed
# a tick beside a figure reads as a dash; which figures are below zero is told by where they stand
_NUMBER = re.compile(r"[-–—−_=.]?((?:0|[1-9]\d{0,3})(?:[.,]\d{1,2})?|[.,]\d{1,2})[-–—−_=.]?")
_TAILED = re.compile(r"(?<=\d)Q")          # a nought that a tick touches
UNIT_WORDS = {
    "psi": re.compile(r"p[s5][il1|tj!](?:g)?|[l1|i][bl]f?/(?:[il1|]n|sq\.?in)\.?[2²?z]?", re.IGNORECASE),
    "bar": re.compile(r"bar", re.IGNORECASE),
    "kPa": re.compile(r"kpa", re.IGNORECASE),
    "MPa": re.compile(r"mpa", re.IGNORECASE),
    "kg/cm2": re.compile(r"k[g9]f?/?c[mn][2²z]?", re.IGNORECASE),
    "inHg": re.compile(r"(?:[il1|]n\.?\s*hg\.?(?:\s*vac\.?)?|[\"”″]\s*hg|hg[\"”″])", re.IGNORECASE),
}
# what is left of a word that lies half under the pointer's tail, and the units it may be of: enough to ask, never to take
CUT_WORDS = (
    (re.compile(r"p[s53]?[il1|]?|[s5][il1|]|.{0,2}/?[il1|]n.?", re.IGNORECASE), ("psi",)),
    (re.compile(r"b[ao]|ar", re.IGNORECASE), ("bar",)),
    (re.compile(r"kp", re.IGNORECASE), ("kPa",)),
    (re.compile(r"mp", re.IGNORECASE), ("MPa",)),
    (re.compile(r"pa", re.IGNORECASE), ("kPa", "MPa")),
    (re.compile(r"k[g9](?:f|/|/c)?|[g9]?f?/?c?[mn][2²]|[g9]f?/?c[mn]", re.IGNORECASE), ("kg/cm2",)),
)
OTHER_WORDS = re.compile(r"mpa|mbar|kg|cm[2²]|torr|mmhg|rpm|km/?h|mph|°|volt|amp|[x×]\s*1?0|%", re.IGNORECASE)    # units, factors: not read

LIKE_DIGITS = "OoQDIilSsZzBbgqGTA"
REFRIGERANT = re.compile(r"R\W?\d{2,4}[a-z]{0,3}", re.IGNORECASE)       # whose ring is of temperatures; ASHRAE 34 designations, from memory


@dataclass(frozen=True, eq=False)
class Text:
    """`angle` in degrees clockwise from the view's top, `radius` in pixels; `quad` in the view, clockwise from the text's top left.
    `sought`: it was looked for where the scale has it, so that its angle is the scale's and not its own. `by_signs`: the network that finds
    signs alone read it."""

    text: str
    confidence: float
    angle: float
    radius: float
    quad: np.ndarray
    sought: bool = False
    by_signs: bool = False

    @property
    def number(self) -> float | None:
        """The figure without its sign, when nothing but a figure surely stands there."""
        return number_in(self.text) if self.confidence >= LEAST_SURE else None

    @property
    def unit(self) -> str | None:
        if self.confidence < LEAST_SURE:
            return None
        return next((u for u, words in UNIT_WORDS.items() if words.fullmatch(self.text.strip(" .()[]"))), None)

    @property
    def may_be(self) -> tuple[str, ...]:
        """Units whose word this may be a part of, where it is none itself."""
        if self.unit or self.number is not None or self.confidence < LEAST_SURE:
            return ()
        return next((units for words, units in CUT_WORDS if words.fullmatch(self.text.strip(" .()[]"))), ())


def number_in(text: str) -> float | None:
    match = _NUMBER.fullmatch(_TAILED.sub("0", text.replace(" ", "")))
    return float(match[1].replace(",", ".")) if match else None


def a_word(text: Text) -> bool:
    """Surely letters, two of them at least like no digit."""
    return text.confidence > 0.9 and not any(c.isdigit() for c in text.text) and sum(c.isalpha() and c not in LIKE_DIGITS for c in text.text) > 1


def read_texts(view: FaceView, reader: NeuralReader) -> list[Text]:
    """Every text that was found, those that could not be read among them: they tell that there is more on the face."""
    import cv2

    low, high = int(MIDDLE - FINDING_REACH * RIM), int(MIDDLE + FINDING_REACH * RIM)
    face = view.pixels[low:high, low:high]
    small = cv2.resize(face, (FINDING_SIDE, FINDING_SIDE), interpolation=cv2.INTER_AREA)
    quads = [low + q * ((high - low) / FINDING_SIDE) for q in reader.find_text(small)]
    quads = [q for q in quads if np.hypot(*(q.mean(axis=0) - MIDDLE)) < 1.05 * RIM and min(_sides(q)) < TALLEST * RIM]
    quads = sorted(quads, key=lambda q: _sides(q)[0] * _sides(q)[1], reverse=True)[:MOST_TEXTS]
    if not quads:
        return []
    up = _common_direction(quads)
    boxes = [(i, _aligned(q, turn)) for i, q in enumerate(quads) for turn in ([up] if up is not None else _turns_with_the_scale(q))]
    best: dict[int, tuple[str, float, np.ndarray]] = {}
    for (i, box), (text, confidence) in zip(boxes, reader.read_short([cut_out(view.pixels, box) for _, box in boxes]), strict=True):
        if i not in best or confidence > best[i][1]:
            best[i] = text, confidence, box
    return _parted([text_in(*found) for found in best.values()], view, reader, up)


def text_in(text: str, confidence: float, box: np.ndarray) -> Text:
    """`box`: its corners in the view, clockwise from the text's top left."""
    middle = box.mean(axis=0) - MIDDLE
    return Text(text, confidence, math.degrees(math.atan2(middle[0], -middle[1])) % 360, float(np.hypot(*middle)), box)


def _parted(texts: Sequence[Text], view: FaceView, reader: NeuralReader, up: float | None) -> list[Text]:
    """Neighbouring figures that were found as one text are read one by one, when each of them is a figure; of a text that is no likely
    figure, those that are sure. `up`: as `_common_direction`."""
    largest = max((t.number for t in texts if t.number is not None and t.number < 1000), default=0.0)
    odd = [t.number is None or t.number > 3 * largest for t in texts]
    parts = {i: [_parts(t, view, PARTED_IF_ODD if odd[i] else PARTED)] for i, t in enumerate(texts) if len(_digits([t])) > 1}
    for i in parts:
        if odd[i] and len(_digits([texts[i]])) > 3:
            parts[i] += _parts_by_digits(texts[i], texts, view, up)
    parts = {i: ways for i, found in parts.items() if (ways := [boxes for boxes in found if len(boxes) > 1])}
    read = iter(reader.read_short([cut_out(view.pixels, box) for ways in parts.values() for boxes in ways for box in boxes]))
    again = {}
    for i, ways in parts.items():
        tried = [_without_ticks([text_in(*next(read), box) for box in boxes], texts[i]) for boxes in ways]
        whole = min((parts for parts in tried if len(_in_order(parts)) == len(parts)), key=len, default=None)     # into figures, not digits
        best = max(tried, key=lambda parts: len(_in_order(parts)))
        if whole is not None:
            again[i] = whole
        elif odd[i] and len(kept := _in_order(best)) >= max(2, len(best) / 2) and len(_digits(kept)) >= MOST_KEPT * len(_digits([texts[i]])):
            again[i] = kept
    return [one for i, t in enumerate(texts) for one in again.get(i, [t])]


def _without_ticks(parts: list[Text], whole: Text) -> list[Text]:
    """The parts less one or two that the whole text does not have: a tick beside figures reads as one more of them."""
    fewer = (list(kept) for n in (0, 1, 2) for kept in itertools.combinations(parts, len(parts) - n) if len(kept) > 1)
    return next((kept for kept in fewer if _digits(kept) == _digits([whole])), parts)


def _digits(texts: Sequence[Text]) -> str:
    return "".join(c for t in texts for c in t.text if c.isdigit())


def _in_order(texts: Sequence[Text]) -> list[Text]:
    """The most of them that are figures and go down, up, or down to zero and up again, as along a scale."""
    figures = [t for t in texts if t.number is not None]
    falling = _falling(figures)
    rising = [row[::-1] for row in _falling(figures[::-1])[::-1]]
    return max((down + up[1:] for down, up in zip(falling, rising, strict=True)
                if len(down) == 1 or len(up) == 1 or down[-1].number == 0), key=len, default=[])


def _falling(figures: Sequence[Text]) -> list[list[Text]]:
    """For each figure the longest row of ever smaller ones that ends with it."""
    rows: list[list[Text]] = []
    for t in figures:
        rows.append(max((r for r in rows if r[-1].number > t.number), key=len, default=[]) + [t])
    return rows


def _parts_by_digits(text: Text, texts: Sequence[Text], view: FaceView, up: float | None) -> list[list[np.ndarray]]:
    """Ways to part a text that follows the arc of its scale, each the boxes of its figures: where the gaps between its digits are wider ones."""
    import cv2

    sure = [min(_sides(t.quad)) for t in texts if t.number is not None and len(t.text) < 4]
    strip = cv2.cvtColor(cut_out(view.pixels, text.quad), cv2.COLOR_RGB2GRAY).astype(np.float32)
    tall, wide = strip.shape
    digit = 0.75 * (float(np.median(sure)) if sure else 0.8 * min(_sides(text.quad))) * tall / _sides(text.quad)[1]
    off = np.abs(strip - cv2.GaussianBlur(strip, (0, 0), digit))
    _, labels, stats, _ = cv2.connectedComponentsWithStats((off > 0.4 * np.percentile(off, 97)).astype(np.uint8))
    kept = [k for k in range(1, len(stats)) if 0.6 * digit < stats[k][3] < 1.5 * digit and stats[k][2] < 1.5 * digit]
    kept.sort(key=lambda k: stats[k][0] + stats[k][2] / 2)
    if len(kept) < 3:
        return []
    inks = [np.argwhere(labels == k)[:, ::-1].astype(np.float32) for k in kept]
    gaps = [float(np.sqrt(((a[::2, None] - b[None, ::2]) ** 2).sum(axis=2).min())) for a, b in itertools.pairwise(inks)]
    wider = [high for low, high in itertools.pairwise(sorted(gaps)) if high > WIDER_GAP * max(low, 1.0)]
    return [_grouped(text, inks, [g >= least for g in gaps], (wide, tall), up) for least in wider[-MOST_WAYS:]]


def _grouped(text: Text, inks: Sequence[np.ndarray], parted: Sequence[bool], size: tuple[int, int], up: float | None) -> list[np.ndarray]:
    """Boxes in the view round runs of digits that are given in a strip of that size, cut after each one that is `parted`."""
    wide, tall = size
    out, group = [], [inks[0]]
    for cut, ink in zip([*parted, True], [*inks[1:], inks[0]], strict=True):
        if cut:
            low, high = np.concatenate(group).min(axis=0), np.concatenate(group).max(axis=0) + 1
            corners = np.array([(x / wide, y / tall) for x, y in ((low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1]))])
            q = text.quad
            points = q[0] + corners[:, :1] * (q[1] - q[0]) + corners[:, 1:] * (q[3] - q[0])
            middle = points.mean(axis=0) - MIDDLE
            out.append(_aligned(points.astype(np.float32), up if up is not None else _upright(math.degrees(math.atan2(middle[0], -middle[1])))))
            group = []
        group.append(ink)
    return out


def _upright(tangent: float) -> float:
    """The direction of a figure turned with the scale, where those in the lower half are turned about."""
    return tangent if abs(tangent) <= 90 else tangent + 180


def _parts(text: Text, view: FaceView, gap: float) -> list[np.ndarray]:
    """The text's box cut where its strip has empty gaps of at least `gap` of its height."""
    import cv2

    grey = cv2.cvtColor(cut_out(view.pixels, text.quad), cv2.COLOR_RGB2GRAY).astype(np.float32)
    height, width = grey.shape
    off = np.abs(grey - np.median(grey, axis=1, keepdims=True))
    inked = np.flatnonzero((off > 0.4 * np.percentile(off, 97)).sum(axis=0) > 0.06 * height)
    cuts = [0.0, *((a + b) / 2 / width for a, b in itertools.pairwise(inked) if b - a > gap * height), 1.0]
    q = text.quad
    return [np.array([q[0] + (q[1] - q[0]) * a, q[0] + (q[1] - q[0]) * b, q[3] + (q[2] - q[3]) * b, q[3] + (q[2] - q[3]) * a], np.float32)
            for a, b in itertools.pairwise(cuts)]


def _sides(quad: np.ndarray) -> tuple[float, float]:
    return float(np.linalg.norm(quad[1] - quad[0])), float(np.linalg.norm(quad[3] - quad[0]))


def _common_direction(quads: Sequence[np.ndarray]) -> float | None:
    """The direction (degrees) all long texts run in, None where they run with the scale, which those near the middle never do."""
    words = figures = tangential = 0j
    for quad in quads:
        width, height = _sides(quad)
        if height > 1.6 * width:                          # so slim is a figure on its side, or a one
            width, height, side = height, width, quad[3] - quad[0]
        elif width > 1.1 * height:
            side = quad[1] - quad[0]
        else:
            continue
        middle = quad.mean(axis=0) - MIDDLE
        pull = (width / height - 1) * np.exp(2j * math.atan2(side[1], side[0]))
        if np.hypot(*middle) > WORDS_WITHIN * RIM:
            figures += pull
            tangential += pull * np.exp(-2j * math.atan2(middle[0], -middle[1]))
        else:
            words += pull
    if abs(tangential) + abs(words) > 1.02 * abs(figures + words):
        return None
    return math.degrees(np.angle(figures + words)) / 2 if figures + words else 0.0


def _turns_with_the_scale(quad: np.ndarray) -> list[float]:
    middle = quad.mean(axis=0) - MIDDLE
    tangent = math.degrees(math.atan2(middle[0], -middle[1]))
    side, level = quad[1] - quad[0], []
    if np.hypot(*middle) < WORDS_WITHIN * RIM:
        level = [(math.degrees(math.atan2(side[1], side[0])) + 90) % 180 - 90 if _sides(quad)[0] > 1.3 * _sides(quad)[1] else 0.0]
    if np.hypot(*middle) < 0.25 * RIM:
        return level
    return [*level, tangent] if abs(tangent) < 75 else [*level, tangent, tangent + 180]


def _aligned(quad: np.ndarray, degrees: float) -> np.ndarray:
    """The rectangle round the quad whose top runs in the given direction, with a little air."""
    a = math.radians(degrees)
    along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    u, v = quad @ along, quad @ across
    air = 0.06 * (v.max() - v.min())
    left, right, top, bottom = u.min() - air, u.max() + air, v.min() - air, v.max() + air
    return np.array([along * x + across * y for x, y in [(left, top), (right, top), (right, bottom), (left, bottom)]], np.float32)
