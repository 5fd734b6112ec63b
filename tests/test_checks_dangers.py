"""Each hazard fires where it should, keeps quiet where it should, and says "if" where the state is unknown."""

from __future__ import annotations

import pytest

from hoodnote.checks import hazards
from hoodnote.statements.model import Correction, Plan
from tests.checks_records import fact, m, psi, record, step, unsure

OFF, RUN = step("engine_off"), step("engine_running")


def warned(new, *before) -> dict[str, str]:
    return {w.id: w.text for w in hazards(new, record(*before))}


DEFINITE = [
    ("pump_on_pressure", step("pump_on"), [OFF, psi("low_side", 30)]),
    ("pump_on_pressure", step("pump_on"), [m("recovered", 10, "oz"), psi("high_side", 20)]),
    ("pump_on_pressure", step("pump_on"), [step("recovery_finished"), m("nitrogen", 150, "psi")]),
    ("opening_under_pressure", step("opening_system"), [OFF, psi("low_side", 30)]),
    ("back_feed", step("high_valve_open"), [RUN, step("source_open")]),
    ("back_feed", RUN, [step("source_open"), step("high_valve_open")]),
    ("back_feed", step("source_open"), [RUN, step("high_valve_open")]),
    ("low_side_limit", psi("low_side", 60), [RUN, step("charging_started")]),
    ("low_side_limit", psi("low_side", 52), [RUN, step("source_open")]),
    ("low_side_limit", m("low_side", 4, "bar"), [RUN, step("charging_started")]),
    ("wrong_refrigerant", fact("source_refrigerant", "R-12"), [fact("refrigerant", "R-134a")]),
    ("wrong_refrigerant", fact("refrigerant", "R-134a"), [fact("label_refrigerant", "R-1234yf")]),
    (
        "wrong_refrigerant",
        step("charging_started"),
        [fact("label_refrigerant", "R-1234yf"), fact("source_refrigerant", "R-134a")],
    ),
    ("converted_system", fact("refrigerant", "R-134a"), [fact("label_refrigerant", "R-12")]),
    ("flammable", fact("refrigerant", "R-1234yf"), []),
    ("flammable", fact("label_refrigerant", "R-152a"), []),
    ("leak_test_gas", step("leak_test_air"), []),
    ("leak_test_gas", step("leak_test_oxygen"), []),
    ("pag_electric", fact("oil_type", "PAG 46"), [fact("compressor_drive", "electric")]),
    ("pag_electric", fact("compressor_drive", "electric"), [fact("oil_type", "PAG")]),
    ("can_flame", step("can_heated_flame"), []),
    ("can_hot", m("can", 130, "F"), []),
    ("liquid_low_side", step("can_inverted"), [RUN]),
    ("liquid_low_side", step("charging_liquid"), [RUN, step("low_valve_open")]),
    ("liquid_low_side", RUN, [step("charging_liquid")]),
    ("high_coupler_hot", step("gauges_disconnected"), [RUN]),
    ("eye_protection", step("gauges_connected"), []),
    ("moving_parts", RUN, []),
]
IF_UNKNOWN = [
    ("pump_on_pressure", step("pump_on"), []),
    ("pump_on_pressure", step("pump_on"), [unsure(step("recovery_finished"))]),
    ("pump_on_pressure", step("pump_on"), [step("recovery_finished"), step("leak_test_nitrogen")]),
    ("pump_on_pressure", step("pump_on"), [RUN, psi("low_side", 0)]),
    ("opening_under_pressure", step("opening_system"), []),
    ("back_feed", step("high_valve_open"), [step("source_open")]),
    ("back_feed", step("source_open"), []),
    ("back_feed", step("high_valve_open"), [RUN]),
    ("back_feed", RUN, [step("high_valve_open")]),
    ("back_feed", step("source_open"), [RUN, unsure(step("high_valve_shut"))]),
    ("low_side_limit", psi("low_side", 60), [step("charging_started")]),
    ("pag_electric", fact("oil_type", "PAG 46"), []),
    ("liquid_low_side", step("can_inverted"), []),
    ("high_coupler_hot", step("gauges_disconnected"), [RUN, OFF]),
    ("high_coupler_hot", step("gauges_disconnected"), []),
]
QUIET = [
    ("pump_on_pressure", step("pump_on"), [OFF, psi("low_side", 30), m("recovered", 10, "oz")]),
    ("pump_on_pressure", step("pump_on"), [OFF, psi("low_side", 0)]),
    ("pump_on_pressure", step("pump_on"), [OFF, psi("high_side", 30), step("recovery_finished")]),
    ("pump_on_pressure", step("pump_on"), [RUN, psi("low_side", 0), psi("high_side", 0)]),
    ("opening_under_pressure", step("opening_system"), [OFF, psi("low_side", 30), step("recovery_finished")]),
    ("back_feed", step("high_valve_open"), [OFF, step("source_open")]),
    ("back_feed", step("source_open"), [RUN, step("high_valve_shut")]),
    ("back_feed", step("high_valve_open"), [RUN, step("source_shut")]),
    ("back_feed", step("high_valve_open"), []),
    ("back_feed", step("low_valve_open"), [RUN, step("source_open")]),
    ("low_side_limit", psi("low_side", 45), [RUN, step("charging_started")]),
    ("low_side_limit", psi("low_side", 70), [OFF, step("charging_started")]),
    ("low_side_limit", psi("low_side", 60), [RUN]),
    ("low_side_limit", psi("low_side", 60), [RUN, step("charging_started"), step("charging_finished")]),
    ("wrong_refrigerant", fact("source_refrigerant", "R-134a"), [fact("refrigerant", "R-134a")]),
    (
        "wrong_refrigerant",
        fact("source_refrigerant", "R-134a"),
        [fact("label_refrigerant", "R-12"), fact("refrigerant", "R-134a")],
    ),
    ("flammable", fact("refrigerant", "R-134a"), []),
    ("flammable", fact("label_refrigerant", "R-1234yf"), [fact("refrigerant", "R-1234yf")]),
    ("leak_test_gas", step("leak_test_nitrogen"), []),
    ("pag_electric", fact("oil_type", "PAG 46"), [fact("compressor_drive", "belt with clutch")]),
    ("pag_electric", fact("oil_type", "POE"), [fact("compressor_drive", "electric")]),
    ("can_flame", step("can_warmed_water"), []),
    ("can_hot", m("can", 110, "F"), []),
    ("liquid_low_side", step("charging_liquid"), [OFF]),
    ("liquid_low_side", step("charging_vapour"), [RUN]),
    ("liquid_low_side", RUN, [step("charging_liquid"), step("charging_vapour")]),
    ("high_coupler_hot", step("gauges_disconnected"), [RUN, OFF, m("settle_time", 10, "min")]),
    ("eye_protection", step("gauges_connected"), [step("eye_protection")]),
    ("moving_parts", RUN, [RUN]),
]


