"""Decoding at scale: what both engines heard of every clip, kept so that decisions can be made again without hearing again.

A record is one JSON object a line: `said` (None where nobody speaks to the program), `voice`, `condition`, `parts`,
`microphone`, `seconds`; what it cost, `cpu_s`, `wall_s`, `memory_mb`; and all that the program gathers before it decides:
`heard` (hypotheses of each engine), `candidates` with their `scores`, the same of the better engines alone (`first`) where one more was asked,
and the `cues` behind each engine's best.
"""

from __future__ import annotations

import dataclasses
import json
import math
import multiprocessing
import os
import resource
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tqdm import tqdm

from hoodnote.capture.heap import share_one_heap
from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.intake.listening import Gathered, gather, gather_all
from tests.bench.scene import NO_SPEECH, sound, surroundings_of, without_speech
from tests.bench.utterances import utterances
from tests.bench.voices import SPLITS, say

_engines: list = []
_gather = gather
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


def clips_of(split: str, seed: int, count: int, conditions: list[str], silence_min: float) -> list[Clip]:
    """All clips, those in which nobody speaks spread evenly among the others, so that a run cut short is as balanced as a whole one."""
    aloud = [c for c in conditions if c != NO_SPEECH]
    spoken = list(spoken_clips(split, seed, count, aloud)) if aloud else []
    silent = list(silent_clips(split, seed, silence_min)) if NO_SPEECH in conditions else []
    places = [((i + 0.5) / len(group), i, clip) for group in (spoken, silent) for i, clip in enumerate(group)]
    return [clip for _, _, clip in sorted(places, key=lambda p: p[:2])]


def decode(clips: list[Clip], out: Path | None, jobs: int, minutes: float | None = None, model: Path | None = None, everyone: bool = False,
           threads: int = 1) -> list[dict]:
    """Records of the clips in the order of completion, appended to `out` as they come. `threads`: of the speech model in each of the `jobs` processes.

    minutes: after so long nothing more is begun. everyone: every listener hears every clip, as a fit needs it.
    """
    context = multiprocessing.get_context("spawn")
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")     # as the program sets it
    # voices in processes of their own: synthesizers must not count in the listeners' memory
    with context.Pool(jobs) as pool:
        wanted = list(dict.fromkeys((c.voice, c.spoken) for c in clips if c.spoken is not None))
        list(tqdm(pool.imap_unordered(_say, wanted, chunksize=8), "synthesis", len(wanted), unit="utterance"))
    records: list[dict] = []
    until = time.time() + minutes * 60 if minutes else float("inf")
    with context.Pool(jobs, _load, (model, until, everyone, threads)) as pool, open(out or os.devnull, "a", encoding="utf-8") as file:
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


def to_json(gathered: Gathered) -> dict:
    return {"heard": [[name, [[[[w.word, round(w.start_s, 3), round(w.end_s, 3), round(w.confidence, 4)] for w in h.words], h.score, h.confidence] for h in found]]
                      for name, found in gathered.heard],
            "rescored": list(gathered.rescored), "candidates": [" ".join(c) for c in gathered.candidates],
            "scores": [[round(float(s), 3) if np.isfinite(s) else -1e9 for s in row] for row in gathered.scores],
            "swing_db": round(gathered.swing_db, 2), "first": None if gathered.first is None else to_json(gathered.first)}


def from_json(data: dict) -> Gathered:
    heard = tuple((name, tuple(Hypothesis(tuple(HeardWord(*w) for w in words), score, confidence) for words, score, confidence in found))
                  for name, found in data["heard"])
    return Gathered(heard, tuple(data["rescored"]), tuple(tuple(c.split()) for c in data["candidates"]), tuple(tuple(row) for row in data["scores"]),
                    from_json(data["first"]) if data.get("first") else None, data.get("swing_db", math.inf))


def _say(wanted: tuple[str, str]) -> None:
    say(*wanted)


def _load(model: Path | None, until: float, everyone: bool, threads: int) -> None:
    global _deadline, _gather
    from hoodnote.capture.speech.engines import best_three
    from hoodnote.capture.speech.neural import NeuralRecognizer
    from hoodnote.capture.speech.neural_model import SpeechModel

    share_one_heap()
    _deadline = until
    _gather = gather_all if everyone else gather
    _engines[:] = best_three(model)
    for engine in _engines:
        if isinstance(engine, NeuralRecognizer):
            engine.clips.__dict__["model"] = SpeechModel(threads=threads)
        watch(engine)
    swell = np.sin(np.arange(2 * SAMPLE_RATE) / 2000)
    gather_all(_engines, (0.1 * swell * np.random.default_rng(0).normal(size=len(swell))).astype(np.float32))   # loading is not hearing


def watch(engine) -> None:
    """Keep the cues of the best hypothesis as `engine.cues`, where the engine has any."""
    examine, engine.cues = getattr(engine, "examine", None), None

    def watched(*args, **named):
        found = examine(*args, **named)
        engine.cues = dataclasses.asdict(found[0][1]) if found else None
        return found
    if examine is not None:
        engine.examine = watched


def _hear(clip: Clip) -> dict | None:
    if time.time() > _deadline:
        return None
    return {f.name: getattr(clip, f.name) for f in dataclasses.fields(clip) if f.name != "samples"} | gathered_of(samples_of(clip), _engines)


def samples_of(clip: Clip) -> np.ndarray:
    return clip.samples if clip.samples is not None else sound(clip.voice, clip.spoken, clip.condition, clip.seed + clip.index, clip.split)


def gathered_of(samples: np.ndarray, engines: list) -> dict:
    """What is gathered of a clip, and what that cost: processor time of all threads, however busy the machine is."""
    for engine in engines:
        engine.cues = None
    begun, wall = time.process_time(), time.perf_counter()
    gathered = _gather(engines, samples)
    cost = {"seconds": len(samples) / SAMPLE_RATE, "cpu_s": time.process_time() - begun, "wall_s": time.perf_counter() - wall}
    return cost | {"memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, "cues": {e.name: e.cues for e in engines}} | to_json(gathered)
