"""The phone listener: its sums against all alignments written out, its search against all sentences, and synthetic speech of voices it was not trained on."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from hoodnote.capture.ctc import BLANK, sequence_logs
from hoodnote.capture.speech import phone_model
from hoodnote.capture.speech.phone_model import PHONES, PhoneModel
from hoodnote.capture.speech.phone_search import PhoneSearch, Tuning
from hoodnote.capture.speech.phones import PhoneRecognizer
from hoodnote.errors import HoodnoteError
from hoodnote.language import lexicon
from tests.bench.voices import say


def some_logs(frames: int, units: int, seed: int) -> np.ndarray:
    p = np.random.default_rng(seed).dirichlet(np.ones(units), frames)
    return np.log(p)


def collapsed(path: tuple[int, ...]) -> tuple[int, ...]:
    """Repeats joined, then blanks dropped: the definition in Graves et al., ICML 2006."""
    return tuple(unit for unit, _ in itertools.groupby(path) if unit != BLANK)


def by_hand(logs: np.ndarray) -> dict[tuple[int, ...], float]:
    """Every path of units written out, summed by what it says."""
    out: dict[tuple[int, ...], float] = {}
    for path in itertools.product(range(logs.shape[1]), repeat=len(logs)):
        said = collapsed(path)
        out[said] = out.get(said, 0.0) + float(np.exp(sum(logs[t, unit] for t, unit in enumerate(path))))
    return out


@pytest.mark.parametrize("seed", range(3))
def test_the_log_of_a_sequence_is_the_sum_over_all_its_alignments(seed):
    logs = some_logs(6, 4, seed)
    expected = by_hand(logs)
    sequences = [(1,), (1, 2), (2, 2), (3, 1, 3), (1, 1, 2)]
    assert np.exp(sequence_logs(logs, sequences)) == pytest.approx([expected[s] for s in sequences])


def test_the_log_of_a_sequence_of_more_frames_than_go_without_rescaling():
    logs = some_logs(10, 3, 5)
    expected = by_hand(logs)
    sequences = [(1,), (1, 2), (2, 2), (1, 2, 1, 2), (2, 2, 1)]
    assert sequence_logs(logs, sequences) == pytest.approx([np.log(expected[s]) for s in sequences])
    # a thousand times as unlikely in every frame: as numbers, not as logs, it would be nothing
    assert sequence_logs(np.tile(logs, (40, 1)) - 7.0, [(1, 2)])[0] == pytest.approx(sequence_logs(np.tile(logs, (40, 1)), [(1, 2)])[0] - 2800.0)


def test_what_has_no_room_is_impossible():
    assert sequence_logs(some_logs(3, 3, 0), [(1, 1, 2)])[0] == -np.inf     # a repeat needs a blank between


@pytest.mark.parametrize("seed", range(4))
def test_the_search_finds_the_likeliest_sentence(seed):
    ways = {"ab": [(1, 2)], "a": [(1,)], "bc": [(2, 3)], "c": [(3,)], "bb": [(2, 2)]}
    arcs = [{"ab": 1, "a": 2, "bb": 1}, {"c": 3}, {"bc": 3, "c": 3}, {}]
    grammar = [({word: 1 / len(row) for word in row}, 0.0) for row in arcs[:3]] + [({}, 1.0)]
    logs = some_logs(6, 4, seed)
    found = PhoneSearch(0, arcs, grammar, ways.__getitem__, Tuning(prune=1e9, least=-1e9, grammar=0.0)).best(logs, 9)
    every = {("ab", "c"): (1, 2, 3), ("bb", "c"): (2, 2, 3), ("a", "bc"): (1, 2, 3), ("a", "c"): (1, 3)}
    summed = by_hand(logs)
    expected = {words: np.log(summed[units]) for words, units in every.items() if summed.get(units)}
    assert {f.words: f.score for f in found} == pytest.approx(expected)
    assert [f.score for f in found] == sorted((f.score for f in found), reverse=True)


def test_phones_are_those_of_the_dictionary():
    assert set(PHONES) == lexicon.PHONES     # CMU Pronouncing Dictionary, without stress


@pytest.mark.parametrize(("file", "digest", "why"), [("no_such.npz", "", "install hoodnote again"), (None, "0" * 64, "damaged")])
def test_weights_that_are_missing_or_damaged_are_said_to_be(monkeypatch, file, digest, why):
    if file:
        monkeypatch.setattr(phone_model, "_FILE", file)
    monkeypatch.setattr(phone_model, "_SHA256", digest)
    with pytest.raises(HoodnoteError, match=why):
        PhoneModel()


@pytest.fixture(scope="module")
def listener() -> PhoneRecognizer:
    return PhoneRecognizer()


@pytest.mark.parametrize(("voice", "said", "words"), [
    ("flite:awb", "low side thirty two P S I", "low side thirty two p s i"),
    ("festival:ked_diphone@1.1", "vacuum nine hundred microns", "vacuum nine hundred microns"),
    ("espeak:en-gb-x-rp+f4@180", "high side two hundred fifteen", "high side two hundred fifteen"),
])
def test_hears_what_was_said_by_voices_it_was_not_trained_on(listener, voice, said, words):
    samples = np.pad(say(voice, said), 4_000)
    best = listener.recognize(samples)[0]
    assert best.text == words and best.confidence > 0.5
    ends = [w.end_s for w in best.words]
    assert ends == sorted(ends) and 0 <= best.words[0].start_s and ends[-1] <= len(samples) / 16_000
    scores = listener.score(samples, [words.split(), "engine off".split()])
    assert scores[0] > scores[1]


@pytest.mark.parametrize("sentence", ["did you see the game last night", "turn the radio down I am trying to work"])
def test_talk_that_is_none_of_the_language_is_not_heard(listener, sentence):
    assert listener.recognize(np.pad(say("flite:awb", sentence), 4_000)) == []


def test_silence_says_nothing(listener):
    silence = np.zeros(32_000, np.float32)
    assert listener.recognize(silence) == [] and listener.score(silence, [["yes"]]) is None


def test_a_clip_that_comes_again_is_not_encoded_again(listener):
    samples = np.pad(say("flite:awb", "low side thirty two"), 4_000)
    first = listener.clips.of(samples)
    assert listener.clips.of(samples.copy()) is first
    assert listener.clips.of(np.pad(samples, (0, 160))) is not first
