"""What weighs the record in the note: causes, checks, claims, comparisons, ledgers and margins, in every format."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from decimal import Decimal

import jsonschema
import pytest

from hoodnote import checks
from hoodnote.checks.model import Cause, Claim, Comparison, Evidence, Finding, Ledger, LedgerLine, NextCheck, Outcome, Ranking, Support
from hoodnote.note.as_json import as_data, schema
from hoodnote.note.build import build_note
from hoodnote.note.layout import other_causes
from hoodnote.note.model import CauseLine, Reasoning
from hoodnote.note.render import FORMATS, render
from hoodnote.statements.model import Fact, Step
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS
from tests import test_note_formats as formats
from tests.note_samples import METRIC, US, Record, assessed, m, measured_throughout, repaired_leak
from tests.test_note import paths, without_open_parts

READABLE = ("html", "md", "txt")


def entry_of(record: Record, place: str, nth: int = -1) -> int:
    return [e.id for e in record.entries if getattr(e.statement, "place", None) == place][nth]


def seen(text: str = "superheat more than expected", basis=(), weight: float = 1.7) -> Evidence:
    return Evidence(text, tuple(basis), weight)


def cause(number: int, probability: float, supports=(), contradicts=()) -> Cause:
    return Cause(f"cause_{number}", f"candidate number {number}", probability, tuple(supports), tuple(contradicts), (f"sign {number}",),
                 f"what confirms {number}", "common practice, no source")


def ranked(*supports: Evidence) -> Ranking:
    causes = [cause(n, p, supports if n == 1 else ()) for n, p in enumerate((0.62, 0.2, 0.1, 0.05, 0.03), 1)]
    asks = [NextCheck(f"check_{n}", f"look at thing {n}", f"it tells {n} from others", 1 / n, 5.0 * n, "mind the fan" if n == 1 else "")
            for n in range(1, 5)]
    return Ranking(tuple(causes), tuple(asks), ("Holds at 1500 rpm.",))


def claim(entry: int, support: Support = Support.NOT_SUPPORTED, text: str = "compressor not pumping", **more) -> Claim:
    return Claim(entry, "conclusion", text, support, more.get("supports", ()), more.get("contradicts", ()), ("the compression ratio",),
                 "common practice, no source")


def vent_compared(basis=(), comparable: bool = True, outcome: str = "proved better") -> Comparison:
    return Comparison("vent", "Centre vent air", "71 °F", "44 °F", "-27 ± 3 °F", comparable, outcome, "The conditions were alike.", tuple(basis))


def closed(record: Record) -> Ledger:
    return Ledger("refrigerant", "Refrigerant", (LedgerLine("recovered", "5.5 oz (156 g)", "±0.5 oz (15 g)", (entry_of(record, "recovered"),)),
                                                  LedgerLine("charged", "19.4 oz (550 g)", "±0.5 oz (15 g)", (entry_of(record, "charged"),))),
                  "in the system 19.4 oz (550 g)", True, "It agrees with the label.", "SAE J2788 as printed in 40 CFR 82 subpart B appendix C")


def full(record: Record, said: str = "compressor not pumping", job=US):
    number = record.add(Fact("conclusion", said))
    basis = (entry_of(record, "low_side"),)
    return build_note(job, record.timeline, assessed(
        *checks.evaluate(record.timeline), ranking=ranked(seen(basis=basis)),
        claims=(claim(number, text=said, contradicts=(seen("ratio 4.5, as is common", basis, -2.0),)),),
        comparisons=(vent_compared((entry_of(record, "vent", 0), entry_of(record, "vent"))),), ledgers=(closed(record),)), [])


def words_of(text: str, name: str) -> str:
    if name == "html":
        text = " ".join(formats.Page(text).words)
    return " ".join(text.replace("\\", "").replace("*", "").replace("\u00a0", " ").split()).replace("“", '"').replace("”", '"').replace(" ,", ",")


class TestCauses:
    @pytest.mark.parametrize("name", READABLE)
    def test_three_in_full_and_the_rest_in_one_line_as_guidance(self, name):
        text = words_of(render(full(repaired_leak()), name), name)
        for n in (1, 2, 3):
            assert f"candidate number {n}" in text and f"what confirms {n}" in text and f"sign {n}" in text
        assert "what confirms 4" not in text
        assert re.search(r"Also considered: very unlikely, about 5%: candidate number 4; very unlikely, under 5%: candidate number 5", text)
        assert "about as likely as not, about 60%" in text and "unlikely, about 20%" in text
        assert re.search(r"superheat more than expected \(moderate,( entry)? \d+", text)
        assert "no verdict on a part" in text and "Holds at 1500 rpm." in text

    def test_causes_of_little_weight_are_counted_and_not_named(self):
        lines = [CauseLine(f"c{n}", f"cause {n}", "very unlikely, under 5%", p, (), (), (), "", "") for n, p in
                 enumerate((0.5, 0.2, 0.1, 0.04, 0.01, 0.005))]
        assert other_causes(Reasoning(tuple(lines), (), ())) == "very unlikely, under 5%: cause 3; 2 more under 2% each"
        assert other_causes(Reasoning(tuple(lines[:3] + lines[4:]), (), ())) == "2 under 2% each"
        assert other_causes(Reasoning(tuple(lines[:3]), (), ())) == ""

    @pytest.mark.parametrize("name", READABLE)
    def test_up_to_three_next_checks_with_effort_and_caution(self, name):
        text = words_of(render(full(repaired_leak()), name), name)
        assert re.search(r"look at thing 1 \(about 5 min\) ?: it tells 1 from others\.? Caution: mind the fan", text)
        assert "look at thing 3" in text and "look at thing 4" not in text

    @pytest.mark.parametrize("name", READABLE)
    def test_nothing_is_shown_where_nothing_speaks_of_a_cause(self, name):
        text = words_of(render(build_note(US, Record().timeline, assessed(), []), name), name)
        assert "point to" not in text.lower() and "candidate" not in text.lower()

    @pytest.mark.parametrize("name", READABLE)
    def test_it_comes_after_what_the_advisor_needs(self, name):
        text = words_of(render(full(repaired_leak()), name), name).lower()
        order = [text.index(x) for x in ("complaint", "findings and checks", "open questions", "cautions", "what the readings point to",
                                         "where every figure came from")]
        assert order == sorted(order)

    def test_the_words_never_condemn(self):
        for name in READABLE:
            text = words_of(render(full(repaired_leak()), name), name)
            assert not re.search(r"\breplace\b|\bis bad\b|\bmust be\b", text)

    def test_a_ranking_on_what_is_now_in_question_is_kept_back(self):
        record = Record()
        asked = record.ask(m("high_side", "210", "psi"), m("high_side", "290", "psi"))
        note = build_note(US, record.timeline, assessed(ranking=ranked(seen("high side 210 psi", (asked,)))), [])
        assert note.reasoning.causes == note.reasoning.next_checks == ()
        assert "Q1" in note.reasoning.limits[0]
        assert {p[0] for p in paths(as_data(note), "210")} == {"questions", "sources"}

    @pytest.mark.parametrize("name", READABLE)
    def test_a_doubtful_figure_in_any_wording_is_named_by_its_question(self, name):
        record = repaired_leak()
        record.ask(m("vent", "777", "F"), m("vent", "888", "F"))
        said = "centre vent air: 777 °F"
        base = full(record)
        ranking = Ranking((replace(cause(1, 1.0), missing=(f"{said} (stated, not confirmed)",), confirm=f"read again what was {said}"),),
                          (NextCheck("x", f"ask about {said}", "it decides", 1.0, 1.0),), (f"{said} is open",))
        note = build_note(US, record.timeline, assessed(ranking=ranking, claims=(claim(record.entries[-1].id, text="x"),),
                                                        comparisons=(replace(vent_compared(), why=f"{said} is not confirmed"),)), [])
        assert {p[0] for p in paths(as_data(note), "777")} == {"questions", "sources"} == {p[0] for p in paths(as_data(base), "777")}
        assert "centre vent air (Q1)" in words_of(render(note, name), name)


class TestClaims:
    @pytest.mark.parametrize("name", READABLE)
    @pytest.mark.parametrize("support, verb", [(Support.NOT_SUPPORTED, "not supported by the record"),
                                               (Support.CONTRADICTED, "contradicted by the record")])
    def test_one_that_the_record_does_not_bear_stands_right_under_the_five_lines(self, name, support, verb):
        record = repaired_leak()
        number = record.add(Fact("conclusion", "compressor not pumping"))
        note = build_note(US, record.timeline, assessed(claims=(claim(number, support),)), [])
        text = words_of(render(note, name), name)
        after_lines = text[text.index("no open question"):]
        if name == "html":
            after_lines = after_lines.replace("no open question Stated, but not borne out by the record ", "no open question ").replace("▲ ", "")
        else:
            after_lines = after_lines.replace("no open question - ", "no open question ")
        assert after_lines.startswith('no open question Technician\'s conclusion "compressor not pumping"')
        assert verb in after_lines[:140] and "the compression ratio" in after_lines[:220]

    @pytest.mark.parametrize("name", READABLE)
    def test_one_that_it_bears_stands_with_the_reasoning(self, name):
        record = repaired_leak()
        number = record.add(Fact("conclusion", "low charge"))
        borne = claim(number, Support.SUPPORTED, "low charge", supports=(seen("5.5 oz came back"),))
        note = build_note(US, record.timeline, assessed(claims=(borne,)), [])
        text = words_of(render(note, name), name).lower()
        assert "not borne out" not in text
        assert text.index("cautions") < text.index("stated conclusions, held against the record") < text.index("5.5 oz came back")

    def test_one_that_is_in_question_is_a_question_only(self):
        record = Record()
        asked = record.ask(Fact("conclusion", "low charge"), Fact("conclusion", "overcharge"))
        note = build_note(US, record.timeline, assessed(claims=(claim(asked, text="low charge"),)), [])
        assert note.claims == () and {p[0] for p in paths(as_data(note), "low charge")} == {"questions", "sources"}

    def test_it_is_no_remark_too_and_names_its_kind_once(self):
        record = repaired_leak()
        number = record.add(Fact("conclusion", "low charge"))
        note = build_note(US, record.timeline, assessed(claims=(claim(number, text="low charge"),)), [])
        assert "low charge" not in [s.text for s in note.remarks] and note.claims[0].text == "low charge"

    @pytest.mark.parametrize("name", READABLE)
    def test_under_the_lines_the_weightiest_evidence_and_the_rest_further_down(self, name):
        record = repaired_leak()
        number = record.add(Fact("conclusion", "low charge"))
        against = tuple(seen(f"sign against {n}", (), -w) for n, w in ((1, 0.5), (2, 4.0), (3, 2.0)))
        held = claim(number, Support.CONTRADICTED, "low charge", contradicts=against, supports=(seen("a sign for it"),))
        text = words_of(render(build_note(US, record.timeline, assessed(claims=(held,)), []), name), name)
        box, _, rest = text.lower().partition("stated conclusions, held against the record")
        assert "sign against 2" in box and "sign against 3" in box and "sign against 1" not in box and "a sign for it" not in box
        assert all(x in rest for x in ("sign against 1", "sign against 2", "a sign for it"))


class TestComparison:
    def result(self, *compared: Comparison) -> str:
        record = repaired_leak()
        return next(f.text for f in build_note(US, record.timeline, assessed(comparisons=compared), []).summary if f.label == "Result")

    def test_proved_is_said_only_of_what_was_comparable(self):
        assert "proved better under like conditions: centre vent air" in self.result(vent_compared())
        assert "proved" not in self.result(vent_compared(comparable=False, outcome="not comparable"))
        assert "before and after not comparable" in self.result(vent_compared(comparable=False, outcome="not comparable"))
        assert "proved better under" not in self.result(vent_compared(comparable=False))
        assert "proved" not in self.result(vent_compared(outcome="no change beyond error"))

    @pytest.mark.parametrize("name", READABLE)
    def test_the_table(self, name):
        text = words_of(render(full(repaired_leak()), name), name)
        for part in ("Centre vent air", "71 °F" if name != "txt" else "71 F", "-27", "proved better", "The conditions were alike."):
            assert part in text

    @pytest.mark.parametrize("name", READABLE)
    def test_what_holds_for_all_of_them_is_said_once(self, name):
        both = (vent_compared(), replace(vent_compared(), title="Low side"))
        text = words_of(render(build_note(US, Record().timeline, assessed(comparisons=both), []), name), name)
        assert text.count("The conditions were alike.") == 1 and "Low side" in text

    def test_one_on_a_questioned_figure_keeps_its_figures_back(self):
        record = Record()
        asked = record.ask(m("vent", "44", "F"), m("vent", "54", "F"))
        line = build_note(US, record.timeline, assessed(comparisons=(vent_compared((asked,)),)), []).comparisons[0]
        assert (line.before, line.after, line.change, line.comparable, line.outcome) == ("", "", "", False, "not comparable") and "Q1" in line.why


class TestLedgers:
    @pytest.mark.parametrize("name", READABLE)
    @pytest.mark.parametrize("closes, said", [(True, "closes"), (False, "does not close"), (None, "cannot tell whether it closes")])
    def test_lines_total_and_whether_it_closes(self, name, closes, said):
        record = repaired_leak()
        note = build_note(US, record.timeline, assessed(ledgers=(replace(closed(record), closes=closes),)), [])
        text = words_of(render(note, name), name)
        assert "5.5 oz (156 g)" in text and re.search(rf"in the system 19\.4 oz \(550 g\) ?; (✓ |▲ |\? )?{said}", text)

    def test_what_a_ledger_says_with_the_same_digits_is_not_said_twice(self):
        record = repaired_leak()
        note = build_note(US, record.timeline, assessed(ledgers=(closed(record),)), [])
        labels = [f.label for f in note.balance]
        assert "refrigerant recovered" not in labels and "refrigerant charged" not in labels and "label charge" in labels
        other = replace(closed(record), lines=(replace(closed(record).lines[0], amount="156 g (5.50 oz)"),))
        assert "refrigerant recovered" in [f.label for f in build_note(US, record.timeline, assessed(ledgers=(other,)), []).balance]

    def test_a_ledger_in_other_units_does_not_take_the_place_of_the_figure_as_read(self):
        record = Record()
        number = record.add(m("label_oil", "120", "mL"), medium="photo")
        oil = Ledger("oil", "Oil", (LedgerLine("label oil", "4.1 fl oz (121 mL)", "", (number,)),), "", None, "", "")
        note = build_note(US, record.timeline, assessed(ledgers=(oil,)), [])
        assert all("120 mL" in render(note, name).replace("&nbsp;", " ") for name in FORMATS)

    def test_no_figure_as_read_is_lost(self):
        text = {name: render(full(repaired_leak()), name) for name in FORMATS}
        for name, whole in text.items():
            assert all(x in whole.replace("&nbsp;", " ").replace("\\", "") for x in ("5.5 oz", "19.4 oz", "0.55 kg")), name


def test_a_margin_is_told_in_standard_deviations():
    given = Finding("x", "Ratio", "before", "4 to 8", "2.1", "±0.4", Outcome.OUTSIDE, "Low.", margin_sd=-2.345)
    note = build_note(US, Record().timeline, assessed(given, replace(given, outcome=Outcome.WITHIN, margin_sd=14.2)), [])
    for name in READABLE:
        text = words_of(render(note, name), name)
        assert "2.3 standard deviations outside" in text and "more than 10 standard deviations inside" in text
    assert note.findings[0].margin_sd == -2.3


def test_a_finding_that_lost_its_ground_loses_its_margin():
    record = Record()
    asked = record.ask(m("low_side", "30", "psi"), m("low_side", "13", "psi"))
    given = Finding("x", "Ratio", "before", "4 to 8", "2.1", "±0.4", Outcome.OUTSIDE, "Low.", (asked,), margin_sd=-2.3)
    assert build_note(US, record.timeline, assessed(given), []).findings[0].margin_sd is None


@pytest.mark.parametrize("job", [US, METRIC])
def test_json_follows_its_schema(job):
    validator = jsonschema.Draft202012Validator(schema(), format_checker=jsonschema.FormatChecker())
    data = json.loads(render(full(repaired_leak(), job=job), "json"))
    assert list(validator.iter_errors(data)) == []
    assert data["reasoning"]["causes"][4]["probability"] == 0.03 and len(data["reasoning"]["next_checks"]) == 3
    data["comparisons"][0].update(comparable=False)
    assert not validator.is_valid(data)              # nothing is proved by what is not comparable


@pytest.mark.parametrize("text", formats.NASTY)
def test_what_was_said_stays_text(text):
    html = {said: formats.Page(render(full(repaired_leak(), said), "html")) for said in (text, "plain")}
    assert html[text].tags == html["plain"].tags
    assert " ".join(text.split()) in " ".join(" ".join(html[text].words).split())
    tokens = {said: [t.type for t in formats.TestMarkdown.tokens(render(full(repaired_leak(), said), "md"))] for said in (text, "plain")}
    assert tokens[text] == tokens["plain"]
    assert max(map(len, render(full(repaired_leak(), text), "txt").splitlines())) <= 78


class TestScreenReader:
    @pytest.fixture
    def html(self) -> str:
        record = repaired_leak()
        for minute, micron in ((15, "500"), (20, "510")):
            at = next(i for i, e in enumerate(record.entries) if getattr(e.statement, "place", None) == "charged")
            record.entries.insert(at, record.entries.pop(record.add(m("vacuum", micron, "micron", at_minute=Decimal(minute))) - 1))
        return render(full(record), "html")

    def test_every_head_of_a_table_says_what_it_heads(self, html):
        heads = re.findall(r"<th\b[^>]*>", html)
        assert len(heads) > 60 and all("scope=" in h for h in heads)

    def test_headings_descend_by_one(self, html):
        levels = [int(x) for x in re.findall(r"<h([1-6])[ >]", html)]
        assert levels[0] == 1 and levels.count(1) == 1 and 3 in levels
        assert all(b <= a + 1 for a, b in zip(levels, levels[1:], strict=False))

    def test_every_drawing_has_its_words(self, html):
        drawings = re.findall(r"<svg.*?</svg>", html, re.DOTALL)
        assert len(drawings) == 3
        for drawing in drawings:
            assert 'role="img"' in drawing and len(re.search(r'aria-label="([^"]*)"', drawing)[1]) > 60
            assert "<title>" in drawing and "<desc>" in drawing

    def test_signs_are_not_read_out(self, html):
        body = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
        for sign in "✓▲":
            assert body.count(sign) == len(re.findall(rf'<span aria-hidden="true">{sign}</span>', body)) > 0


def judged(record: Record, job=US):
    return build_note(job, record.timeline, checks.assess(record.timeline, units=job.units), [])


def test_a_job_measured_throughout_has_every_part():
    record = measured_throughout()
    assessment, note = checks.assess(record.timeline), judged(record)
    assert [c.id for c in note.reasoning.causes] == [c.id for c in assessment.ranking.causes]
    assert sum(c.probability for c in note.reasoning.causes) == pytest.approx(1.0, abs=0.02)
    assert len(note.claims) == len(assessment.claims) == 1
    assert len(note.comparisons) == len(assessment.comparisons) > 4 and len(note.ledgers) == len(assessment.ledgers) > 0
    assert [p.kind for p in note.plots] == ["saturation", "pressure-enthalpy", "hold-test"]
    assert any(f.margin_sd is not None for f in note.findings)


@pytest.mark.parametrize("job", [US, METRIC])
def test_a_whole_job_follows_the_schema_and_fits_its_formats(job):
    note = judged(measured_throughout(), job)
    assert list(jsonschema.Draft202012Validator(schema()).iter_errors(json.loads(render(note, "json")))) == []
    text = render(note, "txt")
    assert max(map(len, text.splitlines())) <= 78 and text.isascii()
    page = formats.Page(render(note, "html"))
    assert len(page.ids) == len(set(page.ids)) and {x[1:] for x in page.links if x.startswith("#")} <= set(page.ids)


_ODD = Decimal("777.7")


@pytest.mark.parametrize("place", ["low_side", "high_side", "vent", "suction_line", "discharge_line", "liquid_line", "ambient", "humidity", "altitude",
                                   "engine_speed", "vacuum", "recovered", "charged", "label_charge", "oil_added", "clutch_coil"])
@pytest.mark.parametrize("at", ["first", "before", "hold", "last"])
def test_an_unconfirmed_figure_enters_no_part_of_a_whole_job(place, at):
    record = measured_throughout()
    unit = next(u.id for u in UNITS.values() if u.quantity in PLACES[place].quantities)
    timed = {"at_minute": Decimal(15)} if place == "vacuum" else {}
    record.ask(m(place, str(_ODD), unit, **timed), m(place, "8.88", unit, **timed))
    asked = record.entries.pop()
    position = {"first": 0, "last": len(record.entries),
                "before": next(i for i, e in enumerate(record.entries) if e.statement == Step("engine_off")),
                "hold": next(i for i, e in enumerate(record.entries) if e.statement == Step("hold_started")) + 3}[at]
    record.entries.insert(position, asked)
    record.entries = [replace(e, id=n) for n, e in enumerate(record.entries, 1)]
    note = judged(record)
    assert {p[0] for text in ("777.7", "8.88") for p in paths(as_data(note), text)} == {"questions", "sources"}
    assert not any(text in p.svg for p in note.plots for text in ("777.7 ", "8.88 "))
    for name in READABLE:
        main = without_open_parts(render(note, name), name)
        assert "777.7" not in main and "8.88 " not in main, name
