"""What sounds like an utterance: in the language, different, and the pairs that people and machines mistake among them."""

from __future__ import annotations

import random

import pytest

from hoodnote.language.confusable import Confusables, differing, teen_or_tens, word_distance
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


@pytest.mark.parametrize(("words", "other", "indices"), [("a b c", "a x c", [1]), ("a b c", "a c", [1]), ("a c", "a b c", []),
                                                         ("a", "b", [0]), ("a a", "a a a", []), ("a b", "a b", [])])
def test_where_two_sentences_differ(words, other, indices):
    assert list(differing(tuple(words.split()), tuple(other.split()))) == indices


def test_around_what_was_heard_lies_what_sounds_like_it_in_several_places_at_once(near):
    heard = "low side sixteen high side two ten".split()
    found = near.around([[heard]], 45)
    for said in ("low side sixteen high side two ten", "low side sixty high side two ten", "low side sixty low side two ten"):
        assert found.accepts(said.split())
    assert not found.accepts("pump ran thirteen minutes".split())


def test_around_lie_all_that_was_heard_the_neighbours_of_the_likeliest_and_nothing_outside_the_language(near):
    first, second, rank = ("vent", "thirteen"), ("clutch", "engaged"), ("pump", "ran", "forty", "minutes")
    found = near.around([[first, rank], [second]], 20)
    assert all(found.accepts(words) for words in (first, second, rank, *near.neighbours(first, 20), *near.neighbours(second, 20)))
    assert not found.accepts("pump ran fourteen minutes".split())      # a neighbour of what was not likeliest
    rng = random.Random(3)
    assert all(load().automaton.accepts(found.sample(rng)) for _ in range(200))


def test_a_word_that_was_overlooked_is_put_in_once(near):
    automaton = near.around([["low side thirty".split()]], 45)
    assert max(map(len, automaton.covering_paths())) <= 6 and all(s not in arcs.values() for s, arcs in enumerate(automaton.arcs))


def test_preparations_leave_nothing_to_be_worked_out():
    automaton = load().automaton
    fresh, prepared = (Confusables(automaton, pronunciations(automaton.labels)) for _ in range(2))
    for work in prepared.preparations():
        work()
    assert prepared._known.keys() == automaton.labels
    assert prepared.alike("fifteen") == fresh.alike("fifteen")
