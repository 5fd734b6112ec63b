"""Typed text to statements, and the refusals a person sees."""

from __future__ import annotations

from decimal import Decimal

import pytest

from hoodnote.errors import HoodnoteError
from hoodnote.statements.model import Control, Correction, Fact, Measured, Step, Supply
from hoodnote.statements.parser import NotSayable
from hoodnote.statements.typed import examples, parse_text
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS


@pytest.mark.parametrize("text, statements", [
    ("low side 30 psi", [Measured("low_side", Decimal(30), "psi")]),
    ("LOW SIDE 30PSI", [Measured("low_side", Decimal(30), "psi")]),
    ("  low side:  30 psi ;high side: 210psi ", [Measured("low_side", Decimal(30), "psi"), Measured("high_side", Decimal(210), "psi")]),
    ("vent 52F", [Measured("vent", Decimal(52), "F")]),
    ("vent 11 °C", [Measured("vent", Decimal(11), "C")]),
    ("R-134a", [Fact("refrigerant", "R-134a")]),
    ("vacuum 29.5 inHg", [Measured("vacuum", Decimal("29.5"), "inHg")]),
    ("battery 12.6V, power at the fuse", [Measured("battery", Decimal("12.6"), "V"), Supply("fuse", True)]),
    ("ambient −5 C", [Measured("ambient", Decimal(-5), "C")]),
    ("charged 12 1/2 oz", [Measured("charged", Decimal("12.5"), "oz")]),
    ("charged 12½ oz", [Measured("charged", Decimal("12.5"), "oz")]),
    ("charged .5 lb", [Measured("charged", Decimal("0.5"), "lb")]),
    ("label charge 550 g plus or minus 25 g", [Measured("label_charge", Decimal(550), "g", tolerance=Decimal(25))]),
    ("oil added 2 fl oz", [Measured("oil_added", Decimal(2), "fl oz")]),
    ("odometer 87,250 mi", [Measured("odometer", Decimal(87250), "mi")]),
    ("model year 2008", [Fact("model_year", "2008")]),
    ("replaced O-ring", [Step("replaced", "o_ring")]),
    ("scratch that", [Control("withdraw")]),
    ("correction: low side 35 psi", [Correction(Measured("low_side", Decimal(35), "psi"))]),
])
def test_typed_text(text, statements):
    assert parse_text(text) == statements


def test_default_units_follow_the_shop():
    assert parse_text("low side 2.1", "metric") == [Measured("low_side", Decimal("2.1"), "bar", unit_stated=False)]
    assert parse_text("vent 52") == [Measured("vent", Decimal(52), "F", unit_stated=False)]
    with pytest.raises(HoodnoteError, match="use us or metric"):
        parse_text("vent 52", "imperial")


@pytest.mark.parametrize("text, message", [
    ("low sid 30 psi", 'cannot read "sid 30 psi" after "low"; nearest: low side <figure> psi'),
    ("low side 30 psi, power at the batery", 'cannot read "batery" after "low side 30 psi, power at the"; nearest: power at the battery'),
    ("replaced compresser", 'cannot read "compresser" after "replaced"; nearest: replaced compressor'),
    ("low side", '"low side" is not complete; nearest: low side'),
    ("", "nothing was written"),
    ("zzz", 'cannot read "zzz"; nearest: '),
])
def test_refusals_say_where_and_what_instead(text, message):
    with pytest.raises(NotSayable) as caught:
        parse_text(text)
    assert str(caught.value).startswith(message) and "\n" not in str(caught.value)


def test_every_example_can_be_read_and_every_place_takes_all_its_units():
    taken = set()
    for example in examples():
        for s in parse_text(example.replace("0", "1998" if "model year" in example else "20")):
            if isinstance(s, Measured):
                taken.add((s.place, UNITS[s.unit].quantity))
    assert taken == {(p, q) for p, place in PLACES.items() for q in place.quantities}
