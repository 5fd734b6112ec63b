"""The figures of a display by the network that finds signs: where rows of digits stand in a photo and what they read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.display_find import Row
from hoodnote.capture.vision.display_net import SIGNS
from hoodnote.capture.vision.neighbours import grouped
from hoodnote.capture.vision.signs import MARKS, Sign, once, scaled, signs_in

_SIDES = ((320, 160), (640,))           # px, longest side of the photo as it is looked at, one step after the other
_CLOSE, _CLOSEST = 960, 1280            # and last, the larger one where a digit left a trace
SIGN_DIGIT = 40                         # px, height of the digits in a picture of a display alone
_LEAST = 22                             # px; digits lower than this are looked at in the next one as well
_DIGIT_SURE, _MARK_SURE = 0.35, 0.5     # probability from which a sign counts
_CLEAR = 0.5                            # of a figure that makes a larger picture needless
_TRACE = 0.1                            # which most digits too small for a look leave
_STRAY = 0.6                            # share of the surest figure's probability that another one has at least
_PARTED = 1.32                          # pitches between two digits of one figure at most


@dataclass(frozen=True, eq=False)
class Sighted:
    """One figure. `signs`: digits and minus signs from left to right, in the photo's pixels, `marks`: the point or colon after each."""

    signs: tuple[Sign, ...]
    marks: tuple[str, ...]
    probability: float       # of the least probable sign

    @property
    def text(self) -> str:
        return "".join(s.name + m for s, m in zip(self.signs, self.marks, strict=True))

    def grown(self, times: float) -> Sighted:
        """As it stands in the picture when that is so many times as large."""
        return replace(self, signs=tuple(scaled(s, times) for s in self.signs))

    @property
    def digits(self) -> int:
        return sum(s.name.isdigit() for s in self.signs)

    @property
    def height(self) -> float:
        return float(np.median([s.height for s in self.signs]))

    @property
    def lean(self) -> float:
        """tan of the digits' slant."""
        up = np.median([s.up for s in self.signs], axis=0)
        along = _direction(np.array([s.at for s in self.signs]), up)
        return float(np.clip((up @ along) / max(float(up @ np.array([along[1], -along[0]])), 1e-6), -0.3, 0.4))

    @property
    def row(self) -> Row:
        """Its place in the photo, tight on the digits; their slant is left out."""
        at = np.array([s.at for s in self.signs])
        ups = np.median([s.up for s in self.signs], axis=0)
        along = _direction(at, ups)
        up = np.array([along[1], -along[0]]) * float(ups @ np.array([along[1], -along[0]]))
        reach = 0.3 * 2 * float(np.linalg.norm(up))
        first, last = at[0] - along * reach, at[-1] + along * reach
        return Row(np.array([first + up, last + up, last - up, first - up]), sum(s.bright for s in self.signs) * 2 > len(self.signs), len(self.signs))


def _direction(at: np.ndarray, up: np.ndarray) -> np.ndarray:
    """Unit vector along the row: through the middles of its digits, for one digit square to its height."""
    if len(at) > 1:
        way = np.linalg.svd(at - at.mean(axis=0))[2][0]
        way = way if way @ (at[-1] - at[0]) > 0 else -way
    else:
        way = np.array([-up[1], up[0]])
    return way / max(float(np.linalg.norm(way)), 1e-6)


@dataclass(frozen=True, eq=False)
class Glance:
    """What a photo in small shows: `signs` with their traces, `figures` of them, and whether a closer look is needless."""

    signs: Sequence[Sign]
    figures: Sequence[Sighted]
    enough: bool

    @property
    def large(self) -> list[Sighted]:
        """Clear figures as large as the lettering beside them that can be read. A lone digit may be print."""
        return [f for f in self.figures if f.digits > 1 and _clear([f])]


def at_a_glance(pixels: np.ndarray) -> Glance:
    """The figures of an RGB photo that are large in it."""
    side = max(pixels.shape[:2])
    signs: list[Sign] = []
    for sizes in _SIDES:
        for size in sizes:
            signs += _signs_at(pixels, size) if size <= side else []
        figures = figures_of(signs)
        if _enough(figures, sizes[0] / side):
            return Glance(signs, figures, True)
    return Glance(signs, figures, False)


