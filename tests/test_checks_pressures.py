"""Static and running pressure checks, both ways. Expected figures are worked by hand from handbook saturation tables."""

from __future__ import annotations

import pytest

from hoodnote.checks import evaluate
from hoodnote.checks.model import Outcome
from hoodnote.checks.equipment import Equipment
from hoodnote.physics.gauge import Gauge, ManifoldGauges
from hoodnote.readings.model import Entry, Origin, Standing, Timeline, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Control
from hoodnote.units import GaugePressure
from tests.checks_records import entries, fact, m, psi, record, step, unsure

WITHIN, OUTSIDE, CANNOT = Outcome.WITHIN, Outcome.OUTSIDE, Outcome.CANNOT_TELL
HIGH_PRESSURE = Equipment(ManifoldGauges(
    Gauge("low", GaugePressure(0.0), GaugePressure.of(100, "bar")),
    Gauge("high", GaugePressure(0.0), GaugePressure.of(160, "bar")),
))
R134A = fact("refrigerant", "R-134a")


def find(timeline: Timeline, check: str, stage: str | None = None):
    found = [f for f in evaluate(timeline) if f.check == check and (stage is None or f.stage == stage)]
    assert len(found) == 1, f"{check}: {found}"
    return found[0]


def absent(timeline: Timeline, check: str) -> bool:
    return all(f.check != check for f in evaluate(timeline))


def static(low: float, high: float, *more, ambient: float = 70, refrigerant: str = "R-134a"):
    return record(
        fact("refrigerant", refrigerant),
        m("ambient", ambient, "F"),
        *more,
        step("engine_off"),
        psi("low_side", low),
        psi("high_side", high),
    )


def running(low: float, high: float, *more, ambient: float = 80):
    return record(R134A, m("ambient", ambient, "F"), step("engine_running"), psi("low_side", low), psi("high_side", high), *more)


# R-134a saturation at 70 F is 71 psig (trade chart); grade B low gauge 2.7 psi, 2 C is about 5 psi: about 8 psi of tolerance.
@pytest.mark.parametrize(
    ("pressure", "outcome", "word"),
    [
        (71, WITHIN, "amount is unknown"),
        (66, WITHIN, "half-charged"),
        (76, WITHIN, "half-charged"),
        (60, OUTSIDE, "below"),
        (30, OUTSIDE, "never says"),
        (84, OUTSIDE, "air or another gas"),
    ],
)
def test_static_pressure_against_saturation(pressure, outcome, word):
    finding = find(static(pressure, pressure), "static_pressure")
    assert finding.outcome is outcome
    assert word in finding.why
    assert "71 psi" in finding.expected and "sea level assumed" in finding.uncertainty


def test_static_pressure_depends_on_the_refrigerant():
    # R-1234yf at 70 F is about 74 psig, R-744 about 838 psig: far beyond an ordinary gauge
    assert find(static(80, 80, refrigerant="R-1234yf"), "static_pressure").outcome is WITHIN
    assert find(static(90, 90, refrigerant="R-744"), "static_pressure").outcome is OUTSIDE


def test_altitude_moves_the_expected_gauge_pressure():
    # 1600 m: 83.5 kPa (ISO 2533), so the gauge reads 17.8 kPa = 2.6 psi more for the same refrigerant
    finding = find(static(74, 74, m("altitude", 1600, "m")), "static_pressure")
    assert "74 psi" in finding.expected
    assert "83.5 kPa" in finding.uncertainty and "sea level" not in finding.uncertainty


def test_static_pressure_above_the_critical_temperature_says_transcritical():
    finding = next(
        f for f in evaluate(static(1100, 1100, ambient=95, refrigerant="R-744"), HIGH_PRESSURE) if f.check == "static_pressure"
    )
    assert finding.outcome is CANNOT and "transcritical" in finding.why


def test_static_uses_the_finer_gauge_and_widens_with_the_grade():
    timeline = static(60, 60)
    coarse = Equipment(ManifoldGauges(
        Gauge("low", GaugePressure.of(-14, "psi"), GaugePressure.of(500, "psi"), "D"),
        Gauge("high", GaugePressure(0.0), GaugePressure.of(500, "psi"), "D"),
    ))
    assert [f.outcome for f in evaluate(timeline, coarse) if f.check == "static_pressure"] == [WITHIN]


def test_static_with_a_low_gauge_off_its_scale_uses_the_high_side():
    # R-134a at 105 F is 135 psig: past the low gauge's graded scale
    finding = find(static(135, 135, ambient=105), "static_pressure")
    assert finding.outcome is WITHIN and "high side gauge" in finding.uncertainty


