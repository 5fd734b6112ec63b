"""The bay: sound from a browser becomes kept utterances once and in order, whatever happens on the way. Listeners are stand-ins
(live_engines) that hear what the loudness of a clip says; a clip that came over is compared, byte for byte, with one that came undisturbed."""

from __future__ import annotations

import random
import struct
import time
import uuid
from concurrent.futures import CancelledError, ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from hoodnote.capture.speech.microphone import Sound
from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.checks.dangers import standing
from hoodnote.intake.hear import hear_capture
from hoodnote.intake.hearing_messages import Ready
from hoodnote.intake.live import wav
from hoodnote.readings.model import Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Control
from hoodnote.web import ear
from hoodnote.web.ear import Bays
from hoodnote.web.hub import Hub
from hoodnote.web.people import Person
from hoodnote.web.shop import Shop
from hoodnote.web.socket_source import CHUNK, SocketSource
from tests import live_engines
from tests.test_listening_pool import messages
from tests.test_live import loud, quiet, spoken, values

PAIRED = "a token of the page"


class AsPerson:
    """In place of the pairing: whoever comes is this person."""

    def __init__(self, app, person):
        self.app, self.person = app, person

    async def __call__(self, scope, receive, send):
        scope.setdefault("state", {}).update(person=self.person, csrf=PAIRED)
        await self.app(scope, receive, send)


def application(folder, engines, person=Person("Kim", "technician")):
    app = Starlette(routes=ear.routes)
    app.state.hub = Hub()
    app.state.shop = Shop(folder / "data", None, folder / "models")
    app.state.bays = Bays(app.state.shop, app.state.hub.tell, engines, lambda: loud)
    app.add_middleware(AsPerson, person=person)
    return app


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """One server for the module: its hearing process takes a second to start. Every test has a job of its own."""
    app = application(tmp_path_factory.mktemp("bay"), live_engines.differing)
    with app.state.shop.store() as store:
        messages(app.state.bays.pool().ears(store.create_job("WO-0")), Ready)
    yield TestClient(app)
    app.state.bays.close()


@pytest.fixture
def work(shop):
    with shop.app.state.shop.store() as store:
        return store.create_job(f"WO-{uuid.uuid4().hex[:8]}")


@pytest.fixture
def record(shop):
    with shop.app.state.shop.store() as store:
        yield store


def chunks(sound):
    sound = np.concatenate([sound, np.zeros(-len(sound) % CHUNK, np.float32)])
    return (32767 * sound).astype("<i2").reshape(-1, CHUNK)


class Browser:
    """Sends chunks and keeps what it is told; every wait ends."""

    reader = ThreadPoolExecutor(8)

    def __init__(self, client, job, stream=None, first=0, **hello):
        self.stream = stream or str(uuid.uuid4())
        self.context = client.websocket_connect(f"/job/{job.id}/ear")
        self.socket = self.context.__enter__()
        self.socket.send_json({"csrf": PAIRED, "stream": self.stream, "first": first, **hello})
        self.told = []
        self.next = self.until("from")["next"]

    def until(self, kind, count=1):
        have = [m for m in self.told if m["kind"] == kind]
        while len(have) < count:
            message = self.reader.submit(self.socket.receive_json).result(20)
            self.told.append(message)
            have += [message] if message["kind"] == kind else []
        return have[-1]

    def until_now(self, fits):
        while True:
            if (m := self.until("now", 1 + sum(m["kind"] == "now" for m in self.told))) and fits(m):
                return m

    def send(self, pieces, numbers=None, flags=0, age_ms=0):
        for number in range(self.next, len(pieces)) if numbers is None else numbers:
            self.socket.send_bytes(struct.pack("<III", number, flags, age_ms) + pieces[number].tobytes())

    def end(self, pieces):
        self.socket.send_json({"kind": "end", "count": len(pieces)})
        self.until("ended")
        self.close()

    def close(self):
        with suppress(CancelledError):       # the test client's own, where the server was done first
            self.context.__exit__(None, None, None)


def gone(client, stream):
    give_up = time.monotonic() + 20
    while any(e.stream == stream for e in client.app.state.bays._ears.values()) and time.monotonic() < give_up:
        time.sleep(0.02)


def clips(store, job):
    return [c.sha256 for c in store.captures(job) if c.medium == "clip"]


