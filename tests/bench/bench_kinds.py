"""Does the reader tell what a photo shows, and does it take nothing from photos of other things?

    python -m tests.bench.bench_kinds --split heldout --count 40 --first 40 --severity moderate --jobs 2
    python -m tests.bench.bench_kinds --others 200 --jobs 2

The first counts, for each kind, what a photo is read as. The second draws other things (engine bays, tyres, clocks, pages, keyboards,
number plates, part stickers, shop barcodes, price tags) and counts what is taken from them without a question: it must be nil.
"""

from __future__ import annotations

import argparse
import math
import random
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
from PIL import Image, ImageDraw

from hoodnote.capture.vision.kinds import read_photo
from hoodnote.capture.vision.label import stated
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind
from hoodnote.readings.model import Standing
from tests.bench import dial_render, display_render, label_render, plate_render
from tests.bench.camera import SEVERITIES, photograph
from tests.bench.label_render import font

SPLIT_NAMES = ("development", "heldout")
_SANS, _MONO = "DejaVuSans.ttf", "LiberationMono-Regular.ttf"
_WORDS = ("bolt", "torque", "remove", "the", "cover", "and", "hose", "clamp", "before", "cooling", "fan", "see", "page", "belt", "tension",
          "install", "new", "gasket", "check", "level", "with", "engine", "warm", "or", "cold", "to", "mark")


def picture_of(kind: Kind, split: str, seed: int) -> Image.Image:
    match kind:
        case Kind.LABEL:
            return label_render.random_label(label_render.SPLITS[split], seed)[0]
        case Kind.DIAL:
            return dial_render.random_scene(split, seed, manifold=seed % 3 == 0)[0]
        case Kind.DISPLAY:
            return display_render.random_display(display_render.SPLITS[split], seed)[0]
        case Kind.VIN:
            return plate_render.random_plate(plate_render.SPLITS[split], seed)[0]
    raise ValueError(kind)


def page(rng: random.Random) -> Image.Image:
    image, y = Image.new("RGB", (900, 1200), (250, 249, 245)), 50
    draw = ImageDraw.Draw(image)
    while y < 1130:
        draw.text((60, y), " ".join(rng.choice(_WORDS) for _ in range(8)) + rng.choice(("", " 24 Nm", " 12 mm", f" {rng.randint(1, 99)}")),
                  fill=(20, 20, 20), font=font(_SANS, 26))
        y += 44
    return image


def sticker(rng: random.Random) -> Image.Image:
    """A part's sticker: its number, lot, date and a shop's barcode."""
    image = Image.new("RGB", (900, 520), (238, 238, 232))
    draw = ImageDraw.Draw(image)
    number = "".join(rng.choice("0123456789ABCDEFGH") for _ in range(rng.choice((8, 11, 13, 16, 17, 18))))
    for y, text in ((40, f"PART NO {number}"), (120, f"LOT {rng.randint(1000, 9999)}-{rng.randint(10, 99)}"), (200, f"{rng.randint(1, 28)}.11.2019  QTY {rng.randint(1, 20)}")):
        draw.text((40, y), text, fill=(10, 10, 10), font=font(_MONO, 48))
    symbol = plate_render.barcode(number, "Code39") if rng.random() < 0.5 else plate_render.barcode(f"{number} LOT 7", "QRCode")
    image.paste(symbol.resize((min(600, symbol.width), 200)), (40, 290))
    return image


def tyre(rng: random.Random) -> Image.Image:
    image = Image.new("RGB", (900, 900), (90, 90, 92))
    draw, spokes = ImageDraw.Draw(image), rng.randint(5, 12)
    for radius, shade in ((430, 24), (290, 150), (270, 70), (60, 170)):
        draw.ellipse((450 - radius, 450 - radius, 450 + radius, 450 + radius), fill=(shade,) * 3)
    for i in range(spokes):
        a = 2 * math.pi * i / spokes + rng.random() * 0.02
        draw.line((450, 450, 450 + 275 * math.cos(a), 450 + 275 * math.sin(a)), fill=(165, 165, 168), width=34)
    return image


def clock(rng: random.Random) -> Image.Image:
    image = Image.new("RGB", (900, 900), (60, 64, 70))
    draw = ImageDraw.Draw(image)
    draw.ellipse((20, 20, 880, 880), fill=(244, 244, 240), outline=(20, 20, 20), width=16)
    for i in range(60):
        a = 2 * math.pi * i / 60
        inner = 370 if i % 5 == 0 else 395
        draw.line((450 + inner * math.sin(a), 450 - inner * math.cos(a), 450 + 415 * math.sin(a), 450 - 415 * math.cos(a)), fill=(20, 20, 20), width=8 if i % 5 == 0 else 3)
    for hour in range(1, 13):
        a = 2 * math.pi * hour / 12
        draw.text((450 + 320 * math.sin(a), 450 - 320 * math.cos(a)), str(hour), fill=(20, 20, 20), font=font(_SANS, 64), anchor="mm")
    for length, width in ((220, 16), (320, 9)):
        a = rng.random() * 2 * math.pi
        draw.line((450, 450, 450 + length * math.sin(a), 450 - length * math.cos(a)), fill=(10, 10, 10), width=width)
    return image


