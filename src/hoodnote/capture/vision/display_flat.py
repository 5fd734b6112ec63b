"""A row of figures laid flat and upright, and what stands out in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.display_find import Row, stands_out

DIGIT = 96                     # px, height of a digit in the flat view
ABOVE, BESIDE = 0.45, 1.7      # room around the row, in digit heights


@dataclass(frozen=True, eq=False)
class Flat:
    """A row laid flat: digits stand DIGIT px high from `top`; `matrix` (3 x 3) takes photo pixels to the view's."""

    pixels: np.ndarray
    matrix: np.ndarray
    bright: bool
    lean: float                # tan of the slant that was taken out
    top: float = ABOVE * DIGIT

    def to_view(self, points: np.ndarray) -> np.ndarray:
        import cv2

        return cv2.perspectiveTransform(np.asarray(points, np.float32).reshape(-1, 1, 2), self.matrix).reshape(-1, 2)

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


def band(out: np.ndarray, flat: Flat, top: float, bottom: float) -> np.ndarray:
    return out[max(0, round(flat.top + top * DIGIT)):round(flat.top + bottom * DIGIT)]


def level_in(out: np.ndarray, flat: Flat) -> float:
    """Contrast of what is lit within the row itself, its neighbourhood left out."""
    inner = band(out, flat, 0, 1)[:, round(BESIDE * DIGIT):-round(BESIDE * DIGIT)]
    return float(np.percentile(inner, 88)) if inner.size else 0.0


def lit_parts(out: np.ndarray, flat: Flat) -> np.ndarray:
    """Bool: what stands out at least half as much as the strongest near it, so that a shadow over some digits does not put them out."""
    import cv2

    near = cv2.GaussianBlur(cv2.dilate(out, np.ones((round(0.8 * DIGIT), round(0.6 * DIGIT)), np.uint8)), (0, 0), 0.12 * DIGIT)
    return out > np.maximum(0.5 * near, 0.3 * level_in(out, flat))


def slant(flat: Flat) -> float:
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
