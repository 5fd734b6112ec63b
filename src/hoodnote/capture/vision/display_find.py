"""Where rows of large figures stand in a photo: strokes that stand out from what is around them, of one height, side by side.

Nothing here knows digits; `display_segments` tells whether a row is made of segments.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.light import lightest
from hoodnote.capture.vision.neighbours import grouped

LEVELS = (1000, 560, 310)     # px, longest side; figures are looked for between LEAST and MOST high at each
LEAST, MOST = 26, 84
_STROKE = 19                  # px; wider than a digit's stroke, so that the paper shows on either side of it
MOST_ROWS = 14


@dataclass(frozen=True, eq=False)
class Row:
    """`quad` is 4 x 2: the row's corners from its top left, clockwise, in the photo's pixels, tight on the figures.
    `bright`: lit figures on a dark ground. `count`: pieces that stand side by side in it."""

    quad: np.ndarray
    bright: bool
    count: int

    @property
    def height(self) -> float:
        return float(np.linalg.norm(self.quad[3] - self.quad[0]) + np.linalg.norm(self.quad[2] - self.quad[1])) / 2

    @property
    def width(self) -> float:
        return float(np.linalg.norm(self.quad[1] - self.quad[0]) + np.linalg.norm(self.quad[2] - self.quad[3])) / 2

    @property
    def centre(self) -> np.ndarray:
        return self.quad.mean(axis=0)


@dataclass(frozen=True, eq=False)
class _Blob:
    x: float
    y: float
    w: float
    h: float
    points: np.ndarray

    @property
    def centre(self) -> tuple[float, float]:
        return self.x + self.w / 2, self.y + self.h / 2


def stands_out(pixels: np.ndarray, bright: bool, stroke: int) -> np.ndarray:
    """How far each pixel of an RGB picture lies above (`bright`) or below its ground, float32: a share of the ground's light for
    dark figures, a share of full light for bright ones. `stroke` is a width in pixels that no stroke reaches."""
    import cv2

    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (stroke | 1, stroke | 1))
    if bright:
        value = lightest(pixels)
        ground = cv2.morphologyEx(value, cv2.MORPH_OPEN, kernel)
        return (value.astype(np.float32) - ground) / 255
    value = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    ground = cv2.morphologyEx(value, cv2.MORPH_CLOSE, kernel).astype(np.float32)
    return (ground - value) / np.maximum(ground, 24)


def find_rows(pixels: np.ndarray) -> list[Row]:
    """Rows of figures, the largest first, in the photo's pixels."""
    import cv2

    rows: list[Row] = []
    side = max(pixels.shape[:2])
    source, done = pixels, 1.0
    for level in LEVELS:
        scale = level / side
        small = cv2.resize(source, None, fx=scale / done, fy=scale / done, interpolation=cv2.INTER_AREA if scale < done else cv2.INTER_CUBIC)
        source, done = small, scale
        soft = cv2.GaussianBlur(small, (0, 0), 0.8)
        for bright in (False, True):
            blobs = _blobs(soft, bright)
            for row in _rows(blobs, bright):
                row = Row(row.quad / scale, bright, row.count)
                if not any(_same(row, r) for r in rows):
                    rows.append(row)
    rows.sort(key=lambda r: r.height * min(r.count, 4) ** 0.5, reverse=True)
    return rows[:MOST_ROWS]


def _blobs(soft: np.ndarray, bright: bool) -> list[_Blob]:
    import cv2

    out = stands_out(soft, bright, _STROKE)
    # a ghost or a halo is weak beside the strokes around it
    around = cv2.GaussianBlur(cv2.dilate(out, np.ones((41, 41), np.uint8)), (0, 0), 8)
    mask = ((out > np.maximum(0.5 * around, 0.12)) * 255).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    blobs = []
    for contour in contours:
        x, y, w, h = cv2.boundingRect(contour)
        if LEAST <= h <= MOST and 0.07 * h < w < 6 * h and x > 0 and y > 0 and x + w < soft.shape[1] and y + h < soft.shape[0]:
            blobs.append(_Blob(x, y, w, h, contour[:, 0, :].astype(np.float64)))
    return blobs


