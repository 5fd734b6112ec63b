"""The benchmark's noise is what it claims: repeatable, at the ratio asked for, with an engine that fires at an engine's pace."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.noise import RATE, SOUNDS, add_noise, shop_noise, speech_level


def speechlike() -> np.ndarray:
    """A tone with pauses: half of the time silent."""
    t = np.arange(RATE * 2) / RATE
    return (0.2 * np.sin(2 * np.pi * 300 * t) * (np.floor(t * 4) % 2 == 0)).astype(np.float32)


def test_a_seed_gives_one_noise_and_another_seed_another():
    assert np.array_equal(shop_noise(1, 5), shop_noise(1, 5))
    assert not np.array_equal(shop_noise(1, 5), shop_noise(1, 6))


@pytest.mark.parametrize("snr_db", [15.0, 5.0, 0.0])
def test_ratio_is_that_of_the_speech_frames(snr_db):
    speech, noise = speechlike(), shop_noise(2, 1)
    mixed = add_noise(speech, noise, snr_db)
    added = mixed - speech
    # The tone's amplitude is 0.2, so its power while it sounds is 0.2**2 / 2.
    assert 10 * np.log10(0.02 / (added**2).mean()) == pytest.approx(snr_db, abs=0.3)


def test_pauses_do_not_count_as_speech():
    assert speech_level(speechlike()) == pytest.approx(0.2 / np.sqrt(2), rel=0.02)


def test_a_mix_never_leaves_full_scale():
    assert np.abs(add_noise(speechlike() * 4, shop_noise(2, 1), -5)).max() <= 0.981


@pytest.mark.parametrize("part", SOUNDS)
def test_each_part_can_be_had_alone(part):
    alone = shop_noise(2, 9, (part,))
    assert np.isfinite(alone).all()
    assert (alone**2).mean() == pytest.approx(1.0, abs=1e-3)


def test_the_engine_fires_between_700_and_1600_rpm():
    """Two combustions a turn: 23 to 53 a second."""
    power = np.abs(np.fft.rfft(shop_noise(8, 4, ("engine",)))) ** 2
    hz = np.fft.rfftfreq(8 * RATE, 1 / RATE)
    assert 23 < hz[1:][power[1:].argmax()] < 54


def test_hiss_is_high_and_hum_is_low():
    def centre(part: str) -> float:
        power = np.abs(np.fft.rfft(shop_noise(2, 3, (part,)))) ** 2
        return float((power * np.fft.rfftfreq(2 * RATE, 1 / RATE)).sum() / power.sum())

    assert centre("compressor") < 300 < 3000 < centre("hiss")


def test_a_new_sound_leaves_the_old_mixtures_as_they_were():
    """The demo's recordings are made of them."""
    without = shop_noise(1, 5)
    assert not np.array_equal(without, shop_noise(1, 5, (*SOUNDS,))) and np.array_equal(without, shop_noise(1, 5, ("engine", "fan", "ratchet", "compressor", "hiss")))


def test_the_clutch_is_now_in_and_now_out():
    """Loud and quiet halves of a second, far apart; a fan is even."""
    def swing(part: str) -> float:
        level = (shop_noise(10, 3, (part,)).reshape(-1, RATE // 2) ** 2).mean(axis=1)
        return float(10 * np.log10(np.quantile(level, 0.9) / (np.quantile(level, 0.1) + 1e-9)))

    assert swing("clutch") > 10 > 3 > swing("fan")


def test_music_keeps_a_beat():
    """Loudness repeats itself after a beat at 85 to 140 a minute."""
    level = (shop_noise(20, 8, ("music",)).reshape(-1, RATE // 50) ** 2).mean(axis=1)
    level = level - level.mean()
    lags = np.correlate(level, level, "full")[len(level):]        # lags of 20 ms, from one on
    first, last = int(60 / 140 * 50) - 1, int(60 / 85 * 50) + 1
    assert lags[first - 1:last].max() > 0.3 * (level @ level)
