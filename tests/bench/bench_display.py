"""How well displays are read on invented instruments photographed by a simulated phone.

    python -m tests.bench.bench_display --split heldout --count 300 --severity moderate --jobs 2

`exact`: the figure's best single reading is what the display shows, in its unit. `taken`: it stands without a question, its place
being given. `silently wrong`: taken, and another figure, unit or place than shown; the count that must be nil. `wiped out`: not read
exactly, and by glare or dirt about a segment of its digits, or a third of a unit, is gone from the photo. `with one more photo`: where
none was read, the same display is photographed once more, from elsewhere, as the reader asks for it.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from hoodnote.capture.vision.display import read_display
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import PhotoReading
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Measured
from tests.bench.camera import ANOTHER, SEVERITIES, Severity, photograph
from tests.bench.display_render import GIVEN, SPLITS, Figure, Truth, blanked, random_display
from tests.bench.display_varied import FIRST_SEED, varied_display
from tests.bench.wiped import lost

VARIED = "varied"            # styles drawn anew for each photo, to tune on


@dataclass(frozen=True)
class Score:
    seed: int
    figures: int
    exact: int
    taken: int
    asked: int
    silent: int
    problem: str | None
    seconds: float
    told: str
    wiped: bool = False
    in_the_end: int = 0          # exact, counting one more photo


def place_of(truth: Truth) -> str | None:
    """What a person would name, where the display cannot tell."""
    first = truth.figures[0]
    return None if first.place else GIVEN[first.unit]


def right(figure: Figure, statement: Measured, place: str | None) -> bool:
    return statement.value == figure.value and statement.unit == figure.unit and statement.place == (figure.place or place)


def photo_of(split: str, severity: Severity, seed: int, size: tuple[int, int], shown: Callable[[Truth], Truth] = lambda truth: truth,
             camera: int = 0) -> tuple[Photo, Truth]:
    """`camera`: which of its photos, as a seed."""
    first = FIRST_SEED if split == VARIED else SPLITS[split].first_seed
    face, truth = varied_display(seed, shown) if split == VARIED else random_display(SPLITS[split], seed, shown)
    pixels = np.asarray(photograph(face, severity, first + seed + camera, size))
    return Photo(pixels, pixels.shape[1], pixels.shape[0]), truth


def wiped_out(split: str, severity: Severity, seed: int, size: tuple[int, int]) -> bool:
    """About a segment of its digits is, or a third of a unit."""
    @cache
    def whole(how: Severity) -> tuple[Photo, Truth]:
        return photo_of(split, how, seed, size)

    def gone(**kept: bool) -> float:
        def photographed(how: Severity, blank: bool) -> np.ndarray:
            return (photo_of(split, how, seed, size, partial(blanked, **kept)) if blank else whole(how))[0].pixels
        return lost(photographed, severity)

    signs = sum(c.isdigit() or c == "-" for f in whole(severity)[1].figures for c in f.text)
    return gone(units=False) > 1 / (5 * signs) or gone(digits=False) > 1 / 3


def score(split: str, severity: str, size: tuple[int, int], seed: int) -> Score:
    photo, truth = photo_of(split, SEVERITIES[severity], seed, size)
    place = place_of(truth)
    began = time.perf_counter()
    reading = read_display(photo, place)
    seconds = time.perf_counter() - began
    judgement = judged(seed, truth, place, reading, seconds)
    exact, silent = judgement.exact, judgement.silent
    if not reading.fields:
        again = judged(seed, truth, place, read_display(photo_of(split, SEVERITIES[severity], seed, size, camera=ANOTHER)[0], place), 0.0)
        exact, silent = again.exact, again.silent
    wiped = judgement.exact < judgement.figures and wiped_out(split, SEVERITIES[severity], seed, size)
    return replace(judgement, wiped=wiped, in_the_end=exact, silent=silent)


def judged(seed: int, truth: Truth, place: str | None, reading: PhotoReading, seconds: float) -> Score:
    exact = taken = asked = silent = 0
    for field in reading.fields:
        good = any(right(f, field.statement, place) for f in truth.figures)
        exact += good
        agreed = field.standing is Standing.AGREED
        taken += agreed
        asked += not agreed
        silent += agreed and not good
    told = " | ".join(f"{f.text} {f.unit}" for f in truth.figures) + "  ->  " + " | ".join(
        f"{f.statement.value} {f.statement.unit} {f.standing.value} {f.question or ''} {[(v.text, v.confidence) for v in f.versions]}" for f in reading.fields)
    return Score(seed, len(truth.figures), exact, taken, asked, silent, reading.problem, seconds, told)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=(*SPLITS, VARIED), default="heldout")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    parser.add_argument("--width", type=int, default=1920, help="of the photo, pixels; three quarters as high")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    one = partial(score, args.split, args.severity, (args.width, args.width * 3 // 4))
    seeds = range(args.first, args.first + args.count)
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            scores = list(pool.map(one, seeds))
    else:
        scores = [one(seed) for seed in seeds]
    for s in scores if args.verbose else ():
        if s.exact < s.figures or s.asked or s.silent:
            print(f"{s.seed} {'WRONG ' if s.silent else ''}{s.told}  {s.problem or ''}{' (wiped out)' if s.wiped else ''}")
    total, taken = sum(s.figures for s in scores), sum(s.taken for s in scores)
    exact, asked, silent = (sum(getattr(s, k) for s in scores) for k in ("exact", "asked", "silent"))
    print(f"{args.split}, {args.severity}, {args.count} photos of {args.width} px, {total} figures: exact {100 * exact / total:.1f} %, "
          f"taken {100 * taken / total:.1f} %, asked {100 * asked / total:.1f} %, photos refused {sum(s.problem is not None for s in scores)}, "
          f"silently wrong {silent} of {taken}")
    legible = [s for s in scores if not s.wiped]
    figures = max(1, sum(s.figures for s in legible))
    print(f"{len(scores) - len(legible)} photos wiped out; of the others' {figures} figures {100 * sum(s.exact for s in legible) / figures:.1f} % exact, "
          f"{100 * sum(s.taken for s in legible) / figures:.1f} % taken")
    print(f"with one more photo where none was read: {100 * sum(s.in_the_end for s in scores) / total:.1f} % exact")
    times = sorted(s.seconds for s in scores)
    memory = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
    print(f"seconds a photo: median {times[len(times) // 2]:.2f}, longest {times[-1]:.2f}; memory at most {memory:.0f} MB")


if __name__ == "__main__":
    main()
