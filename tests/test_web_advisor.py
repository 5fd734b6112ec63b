"""The advisor's pages: what is open, the note and what it stands on, changes by several people, signing, files."""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import aclosing
from types import SimpleNamespace
from uuid import uuid4

import pytest

from hoodnote.intake.typed import type_text
from hoodnote.note import compose
from hoodnote.readings.model import Entry, Origin, Standing, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.typed import parse_text
from hoodnote.web import pages_note
from hoodnote.web.app import make_app
from hoodnote.web.hub import NOTHING, Hub
from tests.web_served import client_of, make_shop


@pytest.fixture
def pages(tmp_path):
    shop = make_shop(tmp_path)
    with shop.store() as store:
        job = store.create_job("WO-1")
    app = make_app(shop)
    with client_of(app, "advisor") as advisor:
        yield SimpleNamespace(shop=shop, app=app, job=job, advisor=advisor, other=client_of(app, "technician"))


def say(pages, text):
    with pages.shop.store() as store:
        return type_text(store, pages.job, text).entries[-1].id


def ask(pages, first, second):
    """A clip that two listeners took differently."""
    with pages.shop.store() as store:
        kept = store.keep_bytes(b"RIFF a clip of nothing", ".wav")
        capture = store.add_capture(pages.job, "clip", sha256=kept.sha256, original_name="bay.wav")
        one, other = (parse_text(t)[0] for t in (first, second))
        entry = Entry(one, Standing.UNCONFIRMED, Origin("clip", capture.id, kept.sha256, "bay.wav", (0.8, 2.4), ("a", "b")), 0.6,
                      (Version("a", first, one, 0.6), Version("b", second, other, 0.5)), question=f"{first}, or {second}?")
        entry = store.add_entry(pages.job, entry, capture)
        store.finish(capture, "done")
        return entry.id, kept.sha256


def standing(pages):
    with pages.shop.store() as store:
        return build(store.entries(pages.job))


def acts(pages):
    with pages.shop.store() as store:
        return [(a.person, a.role, a.what, a.entry_id) for a in store.acts(pages.job)]


def text_of(pages):
    return re.sub(r"\s+", " ", pages.advisor.get("/job/1/note.txt").text)


def test_a_job_is_opened_and_listed_with_what_it_still_asks(pages):
    made = pages.advisor.post("/job/new", data={"work_order": "WO-2 <b>", "units": "metric"})
    assert made.status_code == 303 and made.headers["location"] == "/job/2"
    ask(pages, "low side 15 psi", "low side 50 psi")
    listed = pages.advisor.get("/").text
    assert "1 to answer" in listed and "low side 15 psi, or low side 50 psi?" in listed
    assert "WO-2 &lt;b&gt;" in listed and "<b>" not in listed.replace("&lt;b&gt;", "")
    twice = pages.advisor.post("/job/new", data={"work_order": "WO-1", "units": "us"})
    assert twice.status_code == 422 and "exists already" in twice.text


def test_search_finds_work_orders_and_words(pages):
    with pages.shop.store() as store:
        capture = store.add_capture(pages.job, "typed", text="rattles <i>near</i> the condenser")
        store.finish(capture, "done")
    assert "rattles &lt;i&gt;near" in pages.advisor.get("/", params={"q": "condensers"}).text
    assert 'href="/job/1"' in pages.advisor.get("/", params={"q": "wo-1"}).text
    assert "Nothing holds all" in pages.advisor.get("/", params={"q": "evaporator"}).text


def test_the_note_leads_to_the_clip_of_a_figure_and_the_clip_is_given_in_parts(pages):
    number, sha = ask(pages, "low side 15 psi", "low side 50 psi")
    assert f'href="/job/1/entry/{number}"' in pages.advisor.get("/job/1").text
    entry = pages.advisor.get(f"/job/1/entry/{number}").text
    assert f'src="/clip/{sha}#t=0.80,2.40"' in entry and "What is right, in full" not in entry
    part = pages.advisor.get(f"/clip/{sha}", headers={"range": "bytes=0-3"})
    assert (part.status_code, part.content, part.headers["content-type"]) == (206, b"RIFF", "audio/wav")       # RFC 9110, section 14
    assert pages.advisor.get("/clip/..%2f..%2fhoodnote.db").status_code in (400, 404)
    assert pages.advisor.get(f"/clip/{hashlib.sha256(b'other').hexdigest()}").status_code == 400


