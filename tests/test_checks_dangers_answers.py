"""The state of the service with its entries, and how every warning given was answered. Records are built a statement at a time, as a job is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodnote.checks import hazards
from hoodnote.checks.dangers import How, ServiceState, answers, became_true, service_state, standing
from hoodnote.checks.dangers.rules import HAZARDS
from hoodnote.checks.dangers.state import WORDS, accounts, moments
from hoodnote.checks.model import Warning
from hoodnote.readings.model import Entry, Origin, Standing, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Control, Fact, Measured, Plan, Statement, Step
from hoodnote.statements.vocabulary import ACTIONS
from tests.checks_records import fact, m, psi, record, step, unsure

OFF, RUN = step("engine_off"), step("engine_running")
BACK_FEED = (RUN, step("source_open"), step("high_valve_open"))
START = datetime(2024, 5, 6, 9, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Told:
    id: int
    warning: Warning
    entry_id: int
    shown_at: datetime


class Bay:
    """A job that keeps what was said and the warnings it called for, as the intake does."""

    def __init__(self, *said: Statement | unsure):
        self.entries: list[Entry] = []
        self.told: list[Told] = []
        for statement in said:
            self.say(statement)

    def say(self, said: Statement | unsure, instead_of: int | None = None, medium: str = "clip", also: Statement | None = None,
            warned: int | None = None) -> int:
        doubtful = isinstance(said, unsure)
        statement = said.statement if doubtful else said
        number = len(self.entries) + 1
        versions = tuple(Version("one", "", s) for s in (statement, also) if s is not None) if doubtful else ()
        entry = Entry(statement, Standing.UNCONFIRMED if doubtful else Standing.AGREED, Origin(medium, warned=warned), versions=versions,
                      supersedes=instead_of, id=number, recorded_at=START + timedelta(minutes=number))
        for warning in hazards(statement, self.timeline):
            self.told.append(Told(len(self.told) + 1, warning, number, entry.recorded_at))
        self.entries.append(entry)
        return number

    @property
    def timeline(self):
        return build(self.entries)

    def answer(self, hazard: str):
        (found,) = (a for a in answers(self.timeline, self.told) if a.shown.warning.id == hazard)
        return found

    @property
    def standing(self) -> list[str]:
        return [w.id for w in standing(self.timeline, self.told)]


# the state

def test_state_reads_with_its_entries():
    lines = service_state(record(RUN, step("low_valve_open"), psi("high_side", 150), fact("compressor_drive", "electric"))).lines()
    assert "low-side manifold valve open (entry 2)" in lines and "engine running (entry 1)" in lines
    assert "pressure on the high side (entry 3)" in lines and "compressor drive: electric (entry 4)" in lines
    assert lines[-1].startswith("not stated: ") and "vacuum pump on" in lines[-1] and "label refrigerant" in lines[-1]
    assert "pump" not in "".join(lines[:-1]) and "engine running" not in lines[-1]
    assert "compressor clutch engaged: unknown since then (entry 2)" in service_state(record(step("clutch_engaged"), OFF)).lines()


def test_nothing_is_known_of_an_empty_record():
    state = service_state(record())
    assert all(state.get(item) is None for item in WORDS)
    assert all(not h.look(state).open for h in HAZARDS if h.on is None)


@pytest.mark.parametrize(("said", "item"), [
    (step("high_valve_open"), "high_valve"), (step("source_shut"), "source"), (RUN, "engine"), (step("eye_protection"), "eyes"),
    (psi("low_side", 40), "low_pressure"), (step("recovery_finished"), "low_pressure"), (fact("compressor_drive", "electric"), "compressor_drive"),
])
def test_unconfirmed_word_makes_unknown_what_it_speaks_of(said, item):
    assert service_state(record(said)).get(item) is not None
    after = service_state(record(said, unsure(said)))
    assert after.get(item) is None and after.lost(item) and after.basis(item) == (2,)
    assert any("in question (entry 2)" in line for line in after.lines())


def test_every_version_of_a_question_makes_unknown():
    bay = Bay(step("low_valve_shut"), step("high_valve_shut"))
    bay.say(unsure(step("low_valve_open")), also=step("high_valve_open"))
    state = service_state(bay.timeline)
    assert state.get("low_valve") is None and state.get("high_valve") is None


def test_unconfirmed_scratch_that_puts_the_last_statement_in_question():
    state = service_state(record(step("high_valve_shut"), unsure(Control("withdraw"))))
    assert state.lost("high_valve")


def test_plan_and_words_to_the_tool_change_nothing():
    state = service_state(record(*BACK_FEED))
    assert state.after(Plan("high_valve_shut")) == state == state.after(Control("understood")) == state.after(None)


_any_step = st.sampled_from([Step(a) for a in sorted(ACTIONS)])
_any_said = _any_step | st.sampled_from([psi("low_side", 0), psi("low_side", 70), psi("high_side", 150), m("recovered", 10, "oz"), m("vacuum", 500, "micron"),
                                         m("charged", 1, "lb"), m("settle_time", 9, "min"), m("can", 60, "C"), m("low_side", 40, "psi", engine="running"),
                                         fact("oil_type", "PAG 46"), fact("refrigerant", "R-1234yf"), fact("compressor_drive", "electric")])


@settings(max_examples=150, deadline=None)
@given(st.lists(_any_said, max_size=12), _any_said)
def test_unconfirmed_word_never_makes_anything_known_or_safe(said, new):
    before = service_state(record(*said))
    after = service_state(record(*said, unsure(new)))
    for item, known in after.items.items():
        assert known.value is None or known.value == before.get(item)
    for h in HAZARDS:
        assert not h.look(after).ended or h.look(before).ended


@settings(max_examples=100, deadline=None)
@given(st.lists(_any_said, max_size=12))
def test_state_known_at_each_moment_is_that_of_the_record_until_then(said):
    timeline = record(*said)
    for entry, state in moments(timeline):
        assert state == service_state(build(timeline.entries[:entry.id]))


@settings(max_examples=100, deadline=None)
@given(st.lists(_any_said, max_size=10))
def test_every_warning_gets_one_answer_in_its_order(said):
    bay = Bay(*said)
    found = answers(bay.timeline, bay.told)
    assert [a.shown for a in found] == bay.told and all(a.text for a in found)


# answers

def test_ended_by_the_step_that_made_it_untrue():
    bay = Bay(*BACK_FEED)
    assert "back_feed" in bay.standing
    number = bay.say(step("high_valve_shut"))
    found = [a for a in answers(bay.timeline, bay.told) if a.shown.warning.id == "back_feed"][-1]
    assert (found.how, found.by, found.text) == (How.ENDED, number, "ended: high-side valve shut")
    assert found.at == START + timedelta(minutes=number) and "back_feed" not in bay.standing


def test_acknowledged_by_voice_and_no_longer_before_the_eyes():
    bay = Bay(step("can_heated_flame"))
    assert bay.standing == ["can_flame"]
    number = bay.say(Control("understood"))
    found = bay.answer("can_flame")
    assert (found.how, found.by, found.text) == (How.ACKNOWLEDGED, number, "acknowledged by voice") and bay.standing == []
    bay.say(step("can_warmed_water"))
    assert bay.answer("can_flame").text == "acknowledged by voice, then ended: can warmed in warm water"


def test_typed_word_is_not_said_by_voice_and_an_unconfirmed_one_acknowledges_nothing():
    bay = Bay(step("can_heated_flame"))
    bay.say(unsure(Control("understood")))
    assert bay.standing == ["can_flame"]
    bay.say(Control("understood"), medium="typed")
    assert bay.answer("can_flame").text == "acknowledged in writing"


def test_word_before_a_warning_does_not_acknowledge_it():
    bay = Bay(Control("understood"), step("can_heated_flame"))
    assert bay.answer("can_flame").how is How.STANDING and bay.answer("can_flame").text == "still true at the end of the record"


def test_unknown_ends_nothing():
    bay = Bay(*BACK_FEED, unsure(step("high_valve_shut")))
    assert "back_feed" in bay.standing


def test_raised_again_after_it_ended_both_are_answered():
    bay = Bay(step("can_inverted"), RUN, step("can_upright"), step("can_inverted"))
    found = [a.how for a in answers(bay.timeline, bay.told) if a.shown.warning.id == "liquid_low_side"]
    assert found == [How.ENDED, How.ENDED, How.STANDING]


def test_announced_and_not_done():
    bay = Bay(OFF, psi("low_side", 30), Plan("opening_system"))
    assert bay.answer("opening_under_pressure").how is How.NOT_DONE and "opening_under_pressure" in bay.standing
    bay.say(Control("understood"))
    assert bay.answer("opening_under_pressure").how is How.ACKNOWLEDGED and bay.standing == []


def test_announced_and_made_safe_before_it_was_done():
    bay = Bay(OFF, psi("low_side", 30), Plan("opening_system"), step("recovery_finished"), step("opening_system"))
    found = bay.answer("opening_under_pressure")
    assert (found.how, found.text) == (How.ENDED, "ended: recovery finished")


def test_announced_and_done_all_the_same():
    bay = Bay(OFF, psi("low_side", 30), Plan("pump_on"), step("pump_on"))
    plan, done = (a for a in answers(bay.timeline, bay.told) if a.shown.warning.id == "pump_on_pressure")
    assert (plan.how, plan.text) == (How.DONE, "done all the same: vacuum pump on") and done.how is How.STANDING


def test_announcement_taken_back():
    bay = Bay(OFF, psi("low_side", 30))
    plan = bay.say(Plan("opening_system"))
    bay.say(Control("withdraw"), instead_of=plan)
    assert bay.answer("opening_under_pressure").text == "ended: take the last statement back"


def test_question_dropped_ends_what_it_warned_of_and_confirmed_keeps_it():
    bay = Bay()
    question = bay.say(unsure(step("leak_test_oxygen")))
    assert bay.answer("leak_test_gas").how is How.STANDING
    other = Bay()
    other.say(unsure(step("leak_test_oxygen")))
    bay.say(Control("no"), instead_of=question)
    other.say(step("leak_test_oxygen"), instead_of=question)
    assert bay.answer("leak_test_gas").text == "ended: no, that is wrong" and bay.standing == []
    assert [a.how for a in answers(other.timeline, other.told)] == [How.STANDING] * 2 and other.standing == ["leak_test_gas"]


def test_statement_taken_back_ends_its_warning():
    bay = Bay()
    flame = bay.say(step("can_heated_flame"))
    bay.say(Control("withdraw"), instead_of=flame)
    assert bay.answer("can_flame").text == "ended: take the last statement back" and bay.standing == []


def test_step_of_a_moment_is_passed_unless_acknowledged():
    bay = Bay(OFF, psi("low_side", 30), step("opening_system"))
    assert bay.answer("opening_under_pressure").text == "no answer on record" and bay.standing == []
    bay.say(Control("understood"))
    assert bay.answer("opening_under_pressure").how is How.ACKNOWLEDGED


def test_cautions_are_told_once_and_not_kept_before_the_eyes():
    bay = Bay(step("gauges_connected"), RUN)
    assert bay.standing == [] and bay.answer("eye_protection").how is How.PASSED
    bay.say(step("eye_protection"))
    assert bay.answer("eye_protection").text == "ended: eye protection and gloves on"


def test_figure_that_no_longer_stands_is_not_repeated():
    bay = Bay(RUN, step("charging_started"), psi("low_side", 60))
    lower = bay.say(psi("low_side", 40))
    assert bay.answer("low_side_limit").text == "ended: low side: 40 psi"
    bay.say(unsure(psi("low_side", 40)), instead_of=lower)
    assert bay.answer("low_side_limit").text == "ended: by a statement that was replaced since"


def test_correction_and_taking_back_raise_what_they_make_true():
    bay = Bay(*BACK_FEED)
    shut = bay.say(step("high_valve_shut"))
    before = bay.timeline
    bay.say(Control("withdraw"), instead_of=shut)
    assert [w.id for w in became_true(before, bay.timeline)] == ["back_feed"]
    assert became_true(bay.timeline, bay.timeline) == []


def test_warning_of_an_unknown_kind_or_entry_is_kept():
    told = Told(1, Warning("of an older program", "Careful."), 1, START)
    (found,) = answers(record(RUN), [told])
    assert found.how is How.PASSED
    (found,) = answers(record(RUN), [replace(told, entry_id=99)])
    assert found.how is How.PASSED and answers(record(RUN), []) == ()


def test_accounts_hold_plans_as_their_steps():
    entry = Entry(Plan("pump_on"), Standing.UNCONFIRMED, Origin("clip"), versions=(Version("one", "", step("pump_off")), Version("two", "", None)))
    assert accounts(entry) == (step("pump_on"), step("pump_off"))


def test_types_of_statements_that_change_nothing_leave_the_very_same_state():
    assert ServiceState().after(Fact("make", "x")) == ServiceState().after(Measured("vent", m("vent", 50, "F").value, "F")) == ServiceState()


def test_a_word_that_was_spoken_before_a_screen_showed_the_warning_does_not_answer_it():
    bay = Bay(*BACK_FEED, step("leak_test_oxygen"))
    first, second = (next(t.id for t in bay.told if t.warning.id == w) for w in bay.standing)
    assert first < second
    bay.say(Control("understood"), warned=first)
    assert [(a.how, a.shown.id) for a in answers(bay.timeline, bay.told) if a.shown.id in (first, second)] == [
        (How.ACKNOWLEDGED, first), (How.STANDING, second)]
    bay.say(Control("understood"), warned=second)
    assert bay.standing == []
