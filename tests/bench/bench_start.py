"""How long the first answer takes after `hoodnote listen` is started: python -m tests.bench.bench_start --times 5

The clip is there from the first moment, as if somebody had spoken at once: a fresh hearing process loads what it needs, hears it and
records it. The first start in a data folder also works out the language and keeps it there; it is told apart. What the session itself needs (half a second of imports, the microphone) is loaded beside it and not counted. Files may be
in the system's cache.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np

from hoodnote.cli.listening import _engines
from hoodnote.intake.hearing import Hearing, Ready, Result, Setup
from hoodnote.intake.live import wav
from hoodnote.jobs.store import Store
from tests.bench.voices import DEVELOPMENT, say


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--times", type=int, default=5)
    options = arguments.parse_args()
    ready, wall, cpu, heard = [], [], [], ""
    clip = wav(say(DEVELOPMENT[0], "low side thirty"))
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "data") as store:
        job = store.create_job("WO-START")
        for _ in range(options.times + 1):
            capture = store.add_capture(job, "clip", sha256=store.keep_bytes(clip, ".wav").sha256)
            before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
            hearing = Hearing(Setup(Path(folder) / "data", partial(_engines, None, Path(folder))), job)
            hearing.begin(capture)
            while len(wall) < len(cpu) + 1:
                for message in hearing.poll(1.0):
                    if isinstance(message, Ready):
                        ready.append(time.perf_counter() - begun)
                    if isinstance(message, Result):
                        wall.append(time.perf_counter() - begun)
                        heard = message.problem or " / ".join(account.text for account in message.taken.accounts)
            hearing.close()
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            cpu.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    print(f"{heard}: listeners ready after {np.median(ready[1:]):.2f} s, first answer after {np.median(wall[1:]):.2f} s (medians), "
          f"longest {max(wall[1:]):.2f} s; in a new folder {ready[0]:.2f} s and {wall[0]:.2f} s; "
          f"processor time median {np.median(cpu[1:]):.2f} s, in a new folder {cpu[0]:.2f} s, load of the machine {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