@pytest.mark.parametrize(("form", "stands", "what"), [
    ({"keep": "2"}, ["50"], "confirmed"), ({"text": "low side 25 psi"}, ["25"], "corrected"), ({"drop": "yes"}, [], "dropped")])
def test_a_question_is_answered_and_who_did_it_stands_in_the_note(pages, form, stands, what):
    number, _ = ask(pages, "low side 15 psi", "low side 50 psi")
    assert pages.advisor.post(f"/job/1/entry/{number}", data=form).status_code == 303
    now = standing(pages)
    assert [str(x.entry.statement.value) for x in now.live] == stands and not now.questions
    assert acts(pages) == [("Bo", "advisor", what, now.live[0].entry.id if stands else number)]
    assert f"{what} by Bo" in text_of(pages)
    assert pages.other.post(f"/job/1/entry/{number}", data={"keep": "1"}).status_code == 409


def test_of_two_corrections_of_one_figure_the_second_is_shown_the_first(pages):
    number = say(pages, "vent 52 F")
    assert pages.advisor.post(f"/job/1/entry/{number}", data={"text": "vent 54 F"}).status_code == 303
    late = pages.other.post(f"/job/1/entry/{number}", data={"text": "vent 55 F"})
    assert late.status_code == 409 and "54 °F" in late.text and "corrected by Bo" in late.text
    assert [str(x.entry.statement.value) for x in standing(pages).live] == ["54"]


