"""What a phone does to a label: perspective, a cluttered engine bay around it, blur, noise, shadow, dirt, glare, JPEG."""

from __future__ import annotations

import io
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


SEVERITIES = {
    "mild": Severity(0.03, 4, (0.6, 0.75), 0.7, 3, 0.15, 0.0, 10, 90),
    "moderate": Severity(0.07, 10, (0.45, 0.65), 1.2, 7, 0.35, 0.15, 40, 80),
    "hard": Severity(0.12, 20, (0.33, 0.5), 1.9, 12, 0.5, 0.5, 120, 60),
}


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


def photograph(label: Image.Image, severity: Severity, seed: int, size: tuple[int, int] = (1920, 1440), glare_at: tuple[float, float] | None = None,
               glare_size: float | None = None, turn_deg: float | None = None) -> Image.Image:
    """The label as seen by a phone, `size` (width, height) px. `glare_at` forces a reflection, in shares of the label's width and height."""
    import cv2

    rng = np.random.default_rng(seed)
    width, height = size
    scene = engine_bay(width, height, rng).astype(np.float32)
    lw, lh = label.size
    # at twice the size the warp does not alias the print
    flat = np.asarray(label.resize((lw * 2, lh * 2), Image.Resampling.LANCZOS), np.float32)
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

    for _ in range(severity.dirt):
        x, y = int(rng.integers(0, lw * 2)), int(rng.integers(0, lh * 2))
        cv2.circle(flat, (x, y), int(rng.integers(1, 7)), [float(v) for v in rng.uniform(40, 110, 3)], -1, cv2.LINE_AA)
    if glare_at is None and rng.random() < severity.glare:
        glare_at = (float(rng.uniform(0.1, 0.9)), float(rng.uniform(0.1, 0.9)))
    light = np.ones((height, width, 1), np.float32)
    slope = rng.uniform(-1, 1, 2)
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    light[..., 0] -= 0.12 * np.clip(slope[0] * (xx / width - 0.5) + slope[1] * (yy / height - 0.5), -1, 1)
    edge = rng.uniform(0.25, 0.75) * width + (yy - height / 2) * rng.uniform(-0.6, 0.6)
    shade = 1 / (1 + np.exp(np.clip(-(xx - edge) / 18, -60, 60)))
    light[..., 0] *= 1 - severity.shadow * shade

    warped = cv2.warpPerspective(flat, matrix, (width, height), flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.ones(flat.shape[:2], np.float32), matrix, (width, height))[..., None]
    scene = scene * (1 - mask) + warped * mask
    scene *= light * rng.uniform(0.85, 0.97)
    if glare_at is not None:
        gx, gy = glare_at
        spot = cv2.perspectiveTransform(np.float32([[(gx * lw * 2, gy * lh * 2)]]), matrix)[0, 0]
        radius = (glare_size or rng.uniform(0.05, 0.12)) * w
        d = np.hypot((xx - spot[0]) / 1.6, yy - spot[1]) / radius
        scene += (420 * np.exp(-d**2.4))[..., None] * mask
    scene = cv2.GaussianBlur(scene, (0, 0), max(0.3, rng.uniform(0.5, 1) * severity.blur_px * width / 1920))
    scene += rng.normal(0, severity.noise, scene.shape)
    out = Image.fromarray(np.clip(scene, 0, 255).astype(np.uint8))
    buffer = io.BytesIO()
    out.save(buffer, "JPEG", quality=severity.jpeg)
    return Image.open(io.BytesIO(buffer.getvalue())).convert("RGB")
