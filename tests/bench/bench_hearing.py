"""How well the two listeners hear, alone and together.

    python -m tests.bench.bench_hearing --split heldout --count 150 --conditions clean,15,5,nospeech --jobs 2

Every utterance is synthesized, put into a room, mixed with the sounds of a bay, heard by both engines and settled as the
program settles it. Development voices are for tuning; report only the held-out ones. `--dump` keeps what was heard,
`--replay` decides again on it without hearing again.
Synthetic voices are cleaner than people, and they are the only voices here: the table compares, it does not promise.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import numpy as np

from hoodnote.readings.decision import Decision, Opinions, decide
from tests.bench.hearing_records import clips_of, decode, read
from tests.bench.hearing_score import score, silence_table, speech_table
from tests.bench.scene import NO_SPEECH
from tests.bench.voices import SPLITS

SEEDS = {"development": 100, "heldout": 200}   # other voices and other utterances


def report(records: list[dict], how: Callable[[Opinions], Decision] = decide) -> str:
    speech = [r for r in records if r["condition"] != NO_SPEECH]
    silence = [r for r in records if r["condition"] == NO_SPEECH]
    parts = []
    if speech:
        speech.sort(key=lambda r: (r["condition"] != "clean", -float(r["condition"].replace("clean", "0"))))
        scored = [score(r, how) for r in speech]
        parts.append(speech_table(scored, lambda s: s.voice, "voice"))
        where = {id(s): f"{r['parts']}, {r['microphone']}" for s, r in zip(scored, speech)}
        noisy = [s for s in scored if s.condition != "clean"]
        if noisy:
            parts.append(speech_table(noisy, lambda s: where[id(s)], "sounds, microphone"))
        parts += [f"silently wrong ({s.voice}, {s.condition}, {where[id(s)]}): said {s.text!r}, took {'; '.join(s.silently_wrong)}; {s.texts}, {s.confidences}"
                  for s in scored if s.silently_wrong]
    if silence:
        scored = [score(r, how) for r in silence]
        parts.append(silence_table(scored, [r["parts"] for r in silence]))
        parts += [f"taken from nothing ({r['parts']}): {'; '.join(s.silently_wrong)}; {s.texts}, {s.confidences}"
                  for r, s in zip(silence, scored) if s.silently_wrong]
    pace = [r["wall_s"] / r["seconds"] for r in records]
    parts.append(f"clock time/real time: median {np.median(pace):.2f}, 95th percentile {np.quantile(pace, 0.95):.2f} (as the program hears with --jobs 1 on idle cores)")
    parts.append(f"most memory of a listening process: {max(r.get('memory_mb', 0) for r in records)} MB")
    return "\n\n".join(parts)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--split", choices=SPLITS, default="development")
    arguments.add_argument("--count", type=int, default=50, help="utterances, spread over the voices, each heard in every condition")
    arguments.add_argument("--conditions", default="clean", help='with commas between: "clean", decibels, "nospeech"')
    arguments.add_argument("--silence", type=float, default=30.0, metavar="MINUTES", help="how much of nospeech")
    arguments.add_argument("--seed", type=int, help="of the utterances and sounds (default: one for each split)")
    arguments.add_argument("--jobs", type=int, default=1, help="processes")
    arguments.add_argument("--threads", type=int, default=1, help="of the speech model in each process")
    arguments.add_argument("--minutes", type=float, help="begin no clip after so many minutes")
    arguments.add_argument("--model", type=Path, help="directory of a Vosk model")
    arguments.add_argument("--dump", type=Path, help="append what was heard to this file")
    arguments.add_argument("--replay", type=Path, nargs="+", help="decide on what such files hold instead of hearing")
    arguments.add_argument("--json", type=Path, help="also write every clip with its decisions to this file")
    options = arguments.parse_args()
    if options.replay:
        records = [r for path in options.replay for r in read(path)]
    else:
        seed = SEEDS[options.split] if options.seed is None else options.seed
        clips = clips_of(options.split, seed, options.count, options.conditions.split(","), options.silence)
        records = decode(clips, options.dump, options.jobs, options.minutes, options.model, threads=options.threads)
    if not records:
        raise SystemExit("nothing was heard")
    print(report(records))
    if options.json:
        options.json.write_text(json.dumps([asdict(score(r)) for r in records], indent=1) + "\n")


if __name__ == "__main__":
    main()
