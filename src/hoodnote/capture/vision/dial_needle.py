"""Where the pointer of a rectified face points, found in two ways that share nothing but the picture.

One follows the middle of what stands out from the paper, radius by radius, in the polar view; the other fits a line to each of
the pointer's two long edges and halves the angle between them. Both give the pointer's own direction, which parallax does not turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.dial_rectify import BINS, MIDDLE, FaceView
from hoodnote.capture.vision.light import darkest

INNER, OUTER = 0.24, 0.66          # radii between which the pointer is followed, in tick radii
MOST_OFF_MIDDLE = 0.09             # of the tick radius: more is no pointer, or one seen too much from the side
GLARE_LEVEL, GLARE_SHARE = 250, 0.2
ANOTHERS_EDGE, BESIDE_THE_MIDDLE = 4.0, 6.0     # degrees between the ways, and px the middle of the edges passes the face's by
STEP = 360 / BINS
RINGS, LANE, BEND = 20, 4.0, 2     # an edge is followed through rings of radii in lanes of so many px, by so many degrees off its own direction
LEAST_LONG = 6.0                   # rings


@dataclass(frozen=True)
class Pointer:
    """Degrees clockwise from the view's top by either way; `half_width` in degrees halfway out; `tip` in pixels from the middle."""

    by_edges: float
    by_profile: float
    half_width: float
    tip: float
    offset: float                  # px the axis passes the middle by

    @property
    def difference(self) -> float:
        return abs(turned(self.by_edges - self.by_profile))

    @property
    def angle(self) -> float:
        if self.difference > ANOTHERS_EDGE and abs(self.offset) > BESIDE_THE_MIDDLE:
            return self.by_profile            # one of the edges was a shadow's
        return self.by_edges + turned(self.by_profile - self.by_edges) / 2


def turned(degrees: float) -> float:
    """The same angle between -180 and 180."""
    return (degrees + 180) % 360 - 180


def find_pointer(view: FaceView) -> Pointer | str:
    """The pointer, or why there is none to be trusted."""
    polar = view.polar(view.ticks * 1.1)
    contrast = _contrast(polar.astype(np.float32))
    profile = _by_profile(contrast, view.ticks)
    edges = _by_edges(view)
    if profile is None or edges is None:
        return "there is glare on the face" if _burnt(polar) else "the pointer was not found"
    by_profile, reach = profile
    by_edges, half_width, offset = edges
    if abs(turned(by_profile - by_edges)) > 12:
        return "the two ways to find the pointer take different things for it"
    if abs(offset) > MOST_OFF_MIDDLE * view.ticks:
        return "the pointer does not pass through the middle of the face: take the photo straight from the front"
    if _glare_along(polar, by_edges, view.ticks):
        return "there is glare on the pointer or on the scale by it"
    return Pointer(by_edges % 360, by_profile % 360, half_width, reach, offset)


def _contrast(polar: np.ndarray) -> np.ndarray:
    """How much each place of the polar view stands out from the paper around it, as a share of the local light."""
    import cv2

    soft = cv2.GaussianBlur(np.concatenate([polar[-40:], polar, polar[:40]]), (0, 0), 1.5)[40:-40]
    coarse = soft[::8]
    paper = np.median(np.stack([np.roll(coarse, k, axis=0) for k in range(-14, 15, 4)]), axis=0)
    paper = np.repeat(paper, 8, axis=0)
    return np.linalg.norm(soft - paper, axis=2) / (paper.mean(axis=2) + 25)


