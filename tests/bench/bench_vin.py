"""How well the VIN reader does on invented plates, labels and papers photographed by a simulated phone.

    python -m tests.bench.bench_vin --split heldout --count 300 --severity moderate --jobs 2

`exact`: the likeliest VIN is the true one. `taken`: it stands without a question. `offered`: the true one is among those that the
question names. `silently wrong`: it stands without a question and is not the true one; the count that must be nil. `wiped out`: not
read, and the light or the dirt has left nothing of a character's worth of ink: the photo differs there from one of the same plate without
its VIN by less than a fifth of what the same photo without a reflection does. No reader could do more than ask for another photo.
`with one more photo`: where none was read, the same plate is photographed once more, from elsewhere, as the reader asks for it.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
from PIL import Image

from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.vin_read import read_vin
from hoodnote.readings.model import Standing
from tests.bench.camera import ANOTHER, SEVERITIES, Severity, photograph
from tests.bench.plate_render import SPLITS, random_plate
from tests.bench.wiped import lost


def wiped_out(seed: int, split: str, severity: str, size: tuple[int, int]) -> bool:
    """A character's worth is."""
    def photographed(how: Severity, blank: bool) -> np.ndarray:
        return np.asarray(photograph(random_plate(SPLITS[split], seed, blank)[0], how, SPLITS[split].first_seed + seed, size=size))

    return lost(photographed, SEVERITIES[severity]) > 1 / 17


def _taken(picture: Image.Image, split: str, severity: str, seed: int, size: tuple[int, int]) -> Photo:
    pixels = np.asarray(photograph(picture, SEVERITIES[severity], SPLITS[split].first_seed + seed, size=size))
    return Photo(pixels, pixels.shape[1], pixels.shape[0])


def one(seed: int, split: str, severity: str, size: tuple[int, int]) -> tuple[Counter, float, str]:
    picture, truth = random_plate(SPLITS[split], seed)
    photo = _taken(picture, split, severity, seed, size)
    began = time.perf_counter()
    reading = read_vin(photo)
    seconds = time.perf_counter() - began
    tally, told = Counter(photos=1), ""
    if reading.problem:
        tally["refused"] += 1
        told = f"{truth} REFUSED {reading.problem}"
    for field in reading.fields:
        exact, taken = field.statement.value == truth.vin, field.standing is Standing.AGREED
        offered = any(v.statement.value == truth.vin for v in field.versions)
        tally.update(exact=exact, taken=taken, asked=not taken, offered=not taken and offered, wrong=taken and not exact)
        if not taken or not exact:
            told = f"{truth} {'TAKEN' if taken else 'asked'} {field.question}\n      " + "\n      ".join(f"{v.reader}: {v.text!r} {v.confidence}" for v in field.versions)
    tally["in the end"] = tally["exact"]
    if not reading.fields:
        again = read_vin(_taken(picture, split, severity, seed + ANOTHER, size))
        tally["in the end"] = int(any(f.statement.value == truth.vin for f in again.fields))
        tally["wrong"] += sum(f.standing is Standing.AGREED and f.statement.value != truth.vin for f in again.fields)
    if not tally["exact"] and wiped_out(seed, split, severity, size):
        tally["wiped out"] += 1
        told += " (wiped out)"
    return tally, seconds, f"{seed} {told}" if told else ""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=SPLITS, default="heldout")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    parser.add_argument("--size", type=int, nargs=2, default=(1920, 1440), metavar=("WIDTH", "HEIGHT"))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    job = partial(one, split=args.split, severity=args.severity, size=tuple(args.size))
    total, seconds = Counter(), []
    with ProcessPoolExecutor(args.jobs) as pool:
        for tally, took, told in pool.map(job, range(args.first, args.first + args.count)):
            total += tally
            seconds.append(took)
            if args.verbose and told:
                print(told, flush=True)
    n = total["photos"]
    print(f"\n{args.split}, {args.severity}, {n} photos of {args.size[0]} x {args.size[1]}")
    legible = max(1, n - total["wiped out"])
    print(f"{total['wiped out']} of them wiped out; of the others {100 * total['exact'] / legible:.1f} % exact, {100 * total['taken'] / legible:.1f} % taken")
    print(f"with one more photo where none was read: {100 * total['in the end'] / n:.1f} % exact")
    print("| exact % | taken % | asked % | true one offered % | refused % | silently wrong |\n|---|---|---|---|---|---|")
    print("| " + " | ".join(f"{100 * total[k] / n:.1f}" for k in ("exact", "taken", "asked", "offered", "refused")) + f" | {total['wrong']} |")
    print(f"seconds a photo: median {np.median(seconds):.2f}, longest {max(seconds):.2f}")


if __name__ == "__main__":
    main()
