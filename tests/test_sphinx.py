"""pocketsphinx held to a small language, with its real model and flite's voices."""

from __future__ import annotations

import numpy as np
import pytest

from hoodnote.capture.speech import sphinx
from hoodnote.capture.speech.conditioning import swing_db, with_less_noise, with_noise_floor
from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis, NearListener
from hoodnote.capture.speech.sphinx import SphinxRecognizer
from hoodnote.language.automaton import Automaton
from tests.bench.noise import shop_noise
from tests.bench.voices import say

VOICES = ("flite:kal16", "flite:awb")
FIGURES = "fifteen fifty thirteen thirty seventeen seventy nineteen ninety".split()
PRONUNCIATIONS = {
    "low": ["L OW"], "high": ["HH AY"], "side": ["S AY D"], "is": ["IH Z"], "engine": ["EH N JH AH N"], "off": ["AO F"],
    "fifteen": ["F IH F T IY N"], "fifty": ["F IH F T IY"], "thirteen": ["TH ER T IY N"], "thirty": ["TH ER D IY", "TH ER T IY"],
    "seventeen": ["S EH V AH N T IY N"], "seventy": ["S EH V AH N T IY", "S EH V AH N IY"],
    "nineteen": ["N AY N T IY N"], "ninety": ["N AY N T IY"],
}


def small_language() -> Automaton:
    """( low | high ) side [ is ] FIGURE, once or more, or "engine off"."""
    figures = {figure: 4 for figure in FIGURES}
    return Automaton(0, [{"low": 1, "high": 1, "engine": 5}, {"side": 2}, {**figures, "is": 3}, figures, {"low": 1, "high": 1}, {"off": 6}, {}],
                     frozenset({4, 6}))


def meaning(words) -> tuple:
    return tuple(w for w in words if w != "is")


@pytest.fixture(scope="module")
def engine() -> SphinxRecognizer:
    return SphinxRecognizer(small_language(), PRONUNCIATIONS, meaning)


@pytest.mark.parametrize("voice", VOICES)
@pytest.mark.parametrize("text", ["low side thirty", "high side is seventeen", "low side thirty high side seventy", "engine off"])
def test_hears_what_is_said(engine, voice, text):
    samples = say(voice, text)
    best = engine.recognize(samples)[0]
    assert best.text == text
    times = [t for w in best.words for t in (w.start_s, w.end_s)]
    assert times == sorted(times) and times[0] >= 0 and times[-1] <= len(samples) / 16_000 + 0.02
    assert all(0 <= w.confidence <= 1 for w in best.words) and 0 < best.confidence <= 1


def test_level_and_offset_of_the_recording_do_not_matter(engine):
    samples = say("flite:awb", "low side fifteen high side ninety")
    for changed in (samples * 0.02, samples * 0.5 + 0.3):
        assert engine.recognize(changed)[0].text == "low side fifteen high side ninety"


@pytest.mark.parametrize("level", [1.0, 0.01])
def test_a_noise_floor_lies_as_far_below_the_speech_as_asked_and_is_always_the_same(level):
    time = np.arange(32_000) / 16_000
    speech = (level * 0.5 * np.sin(2 * np.pi * 440 * time) * (time < 1)).astype(np.float32)     # then digital silence
    made = with_noise_floor(speech, 30.0)
    added = made.astype(np.float64) - speech
    assert 20 * np.log10(np.sqrt(np.mean(speech[:16_000].astype(np.float64) ** 2)) / np.sqrt(np.mean(added**2))) == pytest.approx(30.0, abs=0.1)
    power = np.abs(np.fft.rfft(added)) ** 2 * np.fft.rfftfreq(len(added), 1 / 16_000)
    octaves = [power[2 * low:4 * low].mean() for low in (200, 400, 800, 1600, 3200)]      # bins of 0.5 Hz; pink: all octaves alike
    assert max(octaves) < 1.3 * min(octaves)
    assert np.array_equal(with_noise_floor(speech, 30.0), made)


def test_silence_stays_silence_with_a_noise_floor():
    assert not with_noise_floor(np.zeros(16_000, np.float32), 30.0).any()
    assert with_noise_floor(np.zeros(0, np.float32), 30.0).size == 0


def test_steady_noise_is_turned_down_and_speech_kept():
    def rms(x):
        return np.sqrt(np.mean(x.astype(np.float64) ** 2))

    rng, time = np.random.default_rng(4), np.arange(48_000) / 16_000
    speech = 0.3 * np.sin(2 * np.pi * 440 * time) * (np.sin(2 * np.pi * 1.5 * time) > 0)
    noisy = (speech + 0.03 * rng.standard_normal(48_000)).astype(np.float32)
    clean = with_less_noise(noisy)
    assert clean.dtype == np.float32 and clean.shape == noisy.shape
    pause = speech == 0
    assert rms(clean[pause]) < 0.5 * rms(noisy[pause])
    assert rms(clean[~pause]) == pytest.approx(rms(speech[~pause]), rel=0.1)
    assert swing_db(clean) > swing_db(noisy)


def test_less_noise_of_nothing_is_nothing():
    assert not with_less_noise(np.zeros(4000, np.float32)).any() and swing_db(np.zeros(4000)) == 0.0
    assert with_less_noise(np.zeros(3, np.float32)).shape == (3,)


