"""Candidate causes on whole records. What a pattern points to: common practice, no source, unless a test says otherwise."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodnote.checks.causes import claims, rank
from hoodnote.checks.causes.record import observe
from hoodnote.checks.model import Ranking
from hoodnote.checks.view import View
from hoodnote.statements.vocabulary import ACTIONS, FACT_VALUES, PARTS, PLACES
from hoodnote.units import UNITS
from tests.checks_records import fact, m, psi, record, step, supply, unsure

# A usual car on a usual day: the middle of what R-134a shows at 86 F (common practice, no source).
_CAR = (fact("refrigerant", "R-134a"), fact("expansion_device", "expansion valve"), fact("compressor_control", "fixed displacement"),
        m("ambient", 86, "F"), m("humidity", 50, "%"))
_RUNS = (step("engine_running"), m("engine_speed", 1500, "rpm"), step("recirculation_on"))
_NORMAL = (*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 26), psi("high_side", 195), m("vent", 45, "F"))


def _rank(*statements) -> Ranking:
    found = rank(View(record(*statements)))
    assert found is not None
    return found


def _order(*statements) -> list[str]:
    return [c.id for c in _rank(*statements).causes]


def _of(ranking: Ranking, cause: str) -> float:
    return next(c.probability for c in ranking.causes if c.id == cause)


def test_nothing_observed_gives_no_ranking():
    assert rank(View(record())) is None
    assert rank(View(record(*_CAR, fact("complaint", "warm air")))) is None


def test_probabilities_sum_to_one_and_come_in_order():
    ranked = _rank(*_NORMAL).causes
    assert sum(c.probability for c in ranked) == pytest.approx(1.0)
    assert [c.probability for c in ranked] == sorted((c.probability for c in ranked), reverse=True)


def test_normal_pressures_and_cold_vents_find_nothing_first():
    assert _order(*_NORMAL)[0] == "nothing"


def test_normal_pressures_with_warm_vents_point_after_the_evaporator():
    assert _order(*_NORMAL[:-1], m("vent", 72, "F"))[0] == "heater_valve"


def test_low_charge_by_weight_with_high_superheat():
    short = (*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 17), psi("high_side", 150), m("evaporator_outlet", 66, "F"),
             m("label_charge", 600, "g"), step("engine_off"), m("recovered", 250, "g"))
    assert _order(*short)[0] == "undercharge"


def test_a_full_charge_by_weight_speaks_against_low_charge():
    low = (*_CAR, *_RUNS, psi("low_side", 12), psi("high_side", 150), m("label_charge", 600, "g"), step("engine_off"))
    assert _of(_rank(*low, m("recovered", 590, "g")), "undercharge") < 0.3 * _of(_rank(*low), "undercharge")


def test_low_side_in_a_vacuum_points_to_a_blockage():
    first = _order(*_CAR, *_RUNS, step("clutch_engaged"), m("low_side", 5, "inHg"), psi("high_side", 150), m("condenser_outlet", 95, "F"))[:3]
    assert {"restriction", "valve_stuck_closed"} <= set(first)


def test_high_low_side_with_a_low_high_side_points_to_compressor_or_valve():
    first = _order(*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 60), psi("high_side", 140), m("vent", 66, "F"))[:3]
    assert {"weak_compressor", "valve_stuck_open"} <= set(first)


def test_equal_pressures_with_the_clutch_engaged_point_to_the_compressor():
    assert _order(*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 88), psi("high_side", 90))[0] == "weak_compressor"


def test_equal_pressures_with_the_clutch_out_point_to_its_circuit():
    ranked = _rank(*_CAR, *_RUNS, step("clutch_not_engaged"), psi("low_side", 88), psi("high_side", 90))
    circuit = ("open_low_pressure_switch", "open_freeze_switch", "open_high_pressure_switch", "blown_fuse", "relay", "control_unit", "clutch_coil",
               "clutch_ground", "wiring")
    assert sum(_of(ranked, c) for c in circuit) > 0.5
    assert ranked.next_checks[0].id in ("lost", "coil")


def test_high_pressures_with_a_standing_fan_point_to_the_condenser():
    ranked = _rank(*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 36), psi("high_side", 330), step("fan_not_running"))
    assert ranked.causes[0].id == "condenser_airflow"
    assert ranked.causes[0].supports[0].weight > ranked.causes[0].supports[-1].weight or len(ranked.causes[0].supports) == 1


def test_standing_pressure_above_saturation_and_an_unsteady_needle_point_to_air():
    assert _order(*_CAR, step("engine_off"), psi("low_side", 118), psi("high_side", 120), *_RUNS, step("clutch_engaged"), psi("low_side", 30),
                  psi("high_side", 300), step("needle_unsteady"))[0] == "air"


def test_much_subcooling_at_a_high_pressure_points_to_overcharge_by_weight():
    assert _order(*_CAR, *_RUNS, psi("low_side", 30), psi("high_side", 260), m("condenser_outlet", 100, "F"), m("label_charge", 600, "g"),
                  step("engine_off"), m("recovered", 900, "g"))[0] == "overcharge"


def test_frost_and_weak_airflow_point_to_the_evaporator():
    assert _order(*_CAR, *_RUNS, psi("low_side", 10), psi("high_side", 145), step("airflow_weak"), step("frost_at", "evaporator"))[0] == "iced_evaporator"


def test_a_straight_rise_on_hold_points_to_a_leak_and_a_levelling_one_to_moisture():
    hold = (*_CAR, step("recovery_started"), step("recovery_finished"), step("pump_on"), step("pump_off"), step("hold_started"))
    straight = [m("vacuum", v, "micron", at_minute=t) for t, v in ((0, 500), (5, 1500), (10, 2500), (15, 3500), (20, 4500))]
    levelling = [m("vacuum", v, "micron", at_minute=t) for t, v in ((0, 500), (5, 5600), (10, 7900), (15, 8900), (20, 9400), (25, 9650))]
    assert _order(*hold, *straight)[0] in ("leak", "undercharge")
    assert _order(*hold, *levelling)[0] == "moisture"


# the clutch circuit -----------------------------------------------------------------------------------------------------------
_TEST = (step("key_on"), step("test_light_proved"), supply("battery", True), supply("low_pressure_switch_in", True),
         supply("low_pressure_switch_out", False))


def test_an_open_switch_at_a_good_pressure_is_suspected_itself():
    assert _order(*_CAR, step("engine_off"), psi("low_side", 95), psi("high_side", 95), step("clutch_not_engaged"), *_TEST)[0] == "open_low_pressure_switch"


def test_an_open_switch_at_a_low_pressure_does_its_job():
    ranked = _rank(*_CAR, step("engine_off"), psi("low_side", 8), psi("high_side", 8), step("clutch_not_engaged"), *_TEST)
    assert ranked.causes[0].id == "undercharge" and _of(ranked, "open_low_pressure_switch") < 0.05


def test_no_liquid_left_comes_before_a_switch_that_is_open_near_its_cut_out():
    # 18 psi gauge at 86 F is far below R-134a's saturation pressure of about 99 psi gauge (ASHRAE Handbook Fundamentals, from memory)
    ranked = _rank(*_CAR, step("engine_off"), psi("low_side", 18), psi("high_side", 18), *_TEST, step("engine_running"),
                   step("clutch_not_engaged"), psi("low_side", 18), psi("high_side", 18))
    assert ranked.causes[0].id == "undercharge" and _of(ranked, "open_low_pressure_switch") < 0.2
    against = next(c for c in ranked.causes if c.id == "open_low_pressure_switch").contradicts
    assert any("no liquid left" in e.text for e in against)
    # where power ends is known, and doors say nothing while the compressor stands
    assert not {"lost", "door"} & {c.id for c in ranked.next_checks}


def test_equal_pressures_say_nothing_more_once_the_clutch_was_seen_out():
    seen = observe(View(record(*_CAR, *_RUNS, step("clutch_not_engaged"), psi("low_side", 90), psi("high_side", 90))))
    assert seen.of("pressures") is None and seen.of("clutch") is not None


def test_engine_speed_said_just_before_the_engine_counts():
    before = (*_CAR, m("engine_speed", 1500, "rpm"), step("engine_running"), step("recirculation_on"), psi("low_side", 26), psi("high_side", 195))
    assert not any("engine speed" in x for x in _rank(*before).limits)
    # of an earlier spell with the engine running it says nothing
    after = (*_CAR, *_RUNS, psi("low_side", 26), psi("high_side", 195), step("engine_off"), step("engine_running"), psi("low_side", 26),
             psi("high_side", 195))
    assert any("engine speed not stated" in x for x in _rank(*after).limits)


def test_an_unconfirmed_engine_speed_before_the_engine_is_none():
    said = (*_CAR, unsure(m("engine_speed", 1500, "rpm")), step("engine_running"), step("recirculation_on"), psi("low_side", 26))
    seen = observe(View(record(*said)))
    assert seen.of("pressures") is None or any("engine speed" in x for x in seen.limits)


def test_a_band_over_conditions_not_stated_names_none_of_them():
    limits = " ".join(_rank(*_CAR, step("engine_running"), psi("low_side", 26), psi("high_side", 195)).limits)
    assert "engine speed not stated" in limits and "about 800 rpm" not in limits and "full cold" in limits


def test_a_dark_point_with_an_unproved_light_says_nothing():
    without = [s for s in _TEST if s != step("test_light_proved")]
    assert observe(View(record(*_CAR, *without))).of("lost") is None
    assert observe(View(record(*_CAR, *_TEST))).of("lost") is not None


@pytest.mark.parametrize("found, cause", [
    (step("found_blown", "fuse"), "blown_fuse"), (step("found_open", "clutch_coil"), "clutch_coil"), (step("found_loose", "ground"), "clutch_ground"),
    (step("found_open", "relay"), "relay"), (step("found_loose", "connector"), "wiring")])
def test_what_was_found_in_the_circuit_comes_first(found, cause):
    assert _order(*_CAR, *_RUNS, step("clutch_not_engaged"), found)[0] == cause


# what counts ------------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("doubtful", [
    m("condenser_outlet", 70, "F"), step("needle_unsteady"), step("found_blown", "fuse"), m("recovered", 100, "g"), m("condenser_air_out", 150, "F"),
    fact("conclusion", "low charge")])
def test_an_unconfirmed_statement_about_something_new_changes_no_probability(doubtful):
    plain, with_doubt = _rank(*_NORMAL), _rank(*_NORMAL, unsure(doubtful))
    assert {c.id: c.probability for c in with_doubt.causes} == pytest.approx({c.id: c.probability for c in plain.causes})


def test_an_unconfirmed_reading_of_the_same_place_takes_the_figure_out():
    seen = observe(View(record(*_NORMAL, unsure(m("vent", 80, "F")))))
    assert seen.of("vent") is None and seen.of("pressures") is not None


def test_an_unconfirmed_step_takes_its_like_out():
    assert observe(View(record(step("fan_running"), unsure(step("fan_not_running"))))).of("fan") is None


def test_without_a_stated_engine_state_pressures_say_nothing():
    assert rank(View(record(*_CAR, psi("low_side", 26), psi("high_side", 195)))) is None


def test_readings_after_the_work_describe_the_mended_car():
    before = (*_CAR, *_RUNS, psi("low_side", 60), psi("high_side", 140), step("engine_off"))
    mended = (*before, step("replaced", "compressor"), m("charged", 600, "g"), *_RUNS, psi("low_side", 26), psi("high_side", 195), m("vent", 45, "F"))
    assert _order(*mended) == _order(*before)
    assert any("before the work" in text for text in _rank(*mended).limits)
    assert _rank(*mended).next_checks == ()


def test_a_hot_system_says_nothing_about_air():
    # after a run, parts stay hotter than the air: a pressure above its saturation is no evidence (section on standing pressure)
    hot = (*_CAR, *_RUNS, psi("low_side", 26), psi("high_side", 195), step("engine_off"), psi("low_side", 118), psi("high_side", 120))
    rested = (*hot[:-2], m("settle_time", 90, "min"), *hot[-2:])
    assert _of(_rank(*rested), "air") > 2 * _of(_rank(*hot), "air")


def test_more_refrigerants_than_one_are_not_weighed_against_properties():
    seen = observe(View(record(fact("label_refrigerant", "R-1234yf"), *_NORMAL)))
    # whether the low side is in a vacuum needs no refrigerant; all else about the pair stays open
    open_to = {a for a, name in zip(seen.of("pressures").agreement[:-1], seen.of("pressures").observable.states, strict=False) if "vacuum" not in name}
    assert len({round(a, 6) for a in open_to}) == 1
    assert any("one refrigerant" in text for text in seen.limits)


def test_transcritical_gives_no_ranking_from_pressures_and_no_traceback():
    found = rank(View(record(fact("refrigerant", "R-744"), m("ambient", 95, "F"), *_RUNS, psi("low_side", 110), step("fan_not_running"))))
    assert found.causes[0].id == "condenser_airflow"


def test_limits_say_what_was_not_stated():
    said = " ".join(_rank(fact("refrigerant", "R-134a"), m("ambient", 86, "F"), step("engine_running"), psi("low_side", 26), psi("high_side", 195)).limits)
    for word in ("expansion device not stated", "compressor control not", "humidity not stated", "engine speed not stated"):
        assert word in said


def test_one_observation_is_said_to_be_little():
    assert any("how common each cause is" in text for text in _rank(step("fan_not_running")).limits)
    assert not any("how common each cause is" in text for text in _rank(*_NORMAL).limits)


def test_pressures_are_told_with_figure_state_and_band():
    text = observe(View(record(*_NORMAL[:-3], psi("low_side", 60), psi("high_side", 140)))).of("pressures").text
    low, high = text.split("; ")
    assert low.startswith("low side 60 psi (414 kPa), expected ") and low.endswith(": above")
    assert high.startswith("high side 140 psi (965 kPa), expected ") and ": below" in high


def test_evidence_names_its_entries():
    ranked = _rank(step("fan_not_running"))
    assert ranked.causes[0].supports[0].basis == (1,)


# what to do next --------------------------------------------------------------------------------------------------------------
def test_next_checks_are_not_those_already_made_and_the_best_per_minute_comes_first():
    found = _rank(*_NORMAL).next_checks
    assert found and not {c.id for c in found} & {"pressures", "vent", "clutch"}
    rates = [c.gain_bits / c.minutes for c in found]
    assert rates == sorted(rates, reverse=True) and min(c.gain_bits for c in found) > 0


def test_only_the_hold_test_is_left_once_the_refrigerant_is_out():
    found = _rank(*_NORMAL, step("engine_off"), step("recovery_started"), step("recovery_finished")).next_checks
    assert {c.id for c in found} <= {"hold"}


def test_half_a_pattern_leaves_the_other_side_to_read():
    assert "pressures" in {c.id for c in _rank(*_CAR, *_RUNS, psi("low_side", 60)).next_checks}


def test_hot_and_moving_parts_come_with_a_caution():
    checks = {c.id: c for c in _rank(*_CAR, *_RUNS, psi("high_side", 195), psi("low_side", 26)).next_checks}
    assert all(checks[name].caution for name in ("subcooling", "discharge") if name in checks)
    assert checks


_STATEMENTS = [*_NORMAL[5:], step("fan_running"), step("needle_unsteady"), m("condenser_outlet", 104, "F"), step("frost_at", "evaporator"),
               step("airflow_weak"), m("evaporator_outlet", 50, "F"), step("oil_stain", "condenser")]


@settings(deadline=None)
@given(st.permutations(_STATEMENTS[3:]))
def test_the_order_of_independent_statements_changes_nothing(order):
    first = {c.id: c.probability for c in _rank(*_CAR, *_RUNS, *_STATEMENTS[3:]).causes}
    assert {c.id: c.probability for c in _rank(*_CAR, *_RUNS, *order).causes} == pytest.approx(first)


def _any_statement():
    units = {p: [u.id for u in UNITS.values() if u.quantity in place.quantities] for p, place in PLACES.items()}
    measured = st.sampled_from(list(PLACES)).flatmap(
        lambda p: st.tuples(st.sampled_from(units[p]), st.integers(-40, 2000)).map(lambda got: m(p, got[1], got[0])))
    steps = st.tuples(st.sampled_from(list(ACTIONS)), st.sampled_from([None, *PARTS])).map(lambda got: step(*got))
    facts = st.sampled_from([fact(k, v) for k, values in FACT_VALUES.items() for v in values])
    one = st.one_of(measured, steps, facts, st.just(step("engine_running")), st.just(step("engine_off")))
    return st.one_of(one, one.map(unsure))


@settings(deadline=None)
@given(st.lists(_any_statement(), max_size=14))
def test_whatever_is_said_gives_a_ranking_or_none(statements):
    view = View(record(fact("refrigerant", "R-134a"), m("ambient", 86, "F"), *statements))
    ranked = rank(view)
    assert ranked is None or sum(c.probability for c in ranked.causes) == pytest.approx(1.0)
    claims(view, ranked)
