"""A row of seven-segment figures, read by which of each digit's segments are lit.

The row is laid flat, its slant taken out, and cut into cells where nothing stands between the digits. Each segment's place is
measured against the brightest one of its own digit, so that a ghost of an unlit segment stays unlit, and a segment that is
neither lit nor dark is in doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.display_find import Row, stands_out

DIGIT = 96                     # px, height of a digit in the flat view
ABOVE, BESIDE = 0.45, 1.7      # room around the row, in digit heights
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


@dataclass(frozen=True, eq=False)
class Flat:
    """A row laid flat: digits stand DIGIT px high from `top`; `matrix` (3 x 3) takes photo pixels to the view's."""

    pixels: np.ndarray
    matrix: np.ndarray
    bright: bool
    lean: float                # tan of the slant that was taken out
    top: float = ABOVE * DIGIT

    def to_photo(self, points: np.ndarray) -> np.ndarray:
        import cv2

        return cv2.perspectiveTransform(np.asarray(points, np.float32).reshape(-1, 1, 2), np.linalg.inv(self.matrix)).reshape(-1, 2)


def lay_flat(pixels: np.ndarray, row: Row, lean: float = 0.0, above: float = ABOVE, beside: float = BESIDE, digit: int = DIGIT) -> Flat:
    """The row and what lies around it, upright."""
    import cv2

    width = max(0.3, row.width / row.height) * digit
    w, h = round(width + 2 * beside * digit), round(digit * (1 + 2 * above))
    x0, y0 = beside * digit, above * digit
    target = np.float32([(x0, y0), (x0 + width, y0), (x0 + width, y0 + digit), (x0, y0 + digit)])
    matrix = cv2.getPerspectiveTransform(np.asarray(row.quad, np.float32), target)
    if lean:
        shear = np.array([[1, lean, -lean * (y0 + digit)], [0, 1, 0], [0, 0, 1]])
        matrix = shear @ matrix
    corners = cv2.perspectiveTransform(np.float32([[(0, 0)], [(w, 0)], [(w, h)], [(0, h)]]), np.linalg.inv(matrix)).reshape(-1, 2)
    low = np.clip(np.floor(corners.min(axis=0)).astype(int) - 2, 0, [pixels.shape[1] - 1, pixels.shape[0] - 1])
    high = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 3, low + 1, [pixels.shape[1], pixels.shape[0]])
    piece = pixels[low[1]:high[1], low[0]:high[0]]
    shrink = min(1.0, 1.3 * digit / row.height)
    if shrink < 0.8:           # warping samples single pixels, so a much larger photo is averaged down first
        piece = cv2.resize(piece, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    else:
        shrink = 1.0
    inner = matrix @ np.array([[1, 0, low[0]], [0, 1, low[1]], [0, 0, 1.0]]) @ np.diag([1 / shrink, 1 / shrink, 1.0])
    flat = cv2.warpPerspective(piece, inner, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return Flat(flat, matrix, row.bright, lean, y0)


def contrast(flat: Flat) -> np.ndarray:
    import cv2

    soft = cv2.GaussianBlur(flat.pixels, (0, 0), 1.6)
    return np.clip(stands_out(soft, flat.bright, round(0.36 * DIGIT)), 0, None)


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
        """Is it as high as the row, and set off from it by no more than `slack`?"""
        return abs(self.top) < slack and abs(self.bottom - 1) < slack and 0.78 < self.bottom - self.top < 1.28

    @property
    def tall(self) -> bool:
        return self.reaches(0.16)


def read_row(pixels: np.ndarray, row: Row) -> tuple[Flat, list[Figures]] | None:
    """The figures of a row, left to right, or None where it is not made of segments. Adjusts the row's slant and edges to what it finds."""
    for slack in (0.42, 0.3, 0.22):
        lean = _lean(lay_flat(pixels, row))
        flat = lay_flat(pixels, row, lean)
        out = contrast(flat)
        if _level(out, flat) < 0.05:
            return None
        better = _tightened(row, flat, [p for p in _pieces(out, flat) if p.reaches(slack)])
        if better is None:
            return None
        row = better
    flat = lay_flat(pixels, row)
    out = contrast(flat)
    pieces = _pieces(out, flat)
    found = [f for f in (_figures(flat, out, run, pieces) for run in _runs(pieces)) if f is not None]
    return (flat, found) if found else None


def _band(out: np.ndarray, flat: Flat, top: float, bottom: float) -> np.ndarray:
    return out[max(0, round(flat.top + top * DIGIT)):round(flat.top + bottom * DIGIT)]


def _level(out: np.ndarray, flat: Flat) -> float:
    """Contrast of what is lit within the row itself, its neighbourhood left out."""
    inner = _band(out, flat, 0, 1)[:, round(BESIDE * DIGIT):-round(BESIDE * DIGIT)]
    return float(np.percentile(inner, 88)) if inner.size else 0.0


def _lean(flat: Flat) -> float:
    """tan of the slant that makes the columns of what is lit stand sharpest."""
    import cv2

    small = cv2.resize(contrast(flat), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    edge = round((BESIDE - 0.3) * DIGIT / 2)
    band = small[round((flat.top + 0.04 * DIGIT) / 2):round((flat.top + 0.96 * DIGIT) / 2), edge:-edge]
    band = np.clip(band / max(float(np.percentile(band, 90)), 1e-3), 0, 1)
    h, w = band.shape
    best, best_score = 0.0, -1.0
    for lean in np.arange(-0.16, 0.36, 0.04):
        score = _sharpness(band, lean, h, w)
        if score > best_score:
            best, best_score = float(lean), score
    around = {lean: _sharpness(band, lean, h, w) for lean in (best - 0.02, best + 0.02)}
    return max({best: best_score, **around}.items(), key=lambda x: x[1])[0]


def _sharpness(band: np.ndarray, lean: float, h: int, w: int) -> float:
    import cv2

    turned = cv2.warpAffine(band, np.float32([[1, lean, -lean * h / 2], [0, 1, 0]]), (w, h))
    return float((np.diff(turned.sum(axis=0)) ** 2).sum())


def lit_parts(out: np.ndarray, flat: Flat) -> np.ndarray:
    """Bool: what stands out at least half as much as the strongest near it, so that a shadow over some digits does not put them out."""
    import cv2

    near = cv2.GaussianBlur(cv2.dilate(out, np.ones((round(0.8 * DIGIT), round(0.6 * DIGIT)), np.uint8)), (0, 0), 0.12 * DIGIT)
    return out > np.maximum(0.5 * near, 0.3 * _level(out, flat))


def _pieces(out: np.ndarray, flat: Flat) -> list[_Piece]:
    lit = lit_parts(out, flat)
    # points stand at the foot, so the digits are parted by what lies above it
    columns = _band(lit, flat, -0.06, 0.79).sum(axis=0) >= 0.045 * DIGIT
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
            pieces.append(_Piece(a, b, *extent, float(np.percentile(_band(out, flat, 0, 1)[:, a:b], 95))))
    return [p for p in pieces if p.width > 0.3 * DIGIT or _on_paper(flat, p)]


def _on_paper(flat: Flat, piece: _Piece) -> bool:
    """Is there the same ground on either side? The edge of a window looks like a stroke, but has the case on its far side."""
    if flat.bright:
        return True
    near, far = round(0.04 * DIGIT), round(0.3 * DIGIT)       # past the next digit's stroke
    value = _band(flat.pixels, flat, 0.05, 0.95).max(axis=2)
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


def _runs(pieces: Sequence[_Piece]) -> list[list[_Piece]]:
    """Digits that stand side by side; a gap as wide as a missing digit parts two figures."""
    tall = [p for p in pieces if p.tall and p.width < 0.95 * DIGIT]
    wide = [p.width for p in tall if p.width > 0.28 * DIGIT]
    if not tall:
        return []
    width = float(np.median(wide)) if wide else 0.52 * DIGIT
    steps = sorted(b.right - a.right for a, b in zip(tall, tall[1:], strict=False) if b.right - a.right < 2.0 * width)
    pitch = float(np.median(steps)) if steps else 1.35 * width
    runs = [[tall[0]]]
    for a, b in zip(tall, tall[1:], strict=False):
        if b.right - a.right > 1.28 * pitch:
            runs.append([b])
        else:
            runs[-1].append(b)
    return runs


def _figures(flat: Flat, out: np.ndarray, run: Sequence[_Piece], pieces: Sequence[_Piece]) -> Figures | None:
    wide = [p.width for p in run if p.width > 0.3 * DIGIT]
    width = float(np.median(wide)) if wide else 0.52 * DIGIT
    steps = [b.right - a.right for a, b in zip(run, run[1:], strict=False)]
    pitch = float(np.median(steps)) if steps else 1.35 * width
    strong = float(np.median([p.level for p in run]))
    own = [p for p in run if p.level > 0.4 * strong]
    if not own or any(p.width > 1.35 * width for p in own):
        return None
    thick = _thickness(out, flat, own)
    cells = [_cell(flat, out, p, width) for p in own]
    minus = [p for p in pieces if not p.tall and 0.34 < p.top and p.bottom < 0.66 and p.right < own[0].left
             and own[0].right - p.right < 1.35 * max(pitch, 1.1 * width) and 0.2 * DIGIT < p.width < 1.1 * width]
    if minus:
        cells.insert(0, Cell("-", (0, 0, 0, 0, 0, 0, 1.0), (), minus[-1].left, minus[-1].right))
    marks, unsure = [], []
    room = max(pitch - width, 0.12 * DIGIT)
    for i, cell in enumerate(cells):
        end = own[min(i + 1 - bool(minus), len(own) - 1)].left if i + 1 < len(cells) else cell.right + room
        mark, sure = _mark(flat, out, cell.right, min(end, cell.right + 1.6 * room), thick, strong, last=i + 1 == len(cells))
        marks.append(mark)
        if not sure:
            unsure.append(i)
    first = cells[0].left if cells[0].text != "1" else cells[0].right - thick
    lead, _ = _mark(flat, out, first - room, first, thick, strong, last=True)
    used = [p for p in pieces if any(abs(p.left - q.left) < 2 for q in [*own, *minus])]
    return Figures(tuple(cells), lead, tuple(marks), tuple(unsure),
                   _more_beside(flat, cells, [p for p in pieces if p not in used], pitch))


def _thickness(out: np.ndarray, flat: Flat, run: Sequence[_Piece]) -> float:
    """Stroke width in px: area of what is lit against its skeleton, near enough by twice its mean distance from the edge."""
    import cv2

    lit = (lit_parts(out, flat) * 255).astype(np.uint8)
    part = lit[round(flat.top):round(flat.top + DIGIT), run[0].left:run[-1].right]
    far = cv2.distanceTransform(np.pad(part, 1), cv2.DIST_L2, 3)
    ridge = far[(far > 1) & (far >= cv2.dilate(far, np.ones((3, 3), np.uint8)) - 1e-3)]
    return float(np.clip(2 * np.median(ridge), 0.06 * DIGIT, 0.24 * DIGIT)) if ridge.size else 0.12 * DIGIT


def _cell(flat: Flat, out: np.ndarray, piece: _Piece, width: float) -> Cell:
    left, right = piece.right - width, float(piece.right)
    if piece.width > width:
        left = float(piece.left)
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
    down = {"f": (-0.04, 0.30, 0.17, 0.37), "b": (0.70, 1.04, 0.17, 0.37), "e": (-0.04, 0.30, 0.63, 0.83), "c": (0.70, 1.04, 0.63, 0.83)}
    found: dict[str, float] = {}
    hidden: dict[str, bool] = {}
    light = flat.pixels.min(axis=2) if not flat.bright else flat.pixels.max(axis=2)
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


def _more_beside(flat: Flat, cells: Sequence[Cell], rest: Sequence[_Piece], pitch: float) -> str | None:
    """What may be one digit more at either end: something lit there that is no digit, or glare."""
    light = flat.pixels.min(axis=2)
    for end, (a, b) in {"left": (cells[0].left - 1.2 * pitch, cells[0].left - 0.05 * DIGIT),
                        "right": (cells[-1].right + 0.05 * DIGIT, cells[-1].right + pitch)}.items():
        zone = light[round(flat.top):round(flat.top + DIGIT), max(0, round(a)):max(1, round(b))]
        if zone.size and not flat.bright and float((zone >= 248).mean()) > 0.1:
            return f"glare lies at the {end} of the figure"
        for piece in rest:
            # a window's edge runs through the whole view; a digit does not
            tall = min(piece.bottom, 1.0) - max(piece.top, 0.0) > 0.45 and not (piece.top < -0.4 and piece.bottom > 1.4)
            if a < (piece.left + piece.right) / 2 < b and tall and piece.width > 0.07 * DIGIT:
                return f"something stands at the {end} of the figure that is not read"
    return None

