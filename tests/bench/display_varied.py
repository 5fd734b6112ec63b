"""Displays of styles drawn anew for each photo: the development ones' shapes in other measures, colours and layouts, for tuning as they
are. No held-out segment shape, look, layout or face is used.
"""

from __future__ import annotations

import random
from dataclasses import replace

from PIL import Image

from tests.bench.display_render import DEVELOPMENT, Layout, Look, Segments, Truth, draw, invent

FIRST_SEED = 5_000_000


def varied_segments(rng: random.Random) -> Segments:
    """A shape like the development ones, of other measures."""
    base = rng.choice(DEVELOPMENT.segments)
    return replace(base, ends=rng.choice(["mitred", "pointed", "square"]), width=base.width * rng.uniform(0.86, 1.16), thick=base.thick * rng.uniform(0.8, 1.25),
                   gap=rng.uniform(0.006, 0.03), slant=rng.uniform(-2, 14), pitch=rng.uniform(1.2, 1.55), round_point=rng.random() < 0.6, tailed=rng.random() < 0.8)


def varied_look(rng: random.Random) -> Look:
    """A look like the development ones, in other colours."""
    look = rng.choice(DEVELOPMENT.looks)
    turn = rng.sample(range(3), 3)

    def varied(colour):
        return tuple(int(min(255, max(4, colour[i] + rng.gauss(0, 18)))) for i in turn)

    return replace(look, paper=varied(look.paper), ink=varied(look.ink), case=varied(look.case), ghost=rng.uniform(0, 0.12),
                   bloom=look.bloom * rng.uniform(0.3, 1.6))


def varied_layout(rng: random.Random, beside: bool) -> Layout:
    """A window anywhere on a case of any proportions."""
    width, height = rng.randint(850, 1250), rng.randint(560, 1150)
    left, right, top = rng.uniform(0.07, 0.24), rng.uniform(0.78, 0.93), rng.uniform(0.13, 0.22)
    wide = (right - left) * width
    tall = wide / (rng.uniform(2.8, 4.2) if beside else rng.uniform(1.7, 3.0))
    return Layout((width, height), (left, top, right, min(0.72, top + tall / height)), rng.choice(["right", "top", "case", "foot"]), "beside" if beside else "stacked",
                  rng.random() < 0.5, "below")


def varied_display(seed: int) -> tuple[Image.Image, Truth]:
    rng = random.Random(FIRST_SEED + seed)
    truth = invent(rng)
    layout = varied_layout(rng, len(truth.figures) == 2 and rng.random() < 0.35)
    return draw(truth, varied_segments(rng), varied_look(rng), layout, rng.choice(DEVELOPMENT.faces), rng), truth
