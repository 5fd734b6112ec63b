"""The clutch circuit: keys, contacts open for a reason, drops, several faults, repairs between tests. Limits of common practice, no source."""

from __future__ import annotations

import pytest

from hoodnote.checks import evaluate
from hoodnote.checks.circuits import Circuit, Opening, Point, Vehicle
from hoodnote.checks.contacts import Reason
from hoodnote.checks.electrical import lost_points
from hoodnote.checks.equipment import Equipment
from hoodnote.checks.view import View
from tests.checks_records import fact, m, psi, record, step, supply, unsure
from tests.test_checks_pressures import CANNOT, OUTSIDE, R134A, WITHIN, absent, find

LAMP, KEY, OFF = step("test_light_proved"), step("key_on"), step("engine_off")


def chain(*points, before=()):
    """Test points with power ("name") or without ("-name"), by a proved light, key on."""
    return record(*before, LAMP, KEY, *(supply(p.removeprefix("-"), not p.startswith("-")) for p in points))


def circuit(*points, before=()):
    return find(chain(*points, before=before), "clutch_circuit")


HIGH_IN, HIGH_OUT = "high_pressure_switch_in", "-high_pressure_switch_out"
COLD_IN, COLD_OUT = "freeze_switch_in", "-freeze_switch_out"


# An R-134a high-pressure switch commonly opens between 300 and 470 psi and closes again between 180 and 350 (common practice, no source).
@pytest.mark.parametrize(("high", "outcome", "word"), [(490, WITHIN, "doing its job"), (120, OUTSIDE, "test the switch"), (400, CANNOT, "near")])
def test_open_high_pressure_switch(high, outcome, word):
    finding = circuit(HIGH_IN, HIGH_OUT, before=(psi("high_side", high),))
    assert finding.outcome is outcome and word in finding.why


def test_between_cut_out_and_cut_in_nobody_can_say():
    # 35 psi is above every usual cut-out and below many a cut-in: whether the switch has closed again depends on where it came from
    assert circuit("low_pressure_switch_in", "-low_pressure_switch_out", before=(OFF, psi("low_side", 35))).outcome is CANNOT


def test_a_pressure_with_the_engine_running_says_nothing_of_a_switch_tested_with_it_off():
    finding = circuit("low_pressure_switch_in", "-low_pressure_switch_out", before=(step("engine_running"), psi("low_side", 5), OFF))
    assert finding.outcome is CANNOT and "as at the test" in finding.missing[0]


@pytest.mark.parametrize(
    ("before", "outcome", "word"),
    [
        ([m("vent", -6, "C")], WITHIN, "doing its job"),
        ([m("evaporator_inlet", -6, "C")], WITHIN, "doing its job"),
        ([m("evaporator_inlet", 25, "C")], OUTSIDE, "although the evaporator is warm"),
        ([m("evaporator_outlet", 25, "C")], CANNOT, "does not say"),  # a starved evaporator is warm at its end and iced at its inlet
        ([m("vent", 25, "C")], CANNOT, "does not say"),  # a blend door makes warm air of a cold coil
        ([R134A, OFF, psi("low_side", 85)], OUTSIDE, "not cold enough"),  # 80 F on the trade's R-134a chart
        ([OFF, psi("low_side", 85)], CANNOT, "does not say"),
        ([unsure(m("vent", -6, "C"))], CANNOT, "does not say"),
        ([], CANNOT, "does not say"),
    ],
)
def test_open_freeze_switch(before, outcome, word):
    finding = circuit(COLD_IN, COLD_OUT, before=before)
    assert finding.outcome is outcome and word in finding.why


def test_a_blown_fuse_needs_no_pressure():
    (lost,) = lost_points(View(chain("fuse_in", "-fuse_out")))
    assert (lost.faults, lost.reason, lost.first) == (("blown_fuse",), Reason.NONE, "fuse_out")


def test_a_good_reason_among_several_contacts_is_not_known_to_be_the_reason():
    points = ("freeze_switch_in", "-clutch")
    finding = circuit(*points, before=(OFF, psi("low_side", 5)))
    assert finding.outcome is CANNOT and "low-pressure switch" in finding.missing[0]
    (lost,) = lost_points(View(chain(*points, before=(OFF, psi("low_side", 5)))))
    assert lost.reason is Reason.UNKNOWN and "open_freeze_switch" in lost.faults


@pytest.mark.parametrize(("said", "outcome"), [(KEY, OUTSIDE), (step("key_off"), CANNOT), (None, CANNOT), (unsure(KEY), CANNOT),
                                               (step("engine_running"), OUTSIDE)])
