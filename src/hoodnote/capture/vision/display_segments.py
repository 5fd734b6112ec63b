"""A row of seven-segment figures, read by which of each digit's segments are lit.

The row is laid flat, its slant taken out, and cut into cells where nothing stands between the digits. Each segment's place is
measured against the brightest one of its own digit, so that a ghost of an unlit segment stays unlit, and a segment that is
neither lit nor dark is in doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.display_find import Row
from hoodnote.capture.vision.display_flat import DIGIT, Flat, band, contrast, lay_flat, level_in, lit_parts, slant
from hoodnote.capture.vision.light import darkest, lightest

LIT, UNLIT = 0.62, 0.36        # share of the digit's own brightest segment
SEGMENTS = "abcdefg"           # a at the top, clockwise to f, g in the middle: the usual lettering, common practice, no source
PATTERNS = {"abcdef": "0", "bc": "1", "abdeg": "2", "abcdg": "3", "bcfg": "4", "acdfg": "5", "acdefg": "6", "cdefg": "6", "abc": "7",
            "abcf": "7", "abcdefg": "8", "abcdfg": "9", "abcfg": "9", "g": "-"}
# what is lit when a display says that it has no figure: letters that no digit shares
LETTERS = {"def": "L", "adefg": "E", "eg": "r", "cdeg": "o", "bcefg": "H", "adef": "C", "abefg": "P", "aefg": "F", "ceg": "n", "cdefg": "b",
           "bcdeg": "d", "degf": "t", "defg": "t"}


@dataclass(frozen=True)
class Cell:
    """One digit. `states`: share of full light of segments a to g. `others`: digits it may be as well, for a segment in doubt.
    `left`, `right` in the flat view's pixels."""

    text: str
    states: tuple[float, ...]
    others: tuple[str, ...]
    left: float
    right: float
    hidden: bool = False       # glare lies on a segment that is taken for dark

    @property
    def doubtful(self) -> bool:
        return bool(self.others)


@dataclass(frozen=True)
class Figures:
    """What a run of cells says. `marks[i]`: what stands after cell i ("", ".", ":"); `lead` before the first.
    `unsure_marks`: places after which a point may or may not stand."""

    cells: tuple[Cell, ...]
    lead: str
    marks: tuple[str, ...]
    unsure_marks: tuple[int, ...]
    beside: str | None         # why there may be one digit more

    @property
    def text(self) -> str:
        return self.lead + "".join(c.text + m for c, m in zip(self.cells, self.marks, strict=True))

    @property
    def left(self) -> float:
        return self.cells[0].left

    @property
    def right(self) -> float:
        return self.cells[-1].right

    def variants(self) -> list[str]:
        """Every text it may be, the likeliest first."""
        texts = [self.lead]
        for i, (cell, mark) in enumerate(zip(self.cells, self.marks, strict=True)):
            after = (mark, "" if mark else ".") if i in self.unsure_marks else (mark,)
            texts = [t + c + m for t in texts for c in (cell.text, *cell.others) for m in after]
        return list(dict.fromkeys(texts))


@dataclass(frozen=True)
class _Piece:
    """Columns between gaps; `top` and `bottom` of what is lit in them, in shares of the digit's height."""

    left: int
    right: int
    top: float
    bottom: float
    level: float

    @property
    def width(self) -> int:
        return self.right - self.left

    def reaches(self, slack: float) -> bool:
        """Is it as high as the row, and set off from it by no more than `slack`? A 1 or a 4 of square strokes lacks a stroke's width
        at its top and foot."""
        return abs(self.top) < slack and abs(self.bottom - 1) < slack and 0.68 < self.bottom - self.top < 1.28

    @property
    def tall(self) -> bool:
        return self.reaches(0.16)


def level_row(pixels: np.ndarray, row: Row) -> Flat | None:
    """The row laid flat, its slant and edges adjusted to what stands in it; None where nothing of a row's height does."""
    for slack in (0.42, 0.3, 0.22):
        lean = slant(lay_flat(pixels, row))
        flat = lay_flat(pixels, row, lean)
        out = contrast(flat)
        if level_in(out, flat) < 0.05:
            return None
        better = _tightened(row, flat, [p for p in _pieces(out, flat) if p.reaches(slack)])
        if better is None:
            return None
        row = better
    return lay_flat(pixels, row)