def keyboard(rng: random.Random) -> Image.Image:
    image = Image.new("RGB", (1200, 500), (50, 50, 54))
    draw = ImageDraw.Draw(image)
    for row, keys in enumerate(("1234567890", "QWERTYUIOP", "ASDFGHJKL", "ZXCVBNM")):
        for i, key in enumerate(keys):
            x, y = 40 + 110 * i + 30 * row, 30 + 112 * row
            draw.rounded_rectangle((x, y, x + 96, y + 96), 10, fill=(30, 30, 33) if rng.random() < 0.9 else (70, 30, 30))
            draw.text((x + 18, y + 10), key, fill=(230, 230, 230), font=font(_SANS, 40))
    return image


def number_plate(rng: random.Random) -> Image.Image:
    image = Image.new("RGB", (1000, 260), (240, 236, 210))
    text = "".join(rng.choice("ABCDEFGHKLMNPRSTVWXY") for _ in range(3)) + " " + str(rng.randint(1000, 9999))
    ImageDraw.Draw(image).text((500, 130), text, fill=(20, 20, 60), font=font("DejaVuSansCondensed-Bold.ttf", 170), anchor="mm")
    return image


def price_tag(rng: random.Random) -> Image.Image:
    image = Image.new("RGB", (900, 460), (252, 244, 200))
    draw = ImageDraw.Draw(image)
    draw.text((40, 40), rng.choice(("COFFEE", "RICE", "PAINT", "WASHERS")) + f" {rng.choice((250, 500, 750))} g", fill=(20, 20, 20), font=font(_SANS, 64))
    draw.text((40, 180), f"{rng.randint(1, 40)}.{rng.randint(10, 99)}", fill=(180, 20, 20), font=font("DejaVuSans-Bold.ttf", 150))
    return image


def bay(rng: random.Random) -> Image.Image:
    return Image.new("RGB", (900, 600), tuple(rng.randint(30, 120) for _ in range(3)))


OTHERS = (page, sticker, tyre, clock, keyboard, number_plate, price_tag, bay)


def drawing_of_other(seed: int) -> Callable[[random.Random], Image.Image]:
    return OTHERS[seed % len(OTHERS)]


def _shot(picture: Image.Image, severity: str, seed: int) -> Photo:
    pixels = np.asarray(photograph(picture.convert("RGB"), SEVERITIES[severity], seed, size=(1920, 1440)))
    return Photo(pixels, pixels.shape[1], pixels.shape[0])


def told(job: tuple[Kind, int], split: str, severity: str) -> tuple[Kind, Kind, float, float, int]:
    kind, seed = job
    photo = _shot(picture_of(kind, split, seed), severity, 900_000 + seed)
    began = time.perf_counter()
    reading = read_photo(photo)
    return kind, reading.kind, reading.kind_confidence, time.perf_counter() - began, seed


def read_of_other(seed: int, severity: str) -> tuple[str, Kind, list[str]]:
    """What is drawn, what it is told as, and what is read of it: nothing, where all is well."""
    draw = drawing_of_other(seed)
    reading = read_photo(_shot(draw(random.Random(seed)), severity, 700_000 + seed))
    return draw.__name__, reading.kind, [f"{stated(f.statement)} ({f.standing.value}{': ' + f.question if f.question else ''})" for f in reading.fields]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=SPLIT_NAMES, default="heldout")
    parser.add_argument("--count", type=int, default=20, help="photos of each kind")
    parser.add_argument("--others", type=int, default=0, help="photos of other things instead")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    with ProcessPoolExecutor(args.jobs) as pool:
        if args.others:
            total, taken, asked = Counter(), 0, 0
            seeds = range(args.first, args.first + args.others)
            for seed, (name, kind, read) in zip(seeds, pool.map(partial(read_of_other, severity=args.severity), seeds), strict=True):
                total[name, kind.value] += 1
                is_taken = any(f"({Standing.UNCONFIRMED.value}" not in figure for figure in read)
                taken += is_taken
                asked += bool(read) and not is_taken
                if read:
                    print(f"{'TAKEN' if is_taken else 'asked'} from {name} {seed} as {kind.value}: {read}", flush=True)
            print(f"{args.others} photos of other things, {args.severity}: {taken} with something taken, {asked} with something asked")
            print("\n".join(f"  {name}: {count} as {kind}" for (name, kind), count in sorted(total.items())))
            return
        jobs = [(kind, seed) for kind in (Kind.LABEL, Kind.DIAL, Kind.DISPLAY, Kind.VIN) for seed in range(args.first, args.first + args.count)]
        matrix, seconds = Counter(), []
        for kind, said, confidence, took, seed in pool.map(partial(told, split=args.split, severity=args.severity), jobs):
            matrix[kind, said] += 1
            seconds.append(took)
            if kind is not said:
                print(f"{kind.value} {seed} told as {said.value} {confidence:.2f}", flush=True)
    print(f"\n{args.split}, {args.severity}, {args.count} photos a kind\n| shown | " + " | ".join(k.value for k in Kind) + " |\n|---|" + "---|" * len(Kind))
    for kind in (Kind.LABEL, Kind.DIAL, Kind.DISPLAY, Kind.VIN):
        print(f"| {kind.value} | " + " | ".join(str(matrix[kind, said]) for said in Kind) + " |")
    print(f"seconds a photo: median {np.median(seconds):.2f}, longest {max(seconds):.2f}")


if __name__ == "__main__":
    main()
