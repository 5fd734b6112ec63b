"""The phone: what it sends is kept once and read once, what cannot be used is refused with what to do, what waits is sent later."""

from __future__ import annotations

import itertools
import os
import struct
import threading
import time
import zlib
from concurrent.futures import ThreadPoolExecutor

import pytest
from PIL import PngImagePlugin
from playwright.sync_api import expect

from hoodnote.errors import HoodnoteError
from hoodnote.jobs.store import Store
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Measured
from hoodnote.web import photo_readers, uploads
from hoodnote.web.photo_results import results_of
from tests.web_phone import CRASHES, picture, read_or_crash, seen
from tests.web_served import client_of, phone_of

_LONG_S = 120.0        # what never comes is given up; nothing here takes so long
names = (f"delivery-{i}" for i in itertools.count())


class Reading:
    """Stands in for the reading processes; `gives` is what every photo shows, or what goes wrong."""

    def __init__(self):
        self.gives, self.asked, self.go = seen(), [], threading.Event()
        self.go.set()

    def __call__(self, path, kind, place, units):
        self.asked.append((path.name, kind, place, units))
        assert self.go.wait(_LONG_S)
        if isinstance(self.gives, Exception):
            raise self.gives
        return self.gives


@pytest.fixture
def reading(monkeypatch):
    made = Reading()
    monkeypatch.setattr(photo_readers, "read_kept", made)
    monkeypatch.setattr(photo_readers, "_processes", ThreadPoolExecutor)
    return made


@pytest.fixture
def phone(tmp_path, reading):
    with phone_of(tmp_path) as made:
        yield made


def send(phone, content, delivery=None, job=1, **said):
    query = "&".join(f"{key}={value}" for key, value in {"delivery": delivery or next(names), "name": "IMG_1.jpg", **said}.items())
    return phone.client.post(f"/job/{job}/photos?{query}", content=content, headers={"accept": "*/*"})


def result(phone, sent, state="done"):
    """The piece of page, once the photo is in that state."""
    give_up = time.monotonic() + _LONG_S
    while True:
        answer = phone.client.get(sent.json()["result"])
        if f'data-state="{state}"' in answer.text or time.monotonic() > give_up:
            assert f'data-state="{state}"' in answer.text
            return answer.text
        time.sleep(0.02)


def record(phone):
    with phone.shop.store() as store:
        job = store.job_by_id(1)
        return store.captures(job), store.entries(job), store.acts(job)


# kept once, read once ------------------------------------------------------------------------------------


def test_a_photo_is_kept_read_and_told(phone, reading):
    sent = send(phone, picture(1), kind="dial", place="low_side", age="2.5")
    assert sent.status_code == 201
    text = result(phone, sent)
    assert "low side: 30 psi (agreed)" in text and "Take it again" not in text
    (capture,), (entry,), (act,) = record(phone)
    assert entry.statement == Measured("low_side", 30, "psi") and entry.origin.capture_id == capture.id
    assert (act.what, act.capture_id, act.person, act.role) == ("sent", capture.id, phone.name, "technician")
    ((_, kind, place, units),) = reading.asked
    assert (kind, place, units) == ("dial", "low_side", "us")
    with phone.shop.store() as store:
        assert store.media_path(capture.sha256).read_bytes() == picture(1)
        assert store.told(capture) == {"kind": "dial", "place": "low_side", "age_s": 2.5}


def test_a_repeated_send_gets_the_first_answer_and_adds_nothing(phone, reading):
    answers = [send(phone, picture(1), "delivery-x") for _ in range(3)]
    result(phone, answers[0])
    answers.append(send(phone, picture(1), "delivery-x"))
    assert {a.status_code for a in answers} == {201} and len({a.text for a in answers}) == 1
    captures, entries, acts = record(phone)
    assert len(captures) == len(entries) == len(acts) == len(reading.asked) == 1


def test_one_delivery_on_several_connections_at_once_is_kept_and_read_once(phone, reading):
    reading.go.clear()
    with ThreadPoolExecutor(4) as several:
        answers = list(several.map(lambda _: send(phone, picture(1), "delivery-x"), range(4)))
    reading.go.set()
    assert len({a.text for a in answers}) == 1
    result(phone, answers[0])
    captures, entries, acts = record(phone)
    assert len(captures) == len(entries) == len(acts) == len(reading.asked) == 1


def test_order_and_repeats_do_not_matter(phone):
    photos = {f"delivery-{c}": picture(i) for i, c in enumerate("abcde")}
    order = ["e", "a", "e", "c", "b", "a", "d", "c", "e"]
    sent = {c: send(phone, photos[f"delivery-{c}"], f"delivery-{c}") for c in order}
    for answer in sent.values():
        result(phone, answer)
    captures, _, _ = record(phone)
    with phone.shop.store() as store:
        kept = {name: store.media_path(store.delivered(name).sha256).read_bytes() for name in photos}
    assert len(captures) == 5 and kept == photos


