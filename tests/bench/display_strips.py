"""Strips of segment figures as the network that reads displays is given them, drawn in variations of the development styles, with what
they say; among them printed words, empty windows and clutter, which say nothing.

    python -m tests.bench.display_strips --seconds 50 --jobs 16 --out FOLDER

No held-out segment shape, look, layout or face is used.
"""

from __future__ import annotations

import argparse
import math
import random
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from hoodnote.capture.vision.display_net import DIGIT, HEIGHT, LETTER, as_grey
from tests.bench.display_render import DEVELOPMENT, Glass, Look, invent
from tests.bench.display_varied import varied_look, varied_segments
from tests.bench.label_render import font

WIDEST = 256             # px, of a strip
_DRAWN = 72              # px, height of a digit as drawn
_LETTERS = "LErHPo"


def any_text(rng: random.Random) -> str:
    """Mostly without sense, so that the network learns shapes and not which figures are likely."""
    kind = rng.random()
    if kind < 0.25:
        return rng.choice(invent(rng).figures).text
    if kind < 0.31:
        return "".join(rng.choice(_LETTERS + "0-") for _ in range(rng.randint(2, 4)))
    digits = [rng.choice("0123456789" if rng.random() < 0.85 else "1178") for _ in range(rng.choice([1, 2, 2, 3, 3, 3, 4, 4, 4, 5, 5, 6]))]
    if len(digits) > 1 and rng.random() < 0.6:
        digits.insert(rng.randrange(1, len(digits)), ".")
    if "." not in digits and len(digits) > 2 and rng.random() < 0.15:
        digits.insert(len(digits) - 2, ":")
    return ("-" if rng.random() < 0.15 else "") + "".join(digits)


def _window(rng: random.Random, text: str) -> tuple[np.ndarray, np.ndarray, bool]:
    """A window's picture, the corners of the figure's digits in it, and whether they are lighter than their ground."""
    s, look, face = varied_segments(rng), varied_look(rng), rng.choice(DEVELOPMENT.faces)
    cells = sum(c not in ".:" for c in text)
    all_cells = cells + rng.choice([0, 0, 0, 1, 2])
    lean = math.tan(math.radians(s.slant))
    wide = _DRAWN * (s.width * (1 + (all_cells - 1) * s.pitch) + lean + 0.25 * s.width)
    left, right = (_DRAWN * rng.uniform(0.05, 1.9) for _ in range(2))
    above, below = (_DRAWN * rng.uniform(0.06, 0.6) for _ in range(2))
    drawn = Glass((round(left + wide + right), round(above + _DRAWN + below)))
    if text:
        drawn.figure(text, (left, above, left + wide, above + _DRAWN), all_cells, s)
    for beyond in (-1, 1):         # the other row's figure
        if rng.random() < 0.2:
            y = above + beyond * _DRAWN * rng.uniform(1.2, 1.5)
            drawn.figure("".join(rng.choice("0123456789") for _ in range(cells or 3)), (left, y, left + wide, y + _DRAWN), all_cells, s)
    words = ["psi", "bar", "kPa", "°F", "°C", "V", "mV", "A", "oz", "g", "kg", "%", "micron", "LOW", "HIGH", "L", "H", "HOLD", "AUTO", "lb oz", "DC"]
    for at in ((left + wide + 0.12 * _DRAWN, above + _DRAWN * rng.uniform(0.2, 0.9), "lm"), (left - 0.12 * _DRAWN, above + _DRAWN * rng.uniform(0.2, 0.8), "rm"),
               (left + rng.random() * wide, above - 0.22 * _DRAWN, "mm"), (left + rng.random() * wide, above + 1.25 * _DRAWN, "mm")):
        if rng.random() < 0.4:
            drawn.words(rng.choice(words), at[:2], _DRAWN * rng.uniform(0.22, 0.45), face, at[2], ghost=rng.random() < 0.15)
    picture = drawn.picture(look, rng)
    x0 = left + wide - _DRAWN * (s.width * (1 + (cells - 1) * s.pitch) + lean + 0.25 * s.width) if cells else left
    return _cased(rng, look, picture, (x0, above, left + wide, above + _DRAWN), sum(look.ink) > sum(look.paper))


