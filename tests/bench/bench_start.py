"""How long the first answer takes after the program is started: python -m tests.bench.bench_start --times 5

A fresh process loads both engines and the language and hears one short utterance. Files may be in the system's cache.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.voices import DEVELOPMENT, say

_FRESH = """
import sys, soundfile
from hoodnote.capture.speech.engines import best_three
samples = soundfile.read(sys.argv[1], dtype="float32")[0]
print([e.recognize(samples)[0].text for e in best_three()])
"""


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--times", type=int, default=5)
    options = arguments.parse_args()
    wall, cpu = [], []
    with tempfile.TemporaryDirectory() as folder:
        clip = Path(folder) / "clip.flac"
        soundfile.write(clip, say(DEVELOPMENT[0], "low side thirty"), 16_000)
        for _ in range(options.times):
            before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
            heard = subprocess.run([sys.executable, "-c", _FRESH, str(clip)], check=True, capture_output=True, text=True).stdout.strip()
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            wall.append(time.perf_counter() - begun)
            cpu.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    print(f"{heard}: median {np.median(wall):.2f} s, longest {max(wall):.2f} s; processor time median {np.median(cpu):.2f} s; "
          f"most memory {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024} MB")


if __name__ == "__main__":
    main()
