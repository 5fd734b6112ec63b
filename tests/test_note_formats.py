"""How the note is written: escaped, self-contained, valid, and narrow enough to paste."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from hoodnote import checks
from hoodnote.errors import HoodnoteError
from hoodnote.note import as_markdown, as_text
from hoodnote.note.as_json import schema
from hoodnote.note.build import build_note
from hoodnote.note.render import render
from hoodnote.statements.model import Fact
from tests.note_samples import METRIC, US, Record, m, repaired_leak

NASTY = ["<script>alert(1)</script>", "a | b || c", "first\n\n# second\n- third", "```\ncode", "![x](http://bad.example/x.png)", "&lt;b&gt; \"quoted\" 'x'",
         "1. one", "-- 2 > 1 & *bold* _soft_ ~~gone~~ $x$ \\|", "www.bad.example", "<!-- hidden", "</style><style>*{display:none}", "\x1b[31mred\u202eesrever"]


def note_of(record: Record, job=US):
    return build_note(job, record.timeline, checks.assess(record.timeline), [])


def with_complaint(text: str) -> Record:
    record = repaired_leak()
    record.add(Fact("complaint", text), "confirmed", "typed")
    record.ask(Fact("technician", text), Fact("make", text))
    return record


class Page(HTMLParser):
    """Collects tags, ids and links, and holds that what is opened is closed."""

    VOID = {"meta", "img", "br", "path", "circle", "rect", "polyline"}

    def __init__(self, text: str):
        super().__init__()
        self.tags, self.ids, self.links, self.words, self.open = [], [], [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.ids += [v for k, v in attrs if k == "id"]
        self.links += [v for k, v in attrs if k in ("href", "src")]
        assert not [k for k, _ in attrs if k.startswith("on")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open[-1:] != ["style"]:
            self.words.append(data)


class TestHtml:
    def test_is_whole_self_contained_and_its_links_lead_somewhere(self):
        text = render(note_of(repaired_leak()), "html")
        page = Page(text)
        assert not {"script", "link", "iframe", "object", "form"} & set(page.tags)
        assert "@import" not in text and "url(" not in re.sub(r"url\(#[a-z-]+-window\)", "", text)
        assert len(page.ids) == len(set(page.ids))
        assert all(link.startswith(("#", "data:image/jpeg;base64,")) for link in page.links)
        assert {link[1:] for link in page.links if link.startswith("#")} <= set(page.ids)
        assert "lang=\"en\"" in text and page.tags.count("h1") == 1

    @pytest.mark.parametrize("text", NASTY)
    def test_what_was_said_stays_text(self, text):
        page = Page(render(note_of(with_complaint(text)), "html"))
        plain = Page(render(note_of(with_complaint("plain")), "html"))
        assert set(page.tags) == set(plain.tags) and page.tags.count("style") == 1
        assert " ".join(text.split()) in " ".join(" ".join(page.words).split())


class TestMarkdown:
    @staticmethod
    def tokens(text: str):
        return MarkdownIt("gfm-like", {"linkify": False}).parse(text)

    @pytest.mark.parametrize("text", NASTY)
    def test_what_was_said_stays_text(self, text):
        tokens = self.tokens(render(note_of(with_complaint(text)), "md"))
        plain = self.tokens(render(note_of(with_complaint("plain")), "md"))
        assert [t.type for t in tokens] == [t.type for t in plain]
        inline = [c for t in tokens for c in t.children or ()]
        assert {c.type for c in inline} <= {"text", "text_special", "strong_open", "strong_close", "em_open", "em_close"}
        said = " ".join("".join(c.content for c in t.children or ()) for t in tokens)
        assert " ".join(text.split()) in said

    def test_tables_have_as_many_cells_in_each_row(self):
        widths, seen = [], 0
        note = note_of(with_complaint("a | b"))
        for token in self.tokens(render(note, "md")):
            if token.type == "table_open":
                widths, seen = [], seen + 1
            elif token.type == "tr_open":
                widths.append(0)
            elif token.type in ("th_open", "td_open"):
                widths[-1] += 1
            elif token.type == "table_close":
                assert len(set(widths)) == 1
        # vehicle, checks, readings, balance, circuit, sources; a ledger each; the comparison
        assert seen == 6 + len(note.ledgers) + bool(note.comparisons)

    @settings(max_examples=60, deadline=None)
    @given(st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=40))
    def test_any_text_escapes_to_itself(self, text):
        tokens = self.tokens(as_markdown.escaped("x" + text))
        assert "".join(c.content for t in tokens for c in t.children or ()) == " ".join(f"x{text}".split())


class TestText:
    @pytest.mark.parametrize("text", [*NASTY, "x" * 200, "word " * 60])
    @pytest.mark.parametrize("job", [US, METRIC])
    def test_pastes_in_78_columns(self, text, job):
        out = render(note_of(with_complaint(text), job), "txt")
        assert max(map(len, out.splitlines())) <= 78
        assert "\t" not in out and "\x1b" not in out and "\u202e" not in out

    def test_our_own_words_are_ascii(self):
        record = repaired_leak()
        record.add(m("clutch_coil", "3.6", "ohm"))
        assert render(note_of(record), "txt").isascii()

    def test_letters_of_a_name_stay(self):
        assert as_text.plain("Jörg Łukasz → 30 °C ± 2") == "Jörg Łukasz -> 30 C +/- 2"

    def test_the_first_lines_are_the_five(self):
        starts = [x.split(":")[0] for x in render(note_of(repaired_leak()), "txt").split("\n\n")[1].splitlines() if not x.startswith(" ")]
        assert starts == ["COMPLAINT", "FOUND", "DONE", "RESULT", "OPEN"]


class TestJson:
    @pytest.mark.parametrize("record", [Record(), repaired_leak(), with_complaint("<b>")])
    @pytest.mark.parametrize("job", [US, METRIC])
    def test_follows_its_schema(self, record, job):
        jsonschema.Draft202012Validator.check_schema(schema())
        validator = jsonschema.Draft202012Validator(schema(), format_checker=jsonschema.FormatChecker())
        assert list(validator.iter_errors(json.loads(render(note_of(record, job), "json")))) == []

    @pytest.mark.parametrize("spoil", [
        lambda d: d["readings"]["rows"][0]["cells"][0]["stated"][0].update(standing="unconfirmed"),
        lambda d: d["readings"]["rows"][0]["cells"][0]["stated"][0].update(unit=None),
        lambda d: d["readings"]["rows"][0]["cells"][0]["stated"][0].pop("whence"),
        lambda d: d["summary"].pop(), lambda d: d.update(extra=1)])
    def test_the_schema_refuses_what_a_note_must_not_be(self, spoil):
        data = json.loads(render(note_of(repaired_leak()), "json"))
        spoil(data)
        assert not jsonschema.Draft202012Validator(schema()).is_valid(data)

    def test_every_figure_has_unit_standing_and_origin(self):
        def figures(data):
            if isinstance(data, dict):
                if data.get("value") is not None:
                    yield data
                for value in data.values():
                    yield from figures(value)
            elif isinstance(data, list):
                for value in data:
                    yield from figures(value)

        found = list(figures(json.loads(render(note_of(repaired_leak()), "json"))))
        assert len(found) > 15
        assert all(f["unit"] and f["standing"] in ("agreed", "confirmed") and f["whence"]["sha256"] for f in found)


def test_an_unknown_format_is_refused_in_one_line():
    with pytest.raises(HoodnoteError, match="use one of html, md, json, txt"):
        render(note_of(Record()), "pdf")
