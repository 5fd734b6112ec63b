"""What sounds like an utterance: in the language, different, and the pairs that people and machines mistake among them."""

from __future__ import annotations

import random

import pytest

from hoodnote.language.confusable import Confusables, teen_or_tens, word_distance
from hoodnote.language.grammar import load
from hoodnote.language.lexicon import pronunciations
from tests.bench.utterances import utterances


@pytest.fixture(scope="module")
def near() -> Confusables:
    automaton = load().automaton
    return Confusables(automaton, pronunciations(automaton.labels))


@pytest.mark.parametrize(("said", "mistaken"), [
    ("pump ran thirteen minutes", "pump ran thirty minutes"),
    ("pump ran forty minutes", "pump ran fourteen minutes"),
    ("vent fifty degrees", "vent fifteen degrees"),
    ("low side sixteen high side two ten", "low side sixty high side two ten"),
    ("low side thirty five", "both sides thirty five"),
    ("low side thirty five", "low side thirty"),
    ("low side thirty", "high side thirty"),
    ("power at the clutch", "no power at the clutch"),
    ("no power at the clutch", "power at the clutch"),
    ("clutch not engaged", "clutch engaged"),
    ("charged nine ounces", "charged five ounces"),
])
def test_what_is_often_mistaken_is_near(near, said, mistaken):
    assert tuple(mistaken.split()) in near.neighbours(said.split(), 45)


def test_neighbours_are_other_utterances_of_the_language_and_no_more_than_asked_for(near):
    for made in utterances(40, 11):
        words = tuple(made.text.split())
        count = random.Random(made.text).randint(1, 30)
        found = near.neighbours(words, count)
        assert len(found) == len(set(found)) <= count and words not in found
        assert all(load().automaton.accepts(n) for n in found)


def test_the_likeliest_mistake_comes_first(near):
    assert near.neighbours("vent thirteen".split(), 1) == [("vent", "thirty")]


def test_distance_is_none_for_the_same_sound_and_larger_for_more_difference():
    two, too = ["T UW"], ["T UW"]
    assert word_distance(two, too) == 0
    assert word_distance(["TH ER T IY N"], ["TH ER T IY"]) < word_distance(["TH ER T IY N"], ["S EH V AH N"])
    assert word_distance(["N AY N"], ["M AY N"]) < word_distance(["N AY N"], ["K AY N"])
    assert word_distance(["B AE K"], ["N AY N", "B AE K"]) == 0


@pytest.mark.parametrize(("words", "expected"), [
    ("battery fourteen volts", True), ("high side one hundred thirty", True), ("low side forty two p s i", False), ("vent fifty degrees", True),
    ("low side ninety", True), ("pump ran for ten minutes", False), ("high side two hundred and one", False), ("humidity twenty percent", True),
    ("gauges connected", False)])
def test_numbers_that_one_sound_makes_another(words, expected):
    assert teen_or_tens(words.split()) is expected