def _by_profile(contrast: np.ndarray, ticks: float) -> tuple[float, float] | None:
    """Angle and reach: where most radii stand out, then the middle of it followed outwards; the middle may pass the
    face's by a little, which shows as an angle that falls with the radius."""
    import cv2

    first, last = int(INNER * ticks), int(OUTER * ticks)
    band = contrast[:, first:last]
    score = np.percentile(cv2.blur(np.concatenate([band[-8:], band, band[:8]]), (1, 5))[8:-8], 25, axis=1)
    peak = int(score.argmax())
    near = np.abs((np.arange(BINS) - peak + BINS // 2) % BINS - BINS // 2) * STEP
    rest = score[(near > 14) & (near < 160)].max()
    if score[peak] < 0.12 or score[peak] < 1.5 * rest:
        return None
    window = 44
    rows = (peak + np.arange(-window, window + 1)) % BINS
    degrees = np.arange(-window, window + 1) * STEP
    cut = contrast[rows, first:last]
    level = cut[window - 3:window + 4].max(axis=0)
    weight = np.clip(cut - 0.35 * level, 0, None)
    # only what hangs together with the peak: a numeral beside the pointer is not part of it
    below = cut < 0.35 * level
    index = np.arange(2 * window + 1)[:, None]
    left = np.where(below & (index < window), index, -1).max(axis=0)
    right = np.where(below & (index > window), index, 2 * window + 1).min(axis=0)
    weight[(index <= left) | (index >= right)] = 0
    total = weight.sum(axis=0)
    good = total > 0
    if good.sum() < 0.5 * len(good):
        return None
    middle = (weight * degrees[:, None]).sum(axis=0)[good] / total[good]
    radius = np.arange(first, last)[good] + 0.5
    fit = _line(ticks / radius, middle)
    if fit is None:
        return None
    own = contrast[(peak + np.arange(-6, 7)) % BINS].max(axis=0)
    dark = cv2.blur(own[None, :], (7, 1))[0] > 0.5 * np.median(own[first:last])
    reach = last
    while reach < len(dark) - 1 and dark[reach]:
        reach += 1
    return peak * STEP + fit[0], float(reach)


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float] | None:
    """Robust y = c + m x: c, m and the spread of what fits."""
    weight = np.ones(len(x))
    for _ in range(8):
        w = weight.sum()
        mx, my = (weight * x).sum() / w, (weight * y).sum() / w
        var = (weight * (x - mx) ** 2).sum()
        if var < 1e-9:
            return None
        m = (weight * (x - mx) * (y - my)).sum() / var
        off = y - my - m * (x - mx)
        scale = max(1e-3, 1.48 * float(np.median(np.abs(off))))
        weight = 1 / (1 + (off / (1.5 * scale)) ** 2) ** 2
    return float(my - m * mx), float(m), scale


def _by_edges(view: FaceView) -> tuple[float, float, float] | None:
    """Direction of the line halfway between the pointer's two long edges, its half width in degrees halfway out, and how far it
    passes the middle."""
    import cv2

    half = min(int(OUTER * view.ticks) + 40, int(MIDDLE))          # no more of the view than is looked at
    cut = slice(int(MIDDLE) - half, int(MIDDLE) + half)
    even = cv2.GaussianBlur(view.pixels[cut, cut], (0, 0), 1.5).astype(np.float32)
    even /= cv2.GaussianBlur(even.mean(axis=2), (0, 0), 20)[..., None] + 15
    # in each place the colour channel that changes most: a red pointer hardly shows in red
    across_x, across_y = (cv2.Sobel(even, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    sizes = np.hypot(across_x, across_y)
    channel = sizes.argmax(axis=2)[..., None]
    gx, gy, size = (np.take_along_axis(v, channel, axis=2)[..., 0] for v in (across_x, across_y, sizes))
    yy, xx = np.mgrid[0:size.shape[0], 0:size.shape[1]].astype(np.float32) - half
    radius = np.hypot(xx, yy)
    band = (radius > INNER * view.ticks) & (radius < OUTER * view.ticks)
    floor = max(float(np.percentile(size[::2, ::2][band[::2, ::2]], 80)), 0.12)
    here = band & (size > floor)
    x, y = xx[here], yy[here]
    nx, ny = gx[here] / size[here], gy[here] / size[here]
    # the edge's line passes the middle closely, and on which side the light lies
    close = np.abs(nx * x + ny * y) < 0.12 * view.ticks
    x, y, nx, ny = (v[close] for v in (x, y, nx, ny))
    angle = np.degrees(np.arctan2(x, -y)) % 360
    side = np.sign(nx * -y + ny * x)                      # > 0: lighter clockwise
    outward = np.where(nx * y - ny * x > 0, 1, -1)
    own = np.degrees(np.arctan2(-ny * outward, -nx * outward))        # the edge's own direction, away from the middle
    both = _long_edges(x, y, own, side, view.ticks)
    turns = np.arange(-14, 15)
    peak = int(both.argmax())
    top = turns[both[(peak + turns) % 360] >= 0.9 * both[peak]]
    coarse = peak + float(np.mean(top))
    away = np.abs((np.arange(360) - coarse + 180) % 360 - 180)
    rest = both[(away > 16) & (away < 160)].max()
    if both[peak] < LEAST_LONG or both[peak] < 1.3 * rest:
        return None
    for _ in range(3):
        a = math.radians(coarse)
        along, across = x * math.sin(a) - y * math.cos(a), x * math.cos(a) + y * math.sin(a)
        mine = (along > 0) & (np.abs(across) < np.maximum(0.07 * view.ticks, 0.16 * along)) & (np.abs(turned_array(angle - coarse)) < 16)
        lines = []
        for sign in (1, -1):
            part = mine & (side == sign)
            if part.sum() < 12 or np.ptp(along[part]) < 0.2 * view.ticks:
                return None
            line = _line(along[part], across[part])
            if line is None:
                return None
            lines.append(line)
        slope, offset = (lines[0][1] + lines[1][1]) / 2, (lines[0][0] + lines[1][0]) / 2
        half = abs(lines[0][0] - lines[1][0] + (lines[0][1] - lines[1][1]) * 0.45 * view.ticks) / 2
        coarse += math.degrees(math.atan(slope))
    return coarse, math.degrees(math.atan(half / (0.45 * view.ticks))), offset


def _long_edges(x: np.ndarray, y: np.ndarray, own: np.ndarray, side: np.ndarray, ticks: float) -> np.ndarray:
    """For each degree the rings of radii, of RINGS, that a straight edge crosses which passes the middle closely, and the other edge of
    what lies between them; letters have edges too, but none so long."""
    rings = np.clip(((np.hypot(x, y) / ticks - INNER) / (OUTER - INNER) * RINGS).astype(int), 0, RINGS - 1)
    degrees = np.rint(own).astype(int)
    reach, width = int(0.12 * ticks / LANE) + 1, 2 * int(0.12 * ticks / LANE) + 3
    seen = np.zeros((2, 360, width, RINGS), bool)
    for k in range(-BEND, BEND + 1):
        a = np.radians(degrees + k)
        lane = np.rint((x * np.cos(a) + y * np.sin(a)) / LANE).astype(int)
        near = np.abs(lane) < reach
        seen[(side[near] > 0).astype(int), (degrees[near] + k) % 360, lane[near] + reach, rings[near]] = True
    longest = seen.sum(axis=3).max(axis=2)
    wide = np.maximum.reduce([np.roll(longest, k, axis=1) for k in range(-4, 5)])
    return np.minimum(wide[0], wide[1]).astype(float)


def turned_array(degrees: np.ndarray) -> np.ndarray:
    return (degrees + 180) % 360 - 180


def _burnt(polar: np.ndarray) -> bool:
    return float((darkest(polar) >= GLARE_LEVEL).mean()) > 0.06


def _glare_along(polar: np.ndarray, angle: float, ticks: float) -> bool:
    rows = (round(angle / STEP) + np.arange(-28, 29)) % BINS
    part = darkest(polar[rows, int(INNER * ticks):int(ticks * 1.05)])
    return float((part >= GLARE_LEVEL).mean()) > GLARE_SHARE