def _cased(rng: random.Random, look: Look, picture: np.ndarray, box: tuple[float, float, float, float], bright: bool) -> tuple[np.ndarray, np.ndarray, bool]:
    edge = round(1.2 * _DRAWN)
    canvas = np.empty((picture.shape[0] + 2 * edge, picture.shape[1] + 2 * edge, 3), np.float32)
    canvas[:] = np.array(look.case, np.float32)
    rim = rng.randint(2, 9)
    canvas[edge - rim:-edge + rim, edge - rim:-edge + rim] *= 0.55
    canvas[edge:-edge, edge:-edge] = picture
    left, top, right, bottom = (v + edge for v in box)
    return canvas, np.array([(left, top), (right, top), (right, bottom), (left, bottom)]), bright


def _printed(rng: random.Random) -> tuple[np.ndarray, np.ndarray, bool]:
    """Words and figures in a common face, or strokes without a meaning."""
    look = varied_look(rng)
    text = rng.choice([f"{rng.randrange(10, 99999)}", f"{rng.randrange(100, 9999) / 10}", "REFRIGERANT", "R-134a", "HIGH", "ON/OFF", "1HGCM82", "CAUTION", "20 25 30"])
    face = font(rng.choice(DEVELOPMENT.faces), round(_DRAWN * 1.35))
    wide = round(face.getlength(text)) + 2
    image = Image.new("RGB", (wide + 2 * _DRAWN, 2 * _DRAWN), look.paper)
    pen = ImageDraw.Draw(image)
    if rng.random() < 0.6:
        pen.text((_DRAWN, _DRAWN), text, font=face, fill=look.ink, anchor="lm")
    else:
        for _ in range(rng.randint(1, 14)):
            x, y, turn, length = rng.uniform(0, image.width), rng.uniform(0, image.height), rng.uniform(0, math.pi), _DRAWN * rng.uniform(0.2, 2)
            pen.line((x, y, x + length * math.cos(turn), y + length * math.sin(turn)), fill=look.ink, width=rng.randint(4, 16))
    return _cased(rng, look, np.asarray(image, np.float32), (_DRAWN, _DRAWN / 2, _DRAWN + wide, 1.5 * _DRAWN), sum(look.ink) > sum(look.paper))


