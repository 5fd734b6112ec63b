"""What the note says: the five lines, what may stand as true, what is a question, what was replaced."""

from __future__ import annotations

import json
from datetime import timedelta
from decimal import Decimal

import pytest
from PIL import Image

from hoodnote import checks
from hoodnote.checks.model import Finding, Outcome, Warning
from hoodnote.errors import HoodnoteError
from hoodnote.jobs.store import ShownWarning
from hoodnote.note.as_json import as_data
from hoodnote.note.build import build_note
from hoodnote.note.render import FORMATS, render
from hoodnote.readings.model import Origin, Version
from hoodnote.statements.describe import in_other_unit
from hoodnote.statements.model import Control, Correction, Fact, Measured, Plan, Step, Supply
from hoodnote.statements.vocabulary import FACTS, PLACES
from hoodnote.units import UNITS
from tests.note_samples import METRIC, OPENED, US, Record, assessed, m, repaired_leak


def note_of(record: Record, findings=(), warnings=(), job=US, media=None):
    return build_note(job, record.timeline, assessed(*findings), list(warnings), media)


def lines(note) -> dict[str, str]:
    return {f.label: f.text for f in note.summary}


def finding(outcome=Outcome.OUTSIDE, stage="before", basis=(), **more) -> Finding:
    texts = {"expected": "88 to 102 psi", "measured": "45 psi", "uncertainty": "±7 psi", "why": "The pressure is below saturation.", **more}
    return Finding("static_pressure", "Static pressure", stage, outcome=outcome, basis=basis, source="common practice, no source", **texts)


def paths(data, wanted: str, path=()):
    """Where in a JSON tree a text occurs."""
    if isinstance(data, dict):
        for key, value in data.items():
            yield from paths(value, wanted, (*path, key))
    elif isinstance(data, list):
        for value in data:
            yield from paths(value, wanted, path)
    elif wanted in str(data):
        yield path


class TestFiveLines:
    def test_an_ordinary_job(self):
        record = repaired_leak()
        said = lines(note_of(record, [finding(basis=(14, 15, 16))]))
        assert list(said) == ["Complaint", "Found", "Done", "Result", "Open"]
        assert said["Complaint"] == "no cold air since May"
        assert said["Found"].startswith("evidence supports: leak found at suction hose; no power at low-pressure switch, out "
                                        "(power at low-pressure switch, in); the pressure is below saturation (F1)")
        # 19.4 oz x 28.349523 g = 549.98 g of 550 g (NIST SP 811)
        assert said["Done"] == ("replaced suction hose; recovered 5.5 oz (156 g); oil added 1.5 fl oz (44 mL); vacuum 420 micron, at 30 min; "
                                "hold test 480 micron, at 10 min; charged 19.4 oz (550 g), 100% of the label")
        assert "centre vent air 71 °F (21.7 °C) → 44 °F (6.7 °C)" in said["Result"]
        assert "low side 35 psi (241 kPa); high side 210 psi (1448 kPa)" in said["Result"]
        assert said["Open"] == "no open question"

    def test_never_orders_a_part_replaced(self):
        record = Record()
        record.add(Step("leak_found", "condenser"))
        assert "replace" not in lines(note_of(record))["Found"]

    def test_work_without_readings_after_it_is_not_proved(self):
        record = Record()
        record.add(m("low_side", "46", "psi"))
        record.add(Step("replaced", "condenser"))
        record.add(m("charged", "19", "oz"))
        assert lines(note_of(record))["Result"] == "not proved: no readings after the work"
        record.add(m("high_side", "90", "psi", engine="off"))
        assert lines(note_of(record))["Result"] == "not proved: no vent temperature or running pressures after the work"

    def test_unconfirmed_readings_after_the_work_prove_nothing(self):
        record = Record()
        record.add(m("charged", "19", "oz"))
        record.ask(m("vent", "44", "F"), m("vent", "54", "F"))
        assert lines(note_of(record))["Result"] == "not proved: the readings after the work are not confirmed (Q1)"

    def test_names_the_most_important_question_first(self):
        record = Record()
        record.ask(Fact("technician", "A. Nother"), Fact("technician", "B. Nother"))
        record.ask(m("charged", "19", "oz"), m("charged", "90", "oz"))
        note = note_of(record)
        assert lines(note)["Open"].startswith("2 questions: refrigerant charged (the accounts differ, Q1)")
        assert note.questions[0].about == "refrigerant charged"

    def test_a_figure_that_is_questioned_says_so(self):
        record = repaired_leak()
        record.ask(Correction(m("vent", "54", "F")), None)
        assert "44 °F (6.7 °C) (questioned, Q1)" in lines(note_of(record))["Result"]

    def test_a_leak_found_after_the_work_belongs_to_the_result(self):
        record = repaired_leak()
        record.add(Step("leak_found", "condenser"))
        said = lines(note_of(record))
        assert "leak found at condenser" in said["Result"] and "condenser" not in said["Found"]

    def test_the_share_of_the_label_is_not_guessed_from_two_charges(self):
        record = repaired_leak()
        record.add(m("charged", "2.0", "oz"))
        done = lines(note_of(record))["Done"]
        assert "19.4 oz (550 g) and 2.0 oz (57 g)" in done and "%" not in done

    def test_nothing_but_doubtful_supply_leaves_the_circuit_unjudged(self):
        record = Record()
        record.ask(Supply("fuse_out", False), Supply("fuse_out", True))
        assert lines(note_of(record))["Found"] == "no finding recorded"


