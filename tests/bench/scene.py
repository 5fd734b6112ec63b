"""What the microphone picks up: one utterance in a condition, or half an hour in which nobody speaks to the program.

Conditions: "clean" is the bare voice; a number is the signal-to-noise ratio in decibels over the frames that hold speech,
the voice through room and microphone, the noise through the microphone. Everything comes from a seed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hoodnote.capture.speech.voiced import pieces
from tests.bench.noise import RATE, add_noise, shop_noise
from tests.bench.room import MICROPHONES, colour, worn
from tests.bench.talk import babble, one_person, radio
from tests.bench.voices import say

NO_SPEECH = "nospeech"
SURROUNDINGS = (
    ("engine", "fan"), ("engine", "fan", "clutch"), ("engine", "fan", "ratchet"), ("compressor", "ratchet"), ("hiss", "fan"),
    ("engine", "fan", "babble"), ("fan", "radio"), ("engine", "fan", "ratchet", "compressor", "hiss"),
)
_TALK = {"babble": babble, "radio": radio}
_CLIP_S = (5.0, 8.0)       # noise is cut at a quiet place between these, as whoever waits for the end of an utterance would


def surroundings(seconds: float, seed: int, split: str, parts: tuple[str, ...]) -> np.ndarray:
    """The named sounds together, root mean square 1; talk and radio lie 3 dB below the machines."""
    machines = tuple(p for p in parts if p not in _TALK)
    total = shop_noise(seconds, seed, machines) if machines else np.zeros(int(seconds * RATE), np.float32)
    for part in parts:
        if part in _TALK:
            total = total + (0.7 if machines else 1.0) * _TALK[part](seconds, seed, split)[: len(total)]
    return (total / np.sqrt((total**2).mean())).astype(np.float32)


def surroundings_of(seed: int) -> tuple[tuple[str, ...], str]:
    """(sounds, microphone) of a seed; all are used equally often."""
    return SURROUNDINGS[seed % len(SURROUNDINGS)], list(MICROPHONES)[seed // len(SURROUNDINGS) % len(MICROPHONES)]


def sound(voice: str, spoken: str, condition: str, seed: int, split: str) -> np.ndarray:
    """float32, mono, 16 kHz, within full scale."""
    speech = say(voice, spoken)
    if condition == "clean":
        return speech
    parts, microphone = surroundings_of(seed)
    speech = worn(np.pad(speech, RATE // 4), seed, microphone)
    noise = colour(surroundings(len(speech) / RATE + 0.01, seed, split, parts), microphone)
    return add_noise(speech, noise, float(condition))


def without_speech(minutes: float, seed: int, split: str) -> Iterator[tuple[str, np.ndarray]]:
    """(what it is, clip) until `minutes` are full: bay noise, other people's talk beside it or alone, radio, music; 5 to 8 s each."""
    left, i = minutes * 60.0, 0
    kinds = [(p, 0.0) for p in SURROUNDINGS] + [(("one person",), 0.0), (("one person",), 10.0), (("one person",), 0.0), (("radio",), 0.0), (("babble",), 0.0)]
    while left > 0:
        parts, talk_db = kinds[i % len(kinds)]
        seconds, stream = min(30.0, left), seed * 1000 + i
        if parts == ("one person",):
            made = worn(0.1 * one_person(seconds, stream, split), stream, "arm")
            if talk_db:
                made = add_noise(made, colour(shop_noise(seconds + 0.01, stream, ("engine", "fan")), "arm"), talk_db)
        else:
            made = 0.05 * colour(surroundings(seconds, stream, split, parts), "close" if i % 2 else "arm")
        for a, b in pieces(made, *_CLIP_S):
            yield " + ".join(parts) + (f" at {talk_db:g} dB" if talk_db else ""), np.clip(made[a:b], -1, 1).astype(np.float32)
        left -= seconds
        i += 1