def _beside(one: _Blob, other: _Blob) -> bool:
    """Two pieces of one height, the second at the first's right or left, on a line that is not too steep."""
    h = max(one.h, other.h)
    if min(one.h, other.h) < 0.72 * h:
        return False
    (ax, ay), (bx, by) = one.centre, other.centre
    dx, dy = abs(ax - bx), abs(ay - by)
    gap = max(one.x, other.x) - min(one.x + one.w, other.x + other.w)
    return -0.3 * h < gap < 0.85 * h and dy < 0.5 * dx and dy < 0.5 * h


def _rows(blobs: Sequence[_Blob], bright: bool) -> list[Row]:
    return [row for row in (_row(sorted(m, key=lambda b: b.x), bright) for m in grouped(blobs, _beside) if len(m) <= 14) if row is not None]


def _row(blobs: Sequence[_Blob], bright: bool) -> Row | None:
    if len(blobs) == 1:
        b = blobs[0]
        if b.w > 1.1 * b.h:
            return _joined(b, bright)
        quad = np.array([(b.x, b.y), (b.x + b.w, b.y), (b.x + b.w, b.y + b.h), (b.x, b.y + b.h)])
        return Row(quad, bright, 1)
    centres = np.array([b.centre for b in blobs])
    (x0, y0), (x1, y1) = centres[0], centres[-1]
    if len(blobs) > 2:
        slope = float(np.median([(b[1] - a[1]) / (b[0] - a[0]) for i, a in enumerate(centres) for b in centres[i + 1:] if b[0] - a[0] > 4] or [0.0]))
    else:
        slope = (y1 - y0) / max(x1 - x0, 1.0)
    if abs(slope) > 0.6:
        return None
    angle = math.atan(slope)
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    turned = [b.points @ turn.T for b in blobs]
    middles = np.array([p[:, 0].mean() for p in turned])
    tops, bottoms = np.array([p[:, 1].min() for p in turned]), np.array([p[:, 1].max() for p in turned])
    left, right = min(p[:, 0].min() for p in turned), max(p[:, 0].max() for p in turned)
    top, bottom = _edge(middles, tops, left, right), _edge(middles, bottoms, left, right)
    if min(bottom[0] - top[0], bottom[1] - top[1]) < 10:
        return None
    quad = np.array([(left, top[0]), (right, top[1]), (right, bottom[1]), (left, bottom[0])])
    return Row(quad @ turn, bright, len(blobs))


def _joined(blob: _Blob, bright: bool) -> Row | None:
    """A row whose digits run into one another."""
    import cv2

    corners = cv2.boxPoints(cv2.minAreaRect(blob.points.astype(np.float32))).astype(np.float64)
    corners = corners[np.argsort(corners[:, 0])]
    left, right = corners[:2][np.argsort(corners[:2, 1])], corners[2:][np.argsort(corners[2:, 1])]
    quad = np.array([left[0], right[0], right[1], left[1]])
    row = Row(quad, bright, max(2, round(blob.w / (0.75 * blob.h))))
    along = quad[1] - quad[0]
    return row if row.height > 10 and abs(along[1]) < 0.6 * abs(along[0]) else None


def _edge(x: np.ndarray, y: np.ndarray, left: float, right: float) -> tuple[float, float]:
    """Height of the line along the pieces' ends at the row's two ends; level with fewer than three."""
    if len(x) < 3:
        return float(np.median(y)), float(np.median(y))
    pairs = [(y[j] - y[i]) / (x[j] - x[i]) for i in range(len(x)) for j in range(i + 1, len(x)) if x[j] - x[i] > 4]
    slope = float(np.clip(np.median(pairs), -0.15, 0.15)) if pairs else 0.0
    base = float(np.median(y - slope * x))
    return base + slope * left, base + slope * right


def _same(one: Row, other: Row) -> bool:
    if one.bright is not other.bright:
        return False
    h = max(one.height, other.height)
    return abs(one.height - other.height) < 0.25 * h and float(np.linalg.norm(one.centre - other.centre)) < 0.4 * h and one.count <= other.count
