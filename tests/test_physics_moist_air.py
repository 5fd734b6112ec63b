"""Moist air against ASHRAE's worked values and against CoolProp's real-gas humid air, which shares no equation with psychrolib."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodnote.physics import moist_air
from hoodnote.physics.errors import OutOfRange


def test_the_worked_example_of_the_ashrae_handbook():
    # ASHRAE Handbook Fundamentals, chapter Psychrometrics, Example 1, from memory: 40 C dry bulb, 20 C wet bulb, 101.325 kPa
    # reads off the chart 6.5 g/kg, 56.7 kJ/kg, dew point 7 C, 14 % relative humidity, 0.896 m3/kg. The limits are those of reading it.
    humidity = 0.1424
    w = moist_air.humidity_ratio(40, humidity)
    assert w == pytest.approx(0.0065, abs=0.00005)
    assert moist_air.wet_bulb(40, humidity) == pytest.approx(20.0, abs=0.1)
    assert moist_air.dew_point(40, humidity) == pytest.approx(7.0, abs=1.0)
    assert moist_air.enthalpy(40, w) == pytest.approx(56.7, abs=0.5)
    assert 1 / moist_air.density(40, w) == pytest.approx(0.896, abs=0.001)


# ASHRAE Handbook Fundamentals, moist air at saturation and 101.325 kPa, from memory: C, kg/kg, kJ/kg.
@pytest.mark.parametrize(("celsius", "ratio", "kj_kg"),
                         [(0, 0.003790, 9.475), (10, 0.007661, 29.35), (20, 0.014758, 57.56), (30, 0.027329, 100.01)])
def test_saturated_air_is_the_ashrae_table(celsius, ratio, kj_kg):
    w = moist_air.humidity_ratio(celsius, 1.0)
    assert w == pytest.approx(ratio, rel=0.006)           # psychrolib leaves out the enhancement factor, about 0.4 %
    assert moist_air.enthalpy(celsius, w) == pytest.approx(kj_kg, rel=0.006)


@pytest.mark.parametrize("station_kpa", [101.325, 83.4])
@pytest.mark.parametrize("humidity", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("celsius", [5, 20, 35, 45])
def test_moist_air_agrees_with_coolprop(celsius, humidity, station_kpa):
    from CoolProp.HumidAirProp import HAPropsSI

    given = ("T", celsius + 273.15, "R", humidity, "P", station_kpa * 1e3)
    w = moist_air.humidity_ratio(celsius, humidity, station_kpa)
    assert w == pytest.approx(HAPropsSI("W", *given), rel=0.006)
    assert moist_air.wet_bulb(celsius, humidity, station_kpa) == pytest.approx(HAPropsSI("B", *given) - 273.15, abs=0.15)
    assert moist_air.dew_point(celsius, humidity, station_kpa) == pytest.approx(HAPropsSI("D", *given) - 273.15, abs=0.15)
    assert moist_air.enthalpy(celsius, w) == pytest.approx(HAPropsSI("H", *given) / 1e3, rel=0.008, abs=0.1)
    assert moist_air.density(celsius, w, station_kpa) == pytest.approx(1 / HAPropsSI("V", *given), rel=0.002)
    assert moist_air.enthalpies([celsius], [w])[0] == pytest.approx(moist_air.enthalpy(celsius, w), rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(t=st.floats(5, 45), humidity=st.floats(0.05, 1.0), surface=st.floats(-5, 40), effectiveness=st.floats(0, 1))
def test_air_behind_a_coil_lies_between_inlet_and_surface(t, humidity, surface, effectiveness):
    out = moist_air.through_coil(t, humidity, surface, effectiveness)
    w = moist_air.humidity_ratio(t, humidity)
    assert min(t, surface) - 1e-9 <= out.temperature_c <= max(t, surface) + 1e-9
    assert out.humidity_ratio <= w + 1e-12                # a coil takes water out and never puts it in
    if surface > moist_air.dew_point(t, humidity) + 0.1:
        assert out.humidity_ratio == pytest.approx(w)     # a dry coil leaves it alone


def test_a_perfect_wet_coil_gives_saturated_air_at_its_surface():
    from CoolProp.HumidAirProp import HAPropsSI

    out = moist_air.through_coil(30, 0.6, 8, 1.0)
    assert (out.temperature_c, out.humidity_ratio) == (8, pytest.approx(HAPropsSI("W", "T", 281.15, "R", 1.0, "P", 101325), rel=0.006))


@pytest.mark.parametrize(("call", "words"), [
    (lambda: moist_air.humidity_ratio(30, 1.2), "humidity"), (lambda: moist_air.wet_bulb(120, 0.5), "temperature"),
    (lambda: moist_air.dew_point(30, 0.0), "dew point"), (lambda: moist_air.humidity_ratio(30, 0.5, 5), "altitude"),
    (lambda: moist_air.through_coil(30, 0.5, 5, 1.5), "effectiveness")])
def test_impossible_air_is_refused_in_one_line(call, words):
    with pytest.raises(OutOfRange, match=words) as refusal:
        call()
    assert "\n" not in str(refusal.value)
