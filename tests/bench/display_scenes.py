"""Small pictures of displays for the network that finds their signs: where in each stands what, drawn in variations of the development
styles and lettered in many faces, among clutter; and pictures of clutter and print alone. Far scenes are for digits, near ones for what is
lettered around them.

    python -m tests.bench.display_scenes --near --seconds 150 --jobs 16 --faces FOLDER --out FOLDER

`--faces`: font files to letter with, such as those of Debian's fonts-lato, fonts-roboto-unhinted, fonts-open-sans, fonts-freefont-ttf,
fonts-hack, fonts-cantarell, and the development faces. No held-out segment shape, look, layout or face is used.
"""

from __future__ import annotations

import argparse
import math
import random
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from decimal import Decimal
from functools import partial
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from hoodnote.capture.vision.display_net import LETTER, SIGNS
from hoodnote.capture.vision.signs import CLASSES, LEAST, MOST, WORD
from hoodnote.capture.vision.display_words import HELD, is_held, side_of, unit_of
from tests.bench.camera import SEVERITIES, engine_bay, light_over
from tests.bench.display_render import PRINTED, Figure, Placed, Truth, draw, printed
from tests.bench.display_strips import any_text, spoiled
from tests.bench.display_varied import varied_layout, varied_look, varied_segments
from tests.bench.label_render import font

WIDTH, HEIGHT = 320, 256
VIEWS = 3                     # scenes of each display that is drawn
_UNITS = [word for words in PRINTED.values() for word in words] + [
    "PSIG", "psig", "KPA", "Bar", "INHG", "OZ", "KG", "G", "lb.oz", "lb-oz", "%RH", "kΩ", "VDC", "MICRON", "Microns"]
_FOREIGN = ["mA", "µA", "MΩ", "Hz", "kHz", "mbar", "Torr", "Pa", "MPa", "lb", "mmHg", "hPa", "kg/cm²", "ml", "mTorr", "lbs"]
_OTHER = ["AUTO", "DC", "AC", "TARE", "ZERO", "NET", "BATT", "T1", "T2", "REL", "R-134a", "AVG", "ON", "OFF", "CAL", "LOG", "REC", "°C/°F", "UNIT", "MODE", "No. 12",
          "R-1234yf", "SET", "LIGHT", "PEL", "2", "7", "12", "IP54", "CAT III"]
_HELD = ["HOLD", "MAX", "MIN"]
_SIDES = [("LOW", "HIGH"), ("LO", "HI"), ("L", "H"), ("LOW SIDE", "HIGH SIDE"), ("Low", "High"), ("LP", "HP")]
Mark = tuple[int, float, float, float, float, bool]      # class, middle and way to the top in px, and whether it is bright


def _truth(rng: random.Random) -> Truth:
    unit = rng.choice(_FOREIGN if rng.random() < 0.12 else _UNITS)
    words = rng.choice(_SIDES) if rng.random() < 0.3 else (None,)
    return Truth("", tuple(Figure(any_text(rng), Decimal(0), "", unit, None, word) for word in words))


def class_of(text: str) -> int | None:
    """Index in CLASSES of what is lit or lettered; None for words that mean nothing here."""
    name = unit_of(text) or side_of(text) or (HELD if is_held(text) else None)
    return CLASSES.index(name) if name else None


def _drawn(rng: random.Random, faces: Sequence[str]) -> tuple[np.ndarray, list[tuple[int | None, Placed]], bool]:
    """A display with more words on it, what stands where, and whether its digits are bright."""
    truth, look, face = _truth(rng), varied_look(rng), rng.choice(faces)
    if rng.random() < 0.3:             # a display whose unlit segments show
        look = replace(look, ghost=rng.uniform(0.1, 0.32))
    placed: list[Placed] = []
    image = draw(truth, varied_segments(rng), look, varied_layout(rng, len(truth.figures) == 2 and rng.random() < 0.35), face, rng, placed)
    digits = [p for p in placed if len(p[0]) == 1 and p[0] in "0123456789-.:LErHPoO" and (p[3], p[4]) != (0.0, 0.0) and p[3:] in _ups(placed)]
    out = [(CLASSES.index(p[0] if p[0] in SIGNS else LETTER), p) if p in digits else (class_of(p[0]), p) for p in placed]
    pen = ImageDraw.Draw(image)
    for _ in range(rng.choice([0, 1, 3])):         # lettered on the case
        text = rng.choice(rng.choice([_OTHER, _OTHER, _UNITS, _FOREIGN, _HELD]))
        size = rng.randint(18, 60)
        at = (rng.uniform(0.05, 0.95) * image.width, rng.choice([rng.uniform(0.02, 0.1), rng.uniform(0.74, 0.98)]) * image.height)
        pen.text(at, text, font=font(face, size), fill=look.print, anchor="mm")
        p = printed(pen, text, at, font(face, size), "mm")
        out.append((class_of(text), p))
    return np.asarray(image), out, sum(look.ink) > sum(look.paper)


