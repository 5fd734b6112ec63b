"""How well the gauge reader does on invented gauges photographed by a simulated phone.

    python -m tests.bench.bench_dial --split heldout --count 300 --severity moderate --jobs 2

Every third photo is a manifold. `within`: the figure offered, taken or asked, against the pointer's true position, as a share of
the whole scale; a gauge refused is within nothing. `taken`: it stands without a question. `silently wrong`: taken and off by more
than 2 % of the scale, or in a unit that is not on the face, or of the wrong side; the count that must be nil. `--others` shows
the reader photos of things that are no pressure gauge: nothing may be taken from them.
"""

from __future__ import annotations

import argparse
import random
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from PIL import Image, ImageDraw

from hoodnote.capture.vision.dial_read import read_dials
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import Reader, available_readers
from hoodnote.readings.model import Standing
from tests.bench.camera import SEVERITIES, drawn_size, engine_bay, photograph
from tests.bench.dial_render import RADIUS, Truth, draw_face, draw_pointer, random_scene
from tests.bench.dial_styles import DEVELOPMENT, PSI, SPLITS, Face, Ring, Style
from tests.bench.label_render import SPLITS as LABELS
from tests.bench.label_render import font, random_label

TILT = {"mild": 12, "moderate": 20, "hard": 25, "severe": 30}       # degrees at most, on top of the camera's own
MANIFOLD_FILL = (0.75, 0.92)      # a technician fills the frame with the manifold


@dataclass(frozen=True)
class Row:
    seed: int
    error: float | None           # share of the span; None where no figure was offered
    taken: bool
    asked: bool
    wrong: bool
    told: str


def photo_of(split: str, seed: int, severity: str, size: tuple[int, int] | None = None) -> tuple[Photo, list[Truth]]:
    manifold = seed % 3 == 2
    picture, truths = random_scene(split, seed, manifold, TILT[severity])
    camera = SEVERITIES[severity]
    if manifold:
        camera = replace(camera, fill=MANIFOLD_FILL)
    first = SPLITS[split][2]
    size = size or drawn_size(first + seed)
    # no finer than the photo shows it: the camera's smudges take long on a large picture
    wide = min(picture.width, int(size[0] * camera.fill[1]))
    picture = picture.resize((wide, round(picture.height * wide / picture.width)), Image.Resampling.LANCZOS)
    return as_photo(photograph(picture, camera, first + seed, size)), truths


def as_photo(picture: Image.Image) -> Photo:
    pixels = np.asarray(picture.convert("RGB"))
    return Photo(pixels, pixels.shape[1], pixels.shape[0])


def scored(split: str, seed: int, severity: str, size: tuple[int, int] | None = None) -> tuple[list[Row], float, float]:
    """A row for each gauge, and the seconds of wall clock and of processor."""
    photo, truths = photo_of(split, seed, severity, size)
    place = None if len(truths) > 1 else "low_side" if truths[0].compound else "high_side"
    _readers()
    wall, cpu = time.perf_counter(), time.process_time()
    reading = read_dials(photo, place, readers=_readers())
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    rows = []
    for truth in truths:
        field = next((f for f in reading.fields if len(truths) == 1 or f.statement.place == truth.place), None)
        if field is None:
            rows.append(Row(seed, None, False, False, False, reading.problem or "; ".join(reading.warnings) or "not among the fields"))
            continue
        said = field.statement
        error = None
        if said.unit in truth.values:
            true = abs(truth.values[said.unit]) if said.unit == "inHg" else truth.values[said.unit]
            error = abs(float(said.value) - true) / (truth.span * PSI[truth.unit] / PSI[said.unit])
        taken = field.standing is not Standing.UNCONFIRMED
        told = f"{said.value} {said.unit} for {truth.value:.2f} {truth.unit}, {field.question or 'taken'}"
        rows.append(Row(seed, error, taken, not taken, taken and (error is None or error > 0.02), told))
    return rows, wall, cpu


@cache
def _readers() -> list[Reader]:
    readers = available_readers()
    readers[0].find_text(np.zeros((64, 64, 3), np.uint8))          # loading the networks is not counted
    return readers


def other_thing(seed: int) -> Image.Image:
    """Something that is no pressure gauge: a bay, a label, a wheel, a clock, a thermometer's or a speedometer's dial."""
    rng, noise = random.Random(seed), np.random.default_rng(seed)
    side = int(RADIUS * 2.9)
    picture = Image.fromarray(engine_bay(side, side, noise))
    draw = ImageDraw.Draw(picture)
    centre = (side / 2, side / 2)
    kind = seed % 6
    style = rng.choice(DEVELOPMENT)
    if kind == 1:
        return random_label(LABELS["development"], seed)[0]
    if kind == 2:
        _wheel(draw, centre, rng)
    elif kind == 3:
        _clock(picture, centre, style, rng)
    elif kind > 3:
        unit, top, step = (("°F", 240, 20), ("°C", 120, 10), ("km/h", 220, 20), ("mph", 140, 20), ("%", 100, 10))[rng.randrange(5)]
        face = Face("no pressure", ((0.0, 0.0), (float(top), 1.0)), (Ring("psi", step, 5, 0.93, 0.74),))
        draw_face(picture, centre, face, style, {"psi": unit})
        pointer = Image.new("RGBA", picture.size, (0, 0, 0, 0))
        draw_pointer(pointer, centre, -style.sweep / 2 + style.sweep * rng.uniform(0.05, 0.95), style)
        picture.paste(pointer, (0, 0), pointer)
    return picture


