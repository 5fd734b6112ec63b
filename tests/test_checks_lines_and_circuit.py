"""Superheat, subcooling, vent air and the clutch circuit, both ways."""

from __future__ import annotations

import pytest

from tests.checks_records import fact, m, psi, record, step, supply, unsure
from tests.test_checks_pressures import CANNOT, OUTSIDE, R134A, WITHIN, absent, find

VALVE, TUBE = fact("expansion_device", "expansion valve"), fact("expansion_device", "orifice tube")


def lines(*more, device=VALVE, low=35.1, high=124.3):
    """R-134a evaporating at 40 F (35.1 psig) and condensing at 100 F (124.3 psig), from the trade chart."""
    return record(
        R134A, device, m("ambient", 80, "F"), step("engine_running"), psi("low_side", low), psi("high_side", high), *more
    )


@pytest.mark.parametrize(
    ("line", "outcome", "word"),
    [
        (53, WITHIN, "usual range"),
        (80, OUTSIDE, "starved"),
        (43, CANNOT, "edge"),
        (36, OUTSIDE, "flooded"),
        (25, OUTSIDE, "cannot be"),
    ],
)
def test_superheat_with_an_expansion_valve(line, outcome, word):
    # 40 F evaporating, so 53 F is 13 F of superheat
    finding = find(lines(m("evaporator_outlet", line, "F")), "superheat_evaporator_outlet")
    assert finding.outcome is outcome and word in finding.why


def test_superheat_figure():
    assert finding_measured("suction_line", 53).startswith("13 °F")


def finding_measured(place: str, line: float) -> str:
    return find(lines(m(place, line, "F")), f"superheat_{place}").measured


@pytest.mark.parametrize("place", ["suction_line", "evaporator_outlet", "accumulator"])
def test_superheat_is_no_charge_measure_with_an_orifice_tube(place):
    finding = find(lines(m(place, 80, "F"), device=TUBE), f"superheat_{place}")
    assert finding.outcome is CANNOT and "does not measure the charge" in finding.why


def test_superheat_asks_for_the_expansion_device():
    timeline = record(R134A, step("engine_running"), psi("low_side", 35), m("suction_line", 53, "F"))
    assert "expansion device" in find(timeline, "superheat_suction_line").missing


@pytest.mark.parametrize(
    ("line", "outcome", "word"),
    [(88, WITHIN, "supports the charge"), (60, OUTSIDE, "backed up"), (98, CANNOT, "edge"), (120, OUTSIDE, "hotter")],
)
def test_subcooling(line, outcome, word):
    # 100 F condensing, so 88 F is 12 F of subcooling
    finding = find(lines(m("liquid_line", line, "F")), "subcooling_liquid_line")
    assert finding.outcome is outcome and word in finding.why


@pytest.mark.parametrize(("outlet", "outcome"), [(42, WITHIN), (60, OUTSIDE), (48, CANNOT)])
def test_temperature_across_the_evaporator_with_an_orifice_tube(outlet, outcome):
    timeline = lines(m("evaporator_inlet", 40, "F"), m("evaporator_outlet", outlet, "F"), device=TUBE)
    assert find(timeline, "evaporator_difference").outcome is outcome


def test_temperature_across_the_evaporator_is_no_measure_with_an_expansion_valve():
    timeline = lines(m("evaporator_inlet", 40, "F"), m("evaporator_outlet", 60, "F"))
    assert find(timeline, "evaporator_difference").outcome is CANNOT


@pytest.mark.parametrize(
    ("vent", "outcome", "word"),
    [
        (48, WITHIN, "clearly colder"),
        (78, OUTSIDE, "blend door"),
        (95, OUTSIDE, "heat is being added"),
        (20, OUTSIDE, "cannot be"),
        (70, CANNOT, "minimum"),
    ],
)
def test_vent_air(vent, outcome, word):
    finding = find(lines(m("vent", vent, "F")), "vent")
    assert finding.outcome is outcome and word in finding.why


def test_an_unconfirmed_low_side_withholds_the_vent():
    timeline = record(
        R134A, m("ambient", 80, "F"), step("engine_running"), psi("low_side", 35), unsure(psi("low_side", 65)), m("vent", 48, "F")
    )
    assert find(timeline, "vent").outcome is CANNOT


def test_lines_with_the_engine_off_give_no_finding():
    assert absent(
        record(R134A, VALVE, step("engine_off"), psi("low_side", 71), m("suction_line", 70, "F")), "superheat_suction_line"
    )


LAMP = step("test_light_proved")
POWER = [supply(p, True) for p in ("battery", "fuse_out", "low_pressure_switch_in")]
OPEN = supply("low_pressure_switch_out", False)


