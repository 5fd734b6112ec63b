"""Decoding at scale: what both engines heard of every clip, kept so that decisions can be made again without hearing again.

A record is one JSON object a line: `said` (None where nobody speaks to the program), `voice`, `condition`, `parts`,
`microphone`, `seconds`, and for each engine `cpu_s` and its `hypotheses`: words with times and confidence, score,
confidence, and the `cues` behind it where the engine tells them.
"""

from __future__ import annotations

import dataclasses
import json
import multiprocessing
import os
import resource
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tqdm import tqdm

from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from tests.bench.scene import NO_SPEECH, sound, surroundings_of, without_speech
from tests.bench.utterances import utterances
from tests.bench.voices import SPLITS, say

KEPT = 10                  # hypotheses kept of each engine
_engines: list = []
_deadline = float("inf")


@dataclass(frozen=True)
class Clip:
    """Something to hear. `samples` is given for clips without an utterance only."""

    split: str
    seed: int
    index: int
    condition: str
    voice: str
    parts: str
    microphone: str
    said: str | None
    spoken: str | None
    samples: np.ndarray | None = None


def spoken_clips(split: str, seed: int, count: int, conditions: list[str]) -> Iterator[Clip]:
    """Every utterance in every condition, by the same voice; the beginning of the list is as balanced as the whole."""
    voices = SPLITS[split]
    for i, made in enumerate(utterances(count, seed)):
        for condition in conditions:
            parts, microphone = ((), "") if condition == "clean" else surroundings_of(seed + i)
            yield Clip(split, seed, i, condition, voices[i % len(voices)], "+".join(parts), microphone, made.text, made.spoken)


def silent_clips(split: str, seed: int, minutes: float) -> Iterator[Clip]:
    for i, (kind, samples) in enumerate(without_speech(minutes, seed, split)):
        yield Clip(split, seed, i, NO_SPEECH, "nobody", kind, "", None, None, samples)


def decode(clips: list[Clip], out: Path | None, jobs: int, minutes: float | None = None, model: Path | None = None) -> list[dict]:
    """Records of the clips in the order of completion, appended to `out` as they come. One thread a process.

    minutes: after so long nothing more is begun.
    """
    context = multiprocessing.get_context("spawn")
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    # voices in processes of their own: synthesizers must not count in the listeners' memory
    with context.Pool(jobs) as pool:
        wanted = list(dict.fromkeys((c.voice, c.spoken) for c in clips if c.spoken is not None))
        list(tqdm(pool.imap_unordered(_say, wanted, chunksize=8), "synthesis", len(wanted), unit="utterance"))
    records: list[dict] = []
    until = time.time() + minutes * 60 if minutes else float("inf")
    with context.Pool(jobs, _load, (model, until)) as pool, open(out or os.devnull, "a", encoding="utf-8") as file:
        for record in tqdm(pool.imap_unordered(_hear, clips), "hearing", len(clips), unit="clip"):
            if record is not None:
                records.append(record)
                file.write(json.dumps(record) + "\n")
                file.flush()
    return records


def read(path: Path) -> list[dict]:
    """Records that `decode` wrote; one cut off in the middle of a line is left out."""
    records = []
    for line in path.read_text("utf-8").splitlines():
        try:
            records.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return records


def hypotheses(record: dict, engine: str) -> list[Hypothesis]:
    return [Hypothesis(tuple(HeardWord(*w) for w in h["words"]), h["score"], h["confidence"]) for h in record["engines"][engine]["hypotheses"]]


def _say(wanted: tuple[str, str]) -> None:
    say(*wanted)


def _load(model: Path | None, until: float) -> None:
    global _deadline
    from hoodnote.capture.speech.engines import best_two
    from hoodnote.capture.speech.neural import NeuralRecognizer
    from hoodnote.capture.speech.neural_model import SpeechModel

    _deadline = until
    _engines[:] = best_two(model)
    warm = np.random.default_rng(0).normal(size=SAMPLE_RATE).astype(np.float32) * np.sin(np.arange(SAMPLE_RATE) / 2000).astype(np.float32) * 0.1
    for engine in _engines:
        if isinstance(engine, NeuralRecognizer):
            engine.__dict__["_model"] = SpeechModel(threads=1)
        engine.recognize(warm)   # loading is not hearing


def _hear(clip: Clip) -> dict | None:
    if time.time() > _deadline:
        return None
    samples = clip.samples if clip.samples is not None else sound(clip.voice, clip.spoken, clip.condition, clip.seed + clip.index, clip.split)
    record = {f.name: getattr(clip, f.name) for f in dataclasses.fields(clip) if f.name != "samples"}
    return record | {"seconds": len(samples) / SAMPLE_RATE, "engines": {e.name: heard_by(e, samples) for e in _engines},
                     "memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024}


def heard_by(engine, samples: np.ndarray) -> dict:
    """`cpu_s`, and the hypotheses with the cues that the engine's `examine`, called on the way, gave for them."""
    cues: dict[str, dict] = {}
    examine = getattr(engine, "examine", None)
    if examine is not None:
        def watched(*args, **named):
            found = examine(*args, **named)
            cues.update((h.text, dataclasses.asdict(c)) for h, c in found)
            return found
        engine.examine = watched
    begun = time.process_time()   # what it costs, however busy the machine is
    try:
        found = engine.recognize(samples, KEPT)
        spent = time.process_time() - begun
    finally:
        if examine is not None:
            del engine.examine
    return {"cpu_s": spent, "hypotheses": [
        {"words": [[w.word, round(w.start_s, 3), round(w.end_s, 3), round(w.confidence, 4)] for w in h.words], "text": h.text,
         "score": h.score, "confidence": h.confidence, "cues": cues.get(h.text)} for h in found]}
