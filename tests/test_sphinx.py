"""pocketsphinx held to a small language, with its real model and flite's voices."""

from __future__ import annotations

import numpy as np
import pytest

from hoodnote.capture.speech import sphinx
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


@pytest.mark.parametrize(("words", "other", "indices"), [("a b c", "a x c", [1]), ("a b c", "a c", [1]), ("a c", "a b c", []),
                                                         ("a", "b", [0]), ("a a", "a a a", []), ("a b", "a b", [])])
def test_where_two_hypotheses_differ(words, other, indices):
    assert list(sphinx._differing(tuple(words.split()), tuple(other.split()))) == indices


def test_the_installed_language_is_heard(monkeypatch):
    engine = SphinxRecognizer()
    assert engine.recognize(say("flite:awb", "low side is thirty seven"))[0].text == "low side is thirty seven"


def test_what_was_said_fits_the_sound_better_than_what_was_not(engine):
    samples = say("flite:awb", "low side fifty")
    engine.recognize(samples)
    scores = engine.score(samples, ["low side fifty".split(), "low side seventeen".split(), "high side fifty".split(), "engine off".split()])
    assert scores[0] == max(scores) and scores[3] == min(scores)
    assert engine.score(np.zeros(16_000, np.float32), [["engine", "off"]]) is None
