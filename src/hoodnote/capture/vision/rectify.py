"""From a phone's view of a label to a flat, upright one; and where a reflection hides it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from hoodnote.capture.vision.light import darkest
from hoodnote.capture.vision.neighbours import grouped
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader, TextLine, cut_out

TEXT_HEIGHT = 44          # px of a detected line's box in the flat view
MAX_SIDE = 1800
SEARCH_SIDES = 736, 1280    # px; finding where the label lies needs less than reading it, unless its print is small
HALVED_FIRST = 0.4         # scale, and below, that a picture is reduced to in two steps
LARGE_PX = 6_000_000       # from which that is done from half its size on
HARDLY_LESS = 0.9          # scale from which pixels need not be averaged
SMALL_PRINT = 13            # px of a found line's box below which the larger picture is searched


@dataclass(frozen=True, eq=False)
class View:
    """A flat view of the label. `matrix` (3 x 3) takes photo pixels to this view's pixels."""

    pixels: np.ndarray
    matrix: np.ndarray

    def to_photo(self, points: np.ndarray) -> np.ndarray:
        """Points (n x 2) of this view in the photo."""
        import cv2

        return cv2.perspectiveTransform(np.asarray(points, np.float32).reshape(-1, 1, 2), np.linalg.inv(self.matrix)).reshape(-1, 2)

    @cached_property
    def glare(self) -> np.ndarray:
        """Bool, height x width: burnt-out areas thicker than a stroke of text, with their halo."""
        return glare_mask(self.pixels)


@dataclass(frozen=True, eq=False)
class Flat:
    """The view, the quads of text in it, what the finder's reader reads there, and the quads of text elsewhere in the photo, in the
    photo's pixels."""

    view: View
    quads: list[np.ndarray]
    lines: list[TextLine]
    aside: list[np.ndarray]


def flatten(photo: Photo, finder: NeuralReader) -> Flat | None:
    """The label's flat, upright view and the text in it; None where the photo shows no text."""
    pixels = photo.pixels
    for side in SEARCH_SIDES:
        everywhere, scale = text_at(photo, side, finder)
        quads = main_cluster(everywhere) if everywhere else []
        if quads and float(np.median([_sides(q)[1] for q in quads])) * scale >= SMALL_PRINT:
            break
    if not quads:
        return None
    aside = [q for q in everywhere if not any(q is mine for mine in quads)]
    corners = _outline(photo, quads)
    if corners is None:
        corners = _text_rectangle(quads)
    corners = _first_corner_by_text(corners, quads)
    view = _warp(pixels, corners, quads)
    found = _find(view.pixels, finder)
    if not found:
        return Flat(view, [], [], aside)
    lines = finder.read(view.pixels, found)
    if _upside_down(view.pixels, found, lines, finder):
        height, width = view.pixels.shape[:2]
        turn = np.array([[-1, 0, width - 1], [0, -1, height - 1], [0, 0, 1]], np.float64)
        view = View(np.ascontiguousarray(view.pixels[::-1, ::-1]), turn @ view.matrix)
        found = [(np.array([width - 1, height - 1]) - q)[[2, 3, 0, 1]].astype(np.float32) for q in found]
        lines = finder.read(view.pixels, found)
    return Flat(view, found, lines, aside)


def enhanced(view: View) -> View:
    """The same view with even light and stronger edges."""
    import cv2

    lab = cv2.cvtColor(view.pixels, cv2.COLOR_RGB2LAB)
    lab[..., 0] = cv2.createCLAHE(clipLimit=3.0, tileGridSize=(6, 6)).apply(lab[..., 0])
    rgb = cv2.cvtColor(lab, cv2.COLOR_LAB2RGB)
    soft = cv2.GaussianBlur(rgb, (0, 0), 2.0)
    return View(cv2.addWeighted(rgb, 1.8, soft, -0.8, 0), view.matrix)


def glare_mask(pixels: np.ndarray, text_height: int = TEXT_HEIGHT) -> np.ndarray:
    """Where all three channels are burnt out over an area thicker than print, grown by the halo around it.

    Paper that is itself burnt out cannot be told from glare; then nothing is marked (see `overexposed`).
    """
    import cv2

    dark = darkest(pixels)
    if _burnt_out(dark):
        return np.zeros(dark.shape, bool)
    burnt = (dark >= 250).astype(np.uint8)
    thick = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (text_height * 2 // 3, text_height * 2 // 3))
    core = cv2.morphologyEx(burnt, cv2.MORPH_OPEN, thick)
    halo = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (text_height, text_height))
    return cv2.dilate(core, halo).astype(bool)