def test_corrections_at_the_same_moment_leave_exactly_one(pages):
    number = say(pages, "vent 52 F")
    gate, codes = threading.Barrier(4), []

    def send(value):
        gate.wait()
        codes.append(client_of(pages.app, "advisor").post(f"/job/1/entry/{number}", data={"text": f"vent {value} F"}).status_code)
    threads = [threading.Thread(target=send, args=(v,)) for v in (53, 54, 55, 56)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert sorted(codes) == [303, 409, 409, 409]
    assert len(standing(pages).live) == 1 and len(acts(pages)) == 1


def test_a_figure_that_cannot_be_is_asked_before_it_takes_the_place_of_another(pages):
    number = say(pages, "battery voltage 12 volts")
    form = {"text": "battery voltage 120 volts"}
    doubted = pages.advisor.post(f"/job/1/entry/{number}", data=form)
    assert doubted.status_code == 422 and "It is so" in doubted.text
    assert [x.entry.id for x in standing(pages).live] == [number] and acts(pages) == []
    assert pages.advisor.post(f"/job/1/entry/{number}", data={**form, "sure": "battery voltage 121 volts"}).status_code == 422
    assert pages.advisor.post(f"/job/1/entry/{number}", data={**form, "sure": form["text"]}).status_code == 303
    assert [str(x.entry.statement.value) for x in standing(pages).live] == ["120"]


@pytest.mark.parametrize("text", ["", "52", "vent 52 F", "vent 50 F, low side 30 psi", "yes", "gibberish"])
def test_what_is_not_one_new_statement_corrects_nothing(pages, text):
    number = say(pages, "vent 52 F")
    assert pages.advisor.post(f"/job/1/entry/{number}", data={"text": text}).status_code == 422
    assert [x.entry.id for x in standing(pages).live] == [number] and acts(pages) == []


def test_confirming_and_dropping_a_settled_figure(pages):
    number = say(pages, "vent 52 F")
    assert pages.other.post(f"/job/1/entry/{number}", data={"confirm": "yes"}).status_code == 303
    assert "confirmed by Ada" in text_of(pages)
    assert pages.advisor.post(f"/job/1/entry/{number}", data={"drop": "yes"}).status_code == 303
    assert standing(pages).live == () and "dropped by Bo" in text_of(pages)
    assert pages.other.post(f"/job/1/entry/{number}", data={"confirm": "yes"}).status_code == 409


def test_a_line_that_is_sent_twice_is_kept_once(pages):
    form = {"text": "vent 52 F", "delivery": str(uuid4())}
    assert [pages.advisor.post("/job/1/lines", data=form).status_code for _ in range(2)] == [303, 303]
    assert len(standing(pages).live) == 1
    assert pages.advisor.post("/job/1/lines", data={"text": "vent 52 F", "delivery": ""}).status_code == 400


def test_a_signature_covers_what_was_read_and_says_what_came_later(pages):
    assert pages.advisor.post("/job/1/sign", data={"last": "0"}).status_code == 400
    number = say(pages, "vent 52 F")
    assert pages.other.post("/job/1/sign", data={"last": str(number)}).status_code == 403
    newer = say(pages, "low side 30 psi")
    assert pages.advisor.post("/job/1/sign", data={"last": str(number)}).status_code == 400
    assert pages.advisor.post("/job/1/sign", data={"last": str(newer)}).status_code == 303
    assert "Signed off: by Bo (advisor)" in text_of(pages) and "changed since" not in text_of(pages)
    asked, _ = ask(pages, "high side 215 psi", "high side 250 psi")
    assert f"changed since: entry {asked}" in text_of(pages) and "signed off, then changed" in pages.advisor.get("/").text
    assert pages.advisor.post("/job/1/sign", data={"last": str(asked)}).status_code == 400
    assert pages.advisor.post("/job/1/sign", data={"last": str(asked), "left_open": "yes"}).status_code == 303
    assert "changed since" not in text_of(pages)


def test_the_files_hold_the_note(pages):
    import jsonschema

    from hoodnote.note.as_json import schema

    say(pages, "vent 52 F")
    data = json.loads(pages.advisor.get("/job/1/note.json").text)
    jsonschema.validate(data, schema())
    made = pages.advisor.get("/job/1/note.pdf")
    assert made.content.startswith(b"%PDF-") and made.headers["content-disposition"] == 'attachment; filename="WO-1.pdf"'
    assert pages.advisor.get("/job/1/note.exe").status_code == 400


def test_no_job_waits_for_the_note_of_another_and_only_the_last_are_kept(tmp_path, monkeypatch):
    composed, go, notes, shop = [], threading.Event(), pages_note._Notes(), make_shop(tmp_path)

    def slow(store, job, equipment):
        composed.append(job.id)
        assert job.id != 1 or go.wait(60)
        return f"note of {job.id}"

    monkeypatch.setattr(compose, "compose", slow)
    monkeypatch.setattr(pages_note, "_KEPT_NOTES", 2)

    def note(job_id):
        with shop.store() as store:
            return notes.of(shop, store, store.job_by_id(job_id))[0]

    with shop.store() as store:
        for n in (1, 2, 3):
            store.create_job(f"WO-{n}")
    with ThreadPoolExecutor(3) as several:
        held = [several.submit(note, 1) for _ in range(2)]
        assert several.submit(note, 2).result(60) == "note of 2"        # while the first is being composed
        go.set()
        assert [h.result(60) for h in held] == ["note of 1"] * 2
    assert sorted(composed) == [1, 2]
    assert [note(n) for n in (1, 3, 2)] == ["note of 1", "note of 3", "note of 2"] and composed[2:] == [3, 2] and len(notes._kept) == 2


def test_a_missing_system_library_is_told_in_one_line(pages, monkeypatch):
    import sys

    say(pages, "vent 52 F")
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    told = pages.advisor.get("/job/1/note.pdf")
    assert told.status_code == 400 and "Pango" in told.text and "Traceback" not in told.text


def test_the_hub_tells_each_kind_once_and_only_who_listens_to_that_job():
    async def listen():
        hub = Hub()
        async with aclosing(hub.listen(1, 0.05)) as told:
            first = asyncio.ensure_future(anext(told))
            await asyncio.sleep(0)
            teller = threading.Thread(target=lambda: [hub.tell(*x) for x in ((2, "other job"), (1, "entries"), (1, "entries"), (1, "state"))])
            teller.start()
            teller.join()                       # the loop waits, so all of it was told before anybody looks
            found = [await first, await anext(told), await anext(told)]
        return found, hub.listening(1)
    assert asyncio.run(listen()) == (["entries", "state", NOTHING], 0)
