"""Speech to train the phone listener on: utterances of the language and other English, spoken by synthetic voices, spoiled, and encoded.

    python -m tests.bench.phone_data --part 0 --of 16 --seconds 200 --out FOLDER

One process a core; each writes a shard. Voices: espeak-ng en-us and en-gb with its variants, flite kal, the two English ones of
py-nanotts, and `--neural FILE`, recordings of a neural synthesizer made beforehand (a JSON line each: file, kind, text, phones). Of the
development voices flite awb, festival ked and espeak's en-gb-x-rp and en-us-nyc are left out, so that what the listener is worth
can be fitted on them; no held-out speaker is heard. Pitch, vocal tract, pace, room, microphone, tone and noise are drawn at random.
"""

from __future__ import annotations

import argparse
import json
import pydoc_data.topics
import random
import re
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy.signal import butter, fftconvolve, sosfilt

from hoodnote.capture.speech.encoded import EncodedClips
from hoodnote.capture.speech.phone_model import UNITS
from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.language.grammar import load
from hoodnote.language.lexicon import bundled_dictionary, pronunciations, read_dictionary
from tests.bench import room, scene, talk, voices
from tests.bench.noise import SOUNDS, add_noise
from tests.bench.utterances import Utterance, number, utterance

SEED = 731_001                        # of the texts; no benchmark's
TALKERS = ("flite:kal16", "espeak:en-us@150", "espeak:en-gb@160", "espeak:en-us+f3@165")      # behind the noise
VARIANTS = ("m1 m2 m3 m4 m5 m6 m7 f1 f2 f4 f5 klatt klatt2 klatt4 Andy Annie Alex adam benjamin caleb david ed edward Gene grandma grandpa Hugo john linda max "
            "michel miguel Mike norbert pablo paul pedro quincy rob robert shelby steph steph2 steph3 travis victor Zac belinda aunty Denis Alicia Andrea").split()
PLACES = ("low side {}", "high side {}", "vent temperature {}", "vacuum {} microns", "charged {} grams", "recovered {} ounces", "ambient {}",
          "humidity {} percent", "suction line {} degrees", "{} p s i", "both sides {}")
COUNTS = {"templates": 9000, "grammar": 5000, "figures": 3000, "other": 2500}


def texts(rng: random.Random) -> list[tuple[str, str]]:
    """(as spoken, phones): by the benchmark's templates, by walks of the grammar, figures with teens and tens often, and other English."""
    language = load()
    known, english = pronunciations(language.words), read_dictionary(bundled_dictionary())

    def phones(spoken: str) -> str:
        return " ".join("EY" if w == "A" else (known.get(w.lower()) or english[w.lower()])[0] for w in spoken.split())

    out: dict[str, str] = {}
    makers = {"templates": lambda: utterance(rng).spoken, "grammar": lambda: _walk(rng), "figures": lambda: _figure(rng)}
    for kind, make in makers.items():
        until = len(out) + COUNTS[kind]
        while len(out) < until:
            if spoken := make():
                out.setdefault(spoken, phones(spoken))
    words = [w.lower() for w in re.findall(r"[A-Za-z]{2,}", " ".join(pydoc_data.topics.topics.values())) if w.lower() in english]
    for _ in range(COUNTS["other"]):
        size, at = rng.randint(3, 9), rng.randrange(len(words) - 9)
        spoken = " ".join(words[at:at + size] if rng.random() < 0.6 else rng.choices(words, k=size))
        out[spoken] = phones(spoken)
    rows = list(out.items())
    rng.shuffle(rows)
    return rows


def _walk(rng: random.Random) -> str | None:
    """By the grammar's weights or, as often, every word as likely as the others; None when too long or a single word."""
    language = load()
    state, words, flat = language.automaton.start, [], rng.random() < 0.5
    while state not in language.automaton.finals or (language.automaton.arcs[state] and rng.random() > 0.6):
        shares = language.probabilities[state][0]
        word = rng.choice(sorted(language.automaton.arcs[state])) if flat else rng.choices(list(shares), list(shares.values()))[0]
        words.append(word)
        state = language.automaton.arcs[state][word]
        if len(words) > 16:
            return None
    return Utterance(" ".join(words), ()).spoken if len(words) > 1 else None


def _figure(rng: random.Random) -> str | None:
    alike = rng.choice([*range(13, 20), *range(30, 100, 10)]) + rng.choice((0, 100, 200, 300))
    text = rng.choice(PLACES).format(number(rng.choice((rng.randint(0, 130), alike, rng.randint(100, 999), rng.randint(1000, 3000))), rng))
    return Utterance(text, ()).spoken if load().automaton.accepts(text.split()) else None


def say(rng: random.Random, text: str) -> np.ndarray:
    engine = rng.random()
    if engine > 0.66:
        import py_nanotts

        voice = rng.choice(("en-US", "en-US", "en-GB"))
        sound = py_nanotts.NanoTTS().speak(text, voice, rng.uniform(0.85, 1.4), rng.uniform(0.75, 1.3))
        return np.frombuffer(sound, "<i2").astype(np.float32) / 32768
    with tempfile.TemporaryDirectory() as folder:
        out = f"{folder}/out.wav"
        if engine < 0.34:
            voice = rng.choice(("en-us", "en-us", "en-us", "en-gb")) + (f"+{rng.choice(VARIANTS)}" if rng.random() < 0.85 else "")
            command = ["espeak-ng", "-v", voice, "-s", str(rng.randint(115, 190)), "-p", str(rng.randint(25, 75)), "-w", out, text]
        else:
            command = ["flite", "-voice", rng.choice(("kal16", "kal16", "kal16", "kal")), "--setf", f"duration_stretch={rng.uniform(0.8, 1.25):.3f}",
                       "--setf", f"int_f0_target_mean={rng.randint(75, 150)}", "-t", text, "-o", out]
        subprocess.run(command, check=True, capture_output=True, timeout=60)
        samples, rate = soundfile.read(out, dtype="float32")
    return samples if rate == SAMPLE_RATE else soxr.resample(samples, rate, SAMPLE_RATE)


