"""The token constraint against direct membership in toy languages, and the reading of the vocabulary file."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hoodnote.capture.speech.neural_model import read_vocabulary, token_texts
from hoodnote.capture.speech.tokens import TokenConstraint, pieces
from hoodnote.errors import HoodnoteError


@dataclass
class Letters:
    start: int
    arcs: list[dict[str, int]]
    finals: frozenset[int]


def letters_of(sentences: set[str]) -> Letters:
    arcs: list[dict[str, int]] = [{}]
    finals = set()
    for sentence in sorted(sentences):
        state = 0
        for letter in sentence:
            if letter not in arcs[state]:
                arcs[state][letter] = len(arcs)
                arcs.append({})
            state = arcs[state][letter]
        finals.add(state)
    return Letters(0, arcs, frozenset(finals))


def everything_written(constraint: TokenConstraint, texts: dict[int, str], most: int = 12) -> set[str]:
    done, open_ = set(), [(TokenConstraint.BEFORE, "")]
    for _ in range(most):
        grown = []
        for state, text in open_:
            ids, targets = constraint.allowed(state)
            grown += [(int(target), text + texts[int(token)]) for token, target in zip(ids, targets)]
        done |= {text for state, text in grown if constraint.ends(state)}
        open_ = list(set(grown))
    return done


words = st.text("ab", min_size=1, max_size=3)
sentences = st.sets(st.lists(words, min_size=1, max_size=3).map(" ".join), min_size=1, max_size=6)


@given(sentences, st.sets(st.text("ab ", min_size=1, max_size=4)))
def test_tokens_write_the_sentences_of_the_language_and_nothing_else(language, further_tokens):
    texts = dict(enumerate(sorted({*further_tokens, "a", "b", " "})))
    constraint = TokenConstraint(letters_of(language), texts)
    assert everything_written(constraint, texts) == {" " + sentence for sentence in language}


@given(sentences)
def test_a_token_that_leaves_the_language_is_never_allowed(language):
    texts = dict(enumerate(["a", "b", " ", " a", "ab", "ba b", "c", "ac"]))
    constraint = TokenConstraint(letters_of(language), texts)
    for text in everything_written(constraint, texts):
        assert "c" not in text and text[1:] in language


def test_states_that_lead_to_no_end_are_left_out():
    letters = Letters(0, [{"a": 1, "b": 2}, {}, {"b": 3}, {"b": 2}], frozenset({1}))
    constraint = TokenConstraint(letters, {0: " a", 1: " b", 2: "b"})
    ids, targets = constraint.allowed(TokenConstraint.BEFORE)
    assert ids.tolist() == [0] and targets.tolist() == [1]


@given(sentences, st.sets(st.text("abc ", min_size=1, max_size=4)))
def test_pieces_of_the_language_are_what_its_sentences_can_be_written_with(language, further_tokens):
    texts = dict(enumerate(sorted({*further_tokens, "a", "b", " ", " a"})))
    written = [" " + sentence for sentence in language]
    assert pieces(letters_of(language), texts) == {number for number, text in texts.items() if any(text in sentence for sentence in written)}


def test_a_speaker_may_draw_breath_only_where_a_word_is_complete():
    constraint = TokenConstraint(letters_of({"low side", "low"}), {0: "l"})
    breath = {text: constraint.rests(state) for text, state in (("l", 1), ("low", 3), ("low s", 5), ("low side", 8))}
    assert breath == {"l": False, "low": True, "low s": False, "low side": True}


def as_file(tokens: list[bytes]) -> bytes:
    return b"".join((bytes([len(t)]) if len(t) < 128 else bytes([len(t) % 128 + 128, len(t) // 128])) + t for t in tokens)


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_the_vocabulary_comes_back_as_it_was_written(tokens):
    assert read_vocabulary(as_file(tokens)) == tokens


def test_a_vocabulary_that_is_cut_off_is_refused_in_one_line():
    with pytest.raises(HoodnoteError, match="install it again") as refusal:
        read_vocabulary(as_file([b"low", b"side"])[:-1])
    assert "\n" not in str(refusal.value)


def test_control_and_byte_tokens_write_nothing():
    vocabulary = [b"<unk>", b"<s>", b"</s>", *(bytes([b]) for b in range(256)), "\u2581low".encode(), b"<<ST_7>>", b"\xe2\x96", b""]
    assert token_texts(vocabulary) == {259: " low"}