def has_glare(photo: Photo) -> bool:
    """Has light burnt out a part of the photo that may hide print?"""
    return bool(glare_mask(reduced_photo(photo, SEARCH_SIDES[-1])[0], SMALL_PRINT).any())


def covered(pixels: np.ndarray, box: tuple[float, float, float, float]) -> bool:
    """Does something thicker than a stroke of print lie in a box of text or right beside it: a blot, a tear, the label's end?

    `box` is left, top, right, bottom. What is at least half as far from the paper as ink is counts; a shadow does not go that far.
    """
    import cv2

    height = box[3] - box[1]
    top, bottom = max(0, round(box[1] + 0.08 * height)), round(box[3] - 0.08 * height)
    left, right = max(0, round(box[0] - 0.45 * height)), round(box[2] + 0.45 * height)
    grey = cv2.medianBlur(cv2.cvtColor(np.ascontiguousarray(pixels[top:bottom, left:right]), cv2.COLOR_RGB2GRAY), 3)
    if min(grey.shape) < 8:
        return False
    grey = grey.astype(np.float32)
    inner = grey[:, max(0, round(box[0]) - left):round(box[2]) - left]
    low, middle, high = np.percentile(inner, (2, 50, 98))
    if high - middle > middle - low:            # light print: turned round, so that paper is light
        grey, low, high = 255 - grey, 255 - high, 255 - low
    # the paper's own light at each column: a shadow's edge is followed, what is narrower than it is wide is bridged
    paper = cv2.dilate(np.percentile(grey, 85, axis=0)[None, :].astype(np.float32), np.ones((1, max(3, round(2 * height))), np.uint8))
    if float(np.median(paper)) - low < 25:
        return False
    odd = (paper - grey > 0.55 * (paper - low)).astype(np.uint8)
    side = max(5, round(0.4 * height)) | 1
    return bool(cv2.morphologyEx(odd, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), borderValue=0).any())


def overexposed(pixels: np.ndarray) -> bool:
    return _burnt_out(darkest(pixels))


def _burnt_out(dark: np.ndarray) -> bool:
    return bool(np.percentile(dark, 55) >= 247)


def sharpness(pixels: np.ndarray) -> float:
    """Variance of the Laplacian of the grey picture, large ones reduced first; low is blurred."""
    import cv2

    pixels, _ = reduced(pixels, MAX_SIDE)
    return float(cv2.Laplacian(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), cv2.CV_64F).var())


def bounds(quad: np.ndarray) -> tuple[float, float, float, float]:
    """Left, top, right, bottom."""
    return float(quad[:, 0].min()), float(quad[:, 1].min()), float(quad[:, 0].max()), float(quad[:, 1].max())


def reach_right(quad: np.ndarray, others: Sequence[np.ndarray]) -> np.ndarray:
    """The quad drawn out to the right by its height and a half, short of its neighbour: a lone "g" is easily left out of a box."""
    return _drawn_out(quad, others, right=True, heights=1.5)


def reach_left(quad: np.ndarray, others: Sequence[np.ndarray]) -> np.ndarray:
    """The quad drawn out to the left by most of its height, short of its neighbour: a first digit may have been cut off."""
    return _drawn_out(quad, others, right=False, heights=0.9)


def _drawn_out(quad: np.ndarray, others: Sequence[np.ndarray], right: bool, heights: float) -> np.ndarray:
    across = quad[1] - quad[0]
    length, height = float(np.linalg.norm(across)), float(np.linalg.norm(quad[3] - quad[0]))
    reach = heights * height
    own = bounds(quad)
    middle = (own[0] + own[2]) / 2
    for other in others:
        box = bounds(other)
        if other is quad or min(own[3], box[3]) - max(own[1], box[1]) <= 0.3 * height:
            continue
        gap = box[0] - own[2] if right else own[0] - box[2]
        if ((box[0] + box[2]) / 2 > middle) is right:
            reach = min(reach, max(0.0, gap - 0.1 * height))
    step = across / max(length, 1.0) * reach
    out = quad.copy()
    if right:
        out[1], out[2] = out[1] + step, out[2] + step
    else:
        out[0], out[3] = out[0] - step, out[3] - step
    return out


