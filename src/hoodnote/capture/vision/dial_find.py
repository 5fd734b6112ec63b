"""Where round gauge faces lie in a photo: ellipses with an edge along most of their rim."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.rectify import reduced

SEARCH_SIDE = 800            # px; ellipses are looked for in a picture reduced to this
RAYS = 180
LEAST_ASPECT = 0.62          # a circle tilted by 30 degrees shows 0.87; a lens and a slanting camera take some more
LEAST_COVER = 0.5            # share of the rim with an edge on it
TWIN_SIZES = (0.84, 0.9, 0.96, 1.0, 1.04, 1.1, 1.18)
LEAST_TWIN = 0.4             # cover of the rim of a manifold's other gauge
SURE_COVER = 0.8             # with a rim that is covered so far no other look is needed
LEAST_SLOPE = 0.08           # of an edge, by how much of the local light it changes within a pixel
LEAST_RADIUS = 0.06          # of the picture's shorter side


@dataclass(frozen=True)
class Ellipse:
    """Centre, semi-axes and the first axis's direction (radians), in pixels; `cover` is the share of the rim that has an edge."""

    x: float
    y: float
    a: float
    b: float
    turn: float
    cover: float = 0.0

    @property
    def radius(self) -> float:
        return math.sqrt(self.a * self.b)

    @property
    def aspect(self) -> float:
        return min(self.a, self.b) / max(self.a, self.b)

    def scaled(self, factor: float) -> Ellipse:
        return Ellipse(self.x * factor, self.y * factor, self.a * factor, self.b * factor, self.turn, self.cover)

    def points(self, angles: np.ndarray, grow: float | np.ndarray = 1.0) -> np.ndarray:
        """n x 2 points of the rim; `grow` moves them out from the centre."""
        u, v = self.a * np.cos(angles) * grow, self.b * np.sin(angles) * grow
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.stack([self.x + u * c - v * s, self.y + u * s + v * c], axis=-1)


def find_dials(pixels: np.ndarray, most: int = 4) -> list[Ellipse]:
    """Rims of round things that may be gauges, the likeliest first, one for each set of concentric rims; in the photo's pixels."""
    import cv2

    small, scale = reduced(pixels, SEARCH_SIDE)
    sharp = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    grey = cv2.GaussianBlur(sharp, (0, 0), 1.2)
    slope = _slope(grey)
    kept = _rims(grey, slope)
    if not any(rim.cover > SURE_COVER for rim in kept):          # dark rims in the dark show by their shares of the light alone
        grey = cv2.GaussianBlur(sharp.astype(np.float32), (0, 0), 2.5)
        slope = _slope(grey)
        kept = _rims(_shares(grey), slope, kept)
    families = face_rims(kept)
    if families and not any(e.radius > 0.75 * families[0].radius for e in families[1:]):
        families[1:1] = _twin(grey, slope, families[0])
    return [e.scaled(1 / scale) for e in families[:most]]


