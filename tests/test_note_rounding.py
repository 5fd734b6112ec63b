"""Computed figures carry no more digits than their uncertainty bears."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hoodnote.note import rounding, words


# JCGM 100:2008 (GUM) 7.2.6: "if y = 10,057 62 Ohm with u = 27 mOhm, y should be rounded to 10,058 Ohm"
def test_the_guides_own_example():
    assert rounding.with_uncertainty(10.05762, 0.027, "Ω") == "10.058 ± 0.027 Ω"


# Review of Particle Physics, Introduction 5.3: 0.827 +- 0.119 becomes 0.83 +- 0.12, 0.827 +- 0.367 becomes 0.8 +- 0.4
@pytest.mark.parametrize("uncertainty, said", [(0.119, "0.83 ± 0.12"), (0.367, "0.8 ± 0.4")])
def test_one_or_two_digits(uncertainty, said):
    assert rounding.with_uncertainty(0.827, uncertainty, "x") == f"{said} x"


# the same rule: 950 and more of the leading digits count as 1000, with two digits
def test_just_below_the_next_decade():
    assert rounding.with_uncertainty(14.3271, 0.0964, "") == "14.33 ± 0.10 "
    assert rounding.with_uncertainty(1432.71, 41.0, "kPa") == "1430 ± 40 kPa"


def test_without_a_known_uncertainty_whole_units():
    assert rounding.with_uncertainty(39.62, None, "°F") == "40 °F"
    assert rounding.with_uncertainty(-0.2, None, "°C") == "0 °C"


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e4))
def test_no_digit_beyond_the_uncertainty_and_none_lost_before_it(value, uncertainty):
    figure, half = (Decimal(x) for x in rounding.with_uncertainty(value, uncertainty, "").removesuffix(" ").split(" ± "))
    assert abs(half - Decimal(uncertainty)) <= Decimal(uncertainty) * Decimal("0.15")
    assert abs(figure - Decimal(value)) <= half * Decimal("0.15")      # at most half a unit in the last place of 3.55 or more
    assert len(str(int(half.scaleb(-half.normalize().as_tuple().exponent))).rstrip("0")) <= 2


# IPCC guidance note on the consistent treatment of uncertainties (2010), table 1: very likely 90 to 100 %, likely 66 to 100 %,
# about as likely as not 33 to 66 %, unlikely 0 to 33 %, very unlikely 0 to 10 %
@pytest.mark.parametrize("probability, word", [(0.95, "very likely"), (0.7, "likely"), (0.5, "about as likely as not"), (0.2, "unlikely"),
                                               (0.05, "very unlikely")])
def test_words_for_a_probability(probability, word):
    assert words.chance(probability).partition(",")[0] == word


@given(st.floats(0, 1))
def test_nothing_is_certain(probability):
    said = words.chance(probability)
    assert "100%" not in said and " 0%" not in said


# Kass and Raftery, Bayes factors, J. Am. Stat. Assoc. 90 (1995) 777: 2 ln B from 2 positive, from 6 strong, over 10 very strong
@pytest.mark.parametrize("twice_ln_b, word", [(1, "weak"), (2.2, "moderate"), (6.2, "strong"), (11, "very strong")])
def test_words_for_the_weight_of_evidence(twice_ln_b, word):
    assert words.strength(twice_ln_b / 2) == words.strength(-twice_ln_b / 2) == word