# One value for each unit that no other figure of the sample has.
_ODD = Decimal("777.7")


@pytest.mark.parametrize("place", sorted(PLACES))
@pytest.mark.parametrize("late", [False, True])
def test_an_unconfirmed_figure_stands_only_in_questions_and_sources(place, late):
    unit = next(u.id for u in UNITS.values() if u.quantity in PLACES[place].quantities)
    record = repaired_leak() if late else Record()
    odd = m(place, str(_ODD), unit)
    record.ask(odd, m(place, "8.88", unit))
    if not late:
        record.entries += [e.__class__(**{**e.__dict__, "id": e.id + 1}) for e in repaired_leak().entries]
    timeline = record.timeline
    shown = [ShownWarning(1, Warning("w", f"The figure {_ODD} {unit} is dangerous.", ()), 1 if not late else len(record.entries), OPENED)]
    note = build_note(US, timeline, checks.assess(timeline), shown)
    data = as_data(note)
    found = {p[0] for text in ("777.7", "8.88", in_other_unit(_ODD, unit) or "777.7") for p in paths(data, text)}
    assert found == {"questions", "sources"}
    for name, cut in (("html", '<section class="questions'), ("md", "## Open questions"), ("txt", "OPEN QUESTIONS")):
        main = without_open_parts(render(note, name), name)
        assert "777.7" not in main and "8.88" not in main, name
        assert cut in render(note, name)


def without_open_parts(text: str, name: str) -> str:
    """The text less its sections of open questions and of sources."""
    if name == "html":
        for opening in ('<section class="questions', '<section class="sources'):
            before, _, rest = text.partition(opening)
            text = before + rest.partition("</section>")[2]
        return text
    head = "## " if name == "md" else ""
    heads = (("Open questions", "Cautions"), ("Where every figure came from", None))
    for start, end in heads:
        start, end = (start, end) if head else (start.upper(), end and end.upper())
        before, _, rest = text.partition(f"\n{head}{start}\n")
        text = before + (rest[rest.index(f"\n{head}{end}\n"):] if end else "")
    return text


@pytest.mark.parametrize("key", sorted(FACTS))
def test_an_unconfirmed_fact_stands_only_in_questions_and_sources(key):
    record = Record()
    record.ask(Fact(key, "Zyxwv"), Fact(key, "Qwert"))
    note = build_note(US, record.timeline, checks.assess(record.timeline), [])
    assert {p[0] for text in ("Zyxwv", "Qwert") for p in paths(as_data(note), text)} == {"questions", "sources"}


