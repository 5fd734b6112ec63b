"""Opinions of given candidates: held against the libraries that the numbers come from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hoodnote.capture.speech.alignment import candidate_scores, senones_of, senones_within
from hoodnote.capture.speech.neural import NeuralRecognizer
from hoodnote.capture.speech.neural_model import END
from hoodnote.capture.speech.neural_search import greedy
from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis, Rescorer
from hoodnote.capture.speech.senones import PhoneModel, read_senone_scores
from hoodnote.capture.speech.sphinx import SphinxRecognizer, pcm, with_quiet
from hoodnote.capture.speech.sphinx_search import Search
from hoodnote.capture.speech.voiced import voiced
from hoodnote.capture.speech.spellings import spellings
from hoodnote.errors import HoodnoteError
from hoodnote.language.automaton import Automaton, Network
from hoodnote.language.grammar import load
from hoodnote.language.prior import Prior, load_prior
from tests.bench.utterances import utterances
from tests.bench.voices import say
from tests.test_sphinx import PRONUNCIATIONS, meaning, small_language

SENTENCES = ["low side fifteen high side ninety", "low side fifty high side ninety", "low side fifteen high side nineteen", "high side seventy high side ninety"]


@pytest.fixture(scope="module")
def sphinx() -> SphinxRecognizer:
    return SphinxRecognizer(small_language(), PRONUNCIATIONS, meaning)


@pytest.fixture(scope="module")
def neural() -> NeuralRecognizer:
    return NeuralRecognizer()


def alone(model: PhoneModel, text: str) -> Search:
    """Held to one sentence, pocketsphinx gives its own score of it."""
    words = text.split()
    return Search(model, Automaton(0, [*({w: i + 1} for i, w in enumerate(words)), {}], frozenset({len(words)})), PRONUNCIATIONS)


def sound_of(samples: np.ndarray) -> bytes:
    centred = samples - samples.mean()
    return pcm(with_quiet(centred, voiced(centred))[0])


@pytest.mark.parametrize("voice", ["flite:kal16", "flite:awb"])
def test_differences_of_alignments_are_those_of_pocketsphinx_itself(sphinx, voice):
    samples = say(voice, SENTENCES[0])
    ours = sphinx.score(samples, [s.split() for s in SENTENCES])
    theirs = [alone(sphinx._phone_model, s).decode(sound_of(samples))[0].score for s in SENTENCES]
    # a silence between words costs them more; nothing else differs
    assert [a - ours[0] for a in ours] == pytest.approx([t - theirs[0] for t in theirs], abs=30)


def test_many_candidates_score_as_each_alone(sphinx):
    samples = say("flite:awb", SENTENCES[0])
    together = sphinx.score(samples, [s.split() for s in SENTENCES])
    assert together == pytest.approx([sphinx.score(samples, [s.split()])[0] for s in SENTENCES], abs=0.01)


def test_where_a_candidate_is_cut_does_not_change_its_score(sphinx):
    rng, model = np.random.default_rng(7), sphinx._phone_model
    spoken = Search(model, small_language(), PRONUNCIATIONS).decode(sound_of(say("flite:kal16", "low side thirty high side seventy")))[1]
    figures = [f for f in PRONUNCIATIONS if f.endswith(("ty", "teen"))]
    for _ in range(5):
        said = [" ".join(f"{rng.choice(['low', 'high'])} side {rng.choice(figures)}" for _ in range(rng.integers(1, 4))).split() for _ in range(12)]
        said += [["off"], said[0][:-1], said[0][1:]]
        together = candidate_scores(model, spoken, said, PRONUNCIATIONS)
        assert together == pytest.approx([candidate_scores(model, spoken, [words], PRONUNCIATIONS)[0] for words in said], abs=0.05)


def test_the_part_of_the_model_that_a_language_needs_hears_as_the_whole_model(sphinx):
    model, data = sphinx._phone_model, sound_of(say("flite:awb", SENTENCES[0]))
    needed = senones_within(model, small_language(), PRONUNCIATIONS)
    whole, part = Search(model, small_language(), PRONUNCIATIONS), Search(model, small_language(), PRONUNCIATIONS, needed)
    assert part.model.senones < model.senones / 5
    (heard, scores), (heard_in_part, scores_in_part) = whole.decode(data), part.decode(data)
    assert [w[:3] for w in heard_in_part.words] == [w[:3] for w in heard.words] and heard.words
    said = [s.split() for s in SENTENCES]
    ours, in_part = candidate_scores(model, scores, said, PRONUNCIATIONS), candidate_scores(part.model, scores_in_part, said, PRONUNCIATIONS)
    assert in_part - in_part[0] == pytest.approx(ours - ours[0], abs=0.05)


@pytest.mark.parametrize("text", ["low side thirty", "engine off", "high side is seventeen low side ninety"])
def test_what_a_sentence_needs_is_what_the_language_needs_for_it(sphinx, text):
    words, model = text.split(), sphinx._phone_model
    line = Automaton(0, [*({w: i + 1} for i, w in enumerate(words)), {}], frozenset({len(words)}))
    assert senones_of(model, [words], PRONUNCIATIONS) == senones_within(model, line, PRONUNCIATIONS) | set(model.states(3, "SIL", "SIL", "SIL")[0].tolist())


def test_a_candidate_far_from_what_was_listened_for_is_scored_as_by_the_whole_model(sphinx):
    samples, said = say("flite:awb", "low side fifteen"), ["low side fifteen".split(), "engine off".split(), "low side fifty".split()]
    sphinx.recognize(samples)
    whole = sphinx.score(samples, said)
    sphinx.recognize_near(samples, [[Hypothesis(tuple(HeardWord(w, 0.0, 1.0, 0.9) for w in said[2]), 0.0, 0.5)]])
    near = sphinx.score(samples, said)
    assert np.subtract(near, near[0]) == pytest.approx(np.subtract(whole, whole[0]), abs=0.05)


def test_alignment_of_a_single_phone_is_the_sum_worked_out_by_hand(sphinx):
    model = sphinx._phone_model
    senones, matrix = model.states(3, "AA", "SIL", "SIL")
    scores = np.full((3, model.senones), -1000.0, np.float32)
    for frame, senone in enumerate(senones):
        scores[frame, senone] = -float(frame + 1)
    (found,) = candidate_scores(model, scores, [["ah"]], {"ah": ["AA"]})
    assert found == pytest.approx(-6 + model.go[matrix].sum(), abs=1e-3)     # three frames, each state once


def test_transitions_are_probabilities(sphinx):
    model: PhoneModel = sphinx._phone_model
    total = np.exp(model.stay) + np.exp(model.go)
    assert (total > 0.5).all() and (total < 1.001).all()      # the rest skips a state, which no phone of this model does often


def test_scores_that_are_not_whole_are_refused(tmp_path):
    path = tmp_path / "a.sen"
    path.write_bytes(b"s3\nversion 0.1\n")
    with pytest.raises(HoodnoteError):
        read_senone_scores(path)


@pytest.mark.parametrize("text", ["low side thirty two", "charged one pound four ounces", "condenser fan on"])
def test_a_text_is_cut_as_the_model_cuts_its_own(neural, text):
    model = neural._model
    sound = neural.clips.of(say("flite:awb", text)).sounds[0]
    written, _, count = greedy(model, sound, 40)
    logs, memory = model.begin(sound)
    tokens = []
    for _ in range(count):
        tokens.append(int(logs[0].argmax()))
        logs, memory = model.step([tokens[-1]], memory)
    assert tokens[-1] == END and model.tokens(" " + written) == tokens[:-1]


def test_a_given_text_scores_as_written_step_by_step(neural):
    model = neural._model
    begun = model.begin(neural.clips.of(say("flite:awb", "low side thirty two")).sounds[0])
    for text in (" Low side 32.", " low side thirty two high side ten"):
        tokens, (logs, memory), total = model.tokens(text), begun, 0.0
        for token in tokens:
            total += float(logs[0, token])
            logs, memory = model.step([token], memory)
        # the weights are stored in 8 bits and rounded by what is computed together
        assert model.force(begun, [tokens]) == pytest.approx([total + float(logs[0, END])], abs=1.5)


def test_the_score_of_a_candidate_does_not_depend_on_the_others(neural):
    samples = say("flite:awb", "low side fifteen")
    words = [w.split() for w in ("low side fifteen", "low side fifty", "high side fifteen p s i")]
    assert neural.score(samples, words)[0] == pytest.approx(neural.score(samples, words[:1])[0], abs=1e-3)


def test_the_score_of_a_candidate_does_not_depend_on_the_clips_before(neural):
    samples, words = say("flite:awb", "low side fifteen"), [w.split() for w in ("low side fifteen", "low side fifty", "high side fifteen p s i")]
    first = neural.score(samples, words)
    neural.score(say("flite:awb", "low side fifty"), [w.split() for w in ("low side fifty", "high side fifteen p s i", "engine off")])
    assert neural.score(samples.copy(), words) == first


def test_both_engines_prefer_what_was_said(neural, sphinx):
    samples = say("flite:awb", "low side fifteen")
    for engine in (neural, sphinx):
        assert isinstance(engine, Rescorer)
        engine.recognize(samples)
        said, *others = engine.score(samples, ["low side fifteen".split(), "high side ninety".split(), "engine off".split()])
        assert said > max(others)
    assert neural.score(np.zeros(16_000, np.float32), [["engine", "off"]]) is None


@pytest.mark.parametrize(("words", "figures"), [
    ("static low side thirteen p s i high side two ten", "Static low side 13 psi high side 210."),
    ("charged one pound twelve ounces", "Charged 1 pound 12 ounces."),
    ("battery twelve point six volts", "Battery 12.6 volts."),
    ("condenser fan on", "Condenser fan on."),
])
def test_spellings(words, figures):
    plain, written = spellings(words.split())
    assert written == figures and plain.lower().rstrip(".").replace("psi", "p s i") == words


def test_prior_of_a_small_network_by_hand():
    network = Network()
    start, middle, end = network.state(), network.state(), network.state()
    network.start, network.finals = start, {end}
    network.arc(start, "a", middle, weight=3.0)
    network.arc(start, None, middle, weight=1.0)
    network.arc(middle, "b", end)
    network.arc(middle, "b", middle)
    prior = Prior(network)
    assert math.exp(prior.log_probability(["a", "b"])) == pytest.approx(0.75 * 0.5)
    assert math.exp(prior.log_probability(["b", "b"])) == pytest.approx(0.25 * 0.25)
    assert prior.log_probability(["c"]) == -math.inf


def test_every_utterance_of_the_language_has_a_probability_and_nothing_else_has():
    for made in utterances(40, 5):
        assert -200 < load_prior().log_probability(made.text.split()) < 0
        assert load_prior().log_probability([*made.text.split(), "percent", "percent"]) == -math.inf
    assert load().automaton.accepts(["engine", "off"])