@pytest.mark.parametrize(
    ("low", "outcome", "word"), [(5, WITHIN, "doing its job"), (70, OUTSIDE, "test the switch"), (25, CANNOT, "cut-out")]
)
def test_open_low_pressure_switch(low, outcome, word):
    # cut-out commonly 20 to 30 psi (common practice, no source)
    finding = find(record(step("engine_off"), psi("low_side", low), LAMP, *POWER, OPEN), "clutch_circuit")
    assert finding.outcome is outcome and word in finding.why


def test_the_switch_is_judged_by_the_pressure_before_its_test():
    timeline = record(step("engine_off"), psi("low_side", 5), LAMP, *POWER, OPEN, psi("low_side", 70))
    assert find(timeline, "clutch_circuit").outcome is WITHIN


def test_open_low_pressure_switch_without_a_pressure_cannot_be_judged():
    finding = find(record(LAMP, *POWER, OPEN), "clutch_circuit")
    assert finding.outcome is CANNOT and "low-side pressure" in finding.missing[0]


def test_first_dead_section_is_named():
    timeline = record(LAMP, supply("battery", True), supply("fuse_in", True), supply("fuse_out", False), supply("clutch", False))
    finding = find(timeline, "clutch_circuit")
    assert finding.outcome is OUTSIDE and "fuse, supply side and fuse, load side" in finding.why


def test_power_up_to_the_clutch():
    assert find(record(LAMP, supply("battery", True), supply("clutch", True)), "clutch_circuit").outcome is WITHIN
    assert find(record(LAMP, *POWER), "clutch_circuit").outcome is CANNOT


def test_an_unproved_light_proves_nothing():
    finding = find(record(supply("fuse_in", True), supply("fuse_out", False)), "clutch_circuit")
    assert finding.outcome is CANNOT and "prove the light" in finding.why


def test_voltages_need_no_proved_light():
    assert find(record(m("fuse_in", "12.4", "V"), m("fuse_out", "0.1", "V")), "clutch_circuit").outcome is OUTSIDE
    assert find(record(m("fuse_in", "12.4", "V"), m("fuse_out", "5.0", "V")), "clutch_circuit").outcome is CANNOT


def test_power_after_a_dead_point_contradicts():
    timeline = record(LAMP, supply("fuse_in", True), supply("fuse_out", False), supply("clutch", True))
    assert find(timeline, "clutch_circuit").outcome is CANNOT


def test_an_unconfirmed_point_withholds_the_chain():
    timeline = record(LAMP, supply("fuse_in", True), supply("fuse_out", False), unsure(supply("fuse_out", True)))
    assert find(timeline, "clutch_circuit").outcome is CANNOT


@pytest.mark.parametrize(
    ("reading", "check", "outcome"),
    [
        (m("clutch_coil", "3.6", "ohm"), "clutch_coil", WITHIN),
        (m("clutch_coil", "1.1", "ohm"), "clutch_coil", OUTSIDE),
        (m("clutch_coil", 9, "kohm"), "clutch_coil", OUTSIDE),
        (m("clutch_coil", "2.3", "ohm"), "clutch_coil", CANNOT),
        (m("clutch", "3.8", "A"), "clutch_supply_current", WITHIN),
        (m("clutch", "1.0", "A"), "clutch_supply_current", OUTSIDE),
        (m("clutch_coil", "4.1", "A"), "clutch_current", WITHIN),
        (m("clutch_coil", "8.0", "A"), "clutch_current", OUTSIDE),
        (m("battery", "12.6", "V"), "battery", WITHIN),
        (m("battery", "8.1", "V"), "battery", OUTSIDE),
        (m("clutch_ground", 80, "mV"), "drop_clutch_ground", WITHIN),
        (m("clutch_ground", "1.9", "V"), "drop_clutch_ground", OUTSIDE),
        (m("low_pressure_switch", "0.1", "V"), "drop_low_pressure_switch", WITHIN),
        (m("low_pressure_switch", "1.5", "V"), "drop_low_pressure_switch", OUTSIDE),
        (m("relay_coil", 80, "ohm"), "relay_coil", WITHIN),
        (m("relay_coil", 9, "kohm"), "relay_coil", OUTSIDE),
        (m("clutch_ground", "3.0", "ohm"), "resistance_clutch_ground", OUTSIDE),
    ],
)
def test_single_figures_of_the_circuit(reading, check, outcome):
    # limits of common practice, no source: coil 2.4 to 5 ohm, 3 to 5 A, battery 9 to 16 V, drop below 0.5 V
    assert find(record(reading), check).outcome is outcome
    withheld = find(record(unsure(reading)), check)
    assert withheld.outcome is CANNOT and "not confirmed" in withheld.missing[0]


def test_ohm_and_ampere_follow_ohms_law():
    # the two usual ranges belong together: 12 V over 2.4 ohm is 5 A, over 4 ohm is 3 A
    assert find(record(m("clutch_coil", 4, "ohm")), "clutch_coil").outcome is WITHIN
    assert find(record(m("clutch_coil", 12 / 4, "A")), "clutch_current").outcome is WITHIN
