"""Unit factors against NIST SP 811 and an independent library; gauge and absolute stay apart."""

from __future__ import annotations

import pytest
from fluids import constants as independent
from hypothesis import given
from hypothesis import strategies as st

from hoodnote.units import UNITS, AbsolutePressure, GaugePressure, Quantity, Temperature, convert, from_si, to_si

# NIST SP 811 (2008), appendix B.8: value of one unit, in the unit named.
SP_811 = [
    ("psi", 6.894757, "kPa"),
    ("bar", 100.0, "kPa"),
    ("lb", 0.4535924, "kg"),
    ("oz", 28.34952, "g"),
    ("fl oz", 29.57353, "mL"),
    ("ft", 0.3048, "m"),
    ("mi", 1.609344, "km"),
]


@pytest.mark.parametrize(("unit", "value", "into"), SP_811)
def test_factor_is_that_of_sp_811(unit, value, into):
    assert convert(1, unit, into) == pytest.approx(value, rel=2e-7)


def test_mercury_columns_are_those_of_sp_811():
    # SP 811 B.8: inch of mercury (conventional) 3.386389 kPa; millimetre of mercury 133.3224 Pa, a micron is a thousandth of it
    assert to_si(1, "inHg") == pytest.approx(3.386389, rel=1e-9)
    assert to_si(1000, "micron") == pytest.approx(0.1333224, rel=1e-9)


@pytest.mark.parametrize(
    ("unit", "constant"),
    [
        ("psi", independent.psi / 1e3),
        ("lb", independent.pound),
        ("oz", independent.pound / 16),
        ("ft", independent.foot),
        ("inHg", independent.inch * 13595.1 * 9.80665 / 1e3),
        ("micron", independent.mmHg / 1e6),
        ("mi", independent.mile / 1e3),
        ("fl oz", independent.gallon * 1e3 / 128),
    ],
)
def test_factor_agrees_with_an_independent_library(unit, constant):
    # 1e-6: SP 811 prints seven digits of the mercury columns and the pound-force per square inch
    assert UNITS[unit].factor == pytest.approx(constant, rel=1e-6)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32, 0), (212, 100), (-40, -40), (70, 21.1111)])
def test_fahrenheit(fahrenheit, celsius):
    # SP 811 B.8: t/C = (t/F - 32)/1.8
    assert Temperature.of(fahrenheit, "F").celsius == pytest.approx(celsius, abs=1e-4)
    assert Temperature(celsius).fahrenheit == pytest.approx(fahrenheit, abs=1e-3)


def test_a_temperature_difference_has_no_offset():
    assert convert(18, "F difference", "C difference") == pytest.approx(10)


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e5, 1e5))
def test_conversion_comes_back(unit, value):
    assert from_si(to_si(value, unit), unit) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(("unit", "into"), [("oz", "fl oz"), ("psi", "inHg"), ("F", "F difference")])
def test_different_quantities_do_not_convert(unit, into):
    with pytest.raises(ValueError, match="measures"):
        convert(1, unit, into)


def test_gauge_needs_the_ambient_pressure():
    station = AbsolutePressure(83.0)
    assert GaugePressure.of(30, "psi").absolute(station).kpa == pytest.approx(30 * 6.894757 + 83.0)
    assert AbsolutePressure(83.0).gauge(station).kpa == 0
    with pytest.raises(TypeError):
        _ = GaugePressure(1.0) < AbsolutePressure(2.0)


def test_a_vacuum_unit_is_no_gauge_pressure():
    with pytest.raises(ValueError):
        GaugePressure.of(20, "inHg")
    with pytest.raises(ValueError):
        Temperature.of(20, "psi")
    assert UNITS["inHg"].quantity is Quantity.VACUUM
