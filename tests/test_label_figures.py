"""Label text to figures: what parses cleanly, what is refused, and when two unit systems agree."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hoodnote.capture.vision.figures import Agreement, amounts, compare, likely_refrigerant, oil_types, proves, refrigerants


def read(text: str) -> list[tuple[str, str, str | None]]:
    return [(str(a.value), a.unit, None if a.tolerance is None else str(a.tolerance)) for a in amounts(text)[0]]


@pytest.mark.parametrize(("text", "expected"), [
    ("CHARGE 0.55 ± 0.02 kg (19.4 oz)", [("0.55", "kg", "0.02"), ("19.4", "oz", None)]),
    ("0.55kg +/- 0.02kg", [("0.55", "kg", "0.02")]),
    ("0.55 kg ± 20 g", [("0.55", "kg", "0.020")]),
    ("430 +I- 25g", [("430", "g", "25")]),                       # the sign misread, no digit
    ("550±25g", [("550", "g", "25")]),
    ("0.660 kg", [("0.660", "kg", None)]),                       # the printed digits stay
    ("0,55 kg", [("0.55", "kg", None)]),
    ("1 lb 3.4 oz", [("19.4", "oz", None)]),                     # 16 oz to the pound
    ("0.55 kg / 1.21 lbs", [("0.55", "kg", None), ("1.21", "lb", None)]),
    ("1.21 lb (19.4 oz)", [("1.21", "lb", None), ("19.4", "oz", None)]),
    ("500-550 g", [("525", "g", "25")]),
    ("OIL PAG 46  120 mL (4.1 fl oz)", [("120", "mL", None), ("4.1", "fl oz", None)]),
    ("PAG46 180cc", [("180", "mL", None)]),
    ("PAG 180cc", [("180", "mL", None)]),
    ("R-134a 550 g", [("550", "g", None)]),
    ("ACEITE 120 cm?", [("120", "mL", None)]),                   # the raised 3 of cm³ misread: no other unit of this sort
    ("HOSE 120 cm", []),
    ("MAX. PRESSURE 3.2 MPa  12 V", []),
])
def test_clean_amounts(text, expected):
    assert read(text) == expected


@pytest.mark.parametrize("text", [
    "055 kg", "O.55 kg", "0.S5 kg", "l.2 kg", "1,200 g", "0 .55 kg", "0.55 0.02 kg", "495420g", "19.40z", "1 l6 3.4 oz", "2 lb 9.1 02",
    "0.55 ± 0.5 kg", "550-500 g", "0 g", "550 9", "k55 g", "0..55 kg",
    "430 #- 25 g", "430 +/-- 25 g", "0.425 ~ 0.020 kg",
])
def test_unclean_figures_are_never_taken(text):
    assert read(text) == []


@given(st.integers(300, 2500), st.sampled_from(["O", "o", "l", "I", "S", "B", "Z", "?", "·"]), st.data())
def test_a_letter_for_a_digit_never_makes_another_figure(grams, letter, data):
    printed = f"{grams} g"
    at = data.draw(st.integers(0, len(str(grams)) - 1))
    assert read(printed[:at] + letter + printed[at + 1:]) in ([], [(str(grams), "g", None)])


@given(st.decimals("0.3", "2.5", places=2), st.sampled_from([" ", ""]))
def test_every_printed_kilogram_reads_back(value, space):
    assert read(f"CHARGE {value}{space}kg") == [(str(value), "kg", None)]


def pair(text):
    one, other = amounts(text)[0]
    return one, other


@pytest.mark.parametrize(("text", "agreement", "proof"), [
    # NIST SP 811 (2008) B.8: 1 oz = 28.349 52 g, 1 lb = 453.592 37 g, 1 fl oz = 29.573 53 mL. 0.55 kg = 19.40 oz = 1.213 lb
    ("0.55 kg (19.4 oz)", Agreement.AGREE, True),
    ("0.55 kg (1.21 lb)", Agreement.AGREE, True),
    ("0.55 kg (1 lb 3.4 oz)", Agreement.AGREE, True),
    ("550 g (19.4 oz)", Agreement.AGREE, True),
    ("0.55 kg (1.2 lb)", Agreement.AGREE, False),                 # 1.15 to 1.25 lb is 45 g wide: no proof
    ("0.55 kg (19 oz)", Agreement.AGREE, False),                  # 28 g wide
    ("0.56 kg (19.4 oz)", Agreement.DIFFER, False),               # 0.555 to 0.565 kg against 548.6 to 551.4 g
    ("0.55 kg (21.4 oz)", Agreement.DIFFER, False),
    ("0.65 kg (19.4 oz)", Agreement.DIFFER, False),
    ("120 mL (4.1 fl oz)", Agreement.AGREE, True),                # 4.05 to 4.15 fl oz is 119.8 to 122.7 mL
    ("120 mL (4.7 fl oz)", Agreement.DIFFER, False),
])
def test_two_unit_systems(text, agreement, proof):
    one, other = pair(text)
    assert compare(one, other) is agreement and compare(other, one) is agreement
    assert proves(one, other) is proof


@given(st.integers(300, 2500))
def test_correct_conversions_always_agree_and_a_wrong_digit_does_not(grams):
    # factor written out from NIST SP 811 B.8, not taken from our own table
    ounces = (Decimal(grams) / Decimal("28.349523125")).quantize(Decimal("0.1"))
    one, other = pair(f"{grams} g ({ounces} oz)")
    assert compare(one, other) is Agreement.AGREE
    wrong, other = pair(f"{grams + 10} g ({ounces} oz)")
    assert compare(wrong, other) is Agreement.DIFFER


@pytest.mark.parametrize(("text", "value"), [
    # designations: ANSI/ASHRAE 34
    ("R-134a", "R-134a"), ("R134A", "R-134a"), ("HFC-134a", "R-134a"), ("HFO-1234yf", "R-1234yf"), ("R1234YF", "R-1234yf"),
    ("R-12", "R-12"), ("CFC-12 (R-12)", "R-12"), ("R-744", "R-744"), ("HFC-152a", "R-152a"),
])
def test_refrigerants(text, value):
    assert {d.value for d in refrigerants(text)[0]} == {value}


@pytest.mark.parametrize("text", ["R-12 34yf", "R-1234y", "R-134", "R-1340", "R-123", "12 V", "R-I34a", "R-12349F", "1340 g", "AR-12", "R-12.34"])
def test_half_read_refrigerants_are_not_taken(text):
    assert refrigerants(text)[0] == []


@pytest.mark.parametrize(("text", "value"), [
    # the closed list of designations: ANSI/ASHRAE 34; are both in it, so neither is guessed
    ("REFRIGERANT RI34a", "R-134a"), ("HFO-1234", "R-1234yf"), ("R-1234y", "R-1234yf"), ("HFC-l34a", "R-134a"), ("R-123", None), ("R-12 34yf", None), ("R-1340", None),
])
def test_a_misread_refrigerant_is_guessed_only_where_it_can_be_one(text, value):
    clean, bits = refrigerants(text)
    assert clean == [] and bits and likely_refrigerant(bits[0]) == value


@pytest.mark.parametrize(("text", "values"), [
    ("PAG 46", ["PAG 46"]), ("PAG46", ["PAG 46"]), ("PAG-100", ["PAG 100"]), ("PAG:46", ["PAG 46"]), ("PAG: 150", ["PAG 150"]), ("PAG OIL 150", ["PAG 150"]), ("PAG", ["PAG"]), ("POE", ["POE"]),
    ("MINERAL OIL", ["mineral"]), ("PAG 4G", []), ("PAG 48", []), ("PAG 46.5", []), ("PAG4", []), ("PAGE 46", []), ("POEM", []),
])
def test_oil_types(text, values):
    assert [d.value for d in oil_types(text)[0]] == values