def test_an_unconfirmed_figure_is_marked_where_it_would_stand():
    record = Record()
    record.add(Step("engine_running"))
    record.ask(m("high_side", "210", "psi"), m("low_side", "210", "psi"))
    marks = {(r.group, r.label): [c.questions for c in r.cells] for r in note_of(record).readings.rows}
    assert marks == {("engine running", "low side"): [(1,), ()], ("engine running", "high side"): [(1,), ()]}


class TestFindingsAndWarnings:
    def test_a_finding_on_a_doubtful_figure_keeps_its_figures_back(self):
        record = Record()
        asked = record.ask(m("high_side", "210", "psi"), m("high_side", "290", "psi"))
        line = note_of(record, [finding(basis=(asked,))]).findings[0]
        assert (line.outcome, line.expected, line.measured, line.questions) == ("cannot tell", "", "", (1,))
        assert "Q1" in line.why

    def test_a_finding_on_a_replaced_figure_asks_for_the_checks_again(self):
        record = Record()
        old = record.add(m("high_side", "210", "psi"))
        record.add(m("high_side", "250", "psi"), supersedes=old)
        line = note_of(record, [finding(basis=(old,))]).findings[0]
        assert line.outcome == "cannot tell" and line.missing == ("the checks run again",)

    def test_an_answer_that_says_the_same_keeps_the_ground(self):
        record = Record()
        asked = record.ask(m("high_side", "210", "psi"), m("high_side", "290", "psi"))
        record.add(m("high_side", "210", "psi"), "confirmed", "typed", supersedes=asked)
        shown = ShownWarning(1, Warning("high", "High side at 210 psi.", ()), asked, OPENED + timedelta(hours=1))
        note = note_of(record, [finding(basis=(asked,))], [shown])
        assert note.findings[0].outcome == "outside"
        assert note.cautions[0].text == "High side at 210 psi." and note.cautions[0].when

    def test_a_warning_on_an_announced_step_keeps_its_words_and_the_step_is_no_work(self):
        record = Record()
        number = record.add(Plan("opening_system"))
        note = note_of(record, warnings=[Warning("opening_under_pressure", "Keep it shut.", (number,))])
        assert note.cautions[0].text == "Keep it shut."
        assert not note.work and not note.questions
        assert [s.standing for s in note.sources] == ["agreed"]

    @pytest.mark.parametrize("then, told", [
        (None, "announced, and no word that it was done"), (Control("understood"), "acknowledged"), (Step("opening_system"), "done all the same")])
    def test_how_a_warning_was_answered_stands_beside_it(self, then, told):
        record = Record()
        record.add(m("low_side", "46", "psi"))
        before, planned = record.timeline, Plan("opening_system")
        given = checks.hazards(planned, before)
        assert given
        number = record.add(planned)
        if then is not None:
            record.add(then)
        shown = [ShownWarning(n, w, number, OPENED + timedelta(minutes=2)) for n, w in enumerate(given)]
        note = note_of(record, warnings=[*shown, Warning("other", "Mind the fan.", ())])
        assert told in note.cautions[0].answered and note.cautions[0].text == given[0].text
        assert next(c for c in note.cautions if c.text == "Mind the fan.").answered == ""
        for name in FORMATS:
            assert told in render(note, name)
        if then is not None:
            assert f"entry {number + 1}" in note.cautions[0].answered
            assert {s.entry: s.standing for s in note.sources}[number + 1] in ("agreed", "confirmed")       # nothing replaced it

    def test_outside_comes_first(self):
        given = [finding(Outcome.WITHIN), finding(Outcome.CANNOT_TELL), finding(Outcome.OUTSIDE)]
        assert [(f.number, f.outcome) for f in note_of(Record(), given).findings] == [(1, "outside"), (2, "cannot tell"), (3, "within")]

    def test_a_warning_on_a_replaced_figure_is_kept_beside_it(self):
        record = Record()
        old = record.add(m("low_side", "155", "psi"))
        record.add(m("low_side", "55", "psi"), supersedes=old)
        note = note_of(record, warnings=[Warning("low", "Low side 155 psi.", (old,))])
        assert {p[0] for p in paths(as_data(note), "155")} == {"sources"}
        assert note.sources[0].warnings == ("Low side 155 psi.",)

    @pytest.mark.parametrize("drive, told", [("electric", True), ("belt with clutch", False)])
    def test_high_voltage_is_named_for_an_electric_compressor(self, drive, told):
        record = Record()
        record.add(Fact("compressor_drive", drive))
        assert any("High-voltage" in c.text for c in note_of(record).cautions) is told

    # ASHRAE Standard 34 (from memory): R-1234yf is A2L, R-134a is A1
    @pytest.mark.parametrize("refrigerant, told", [("R-1234yf", True), ("R-134a", False)])
    def test_a_flammable_refrigerant_is_named(self, refrigerant, told):
        record = Record()
        record.add(Fact("label_refrigerant", refrigerant))
        assert any("can burn" in c.text for c in note_of(record).cautions) is told

    def test_high_voltage_is_named_while_the_drive_is_in_doubt(self):
        record = Record()
        record.ask(Fact("compressor_drive", "electric"), Fact("compressor_drive", "belt with clutch"))
        assert any("High-voltage" in c.text for c in note_of(record).cautions)


