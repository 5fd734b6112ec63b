"""The atmosphere, water and gauge grades against their standards."""

from __future__ import annotations

import pytest
from chemicals.vapor_pressure import Psat_IAPWS

from hoodnote.physics.atmosphere import micron_of, station_pressure, water_saturation_pressure
from hoodnote.physics.errors import OutOfRange
from hoodnote.physics.gauge import GRADES, USUAL_MANIFOLD, Gauge, vacuum_depth_absolute
from hoodnote.units import AbsolutePressure, GaugePressure, Temperature, from_si


# ISO 2533:1975 table of pressure against geopotential altitude, kPa (identical to the US Standard Atmosphere 1976 below 11 km).
@pytest.mark.parametrize(
    ("metres", "kpa"),
    [
        (-1000, 113.929),
        (0, 101.325),
        (1000, 89.8746),
        (1500, 84.5560),
        (2000, 79.4952),
        (3000, 70.1085),
        (5000, 54.0199),
        (11000, 22.6321),
    ],
)
def test_station_pressure_is_the_standard_table(metres, kpa):
    assert station_pressure(metres).kpa == pytest.approx(kpa, rel=2e-5)


@pytest.mark.parametrize("metres", [-2001, 11001])
def test_station_pressure_refuses_what_the_standard_formula_does_not_cover(metres):
    with pytest.raises(OutOfRange, match="altitude"):
        station_pressure(metres)


# IAPWS saturation table: kPa; 20 C is 2.339 kPa.
@pytest.mark.parametrize(("celsius", "kpa"), [(0.01, 0.61166), (10, 1.2282), (20, 2.3393), (40, 7.3849), (99.974, 101.325)])
def test_water_boils_at_the_iapws_pressure(celsius, kpa):
    assert water_saturation_pressure(Temperature(celsius)).kpa == pytest.approx(kpa, rel=2e-4)


@pytest.mark.parametrize("celsius", [1, 15, 25, 35, 60])
def test_water_agrees_with_the_industrial_formulation(celsius):
    # IAPWS-IF97 region 4, another equation than IAPWS-95; the two are held to agree to 0.03 %
    assert water_saturation_pressure(Temperature(celsius)).kpa * 1e3 == pytest.approx(Psat_IAPWS(celsius + 273.15), rel=3e-4)


def test_water_at_room_temperature_in_microns():
    # 2.339 kPa is 17.54 mm of mercury (IAPWS value through the SP 811 factor)
    assert micron_of(water_saturation_pressure(Temperature(20))) == pytest.approx(17546, rel=1e-3)


def test_ice_is_refused():
    with pytest.raises(OutOfRange, match="ice"):
        water_saturation_pressure(Temperature(-5))


# ASME B40.100 (from memory): percent of span in the first quarter, middle half, last quarter.
@pytest.mark.parametrize(
    ("grade", "percent"), [("B", (3, 2, 3)), ("A", (2, 1, 2)), ("1A", (1, 1, 1)), ("2A", (0.5, 0.5, 0.5)), ("D", (5, 5, 5))]
)
def test_grades(grade, percent):
    gauge = Gauge("test gauge", GaugePressure(0.0), GaugePressure(1000.0), grade)
    assert tuple(gauge.limit_of_error_kpa(GaugePressure(at)) / 10 for at in (100.0, 500.0, 900.0)) == pytest.approx(percent)
    assert GRADES[grade] == percent


def test_usual_manifold():
    # common practice, no source: compound gauge to 120 psi, high side to 500 psi, grade B
    high = USUAL_MANIFOLD.of("high_side").limit_of_error_kpa(GaugePressure.of(200, "psi"))
    assert from_si(high, "psi") == pytest.approx(10)  # 2 % of 500 psi
    low = USUAL_MANIFOLD.of("low_side").limit_of_error_kpa(GaugePressure.of(50, "psi"))
    assert from_si(low, "psi") == pytest.approx(0.02 * (120 + 14.735), abs=0.01)  # 30 inHg is 14.735 psi


def test_retard_part_of_the_dial_carries_no_grade():
    assert USUAL_MANIFOLD.low.limit_of_error_kpa(GaugePressure.of(150, "psi")) is None


def test_gauge_is_refused_when_it_cannot_be():
    with pytest.raises(ValueError, match="grade"):
        Gauge("x", GaugePressure(0.0), GaugePressure(1.0), "Z")
    with pytest.raises(ValueError, match="above"):
        Gauge("x", GaugePressure(2.0), GaugePressure(1.0))


def test_full_vacuum_is_shallower_at_altitude():
    assert vacuum_depth_absolute(29.92, AbsolutePressure(101.325)).kpa == pytest.approx(0.0, abs=0.01)
    assert vacuum_depth_absolute(29.92, station_pressure(1600)).kpa < -15