def test_times_are_those_of_the_clip_whatever_quiet_surrounds_the_speech(engine):
    samples = say("flite:kal16", "low side thirty")
    loud = np.flatnonzero(np.abs(samples) > 0.05 * np.abs(samples).max())
    tight = samples[loud[0]:loud[-1]]
    for quiet_s in (0.0, 1.0):
        words = engine.recognize(np.pad(tight, int(quiet_s * 16_000)))[0].words
        assert words[0].start_s == pytest.approx(quiet_s, abs=0.12)
        assert words[-1].end_s == pytest.approx(quiet_s + len(tight) / 16_000, abs=0.12)


@pytest.mark.parametrize("voice", ["espeak:en-gb@150", "espeak:en-us@150"])
@pytest.mark.parametrize("text", ["low side thirty", "high side is seventeen", "low side thirteen high side seventy"])
def test_speech_between_digital_silences_is_heard(engine, voice, text):
    assert engine.recognize(say(voice, text))[0].text == text


def test_what_was_heard_before_changes_nothing(engine):
    samples = say("flite:kal16", "low side thirty")
    first = engine.recognize(samples)
    engine.recognize(say("flite:awb", "high side is seventeen") * 0.1)
    assert engine.recognize(samples) == first


def test_the_runner_up_is_a_rival_figure_and_not_another_wording(engine):
    found = engine.recognize(say("flite:kal16", "low side fifty"), n_best=3)
    assert found[0].text == "low side fifty" and len(found) > 1
    assert len({h.text for h in found}) == len(found) and len({meaning(h.text.split()) for h in found}) == len(found)
    assert all(small_language().accepts(h.text.split()) for h in found)
    assert [h.score for h in found] == sorted((h.score for h in found), reverse=True)
    assert found[0].confidence > found[1].confidence
    assert len(engine.recognize(say("flite:kal16", "low side fifty"), n_best=1)) == 1


@pytest.mark.parametrize("samples", [np.zeros(32_000), np.zeros(0), np.full(16_000, 0.2), np.random.default_rng(0).normal(size=48_000) * 0.05],
                         ids=["silence", "nothing", "offset", "hiss"])
def test_no_speech_is_nothing_heard(engine, samples):
    assert engine.recognize(samples.astype(np.float32)) == []


def test_other_speech_and_bay_noise_are_less_sure_than_the_language(engine):
    other = [say(v, t) for v in VOICES for t in ("my dog ate the newspaper this morning", "who parked the truck in front of the door")]
    other += [shop_noise(3, seed) * 0.05 for seed in range(3)]
    unsure = max((h.confidence for samples in other for h in engine.recognize(samples)[:1]), default=0.0)
    sure = min(engine.recognize(say(v, t))[0].confidence for v in VOICES for t in ("low side thirty", "high side is seventeen"))
    assert unsure < sure


def test_confidence_rises_with_the_margin_and_falls_with_the_garbage_measures():
    def confidence(**changed) -> float:
        return sphinx.confidence_of(sphinx.Cues(**({"margin": 30.0, "gap": 0.5, "unsaid": 0.1} | changed)))

    assert confidence(margin=100.0) > confidence() > confidence(margin=1.0)
    assert confidence(gap=2.0) < confidence()
    assert confidence(unsaid=0.6) < confidence()


def test_the_word_in_doubt_is_as_sure_as_the_whole(engine):
    best, rival = engine.recognize(say("flite:kal16", "low side fifty"), n_best=2)
    place = [i for i, (a, b) in enumerate(zip(best.text.split(), rival.text.split(), strict=True)) if a != b]
    assert place and all(best.words[i].confidence == best.confidence for i in place)
    assert all(w.confidence > best.confidence for i, w in enumerate(best.words) if i not in place)


def heard(*texts: str) -> list[Hypothesis]:
    return [Hypothesis(tuple(HeardWord(w, 0.0, 1.0, 0.9) for w in text.split()), 0.0, 0.5) for text in texts]


def test_it_can_be_told_what_others_heard(engine):
    assert isinstance(engine, NearListener)


def test_near_what_others_heard_only_what_sounds_like_it_is_listened_for(engine):
    samples = say("flite:awb", "low side fifteen high side ninety")
    for others in ([heard("low side fifty high side nineteen")], [heard("low side fifteen high side ninety"), heard("low side fifty")]):
        assert engine.recognize_near(samples, others)[0].text == "low side fifteen high side ninety"      # wrong in two places, and still found
    other = say("flite:awb", "engine off")
    assert engine.recognize(other)[0].text == "engine off"
    assert "engine off" not in [h.text for h in engine.recognize_near(other, [heard("low side thirty")])[:1]]


def test_the_whole_language_is_listened_for_where_others_heard_nothing_and_after_another_search(engine):
    samples = say("flite:awb", "low side fifteen")
    whole = engine.recognize(samples)
    assert engine.recognize_near(samples, [[], []]) == whole
    engine.recognize_near(samples, [heard("low side thirty")])
    assert engine.recognize(samples) == whole


def test_the_installed_language_is_heard(monkeypatch):
    engine = SphinxRecognizer()
    assert engine.recognize(say("flite:awb", "low side is thirty seven"))[0].text == "low side is thirty seven"


def test_what_was_said_fits_the_sound_better_than_what_was_not(engine):
    samples = say("flite:awb", "low side fifty")
    engine.recognize(samples)
    scores = engine.score(samples, ["low side fifty".split(), "low side seventeen".split(), "high side fifty".split(), "engine off".split()])
    assert scores[0] == max(scores) and scores[3] == min(scores)
    assert engine.score(np.zeros(16_000, np.float32), [["engine", "off"]]) is None
