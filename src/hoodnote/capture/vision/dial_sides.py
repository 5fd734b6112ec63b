"""Which of a manifold's two gauges is the low side: by what their scales are, where they stand, and the colours round them."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

import numpy as np

from hoodnote.capture.vision.dial_find import Ellipse
from hoodnote.capture.vision.dial_gauge import Gauge
from hoodnote.capture.vision.rectify import reduced

SAME_TOP = 0.2               # of the longer scale
COLOUR_RADIUS = 40           # px of a gauge's radius in the picture that colours are looked for in
RIM_BAND = 1.02, 1.3         # in radii: the rim and a coloured ring on it
BELOW, BESIDE = (1.1, 2.4), 1.1     # in radii: where the gauge's valve and hose are
LEAST_COLOURED = 0.015       # of what is looked at
CLEARLY_MORE = 3.0           # times as much of one colour as of the other


class Colour(Enum):
    """Low side blue, high side red (common practice, no source)."""

    BLUE = "blue"
    RED = "red"


def low_and_high(pixels: np.ndarray, gauges: Sequence[Gauge]) -> tuple[Gauge, Gauge, list[str]]:
    """The low and the high side, and doubts about which is which. The scales come first: the compound one, or the one that reaches
    less far. Place and colour only raise doubts against them; where the scales are alike, both must say the same."""
    left, right = sorted(gauges, key=lambda g: g.rim.x)
    colours = colours_by(pixels, left.rim, right.rim)
    side_by_side = abs(left.rim.x - right.rim.x) > abs(left.rim.y - right.rim.y)
    if left.compound != right.compound:
        low, high = (left, right) if left.compound else (right, left)
        doubts = [] if low.top < high.top else ["the gauge with vacuum on it has the longer scale: is it the low side"]
    elif abs(left.top - right.top) > SAME_TOP * max(left.top, right.top):
        low, high = (left, right) if left.top < right.top else (right, left)
        doubts = []
    elif side_by_side and colours == (Colour.BLUE, Colour.RED):
        return left, right, []
    else:
        return left, right, ["both gauges have the same scale: which is which side"]
    if low is not left and side_by_side:
        doubts.append("the gauge with the low side's scale is on the right: is it the low side")
    if colours == ((Colour.RED, Colour.BLUE) if low is left else (Colour.BLUE, Colour.RED)):
        doubts.append("the gauge with the low side's scale has red beside it and the other blue: is it the low side")
    return low, high, doubts


def colours_by(pixels: np.ndarray, left: Ellipse, right: Ellipse) -> tuple[Colour, Colour] | None:
    """The colours of two gauges' rims, valves and hoses, where one is clearly blue and the other clearly red."""
    import cv2

    scale = COLOUR_RADIUS / min(left.radius, right.radius)
    small, scale = reduced(pixels, max(1, round(scale * max(pixels.shape[:2]))))
    hue, saturation, light = cv2.split(cv2.cvtColor(small, cv2.COLOR_RGB2HSV))
    vivid = (saturation > 110) & (light > 45)
    blue, red = vivid & (hue > 97) & (hue < 130), vivid & ((hue < 8) | (hue > 171))
    one, other = (e.scaled(scale) for e in (left, right))
    yy, xx = np.mgrid[0:small.shape[0], 0:small.shape[1]].astype(np.float32)
    found = tuple(_colour(blue, red, _beside(e, o, xx, yy)) for e, o in ((one, other), (other, one)))
    return found if set(found) == {Colour.BLUE, Colour.RED} else None


def _beside(own: Ellipse, other: Ellipse, xx: np.ndarray, yy: np.ndarray) -> np.ndarray:
    """Where the gauge's own colours are: its rim, and below it, nearer to it than to the other gauge."""
    across, down = (xx - own.x) / own.radius, (yy - own.y) / own.radius
    far = np.hypot(across, down)
    here = (far > RIM_BAND[0]) & (far < RIM_BAND[1]) | (down > BELOW[0]) & (down < BELOW[1]) & (np.abs(across) < BESIDE)
    return here & (far < np.hypot(xx - other.x, yy - other.y) / other.radius)


def _colour(blue: np.ndarray, red: np.ndarray, here: np.ndarray) -> Colour | None:
    least = LEAST_COLOURED * max(1, int(here.sum()))
    shares = {Colour.BLUE: int((blue & here).sum()), Colour.RED: int((red & here).sum())}
    (most, amount), (_, less) = sorted(shares.items(), key=lambda x: x[1], reverse=True)
    return most if amount > max(least, CLEARLY_MORE * less) else None