def warped(rng: random.Random, speech: np.ndarray) -> np.ndarray:
    """Another vocal tract: pitch, formants and pace together, by a tenth or so."""
    return soxr.resample(speech, SAMPLE_RATE, round(SAMPLE_RATE / min(max(np.exp(rng.gauss(0, 0.09)), 0.8), 1.22))).astype(np.float32)


class Surroundings:
    """Noises and rooms of one process; the rooms are none of the sixteen that the benchmark uses."""

    def __init__(self, seed: int, count: int = 24):
        rng, sounds = random.Random(seed), [*SOUNDS, "babble", "radio"]
        parts = [rng.choice(scene.SURROUNDINGS) if rng.random() < 0.7 else tuple(rng.sample(sounds, rng.randint(1, 3))) for _ in range(count)]
        self.noises = [scene.surroundings(14.0, 900_000 + 1000 * seed + i, "development", p) for i, p in enumerate(parts)]
        self.rooms = [(m, room._response.__wrapped__(50_000 + 100 * seed + j, m)) for j in range(10) for m in room.MICROPHONES]

    def noise(self, rng: random.Random, count: int) -> np.ndarray:
        noise = rng.choice(self.noises)
        return noise[rng.randrange(max(1, len(noise) - count)):][:count]

    def around(self, rng: random.Random, speech: np.ndarray) -> np.ndarray:
        """Bare in one case of six, else in a room with noise at 0 to 22 dB, sometimes up to 35."""
        speech = np.pad(speech, [int(rng.uniform(0.05, 0.5) * SAMPLE_RATE) for _ in range(2)])
        if rng.random() < 0.18:
            return _toned(rng, speech)
        microphone, response = rng.choice(self.rooms)
        wet = room._below_full_scale(room.colour(fftconvolve(speech, response)[:len(speech)], microphone))
        decibels = rng.uniform(0, 22) if rng.random() < 0.88 else rng.uniform(22, 35)
        return _toned(rng, add_noise(wet, room.colour(self.noise(rng, len(wet)), microphone), decibels))


def _toned(rng: random.Random, sound: np.ndarray) -> np.ndarray:
    if rng.random() < 0.5:
        low = sosfilt(butter(1, rng.uniform(300, 2500), "lowpass", fs=SAMPLE_RATE, output="sos"), sound)
        sound = sound + (10 ** (rng.uniform(-6, 6) / 20) - 1) * low
        if rng.random() < 0.2:
            sound = sosfilt(butter(2, rng.uniform(3200, 6500), "lowpass", fs=SAMPLE_RATE, output="sos"), sound)
    return sound.astype(np.float32)


def examples(part: int, of: int, seconds: float, neural: Path | None) -> Iterator[tuple[np.ndarray, list[int]]]:
    """(the encoder's frames float16, units) until the time is over; each utterance in two surroundings, some of nobody."""
    rng, clips = random.Random(40 + part), EncodedClips()
    voices.SPLITS["development"] = TALKERS          # whoever talks or is on the radio in the noise
    talk.SPLITS["development"] = TALKERS
    rows = texts(random.Random(SEED))[part::of]
    recorded = [json.loads(line) for line in neural.read_text().splitlines()][part::of] if neural else []
    around, at, until = Surroundings(part), 0, time.time() + seconds

    def encoded(samples: np.ndarray) -> np.ndarray | None:
        heard = clips.of(samples)
        return heard.sounds[0][0].astype(np.float16) if heard is not None and len(heard.sounds) == 1 else None

    while time.time() < until:
        at += 1
        if recorded and rng.random() < 0.28:
            file, _, _, phones = recorded[at % len(recorded)]
            speech = soundfile.read(neural.parent / file, dtype="float32")[0]
        else:
            spoken, phones = rows[at % len(rows)]
            speech = say(rng, spoken)
        speech, units = warped(rng, speech), [UNITS[p] for p in phones.split()]
        for _ in range(2):
            sound = encoded(around.around(rng, speech))
            if sound is not None and len(sound) > len(units) + 1:
                yield sound, units
        if rng.random() < 0.03 and (sound := encoded(0.05 * around.noise(rng, rng.randrange(24_000, 80_000)))) is not None:
            yield sound, []


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--part", type=int, default=0)
    arguments.add_argument("--of", type=int, default=1, help="processes that share the texts")
    arguments.add_argument("--seconds", type=float, default=200.0, help="how long to go on; 16 processes made 45 hours of sound in 200 s")
    arguments.add_argument("--neural", type=Path)
    arguments.add_argument("--out", type=Path, required=True)
    options = arguments.parse_args()
    sounds, units = zip(*examples(options.part, options.of, options.seconds, options.neural))
    np.savez(options.out / f"shard{options.part}.npz", sounds=np.concatenate(sounds), frames=[len(s) for s in sounds],
             units=np.concatenate([np.array(u, np.int16) for u in units]), said=[len(u) for u in units])


if __name__ == "__main__":
    main()