@pytest.mark.parametrize(("low", "high", "outcome"), [(70, 72, WITHIN), (70, 84, WITHIN), (70, 95, OUTSIDE), (40, 71, OUTSIDE)])
def test_sides_agree_when_equalised(low, high, outcome):
    # limits: 2.7 psi on the low gauge and 15 psi on the first quarter of the 500 psi gauge
    assert find(static(low, high), "static_agreement").outcome is outcome


def test_static_cannot_tell_while_the_gauges_disagree():
    finding = find(static(40, 71), "static_pressure")
    assert finding.outcome is CANNOT and "agree" in " ".join(finding.missing)


def test_air_read_later_for_the_running_engine_is_not_the_standing_systems():
    # 104 psi gauge is R-134a at 90 F (trade chart), far above the 71 psi of 70 F
    timeline = record(R134A, m("ambient", 70, "F"), step("engine_off"), psi("low_side", 104), psi("high_side", 104), m("ambient", 90, "F"),
                      step("engine_running"), psi("low_side", 30), psi("high_side", 205))
    assert find(timeline, "static_pressure").outcome is OUTSIDE
    assert "90 °F" in find(timeline, "condensing").measured


def test_air_read_after_the_pressures_counts_where_none_was_read_before():
    timeline = record(R134A, step("engine_off"), psi("low_side", 71), psi("high_side", 71), m("ambient", 70, "F"))
    assert find(timeline, "static_pressure").outcome is WITHIN


@pytest.mark.parametrize(("leave_out", "named"), [("ambient", "ambient air"), ("refrigerant", "refrigerant")])
def test_static_names_what_is_missing(leave_out, named):
    parts = {"refrigerant": R134A, "ambient": m("ambient", 70, "F")}
    parts.pop(leave_out)
    finding = find(record(*parts.values(), step("engine_off"), psi("low_side", 71)), "static_pressure")
    assert finding.outcome is CANNOT and named in finding.missing


@pytest.mark.parametrize("doubtful", ["refrigerant", "ambient", "low_side", "altitude"])
def test_static_uses_nothing_unconfirmed(doubtful):
    parts = {
        "refrigerant": R134A,
        "ambient": m("ambient", 70, "F"),
        "altitude": m("altitude", 100, "m"),
        "engine": step("engine_off"),
        "low_side": psi("low_side", 71),
    }
    parts[doubtful] = unsure(parts[doubtful])
    finding = find(record(*parts.values()), "static_pressure")
    assert finding.outcome is CANNOT
    assert any("not confirmed" in x for x in finding.missing)


def test_a_newer_unconfirmed_reading_withholds_the_older_one():
    timeline = record(R134A, m("ambient", 70, "F"), step("engine_off"), psi("low_side", 71), unsure(psi("low_side", 17)))
    assert find(timeline, "static_pressure").outcome is CANNOT
    answered = record(R134A, m("ambient", 70, "F"), step("engine_off"), unsure(psi("low_side", 17)), psi("low_side", 71))
    assert find(answered, "static_pressure").outcome is WITHIN


def test_an_unconfirmed_engine_state_withholds_the_readings_after_it():
    timeline = record(R134A, m("ambient", 70, "F"), step("engine_off"), unsure(step("engine_running")), psi("low_side", 71))
    finding = find(timeline, "static_pressure")
    assert finding.outcome is CANNOT and any("engine running" in x for x in finding.missing)


def test_an_unconfirmed_withdrawal_withholds_the_reading_it_may_take_back():
    base = (R134A, m("ambient", 70, "F"), step("engine_off"), psi("low_side", 71))
    assert find(record(*base, unsure(Control("withdraw"))), "static_pressure").outcome is CANNOT
    assert find(record(*base, unsure(Control("read_back"))), "static_pressure").outcome is WITHIN


def test_a_reading_that_another_listener_took_for_another_place_withholds_both():
    heard = Entry(
        psi("low_side", 60),
        Standing.UNCONFIRMED,
        Origin("clip"),
        id=9,
        versions=(Version("first", "", psi("low_side", 60)), Version("second", "", psi("high_side", 60))),
    )
    certain = entries(R134A, m("ambient", 70, "F"), step("engine_off"), psi("high_side", 71))
    assert find(build(certain), "static_pressure").outcome is WITHIN
    assert find(build([*certain, heard]), "static_pressure").outcome is CANNOT


def test_an_unconfirmed_recovery_withholds_the_pressures_after_it():
    timeline = record(R134A, m("ambient", 70, "F"), step("engine_off"), unsure(step("recovery_finished")), psi("low_side", 5))
    assert find(timeline, "static_pressure").outcome is CANNOT


def test_pressures_during_the_work_are_no_static_check():
    timeline = record(
        R134A, m("ambient", 70, "F"), step("engine_off"), step("recovery_finished"), psi("low_side", 0), psi("high_side", 0)
    )
    assert absent(timeline, "static_pressure")


