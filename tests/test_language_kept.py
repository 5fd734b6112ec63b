"""The language kept in a folder between two starts is the language."""

from __future__ import annotations

import pytest

from hoodnote.language import kept as module
from hoodnote.language import lexicon
from hoodnote.language.grammar import Language, load
from hoodnote.language.kept import keep_in, kept
from hoodnote.language.lexicon import pronunciations
from hoodnote.language.surface import Surface, load_surface


@pytest.fixture
def place(tmp_path):
    keep_in(tmp_path / "language")
    yield tmp_path / "language"
    keep_in(None)


def again() -> tuple[Language, Surface]:
    """As a new start of the program has them."""
    now, written = load(), load_surface()
    language = Language(now.grammars, now.taught)
    return language, Surface(language, written.written, written.glued)


def test_kept_language_is_the_one_that_was_worked_out_and_is_not_worked_out_again(place, monkeypatch):
    known, written = load(), load_surface()
    first, surface = again()
    assert first.probabilities and surface.char_automaton
    sounds = pronunciations(first.words)
    assert sorted(p.name.split("-")[0] for p in place.iterdir()) == ["letters", "probabilities", "sounds", "tokens", "words"]
    monkeypatch.setattr(Language, "network", property(lambda self: pytest.fail("worked out again")))
    monkeypatch.setattr(lexicon, "_merged", lambda: pytest.fail("read again"))
    second, surface = again()
    assert second.automaton == known.automaton
    assert second.probabilities == known.probabilities
    assert surface.char_automaton == written.char_automaton and surface.tokens == written.tokens
    assert pronunciations(second.words) == sounds


@pytest.mark.parametrize("damage", [b"", b"\xff\xfe", b"0\n[]", b"[1, {}"])
def test_damaged_file_is_made_again(place, damage):
    assert kept("words", (), lambda: [1, {"a": 2.5}]) == [1, {"a": 2.5}]
    (path,) = place.iterdir()
    path.write_bytes(damage)
    assert kept("words", (), lambda: [3]) == [3]
    assert kept("words", (), pytest.fail) == [3]


def test_other_phrases_or_another_grammar_are_another_file_and_the_old_one_goes(place, monkeypatch):
    assert kept("words", ("one",), lambda: 1) == 1
    assert kept("words", ("two",), lambda: 2) == 2
    monkeypatch.setattr(module, "_sources", lambda: "another grammar")
    assert kept("words", ("two",), lambda: 3) == 3
    assert len(list(place.iterdir())) == 1


def test_folder_that_cannot_be_written_costs_nothing_but_time(tmp_path):
    (tmp_path / "file").write_text("in the way")
    keep_in(tmp_path / "file" / "language")
    try:
        assert kept("words", (), lambda: 1) == 1
    finally:
        keep_in(None)