def test_a_section_that_needs_the_key(said, outcome):
    timeline = record(LAMP, *([said] if said else []), supply("battery", True), supply("fuse_in", False))
    assert find(timeline, "clutch_circuit").outcome is outcome


def test_a_key_turned_between_two_tests_explains_the_dead_point():
    timeline = record(LAMP, KEY, supply("low_pressure_switch_in", True), step("key_off"), psi("low_side", 70),
                      supply("low_pressure_switch_out", False))
    finding = find(timeline, "clutch_circuit")
    assert finding.outcome is CANNOT and "key" in finding.why


def test_an_overheating_engine_may_hold_the_control_unit_off():
    assert circuit("relay_supply", "-control_unit").outcome is OUTSIDE
    finding = circuit("relay_supply", "-control_unit", before=(step("engine_hot"),))
    assert finding.outcome is CANNOT and "on purpose" in finding.why


def test_a_repair_begins_a_new_round_of_tests():
    timeline = record(LAMP, KEY, supply("fuse_in", True), supply("fuse_out", False), supply("clutch", False), step("replaced", "fuse"),
                      KEY, supply("fuse_out", True), supply("clutch", True))
    found = [f for f in evaluate(timeline) if f.check == "clutch_circuit"]
    assert [(f.outcome, f.stage) for f in found] == [(OUTSIDE, "before"), (WITHIN, "during")]


def test_power_through_a_bypass_speaks_for_the_rest_only():
    timeline = record(LAMP, KEY, step("bypassed", "low_pressure_switch"), supply("fuse_out", True), supply("clutch", True))
    finding = find(timeline, "clutch_circuit")
    assert finding.outcome is CANNOT and "not for the low-pressure switch" in finding.why
    beyond = record(LAMP, KEY, step("bypassed", "low_pressure_switch"), supply("high_pressure_switch_out", True), supply("clutch", False))
    assert find(beyond, "clutch_circuit").outcome is OUTSIDE


def test_power_lost_at_one_place_and_a_drop_at_another():
    timeline = record(KEY, m("battery", "12.6", "V"), m("fuse_out", "12.5", "V"), m("relay_output", "10.9", "V"),
                      m("freeze_switch_in", "10.9", "V"), m("freeze_switch_out", "0.0", "V"), m("evaporator_inlet", 25, "C"))
    assert find(timeline, "clutch_circuit").outcome is CANNOT  # the inlet line was read after the test
    drop = find(timeline, "drop_to_relay_output")
    assert drop.outcome is OUTSIDE and drop.measured.startswith("1.60 V")
    warm = record(KEY, m("evaporator_inlet", 25, "C"), m("battery", "12.6", "V"), m("relay_output", "10.9", "V"),
                  m("freeze_switch_in", "10.9", "V"),
                  m("freeze_switch_out", "0.0", "V"))
    assert find(warm, "clutch_circuit").outcome is OUTSIDE and find(warm, "drop_to_relay_output").outcome is OUTSIDE


def test_a_good_supply_is_one_finding():
    timeline = record(KEY, m("battery", "12.6", "V"), m("fuse_out", "12.5", "V"), m("relay_output", "12.4", "V"), m("clutch", "12.3", "V"))
    assert find(timeline, "drop_to_clutch").outcome is WITHIN and absent(timeline, "drop_to_relay_output")


@pytest.mark.parametrize("between", [step("engine_running"), step("engine_off")])
def test_drops_across_a_change_of_the_engine_are_not_judged(between):
    timeline = record(KEY, m("fuse_out", "14.2", "V"), between, m("relay_output", "12.4", "V"))
    assert find(timeline, "drop_to_relay_output").outcome is CANNOT


@pytest.mark.parametrize(
    ("seen", "outcome", "word"),
    [
        (("clutch", step("clutch_engaged")), WITHIN, "answers"),
        (("clutch", step("clutch_not_engaged")), OUTSIDE, "ground"),
        (("-clutch", step("clutch_not_engaged")), WITHIN, "supply comes first"),
        (("-clutch", step("clutch_engaged")), CANNOT, "at one time"),
        (("clutch", unsure(step("clutch_engaged")), step("clutch_engaged")), CANNOT, "lacks"),
    ],
)
def test_clutch_against_its_supply(seen, outcome, word):
    point, *steps = seen
    finding = find(record(LAMP, KEY, supply("battery", True), supply(point.removeprefix("-"), not point.startswith("-")), *steps),
                   "clutch_engagement")
    assert finding.outcome is outcome and word in finding.why


@pytest.mark.parametrize(("power", "outcome"), [(True, OUTSIDE), (False, WITHIN)])
def test_ground_side_of_the_clutch(power, outcome):
    assert find(record(LAMP, KEY, supply("battery", True), supply("clutch", True), supply("clutch_ground", power)),
                "clutch_ground_power").outcome is outcome
    assert find(record(LAMP, supply("clutch_ground", False)), "clutch_ground_power").outcome is CANNOT


