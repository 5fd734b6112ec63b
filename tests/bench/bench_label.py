"""How well the label reader does on invented labels photographed by a simulated phone.

    python -m tests.bench.bench_label --split heldout --count 300 --severity moderate --jobs 2

`exact`: the field's best single reading is the printed one, tolerance included; where the label states several (front and rear
systems, a conversion), it is a question that shows every one. `taken`: it stands without a question. `silently wrong`: it stands
without a question and is printed nowhere on the label, or the label states several; the count that must be nil. `not read` counts
the fields of refused photos too.
"""

from __future__ import annotations

import argparse
import os
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache, partial

import numpy as np

from hoodnote.capture.vision.interpret import FIELD_NAMES, FIELDS
from hoodnote.capture.vision.label import read_label, stated
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader, available_readers
from hoodnote.capture.vision.reading import PhotoField, PhotoReading
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Fact, Measured
from tests.bench.camera import DEFAULT_SIZE, SEVERITIES, photograph
from tests.bench.label_render import SPLITS, Truth, random_label
from tests.bench.label_variants import Drawn, random_variant
from tests.bench.label_wear import STRENGTH, worn

LABELS = ("plain", "variants", "mixed")


def expected(truth: Truth) -> dict[str, Measured | Fact]:
    return {
        "label_refrigerant": Fact("label_refrigerant", truth.refrigerant),
        "label_charge": Measured("label_charge", truth.charge, truth.charge_unit, tolerance=truth.tolerance),
        "label_oil_type": Fact("label_oil_type", truth.oil_type),
        "label_oil": Measured("label_oil", truth.oil, truth.oil_unit),
    }


def printed_too(truth: Truth, statement: Measured | Fact) -> bool:
    """The label's other unit: not the figure that was asked for, but no wrong one."""
    return isinstance(statement, Measured) and (statement.place, statement.value, statement.unit) in {
        ("label_charge", truth.second_charge, truth.second_unit), ("label_oil", truth.second_oil, "fl oz")}


def by_name(reading: PhotoReading) -> dict[str, PhotoField]:
    return {f.statement.place if isinstance(f.statement, Measured) else f.statement.key: f for f in reading.fields}


def drawn(split: str, seed: int, labels: str) -> Drawn:
    if labels == "variants" or (labels == "mixed" and seed % 3 == 2):
        return random_variant(SPLITS[split], seed)
    return Drawn(*random_label(SPLITS[split], seed))


def picture(split: str, seed: int, labels: str, severity: str, wear: bool, size: tuple[int, int] | None) -> tuple[Photo, Drawn]:
    """The photo of a seed; with `wear`, every other label shows its years."""
    label, first = drawn(split, seed, labels), SPLITS[split].first_seed
    image = worn(label.image, STRENGTH[severity], first + seed) if wear and seed % 2 else label.image
    pixels = np.asarray(photograph(image, SEVERITIES[severity], first + seed, size))
    return Photo(pixels, pixels.shape[1], pixels.shape[0]), label


@dataclass
class Score:
    tally: dict[str, Counter] = field(default_factory=dict)
    seconds: float = 0.0
    refused: bool = False
    lines: list[str] = field(default_factory=list)


@cache
def _readers(single: bool):
    readers = [NeuralReader()] if single else available_readers()
    readers[0].find_text(np.zeros((64, 64, 3), np.uint8))      # loading the networks is not counted
    return readers


def score(seed: int, split: str, labels: str, severity: str, wear: bool, size: tuple[int, int] | None, single: bool) -> Score:
    photo, label = picture(split, seed, labels, severity, wear, size)
    readers = _readers(single)
    began = time.perf_counter()
    reading = read_label(photo, readers)
    out = Score(seconds=time.perf_counter() - began, refused=reading.problem is not None)
    got = by_name(reading)
    wanted = [expected(t) for t in (label.truth, *label.also)]
    for name in FIELDS:
        want, found = list(dict.fromkeys(w[name] for w in wanted)), got.get(name)
        several = len(want) > 1 or label.converted
        row = out.tally[name] = Counter()
        taken = found is not None and found.standing is Standing.AGREED
        if found is None:
            row["not read"] += 1
        elif several:
            row["exact"] += not taken and set(want) <= {v.statement for v in found.versions}
            row["silently wrong"] += taken
        else:
            row["exact"] += found.statement == want[0]
            row["silently wrong"] += taken and found.statement != want[0] and not printed_too(label.truth, found.statement)
        row["taken"] += taken
        row["asked"] += found is not None and not taken
        if row["silently wrong"] or not row["exact"] or (found is not None and found.question and not several):
            out.lines.append(f"{seed} {FIELD_NAMES[name]}: printed {' and '.join(map(stated, want))} | read {stated(found.statement) if found else None}"
                             f"{' SILENTLY WRONG' if row['silently wrong'] else ''} | {found.question if found else reading.problem or ''}")
            out.lines += [f"      {v.reader}: {v.text!r} {v.confidence}" for v in (found.versions if found else ())]
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=SPLITS, default="heldout")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    parser.add_argument("--labels", choices=LABELS, default="mixed", help="mixed: one in three is a variant (language, systems, conversion)")
    parser.add_argument("--no-wear", action="store_true", help="new labels only; else every other one is worn")
    parser.add_argument("--size", default="x".join(map(str, DEFAULT_SIZE)), help="WIDTHxHEIGHT in px, or drawn: 640 to 4000 px wide by the seed")
    parser.add_argument("--single", action="store_true", help="the neural reader alone, as on a machine without Tesseract")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    size = None if args.size == "drawn" else tuple(int(v) for v in args.size.split("x"))
    one = partial(score, split=args.split, labels=args.labels, severity=args.severity, wear=not args.no_wear, size=size, single=args.single)
    seeds = range(args.first, args.first + args.count)
    scores = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for done in pool.map(one, seeds):
            scores.append(done)
            if args.verbose or any(c["silently wrong"] for c in done.tally.values()):
                print("\n".join(done.lines), flush=True)
    _report(args, scores)


def _report(args: argparse.Namespace, scores: list[Score]) -> None:
    n = len(scores)
    print(f"\n{args.split}, {args.severity}, {args.labels} labels{'' if args.no_wear else ', every other one worn'}, {n} photos of {args.size}, "
          f"readers: {', '.join(r.name for r in _readers(args.single))}\n")
    columns = ("exact", "taken", "asked", "not read")
    print("| field | " + " | ".join(f"{c} %" for c in columns) + " | silently wrong |\n" + "|---" * 6 + "|")
    total = Counter()
    for name in FIELDS:
        row = sum((s.tally[name] for s in scores), Counter())
        total += row
        print(f"| {FIELD_NAMES[name]} | " + " | ".join(f"{100 * row[c] / n:.1f}" for c in columns) + f" | {row['silently wrong']} |")
    print("| all | " + " | ".join(f"{100 * total[c] / (n * len(FIELDS)):.1f}" for c in columns) + f" | {total['silently wrong']} of {total['taken']} taken |")
    seconds = [s.seconds for s in scores]
    print(f"\nphotos refused: {sum(s.refused for s in scores)}; seconds per photo: median {np.median(seconds):.2f}, longest {max(seconds):.2f}; "
          f"{args.jobs} at a time, load of the machine {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
