"""Windows of displays in a photo, and the rows of figures in each, found in the window laid flat: there every row is level and every
digit of a row as high as its neighbours."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hoodnote.capture.vision.display_find import Row, stands_out
from hoodnote.capture.vision.rectify import reduced, reduced_part

_SIDE = 800                       # px, longest side of the picture that windows are looked for in
_SMALLEST, _LARGEST = 0.006, 0.6  # share of the picture
_VIEW = 160                       # px, height of a window laid flat
_AROUND = 8                       # px beside a window
_MOST = 10                        # windows looked into
_DIGIT = (0.2, 0.97)              # height of a digit, as a share of its window's


def windows(pixels: np.ndarray) -> list[np.ndarray]:
    """Quads (4 x 2, from the top left clockwise, photo pixels) of four-sided areas wider than high, the likeliest window first:
    one that lies within another, as a window in its case."""
    import cv2

    small, scale = reduced(pixels, _SIDE)
    small = cv2.GaussianBlur(small, (0, 0), 1.2)
    areas: list[tuple[float, np.ndarray]] = []
    for low, high in ((25, 60), (10, 28)):
        edges = np.max([cv2.Canny(np.ascontiguousarray(small[..., c]), low, high) for c in range(3)], axis=0)
        for edge in (edges, cv2.dilate(edges, np.ones((3, 3), np.uint8))):
            contours, _ = cv2.findContours(255 - edge, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
            for contour in contours:
                quad = _four_sided(contour, small.shape[0] * small.shape[1])
                if quad is not None:
                    areas.append((cv2.contourArea(quad), quad))
    kept: list[np.ndarray] = []
    for _, quad in sorted(areas, key=lambda a: -a[0]):
        if not any(np.abs(quad - other).max() < 0.012 * _SIDE for other in kept):
            kept.append(quad)
    middles = [quad.mean(axis=0) for quad in kept]

    def within(i: int) -> int:
        """Larger areas that it lies in."""
        return sum(cv2.pointPolygonTest(other, tuple(map(float, middles[i])), False) > 0 for other in kept[:i])

    order = sorted(range(len(kept)), key=lambda i: cv2.contourArea(kept[i]) * (1 + min(within(i), 2)), reverse=True)
    return [kept[i].astype(np.float64) / scale for i in order[:_MOST]]


def _four_sided(contour: np.ndarray, whole: float) -> np.ndarray | None:
    import cv2

    hull = cv2.convexHull(contour)
    area = cv2.contourArea(hull)
    if not _SMALLEST * whole < area < _LARGEST * whole:
        return None
    for share in (0.02, 0.035, 0.055):
        four = cv2.approxPolyDP(hull, share * cv2.arcLength(hull, True), True).reshape(-1, 2).astype(np.float32)
        if len(four) <= 4:
            break
    if len(four) != 4 or not 0.9 * area < cv2.contourArea(four) < 1.1 * area:
        return None
    centre = four.mean(axis=0)
    four = four[np.argsort(np.arctan2(four[:, 1] - centre[1], four[:, 0] - centre[0]))]
    # the side that runs most nearly to the right is the upper one
    sides = np.roll(four, -1, axis=0) - four
    four = np.roll(four, -int(np.argmax(sides[:, 0] - np.abs(sides[:, 1]))), axis=0)
    wide = np.linalg.norm(four[1] - four[0]) + np.linalg.norm(four[2] - four[3])
    tall = np.linalg.norm(four[3] - four[0]) + np.linalg.norm(four[2] - four[1])
    return four if 0.8 < wide / max(tall, 1) < 8 else None


def rows_in(pixels: np.ndarray, window: np.ndarray) -> Iterator[Row]:
    """Rows of figures in a window, the largest first, in the photo's pixels."""
    import cv2

    wide = np.linalg.norm(window[1] - window[0]) + np.linalg.norm(window[2] - window[3])
    tall = np.linalg.norm(window[3] - window[0]) + np.linalg.norm(window[2] - window[1])
    w, h = round(_VIEW * wide / tall), _VIEW
    matrix = cv2.getPerspectiveTransform(window.astype(np.float32), np.float32([(0, 0), (w, 0), (w, h), (0, h)]))
    source, to_source, scale = pixels, np.eye(3), 2 * _VIEW / (tall / 2)
    if scale <= 0.8:         # warping samples single pixels
        source, to_source = reduced_part(pixels, (*(window.min(axis=0) - _AROUND), *(window.max(axis=0) + _AROUND)), scale)
    view = cv2.warpPerspective(source, matrix @ np.linalg.inv(to_source), (w, h), flags=cv2.INTER_LINEAR)
    view = cv2.GaussianBlur(view, (0, 0), 1.0)
    back = np.linalg.inv(matrix)
    found = []
    for bright in (False, True):
        for left, top, right, bottom, count in _level_rows(view, bright):
            corners = cv2.perspectiveTransform(np.float32([[(left, top)], [(right, top)], [(right, bottom)], [(left, bottom)]]), back).reshape(-1, 2)
            found.append(((bottom - top) * min(count, 4) ** 0.5, Row(corners.astype(np.float64), bright, count)))
    yield from (row for _, row in sorted(found, key=lambda f: -f[0]))


def _level_rows(view: np.ndarray, bright: bool) -> list[tuple[float, float, float, float, int]]:
    """Left, top, right, bottom and how many pieces, of rows in a flat view."""
    import cv2

    h = len(view)
    out = np.clip(stands_out(view, bright, round(0.22 * h)), 0, None)
    rim = round(0.03 * h)
    out[:rim], out[-rim:], out[:, :rim], out[:, -rim:] = 0, 0, 0, 0
    strongest = float(np.percentile(out, 98))
    if strongest < 0.04:
        return []
    near = cv2.GaussianBlur(cv2.dilate(out, np.ones((h // 3, h // 2), np.uint8)), (0, 0), 0.05 * h)
    mask = ((out > np.maximum(0.5 * near, 0.35 * strongest)) * 255).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((round(0.055 * h), 3), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask)
    pieces = [(int(x), int(y), int(x + pw), int(y + ph)) for x, y, pw, ph, area in stats[1:count]
              if _DIGIT[0] * h < ph < _DIGIT[1] * h and 0.06 * ph < pw < 8 * ph and area > 0.1 * pw * ph]
    rows: list[list[tuple[int, int, int, int]]] = []
    for piece in sorted(pieces, key=lambda p: p[1] - p[3]):
        tall = piece[3] - piece[1]
        for row in rows:
            top, bottom = row[0][1], row[0][3]
            if tall > 0.72 * (bottom - top) and abs(piece[1] - top) < 0.2 * (bottom - top) and abs(piece[3] - bottom) < 0.2 * (bottom - top):
                row.append(piece)
                break
        else:
            rows.append([piece])
    return [(min(p[0] for p in r), float(np.median([p[1] for p in r])), max(p[2] for p in r), float(np.median([p[3] for p in r])), len(r)) for r in rows]
