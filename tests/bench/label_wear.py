"""What years under a hood do to a label: bent round a pipe, yellowed, oily, spotted, scratched, torn."""

from __future__ import annotations

import numpy as np
from PIL import Image

# Strength of wear for each severity of the camera, 0 to 1.
STRENGTH = {"mild": 0.15, "moderate": 0.35, "hard": 0.65, "severe": 1.0}
MARGIN = 0.06           # room around a bent label, as a share of its width


def worn(label: Image.Image, strength: float, seed: int) -> Image.Image:
    """RGBA; what is torn off or bent out of the rectangle is transparent. Each kind of wear comes or stays away by chance."""
    rng = np.random.default_rng((seed, 11))
    picture = np.array(label.convert("RGBA"), np.float32)
    for share, wear in ((0.5, _yellowed), (0.5, _oily), (0.5, _spotted), (0.4, _scratched), (0.3, _torn)):
        if rng.random() < share:
            wear(picture, strength, rng)
    if rng.random() < 0.5:
        picture = _bent(picture, strength, rng)
    return Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8), "RGBA")


def _yellowed(picture: np.ndarray, strength: float, rng: np.random.Generator) -> None:
    """Faded ink and brown paper."""
    fade = 0.35 * strength * rng.uniform(0.5, 1)
    picture[..., :3] += (np.array([150, 130, 90], np.float32) - picture[..., :3]) * np.float32(fade)


def _oily(picture: np.ndarray, strength: float, rng: np.random.Generator) -> None:
    """Runs of old oil: brown, see-through, darker at their rim."""
    import cv2

    height, width = picture.shape[:2]
    for _ in range(1 + int(rng.integers(0, 1 + round(3 * strength)))):
        film = np.zeros((height, width), np.float32)
        centre = (int(rng.integers(0, width)), int(rng.integers(0, height)))
        axes = (int(width * rng.uniform(0.05, 0.2)), int(height * rng.uniform(0.1, 0.5)))
        cv2.ellipse(film, centre, axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
        film = cv2.GaussianBlur(film, (0, 0), width * 0.01)
        rim = cv2.GaussianBlur(np.abs(cv2.Laplacian(film, cv2.CV_32F)), (0, 0), 3)
        stain = np.array([0.72, 0.6, 0.4], np.float32) ** np.float32(rng.uniform(0.3, 0.5 + strength))
        picture[..., :3] *= 1 - film[..., None] * (1 - stain) - 0.15 * (rim / max(1e-6, rim.max()))[..., None]


def _spotted(picture: np.ndarray, strength: float, rng: np.random.Generator) -> None:
    """Mud and tar that hide what is under them."""
    import cv2

    height, width = picture.shape[:2]
    for _ in range(int(rng.integers(1, 2 + round(10 * strength)))):
        centre = np.array([rng.uniform(0, width), rng.uniform(0, height)])
        angles = np.sort(rng.uniform(0, 2 * np.pi, 9))
        radius = width * rng.uniform(0.006, 0.012 + 0.03 * strength)
        outline = centre + np.stack([np.cos(angles), np.sin(angles)], 1) * radius * rng.uniform(0.6, 1.2, (9, 1))
        colour = [float(v) for v in rng.uniform(25, 95) + rng.uniform(-12, 12, 3)]
        layer = np.ascontiguousarray(picture[..., :3])
        cv2.fillPoly(layer, [outline.astype(np.int32)], colour, cv2.LINE_AA)
        picture[..., :3] = layer


def _scratched(picture: np.ndarray, strength: float, rng: np.random.Generator) -> None:
    """Thin pale lines that take the ink away."""
    import cv2

    height, width = picture.shape[:2]
    layer = np.ascontiguousarray(picture[..., :3])
    for _ in range(int(rng.integers(1, 2 + round(8 * strength)))):
        start = np.array([rng.uniform(0, width), rng.uniform(0, height)])
        steps = np.cumsum(rng.normal(0, 1, (6, 2)) * width * 0.01 + rng.normal(0, 1, 2) * width * 0.04, axis=0)
        colour = [float(v) for v in rng.uniform(150, 215) + rng.uniform(-10, 10, 3)]
        cv2.polylines(layer, [np.concatenate([[start], start + steps]).astype(np.int32)], False, colour, int(rng.integers(1, 4)), cv2.LINE_AA)
    picture[..., :3] = layer


def _torn(picture: np.ndarray, strength: float, rng: np.random.Generator) -> None:
    """A piece off one edge or corner, with a pale fringe of paper along the tear."""
    import cv2

    height, width = picture.shape[:2]
    depth = width * rng.uniform(0.03, 0.05 + 0.2 * strength)
    along = rng.uniform(0.15, 0.8)
    side = int(rng.integers(0, 4))
    n = 24
    t = np.linspace(0, 1, n)
    bite = depth * np.sin(np.pi * t) ** 0.6 + rng.normal(0, width * 0.006, n)
    length = (width if side in (0, 2) else height) * rng.uniform(0.15, 0.3 + 0.3 * strength)
    run = along * (width if side in (0, 2) else height) + (t - 0.5) * length
    bite[[0, -1]] = -20
    line = {0: np.stack([run, bite], 1), 2: np.stack([run, height - bite], 1), 1: np.stack([width - bite, run], 1), 3: np.stack([bite, run], 1)}[side]
    gone = np.zeros((height, width), np.uint8)
    cv2.fillPoly(gone, [line.astype(np.int32)], 255)
    fringe = cv2.dilate(gone, np.ones((9, 9), np.uint8)) > 0
    picture[fringe, :3] = (225, 222, 215)
    picture[gone > 0, 3] = 0


def _bent(picture: np.ndarray, strength: float, rng: np.random.Generator) -> np.ndarray:
    """Round an upright or a lying cylinder, seen from a little above or from the side: lines bow, the ends are foreshortened and darker."""
    import cv2

    lying = rng.random() < 0.4
    if lying:
        picture = np.ascontiguousarray(np.rot90(picture))
    height, width = picture.shape[:2]
    half = np.radians(rng.uniform(15, 20 + 40 * strength))            # of the turn that the label covers
    bow = rng.uniform(-1, 1) * 0.12 * strength * width
    pad_x, pad_y = int(MARGIN * width), int(MARGIN * width + abs(bow))
    out_w, out_h = round(width * np.sin(half) / half) + 2 * pad_x, height + 2 * pad_y
    x = (np.arange(out_w, dtype=np.float32) - out_w / 2) / (out_w / 2 - pad_x) * np.float32(np.sin(half))
    angle = np.arcsin(np.clip(x, -1, 1))
    across = (angle / half + 1) / 2 * (width - 1)
    across[np.abs(x) > np.sin(half)] = -10
    drop = bow * (np.cos(angle) - np.cos(half)) / (1 - np.cos(half))
    rows = np.arange(out_h, dtype=np.float32)[:, None] - pad_y - drop[None, :].astype(np.float32) + np.float32(bow / 2)
    bent = cv2.remap(picture, np.broadcast_to(across, rows.shape).astype(np.float32), rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0, 0))
    lit = np.cos(angle - rng.uniform(-0.4, 0.4))
    bent[..., :3] *= (0.35 + 0.65 * lit / lit.max()).astype(np.float32)[None, :, None]
    return np.ascontiguousarray(np.rot90(bent, -1)) if lying else bent
