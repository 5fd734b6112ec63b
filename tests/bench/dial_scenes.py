"""Small pictures of gauge faces for the network that finds their digits, points and units: where in each stands what, drawn by lot as the
development faces are, lettered in many typefaces, with a pointer over them.

    python -m tests.bench.dial_scenes --seconds 150 --jobs 16 --faces FOLDER --out FOLDER

`--faces`: font files to letter with, such as those of Debian's fonts-lato, fonts-roboto-unhinted, fonts-open-sans, fonts-freefont-ttf,
fonts-hack, fonts-cantarell, and the development typefaces. No held-out face, style or typeface is used.
"""

from __future__ import annotations

import argparse
import math
import random
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from PIL import Image

from hoodnote.capture.vision.signs import DIAL_CLASSES, PRINTED
from tests.bench.camera import engine_bay
from tests.bench.dial_render import RADIUS, Placed, draw_face, draw_pointer, start_of
from tests.bench.dial_styles import HELD_OUT, drawn_face, drawn_style
from tests.bench.display_scenes import Mark, log_uniform, shard, taken

VIEWS = 8                     # scenes of each face that is drawn
SMALLEST = 6.5                # px of a photo, height of the least digits
COVERED = 0.55                # share of a sign that the pointer hides so that it cannot be told
_WORDS = {"psi": ("psi", "PSI", "lb/in²", "psig", "PSIG", "lbf/in²", "psi"), "bar": ("bar", "BAR", "Bar", "bar"), "kPa": ("kPa", "kPa", "KPA"),
          "MPa": ("MPa", "MPA"), "kg/cm2": ("kg/cm²", "kgf/cm²", "KG/CM²", "kg/cm2"), "inHg": ("inHg", "in.Hg", "in. Hg", "INHG", "In Hg")}
_FOREIGN = ("mbar", "Torr", "rpm", "km/h", "mph", "%", "mA", "V", "hPa", "x 100", "Pa", "mmHg", "bat", "oil", "FUEL", "AMP", "BR", "kN", "MP", "par")


def scenes(seed: int, faces: Sequence[str]) -> Iterator[tuple[np.ndarray, list[Mark]]]:
    """VIEWS of one face: uint8 RGB each, and what stands in it."""
    rng, noise = random.Random(seed), np.random.default_rng(seed)
    picture, placed, bright = _face(rng, noise, faces)
    for _ in range(VIEWS):
        high = log_uniform(rng, *PRINTED)
        words = [p for p in placed if p[0] in _WORDS]
        about = rng.choice(words if words and rng.random() < 0.4 else placed)
        scale = high / (2 * math.hypot(*about[3:]))
        if 2 * scale * max(picture.shape) > 6000:
            continue
        coarse = log_uniform(rng, SMALLEST / high, 2.5) if rng.random() < 0.5 else 2.0
        turn = math.radians(rng.uniform(-40, 40) if rng.random() < 0.5 else rng.gauss(0, 6))
        marks = [(DIAL_CLASSES.index(p[0]), p) for p in placed]
        yield taken(rng, noise, picture, marks, bright, np.array(about[1:3]), 2 * scale, turn, clutter=rng.random() < 0.06, coarse=coarse)


def _face(rng: random.Random, noise: np.random.Generator, faces: Sequence[str]) -> tuple[np.ndarray, list[Placed], bool]:
    """A face with its pointer, the signs that can be seen, and whether they are lighter than their ground."""
    style, face = drawn_style(rng), drawn_face(rng)
    legend = style.legend
    if rng.random() < 0.3:
        legend = (*legend, (rng.choice(_FOREIGN), rng.uniform(0.05, 0.1), rng.uniform(-0.45, 0.45)))
    style = replace(style, typeface=rng.choice(faces), legend=legend)
    side = int(RADIUS * 2.9)
    centre = (side / 2, side / 2)
    image = Image.fromarray(engine_bay(side, side, noise))
    placed = draw_face(image, centre, face, style, {unit: rng.choice(words) for unit, words in _WORDS.items()})
    layer = Image.new("RGBA", image.size, (0, 0, 0, 0))
    draw_pointer(layer, centre, start_of(style) + style.sweep * rng.uniform(0, 1), style)
    cover = np.asarray(layer.getchannel("A"))
    shadow = Image.fromarray((cover * 0.35).astype(np.uint8))
    image.paste((0, 0, 0), (round(RADIUS * 0.015), round(RADIUS * 0.02)), shadow)
    image.paste(layer, (0, 0), layer)
    return np.asarray(image), [p for p in placed if _covered(p, cover) < COVERED], sum(style.ink) > sum(style.paper)


def _covered(sign: Placed, cover: np.ndarray) -> float:
    """Share of it that the pointer hides; of a word, the part about its middle."""
    name, x, y, up_x, up_y = sign
    high = 2 * math.hypot(up_x, up_y)
    wide = 0.6 * high if len(name) == 1 else 2.0 * high
    box = cover[int(max(0, y - high / 2)):int(y + high / 2) + 1, int(max(0, x - wide / 2)):int(x + wide / 2) + 1]
    return float(box.mean()) / 255 if box.size else 1.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=150.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--faces", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    held_out = {style.typeface for style in HELD_OUT}
    made = partial(scenes, faces=[str(p) for p in sorted(args.faces.iterdir()) if p.name not in held_out])
    with ProcessPoolExecutor(args.jobs) as pool:
        print(sum(pool.map(partial(shard, args.seconds, args.out, made), range(args.jobs))), "scenes")


if __name__ == "__main__":
    main()
