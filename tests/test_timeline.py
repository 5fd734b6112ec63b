"""The append-only record replayed: supersession, stages, engine state, and what may be taken as true."""

from __future__ import annotations

from decimal import Decimal

import pytest

from hoodnote.readings.facts import facts_of
from hoodnote.readings.model import Entry, Origin, Stage, Standing, Version
from hoodnote.readings.timeline import build, last_about
from hoodnote.statements.model import Control, Fact, Measured, Plan, Step, subject


def low(value: str, unit: str = "psi", **more) -> Measured:
    return Measured("low_side", Decimal(value), unit, **more)


def record(*items) -> list[Entry]:
    """Items are statements (confirmed), or (statement, dict of Entry fields)."""
    out = []
    for number, item in enumerate(items, start=1):
        statement, more = item if isinstance(item, tuple) else (item, {})
        out.append(Entry(statement, more.pop("standing", Standing.CONFIRMED), Origin("typed"), id=number, **more))
    return out


def test_superseded_entry_leaves_the_live_view_and_stays_in_the_record():
    timeline = build(record(low("30"), (low("35"), {"supersedes": 1})))
    assert [x.entry.statement.value for x in timeline.live] == [Decimal("35")]
    assert len(timeline.entries) == 2


def test_answer_given_late_keeps_the_state_of_its_question():
    timeline = build(record(
        Step("engine_off"), (low("40"), {"standing": Standing.UNCONFIRMED}), Step("engine_running"), Step("charging_finished"),
        (low("40"), {"supersedes": 2})))
    answered = next(x for x in timeline.live if isinstance(x.entry.statement, Measured))
    assert (answered.engine, answered.stage) == ("off", Stage.BEFORE)


def test_chain_of_answers_keeps_the_first_place():
    timeline = build(record(low("40"), Step("charging_finished"), (low("41"), {"supersedes": 1}), (low("42"), {"supersedes": 3})))
    assert [(x.entry.statement.value, x.stage) for x in timeline.live if isinstance(x.entry.statement, Measured)] == [
        (Decimal("42"), Stage.BEFORE)]


def test_withdrawal_removes_its_target_and_itself():
    timeline = build(record(low("30"), (Control("withdraw"), {"supersedes": 1})))
    assert timeline.live == ()


def test_unconfirmed_control_word_is_a_question_and_does_nothing():
    timeline = build(record(low("30"), (Control("withdraw"), {"standing": Standing.UNCONFIRMED})))
    assert len(timeline.live) == 2 and len(timeline.questions) == 1


@pytest.mark.parametrize("action", ["charging_started", "charging_vapour", "charging_liquid", "opening_system"])
def test_work_begins_with_the_first_word_of_it(action):
    timeline = build(record(low("40"), Step(action), low("32")))
    assert [x.stage for x in timeline.live if isinstance(x.entry.statement, Measured)] == [Stage.BEFORE, Stage.DURING]


def test_stages_follow_the_work():
    timeline = build(record(
        low("40"), Step("recovery_started"), Measured("recovered", Decimal("4"), "oz"), Step("replaced", "o_ring"),
        Measured("charged", Decimal("19.4"), "oz"), low("32")))
    assert [x.stage for x in timeline.live] == [
        Stage.BEFORE, Stage.DURING, Stage.DURING, Stage.DURING, Stage.DURING, Stage.AFTER]


def test_unconfirmed_mass_does_not_move_the_stage():
    timeline = build(record((Measured("recovered", Decimal("4"), "oz"), {"standing": Standing.UNCONFIRMED}), low("40")))
    assert [x.stage for x in timeline.live] == [Stage.DURING, Stage.BEFORE]


def test_stage_can_be_said():
    timeline = build(record(Step("after_readings"), low("32"), Step("before_readings"), low("40")))
    assert [x.stage for x in timeline.live] == [Stage.AFTER, Stage.AFTER, Stage.BEFORE, Stage.BEFORE]


def test_unconfirmed_engine_step_makes_the_engine_unknown():
    timeline = build(record(Step("engine_off"), (Step("engine_running"), {"standing": Standing.UNCONFIRMED}), low("32")))
    assert timeline.live[-1].engine is None


def test_engine_in_the_words_wins_over_the_state():
    assert build(record(Step("engine_running"), low("90", engine="off"))).live[-1].engine == "off"


def test_unconfirmed_step_does_not_move_the_stage():
    timeline = build(record((Step("charging_finished"), {"standing": Standing.UNCONFIRMED}), low("32")))
    assert timeline.live[-1].stage is Stage.BEFORE


def test_facts_take_the_last_usable_value_and_name_the_doubtful():
    facts = facts_of(build(record(
        Fact("refrigerant", "R-12"), Fact("refrigerant", "R-134a"),
        (Fact("label_refrigerant", "R-1234yf"), {"standing": Standing.UNCONFIRMED}),
        (low("15"), {"standing": Standing.UNCONFIRMED}))))
    assert facts.refrigerant == "R-134a"
    assert facts.get("label_refrigerant") is None
    assert {"label_refrigerant", "low_side"} <= facts.doubtful
    assert facts.reading("low_side") is None


def test_reading_filters_by_stage_and_engine():
    facts = facts_of(build(record(
        Step("engine_off"), low("40"), Step("engine_running"), low("20"), Step("charging_finished"), low("32"))))
    assert facts.reading("low_side", stage=Stage.BEFORE, engine="off").entry.statement.value == Decimal("40")
    assert facts.reading("low_side", stage=Stage.BEFORE).entry.statement.value == Decimal("20")
    assert facts.reading("low_side").entry.statement.value == Decimal("32")
    assert facts.reading("high_side") is None


def test_last_about_goes_by_subject():
    timeline = build(record(low("30"), Measured("high_side", Decimal("200"), "psi")))
    assert last_about(timeline, subject(low("99"))).entry.id == 1
    assert last_about(timeline, subject(Step("engine_off"))) is None


def test_plan_is_never_taken_as_done_and_is_no_question():
    agreed = (Plan("charging_started"), {"standing": Standing.AGREED})
    doubted = (Plan("pump_on"), {"standing": Standing.UNCONFIRMED, "versions": (Version("neural", "about to start the pump", Plan("pump_on")),)})
    timeline = build(record(agreed, doubted, low("30")))
    assert [x.entry.statement for x in timeline.live] == [low("30")]
    assert timeline.live[0].stage is Stage.BEFORE


def test_plan_that_may_have_been_a_figure_is_a_question():
    versions = (Version("neural", "", Plan("pump_on")), Version("pocketsphinx", "", low("30")))
    assert len(build(record((Plan("pump_on"), {"standing": Standing.UNCONFIRMED, "versions": versions}))).questions) == 1