def _pieces(out: np.ndarray, flat: Flat) -> list[_Piece]:
    lit = lit_parts(out, flat)
    # points stand at the foot, so the digits are parted by what lies above it
    columns = band(lit, flat, -0.06, 0.79).sum(axis=0) >= 0.045 * DIGIT
    edges = np.flatnonzero(np.diff(np.concatenate([[0], columns.astype(int), [0]])))
    spans = [[int(a), int(b)] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    joined: list[list[int]] = []
    for span in spans:
        if joined and span[0] - joined[-1][1] < 0.035 * DIGIT:
            joined[-1][1] = span[1]
        else:
            joined.append(span)
    pieces = []
    for a, b in joined:
        if b - a < 0.03 * DIGIT:
            continue
        extent = _extent(lit[:, a:b].sum(axis=1) >= max(1, 0.02 * DIGIT), flat)
        if extent is not None:
            pieces.append(_Piece(a, b, *extent, float(np.percentile(band(out, flat, 0, 1)[:, a:b], 95))))
    return [p for p in pieces if p.width > 0.3 * DIGIT or _on_paper(flat, p)]


def _on_paper(flat: Flat, piece: _Piece) -> bool:
    """Is there the same ground on either side? The edge of a window looks like a stroke, but has the case on its far side."""
    if flat.bright:
        return True
    near, far = round(0.04 * DIGIT), round(0.3 * DIGIT)       # past the next digit's stroke
    value = lightest(band(flat.pixels, flat, 0.05, 0.95))
    left, right = value[:, max(0, piece.left - far):max(0, piece.left - near)], value[:, piece.right + near:piece.right + far]
    if not left.size or not right.size:
        return False
    a, b = float(np.percentile(left, 85)), float(np.percentile(right, 85))
    return min(a, b) > 0.48 * max(a, b)


def _extent(rows: np.ndarray, flat: Flat) -> tuple[float, float] | None:
    """Top and foot of what is lit, in digit heights; what stands clear above or below the row is not part of it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rows.astype(int), [0]])))
    spans: list[list[int]] = []
    top, foot = flat.top - 0.05 * DIGIT, flat.top + 1.05 * DIGIT
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        # the gap between a digit's own segments; lettering above or below has a gap of its own
        if spans and a - spans[-1][1] < 0.1 * DIGIT and spans[-1][1] > top and a < foot:
            spans[-1][1] = int(b)
        else:
            spans.append([int(a), int(b)])
    if not spans:
        return None
    a, b = max(spans, key=lambda x: min(x[1], flat.top + DIGIT) - max(x[0], flat.top))
    return (a - flat.top) / DIGIT, (b - flat.top) / DIGIT


def _tightened(row: Row, flat: Flat, pieces: Sequence[_Piece]) -> Row | None:
    """The row's edges moved onto the tops and feet of its full-height pieces."""
    tall = [p for p in pieces if p.width > 0.06 * DIGIT]
    if not tall:
        return None
    highest = max(p.bottom - p.top for p in tall)
    tall = [p for p in tall if p.bottom - p.top > 0.9 * highest]
    x = np.array([(p.left + p.right) / 2 for p in tall])
    tops = np.array([flat.top + p.top * DIGIT for p in tall])
    feet = np.array([flat.top + p.bottom * DIGIT for p in tall])
    left, right = min(p.left for p in tall), max(p.right for p in tall)
    if len(tall) >= 3 and right - left > 1.3 * DIGIT:
        a, b = np.polyfit(x, tops, 1), np.polyfit(x, feet, 1)
    elif len(tall) == 2:
        # two digits tell the row's slope, not how its edges run together
        slope = float(np.mean([np.diff(tops)[0], np.diff(feet)[0]]) / np.diff(x)[0])
        a, b = ((slope, float(np.mean(y - slope * x))) for y in (tops, feet))
    else:
        a, b = (0.0, float(tops[0])), (0.0, float(feet[0]))
    points = [(left, np.polyval(a, left)), (right, np.polyval(a, right)), (right, np.polyval(b, right)), (left, np.polyval(b, left))]
    # the corners belong to the upright cell; the slant is taken out again afterwards
    lean, foot = flat.lean, flat.top + DIGIT
    upright = [(px - lean * (py - foot), py) for px, py in points]
    plain = replace(flat, matrix=np.linalg.inv(np.array([[1, lean, -lean * foot], [0, 1, 0], [0, 0, 1]])) @ flat.matrix)
    quad = plain.to_photo(np.array(upright))
    return Row(quad.astype(np.float64), row.bright, len(tall)) if np.isfinite(quad).all() else None


def read_cells(flat: Flat, spots: Sequence[float]) -> Figures | None:
    """What the segments say in the digits that stand at `spots` (x in the flat view, anywhere within a digit, left to right).

    Digits stand at one pitch and every digit has a stroke at its right, so a lattice is laid through the right edges; which
    segments are lit in each of its cells, and what stands between them, is judged from the picture alone.
    """
    out = contrast(flat)
    pieces = _pieces(out, flat)
    cells = _lattice(band(_strokes(lit_parts(out, flat)), flat, -0.06, 0.79).mean(axis=0), spots)
    if cells is None:
        return None
    rights, width, pitch = cells
    inner = band(out, flat, 0, 1)
    own = [_Piece(round(r - width), round(r), 0.0, 1.0, float(np.percentile(inner[:, max(0, round(r - width)):round(r) + 1], 95))) for r in rights]
    if own[0].left < 0 or own[-1].right >= out.shape[1]:
        return None
    strong = float(np.median([p.level for p in own]))
    read = [_cell(flat, out, p) for p in own]
    thick = _thickness(out, flat, own)
    first = read[0].left if read[0].text != "1" else read[0].right - thick
    minus = [p for p in pieces if not p.tall and 0.34 < p.top and p.bottom < 0.66 and p.right < first + 0.02 * DIGIT
             and own[0].right - p.right < 1.35 * max(pitch, 1.1 * width) and 0.2 * DIGIT < p.width < 1.1 * width]
    if minus:
        read.insert(0, Cell("-", (0, 0, 0, 0, 0, 0, 1.0), (), minus[-1].left, minus[-1].right))
        own.insert(0, minus[-1])
    room = max(pitch - width, 0.12 * DIGIT)
    marks, unsure = [], []
    for i, cell in enumerate(read):
        following = read[i + 1] if i + 1 < len(read) else None
        # a 1 stands at the right of its cell, so that a point before it may be anywhere up to its stroke
        end = cell.right + room if following is None else following.right - thick if following.text == "1" else following.left
        mark, sure = _mark(flat, out, cell.right, min(end, cell.right + 1.6 * room), thick, strong, last=following is None)
        marks.append(mark)
        if not sure:
            unsure.append(i)
    start = read[0].left if read[0].text != "1" else read[0].right - thick
    lead, _ = _mark(flat, out, start - room, start, thick, strong, last=True)
    rest = [p for p in pieces if not any(min(p.right, q.right) - max(p.left, q.left) > 0.3 * p.width for q in own)]
    return Figures(tuple(read), lead, tuple(marks), tuple(unsure), _more_beside(flat, read, rest, pitch, strong))


def _strokes(lit: np.ndarray) -> np.ndarray:
    """What is lit without lone dots: points, colons, dirt."""
    import cv2

    count, labels, stats, _ = cv2.connectedComponentsWithStats(lit.astype(np.uint8))
    long = np.maximum(stats[:count, cv2.CC_STAT_WIDTH], stats[:count, cv2.CC_STAT_HEIGHT]) >= 0.24 * DIGIT
    return lit & long[labels]


def _lattice(lit: np.ndarray, spots: Sequence[float]) -> tuple[list[float], float, float] | None:
    """Right edges of the cells, their width and pitch; `lit`: share of each column that is lit."""
    step, near = round(0.07 * DIGIT), 3
    sums = np.concatenate([[0], np.cumsum(np.pad(lit, step))])
    means = (sums[step:] - sums[:-step]) / step
    falls = means[:len(lit) + 1] - means[step:len(lit) + 1 + step]           # at each column: lit before it, dark from it on
    fall, rise = (np.clip(np.max([np.roll(e, d) for d in range(-near, near + 1)], axis=0), 0, 0.5) for e in (falls, -falls))
    total = np.concatenate([[0], np.cumsum(lit)])
    x, n = np.asarray(spots, float), len(spots)

    def column(where: np.ndarray) -> np.ndarray:
        return np.clip(np.rint(where).astype(int), 0, len(lit))

    rights = np.arange(x[-1] - 0.12 * DIGIT, x[-1] + 0.7 * DIGIT)
    best, found = 0.0, None
    for width in np.arange(0.42, 0.74, 0.03) * DIGIT:
        pitches = np.arange(1.14 * width, 1.65 * width, 1.5) if n > 1 else np.array([1.35 * width])
        at = rights[None, :, None] - pitches[:, None, None] * np.arange(n)[::-1]     # pitch, right edge of the last, cell
        holds = ((x < at + 0.1 * DIGIT) & (x > at - width - 0.1 * DIGIT)).all(axis=2)
        # between the cells it is dark; a 1 has no stroke at the left, so a missing left edge counts less than a missing right one
        dark = (total[column(at + pitches[:, None, None] - width)] - total[column(at)]) / (pitches[:, None, None] - width)
        score = (fall[column(at)] + 0.7 * rise[column(at - width)] - 1.5 * dark).sum(axis=2)
        score = np.where(holds, score, -1)
        if score.max() > best:
            best = float(score.max())
            p, r = np.unravel_index(int(score.argmax()), score.shape)
            found = at[p, r], float(width), float(pitches[p])
    if found is None:
        return None
    edges = []
    for value in found[0]:         # each on its own edge, where it has one
        around = np.arange(max(0, round(value) - 5), min(len(lit), round(value) + 6))
        edges.append(float(around[falls[around].argmax()]) if len(around) and falls[around].max() > 0.1 else float(value))
    widths = np.arange(found[1] - 5, found[1] + 6)
    gain = np.clip(-falls, 0, 0.5)[column(np.array(edges)[:, None] - widths)].sum(axis=0)
    return edges, float(widths[gain.argmax()]) if gain.max() > 0.1 else found[1], found[2]


def _thickness(out: np.ndarray, flat: Flat, run: Sequence[_Piece]) -> float:
    """Stroke width in px: area of what is lit against its skeleton, near enough by twice its mean distance from the edge."""
    import cv2

    lit = (lit_parts(out, flat) * 255).astype(np.uint8)
    part = lit[round(flat.top):round(flat.top + DIGIT), run[0].left:run[-1].right]
    far = cv2.distanceTransform(np.pad(part, 1), cv2.DIST_L2, 3)
    ridge = far[(far > 1) & (far >= cv2.dilate(far, np.ones((3, 3), np.uint8)) - 1e-3)]
    return float(np.clip(2 * np.median(ridge), 0.06 * DIGIT, 0.24 * DIGIT)) if ridge.size else 0.12 * DIGIT


def _cell(flat: Flat, out: np.ndarray, piece: _Piece) -> Cell:
    left, right = float(piece.left), float(piece.right)
    values, hidden_at = _states(flat, out, left, right)
    top = max(values)
    states = tuple(v / max(top, 1e-6) for v in values[:7])
    lit = "".join(s for s, v in zip(SEGMENTS, states, strict=True) if v >= (LIT + UNLIT) / 2)
    unsure = [i for i, v in enumerate(states) if UNLIT < v < LIT]
    # nothing may be lit inside the two holes of a digit
    if max(values[7:]) > 0.5 * top:
        return Cell("?", states, (), left, right)
    text = PATTERNS.get(lit, LETTERS.get(lit, "?"))
    others = []
    for i in unsure:
        flipped = "".join(s for k, s in enumerate(SEGMENTS) if (s in lit) != (k == i))
        if flipped in PATTERNS and PATTERNS[flipped] != text:
            others.append(PATTERNS[flipped])
    if text == "?" and others:
        text = others.pop(0)
    hidden = any(hidden_at[i] for i, s in enumerate(SEGMENTS) if s not in lit)
    return Cell(text, tuple(round(s, 3) for s in states), tuple(dict.fromkeys(others)), left, right, hidden)


def _states(flat: Flat, out: np.ndarray, left: float, right: float) -> tuple[list[float], list[bool]]:
    """Contrast of segments a to g and of the two holes; and whether glare lies on each segment."""
    w = right - left
    y0 = flat.top

    def window(x_from, x_to, y_from, y_to):
        xs = slice(max(0, round(left + x_from * w)), max(1, round(left + x_to * w)))
        ys = slice(max(0, round(y0 + y_from * DIGIT)), max(1, round(y0 + y_to * DIGIT)))
        return ys, xs

    across = {"a": (-0.06, 0.17), "g": (0.40, 0.60), "d": (0.83, 1.06)}
    down = {"f": (0.0, 0.30, 0.17, 0.37), "b": (0.70, 1.04, 0.17, 0.37), "e": (0.0, 0.30, 0.63, 0.83), "c": (0.70, 1.04, 0.63, 0.83)}
    found: dict[str, float] = {}
    hidden: dict[str, bool] = {}
    light = (lightest if flat.bright else darkest)(flat.pixels)
    for name, (a, b) in across.items():
        part = out[window(0.34, 0.66, a, b)]
        found[name] = _strongest(part.mean(axis=1))
        hidden[name] = _glare(light[window(0.3, 0.7, a, b)], flat.bright)
    for name, (xa, xb, ya, yb) in down.items():
        part = out[window(xa, xb, ya, yb)]
        found[name] = _strongest(part.mean(axis=0))
        hidden[name] = _glare(light[window(xa, xb, ya, yb)], flat.bright)
    holes = [float(np.median(out[window(0.42, 0.58, a, b)])) for a, b in ((0.23, 0.35), (0.66, 0.78))]
    return [found[s] for s in SEGMENTS] + holes, [hidden[s] for s in SEGMENTS]


def _strongest(profile: np.ndarray) -> float:
    """The highest mean over a stroke's core."""
    n = max(1, round(0.05 * DIGIT))
    if len(profile) < n:
        return 0.0
    return float(np.convolve(profile, np.ones(n) / n, "valid").max())


def _glare(light: np.ndarray, bright: bool) -> bool:
    return bool(light.size) and float((light >= 248).mean()) > (0.5 if bright else 0.15)


def _mark(flat: Flat, out: np.ndarray, left: float, right: float, thick: float, level: float, last: bool) -> tuple[str, bool]:
    """The point or colon between two cells, and whether that is sure."""
    half = 0.3 * thick
    first, last_x = left + half + 0.01 * DIGIT, right - half - 0.01 * DIGIT
    places = np.linspace(first, last_x, 5) if last_x > first else np.array([(left + right) / 2])

    def at(y: float, spread: float) -> float:
        best = 0.0
        for cx in places:
            for dy in np.linspace(-spread, spread, 5):
                cy = flat.top + (y + dy) * DIGIT
                part = out[max(0, round(cy - half)):max(1, round(cy + half)), max(0, round(cx - half)):max(1, round(cx + half))]
                if part.size:
                    best = max(best, float(part.mean()))
        return best / max(level, 1e-6)

    t = thick / DIGIT
    foot = at(1 - 0.55 * t, 0.35 * t)
    ground = max(at(0.62, 0.02), at(0.4, 0.02))
    upper, lower = at(0.3, 0.04), at(0.7, 0.04)
    if not last and upper > LIT and lower > LIT and at(0.5, 0.02) < UNLIT:
        return ":", True
    value = foot - 0.8 * min(ground, 0.6)
    if value > 0.5:
        return ".", True
    return "", value < 0.28


def _more_beside(flat: Flat, cells: Sequence[Cell], rest: Sequence[_Piece], pitch: float, strong: float) -> str | None:
    """What may be one digit more at either end: something lit there that is no digit, or glare."""
    light = darkest(flat.pixels)
    for end, (a, b) in {"left": (cells[0].left - 1.2 * pitch, cells[0].left - 0.05 * DIGIT),
                        "right": (cells[-1].right + 0.05 * DIGIT, cells[-1].right + pitch)}.items():
        zone = light[round(flat.top):round(flat.top + DIGIT), max(0, round(a)):max(1, round(b))]
        if zone.size and not flat.bright and float((zone >= 248).mean()) > 0.1:
            return f"glare lies at the {end} of the figure"
        for piece in rest:
            # as high as the digits: a window's edge is higher, lettering lower
            if a < (piece.left + piece.right) / 2 < b and piece.tall and piece.width > 0.07 * DIGIT and piece.level > 0.5 * strong:
                return f"something stands at the {end} of the figure that is not read"
    return None