def test_an_electrical_repair_leaves_the_circuit_comparable():
    base = (R134A, m("ambient", 80, "F"), step("replaced", "relay"))
    timeline = record(*base, step("engine_running"), psi("low_side", 30), psi("high_side", 170))
    assert find(timeline, "compression_ratio", "during").outcome is WITHIN
    opened = record(*base, step("recovery_finished"), step("engine_running"), psi("low_side", 30), psi("high_side", 170))
    assert absent(opened, "compression_ratio")
    unclear = record(*base, unsure(step("recovery_finished")), step("engine_running"), psi("low_side", 30), psi("high_side", 170))
    assert find(unclear, "compression_ratio").outcome is CANNOT


def test_stages_are_kept_apart():
    timeline = record(
        R134A,
        m("ambient", 70, "F"),
        step("engine_off"),
        psi("low_side", 30),
        step("recovery_finished"),
        m("charged", 24, "oz"),
        psi("low_side", 71),
    )
    assert find(timeline, "static_pressure", "before").outcome is OUTSIDE
    after = find(timeline, "static_pressure", "after")
    assert after.outcome is WITHIN and "before the work" in after.uncertainty
    # 2 C of thermometer is 2 x 2/sqrt(3) = 2.3 C at k = 2 (GUM 4.3.7); with 3 C of drift since, 2 x sqrt(4 + 9)/sqrt(3) = 4.2 C
    assert "(4.2 °C)" in after.uncertainty and "(2.3 °C)" in find(timeline, "static_pressure", "before").uncertainty


def test_label_names_the_refrigerant_when_nobody_stated_it():
    timeline = record(fact("label_refrigerant", "R-134a"), m("ambient", 70, "F"), step("engine_off"), psi("low_side", 71))
    assert find(timeline, "static_pressure").outcome is WITHIN


def test_two_refrigerants_decide_nothing_except_a_conversion():
    base = (m("ambient", 70, "F"), step("engine_off"), psi("low_side", 71))
    both = record(fact("refrigerant", "R-1234yf"), fact("label_refrigerant", "R-134a"), *base)
    assert find(both, "static_pressure").outcome is CANNOT
    converted = record(R134A, fact("label_refrigerant", "R-12"), *base)
    assert "converted" in find(converted, "static_pressure").uncertainty


# R-134a: 27.8 psig is 32 F, 35.1 psig is 40 F, 57 psig is about 60 F (trade chart); the usual range is 30 to 45 F.
@pytest.mark.parametrize(
    ("low", "outcome", "word"),
    [(32, WITHIN, "usual range"), (57, OUTSIDE, "outside"), (15, OUTSIDE, "ice"), (24.5, CANNOT, "edge")],
)
def test_evaporating_temperature(low, outcome, word):
    finding = find(running(low, 170), "evaporating")
    assert finding.outcome is outcome and word in finding.why


def test_evaporating_temperature_reads_the_chart():
    assert "40 °F" in find(running(35.1, 170), "evaporating").measured


def test_low_side_in_a_vacuum_points_to_a_blockage():
    timeline = record(R134A, m("ambient", 80, "F"), step("engine_running"), m("low_side", 8, "inHg"), psi("high_side", 120))
    finding = find(timeline, "evaporating")
    assert finding.outcome is OUTSIDE and "blockage" in finding.why


# R-134a condenses at 100 F at 124 psig: 20 F (11 C) above air of 80 F; 190 psig is 127 F, 300 psig about 159 F.
@pytest.mark.parametrize(
    ("high", "outcome", "word"),
    [(160, WITHIN, "usual distance"), (330, OUTSIDE, "airflow"), (75, OUTSIDE, "close to the air"), (112, CANNOT, "edge")],
)
def test_condensing_temperature(high, outcome, word):
    finding = find(running(30, high), "condensing")
    assert finding.outcome is outcome and word in finding.why


def test_rule_of_thumb_is_shown_for_r134a_only():
    assert "rule of thumb 176 to 200 psi" in find(running(30, 180), "condensing").expected
    other = record(fact("refrigerant", "R-1234yf"), m("ambient", 80, "F"), step("engine_running"), psi("high_side", 180))
    assert "rule of thumb" not in find(other, "condensing").expected


def test_two_yardsticks_that_disagree_decide_nothing():
    # 160 psig is 117 F (trade chart): 2.46 times 65 F fits the rule of thumb, 52 F above the air does not fit 20 to 45 F
    fine = Equipment(ManifoldGauges(
        Gauge("low", GaugePressure(0.0), GaugePressure.of(120, "psi"), "2A"),
        Gauge("high", GaugePressure(0.0), GaugePressure.of(500, "psi"), "2A"),
    ))
    finding = next(f for f in evaluate(running(30, 160, ambient=65), fine) if f.check == "condensing")
    assert finding.outcome is CANNOT and "rule of thumb" in finding.why