def undisturbed(client, store, sound):
    """The clips that come of a sound on a connection that holds."""
    job = store.create_job(f"WO-{uuid.uuid4().hex[:8]}")
    browser = Browser(client, job)
    browser.send(chunks(sound))
    browser.end(chunks(sound))
    return clips(store, job)


# the sound on its way

def test_what_is_said_in_the_browser_is_taken_told_and_given_free(shop, work, record):
    browser, pieces = Browser(shop, work), chunks(spoken(10, 15))
    browser.send(pieces)
    browser.until("taken", 2)
    assert [e["figure"] for m in browser.told if m["kind"] == "taken" for e in m["entries"]] == ["30 psi", "44 °F"]
    browser.end(pieces)
    assert values(record, work) == [30, 44]
    kept = [m for m in browser.told if m["kind"] == "kept"]
    assert kept[-1]["kept"] == len(pieces) and [m["kept"] for m in kept] == sorted(m["kept"] for m in kept)


@pytest.mark.parametrize("seed", range(4))
def test_chunks_that_come_twice_and_in_any_order_are_the_same_sound(shop, work, record, seed):
    sound, shuffle = spoken(10, 15), random.Random(seed)
    pieces = chunks(sound)
    numbers = [n for first in range(0, len(pieces), 12) for n in shuffle.sample(2 * list(range(first, min(first + 12, len(pieces)))), k=2 * min(12, len(pieces) - first))]
    browser = Browser(shop, work)
    browser.send(pieces, numbers)
    browser.end(pieces)
    assert values(record, work) == [30, 44] and clips(record, work) == undisturbed(shop, record, sound)


def test_browser_that_lost_chunks_begins_a_new_utterance_after_the_gap(shop, work, record):
    pieces = chunks(spoken(10, 15))
    browser = Browser(shop, work)
    browser.send(pieces, range(14))
    browser.until("taken")
    browser.close()
    with pytest.raises(WebSocketDisconnect) as closed:
        Browser(shop, work, browser.stream, first=15)
    assert closed.value.code == 4013                  # again later: what came before the gap is being finished
    gone(shop, browser.stream)
    again = Browser(shop, work, browser.stream, first=15)
    assert again.next == 15
    again.send(pieces)
    again.end(pieces)
    assert values(record, work) == [30, 44]


def test_what_the_browser_itself_sounds_begins_no_utterance(shop, work, record):
    pieces = chunks(spoken(10))
    browser = Browser(shop, work)
    browser.send(pieces, flags=1)
    browser.end(pieces)
    assert record.captures(work) == []


def test_pause_outlasts_the_server(shop, work, record):
    pieces = chunks(spoken(10, 25, 15))               # a figure, "start listening", a figure
    browser = Browser(shop, work, paused=True)
    awake = round(3.0 * SAMPLE_RATE) // CHUNK         # the second is over
    browser.send(pieces, range(awake))
    browser.until("taken")
    browser.send(pieces, range(awake, len(pieces)))
    browser.until("taken", 2)
    browser.end(pieces)
    assert values(record, work) == [44]


@pytest.mark.parametrize("person, hello", [(Person("Kim", "technician"), {"csrf": "of another page"}), (Person("Lee", "advisor"), {}), (None, {}),
                                           (Person("Kim", "technician"), {"stream": "../1"}), (Person("Kim", "technician"), {"first": -1})])
def test_nobody_else_is_listened_to(shop, work, record, person, hello):
    app = application(shop.app.state.shop.data_dir.parent, live_engines.quick, person)
    with TestClient(app).websocket_connect(f"/job/{work.id}/ear") as socket, pytest.raises(WebSocketDisconnect) as closed:
        socket.send_json({"csrf": PAIRED, "stream": str(uuid.uuid4()), "first": 0, **hello})
        socket.receive_json()
    assert closed.value.code == 4403 and app.state.bays._ears == {} and app.state.bays._pool is None


def test_what_is_no_chunk_ends_the_connection_and_job_that_is_not_there_is_told(shop, work):
    browser = Browser(shop, work)
    browser.socket.send_bytes(b"\0" * 100)
    with pytest.raises(WebSocketDisconnect):
        browser.until("never")
    with shop.websocket_connect("/job/987654/ear") as socket:
        socket.send_json({"csrf": PAIRED, "stream": str(uuid.uuid4()), "first": 0})
        assert "987654" in socket.receive_json()["text"]