@pytest.mark.parametrize(("hazard", "new", "before"), DEFINITE)
def test_fires(hazard, new, before):
    text = warned(new, *before)[hazard]
    assert not text.startswith("If ")


@pytest.mark.parametrize(("hazard", "new", "before"), IF_UNKNOWN)
def test_says_if_where_the_state_is_unknown(hazard, new, before):
    assert warned(new, *before)[hazard].startswith("If ")


@pytest.mark.parametrize(("hazard", "new", "before"), QUIET)
def test_keeps_quiet(hazard, new, before):
    assert hazard not in warned(new, *before)


def test_a_running_low_side_at_zero_does_not_hide_the_high_side():
    assert not warned(step("pump_on"), RUN, psi("low_side", 0), psi("high_side", 150))["pump_on_pressure"].startswith("If ")


def test_a_pressure_heard_but_unconfirmed_still_warns():
    assert "pump_on_pressure" in warned(step("pump_on"), step("recovery_finished"), unsure(psi("low_side", 40)))


def test_a_correction_is_warned_about_like_its_statement():
    assert "can_hot" in warned(Correction(m("can", 130, "F")))


@pytest.mark.parametrize(("hazard", "new", "before"), DEFINITE + IF_UNKNOWN)
def test_texts_are_one_breath_of_danger_and_remedy(hazard, new, before):
    text = warned(new, *before)[hazard]
    assert text.endswith(".") and text.count(". ") == 0 and len(text) < 260


@pytest.mark.parametrize("action", ["pump_on", "opening_system"])
def test_announced_step_warns_before_it_is_done_and_changes_nothing(action):
    held = [OFF, psi("low_side", 30)]
    assert warned(Plan(action), *held) == warned(step(action), *held) != {}
    assert warned(step("opening_system"), *held, Plan("recovery_started")) == warned(step("opening_system"), *held)
