"""How well the label reader does on invented labels photographed by a simulated phone.

    python -m tests.bench.bench_label --split heldout --count 40 --severity moderate

`exact`: the field's best single reading is the printed one, tolerance included. `agreed`: it stands without a
question. `silent wrong`: it stands without a question and is printed nowhere on the label; the count that must be nil.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from hoodnote.capture.vision.interpret import FIELDS, FIELD_NAMES
from hoodnote.capture.vision.label import read_label, stated
from hoodnote.capture.vision.reading import PhotoReading
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader, available_readers
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Fact, Measured
from tests.bench.camera import SEVERITIES, photograph
from tests.bench.label_render import SPLITS, Truth, random_label


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


def by_name(reading: PhotoReading) -> dict:
    return {f.statement.place if isinstance(f.statement, Measured) else f.statement.key: f for f in reading.fields}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=SPLITS, default="heldout")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    parser.add_argument("--single", action="store_true", help="the neural reader alone, as on a machine without Tesseract")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    readers = [NeuralReader()] if args.single else available_readers()
    readers[0].find_text(np.zeros((64, 64, 3), np.uint8))      # loading the networks is not counted
    tally = {f: {"exact": 0, "agreed": 0, "silent": 0, "asked": 0, "absent": 0} for f in FIELDS}
    seconds, cpu, problems = [], [], 0
    for seed in range(args.first, args.first + args.count):
        label, truth = random_label(SPLITS[args.split], seed)
        pixels = np.asarray(photograph(label, SEVERITIES[args.severity], SPLITS[args.split].first_seed + seed))
        began, cpu_began = time.perf_counter(), time.process_time()
        reading = read_label(Photo(pixels, pixels.shape[1], pixels.shape[0]), readers)
        seconds.append(time.perf_counter() - began)
        cpu.append(time.process_time() - cpu_began)
        problems += reading.problem is not None
        got = by_name(reading)
        for name, want in expected(truth).items():
            field, row = got.get(name), tally[name]
            if field is None:
                row["absent"] += 1
            else:
                right = field.statement == want
                row["exact"] += right
                agreed = field.standing is Standing.AGREED
                row["agreed"] += agreed
                row["asked"] += not agreed
                row["silent"] += agreed and not right and not printed_too(truth, field.statement)
            if args.verbose and (field is None or field.statement != want or field.question):
                print(f"{seed} {FIELD_NAMES[name]}: printed {stated(want)} | read {stated(field.statement) if field else None} | {field.question if field else ''}")
                for v in field.versions if field else ():
                    print(f"      {v.reader}: {v.text!r} {v.confidence}")
        if args.verbose and reading.problem:
            print(f"{seed} problem: {reading.problem}")
    n = args.count
    print(f"\n{args.split}, {args.severity}, {n} photos of {pixels.shape[1]} x {pixels.shape[0]}, readers: {', '.join(r.name for r in readers)}\n")
    print("| field | exact % | agreed % | asked % | not read % | silently wrong |\n|---|---|---|---|---|---|")
    for name, row in tally.items():
        print(f"| {FIELD_NAMES[name]} | " + " | ".join(f"{100 * row[k] / n:.1f}" for k in ("exact", "agreed", "asked", "absent")) + f" | {row['silent']} |")
    print(f"\nseconds per photo: median {np.median(seconds):.2f}, longest {max(seconds):.2f} (processor time of this process, median {np.median(cpu):.2f}); photos refused: {problems}")


if __name__ == "__main__":
    main()