def sighted(pixels: np.ndarray, seen: Glance | None = None, thorough: bool = True) -> Sequence[Sighted]:
    """The figures in an RGB photo, the most of it by height and digits first. `seen`: at a glance, if that was taken. `thorough`: digits too
    small to leave a trace there are looked for at the largest size, too."""
    seen = seen or at_a_glance(pixels)
    if seen.enough:
        return seen.figures
    size = _CLOSEST if thorough or any(s.name.isdigit() for s in seen.signs) else _CLOSE
    return figures_of([*seen.signs, *_signs_at(pixels, size)]) if size <= max(pixels.shape[:2]) else seen.figures


def _signs_at(pixels: np.ndarray, size: int) -> list[Sign]:
    """The signs, and traces of them, in the photo with its longer side so many px."""
    import cv2

    side = max(pixels.shape[:2])
    small = cv2.resize(pixels, None, fx=size / side, fy=size / side, interpolation=cv2.INTER_AREA)
    return [scaled(s, side / size) for s in signs_in(small, "digits", _TRACE)]


def _enough(figures: Sequence[Sighted], scale: float) -> bool:
    return _clear(figures) and min(f.height for f in figures) * scale >= _LEAST


def _clear(figures: Sequence[Sighted]) -> bool:
    return any(f.probability >= _CLEAR for f in figures)


def figures_of(signs: Sequence[Sign]) -> list[Sighted]:
    """Rows of the digits among signs, seen once or several times each."""
    best = once([s for s in signs if s.name in SIGNS])
    digits = [s for s in best if s.name not in MARKS and s.probability >= _DIGIT_SURE]
    marks = [s for s in best if s.name in MARKS and s.probability >= _MARK_SURE]
    rows = [f for row in grouped(digits, _beside) for f in _figures(row, marks)]
    surest = max((f.probability for f in rows if f.digits > 1), default=0.0)
    # a lone stroke somewhere may look like a 1
    rows = [f for f in rows if len(f.signs) > 1 or f.probability > _STRAY * surest]
    return sorted((f for f in rows if f.digits), key=lambda f: f.height * f.digits ** 0.5, reverse=True)


def _beside(one: Sign, other: Sign) -> bool:
    high = (one.height + other.height) / 2
    if not 0.75 < one.height / max(other.height, 1e-6) < 1.34:
        return False
    apart = np.subtract(other.at, one.at)
    up = np.add(one.up, other.up) / high          # of length 1, slanted as the digits are
    right = np.array([-up[1], up[0]])
    return bool(0.3 * high < abs(apart @ right) < 1.45 * high and abs(apart @ up) < 0.42 * high)


def _figures(row: Sequence[Sign], marks: Sequence[Sign]) -> list[Sighted]:
    """A row cut where its digits stand farther apart than their pitch."""
    at = np.array([s.at for s in row])
    along = _direction(at, np.median([s.up for s in row], axis=0))
    if along[0] < 0:
        along = -along
    order = np.argsort(at @ along)
    row = [row[i] for i in order]
    places = (at @ along)[order]
    gaps = np.diff(places)
    pitch = float(np.median(gaps[gaps <= 1.25 * gaps.min()])) if len(gaps) else 0.0
    cuts = [i + 1 for i, gap in enumerate(gaps) if len(gaps) > 1 and gap > _PARTED * pitch]
    out = []
    for part in np.split(np.arange(len(row)), cuts):
        signs = [row[i] for i in part]
        after, sure = _marks_after(signs, marks, along)
        out.append(Sighted(tuple(signs), after, float(min([s.probability for s in signs] + sure))))
    return out


def _marks_after(signs: Sequence[Sign], marks: Sequence[Sign], along: np.ndarray) -> tuple[tuple[str, ...], list[float]]:
    """The point or colon after each digit, and how probable those are."""
    after, sure = [""] * len(signs), []
    places = [float(np.dot(s.at, along)) for s in signs]
    high = float(np.median([s.height for s in signs]))
    for mark in marks:
        place = float(np.dot(mark.at, along))
        before = [i for i, x in enumerate(places) if x < place]
        if not before or place - places[before[-1]] > 0.9 * high:
            continue
        i = before[-1]
        if abs(np.dot(np.subtract(mark.at, signs[i].at), (along[1], -along[0]))) > 0.75 * high or after[i]:
            continue
        after[i] = mark.name
        sure.append(mark.probability)
    return tuple(after), sure
