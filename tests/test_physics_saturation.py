"""Saturation against handbook tables and against correlations that share no equation with the ones we use."""

from __future__ import annotations

import itertools
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thermo.vapor_pressure import VaporPressure

from hoodnote.errors import HoodnoteError
from hoodnote.physics.errors import AboveCritical, NoPropertyData, NoSaturation, OutOfRange, UnknownRefrigerant
from hoodnote.physics.refrigerants import REFRIGERANTS, SafetyClass, refrigerant
from hoodnote.physics.saturation import (
    Quality,
    critical_point,
    saturation_curve,
    saturation_pressure,
    saturation_temperature,
)
from hoodnote.units import AbsolutePressure, GaugePressure, Temperature

ATMOSPHERE = AbsolutePressure(101.325)
PURE = ["R-134a", "R-1234yf", "R-12", "R-152a", "R-744"]
WITH_MODEL = [d for d, r in REFRIGERANTS.items() if r.model]

# Normal boiling points, C. R-134a: Tillner-Roth and Baehr 1994; R-12: ASHRAE Handbook Fundamentals; R-1234yf: Richter, McLinden and
# Lemmon 2011; R-152a: Outcalt and McLinden 1996. All from memory; 0.06 C covers the rounding and the change between editions.
BOILING = [("R-134a", -26.07), ("R-12", -29.75), ("R-1234yf", -29.45), ("R-152a", -24.02)]

# ASHRAE Handbook Fundamentals and NIST REFPROP saturation tables, kPa absolute, from memory. Limit 0.3 %: editions differ in
# the last digit and REFPROP changed its R-12 equation.
TABLES = [
    ("R-134a", -20, 132.7),
    ("R-134a", 0, 292.8),
    ("R-134a", 20, 571.7),
    ("R-134a", 40, 1016.6),
    ("R-134a", 60, 1681.8),
    ("R-12", 0, 308.6),
    ("R-12", 20, 567.3),
    ("R-12", 40, 960.7),
    ("R-1234yf", 0, 315.8),
    ("R-1234yf", 20, 591.7),
    ("R-1234yf", 40, 1018.4),
    ("R-152a", 0, 264.0),
    ("R-152a", 25, 596.4),
    ("R-744", -20, 1969.6),
    ("R-744", 0, 3485.1),
    ("R-744", 20, 5729.1),
]

# Trade pressure-temperature charts at sea level, psig at F, from memory; the charts print tenths or whole psi, so 0.6 psi.
CHART = [
    ("R-134a", 32, 27.8),
    ("R-134a", 40, 35.1),
    ("R-134a", 70, 71.2),
    ("R-134a", 100, 124.3),
    ("R-12", 40, 37.0),
    ("R-12", 70, 70.2),
    ("R-12", 100, 117.2),
]

# Correlations fitted to other data, by other authors. Poling: Properties of Gases and Liquids, extended Antoine; VDI: VDI Heat Atlas;
# McGarry 1983: Wagner equation; Perry: Perry's Handbook 8th edition, DIPPR 101. Each was fitted to within about half a percent.
CORRELATIONS = [
    ("R-134a", "811-97-2", "ANTOINE_EXTENDED_POLING", (-4, 10, 25, 40, 60, 80)),
    ("R-134a", "811-97-2", "VDI_TABULAR", (-30, 0, 25, 50, 70)),
    ("R-12", "75-71-8", "WAGNER_MCGARRY", (-30, -10, 10, 25, 50, 80)),
    ("R-12", "75-71-8", "VDI_PPDS", (-30, 0, 25, 50, 70)),
    ("R-152a", "75-37-6", "DIPPR_PERRY_8E", (-30, 0, 25, 50, 70)),
    ("R-744", "124-38-9", "WAGNER_MCGARRY", (-40, -20, 0, 20, 30)),
    ("R-744", "124-38-9", "VDI_PPDS", (-40, -20, 0, 20, 30)),
]


@pytest.mark.parametrize(("name", "celsius"), BOILING)
def test_normal_boiling_point(name, celsius):
    assert saturation_temperature(name, ATMOSPHERE).celsius == pytest.approx(celsius, abs=0.06)


@pytest.mark.parametrize(("name", "celsius", "kpa"), TABLES)
def test_handbook_table(name, celsius, kpa):
    assert saturation_pressure(name, Temperature(celsius)).kpa == pytest.approx(kpa, rel=0.003)
    assert saturation_temperature(name, AbsolutePressure(kpa)).celsius == pytest.approx(celsius, abs=0.15)


@pytest.mark.parametrize(("name", "fahrenheit", "psig"), CHART)
def test_trade_chart(name, fahrenheit, psig):
    assert saturation_pressure(name, Temperature.of(fahrenheit, "F")).gauge(ATMOSPHERE).psi == pytest.approx(psig, abs=0.6)


@pytest.mark.parametrize(("name", "cas", "method", "temperatures"), CORRELATIONS)
def test_independent_correlation(name, cas, method, temperatures):
    other = VaporPressure(CASRN=cas)
    for celsius in temperatures:
        theirs = other.calculate(celsius + 273.15, method) / 1e3
        assert saturation_pressure(name, Temperature(celsius)).kpa == pytest.approx(theirs, rel=0.006)