def _ups(placed: Sequence[Placed]) -> set[tuple[float, float]]:
    """Ways to the top of what is lit in segments: the tallest there are."""
    tallest = max(-p[4] for p in placed)
    return {p[3:] for p in placed if -p[4] > 0.6 * tallest}


def _panel(rng: random.Random, faces: Sequence[str], size: tuple[int, int]) -> tuple[np.ndarray, list[tuple[int | None, Placed]]]:
    """Words all over, of which some mean something on a display."""
    look, placed = varied_look(rng), []
    image = Image.new("RGB", (900, 640), rng.choice([look.paper, look.case]))
    pen = ImageDraw.Draw(image)
    for _ in range(rng.randint(3, 16)):
        kind = rng.random()
        text = (f"{rng.randrange(1, 9999) / rng.choice([1, 10]):g}" if kind < 0.15 else _stray(rng) if kind < 0.3 else rng.choice(_OTHER) if kind < 0.4 else
                rng.choice(rng.choice(_SIDES)) if kind < 0.5 else rng.choice(_HELD) if kind < 0.55 else rng.choice(_FOREIGN if kind < 0.67 else _UNITS))
        face, at = font(rng.choice(faces), rng.randint(*size)), (rng.uniform(0, 900), rng.uniform(0, 640))
        box = pen.textbbox(at, text, font=face, anchor="mm")
        if any(abs(at[0] - p[1]) < (box[2] - box[0]) and abs(at[1] - p[2]) < 0.7 * (box[3] - box[1]) - 0.7 * p[4] for _, p in placed):
            continue
        pen.text(at, text, font=face, fill=rng.choice([look.ink, look.ink, look.print]) if look.paper == image.getpixel((0, 0)) else look.print, anchor="mm")
        placed.append((class_of(text), printed(pen, text, at, face, "mm")))
    return np.asarray(image), placed


def _stray(rng: random.Random) -> str:
    """Letters in no order."""
    return "".join(rng.choice("AaBbCcEFfGgHhiIkKLlMmNnOoPpRrsSTVvWwxz0125%°") for _ in range(rng.randint(1, 5)))


def scenes(seed: int, faces: Sequence[str], near: bool) -> Iterator[tuple[np.ndarray, list[Mark]]]:
    """VIEWS of one display or one panel of print: uint8 HEIGHT x WIDTH x 3 each, and what stands in it."""
    rng, noise = random.Random(seed), np.random.default_rng(seed)
    kind = rng.random()
    if kind < (0.4 if near else 0.1):
        face, placed = _panel(rng, faces, (24, 80) if near else (40, 190))
        bright, digits = False, []
    else:
        face, placed, bright = _drawn(rng, faces)
        digits = [p for c, p in placed if c is not None and c < len(SIGNS)]
    words = [p for c, p in placed if (c is None or c >= len(SIGNS)) and p[4] < -3]
    for _ in range(VIEWS):
        if near and words:
            about = rng.choice(words)
            scale = log_uniform(rng, *WORD) / (-2 * about[4])
        else:
            about = rng.choice([p for _, p in placed] if rng.random() < 0.4 else digits or words or [p for _, p in placed]) if placed else ("", 450, 320, 0, -60)
            scale = log_uniform(rng, LEAST, MOST) / (2 * max((math.hypot(*p[3:]) for p in digits), default=rng.uniform(40, 100)))
        if max(abs(v) for v in face.shape[:2]) * scale > 4000:
            continue
        clutter = rng.random() < 0.06
        yield taken(rng, noise, face, placed, bright, np.array(about[1:3]), 2 * scale, math.radians(rng.gauss(0, 6)), clutter=clutter)


