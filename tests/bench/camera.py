"""What a phone does to a label, a dial, a display or a plate: perspective, the lens, a cluttered engine bay around it, blur of
focus and of the hand, low light with its noise, shadow, dirt, smudges, glare, JPEG; four severities, seeded."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from PIL import Image


@dataclass(frozen=True)
class Severity:
    tilt: float            # corner displacement as a share of the label's width
    turn_deg: float
    fill: tuple[float, float]     # label width as a share of the frame's
    blur_px: float
    noise: float           # grey levels, standard deviation
    shadow: float          # share of light lost in the shade
    glare: float           # chance of a reflection on the label
    dirt: int              # specks
    jpeg: int
    lens: float = 0.0      # radial distortion: how far, as a share, the middle of a side is moved; barrel or cushion
    hand_px: float = 0.0   # longest smear by the hand, in a frame 1920 wide
    focus_px: float = 0.0  # largest radius of the circle of confusion, likewise
    dim: float = 0.0       # chance of low light
    smudges: int = 0       # greasy or dusty patches: most there can be


SEVERITIES = {
    "mild": Severity(0.03, 4, (0.6, 0.75), 0.7, 3, 0.15, 0.0, 10, 90, lens=0.005),
    "moderate": Severity(0.07, 10, (0.45, 0.65), 1.2, 7, 0.35, 0.15, 40, 80, lens=0.015, hand_px=1.0, focus_px=0.6, dim=0.1, smudges=1),
    "hard": Severity(0.12, 20, (0.33, 0.5), 1.9, 12, 0.5, 0.5, 120, 60, lens=0.03, hand_px=2.5, focus_px=1.2, dim=0.25, smudges=3),
    "severe": Severity(0.15, 30, (0.28, 0.45), 2.4, 15, 0.6, 0.6, 220, 45, lens=0.045, hand_px=4.5, focus_px=2.0, dim=0.45, smudges=6),
}
SHORTEST, LONGEST = 640, 4000      # px, of a drawn frame's longer side
DEFAULT_SIZE = (1920, 1440)
ANOTHER = 1_000_000          # between the seeds of two photos of one thing


def drawn_size(seed: int) -> tuple[int, int]:
    """Width and height, 4 to 3, for a seed: 640 to 4000 px wide, small ones as likely as large ones."""
    width = round(float(np.exp(np.random.default_rng((seed, 3)).uniform(np.log(SHORTEST), np.log(LONGEST)))) / 4) * 4
    return width, width * 3 // 4


def engine_bay(width: int, height: int, rng: np.random.Generator) -> np.ndarray:
    """Dark clutter: hoses, boxes, bolts, lettering-like scratches; uint8 RGB."""
    import cv2

    base = rng.integers(30, 80)
    image = np.full((height, width, 3), base, np.uint8)
    for _ in range(28):
        colour = tuple(int(c) for c in rng.integers(15, 130, 3))
        x, y = int(rng.integers(0, width)), int(rng.integers(0, height))
        kind = rng.integers(0, 3)
        if kind == 0:
            w, h = int(rng.integers(60, width // 3)), int(rng.integers(60, height // 3))
            cv2.rectangle(image, (x, y), (x + w, y + h), colour, -1)
            cv2.rectangle(image, (x, y), (x + w, y + h), tuple(int(c * 0.6) for c in colour), 4)
        elif kind == 1:
            points = np.cumsum(rng.integers(-width // 6, width // 6, (5, 2)), axis=0) + (x, y)
            cv2.polylines(image, [points.astype(np.int32)], False, colour, int(rng.integers(14, 46)), cv2.LINE_AA)
        else:
            r = int(rng.integers(10, 60))
            cv2.circle(image, (x, y), r, colour, -1, cv2.LINE_AA)
            cv2.circle(image, (x, y), max(3, r // 2), tuple(int(c * 0.5) for c in colour), -1, cv2.LINE_AA)
    return cv2.GaussianBlur(image, (0, 0), 3)


def photograph(label: Image.Image, severity: Severity, seed: int, size: tuple[int, int] | None = DEFAULT_SIZE,
               glare_at: tuple[float, float] | None = None, glare_size: float | None = None, turn_deg: float | None = None) -> Image.Image:
    """The picture (RGB, or RGBA where it is not a whole rectangle) as seen by a phone, `size` (width, height) px, None for
    `drawn_size` of the seed. `glare_at` forces a reflection, in shares of the picture's width and height."""
    import cv2

    rng, more = np.random.default_rng(seed), np.random.default_rng((seed, 5))
    width, height = drawn_size(seed) if size is None else size
    scene = engine_bay(width, height, rng).astype(np.float32)
    lw, lh = label.size
    # at twice the size the warp does not alias the print
    flat = np.array(label.convert("RGBA").resize((lw * 2, lh * 2), Image.Resampling.LANCZOS), np.float32)
    w = rng.uniform(*severity.fill) * width
    h = w * lh / lw
    if h > 0.8 * height:
        w, h = w * 0.8 * height / h, 0.8 * height
    angle = np.radians(turn_deg if turn_deg is not None else rng.uniform(-severity.turn_deg, severity.turn_deg))
    centre = np.array([width / 2, height / 2]) + rng.uniform(-0.06, 0.06, 2) * (width, height)
    corners = np.array([(-w / 2, -h / 2), (w / 2, -h / 2), (w / 2, h / 2), (-w / 2, h / 2)])
    corners += rng.uniform(-severity.tilt, severity.tilt, (4, 2)) * (w, h)
    corners = corners @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + centre
    matrix = cv2.getPerspectiveTransform(np.float32([(0, 0), (lw * 2, 0), (lw * 2, lh * 2), (0, lh * 2)]), corners.astype(np.float32))

    paper = flat[..., :3].copy()
    for _ in range(severity.dirt):
        x, y = int(rng.integers(0, lw * 2)), int(rng.integers(0, lh * 2))
        cv2.circle(paper, (x, y), int(rng.integers(1, 7)), [float(v) for v in rng.uniform(40, 110, 3)], -1, cv2.LINE_AA)
    _smudge(paper, severity, more)
    if glare_at is None and rng.random() < severity.glare:
        glare_at = (float(rng.uniform(0.1, 0.9)), float(rng.uniform(0.1, 0.9)))
    light = light_over(width, height, severity, rng)

    # averaged down first where the frame is small: warping samples single points
    step = max(1.0, lw * 2 / max(w, 1) / 2)
    if step > 1:
        paper, cover = (cv2.resize(x, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA) for x in (paper, flat[..., 3] / 255))
    else:
        cover = flat[..., 3] / 255
    scaled = matrix @ np.diag([lw * 2 / paper.shape[1], lh * 2 / paper.shape[0], 1.0])
    warped = cv2.warpPerspective(paper, scaled, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = cv2.warpPerspective(cover, scaled, (width, height))[..., None]
    warped -= scene
    warped *= mask
    scene += warped
    light *= np.float32(rng.uniform(0.85, 0.97))
    scene *= light
    if glare_at is not None:
        gx, gy = glare_at
        spot = cv2.perspectiveTransform(np.float32([[(gx * lw * 2, gy * lh * 2)]]), matrix)[0, 0]
        radius = (glare_size or rng.uniform(0.05, 0.12)) * w
        _reflect(scene, mask, spot, radius)
    dim = more.random() < severity.dim
    scene = _through_the_lens(scene, severity, more)
    scene = cv2.GaussianBlur(scene, (0, 0), max(0.3, rng.uniform(0.5, 1) * severity.blur_px * width / 1920))
    scene = _smeared(scene, severity, more)
    noise = severity.noise
    if dim:         # a lamp's yellow light, little of it, and the gain that brings back half of what is lacking brings noise
        share = more.uniform(0.35, 0.65)
        scene *= np.float32(share) * np.array([1.0, more.uniform(0.86, 1), more.uniform(0.65, 1)], np.float32)
        noise *= more.uniform(1.2, 1.8)
    grain = rng.standard_normal(scene.shape, dtype=np.float32)
    grain *= np.float32(noise)
    scene += grain
    out = Image.fromarray(np.clip(scene, 0, 255, out=scene).astype(np.uint8))
    buffer = io.BytesIO()
    out.save(buffer, "JPEG", quality=severity.jpeg)
    return Image.open(io.BytesIO(buffer.getvalue())).convert("RGB")


def light_over(width: int, height: int, severity: Severity, rng: np.random.Generator) -> np.ndarray:
    """Share of the light at each pixel: a gentle slope, and a shadow with a soft edge."""
    slope = rng.uniform(-1, 1, 2)
    yy, xx = (v.astype(np.float32) for v in np.ogrid[0:height, 0:width])
    light = 1 - np.float32(0.12) * np.clip(np.float32(slope[0]) * (xx / width - 0.5) + np.float32(slope[1]) * (yy / height - 0.5), -1, 1)
    edge = np.float32(rng.uniform(0.25, 0.75)) * width + (yy - height / 2) * np.float32(rng.uniform(-0.6, 0.6))
    light *= 1 - np.float32(severity.shadow) / (1 + np.exp(np.clip((edge - xx) / 18, -60, 60)))
    return light[..., None]


def _reflect(scene: np.ndarray, mask: np.ndarray, spot: np.ndarray, radius: float) -> None:
    """A reflection with a soft rim; farther out than this box it adds less than a tenth of a grey level."""
    height, width = scene.shape[:2]
    left, right = (int(np.clip(spot[0] + side * 1.6 * 2.6 * radius, 0, width)) for side in (-1, 1))
    top, bottom = (int(np.clip(spot[1] + side * 2.6 * radius, 0, height)) for side in (-1, 1))
    yy, xx = np.ogrid[top:bottom, left:right]
    d = np.hypot((xx - spot[0]) / 1.6, yy - spot[1]).astype(np.float32) / np.float32(radius)
    scene[top:bottom, left:right] += (420 * np.exp(-d**2.4))[..., None] * mask[top:bottom, left:right]


_SMUDGE_SIDE = 250      # px; a patch is soft enough to be drawn this wide and enlarged


def _smudge(paper: np.ndarray, severity: Severity, rng: np.random.Generator) -> None:
    """Patches of dust or grease drawn into the picture: the print under them loses contrast and does not vanish."""
    import cv2

    height, width = paper.shape[:2]
    step = max(1, width // _SMUDGE_SIDE)
    for _ in range(int(rng.integers(0, severity.smudges + 1))):
        patch = np.zeros((-(-height // step), -(-width // step)), np.float32)
        centre = (int(rng.integers(0, width)) // step, int(rng.integers(0, height)) // step)
        axes = tuple(int(v * width) // step for v in rng.uniform(0.03, 0.14, 2))
        cv2.ellipse(patch, centre, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(0.2, 0.55)), -1)
        patch = cv2.GaussianBlur(patch, (0, 0), 0.02 * width / step)
        left, top, across, down = cv2.boundingRect((patch > 1e-3).astype(np.uint8))
        part = paper[top * step:(top + down) * step, left * step:(left + across) * step]
        share = cv2.resize(patch[top:top + down, left:left + across], None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR)
        part += (np.float32(rng.uniform(60, 150)) - part) * share[:part.shape[0], :part.shape[1], None]


def _through_the_lens(scene: np.ndarray, severity: Severity, rng: np.random.Generator) -> np.ndarray:
    """Radial distortion about the frame's middle, and the fall of light towards its corners."""
    import cv2

    amount = rng.uniform(-severity.lens, severity.lens)
    if severity.lens == 0:
        return scene
    height, width = scene.shape[:2]
    yy, xx = np.ogrid[0:height, 0:width]
    x, y = (xx - width / 2).astype(np.float32) / (width / 2), (yy - height / 2).astype(np.float32) / (width / 2)
    r2 = x * x + y * y
    grow = 1 + np.float32(amount) * r2
    bent = cv2.remap(scene, x * grow * (width / 2) + width / 2, y * grow * (width / 2) + height / 2, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    bent *= (1 - np.float32(2 * severity.lens) * r2)[..., None]
    return bent


def _smeared(scene: np.ndarray, severity: Severity, rng: np.random.Generator) -> np.ndarray:
    """Out of focus by a disc, and moved along a line while the shutter was open."""
    import cv2

    share = scene.shape[1] / 1920
    radius, length, angle = rng.uniform(0, severity.focus_px) * share, rng.uniform(0, severity.hand_px) * share, rng.uniform(0, 180)
    if radius > 0.4:
        scene = cv2.filter2D(scene, -1, _drawn_kernel(radius, lambda k, c: cv2.circle(k, (c, c), round(radius * _FINE), 1.0, -1)))
    if length > 0.8:
        dx, dy = np.cos(np.radians(angle)) * length * _FINE / 2, np.sin(np.radians(angle)) * length * _FINE / 2
        scene = cv2.filter2D(scene, -1, _drawn_kernel(length / 2 + 0.5, lambda k, c: cv2.line(
            k, (round(c - dx), round(c - dy)), (round(c + dx), round(c + dy)), 1.0, _FINE)))
    return scene


_FINE = 8       # a kernel is drawn this many times larger and averaged down


def _drawn_kernel(reach: float, draw: Callable) -> np.ndarray:
    import cv2

    side = 2 * int(np.ceil(reach)) + 1
    kernel = np.zeros((side * _FINE, side * _FINE), np.float32)
    draw(kernel, side * _FINE // 2)
    kernel = cv2.resize(kernel, (side, side), interpolation=cv2.INTER_AREA)
    return kernel / kernel.sum()
