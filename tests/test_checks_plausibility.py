"""Figures that cannot be are asked about; ordinary ones pass in silence."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hoodnote.checks import implausible, plausibility
from hoodnote.checks.equipment import Equipment
from hoodnote.physics.gauge import USUAL_MANIFOLD, ManifoldGauges
from hoodnote.statements.model import Correction
from tests.checks_records import fact, m, psi, record, step, supply, unsure

R, RUN, OFF = fact("refrigerant", "R-134a"), step("engine_running"), step("engine_off")

# R-134a: 30 psig is about 35 F, 35 psig 40 F, 124 psig 100 F, 190 psig 127 F (trade chart, from memory)
ASKED = [
    (psi("high_side", 30), [RUN, psi("low_side", 90)], "low side"),
    (psi("low_side", 220), [RUN, psi("high_side", 150)], "low side"),
    (m("vent", 20, "F"), [R, RUN, psi("low_side", 35)], "vent"),
    (psi("low_side", 60), [R, RUN, m("vent", 40, "F")], "vent"),
    (m("suction_line", 15, "F"), [R, RUN, psi("low_side", 35)], "suction"),
    (m("liquid_line", 160, "F"), [R, RUN, psi("high_side", 190)], "liquid"),
    (m("discharge_line", 90, "F"), [R, RUN, psi("high_side", 190)], "discharge"),
    (m("condenser_air_in", 140, "F"), [R, RUN, psi("high_side", 124)], "condenser inlet"),
    (psi("high_side", 90), [OFF, psi("low_side", 19)], "equalised"),
    (psi("low_side", 190), [R, OFF, m("ambient", 70, "F")], "saturation"),
    (m("low_side", 35, "inHg"), [], "vacuum"),
    (m("vacuum", "29.5", "inHg"), [m("altitude", 1600, "m")], "vacuum"),
    (m("vacuum", 800000, "micron"), [], "air pressure"),
    (m("humidity", 140, "%"), [], "%"),
    (m("battery", 124, "V"), [], "outside"),
    (m("battery", "7.5", "V"), [], "outside"),
    (m("fuse_out", 24, "V"), [], "outside"),
    (m("label_charge", 24, "lb"), [], "outside"),
    (m("label_charge", 2, "oz"), [], "outside"),
    (m("charged", 24, "kg"), [], "outside"),
    (m("charged", 42, "oz"), [m("label_charge", 24, "oz")], "label"),
    (m("recovered", 35, "oz"), [m("label_charge", 24, "oz")], "label"),
    (m("label_charge", 14, "oz"), [m("charged", 24, "oz")], "label"),
    (m("ambient", 85, "C"), [], "outside"),
    (m("engine_speed", 15000, "rpm"), [], "outside"),
    (psi("high_side", 1900), [R], "outside"),
    (m("oil_added", 80, "fl oz"), [], "outside"),
]
FINE = [
    (psi("high_side", 190), [R, RUN, psi("low_side", 30)]),
    (psi("low_side", 80), [RUN, psi("high_side", 75)]),
    (psi("high_side", 30), [OFF, psi("low_side", 30)]),
    (psi("high_side", 30), [psi("low_side", 90)]),
    (psi("high_side", 30), [OFF, psi("low_side", 90), RUN]),
    (psi("high_side", 30), [RUN, unsure(psi("low_side", 90))]),
    (m("vent", 42, "F"), [R, RUN, psi("low_side", 35)]),
    (m("vent", 20, "F"), [R, OFF, psi("low_side", 35)]),
    (m("vent", 20, "F"), [RUN, psi("low_side", 35)]),
    (m("vent", 20, "F"), [unsure(R), RUN, psi("low_side", 35)]),
    (m("suction_line", 50, "F"), [R, RUN, psi("low_side", 35)]),
    (m("liquid_line", 110, "F"), [R, RUN, psi("high_side", 190)]),
    (m("discharge_line", 170, "F"), [R, RUN, psi("high_side", 190)]),
    (psi("low_side", 74), [R, OFF, m("ambient", 70, "F")]),
    (psi("low_side", 5), [R, OFF, m("ambient", 70, "F")]),
    (m("vacuum", 29, "inHg"), []),
    (m("vacuum", 24, "inHg"), [m("altitude", 1600, "m")]),
    (m("vacuum", 450, "micron"), []),
    (m("humidity", 45, "%"), []),
    (m("battery", "12.6", "V"), []),
    (m("fuse_out", "0.0", "V"), []),
    (m("clutch_coil", 9, "kohm"), []),
    (m("clutch_coil", "4.0", "A"), []),
    (m("label_charge", 24, "oz"), []),
    (m("label_charge", "0.55", "kg"), []),
    (m("charged", 24, "oz"), [m("label_charge", 24, "oz")]),
    (m("charged", 4, "oz"), [m("label_charge", 24, "oz")]),
    (m("recovered", 0, "oz"), [m("label_charge", 24, "oz")]),
    (m("ambient", 100, "F"), []),
    (m("high_side", 110, "bar"), [fact("refrigerant", "R-744")]),
    (m("scale_before", 30, "lb"), []),
    (supply("clutch", True), []),
    (step("pump_on"), []),
]


@pytest.mark.parametrize(("new", "before", "word"), ASKED)
def test_asks(new, before, word):
    reason = implausible(new, record(*before))
    assert reason is not None and word in reason
    assert reason.endswith(".") and ". " not in reason


@pytest.mark.parametrize(("new", "before"), FINE)
def test_lets_pass(new, before):
    assert implausible(new, record(*before)) is None


def test_a_correction_is_asked_about_like_its_statement():
    assert implausible(Correction(m("humidity", 140, "%")), record()) is not None


def test_altitude_decides_how_deep_a_vacuum_can_be():
    # 1600 m: 83.5 kPa is 24.7 inHg (ISO 2533, SP 811)
    assert "24.7 inHg" in implausible(m("vacuum", "29.5", "inHg"), record(m("altitude", 1600, "m")))
    assert implausible(m("vacuum", "29.5", "inHg"), record()) is None


def test_the_shop_s_instruments_decide_what_needs_asking():
    # 35 psig of R-134a is 40 F (trade chart); 36 F is 2.2 C colder: less than grade B (1.7 C) and 2 C of thermometer together,
    # more than grade 3A (0.2 C), 0.5 C and the weather (0.2 C)
    fine = Equipment(ManifoldGauges(replace(USUAL_MANIFOLD.low, grade="3A"), replace(USUAL_MANIFOLD.high, grade="3A")), thermometer_limit_c=0.5)
    before, line = record(R, RUN, psi("low_side", 35)), m("suction_line", 36, "F")
    assert plausibility.implausible(line, before) is None
    assert "suction" in plausibility.implausible(line, before, fine)