def log_uniform(rng: random.Random, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def taken(rng: random.Random, noise: np.random.Generator, face: np.ndarray, placed: Sequence[tuple[int | None, Placed]], bright: bool, anchor: np.ndarray,
          scale: float, turn: float, clutter: bool, coarse: float = 2.0) -> tuple[np.ndarray, list[Mark]]:
    """The picture `face`, `scale` times as large in a view twice the scene's size, its point `anchor` somewhere in it; or clutter alone.
    `turn`: radians. `coarse`: below 2 the photo had so many pixels for one of the scene's, and was enlarged."""
    import cv2

    shrink = min(1.0, 1.3 * scale)
    small = cv2.resize(face, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else face
    to = np.array([rng.uniform(0.12, 0.88) * 2 * WIDTH, rng.uniform(0.15, 0.85) * 2 * HEIGHT])
    h, w = face.shape[:2]
    corners = (np.array([(0, 0), (w, 0), (w, h), (0, h)]) - anchor) * scale
    corners += noise.uniform(-0.07, 0.07, (4, 2)) * (min(w * scale, 1400), min(h * scale, 1000))
    corners = corners @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) + to
    matrix = cv2.getPerspectiveTransform(np.float32([(0, 0), (w, 0), (w, h), (0, h)]), corners.astype(np.float32))
    view = engine_bay(2 * WIDTH, 2 * HEIGHT, noise).astype(np.float32)
    if not clutter:
        lens = matrix @ np.diag([w / small.shape[1], h / small.shape[0], 1.0])
        seen = cv2.warpPerspective(small, lens, (2 * WIDTH, 2 * HEIGHT), flags=cv2.INTER_LINEAR)
        view += (seen - view) * (cv2.warpPerspective(np.full(small.shape[:2], 255, np.uint8), lens, (2 * WIDTH, 2 * HEIGHT))[..., None] / np.float32(255))
    view = view * light_over(2 * WIDTH, 2 * HEIGHT, SEVERITIES["hard"], noise)
    hidden = np.zeros(view.shape[:2], np.float32)
    if rng.random() < 0.15:
        yy, xx = np.ogrid[:2 * HEIGHT, :2 * WIDTH]
        r = rng.uniform(20, 130)
        hidden = np.exp(-(np.hypot((xx - rng.uniform(0, 2 * WIDTH)) / 1.6, yy - rng.uniform(0, 2 * HEIGHT)) / r) ** 2.4).astype(np.float32)
        view = view + 420 * hidden[..., None]
    if coarse < 2:
        small = cv2.resize(view, None, fx=coarse / 2, fy=coarse / 2, interpolation=cv2.INTER_AREA)
        small += noise.standard_normal(small.shape, dtype=np.float32) * np.float32(13 * rng.random() ** 1.5)
        plain = cv2.imdecode(cv2.imencode(".jpg", np.clip(small, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, rng.randint(60, 95)])[1], cv2.IMREAD_COLOR)
        view = cv2.resize(plain, (2 * WIDTH, 2 * HEIGHT), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    view = cv2.resize(spoiled(np.clip(view, 0, 255).astype(np.float32), rng, noise), (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    return view, [] if clutter else _seen(placed, matrix, hidden, bright)


def _seen(placed: Sequence[tuple[int | None, Placed]], matrix: np.ndarray, hidden: np.ndarray, bright: bool) -> list[Mark]:
    import cv2

    marks = []
    for index, (_, x, y, up_x, up_y) in placed:
        if index is None:
            continue
        at, top = cv2.perspectiveTransform(np.float32([[(x, y), (x + up_x, y + up_y)]]), matrix)[0] / 2
        if 2 < at[0] < WIDTH - 2 and 2 < at[1] < HEIGHT - 2 and hidden[round(2 * float(at[1])), round(2 * float(at[0]))] < 0.5:
            marks.append((index, float(at[0]), float(at[1]), float(top[0] - at[0]), float(top[1] - at[1]), bright))
    return marks


def shard(seconds: float, out: Path, made: Callable[[int], Iterable[tuple[np.ndarray, list[Mark]]]], number: int) -> int:
    """Scenes that `made` gives for seeds, for so many seconds; how many."""
    import cv2

    cv2.setNumThreads(1)
    end, pictures, marks, seed = time.time() + seconds, [], [], number * 10_000_000
    while time.time() < end:
        for picture, found in made(seed):
            marks += [(len(pictures), *mark) for mark in found]
            pictures.append(picture)
        seed += 1
    np.savez(out / f"shard{number:02}.npz", pictures=np.array(pictures), marks=np.array(marks, np.float32))
    return len(pictures)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=150.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--near", action="store_true")
    parser.add_argument("--faces", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    faces = [str(p) for p in sorted(args.faces.iterdir())]
    with ProcessPoolExecutor(args.jobs) as pool:
        made = partial(scenes, faces=faces, near=args.near)
        print(sum(pool.map(partial(shard, args.seconds, args.out, made), range(args.jobs))), "scenes")


if __name__ == "__main__":
    main()