def _wheel(draw: ImageDraw.ImageDraw, centre: tuple[float, float], rng: random.Random) -> None:
    x, y = centre
    for r, colour in ((1.1, (40, 40, 42)), (0.9, (150, 152, 156)), (0.3, (60, 60, 62))):
        draw.ellipse((x - r * RADIUS, y - r * RADIUS, x + r * RADIUS, y + r * RADIUS), fill=colour)
    spokes = rng.choice([5, 7, 12, 40])
    for k in range(spokes):
        a = k * 2 * np.pi / spokes
        draw.line((x + 0.3 * RADIUS * np.cos(a), y + 0.3 * RADIUS * np.sin(a), x + 0.85 * RADIUS * np.cos(a), y + 0.85 * RADIUS * np.sin(a)),
                  fill=(80, 82, 84), width=26)


def _clock(picture: Image.Image, centre: tuple[float, float], style: Style, rng: random.Random) -> None:
    draw = ImageDraw.Draw(picture)
    x, y = centre
    draw.ellipse((x - 1.1 * RADIUS, y - 1.1 * RADIUS, x + 1.1 * RADIUS, y + 1.1 * RADIUS), fill=style.bezel)
    draw.ellipse((x - RADIUS, y - RADIUS, x + RADIUS, y + RADIUS), fill=style.paper)
    for k in range(60):
        a, inner = k * np.pi / 30, 0.85 if k % 5 == 0 else 0.89
        draw.line((x + 0.93 * RADIUS * np.sin(a), y - 0.93 * RADIUS * np.cos(a), x + inner * RADIUS * np.sin(a), y - inner * RADIUS * np.cos(a)),
                  fill=style.ink, width=6)
    for hour in range(1, 13):
        a = hour * np.pi / 6
        draw.text((x + 0.72 * RADIUS * np.sin(a), y - 0.72 * RADIUS * np.cos(a)), str(hour), fill=style.ink, font=font(style.typeface, 80), anchor="mm")
    for reach in (0.5, 0.75):
        a = rng.uniform(0, 2 * np.pi)
        draw.line((x, y, x + reach * RADIUS * np.sin(a), y - reach * RADIUS * np.cos(a)), fill=style.ink, width=18)


def other_scored(seed: int, severity: str) -> tuple[bool, bool, str]:
    """Whether a figure was taken, or asked about, and what."""
    photo = as_photo(photograph(other_thing(seed), SEVERITIES[severity], seed, drawn_size(seed)))
    reading = read_dials(photo, "high_side", readers=_readers())
    taken = any(f.standing is not Standing.UNCONFIRMED for f in reading.fields)
    return taken, bool(reading.fields), "; ".join(f"{f.statement.value} {f.statement.unit}: {f.question}" for f in reading.fields)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=SPLITS, default="heldout")
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    parser.add_argument("--size", type=int, help="width of every photo, px; drawn from 640 to 4000 without it")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--others", type=int, default=0, help="this many photos of things that are no pressure gauge, instead")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    with ProcessPoolExecutor(args.jobs) as pool:
        if args.others:
            found = list(pool.map(other_scored, range(args.first, args.first + args.others), [args.severity] * args.others, chunksize=4))
            for _, _, told in (f for f in found if f[1]):
                print(told)
            print(f"{args.others} photos of other things, {args.severity}: taken from {sum(f[0] for f in found)}, asked about {sum(f[1] and not f[0] for f in found)}")
            return
        size = None if args.size is None else (args.size, args.size * 3 // 4)
        seeds = range(args.first, args.first + args.count)
        done = list(pool.map(scored, [args.split] * args.count, seeds, [args.severity] * args.count, [size] * args.count, chunksize=4))
    rows = [r for found, _, _ in done for r in found]
    if args.verbose:
        for r in rows:
            if r.wrong or not r.taken or r.error is None or r.error > 0.01:
                print(f"{r.seed}: {'SILENTLY WRONG ' if r.wrong else ''}{'' if r.error is None else f'{100 * r.error:.2f} % '}{r.told}")
    n, taken = len(rows), sum(r.taken for r in rows)
    near = [100 * sum(r.error is not None and r.error <= share for r in rows) / n for share in (0.01, 0.02)]
    offered = sum(r.error is not None for r in rows)
    print(f"\n{args.split}, {args.severity}, {args.count} photos, {n} gauges\n")
    print("| within 1 % | within 2 % | taken | asked | refused | silently wrong |\n|---|---|---|---|---|---|")
    print(f"| {near[0]:.1f} % | {near[1]:.1f} % | {taken} | {sum(r.asked for r in rows)} | {sum(not r.taken and not r.asked for r in rows)} | {sum(r.wrong for r in rows)} |")
    print(f"\nof the {offered} figures offered: within 1 % {near[0] * n / max(1, offered):.1f} %, within 2 % {near[1] * n / max(1, offered):.1f} %")
    walls, cpus = [w for _, w, _ in done], [c for _, _, c in done]
    print(f"seconds a photo: median {np.median(walls):.2f}, longest {max(walls):.2f}; of processor, median {np.median(cpus):.2f}, longest {max(cpus):.2f}")


if __name__ == "__main__":
    main()
