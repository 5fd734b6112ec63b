"""Written text: every spelling comes back to words of the same meaning, and only figures that can be said are read."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal

import pytest

from hoodnote.language.grammar import load
from hoodnote.language.surface import load_surface, to_words
from hoodnote.statements.parser import NotSayable, parse
from hoodnote.statements.typed import parse_text


@pytest.mark.parametrize("text, said", [
    ("Low side 30 PSI.", "low side thirty p s i"),
    ("low side thirty-five psi", "low side thirty five p s i"),
    ("Low side, two-ten.", None),
    ("Low side two-ten.", "low side two ten"),
    ("Low side 30, high side 210.", "low side thirty high side two hundred ten"),
    ("Low side 30. High side 210.", "low side thirty high side two hundred ten"),
    ("Battery 12.6 volts", "battery twelve point six volts"),
    ("Battery 12.6V", "battery twelve point six volts"),
    ("R-134a", "r one thirty four a"),
    ("Refrigerant 1234yf.", "refrigerant twelve thirty four y f"),
    ("Replaced O-ring.", "replaced o ring"),
    ("Vacuum at 10 minutes 17,500 microns", "vacuum at ten minutes seventeen thousand five hundred microns"),
    ("Vacuum at 10 minutes 800 microns", "vacuum at ten minutes eight hundred microns"),
    ("Low side -0.5 bar", "low side minus zero point five bar"),
    ("vent 52 degrees", "vent fifty two degrees"),
    ("Model year 2008", "model year two thousand eight"),
    ("Model year 1998", "model year nineteen ninety eight"),
    ("Correction, low side 35.", "correction low side thirty five"),
    ("Label oil PAG 46", "label oil pag forty six"),
    ("Replaced TXV, R134A", "replaced t x v r one thirty four a"),
    ("high side 210 PSIG", "high side two ten p s i"),
    ("Charged 1 lb 4 oz", "charged one pound four ounces"),
])
def test_written_forms(text, said):
    assert load_surface().char_automaton.accepts(text) == (said is not None)
    if said is not None:
        found = to_words(text)
        assert found is not None and parse(found) == parse(said.split())
        assert load().automaton.accepts(found)


@pytest.mark.parametrize("text", [
    "low side 2 10", "low side 2 hundred", "low side 30 5", "low side 1000 psi", "low side 12.345", "low side 007", "30 5", "12.6 volts 3",
    "vent 52 volts", "low side", "", "low side 30 high", "vacuum 17.5 microns", "battery 12,6 volts", "lowside3", "model year 2108",
    "low side 30 psi psi", "charged one hundred", "low side 1,0 psi", "vent --5", "vent - 5", "vent-5", "low side . 5 psi", "low side 12 . 6 psi", "low side 30-35 psi", "vent —5", "low side thirty 5"])
def test_text_outside_the_language_is_not_read(text):
    assert to_words(text) is None
    assert not load_surface().char_automaton.accepts(text)


def render(path: list[str], rng: random.Random) -> tuple[str, list[Decimal]]:
    """A token path as text, with a figure drawn for every "#rule", and those figures."""
    surface, pieces, figures = load_surface(), [], []
    for token in path:
        if token == ",":
            if pieces:
                pieces[-1] += rng.choice([",", "."])
        elif token.startswith("#"):
            figure = "".join(surface.figures[token[1:]].automaton().sample(rng))
            figures.append(Decimal(figure.replace(",", "")))
            pieces.append(figure)
        else:
            pieces.append(token.capitalize() if rng.random() < 0.2 else token)
    return " ".join(pieces), figures


def written_path(rng: random.Random) -> list[str]:
    """A random token path that mostly writes its numbers in figures."""
    tokens = load_surface().tokens
    state, path = tokens.start, []
    while not (state in tokens.finals and (not tokens.arcs[state] or rng.random() < 0.5)):
        figures = sorted(label for label in tokens.arcs[state] if label.startswith("#"))
        label = rng.choice(figures if figures and rng.random() < 0.9 else sorted(tokens.arcs[state]))
        path.append(label)
        state = tokens.arcs[state][label]
    return path


def test_figures_in_text_keep_their_value():
    surface, rng = load_surface(), random.Random(11)
    seen = 0
    for _ in range(1500):
        path = written_path(rng)
        text, figures = render(path, rng)
        assert surface.char_automaton.accepts(text.rstrip(",")), text
        words = to_words(text)
        assert words is not None, text
        assert load().automaton.accepts(words)
        said, drawn = [], iter(figures)                 # each figure put into words by the rule it was drawn for
        for token in path:
            if token.startswith("#"):
                said += surface.say_figure(token[1:], f"{next(drawn):f}")
            elif token != ",":
                said.append(token)
        assert parse(words) == parse(said), text
        seen += len(figures)
    assert seen > 500


def test_a_written_form_stands_for_one_wording():
    """Case aside, so that the ways to read a text do not multiply with its length."""
    wordings: dict[str, set[str]] = {}
    for said, texts in load_surface().written.items():
        for text in texts:
            wordings.setdefault(text.lower(), set()).add(said)
    assert {text: said for text, said in wordings.items() if len(said) > 1} == {}


def test_a_long_text_is_read():
    text = "vent 52°F, ambient 85F, low side 30 PSI, high side 1400 kPa, charged 1 lb 4 oz, vacuum at 10 min 800 microns. " * 5
    assert len(parse(to_words(text))) == 30
    with pytest.raises(NotSayable, match="too long"):
        parse_text(text * 2)


def test_a_text_of_two_meanings_is_refused(monkeypatch):
    both = load_surface().written | {"low side": ("LS",), "high side": ("LS",)}
    two = replace(load_surface(), written=both)
    for module in ("hoodnote.language.surface", "hoodnote.statements.typed"):
        monkeypatch.setattr(f"{module}.load_surface", lambda: two)
    assert to_words("LS 30 psi") is None
    assert to_words("LS 5 inches of vacuum") == "low side five inches of vacuum".split()      # the high side has no inches
    with pytest.raises(NotSayable, match='could mean "high side thirty p s i" or "low side thirty p s i"'):
        parse_text("LS 30 psi")


def test_every_spoken_utterance_is_its_own_text():
    rng = random.Random(12)
    paths = list(load().automaton.covering_paths())
    rng.shuffle(paths)
    for path in paths[:1500]:
        text = " ".join(path)
        assert load_surface().char_automaton.accepts(text)
        found = to_words(text)
        assert found is not None and parse(found) == parse(path), text


def test_whatever_the_characters_spell_is_read():
    automaton, rng = load_surface().char_automaton, random.Random(13)
    for _ in range(1500):
        text = "".join(automaton.sample(rng, stop=0.8))
        words = to_words(text)
        assert words is not None, text
        assert load().automaton.accepts(words), text


def test_every_written_form_is_used():
    used = {text for forms in load_surface().forms for text, _words, _target in forms}
    assert used == {text for texts in load_surface().written.values() for text in texts}
    assert load_surface().glued <= used