def reduced(pixels: np.ndarray, side: int) -> tuple[np.ndarray, float]:
    """The picture with its longer side at most `side` px, and the scale it was reduced by."""
    import cv2

    height, width = pixels.shape[:2]
    scale = min(1.0, side / max(height, width))
    if scale == 1.0:
        return pixels, scale
    # by no whole number, which is most, a large picture takes many times as long
    while (left := side / max(pixels.shape[:2])) <= (HALVED_FIRST if pixels.shape[0] * pixels.shape[1] < LARGE_PX else 0.5):
        pixels = cv2.resize(pixels, (pixels.shape[1] // 2, pixels.shape[0] // 2), interpolation=cv2.INTER_AREA)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA if left < HARDLY_LESS else cv2.INTER_LINEAR), scale


def reduced_part(pixels: np.ndarray, box: tuple[float, float, float, float], scale: float) -> tuple[np.ndarray, np.ndarray]:
    """The part of a picture within `box` (left, top, right, bottom), reduced to `scale`, and the matrix (3 x 3) that takes the picture's
    pixels there."""
    import cv2

    left, top, right, bottom = (max(0, int(v)) for v in box)
    part = cv2.resize(pixels[top:bottom, left:right], None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return part, np.array([[scale, 0, -left * scale], [0, scale, -top * scale], [0, 0, 1]])


def reduced_photo(photo: Photo, side: int) -> tuple[np.ndarray, float]:
    """`reduced`, once for whoever asks for the photo at that size."""
    return photo.once(f"at most {side} px", lambda: reduced(photo.pixels, side))


def text_at(photo: Photo, side: int, finder: NeuralReader) -> tuple[list[np.ndarray], float]:
    """Quads of text, in the photo's pixels, as they are found with its longer side at most `side` px, and the scale; found once."""
    def found() -> tuple[list[np.ndarray], float]:
        small, scale = reduced_photo(photo, side)
        return [q / scale for q in finder.find_text(small)], scale

    return photo.once(f"text at {side} px", found)


def _find(pixels: np.ndarray, finder: NeuralReader) -> list[np.ndarray]:
    small, scale = reduced(pixels, 1000)
    return [q / scale for q in finder.find_text(small)]


def main_cluster(quads: Sequence[np.ndarray]) -> list[np.ndarray]:
    """The group of text boxes that lie near one another and hold most text; letters elsewhere in the bay are dropped."""
    quads = list(quads)
    heights = [_sides(q)[1] for q in quads]
    centres = np.array([q.mean(axis=0) for q in quads])
    halves = [np.ptp(q, axis=0) / 2 for q in quads]

    def near(i: int, j: int) -> bool:
        gap = np.maximum(np.abs(centres[i] - centres[j]) - halves[i] - halves[j], 0)
        return bool(np.hypot(*gap) < 4 * max(heights[i], heights[j]))

    best = max(grouped(range(len(quads)), near), key=lambda group: sum(_sides(quads[i])[0] * heights[i] for i in group))
    return [quads[i] for i in best]


def _sides(quad: np.ndarray) -> tuple[float, float]:
    """Long side and short side of a text box: along and across the text."""
    a = (np.linalg.norm(quad[1] - quad[0]) + np.linalg.norm(quad[2] - quad[3])) / 2
    b = (np.linalg.norm(quad[3] - quad[0]) + np.linalg.norm(quad[2] - quad[1])) / 2
    return float(max(a, b)), float(min(a, b))


def _direction(quads: Sequence[np.ndarray]) -> np.ndarray:
    """Unit vector along the text, sign unknown: the long sides, doubled angles averaged, longer text counting more."""
    total = 0j
    for q in quads:
        across, down = (q[1] - q[0] + q[2] - q[3]) / 2, (q[3] - q[0] + q[2] - q[1]) / 2
        v = across if np.linalg.norm(across) >= np.linalg.norm(down) else down
        long, short = _sides(q)
        if long > 1.8 * short:
            total += complex(*v) ** 2 * long
    angle = np.angle(total) / 2 if total else 0.0
    return np.array([np.cos(angle), np.sin(angle)])


def _outline(photo: Photo, quads: Sequence[np.ndarray]) -> np.ndarray | None:
    """Corners (4 x 2) of the smallest four-sided shape around all of the text, if one stands out from the bay."""
    import cv2

    small, scale = reduced_photo(photo, 900)
    corners = np.concatenate(list(quads)) * scale
    slack = -0.3 * float(np.median([_sides(q)[1] for q in quads])) * scale       # boxes are drawn a little larger than print
    text_area = sum(cv2.contourArea((q * scale).astype(np.float32)) for q in quads)
    grey = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), (0, 0), 1.2)
    saturation = cv2.cvtColor(small, cv2.COLOR_RGB2HSV)[..., 1]
    edges = cv2.dilate(cv2.Canny(grey, 30, 90), np.ones((5, 5), np.uint8))
    kernel = np.ones((9, 9), np.uint8)
    masks = [255 - edges, edges]
    for channel in (grey, cv2.GaussianBlur(saturation, (0, 0), 1.5)):
        _, mask = cv2.threshold(channel, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
        masks += [cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel), cv2.morphologyEx(255 - mask, cv2.MORPH_CLOSE, kernel)]
    best, best_area = None, min(12 * text_area, 0.97 * small.shape[0] * small.shape[1])
    for mask in masks:
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        for contour in contours:
            hull = cv2.convexHull(contour)
            area = cv2.contourArea(hull)
            if not text_area < area < best_area:
                continue
            four = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True).reshape(-1, 2).astype(np.float32)
            if len(four) != 4 or cv2.contourArea(four) < 0.9 * area:
                continue
            if all(cv2.pointPolygonTest(four, (float(x), float(y)), True) >= slack for x, y in corners):
                best, best_area = four / scale, area
    return best


