"""Which tokens are common in what the speech model hears and expects while it is held to the language: `common_tokens.npz`.

On development voices only: utterances of the bay, clean and in noise, and sounds that are no utterance, talk among them.

    python -m tests.bench.count_tokens --write
"""

from __future__ import annotations

import argparse
import hashlib
import io
from pathlib import Path

import numpy as np
from tqdm import tqdm

import hoodnote.capture.speech
from hoodnote.capture.speech.encoded import EncodedClips
from hoodnote.capture.speech.neural import NeuralRecognizer
from hoodnote.capture.speech.neural_model import Memory, SpeechModel
from hoodnote.capture.speech.tokens import pieces
from hoodnote.language.surface import load_surface
from tests.bench.hearing_records import clips_of, samples_of

SEED, COUNT, CONDITIONS, SILENCE_MIN = 40, 150, ["clean", "15", "nospeech"], 12.0
MOST = 5400           # beside those of the language


class Counting(SpeechModel):
    """Adds up what it expects to write."""

    def __init__(self) -> None:
        super().__init__()
        self.mass, self.steps = np.zeros(len(self.vocabulary)), 0

    def step(self, tokens: list[int], memory: Memory) -> tuple[np.ndarray, Memory]:
        logs, memory = super().step(tokens, memory)
        self.mass += np.exp(logs, dtype=np.float64).sum(axis=0)
        self.steps += len(logs)
        return logs, memory


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--write", action="store_true", help="put them where the program finds them")
    wanted = arguments.parse_args()
    clips = EncodedClips()
    clips.__dict__["model"] = model = Counting()
    listener = NeuralRecognizer(clips=clips)
    listener.__dict__["_writer"] = model
    heard = clips_of("development", SEED, COUNT, CONDITIONS, SILENCE_MIN)
    for clip in tqdm(heard, "hearing", unit="clip"):
        listener.recognize(samples_of(clip))
    mass = model.mass / model.steps
    written = pieces(load_surface().char_automaton, model.texts)
    others = np.array(sorted(set(range(len(mass))) - written, key=lambda token: -mass[token]))
    print(f"{len(written)} tokens of the language, {mass[sorted(written)].sum():.3f} of the probability")
    for count in (MOST // 4, MOST // 2, MOST, 2 * MOST, 3 * MOST):
        print(f"and {count} others: {mass[others[count:]].sum():.4f} is left out")
    if wanted.write:
        file = io.BytesIO()
        np.savez_compressed(file, tokens=np.sort(others[:MOST]).astype(np.uint16))
        Path(hoodnote.capture.speech.__path__[0], "common_tokens.npz").write_bytes(file.getvalue())
        print(f"{len(file.getvalue())} bytes, SHA-256 {hashlib.sha256(file.getvalue()).hexdigest()}")


if __name__ == "__main__":
    main()