class TestRecord:
    def test_superseded_figures_are_listed_and_stand_nowhere_else(self):
        record = repaired_leak()
        old = record.add(m("vent", "388.8", "F"))
        record.add(m("vent", "45", "F"), supersedes=old)
        note = note_of(record)
        assert {p[0] for p in paths(as_data(note), "388.8")} == {"sources"}
        source = next(s for s in note.sources if s.entry == old)
        assert (source.standing, source.became) == ("superseded", f"replaced by entry {old + 1}")

    def test_taken_back_figures_are_listed_as_such(self):
        record = Record()
        old = record.add(m("vent", "388.8", "F"))
        record.add(Control("withdraw"), supersedes=old)
        note = note_of(record)
        assert [(s.entry, s.standing) for s in note.sources] == [(old, "taken back")]
        assert note.readings.rows == ()

    def test_an_answered_question_keeps_both_accounts(self):
        record = Record()
        asked = record.ask(m("vent", "40", "F"), m("vent", "14", "F"))
        record.add(m("vent", "40", "F"), "confirmed", "typed", supersedes=asked)
        note = note_of(record)
        assert note.questions == ()
        assert [h.meaning for h in note.sources[0].heard] == ["centre vent air: 40 °F", "centre vent air: 14 °F"]
        assert note.sources[0].became == f"answered by entry {asked + 1}"

    def test_an_earlier_figure_of_the_same_place_is_not_lost(self):
        record = repaired_leak()
        record.add(m("vent", "43", "F"))
        row = next(r for r in note_of(record).readings.rows if r.label == "centre vent air")
        assert [s.value for s in row.cells[-1].stated] == ["43", "44"]

    def test_two_different_statements_of_one_fact_are_both_named(self):
        record = Record()
        record.add(Fact("refrigerant", "R-134a"))
        record.add(Fact("refrigerant", "R-1234yf"))
        assert next(f.text for f in note_of(record).header if f.label == "Refrigerant") == "R-1234yf (earlier stated: R-134a)"

    def test_an_assumed_unit_is_said(self):
        for name in FORMATS:
            assert "unit not said (psi assumed)" in render(note_of(repaired_leak()), name).replace("\\", "")

    def test_units_of_the_job_come_first_and_the_given_digits_stay(self):
        record = Record()
        record.add(m("low_side", "30", "psi"))
        record.add(m("vent", "7.5", "C"))
        us = {r.label: c.text for r in note_of(record).readings.rows for c in r.cells[0].stated}
        metric = {r.label: c.text for r in note_of(record, job=METRIC).readings.rows for c in r.cells[0].stated}
        # 30 psi = 206.8 kPa, 7.5 C = 45.5 F (NIST SP 811)
        assert us == {"low side": "30 psi (207 kPa)", "centre vent air": "46 °F (7.5 °C)"}
        assert metric == {"low side": "207 kPa (30 psi)", "centre vent air": "7.5 °C (46 °F)"}

    def test_stages_stand_side_by_side(self):
        table = note_of(repaired_leak()).readings
        assert table.columns == ("before", "after")
        vent = next(r for r in table.rows if r.label == "centre vent air")
        assert [[s.value for s in c.stated] for c in vent.cells] == [["71"], ["44"]]

    def test_an_entry_that_was_never_stored_is_refused(self):
        record = Record()
        record.add(m("vent", "44", "F"))
        record.entries[0] = record.entries[0].__class__(**{**record.entries[0].__dict__, "id": None})
        with pytest.raises(ValueError, match="stored"):
            note_of(record)


