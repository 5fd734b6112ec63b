"""The beam search over tokens, with a model of a few tokens whose every probability can be added up by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from hoodnote.capture.speech.neural_model import END
from hoodnote.capture.speech.neural_search import Search, Tuning
from hoodnote.capture.speech.tokens import TokenConstraint
from tests.test_neural_tokens import Letters, letters_of

TEXTS = dict(enumerate((" ", "o", "n", "e", " o", "on", " on", "one", " one", "t", "w", "tw", " two", " t", "two", "-"), 3))
SIZE = 3 + len(TEXTS)


class Written:
    """Remembers what each beam has written."""

    def __init__(self, texts: list[str]):
        self.texts = texts

    def take(self, rows: list[int]) -> Written:
        return Written([self.texts[row] for row in rows])


class Model:
    """What it expects next depends on the text alone, not on the tokens it was written with."""

    texts = TEXTS

    def __init__(self) -> None:
        self.rows: list[str] = []          # what was written by the beams that were read further

    def encode(self, samples: np.ndarray) -> np.ndarray:
        return samples

    def begin(self, sound: np.ndarray) -> tuple[np.ndarray, Written]:
        return self._logs([""]), Written([""])

    def step(self, tokens: list[int], memory: Written) -> tuple[np.ndarray, Written]:
        written = Written([text + TEXTS[token] for text, token in zip(memory.texts, tokens, strict=True)])
        self.rows += written.texts
        return self._logs(written.texts), written

    def _logs(self, texts: list[str]) -> np.ndarray:
        rows = np.stack([np.random.default_rng(list(text.encode())).normal(size=SIZE) for text in texts])
        return (rows - np.logaddexp.reduce(rows, axis=1, keepdims=True)).astype(np.float64)


def by_hand(model: Model, text: str, prior: float) -> float:
    """Natural log of all the ways in which tokens write the text; the model of the prior is the same one, so that a share of each log is left."""
    total = -math.inf
    for cuts in itertools.product((False, True), repeat=len(text) - 1):
        ends = [i + 1 for i, cut in enumerate(cuts) if cut] + [len(text)]
        parts = [text[a:b] for a, b in zip([0, *ends], ends)]
        numbers = {written: token for token, written in TEXTS.items()}
        if all(part in numbers for part in parts):
            before = ["".join(parts[:i]) for i in range(len(parts))]
            logs = [model._logs([b])[0, numbers[p]] for b, p in zip(before, parts)] + [model._logs([text])[0, END]]
            total = np.logaddexp(total, (1 - prior) * sum(logs))
    return float(total)


@pytest.mark.parametrize("sentences", [{"one", "two"}, {"one two", "two one", "one"}, {"one one one", "two"}])
def test_all_the_ways_to_write_a_sentence_count_in_it(sentences):
    model = Model()
    search = Search(model, TokenConstraint(letters_of(sentences), TEXTS), Tuning(beams=500, prune=80.0))
    found: dict[str, float] = {}
    for beam in search.finished(np.zeros(1), longest=20, letters=40):
        found[beam.text] = float(np.logaddexp(found.get(beam.text, -math.inf), beam.score))
    assert found == pytest.approx({" " + sentence: by_hand(model, " " + sentence, Tuning().prior) for sentence in sentences}, abs=1e-6)


def test_a_long_transcript_is_added_up_as_well():
    sentence = " ".join(["one two"] * 200)
    search = Search(Model(), TokenConstraint(letters_of({sentence}), TEXTS), Tuning(beams=8, prune=80.0))
    best = search.finished(np.zeros(1), longest=1600, letters=1700)[0]
    assert best.text == " " + sentence and best.score > sum(log for _, log in best.marks)


def test_what_was_reached_before_with_more_is_not_said_again():
    model = Model()
    search = Search(model, TokenConstraint(letters_of({"one two one two"}), TEXTS), Tuning(beams=500, prune=80.0))
    assert search.finished(np.zeros(1), longest=30, letters=40)
    ways = 2 ** len("one two")             # and more, of the first half alone: with each of them the second half would be said anew
    assert model.rows.count(" one two one two") < ways / 8


@pytest.mark.parametrize(("arcs", "finals", "texts"), [
    ([{"o": 1}, {"n": 2}, {"e": 3}, {" ": 4, "-": 4}, {"t": 5}, {"w": 6}, {"o": 7}, {}], {7}, 1),
    ([{"o": 1}, {"n": 2}, {"e": 3}, {" ": 4, "-": 8}, {"t": 5}, {"w": 6}, {"o": 7}, {}, {"t": 9}, {"w": 10}, {"o": 11}, {}], {7, 11}, 2),
])
def test_a_hyphen_is_a_space_where_both_lead_to_the_same(arcs, finals, texts):
    model = Model()
    search = Search(model, TokenConstraint(Letters(0, arcs, frozenset(finals)), TEXTS), Tuning(beams=500, prune=80.0))
    assert len({beam.text for beam in search.finished(np.zeros(1), longest=20, letters=40)}) == texts
