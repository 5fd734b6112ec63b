"""Number words against num2words, and the figures of the grammar's number rules."""

from __future__ import annotations

import random
from collections import defaultdict
from decimal import Decimal

import pytest
from num2words import num2words

from hoodnote.language.grammar import load
from hoodnote.language.surface import load_surface
from hoodnote.language.numbers import spoken_forms, words_to_number


def plain(text: str) -> str:
    return text.replace("-", " ").replace(",", "")


@pytest.mark.parametrize("n", [*range(1000), *range(1000, 1000000, 7919)])
def test_whole_numbers_as_num2words_says_them(n):
    with_and = plain(num2words(n))
    assert words_to_number(with_and.split()) == n
    forms = spoken_forms(n)
    assert with_and in forms and (n > 999 or with_and.replace(" and ", " ") in forms)
    assert [words_to_number(f.split()) for f in forms] == [n] * len(forms)


@pytest.mark.parametrize("text", ["12.6", "0.5", "0.05", "29.92", "1.25", "100.1", "-5", "-0.5", "14.50", "3.07"])
def test_decimals_as_num2words_says_them(text):
    said = plain(num2words(text.removeprefix("-")))
    if text.startswith("-"):
        said = "minus " + said
    assert words_to_number(said.split()) == Decimal(text)
    if not text.endswith("0"):                      # num2words drops a last zero
        assert said in spoken_forms(text)


@pytest.mark.parametrize("year", range(1960, 2040))
def test_years_as_num2words_says_them(year):
    said = plain(num2words(year, to="year"))
    assert words_to_number(said.split()) == year
    assert load().number("year").accepts(said.split())


@pytest.mark.parametrize("said, value", [
    ("two ten", 210), ("two hundred and ten", 210), ("two hundred ten", 210), ("one ninety five", 195), ("one oh five", 105),
    ("one zero five", 105), ("a hundred and eighty", 180), ("a hundred", 100), ("fifteen hundred", 1500), ("twelve hundred", 1200),
    ("twelve fifty", 1250), ("ten fifty", 1050), ("twenty five oh five", 2505), ("seventeen thousand five hundred", 17500),
    ("a thousand and five", 1005), ("two thousand two fifty", 2250), ("one twenty three thousand four fifty six", 123456),
    ("point five", "0.5"), ("oh point five", "0.5"), ("twelve point six five", "12.65"), ("twelve point sixty five", "12.65"),
    ("twelve point oh five", "12.05"), ("minus five", -5), ("negative point eight", "-0.8"), ("eleven and a half", "11.5"),
    ("one and a quarter", "1.25"), ("two and three quarters", "2.75"), ("half a", "0.5"), ("twenty nine point nine two", "29.92"),
])
def test_numbers_as_they_are_said_in_a_bay(said, value):
    assert words_to_number(said.split()) == Decimal(value)


@pytest.mark.parametrize("said", ["", "point", "hundred", "twenty ten five", "two hundred zero", "thirty zero", "five thousand and", "two one",
                                  "minus", "oh", "twelve point", "one two three", "twenty thirty five six", "five six", "low"])
def test_other_words_are_no_number(said):
    with pytest.raises(ValueError):
        words_to_number(said.split())


def test_no_two_values_share_a_form():
    meant = defaultdict(set)
    for n in [*range(12000), *range(12000, 1000000, 997)]:
        for form in spoken_forms(n):
            meant[form].add(n)
    assert {form: values for form, values in meant.items() if len(values) > 1} == {}


@pytest.mark.parametrize("rule", sorted(load().number_rules))
def test_every_number_of_a_rule_has_a_value_within_its_tag(rule):
    automaton = load().number(rule)
    figures = load_surface().figures.get(rule)
    rng = random.Random(rule)
    paths = list(automaton.covering_paths()) + [automaton.sample(rng) for _ in range(500)]
    for path in paths:
        value = words_to_number(path)
        if figures and (value or not figures.negative_only):     # "minus point oh" is sayable, but written without its sign
            assert figures.holds(f"{value:f}"), path
            assert words_to_number(load_surface().say_figure(rule, f"{value:f}")) == value


@pytest.mark.parametrize("rule", sorted(load_surface().figures))
def test_every_figure_of_the_tag_can_be_said(rule):
    surface, figures = load_surface(), load_surface().figures[rule]
    rng = random.Random(rule)
    wholes = {max(figures.lowest, 0), figures.highest, *range(max(figures.lowest, 0), min(figures.highest, 130)),
              *(rng.randint(max(figures.lowest, 0), figures.highest) for _ in range(200))}
    texts = [] if figures.negative_only else [str(n) for n in wholes]
    texts += [str(-n) for n in range(1, -figures.lowest + 1)]
    texts += [f"{t}.{rng.randrange(10 ** d):0{d}d}" for t in texts for d in range(1, figures.decimals + 1)]
    characters = figures.automaton()
    for text in texts:
        said = surface.say_figure(rule, text)
        assert said is not None and words_to_number(said) == Decimal(text), text
        assert characters.accepts(text), text
    beyond = str(figures.highest + 1)
    assert figures.negative_only or surface.say_figure(rule, beyond) is None
    assert surface.say_figure(rule, "1." + "1" * (figures.decimals + 1)) is None


@pytest.mark.parametrize("rule", sorted(load_surface().figures))
def test_the_characters_of_figures_are_the_figures(rule):
    figures = load_surface().figures[rule]
    automaton = figures.automaton()
    rng = random.Random(rule)
    for path in [*automaton.covering_paths(), *(automaton.sample(rng) for _ in range(300))]:
        assert figures.holds("".join(path)), path
    for text in ("00", "-", ".", "5.", "1,00", "007", "--5", "1.2.3"):
        assert not automaton.accepts(text)
    for n in range(0, 1200):
        assert automaton.accepts(str(n)) == figures.holds(str(n))
