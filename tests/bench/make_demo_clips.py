"""Renders the demo's recordings: `python -m tests.bench.make_demo_clips`. Voices are synthetic, noise is made, both seeded.

Needs flite, espeak-ng and the test extra. Reads sample_media/job.toml, writes sample_media/clips.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import soundfile

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from tests.bench.noise import add_noise, shop_noise
from tests.bench.voices import say

FOLDER = Path(__file__).parents[2] / "sample_media"
_EDGE_S = 0.35        # of quiet before and after the words, as a person leaves it


def main() -> None:
    script = tomllib.loads((FOLDER / "job.toml").read_text("utf-8"))
    (FOLDER / "clips").mkdir(exist_ok=True)
    for seed, entry in enumerate(e for e in script["capture"] if "clip" in e):
        speech = np.pad(say(entry["voice"], entry["said"]), int(_EDGE_S * SAMPLE_RATE))
        snr = 35.0 if entry["noise"] == "clean" else float(entry["noise"])
        samples = add_noise(speech, shop_noise(len(speech) / SAMPLE_RATE, seed), snr)
        samples *= 0.5 / np.abs(samples).max()
        with soundfile.SoundFile(FOLDER / entry["clip"], "w", SAMPLE_RATE, 1, "PCM_16") as file:
            file.title = "synthetic voice, made for the hoodnote demo"
            file.write(samples)


if __name__ == "__main__":
    main()