def test_a_difference_at_the_edge_is_not_called_outside():
    # 220 psi at 90 F: 47 F above the air with an error of 6 F, against 20 to 45 F
    finding = find(record(R134A, m("altitude", 100, "ft"), m("ambient", 90, "F"), step("engine_running"), psi("high_side", 220)), "condensing")
    assert finding.outcome is CANNOT and "too near the edge" in finding.why


def test_condenser_inlet_air_comes_before_ambient():
    timeline = record(
        R134A, m("ambient", 80, "F"), step("engine_running"), m("condenser_air_in", 120, "F"), psi("high_side", 300)
    )
    assert find(timeline, "condensing").outcome is WITHIN


def test_running_r744_is_transcritical():
    timeline = record(fact("refrigerant", "R-744"), m("ambient", 30, "C"), step("engine_running"), m("high_side", 100, "bar"))
    finding = next(f for f in evaluate(timeline, HIGH_PRESSURE) if f.check == "condensing")
    assert finding.outcome is CANNOT and "transcritical" in finding.why


# (190 + 14.7) / (30 + 14.7) = 4.6; (130 + 14.7) / (80 + 14.7) = 1.5; (300 + 14.7) / (2 + 14.7) = 18.8
@pytest.mark.parametrize(
    ("low", "high", "outcome", "word"),
    [(30, 190, WITHIN, "4.6"), (80, 130, OUTSIDE, "1.5"), (2, 300, OUTSIDE, "18.8"), (90, 95, OUTSIDE, "1.0")],
)
def test_compression_ratio(low, high, outcome, word):
    finding = find(running(low, high), "compression_ratio")
    assert finding.outcome is outcome and word in finding.measured


def test_equal_pressures_while_running_point_to_the_electrical_chain():
    assert "electrical chain" in find(running(90, 95), "compression_ratio").why
    assert "electrical chain" not in find(running(30, 190), "compression_ratio").why


@pytest.mark.parametrize("check", ["evaporating", "condensing", "expected_low", "expected_high"])
def test_equal_pressures_while_running_are_no_cycle(check):
    finding = find(running(90, 92), check)
    assert finding.outcome is CANNOT and any("equal while running" in x for x in finding.missing)
    assert not any("equal while running" in x for x in find(running(30, 190), check).missing)


@pytest.mark.parametrize("word", ["charging_started", "charging_vapour", "charging_liquid"])
def test_a_low_side_read_while_charging_is_not_the_vehicle_as_it_came(word):
    timeline = record(R134A, m("ambient", 80, "F"), step("engine_running"), psi("low_side", 20), psi("high_side", 160), step(word),
                      psi("low_side", 52))
    assert find(timeline, "evaporating").measured.endswith("from 20 psi (138 kPa)")
    assert find(timeline, "charging_low_side").measured == "52 psi (359 kPa)"


def test_ratio_uses_the_station_pressure():
    # 30 and 190 psi at 1600 m (12.1 psi): 202.1 / 42.1 = 4.8
    timeline = record(R134A, m("altitude", 1600, "m"), step("engine_running"), psi("low_side", 30), psi("high_side", 190))
    assert "4.8" in find(timeline, "compression_ratio").measured


def test_ratio_asks_for_the_missing_side():
    finding = find(record(R134A, step("engine_running"), psi("low_side", 30)), "compression_ratio")
    assert finding.outcome is CANNOT and finding.missing == ("high side",)


def test_nothing_said_nothing_found():
    assert evaluate(record()) == []
    assert evaluate(record(R134A, m("ambient", 70, "F"), fact("make", "none"))) == []


def test_a_metric_shop_reads_its_own_units_first():
    timeline = static(71, 71)
    us = find(timeline, "static_pressure")
    (metric,) = [f for f in evaluate(timeline, units="metric") if f.check == "static_pressure"]
    assert us.outcome is metric.outcome
    assert us.expected.index("psi") < us.expected.index("kPa") and metric.expected.index("kPa") < metric.expected.index("psi")
    assert find(timeline, "static_pressure") == us


def test_a_doubtful_air_temperature_before_the_pressures_does_not_fall_back_to_a_later_one():
    timeline = record(R134A, step("engine_off"), unsure(m("ambient", 80, "F")), psi("low_side", 0), psi("high_side", 0), m("ambient", 30, "F"))
    (found,) = [f for f in evaluate(timeline) if f.check == "static_pressure"]
    assert found.outcome is CANNOT and any("ambient" in lacking for lacking in found.missing)
