"""Facts and figures typed on the command line: taken exactly or refused."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from hoodnote.cli.values import PLACES_BY_HAND, statement_for
from hoodnote.errors import HoodnoteError
from hoodnote.statements.model import Fact, Measured
from hoodnote.statements.vocabulary import FACT_VALUES, FACTS
from hoodnote.units import to_si


@pytest.mark.parametrize(("key", "text", "value", "unit"), [
    ("ambient", "86F", "86", "F"), ("ambient", "86 °F", "86", "F"), ("ambient", "-5.5 C", "-5.5", "C"), ("ambient", "30 degC", "30", "C"),
    ("ambient", "+30 celsius", "30", "C"), ("humidity", "45", "45", "%"), ("humidity", "45 %", "45", "%"), ("humidity", "45%RH", "45", "%"),
    ("altitude", "1200ft", "1200", "ft"), ("altitude", "1,600 m", "1600", "m"), ("odometer", "112000 mi", "112000", "mi"),
    ("odometer", "112,000 miles", "112000", "mi"), ("odometer", "180000 km", "180000", "km"), ("label_charge", "24oz", "24", "oz"),
    ("label-charge", "0.68 kg", "0.68", "kg"), ("label charge", "1.5 lb", "1.5", "lb"), ("label_oil", "5 fl oz", "5", "fl oz"),
    ("label_oil", "150ml", "150", "mL"),
])
def test_figures_are_taken_as_typed(key, text, value, unit):
    statement = statement_for(key, text)
    assert statement == Measured(key.replace("-", "_").replace(" ", "_"), Decimal(value), unit)
    assert statement.unit_stated


@pytest.mark.parametrize("text", ["24oz±1oz", "24 oz +/- 1 oz", "24oz +-1"])
def test_a_label_charge_carries_its_tolerance(text):
    assert statement_for("label_charge", text) == Measured("label_charge", Decimal(24), "oz", tolerance=Decimal(1))


@pytest.mark.parametrize(("key", "text"), [
    ("ambient", "86"), ("ambient", "86 psi"), ("ambient", "warm"), ("ambient", ""), ("ambient", "nanF"), ("ambient", "infF"),
    ("ambient", "1e2F"), ("ambient", "30,5C"), ("ambient", "8 6F"), ("ambient", "860F"), ("ambient", "-80C"), ("ambient", "86F ± 1F"),
    ("humidity", "101"), ("humidity", "-1"), ("odometer", "112000"), ("odometer", "1,12,000 mi"), ("odometer", "-5 mi"),
    ("altitude", "90000ft"), ("label_charge", "24"), ("label_charge", "24 fl oz"), ("label_charge", "0oz"),
    ("label_charge", "24oz ± 30g"), ("label_charge", "2 lb 3 oz"), ("label_oil", "5oz"), ("ambient", "٨٦F"),
])
def test_figures_in_doubt_are_refused_in_one_line(key, text):
    with pytest.raises(HoodnoteError) as refused:
        statement_for(key, text)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(("key", "text", "value"), [
    ("refrigerant", "134a", "R-134a"), ("refrigerant", "r134A", "R-134a"), ("refrigerant", "R-1234yf", "R-1234yf"), ("refrigerant", "12", "R-12"),
    ("label_refrigerant", "1234YF", "R-1234yf"), ("expansion-device", "Orifice Tube", "orifice tube"),
    ("compressor drive", "belt clutchless", "belt, clutchless"), ("oil_type", "pag46", "PAG 46"), ("model_year", "2008", "2008"),
    ("vin", "1g4ah59h45g118341", "1G4AH59H45G118341"), ("complaint", "  no cold \n air ", "no cold air"),
])
def test_facts_are_taken_in_their_standard_form(key, text, value):
    statement = statement_for(key, text)
    assert isinstance(statement, Fact)
    assert statement.value == value


@pytest.mark.parametrize("key", [k for k in FACT_VALUES if k in FACTS])
def test_every_closed_value_is_taken_as_itself(key):
    assert [statement_for(key, value).value for value in FACT_VALUES[key]] == list(FACT_VALUES[key])


@pytest.mark.parametrize(("key", "text", "told"), [
    ("refrigerant", "R-13", "R-134a"), ("compressor_drive", "belt", "belt with clutch"), ("model_year", "08", "four digits"),
    ("model_year", str(date.today().year + 3), "four digits"), ("vin", "1G4AH59H45G11834", "17 characters"), ("complaint", "", "1 to"),
    ("complaint", "x" * 501, "1 to"), ("complaint", "a\x1b[2J", "printable"), ("refrigrant", "R-12", "did you mean refrigerant"),
    ("low_side", "30psi", "there is no low_side"), ("zzz", "1", "known are"),
])
def test_facts_in_doubt_are_refused_and_the_way_out_is_named(key, text, told):
    with pytest.raises(HoodnoteError, match=told) as refused:
        statement_for(key, text)
    assert "\n" not in str(refused.value)


def test_a_wrong_check_digit_is_not_refused_here():
    assert statement_for("vin", "1G4AH59H55G118341").value == "1G4AH59H55G118341"


def test_the_hottest_day_on_record_can_be_set():
    # World Meteorological Organization, World Weather and Climate Extremes Archive: 56.7 degC, Furnace Creek, 1913
    assert to_si(float(statement_for("ambient", "134.1F").value), "F") == pytest.approx(56.7, abs=0.05)


def test_a_key_is_either_a_fact_or_a_place():
    assert set(PLACES_BY_HAND).isdisjoint(FACTS)
