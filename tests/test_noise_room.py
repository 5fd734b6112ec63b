"""The benchmark's room decays as room acoustics says, its microphones differ, its scenes are repeatable and at the ratio asked for."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench import scene
from tests.bench.noise import RATE, speech_level
from tests.bench.room import MICROPHONES, SOUND_M_PER_S, Box, colour, impulse_response, worn
from tests.bench.scene import sound, surroundings, surroundings_of, without_speech


def talking(voice: str, text: str) -> np.ndarray:
    """Stands in for a synthesizer: words of a tone with pauses, another pitch for every voice and text."""
    t = np.arange(RATE * 2) / RATE
    hz = 200 + (sum(map(ord, voice + text)) % 400)
    return (0.2 * np.sin(2 * np.pi * hz * t) * (np.floor(t * 4) % 2 == 0)).astype(np.float32)


@pytest.fixture(autouse=True)
def no_synthesizer(monkeypatch):
    monkeypatch.setattr("tests.bench.scene.say", talking)
    monkeypatch.setattr("tests.bench.talk.say", talking)


def decay_s(response: np.ndarray) -> float:
    """Reverberation time T20 by Schroeder's backward integration, the fall from -5 to -25 dB times three (ISO 3382-2)."""
    left = 10 * np.log10(np.cumsum(response[::-1] ** 2)[::-1] / (response**2).sum())
    t = np.arange(len(left)) / RATE
    span = (left < -5) & (left > -25)
    return float(-60 / np.polyfit(t[span], left[span], 1)[0])


@pytest.mark.parametrize("box", [Box((6.0, 5.0, 4.0), 0.2), Box((6.0, 5.0, 4.0), 0.4), Box((8.0, 6.0, 5.0), 0.3)])
def test_the_room_decays_as_eyring_says(box):
    """Eyring 1930 holds for a diffuse field; image sources in a box decay somewhat slower, so a third is allowed."""
    response = impulse_response(box, np.array([2.0, 1.7, 1.5]), np.array([3.9, 3.1, 1.2]), 1.2 * box.eyring_s)
    assert decay_s(response[1:]) == pytest.approx(box.eyring_s, rel=0.33)


def test_eyring_by_hand():
    # 5 x 4 x 3 m: 60 m3, 94 m2; 0.161 * 60 / (94 * 0.3567) for three tenths swallowed
    assert Box((5, 4, 3), 0.3).eyring_s == pytest.approx(0.288, abs=0.001)


def test_the_first_reflection_comes_when_it_must():
    """Source and ear 1 m apart in the middle of a big hall, 1.5 m above the floor: the way over the floor is the root of 10 m."""
    box = Box((60.0, 60.0, 30.0), 0.3)
    response = impulse_response(box, np.array([30.0, 30.0, 1.5]), np.array([31.0, 30.0, 1.5]), 0.02)
    late = (np.sqrt(10) - 1) / SOUND_M_PER_S * RATE
    assert response[0] == 1.0 and 1 + np.argmax(np.abs(response[1:])) == pytest.approx(late, abs=1)


def test_arms_length_hears_more_room_than_close_talk():
    click = np.zeros(RATE, np.float32)
    click[100] = 0.9
    tails = {m: float((worn(click, 3, m)[1000:] ** 2).sum() / (worn(click, 3, m) ** 2).sum()) for m in MICROPHONES}
    assert tails["arm"] > 10 * tails["close"]


def test_close_talk_lifts_the_lows():
    def lows(microphone: str) -> float:
        power = np.abs(np.fft.rfft(colour(np.random.default_rng(1).normal(size=RATE * 4), microphone))) ** 2
        hz = np.fft.rfftfreq(RATE * 4, 1 / RATE)
        return float(power[(hz > 200) & (hz < 400)].mean() / power[(hz > 3000) & (hz < 5000)].mean())

    assert lows("close") > 2 * lows("arm")


@pytest.mark.parametrize("decibels", ["20", "15", "10", "5", "0"])
@pytest.mark.parametrize("seed", range(0, 16, 3))
def test_a_scene_is_at_the_ratio_asked_for(decibels, seed):
    """The scene less the voice in the room is the noise; both are scaled alike when the mix would leave full scale."""
    parts, microphone = surroundings_of(seed)
    voice = worn(np.pad(talking("v", "low side thirty"), RATE // 4), seed, microphone)
    mixed = sound("v", "low side thirty", decibels, seed, "development")
    noise = colour(surroundings(len(voice) / RATE + 0.01, seed, "development", parts), microphone)[: len(voice)]
    gains, *_ = np.linalg.lstsq(np.stack([voice, noise], axis=1).astype(float), mixed.astype(float), rcond=None)
    assert np.abs(mixed - np.stack([voice, noise], axis=1) @ gains).max() < 1e-4     # nothing but voice and noise
    ratio = 20 * np.log10(gains[0] * speech_level(voice) / (gains[1] * np.sqrt((noise**2).mean())))
    assert ratio == pytest.approx(float(decibels), abs=0.2)


def test_a_seed_gives_one_scene_and_all_surroundings_are_used():
    assert np.array_equal(sound("v", "x", "5", 4, "heldout"), sound("v", "x", "5", 4, "heldout"))
    assert not np.array_equal(sound("v", "x", "5", 4, "heldout"), sound("v", "x", "5", 20, "heldout"))
    assert len({surroundings_of(seed) for seed in range(16)}) == 16
    assert np.array_equal(sound("v", "x", "clean", 4, "heldout"), talking("v", "x"))


def test_half_a_minute_after_half_a_minute_in_which_nobody_speaks():
    minutes = 7.0
    clips = list(without_speech(minutes, 5, "heldout"))
    again = list(without_speech(minutes, 5, "heldout"))
    assert all(a == b and np.array_equal(x, y) for (a, x), (b, y) in zip(clips, again, strict=True))
    assert sum(len(x) for _, x in clips) / RATE / 60 == pytest.approx(minutes, abs=0.02)
    assert max(len(x) for _, x in clips) <= 8.01 * RATE and np.median([len(x) for _, x in clips]) >= 5 * RATE
    kinds = {kind for kind, _ in clips}
    assert {"one person", "one person at 10 dB", "radio", "babble"} < kinds and len(kinds) == len(scene.SURROUNDINGS) + 4
    assert all(np.abs(x).max() <= 1 and (x**2).mean() > 0 for _, x in clips)