@pytest.mark.parametrize(
    ("name", "celsius", "mpa"),
    [
        ("R-134a", 101.06, 4.059),
        ("R-12", 111.97, 4.136),
        ("R-1234yf", 94.70, 3.382),
        ("R-744", 30.98, 7.377),
        ("R-152a", 113.26, 4.517),
    ],
)
def test_critical_point(name, celsius, mpa):
    # ASHRAE Handbook Fundamentals, refrigerant properties, from memory
    temperature, pressure = critical_point(name)
    assert temperature.celsius == pytest.approx(celsius, abs=0.05)
    assert pressure.kpa / 1e3 == pytest.approx(mpa, rel=0.001)


# ASHRAE Standard 34 bubble and dew points at one atmosphere, C, from memory; printed to 0.1 C, the interaction models agree to 0.5 C.
@pytest.mark.parametrize(("name", "bubble", "dew"), [("R-420A", -25.0, -24.2), ("R-500", -33.6, -33.6)])
def test_blend_at_one_atmosphere(name, bubble, dew):
    assert saturation_temperature(name, ATMOSPHERE, Quality.BUBBLE).celsius == pytest.approx(bubble, abs=0.5)
    assert saturation_temperature(name, ATMOSPHERE, Quality.DEW).celsius == pytest.approx(dew, abs=0.5)


@pytest.mark.parametrize("name", [d for d in WITH_MODEL if REFRIGERANTS[d].blend and d != "R-500"])
def test_glide_separates_dew_and_bubble(name):
    at = Temperature(20.0)
    assert saturation_pressure(name, at, "bubble").kpa > saturation_pressure(name, at, "dew").kpa


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(WITH_MODEL), st.floats(-40, 70), st.sampled_from(list(Quality)))
def test_temperature_and_pressure_are_inverse(name, celsius, quality):
    if celsius > critical_point(name)[0].celsius - 15:
        return
    pressure = saturation_pressure(name, Temperature(celsius), quality)
    # inputs are rounded to 0.01 kPa for the cache
    assert saturation_temperature(name, pressure, quality).celsius == pytest.approx(celsius, abs=0.01)


@pytest.mark.parametrize("name", PURE)
def test_slope_obeys_clausius_clapeyron(name):
    # dP/dT = h_fg / (T v_fg), an exact relation, with caloric properties that no saturation routine of ours uses
    from CoolProp.CoolProp import PropsSI

    model, kelvin = REFRIGERANTS[name].model, 283.15
    latent = PropsSI("H", "T", kelvin, "Q", 1, model) - PropsSI("H", "T", kelvin, "Q", 0, model)
    swelling = 1 / PropsSI("D", "T", kelvin, "Q", 1, model) - 1 / PropsSI("D", "T", kelvin, "Q", 0, model)
    slope = (saturation_pressure(name, Temperature(10.5)).kpa - saturation_pressure(name, Temperature(9.5)).kpa) / 1.0
    assert slope == pytest.approx(latent / (kelvin * swelling) / 1e3, rel=1e-3)


def test_r744_above_its_critical_point_is_transcritical():
    with pytest.raises(AboveCritical, match="transcritical"):
        saturation_temperature("R-744", AbsolutePressure(9000))
    with pytest.raises(AboveCritical, match="transcritical"):
        saturation_pressure("R-744", Temperature(31.5))
    assert saturation_pressure("R-744", Temperature(30.0)).kpa < 7377


@pytest.mark.parametrize("pressure", [0.0, -5.0, 1e-4])
def test_no_pressure_is_out_of_range(pressure):
    with pytest.raises(OutOfRange):
        saturation_temperature("R-134a", AbsolutePressure(pressure))


def test_too_cold_is_out_of_range():
    with pytest.raises(OutOfRange):
        saturation_pressure("R-134a", Temperature(-150))


def test_unknown_and_unmodelled_refrigerants_are_refused_with_a_way_on():
    with pytest.raises(UnknownRefrigerant, match="R-134a"):
        saturation_pressure("R-999", Temperature(20))
    with pytest.raises(NoPropertyData, match="table"):
        saturation_pressure("R-409A", Temperature(20))
    assert issubclass(NoSaturation, HoodnoteError)


def test_safety_classes():
    # ASHRAE Standard 34, from memory
    assert [refrigerant(n).safety for n in PURE] == [
        SafetyClass.A1,
        SafetyClass.A2L,
        SafetyClass.A1,
        SafetyClass.A2,
        SafetyClass.A1,
    ]
    assert refrigerant("R-1234yf").flammable and not refrigerant("R-134a").flammable


@pytest.mark.parametrize("name", [d for d, r in REFRIGERANTS.items() if r.blend])
def test_compositions_add_up(name):
    assert sum(share for _, share in REFRIGERANTS[name].composition) == pytest.approx(1.0)


@pytest.mark.parametrize("name", WITH_MODEL)
def test_curve_rises_and_stops_before_the_critical_point(name):
    curve = saturation_curve(name, Temperature(-30), Temperature(200), points=12)
    assert len(curve) == 12
    assert all(a[1].kpa < b[1].kpa for a, b in itertools.pairwise(curve))
    assert curve[-1][0].celsius < critical_point(name)[0].celsius


def test_gauge_reading_at_altitude_boils_colder_than_at_sea_level():
    reading = GaugePressure.of(30, "psi")
    assert (
        saturation_temperature("R-134a", reading.absolute(AbsolutePressure(83.0))).celsius
        < saturation_temperature("R-134a", reading.absolute(ATMOSPHERE)).celsius - 1
    )


def test_property_library_loads_only_when_a_value_is_asked_for():
    code = (
        "import sys, hoodnote.checks, hoodnote.physics.saturation, hoodnote.physics.atmosphere; "
        "sys.exit('CoolProp' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0
