"""How long one photo takes from its file to figures, and how much memory.

    python -m tests.bench.bench_photo --count 12

Photos of 12 megapixels at the second severity, development styles, of each kind and of other things, saved as a phone does; one
process reads them one after the other, the first one of each kind unmeasured. Times count only on an otherwise idle machine.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import resource
import statistics
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from PIL import Image

from hoodnote.capture.vision.reading import Kind
from hoodnote.intake.see import read_kept
from tests.bench.bench_dial import photo_of
from tests.bench.bench_kinds import drawing_of_other, picture_of
from tests.bench.camera import SEVERITIES, photograph

FIRST = 90                          # seed
OTHERS = "other things"


def draw(kind: str, seed: int, severity: str, size: tuple[int, int], path: Path) -> None:
    if kind == Kind.DIAL:
        photo = Image.fromarray(photo_of("development", seed, severity, size)[0].pixels)
    else:
        picture = drawing_of_other(seed)(random.Random(seed)) if kind == OTHERS else picture_of(Kind(kind), "development", seed)
        photo = photograph(picture.convert("RGB"), SEVERITIES[severity], seed, size)
    photo.save(path, quality=90)


def timed(path: Path) -> tuple[float, float, int]:
    """Seconds by the clock and of the processor, and figures read."""
    clock, worked = time.perf_counter(), time.process_time()
    seen = read_kept(path, None, None, "us")
    return time.perf_counter() - clock, time.process_time() - worked, len(seen.reading.fields)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=12, help="photos of each kind")
    parser.add_argument("--width", type=int, default=4000, help="px; three quarters of it high")
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    args = parser.parse_args()
    size = args.width, args.width * 3 // 4
    # drawn in a process of its own, whose memory is not the reader's
    with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as artist:
        for kind in (Kind.LABEL, Kind.DIAL, Kind.DISPLAY, Kind.VIN, OTHERS):
            took = []
            for seed in range(FIRST, FIRST + args.count + 1):
                path = Path(folder) / f"{seed}.jpg"
                artist.submit(draw, kind, seed, args.severity, size, path).result()
                took.append(timed(path))
            clock, worked, figures = zip(*took[1:], strict=True)
            print(f"{kind:<13} median {statistics.median(clock):.2f} s, slowest {', '.join(f'{t:.2f}' for t in sorted(clock)[-3:])}; "
                  f"processor {statistics.median(worked):.2f} s; {sum(map(bool, figures))} of {args.count} with figures", flush=True)
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
