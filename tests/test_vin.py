"""Vehicle identification numbers against the worked examples of the regulation and of the agency that administers it."""

from __future__ import annotations

import pytest

from hoodnote.readings.vin import check_digit, check_vin, normal_vin

EXAMPLE = "1G4AH59H45G118341"


@pytest.mark.parametrize(("vin", "digit"), [
    (EXAMPLE, "4"),               # 49 CFR 565.15(c)(5), sample calculation: 411 / 11 leaves 4
    ("1J9RP1A36A1644345", "6"),   # NHTSA, Outline for New Manufacturer Information: 314 / 11 leaves 6
    ("11111111111111111", "1"),   # by hand: the weights add up to 89, 89 / 11 leaves 1
    ("40000000X00000000", "X"),   # by hand: 4 * 8 = 32, 32 / 11 leaves 10
])
def test_check_digits_of_worked_examples(vin, digit):
    assert check_digit(vin) == digit
    assert check_vin(vin) is None


def test_a_wrong_check_digit_is_a_doubt_and_names_the_right_one():
    problem = check_vin("1G4AH59H55G118341")
    assert not problem.impossible
    assert "is 5 and should be 4" in problem.text


@pytest.mark.parametrize(("text", "why"), [
    ("1G4AH59H45G11834", "has 16"), ("1G4AH59H45G1183411", "has 18"), ("", "has 0"), ("IG4AH59H45G118341", "holds I"),
    ("1G4AH59H45G1I834O", "holds I O"), ("QG4AH59H45G118341", "holds Q"), ("1G4AH59H45G11834é", "holds É"), ("1G4AH59H45G11834٣", "holds"),
])
def test_what_cannot_be_a_vin_is_impossible(text, why):
    problem = check_vin(text)
    assert problem.impossible
    assert why in problem.text
    assert "\n" not in problem.text


def test_spaces_dashes_and_small_letters_do_not_matter():
    assert normal_vin(" 1g4ah59h4-5g118341\n") == EXAMPLE
    assert check_vin("1g4 ah59h4 5g118341") is None


def test_a_digit_misread_as_another_is_always_noticed():
    """Weights 2 to 10 times differences 1 to 9 are never multiples of 11."""
    changed = [EXAMPLE[:i] + digit + EXAMPLE[i + 1:] for i, old in enumerate(EXAMPLE) if old.isdigit() for digit in "0123456789" if digit != old]
    assert len(changed) == 12 * 9
    assert [vin for vin in changed if check_vin(vin) is None] == []