class TestUnusualJobs:
    @pytest.mark.parametrize("name", FORMATS)
    def test_empty_job(self, name):
        note = note_of(Record())
        text = render(note, name)
        assert "not recorded" in text and "not proved: no readings after the work" in text and "WO" in text

    @pytest.mark.parametrize("name", FORMATS)
    def test_only_questions(self, name):
        record = Record()
        record.ask(m("low_side", "30", "psi"), m("low_side", "13", "psi"))
        record.ask(None, None)
        text = render(note_of(record), name)
        assert "2 questions" in text and "a clip (not understood" in text

    def test_only_photos(self, tmp_path):
        path = tmp_path / "label.png"
        Image.new("RGB", (800, 400), "yellow").save(path)
        record = Record()
        origin = Origin("photo", 1, "a" * 64, "label.png", (100.0, 100.0, 500.0, 200.0), ("reader", "other reader"))
        record.add(Fact("label_refrigerant", "R-134a"), origin=origin)
        note = note_of(record, media=lambda sha: path)
        text = render(note, "html")
        assert text.count("data:image/jpeg;base64,") == 2      # the photo and the piece it was read from
        assert "R-134a (from the label)" in text
        assert "data:image" not in render(note, "json")

    def test_a_photo_that_is_gone_leaves_its_digest(self):
        def gone(sha: str):
            raise HoodnoteError("the kept file is gone")

        record = Record()
        record.add(Fact("label_refrigerant", "R-134a"), origin=Origin("photo", 1, "b" * 64, "label.jpg", (1.0, 1.0, 9.0, 9.0)))
        text = render(note_of(record, media=gone), "html")
        assert "<img" not in text and "b" * 12 in text

    @pytest.mark.parametrize("name", FORMATS)
    def test_long_job(self, name):
        record = repaired_leak()
        for i in range(170):
            record.add(m("vent", f"{40 + i / 10:.1f}", "F"))
        note = note_of(record)
        text = render(note, name)
        assert len(note.sources) == len(record.entries) > 200
        assert all(f"{40 + i / 10:.1f}" in text for i in range(170))

    def test_one_account_only(self):
        record = Record()
        heard = m("vent", "44", "F")
        record.add(heard, "unconfirmed", versions=(Version("first", "vent forty four", heard, 0.9),))
        assert note_of(record).questions[0].why == "one account only"

    def test_json_is_plain_data(self):
        assert json.loads(render(note_of(repaired_leak()), "json"))["work_order"] == "WO-20417"


def test_every_usable_figure_is_in_every_format():
    record = repaired_leak()
    note = note_of(record)
    wanted = [x.entry.statement for x in record.timeline.live if isinstance(x.entry.statement, Measured)]
    assert len(wanted) > 12
    for name in FORMATS:
        text = _plain(without_open_parts(render(note, name), name) if name != "json" else render(note, name))
        for statement in wanted:
            digits = f"{statement.value:,f}" if statement.value >= 10000 else f"{statement.value:f}"
            assert digits in text, (name, statement)


def _plain(text: str) -> str:
    return text.replace("\\", "").replace("&nbsp;", " ")