def test_another_photo_under_the_same_name_is_refused_and_the_first_stays(phone):
    send(phone, picture(1), "delivery-x")
    assert send(phone, picture(2), "delivery-x").status_code == 409
    captures, _, _ = record(phone)
    assert len(captures) == 1


def test_no_more_photos_are_read_at_once_than_there_are_processes(phone, reading):
    reading.go.clear()
    sent = [send(phone, picture(i)) for i in range(5)]
    time.sleep(0.3)
    assert len(reading.asked) == photo_readers.PROCESSES
    assert all('data-state="waiting"' in phone.client.get(s.json()["result"]).text for s in sent)
    reading.go.set()
    for answer in sent:
        result(phone, answer)
    assert len(reading.asked) == 5


def test_a_photo_that_a_crash_left_unread_is_read_after_the_next_start_for_what_its_sender_said(tmp_path, reading):
    with phone_of(tmp_path) as phone, phone.shop.store() as store:
        kept = store.keep_bytes(picture(1), ".jpg")
        left = store.add_capture(store.job_by_id(1), "photo", sha256=kept.sha256, delivery="delivery-x", told={"kind": "dial", "place": "vent"})
    with phone_of(tmp_path) as phone:
        give_up = time.monotonic() + _LONG_S
        with phone.shop.store() as store:
            while store.is_pending(left) and time.monotonic() < give_up:
                time.sleep(0.02)
            assert store.outcome(left) == ("done", "")
    ((_, kind, place, _),) = reading.asked
    assert (kind, place) == ("dial", "vent")


def test_the_next_start_clears_away_what_a_crash_left_half_arrived_and_nothing_else(tmp_path, reading):
    with phone_of(tmp_path) as phone, phone.shop.store() as store:
        store.keep_bytes(picture(1), ".jpg")
        arriving = store.arriving()
        old = arriving.__enter__()
        (old / "half.jpg").write_bytes(picture(2)[:400])
    young = old.parent / "incoming-young"
    young.mkdir()
    for path in (old / "half.jpg", old):
        os.utime(path, (0, 0))
    with phone_of(tmp_path):
        left = {p.name for p in old.parent.rglob("*") if p.is_file() or p.name.startswith("incoming")}
    assert old.name not in left and young.name in left and len(left) == 2


# refused with what to do ---------------------------------------------------------------------------------


def bomb() -> bytes:
    """A PNG (RFC 2083) that claims 30000 x 30000 pixels in a few bytes."""
    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 30000, 30000, 8, 2, 0, 0, 0)) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("content", "status", "told"), [
    (b"", 422, "take it again"),
    (b"words, not a photo", 415, "JPEG"),
    (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", 415, "JPEG"),
    (picture(1, "GIF"), 415, "JPEG"),
    (b"%PDF-1.7 " + b"x" * 100, 415, "JPEG"),
    (picture(1)[:400], 422, "damaged"),
    (picture(1, size=(20, 20)), 422, "pixels"),
    (bomb(), 422, "megapixels"),
])
def test_what_is_no_usable_photo_is_refused_with_what_to_do_and_nothing_is_kept(phone, content, status, told):
    answer = send(phone, content)
    assert answer.status_code == status and told in answer.json()["problem"] and "\n" not in answer.json()["problem"]
    assert record(phone) == ([], [], [])
    assert not [p for p in (phone.shop.data_dir / "media").rglob("*") if p.is_file()]


@pytest.mark.parametrize(("said", "status"), [
    ({"kind": "cat"}, 422), ({"kind": "none"}, 422), ({"place": "moon"}, 422), ({"age": "nan"}, 422), ({"age": "soon"}, 422), ({"age": "1e99"}, 422),
    ({"delivery": "short"}, 422), ({"delivery": "x" * 65}, 422), ({"delivery": "../../etc"}, 422), ({"job": 9}, 404),
])
def test_what_is_said_of_a_photo_must_make_sense(phone, said, status):
    answer = send(phone, picture(1), **said)
    assert answer.status_code == status and answer.json()["problem"]
    assert record(phone) == ([], [], [])


def test_too_large_a_photo_is_refused_however_it_is_sent(phone, monkeypatch):
    monkeypatch.setattr(uploads, "MOST_BYTES", 100_000)
    large = picture(1) + b"\0" * 200_000
    assert send(phone, large).status_code == 413                               # its length is told
    assert send(phone, iter([large[:90_000], large[90_000:]])).status_code == 413   # in chunks, its length is not told
    assert record(phone) == ([], [], [])