def test_clip_left_unheard_by_a_crash_is_heard_when_somebody_listens_again(shop, work, record):
    record.add_capture(work, "clip", sha256=record.keep_bytes(wav(spoken(10)), ".wav").sha256)
    browser = Browser(shop, work)
    browser.until("taken")
    browser.end([])
    assert values(record, work) == [30] and record.pending(work) == []


def test_full_disk_gives_nothing_free_and_the_sound_comes_again(shop, work, record, monkeypatch):
    from hoodnote.errors import HoodnoteError
    from hoodnote.jobs.store import Store

    pieces, keep = chunks(spoken(10)), Store.keep_bytes
    monkeypatch.setattr(Store, "keep_bytes", lambda *_: (_ for _ in ()).throw(HoodnoteError("the disk is full")))
    browser = Browser(shop, work)
    browser.send(pieces)
    assert "full" in browser.until("problem")["text"]
    word_begins = int(0.7 * SAMPLE_RATE) // CHUNK
    assert all(m["kept"] <= word_begins for m in browser.told if m["kind"] == "kept")
    monkeypatch.setattr(Store, "keep_bytes", keep)
    gone(shop, browser.stream)
    again = Browser(shop, work, browser.stream)
    again.send(pieces)
    again.end(pieces)
    assert values(record, work) == [30]


@pytest.mark.parametrize("begin", [0, 1, CHUNK - 1, CHUNK, 5 * CHUNK + 77])
def test_source_goes_on_at_the_sample(begin):
    pieces = np.arange(9 * CHUNK, dtype="<i2").reshape(9, CHUNK)
    source = SocketSource(begin, lambda: None, lambda s: None)
    source._convert = lambda samples: Sound(samples, 0.0, 0.0)
    for n in (8, 7, 6, 5, 4, 3, 2, 1, 0, 3):
        source.push(struct.pack("<III", n, 0, 0) + pieces[n].tobytes())
    got = []
    while source.waiting:
        got.append(source.read().samples)
    assert np.array_equal(np.concatenate(got), np.arange(9 * CHUNK, dtype="<i2")[begin:])


@pytest.mark.parametrize(("speaking", "nudged"), [(True, [1, 2, 3, 4]), (False, [2, 3, 4])])
def test_every_chunk_of_an_utterance_is_judged_at_once_and_two_of_silence_together(speaking, nudged):
    told = []
    source = SocketSource(0, lambda: told.append(source.wanted), lambda s: None, lambda: speaking)
    for n in range(4):                                                # nobody reads meanwhile
        source.push(struct.pack("<III", n, 0, 0) + bytes(2 * CHUNK))
    assert told == nudged
    source.read()
    source.push(struct.pack("<III", 4, 0, 0) + bytes(2 * CHUNK))
    assert told == nudged + [5] * speaking


# questions and hazards

def test_buttons_answer_as_the_voice_does_once_and_with_the_name_of_who_pressed(shop, work, record):
    browser, pieces = Browser(shop, work), chunks(spoken(50))          # 210 or 212
    browser.send(pieces)
    question = browser.until("taken")["entries"][0]
    assert len(question["choices"]) == 2 and question["figure"] == "210 or 212 psi?" and values(record, work) == []
    assert [m["questions"][0]["id"] for m in browser.told if m["kind"] == "now" and m["questions"]][-1:] in ([question["id"]], [])
    browser.socket.send_json({"kind": "answer", "entry": question["id"], "keep": 2})
    browser.until("taken", 2)
    assert values(record, work) == [212]
    browser.socket.send_json({"kind": "answer", "entry": question["id"], "keep": 1})
    assert "no open question" in browser.until("remark")["text"]
    browser.end(pieces)
    assert values(record, work) == [212]
    assert [(a.person, a.role, a.what) for a in record.acts(work)] == [("Kim", "technician", "confirmed")]


def test_who_dropped_a_question_stands_beside_the_question(shop, work, record):
    browser, pieces = Browser(shop, work), chunks(spoken(50))
    browser.send(pieces)
    question = browser.until("taken")["entries"][0]
    browser.socket.send_json({"kind": "answer", "entry": question["id"], "drop": True})
    browser.until("taken", 2)
    browser.end(pieces)
    assert [(a.person, a.what, a.entry_id) for a in record.acts(work)] == [("Kim", "dropped", question["id"])]


