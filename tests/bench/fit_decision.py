"""Collects what both listeners think of development utterances, and fits the weights of `readings/decision.toml` on it.

    python -m tests.bench.fit_decision --collect 300 --conditions clean,15,5,nospeech --jobs 8 --out features.jsonl
    python -m tests.bench.fit_decision --fit features.jsonl --write

Development voices only. First the weights of the listeners (conditional likelihood of what was said among the candidates), then the curve
that turns what is known of a statement into the probability that it is right (logistic, fitted and judged on different
utterances in turn), then the threshold from the risk.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import multiprocessing
import os
import time
from collections import Counter
from pathlib import Path

import numpy as np
from tqdm import tqdm

from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.intake.listening import Gathered, gather
from tests.bench.scene import NO_SPEECH, sound
from tests.bench.hearing_records import Clip, silent_clips, spoken_clips

SEED = 300                # of the utterances; not those that the benchmark scores
_engines: list = []


def collect(count: int, conditions: list[str], jobs: int, out: Path, minutes: float, seed: int, limit_min: float | None) -> None:
    aloud = [c for c in conditions if c != NO_SPEECH]
    clips: list[Clip] = list(spoken_clips("development", seed, count, aloud)) if aloud else []
    if NO_SPEECH in conditions:
        silent = list(silent_clips("development", seed, minutes))
        step = max(1, len(clips) // max(1, len(silent)))
        clips = [c for i, s in enumerate(silent) for c in (*clips[i * step:(i + 1) * step], s)] + clips[len(silent) * step:]
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    until = time.time() + limit_min * 60 if limit_min else float("inf")
    with multiprocessing.get_context("spawn").Pool(jobs, _load) as pool, out.open("a", encoding="utf-8") as file:
        for record in tqdm(pool.imap(_collect, clips), total=len(clips), unit="clip"):
            file.write(json.dumps(record) + "\n")
            file.flush()
            if time.time() > until:
                pool.terminate()
                break


def _load() -> None:
    from hoodnote.capture.speech.engines import best_two
    from hoodnote.capture.speech.neural import NeuralRecognizer
    from hoodnote.capture.speech.neural_model import SpeechModel

    _engines[:] = best_two()
    for engine in _engines:
        if isinstance(engine, NeuralRecognizer):
            engine.__dict__["_model"] = SpeechModel(threads=1)
        _watch(engine)
    gather(_engines, sound("flite:kal16", "low side thirty", "clean", 0, "development"))


def _watch(engine) -> None:
    """Keep the cues of the best hypothesis."""
    examine = engine.examine

    def watched(*args, **named):
        found = examine(*args, **named)
        engine.cues = dataclasses.asdict(found[0][1]) if found else None
        return found
    engine.examine, engine.cues = watched, None


def _collect(clip: Clip) -> dict:
    samples = clip.samples if clip.samples is not None else sound(clip.voice, clip.spoken, clip.condition, clip.seed + clip.index, clip.split)
    for engine in _engines:
        engine.cues = None
    begun, wall = time.process_time(), time.time()
    gathered = gather(_engines, samples)
    return {"voice": clip.voice, "condition": clip.condition, "parts": clip.parts, "microphone": clip.microphone, "said": clip.said,
            "seconds": len(samples) / SAMPLE_RATE, "cpu_s": time.process_time() - begun, "wall_s": time.time() - wall,
            "cues": {e.name: e.cues for e in _engines}, **to_json(gathered)}


def to_json(gathered: Gathered) -> dict:
    return {"heard": [[name, [[[[w.word, round(w.start_s, 3), round(w.end_s, 3), round(w.confidence, 4)] for w in h.words], h.score, h.confidence] for h in found]]
                      for name, found in gathered.heard],
            "rescored": list(gathered.rescored), "candidates": [" ".join(c) for c in gathered.candidates],
            "scores": [[round(float(s), 3) if np.isfinite(s) else -1e9 for s in row] for row in gathered.scores]}


def from_json(data: dict) -> Gathered:
    heard = tuple((name, tuple(Hypothesis(tuple(HeardWord(*w) for w in words), score, confidence) for words, score, confidence in found))
                  for name, found in data["heard"])
    return Gathered(heard, tuple(data["rescored"]), tuple(tuple(c.split()) for c in data["candidates"]), tuple(tuple(row) for row in data["scores"]))


def read(path: Path) -> list[dict]:
    records = []
    for line in path.read_text("utf-8").splitlines():
        try:
            records.append(json.loads(line))
        except json.JSONDecodeError:      # cut off while it was written
            continue
    return records


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--collect", type=int, metavar="N", help="utterances, each in every condition")
    arguments.add_argument("--conditions", default="clean,15,5,nospeech")
    arguments.add_argument("--silence", type=float, default=10.0, metavar="MINUTES", help="how much of nospeech")
    arguments.add_argument("--jobs", type=int, default=1)
    arguments.add_argument("--minutes", type=float, help="stop after so long")
    arguments.add_argument("--seed", type=int, default=SEED)
    arguments.add_argument("--out", type=Path)
    options = arguments.parse_args()
    if options.collect:
        collect(options.collect, options.conditions.split(","), options.jobs, options.out, options.silence, options.seed, options.minutes)


if __name__ == "__main__":
    main()