@pytest.mark.parametrize(("low", "outcome"), [(5, WITHIN), (80, OUTSIDE), (None, CANNOT)])
@pytest.mark.parametrize("reading", [m("low_pressure_switch", 12, "V"), m("low_pressure_switch", 900, "kohm")])
def test_the_whole_supply_across_a_contact_shows_it_open(low, outcome, reading):
    pressures = [OFF, psi("low_side", low)] if low is not None else []
    check = "drop_low_pressure_switch" if reading.unit == "V" else "resistance_low_pressure_switch"
    assert find(record(*pressures, reading), check).outcome is outcome


def test_the_coil_is_judged_at_20_c():
    # IEC 60028: copper of 3.60 ohm at 20 C has 3.60 x (1 + 0.00393 x 80) = 4.73 ohm at 100 C, so 5.2 ohm in a hot coil is usual
    assert find(record(m("clutch_coil", "5.2", "ohm")), "clutch_coil").outcome is WITHIN
    finding = find(record(m("ambient", 100, "C"), m("clutch_coil", "4.73", "ohm")), "clutch_coil")
    assert "about 3.6 Ω at 20 °C" in finding.measured


def test_current_is_judged_at_its_voltage():
    # Ohm's law: 4.6 A at 14.2 V are 3.9 A at 12 V
    assert find(record(m("ambient", 20, "C"), m("battery", "14.2", "V"), m("clutch", "4.6", "A")), "clutch_supply_current").outcome is WITHIN
    assert "taken as 12 to 14.5 V" in find(record(m("clutch", "4.6", "A")), "clutch_supply_current").uncertainty


@pytest.mark.parametrize(("ampere", "outcome"), [("3.2", WITHIN), ("1.5", OUTSIDE), ("8.0", OUTSIDE)])
def test_current_against_voltage_and_resistance(ampere, outcome):
    # Ohm's law: 12.4 V over 3.6 ohm is 3.4 A in a cold coil, 2.6 A in one of 100 C (IEC 60028)
    timeline = record(m("clutch_coil", "3.6", "ohm"), m("battery", "12.4", "V"), m("clutch", ampere, "A"))
    assert find(timeline, "clutch_ohms_law").outcome is outcome
    assert absent(record(m("clutch_coil", "3.6", "ohm"), m("clutch", ampere, "A")), "clutch_ohms_law")


def point(place, fault="wiring", *openings):
    return Point(place, place, "part", fault, False, 0.5, (9.0, 16.0), openings)


SWITCH_FIRST = Circuit("van", "shop", (point("battery"), point("low_pressure_switch_in"),
                                       point("low_pressure_switch_out", "open_low_pressure_switch",
                                             Opening("low pressure", (100.0, 120.0), (200.0, 220.0))),
                                       point("fuse_out", "blown_fuse"), point("clutch")), Vehicle("test make", None, (1996, 2002)))


@pytest.mark.parametrize(
    ("facts", "outcome"),
    [
        ((fact("make", "Test Make"), fact("model_year", "1999")), OUTSIDE),  # there the switch comes before the fuse
        ((fact("make", "Test Make"), fact("model_year", "2005")), CANNOT),
        ((fact("make", "Test Make"),), CANNOT),
        ((unsure(fact("make", "Test Make")), fact("model_year", "1999")), CANNOT),
        ((), CANNOT),
    ],
)
def test_a_vehicle_has_its_own_order(facts, outcome):
    timeline = record(*facts, LAMP, KEY, supply("low_pressure_switch_out", True), supply("fuse_out", False), supply("clutch", False))
    (finding,) = [f for f in evaluate(timeline, Equipment(circuits=(SWITCH_FIRST,))) if f.check == "clutch_circuit"]
    assert finding.outcome is outcome


def test_more_uncertainty_never_turns_cannot_tell_into_outside():
    from hoodnote.physics.gauge import Gauge, ManifoldGauges
    from hoodnote.units import GaugePressure

    for reading in range(0, 90, 5):
        timeline = chain("low_pressure_switch_in", "-low_pressure_switch_out", before=(OFF, psi("low_side", reading)))
        seen = []
        for grade in ("4A", "1A", "B", "D"):
            gauge = Gauge("gauge", GaugePressure(-100.0), GaugePressure.of(120, "psi"), grade)
            seen += [f.outcome for f in evaluate(timeline, Equipment(ManifoldGauges(gauge, gauge))) if f.check == "clutch_circuit"]
        for sharper, blunter in zip(seen, seen[1:]):
            assert blunter in (sharper, CANNOT)
