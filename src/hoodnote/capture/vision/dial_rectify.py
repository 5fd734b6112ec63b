"""A gauge face seen from the front: the ellipse made a circle, and the true middle found where the scale's ticks point.

A slanting, near view shifts the face's middle away from the ellipse's. Every tick lies on a line through the middle, in any
view, so the middle is where the ticks' edges meet. Angles about that point are then right to second order in the shift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from hoodnote.capture.vision.dial_find import Ellipse
from hoodnote.capture.vision.rectify import reduced_part

SIDE = 760                   # px of the square view
RIM = 330                    # px of the found ellipse's radius in it
MIDDLE = SIDE / 2
BINS = 1440                  # of the polar view, a quarter of a degree each
TICKS_INSIDE, TICKS_OUTSIDE = 0.55, 1.06     # where the outer ring of ticks is looked for, in rim radii
STROKES_WITHIN = 1.12        # rim radii
FARTHEST = 0.25              # rim radii between the rim's middle and the face's


@dataclass(frozen=True, eq=False)
class FaceView:
    """`pixels` is SIDE x SIDE RGB with the face's middle at MIDDLE; `matrix` takes photo pixels there. `ticks` is the radius in
    pixels of the strongest ring of ticks, `spread` what the middle is unsure by, `tilt` the slant in degrees, `scale` view
    pixels for one of the photo's."""

    pixels: np.ndarray
    matrix: np.ndarray
    ticks: float
    spread: float
    tilt: float
    scale: float

    def to_photo(self, points: np.ndarray) -> np.ndarray:
        """n x 2 points of this view in the photo."""
        import cv2

        return cv2.perspectiveTransform(np.asarray(points, np.float64).reshape(-1, 1, 2), np.linalg.inv(self.matrix)).reshape(-1, 2)

    def polar(self, outer: float = SIDE / 2) -> np.ndarray:
        """BINS rows of angle, clockwise from the picture's top, by one column for each pixel of radius."""
        import cv2

        # warpPolar counts from the right, clockwise in picture coordinates
        flat = cv2.warpPolar(self.pixels, (int(outer), BINS), (MIDDLE, MIDDLE), outer, cv2.INTER_LINEAR)
        return np.roll(flat, BINS // 4, axis=0)

    @cached_property
    def strokes(self) -> np.ndarray:
        """By angle and radius as `polar`, out to STROKES_WITHIN: how much of the local light a spot differs by from those beside it round
        the middle, at most a half."""
        import cv2

        polar = cv2.cvtColor(self.polar(STROKES_WITHIN * RIM), cv2.COLOR_RGB2GRAY).astype(np.float32)
        ring = np.concatenate([polar[-40:], polar, polar[:40]])
        stands_out = np.abs(cv2.GaussianBlur(ring, (0, 0), sigmaX=2, sigmaY=1) - cv2.GaussianBlur(ring, (0, 0), sigmaX=2, sigmaY=12))[40:-40]
        stands_out /= cv2.GaussianBlur(polar, (0, 0), 15) + 20
        return cv2.blur(np.minimum(stands_out, 0.5), (5, 1))


def face_on(pixels: np.ndarray, rim: Ellipse) -> FaceView | None:
    """None where no ring of ticks points to one middle: then it is no gauge, or not one that can be read."""
    scale = RIM / rim.radius
    source, to_source = pixels, np.eye(3)
    if scale < 0.7:          # warping samples single pixels, so a larger picture is averaged down first, the face's part alone
        reach = 1.3 * max(rim.a, rim.b)
        source, to_source = reduced_part(pixels, (rim.x - reach, rim.y - reach, rim.x + reach + 1, rim.y + reach + 1), scale * 1.2)
    c, s = math.cos(rim.turn), math.sin(rim.turn)
    turn = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
    round_ = turn.T @ np.diag([RIM / rim.a, RIM / rim.b, 1]) @ turn @ np.array([[1, 0, -rim.x], [0, 1, -rim.y], [0, 0, 1]])
    upright = np.array([[1, 0, MIDDLE], [0, 1, MIDDLE], [0, 0, 1]]) @ round_
    first = _warped(source, to_source, upright)
    met = _middle(first)
    if met is None:
        return None
    middle, ticks, spread = met
    matrix = np.array([[1, 0, MIDDLE], [0, 1, MIDDLE], [0, 0, 1]]) @ _recentred(middle - MIDDLE) @ round_
    view = _warped(source, to_source, matrix)
    again = _middle(view)
    if again is not None and np.hypot(*(again[0] - MIDDLE)) < 0.04 * RIM:
        middle, ticks, spread = again
        matrix = np.array([[1, 0, MIDDLE - middle[0]], [0, 1, MIDDLE - middle[1]], [0, 0, 1]]) @ matrix
        view = _warped(source, to_source, matrix)
    return FaceView(view, matrix, ticks, spread, math.degrees(math.acos(min(1.0, rim.aspect))), scale)


def _warped(source: np.ndarray, to_source: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    import cv2

    return cv2.warpPerspective(source, matrix @ np.linalg.inv(to_source), (SIDE, SIDE), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def _recentred(shift: np.ndarray) -> np.ndarray:
    """The projective map that keeps the rim's circle a circle (of about the same size) and takes `shift` to its middle."""
    p = shift / RIM
    size = float(p @ p)
    if size < 1e-9:
        return np.eye(3)
    gamma = 1 / math.sqrt(1 - min(size, 0.5))
    outer = np.outer(p, p) / size
    out = np.eye(3)
    out[:2, :2] = np.eye(2) + (gamma - 1) * outer
    out[:2, 2], out[2, :2], out[2, 2] = -gamma * p, -gamma * p, gamma
    return np.diag([RIM, RIM, 1.0]) @ out @ np.diag([1 / RIM, 1 / RIM, 1.0])


def _middle(view: np.ndarray) -> tuple[np.ndarray, float, float] | None:
    """Where the edges of the ticks meet, the radius of their ring and the spread of the meeting point, in pixels."""
    import cv2

    grey = cv2.GaussianBlur(cv2.cvtColor(view, cv2.COLOR_RGB2GRAY), (0, 0), 1.3).astype(np.float32)
    gx, gy = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    size = np.hypot(gx, gy) / (cv2.GaussianBlur(grey, (0, 0), 12) + 8)
    yy, xx = np.nonzero(size > 0.25)
    if len(xx) < 300:
        return None
    out = np.hypot(xx - MIDDLE, yy - MIDDLE) / RIM          # no middle that is found lies farther off than FARTHEST
    reached = (out > TICKS_INSIDE - FARTHEST) & (out < TICKS_OUTSIDE + FARTHEST)
    yy, xx = yy[reached], xx[reached]
    strength = size[yy, xx]
    nx, ny = gx[yy, xx], gy[yy, xx]
    length = np.hypot(nx, ny)
    nx, ny = nx / length, ny / length
    x, y = xx.astype(np.float64), yy.astype(np.float64)
    nx, ny = nx.astype(np.float64), ny.astype(np.float64)
    weight = np.minimum(strength, 1.0)
    centre, ring = np.array([MIDDLE, MIDDLE]), (TICKS_INSIDE * RIM, TICKS_OUTSIDE * RIM)
    for width in (0.12, 0.08, 0.05, 0.035, 0.03, 0.03):
        right, down = centre[0] - x, centre[1] - y
        radius = np.hypot(right, down)
        miss = nx * right + ny * down
        if width <= 0.05:
            close = np.abs(miss) < width * RIM
            ring = _tick_ring(radius[close], weight[close]) or ring
        here = (np.abs(miss) < 3 * width * RIM) & (radius > ring[0]) & (radius < ring[1])
        if here.sum() < 150:
            return None
        w = weight[here] / (1 + (miss[here] / (width * RIM)) ** 2) ** 2
        n, p = np.stack([nx[here], ny[here]], axis=1), np.stack([x[here], y[here]], axis=1)
        matrix = (n * w[:, None]).T @ n
        if np.linalg.cond(matrix) > 50:
            return None
        centre = np.linalg.solve(matrix, (n * w[:, None]).T @ np.einsum("ij,ij->i", n, p))
        if np.hypot(*(centre - MIDDLE)) > FARTHEST * RIM:
            return None
    # neighbouring pixels share an edge: about one in ten is a witness of its own
    spread = 1.5 * width * RIM / math.sqrt(max(1.0, float(w.sum()) / 10))
    return centre, (ring[0] + ring[1]) / 2, spread


def _tick_ring(radius: np.ndarray, weight: np.ndarray) -> tuple[float, float] | None:
    """The band of radii with the most edges that point to the middle, for its length."""
    counts, edges = np.histogram(radius, bins=np.arange(TICKS_INSIDE * RIM, TICKS_OUTSIDE * RIM, 4.0), weights=weight)
    share = np.convolve(counts / edges[1:], np.ones(3) / 3, mode="same")
    peak = int(share.argmax())
    if share[peak] <= 0:
        return None
    low = high = peak
    while low > 0 and share[low - 1] > 0.4 * share[peak]:
        low -= 1
    while high < len(share) - 1 and share[high + 1] > 0.4 * share[peak]:
        high += 1
    return float(edges[low]), float(edges[high + 1])
