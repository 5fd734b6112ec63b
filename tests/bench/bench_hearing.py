"""How well the two listeners hear, alone and together: python -m tests.bench.bench_hearing --split heldout --count 150 --snr clean,15

Every utterance is synthesized, put into a room and mixed with bay noise where a ratio is given, heard by both
engines and settled as the program settles it. Development voices are for tuning; report only the held-out ones.
Synthetic voices are cleaner than people, and they are the only voices here: the table compares, it does not promise.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np
from tqdm import tqdm

from hoodnote.capture.speech.engines import best_two
from hoodnote.capture.speech.recognizer import SAMPLE_RATE, Recognizer
from hoodnote.readings.agreement import Account, agree, meaning
from hoodnote.readings.model import Standing
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Statement
from hoodnote.statements.parser import parse
from tests.bench.noise import add_noise, in_a_room, shop_noise
from tests.bench.utterances import Utterance, utterances
from tests.bench.voices import SPLITS, say

SEEDS = {"development": 100, "heldout": 200}   # other voices and other utterances


@dataclass
class Heard:
    """One utterance, as said and as heard."""

    voice: str
    noise: str
    said: str
    seconds: float
    texts: dict[str, str] = field(default_factory=dict)
    confidences: dict[str, float] = field(default_factory=dict)
    exact: dict[str, bool] = field(default_factory=dict)
    engine_seconds: dict[str, float] = field(default_factory=dict)
    statements: int = 0
    agreed_right: int = 0
    asked: int = 0
    asked_right: int = 0          # of the questions, those that offer what was said first
    missed: int = 0               # said, and neither agreed, asked about nor replaced by a wrong one
    silently_wrong: list[str] = field(default_factory=list)


def sound(voice: str, made: Utterance, noise: str, seed: int) -> np.ndarray:
    speech = say(voice, made.spoken)
    if noise == "clean":
        return speech
    speech = in_a_room(np.pad(speech, SAMPLE_RATE // 4), seed)
    return add_noise(speech, shop_noise(len(speech) / SAMPLE_RATE, seed), float(noise))


def hear(voice: str, made: Utterance, noise: str, seed: int, engines: list[Recognizer]) -> Heard:
    samples = sound(voice, made, noise, seed)
    out = Heard(voice, noise, made.text, len(samples) / SAMPLE_RATE, statements=len(made.statements))
    accounts = []
    for engine in engines:
        begun = time.process_time()   # what it costs, however busy the machine is
        hypotheses = engine.recognize(samples)
        out.engine_seconds[engine.name] = time.process_time() - begun
        words = [w.word for w in hypotheses[0].words] if hypotheses else []
        statements = tuple(parse(words)) if words else ()
        confidence = hypotheses[0].confidence if hypotheses else 0.0
        accounts.append(Account(engine.name, " ".join(words), statements, confidence))
        out.texts[engine.name], out.confidences[engine.name] = " ".join(words), round(confidence, 3)
        out.exact[engine.name] = tuple(map(meaning, statements)) == tuple(map(meaning, made.statements))
    settle(out, accounts, made.statements)
    return out


def settle(out: Heard, accounts: list[Account], said: tuple[Statement, ...]) -> None:
    settled = agree(accounts[0], accounts[1] if len(accounts) > 1 else None)
    agreed = Counter(meaning(s.statement) for s in settled if s.standing is Standing.AGREED)
    offered = Counter(meaning(s.statement) for s in settled if s.standing is not Standing.AGREED)
    truth = Counter(map(meaning, said))
    out.agreed_right = (agreed & truth).total()
    out.silently_wrong = [describe(s) for s in (agreed - truth).elements()]
    left = truth - agreed
    out.asked = offered.total()
    out.asked_right = (offered & left).total()
    out.missed = max(0, left.total() - out.asked - len(out.silently_wrong))


def table(results: list[Heard], names: list[str]) -> str:
    head = ["voice", "noise", "utterances", *(f"{n} exact" for n in names), "statements", "agreed, right", "asked", "missed",
            "silently wrong", *(f"{n} processor time/real time" for n in names)]
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    groups: dict[tuple[str, str], list[Heard]] = {}
    for r in results:
        groups.setdefault((r.voice, r.noise), []).append(r)
    for noise in dict.fromkeys(r.noise for r in results):
        groups[("all", noise)] = [r for r in results if r.noise == noise]
    for (voice, noise), rows in sorted(groups.items(), key=lambda g: (g[0][1] != "clean", g[0][1], g[0][0] == "all", g[0][0])):
        seconds, said = sum(r.seconds for r in rows), sum(r.statements for r in rows)
        cells = [voice, noise if noise == "clean" else f"{noise} dB", str(len(rows)),
                 *(f"{np.mean([r.exact[n] for r in rows]):.0%}" for n in names), str(said),
                 f"{sum(r.agreed_right for r in rows) / said:.0%}", str(sum(r.asked for r in rows)), str(sum(r.missed for r in rows)),
                 str(sum(len(r.silently_wrong) for r in rows)),
                 *(f"{sum(r.engine_seconds[n] for r in rows) / seconds:.2f}" for n in names)]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--split", choices=SPLITS, default="development")
    arguments.add_argument("--count", type=int, default=50, help="utterances for each noise level, spread over the voices")
    arguments.add_argument("--snr", default="clean", help='noise levels: "clean" or decibels, with commas between')
    arguments.add_argument("--seed", type=int, help="of the utterances (default: one for each split)")
    arguments.add_argument("--model", type=Path, help="directory of a Vosk model")
    arguments.add_argument("--json", type=Path, help="also write every utterance to this file")
    options = arguments.parse_args()
    engines, voices = best_two(options.model), SPLITS[options.split]
    made = utterances(options.count, SEEDS[options.split] if options.seed is None else options.seed)
    for engine in engines:   # loading is not hearing
        engine.recognize(say(voices[0], "low side thirty"))
    work = [(voices[i % len(voices)], u, noise, i) for noise in options.snr.split(",") for i, u in enumerate(made)]
    results = [hear(voice, u, noise, seed, engines) for voice, u, noise, seed in tqdm(work, unit="utterance")]
    names = [e.name for e in engines]
    print(table(results, names))
    for r in results:
        if r.silently_wrong:
            print(f"\nsilently wrong ({r.voice}, {r.noise}): said {r.said!r}, agreed on {'; '.join(r.silently_wrong)}; {r.texts}, {r.confidences}")
    if options.json:
        options.json.write_text(json.dumps([asdict(r) for r in results], indent=1) + "\n")


if __name__ == "__main__":
    main()