def _text_rectangle(quads: Sequence[np.ndarray]) -> np.ndarray:
    """Corners of the rectangle, turned with the text, around all text boxes with a margin."""
    along = _direction(quads)
    across = np.array([-along[1], along[0]])
    points = np.concatenate(quads) @ np.stack([along, across], axis=1)
    margin = float(np.median([_sides(q)[1] for q in quads]))
    (left, top), (right, bottom) = points.min(axis=0) - margin, points.max(axis=0) + margin
    return np.array([along * x + across * y for x, y in [(left, top), (right, top), (right, bottom), (left, bottom)]], np.float32)


def _first_corner_by_text(corners: np.ndarray, quads: Sequence[np.ndarray]) -> np.ndarray:
    """The corners clockwise, starting so that the first side runs along the text (which of the two ways is decided by reading)."""
    centre = corners.mean(axis=0)
    order = np.argsort(np.arctan2(*(corners - centre).T[::-1]))
    corners = corners[order]
    along = _direction(quads)
    if along[0] < -1e-6 or (abs(along[0]) <= 1e-6 and along[1] < 0):
        along = -along
    sides = np.roll(corners, -1, axis=0) - corners
    start = int(np.argmax([side @ along / (np.linalg.norm(side) + 1e-9) for side in sides]))
    return np.roll(corners, -start, axis=0).astype(np.float32)


def _warp(pixels: np.ndarray, corners: np.ndarray, quads: Sequence[np.ndarray]) -> View:
    import cv2

    width = (np.linalg.norm(corners[1] - corners[0]) + np.linalg.norm(corners[2] - corners[3])) / 2
    height = (np.linalg.norm(corners[3] - corners[0]) + np.linalg.norm(corners[2] - corners[1])) / 2
    text = float(np.median([_sides(q)[1] for q in quads]))
    scale = min(TEXT_HEIGHT / max(text, 1.0), MAX_SIDE / max(width, height))
    w, h = max(32, round(width * scale)), max(32, round(height * scale))
    pad = TEXT_HEIGHT // 2
    target = np.float32([(pad, pad), (pad + w, pad), (pad + w, pad + h), (pad, pad + h)])
    # warping samples single pixels, so a photo much larger than the view is averaged down first
    source, shrink = reduced(pixels, round(max(pixels.shape[:2]) * scale * 1.2))
    matrix = cv2.getPerspectiveTransform(np.asarray(corners * shrink, np.float32), target)
    flat = cv2.warpPerspective(source, matrix, (w + 2 * pad, h + 2 * pad), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return View(flat, matrix @ np.diag([shrink, shrink, 1.0]))


def read_any_way_round(pixels: np.ndarray, quads: Sequence[np.ndarray], reader: NeuralReader) -> list[tuple[str, float]]:
    """What stands in quads that may lie any way round: of the two ways along the longer side, the one that reads better."""
    along = [np.roll(q, -1, axis=0) if np.linalg.norm(q[2] - q[1]) > np.linalg.norm(q[1] - q[0]) else q for q in quads]
    strips = [cut_out(pixels, q) for q in along]
    read = reader.read_strips(strips)
    unsure = [i for i, (_, confidence) in enumerate(read) if confidence <= 0.9]
    for i, other in zip(unsure, reader.read_strips([np.ascontiguousarray(strips[i][::-1, ::-1]) for i in unsure]), strict=True):
        read[i] = max(read[i], other, key=lambda x: x[1])
    return read


def _upside_down(pixels: np.ndarray, quads: Sequence[np.ndarray], lines: Sequence[TextLine], reader: NeuralReader) -> bool:
    """By the longest three: `lines` is what the quads say as they are."""
    longest = sorted(quads, key=lambda q: _sides(q)[0], reverse=True)[:3]
    upright = [x for q in longest for x in lines if x.quad is q]
    if any(x.confidence > 0.95 and len(x.text) >= 8 for x in upright):       # nothing of that length reads this well upside down
        return False
    turned_round = reader.read_strips([np.ascontiguousarray(cut_out(pixels, q)[::-1, ::-1]) for q in longest])
    return sum(confidence for _, confidence in turned_round) > sum(x.confidence for x in upright) + 0.03 * len(longest)