def _twin(grey: np.ndarray, slope: np.ndarray, rim: Ellipse) -> list[Ellipse]:
    """A rim of about the same size beside the one found: a manifold's other gauge, whose rim may show in parts only."""
    import cv2

    values = grey.astype(np.float32)
    gx, gy = cv2.Sobel(values, cv2.CV_32F, 1, 0), cv2.Sobel(values, cv2.CV_32F, 0, 1)
    size = np.hypot(gx, gy) + 1e-3
    strong = np.minimum(slope, 0.3) * (slope > LEAST_SLOPE)
    fields = cv2.resize(np.stack([gx / size * strong, gy / size * strong], axis=2), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    own = rim.scaled(0.5)
    height, width = fields.shape[:2]
    reach = 0.6 * own.radius             # of the picture's edge: less would leave too little of a rim
    x, y = (v.ravel() for v in np.meshgrid(np.arange(reach, width - reach, 3.0), np.arange(reach, height - reach, 3.0)))
    away = np.hypot(x - own.x, y - own.y) / own.radius
    beside = (away > 1.8) & (away < 3.6) & (np.abs(x - own.x) > 1.5 * np.abs(y - own.y))
    x, y = x[beside], y[beside]
    angles = np.arange(48) * 2 * np.pi / 48
    best: tuple[float, Ellipse] | None = None
    for grow in TWIN_SIZES:
        edge = own.points(angles, grow) - (own.x, own.y)
        out = edge / np.hypot(*edge.T)[:, None]
        column, row = np.rint(x[:, None] + edge[:, 0]).astype(int), np.rint(y[:, None] + edge[:, 1]).astype(int)
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        met = fields[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
        score = (np.abs((met * out).sum(axis=2)) * inside).mean(axis=1)
        if len(score) and (best is None or score.max() > best[0]):
            k = int(score.argmax())
            best = float(score[k]), Ellipse(2 * float(x[k]), 2 * float(y[k]), rim.a * grow, rim.b * grow, rim.turn)
    twin = _refined(slope, best[1]) if best is not None else None
    return [twin] if twin is not None and twin.cover > LEAST_TWIN and twin.aspect > LEAST_ASPECT else []


def _rims(grey: np.ndarray, slope: np.ndarray, known: Sequence[Ellipse] = ()) -> list[Ellipse]:
    """Every different rim in a reduced picture, the known ones among them."""
    height, width = grey.shape
    least = LEAST_RADIUS * min(height, width)
    kept = list(known)
    for guess in _guesses(grey, least):
        if any(_same(guess, k, 0.02) for k in kept):
            continue
        rim = _refined(slope, guess)
        if rim is None or rim.radius < least or rim.cover < LEAST_COVER or rim.aspect < LEAST_ASPECT:
            continue
        if not (-0.1 * width < rim.x < 1.1 * width and -0.1 * height < rim.y < 1.1 * height):
            continue
        if not any(_same(rim, k, 0.02) for k in kept):
            kept.append(rim)
    return kept


def _shares(grey: np.ndarray) -> np.ndarray:
    """The picture by the logarithm of its light, from its darkest parts to its brighter ones over the whole range."""
    light = np.log(grey + 6)
    low, high = np.percentile(light[::4, ::4], (1, 98))
    return np.clip((light - low) * (255 / max(0.7, high - low)), 0, 255).astype(np.uint8)


def _slope(grey: np.ndarray) -> np.ndarray:
    """Size of the gradient, as a share of the local light, so that a rim in the shade counts as one in the sun."""
    import cv2

    values = grey.astype(np.float32) + 8
    gx, gy = cv2.Sobel(values, cv2.CV_32F, 1, 0), cv2.Sobel(values, cv2.CV_32F, 0, 1)
    return np.hypot(gx, gy) / cv2.GaussianBlur(values, (0, 0), 8)


def _guesses(grey: np.ndarray, least: float) -> list[Ellipse]:
    import cv2

    contours = []
    middle = float(np.median(grey))
    for low in (0.5, 0.25):
        edges = cv2.Canny(grey, max(8, low * middle), max(20, 2 * low * middle))
        contours += cv2.findContours(edges, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]
    coarse = cv2.GaussianBlur(cv2.resize(grey, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA), (0, 0), 5)
    even = cv2.resize(coarse, grey.shape[::-1], interpolation=cv2.INTER_LINEAR).astype(np.float32)
    masks = [cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1], np.where(grey > even, 255, 0).astype(np.uint8)]
    for level in (40, 60, 85, 110, 160):
        masks.append(np.where(grey > level, 255, 0).astype(np.uint8))
    for mask in masks:
        for one in (mask, 255 - mask):
            contours += [cv2.convexHull(c) for c in cv2.findContours(one, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0] if len(c) > 4 * least]
    out = []
    for contour in contours:
        if len(contour) < 8 or max(np.ptp(contour[:, 0, 0]), np.ptp(contour[:, 0, 1])) < 1.2 * least:
            continue
        points = contour[:, 0, :].astype(np.float32)
        ellipse = _fitted(points)
        if ellipse is None or ellipse.radius < least or ellipse.aspect < LEAST_ASPECT or ellipse.radius > 0.75 * max(grey.shape):
            continue
        off = np.abs(_relative_radius(ellipse, points) - 1)
        if np.median(off) > 0.04 or len(points) < 0.5 * ellipse.radius and cv2.contourArea(contour) < ellipse.radius ** 2:
            continue
        out.append(ellipse)
    # long rims first: the short ones mostly repeat them
    return sorted(out, key=lambda e: e.radius, reverse=True)[:150]


def _fitted(points: np.ndarray) -> Ellipse | None:
    import cv2

    if len(points) < 6:
        return None
    (x, y), (w, h), degrees = cv2.fitEllipseDirect(points)
    if not all(math.isfinite(v) for v in (x, y, w, h, degrees)) or min(w, h) < 4:
        return None
    return Ellipse(x, y, w / 2, h / 2, math.radians(degrees))


def _relative_radius(ellipse: Ellipse, points: np.ndarray) -> np.ndarray:
    d = points - (ellipse.x, ellipse.y)
    c, s = math.cos(ellipse.turn), math.sin(ellipse.turn)
    return np.hypot((d[:, 0] * c + d[:, 1] * s) / ellipse.a, (d[:, 1] * c - d[:, 0] * s) / ellipse.b)


def _refined(slope: np.ndarray, ellipse: Ellipse) -> Ellipse | None:
    """The ellipse moved onto the edge near it, with the share of its rim that has one."""
    import cv2

    angles = np.arange(RAYS) * 2 * np.pi / RAYS
    for reach in (0.06, 0.03, 0.02):
        grow = np.linspace(1 - reach, 1 + reach, 25, dtype=np.float32)
        places = ellipse.points(angles[:, None], grow[None, :]).astype(np.float32)
        found = cv2.remap(slope, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        best = found.argmax(axis=1)
        strong = found.max(axis=1) > LEAST_SLOPE
        if strong.sum() < RAYS * 0.35:
            return None
        points = places[np.arange(RAYS), best][strong]
        better = _fitted(points)
        if better is None or better.aspect < LEAST_ASPECT / 1.1:
            return None
        near = np.abs(_relative_radius(better, points) - 1) < reach / 2.5
        if near.sum() > 20:
            better = _fitted(points[near]) or better
        ellipse = better
    off = np.abs(_relative_radius(ellipse, points) - 1) < 0.012
    return Ellipse(ellipse.x, ellipse.y, ellipse.a, ellipse.b, ellipse.turn, float(off.sum()) / RAYS)


def _same(one: Ellipse, other: Ellipse, within: float) -> bool:
    r = max(one.radius, other.radius)
    return math.hypot(one.x - other.x, one.y - other.y) < within * r and abs(one.radius - other.radius) < within * r \
        and abs(one.aspect - other.aspect) < 2 * within


def face_rims(rims: Sequence[Ellipse]) -> list[Ellipse]:
    """One rim for each gauge: the best covered of the large ones among those round nearly the same middle."""
    left = sorted((e for e in rims if not _round_several(e, rims)), key=lambda e: e.radius * (0.4 + e.cover), reverse=True)
    out: list[tuple[float, Ellipse]] = []
    while left:
        head = left[0]
        own = [e for e in left if math.hypot(e.x - head.x, e.y - head.y) < 0.2 * head.radius]
        inside = [e for e in left if math.hypot(e.x - head.x, e.y - head.y) + e.radius < 1.1 * head.radius]
        large = [e for e in own if e.radius > 0.8 * head.radius]
        best = max(large, key=lambda e: (round(e.cover, 1), e.radius))
        # several rims round one middle are what a bezel and its face make
        out.append((best.cover * best.radius * (1 + 0.1 * min(3, len(own))), best))
        left = [e for e in left if e not in own and e not in inside]
    return [e for _, e in sorted(out, key=lambda x: x[0], reverse=True)]


def _round_several(rim: Ellipse, rims: Sequence[Ellipse]) -> bool:
    """A poorly covered ellipse drawn round a manifold or a gauge and what lies beside it: inside it, away from its middle, lie rims
    that are covered far better, or side by side two of one size that are covered as well."""
    inside = [e for e in rims if 0.25 < e.radius / rim.radius < 0.85 and math.hypot(e.x - rim.x, e.y - rim.y) < rim.radius and e.cover > rim.cover]
    if any(e.cover > rim.cover + 0.25 and math.hypot(e.x - rim.x, e.y - rim.y) / rim.radius
           > (0.12 if e.radius > 0.4 * rim.radius and e.cover > SURE_COVER else 0.3) for e in inside):
        return True
    return any(0.8 < one.radius / other.radius < 1.25 and math.hypot(one.x - other.x, one.y - other.y) > 0.9 * (one.radius + other.radius)
               for one, other in itertools.combinations(inside, 2))