def strip(seed: int) -> tuple[np.ndarray, str]:
    """uint8, HEIGHT x at most WIDEST, figures light on dark; and what it says, every letter as LETTER."""
    import cv2

    rng, noise = random.Random(seed), np.random.default_rng(seed)
    kind = rng.random()
    text = "" if kind < 0.16 else any_text(rng)
    canvas, quad, bright = _printed(rng) if kind < 0.13 else _window(rng, text)
    wide = (quad[1, 0] - quad[0, 0]) / _DRAWN * DIGIT * rng.uniform(0.86, 1.16)
    most = max(6.0, (WIDEST - wide) / 2)
    before, after = min(most, DIGIT * rng.uniform(0.15, 1.3)), min(most, DIGIT * rng.uniform(0.15, 1.3))
    w = min(WIDEST, round(before + wide + after))
    top = (HEIGHT - DIGIT) / 2 + rng.gauss(0, 0.9)
    tall = DIGIT * rng.uniform(0.9, 1.1)
    target = np.array([(before, top), (before + wide, top), (before + wide, top + tall), (before, top + tall)])
    turn = math.radians(rng.gauss(0, 1.5)) * min(1.0, 60 / wide)
    middle = target.mean(axis=0)
    target = (target - middle) @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) + middle
    target += noise.normal(0, 0.9, (4, 2))
    lean = rng.gauss(0, 0.05)
    target[:, 0] += lean * (middle[1] - target[:, 1])
    matrix = cv2.getPerspectiveTransform(quad.astype(np.float32), (2 * target).astype(np.float32))
    view = cv2.warpPerspective(canvas, matrix, (2 * w, 2 * HEIGHT), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    view = cv2.resize(spoiled(view, rng, noise), (w, HEIGHT), interpolation=cv2.INTER_AREA)
    return as_grey(view, bright), "".join(LETTER if c in _LETTERS else c for c in text)


def spoiled(view: np.ndarray, rng: random.Random, noise: np.random.Generator) -> np.ndarray:
    """Light, dirt, blur, noise and JPEG, at twice the strip's size."""
    import cv2

    h, w = view.shape[:2]
    xx = np.linspace(0, 1, w, dtype=np.float32)[None, :, None]
    yy = np.linspace(0, 1, h, dtype=np.float32)[:, None, None]
    view = view * (1 + rng.uniform(-0.25, 0.25) * (xx - 0.5) + rng.uniform(-0.1, 0.1) * (yy - 0.5)) * rng.uniform(0.5, 1.0)
    if rng.random() < 0.35:         # a shadow's edge
        edge = (xx - rng.random() + rng.uniform(-0.2, 0.2) * (yy - 0.5)) / rng.uniform(0.005, 0.05)
        view *= 1 - rng.uniform(0.15, 0.6) / (1 + np.exp(np.clip(rng.choice([-1, 1]) * edge, -50, 50)))
    for _ in range(rng.choice([0, 0, 2, 6])):
        cv2.circle(view, (rng.randrange(w), rng.randrange(h)), rng.randint(0, 3), [rng.uniform(40, 110)] * 3, -1, cv2.LINE_AA)
    if rng.random() < 0.3:          # grease, or a reflection that does not burn out
        patch = np.exp(-(((xx - rng.random()) / rng.uniform(0.05, 0.3)) ** 2 + ((yy - rng.random()) / rng.uniform(0.2, 0.8)) ** 2))
        view += (rng.uniform(60, 230) - view) * rng.uniform(0.1, 0.5) * patch
    view = cv2.GaussianBlur(view, (0, 0), 0.3 + 3.2 * rng.random() ** 1.6)
    if rng.random() < 0.4:
        length = rng.randint(2, 8)
        kernel = np.zeros((length | 1, length | 1), np.float32)
        c, turn = (length | 1) // 2, rng.uniform(0, math.pi)
        cv2.line(kernel, (round(c - c * math.cos(turn)), round(c - c * math.sin(turn))), (round(c + c * math.cos(turn)), round(c + c * math.sin(turn))), 1.0, 1)
        view = cv2.filter2D(view, -1, kernel / kernel.sum())
    view += noise.standard_normal(view.shape, dtype=np.float32) * np.float32(14 * rng.random() ** 1.5)
    plain = np.clip(view, 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", plain, [cv2.IMWRITE_JPEG_QUALITY, rng.randint(40, 95)])[1], cv2.IMREAD_COLOR)


def _shard(seconds: float, out: Path, number: int) -> int:
    import cv2

    cv2.setNumThreads(1)
    end, strips, texts, seed = time.time() + seconds, [], [], number * 10_000_000
    while time.time() < end:
        pixels, text = strip(seed)
        strips.append(np.pad(pixels, ((0, 0), (0, WIDEST - pixels.shape[1]))))
        texts.append((pixels.shape[1], text))
        seed += 1
    np.savez(out / f"shard{number:02}.npz", strips=np.array(strips), widths=np.array([w for w, _ in texts]), texts=np.array([t for _, t in texts]))
    return len(texts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=50.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(args.jobs) as pool:
        print(sum(pool.map(partial(_shard, args.seconds, args.out), range(args.jobs))), "strips")


if __name__ == "__main__":
    main()