@pytest.mark.parametrize(("form", "suffix"), [("JPEG", ".jpg"), ("PNG", ".png"), ("WEBP", ".webp"), ("TIFF", ".tif")])
def test_a_photo_is_known_by_its_content_not_by_its_name(phone, form, suffix):
    answer = send(phone, picture(1, form), name="notes.txt")
    assert answer.status_code == 201
    ((capture,), _, _) = record(phone)
    assert capture.original_name == f"notes{suffix}"
    with phone.shop.store() as store:
        assert store.media_path(capture.sha256).suffix == suffix


@pytest.mark.parametrize(("name", "safe"), [
    ("../../etc/passwd.jpg", "passwd"), ("C:\\Photos\\IMG 2.heic", "IMG 2"), ("", "photo"), ("...", "photo"), ("a\0b\x1b[31m.jpg", "a_b__31m"),
    ("<img src=x>.jpg", "img src_x"), ("Etikett ü.png", "Etikett ü"), ("x" * 300 + ".jpg", "x" * 60),
])
def test_names_are_safe_as_names_of_files(name, safe):
    assert uploads.safe_stem(name) == safe


def test_a_set_back_clock_of_the_phone_is_no_photo_of_the_future(phone):
    assert send(phone, picture(1), age="-7200").status_code == 201
    ((capture,), _, _) = record(phone)
    with phone.shop.store() as store:
        assert store.told(capture)["age_s"] == 0


# what it came to -----------------------------------------------------------------------------------------


def test_a_photo_that_cannot_be_read_is_asked_for_again_with_the_reason(phone, reading):
    reading.gives = seen(problem="the face is not seen whole; step back")
    text = result(phone, send(phone, picture(1)))
    assert "Take it again:</strong> the face is not seen whole; step back" in text


@pytest.mark.parametrize("fault", [HoodnoteError("too dark; take it again with the light on"), RuntimeError("a fault of ours")])
def test_a_reader_that_fails_fails_this_photo_alone(phone, reading, fault):
    reading.gives = fault
    first = send(phone, picture(1))
    text = result(phone, first, "failed")
    assert "take it again" in text and "a fault of ours" not in text
    reading.gives = seen()
    result(phone, send(phone, picture(2)))
    _, entries, _ = record(phone)
    assert len(entries) == 1


def test_a_photo_that_was_read_and_could_not_be_recorded_is_tried_again(phone, reading, monkeypatch):
    refusals = [HoodnoteError("no room left"), HoodnoteError("no room left")]
    recorded = photo_readers.record_seen

    def refuse_first(*args):
        if refusals:
            raise refusals.pop()
        return recorded(*args)

    monkeypatch.setattr(photo_readers, "record_seen", refuse_first)
    monkeypatch.setattr(photo_readers, "AGAIN_S", 0.05)
    assert "low side: 30 psi" in result(phone, send(phone, picture(1)))
    assert len(reading.asked) == 3


def test_a_photo_recorded_while_its_page_is_made_is_never_shown_as_done_without_its_figures(phone, reading, monkeypatch):
    reading.go.clear()
    sent = send(phone, picture(1))
    first_read = Store.entries

    def recorded_meanwhile(store, job):
        before = first_read(store, job)
        reading.go.set()
        give_up = time.monotonic() + _LONG_S
        while store.outcome(store.captures(job)[0]) is None and time.monotonic() < give_up:
            time.sleep(0.02)
        return before

    with phone.shop.store() as store:
        job = store.job_by_id(1)
        monkeypatch.setattr(Store, "entries", lambda store, job: recorded_meanwhile(store, job) if not reading.go.is_set() else first_read(store, job))
        [shown] = results_of(store, job, store.captures(job))
    assert shown.state != "done" or shown.taken
    assert "low side: 30 psi" in phone.client.get(sent.json()["result"]).text


def test_a_question_of_a_photo_is_shown_until_it_is_answered(phone, reading):
    from hoodnote.intake.questions import answer

    reading.gives = seen(standing=Standing.UNCONFIRMED)
    sent = send(phone, picture(1))
    assert "which is it?" in result(phone, sent)
    with phone.shop.store() as store:
        job = store.job_by_id(1)
        answer(store, job, store.entries(job)[0].id, keep=1)
    assert "which is it?" not in result(phone, sent)


def test_an_advisor_sees_a_photo_and_sends_none_and_nobody_sends_without_the_token(phone):
    sent = send(phone, picture(1))
    result(phone, sent)
    advisor = client_of(phone.app, "advisor")
    assert advisor.post("/job/1/photos?delivery=delivery-x", content=picture(2)).status_code == 403
    assert advisor.get("/job/1/camera").status_code == 403
    assert "low side: 30 psi" in advisor.get(sent.json()["result"]).text
    assert phone.client.post("/job/1/photos?delivery=delivery-x", content=picture(2), headers={"csrf": "another"}).status_code == 403
    captures, _, _ = record(phone)
    assert len(captures) == 1