def test_hazard_stands_until_it_is_understood(shop, work, record):
    browser, pieces = Browser(shop, work), chunks(spoken(55))          # oxygen for a leak test
    browser.send(pieces)
    assert browser.until("taken")["warnings"]
    shown = browser.until_now(lambda m: m["hazards"])
    for unseen in ({}, {"warned": 0}, {"warned": shown["warned"] - 1}):       # the page did not show it yet
        browser.socket.send_json({"kind": "understood", **unseen})
        assert "press once more" in browser.until("remark", 1 + sum(m["kind"] == "remark" for m in browser.told))["text"]
    browser.socket.send_json({"kind": "understood", "warned": shown["warned"]})
    browser.until_now(lambda m: not m["hazards"])
    browser.end(pieces)
    assert [a.what for a in record.acts(work)] == ["understood"]


@pytest.mark.parametrize("shown", [True, False])
def test_words_that_were_spoken_before_the_page_showed_a_hazard_do_not_answer_it(shop, work, record, shown):
    """Spoken without a connection and sent when there is one again, or while the hazard was on its way to the page."""
    sound = np.concatenate([spoken(55), quiet(), spoken(60)])            # oxygen for a leak test, "understood"
    browser, pieces = Browser(shop, work), chunks(sound)
    first = round(2.3 * SAMPLE_RATE) // CHUNK                            # where the first is over and the second has not begun
    browser.send(pieces, range(first))
    warned = browser.until_now(lambda m: m["hazards"])["warned"]
    browser.send(pieces, range(first, len(pieces)), flags=2 * warned * shown)
    browser.until("taken", 2)
    browser.end(pieces)
    assert [e.statement for e in record.entries(work)][-1] == Control("understood")
    now = [m for m in browser.told if m["kind"] == "now"][-1]
    assert bool(now["hazards"]) != shown
    assert bool(standing(build(record.entries(work)), record.warnings(work))) != shown


@pytest.mark.parametrize("bad", [{}, {"entry": "1"}, {"entry": 999, "keep": 1}, {"entry": 1, "keep": "1"}])
def test_answer_that_is_none_is_told(shop, work, record, bad):
    browser = Browser(shop, work)
    browser.socket.send_json({"kind": "answer", **bad})
    browser.until("remark")
    browser.end([])
    assert record.entries(work) == []


class Says:
    def __init__(self, name, text):
        self.name, self.text = name, text

    def recognize(self, samples, n_best=5):
        return [Hypothesis(tuple(HeardWord(w, 0.3 * i, 0.3 * i + 0.3, 0.97) for i, w in enumerate(self.text.split())), -1.0, 0.97)]


@pytest.mark.parametrize("words, answered", [("fifteen", 15), ("second one", 50)])
@pytest.mark.parametrize("late", [True, False])
def test_sound_that_was_sent_late_answers_no_question_that_came_after_it(store, job, words, answered, late):
    def hear(first, second, said_at):
        clip = store.keep_bytes(first.encode(), ".wav").sha256
        capture = store.add_capture(job, "clip", sha256=clip, delivery=str(uuid.uuid4()), told={"said_at": said_at.isoformat()})
        hear_capture(store, job, capture, np.zeros(SAMPLE_RATE, np.float32), [Says("one", first), Says("two", second)])

    hear("low side fifteen", "low side fifty", datetime.now(UTC))
    hear(words, words, datetime.now(UTC) - timedelta(minutes=5 * late))
    live = [x.entry for x in build(store.entries(job)).live if x.entry.statement is not None]
    assert (live[0].standing is Standing.UNCONFIRMED) == late
    assert late or live[0].statement.value == answered


# the processes that hear for all

def test_silence_is_given_free(shop, work, record):
    pieces = chunks(quiet(6.0))
    browser = Browser(shop, work)
    browser.send(pieces)
    while (m := browser.until("kept", 1 + sum(m["kind"] == "kept" for m in browser.told)))["next"] < len(pieces) - 4:
        pass
    assert m["kept"] >= len(pieces) - 12
    browser.end(pieces)
    assert record.captures(work) == []