def test_names_cannot_write_into_the_page(phone, reading):
    reading.gives = seen(problem="<script>alert(1)</script>")
    text = result(phone, send(phone, picture(1), name="%3Cscript%3Ex.jpg"))
    assert "<script" not in text
    assert "<script>" not in phone.client.get("/job/1/camera").text


def test_a_photo_of_another_job_is_not_shown(phone):
    sent = send(phone, picture(1))
    with phone.shop.store() as store:
        other = store.create_job("WO-2")
    assert phone.client.get(sent.json()["result"].replace("/job/1/", f"/job/{other.id}/")).status_code == 404


def test_the_page_lists_what_came_and_offers_every_kind(phone):
    result(phone, send(phone, picture(1), name="first.jpg"))
    text = phone.client.get("/job/1/camera").text
    assert "first.jpg" in text and all(f'<option value="{kind}">' in text for kind in ("label", "dial", "display", "VIN", "low_side", "vent"))
    assert phone.client.get("/job/9/camera").status_code == 404


def test_a_photo_that_ends_its_reader_fails_alone(tmp_path, monkeypatch):
    monkeypatch.setattr(photo_readers, "read_kept", read_or_crash)
    comment = PngImagePlugin.PngInfo()
    comment.add_text("Comment", CRASHES)
    with phone_of(tmp_path) as phone:
        bad, good = send(phone, picture(1, "PNG", pnginfo=comment)), send(phone, picture(2))
        assert "take it again" in result(phone, bad, "failed")
        assert "low side: 30 psi" in result(phone, good)


# in the browser ------------------------------------------------------------------------------------------


def add(page, photos, field="#choose"):
    page.wait_for_selector(f"{field}:enabled", state="attached")
    page.set_input_files(field, [{"name": f"IMG_{i}.jpg", "mimeType": "image/jpeg", "buffer": content} for i, content in enumerate(photos)])


def all_read(page, many):
    expect(page.locator("#results article[data-state=done]")).to_have_count(many, timeout=120_000)


def told(page, words):
    expect(page.locator("#state")).to_contain_text(words, timeout=60_000)


def test_photos_taken_without_a_connection_wait_and_are_sent_once_even_when_answers_are_lost(served, reading):
    job = served.new_job()
    page = served.page("technician", device="Pixel 7")
    page.goto(f"/job/{job.id}/camera")
    add(page, [picture(1)], "#shoot")
    all_read(page, 1)

    page.context.set_offline(True)
    page.click("summary")
    page.select_option("#kind", "dial")
    page.select_option("#place", "low_side")
    add(page, [picture(2), picture(3)])
    told(page, "2 photos wait on this phone")
    expect(page.locator("#place")).to_have_value("")         # what was said is never said of the next photo

    lost = []

    def lose(route):
        """The photo arrives, its answer does not."""
        if not lost:
            lost.append(route.fetch())
            route.abort()
        else:
            route.continue_()

    page.route("**/photos?*", lose)
    page.context.set_offline(False)
    all_read(page, 3)
    told(page, "Nothing waits")
    assert len(lost) == 1 and page.locator("#waiting li").count() == 0
    with served.shop.store() as store:
        captures = store.captures(job)
        assert [store.media_path(c.sha256).read_bytes() for c in captures] == [picture(i) for i in (1, 2, 3)]
        assert [store.told(c).get("place") for c in captures] == [None, "low_side", "low_side"]
        assert len(store.entries(job)) == 3


def test_what_waits_outlives_the_page_and_what_is_refused_says_why_until_it_is_put_away(served, reading):
    job = served.new_job()
    page = served.page("technician", device="Pixel 7")
    page.goto(f"/job/{job.id}/camera")
    page.route("**/photos?*", lambda route: route.abort())
    add(page, [picture(1), b"no photo at all"])
    told(page, "2 photos wait on this phone")
    page.unroute("**/photos?*")
    page.reload()
    all_read(page, 1)
    refused = page.locator("#waiting .refused")
    assert "Take it again: this is no photo" in refused.inner_text()
    page.reload()
    refused.get_by_role("button", name="Put away").click()
    refused.wait_for(state="detached")
    with served.shop.store() as store:
        assert len(store.captures(job)) == 1


def test_the_code_on_the_bay_screen_leads_a_phone_to_the_page(served):
    """Read by another library than the one that draws it."""
    import io

    import zxingcpp
    from PIL import Image

    job = served.new_job()
    page = served.page("technician")
    page.goto(f"/job/{job.id}/camera.svg")
    (code,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(page.screenshot())))
    assert code.text.endswith(f"/job/{job.id}/camera")
