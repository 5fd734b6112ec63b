"""What keeps the server's memory and time within bounds when many talk and many look on, and some do not read what they are told."""

from __future__ import annotations

import asyncio
import struct
import subprocess
import sys
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from contextlib import aclosing
from types import SimpleNamespace
from typing import Any

import numpy as np

from hoodnote.intake.hearing_messages import Ready, Setup
from hoodnote.intake.typed import type_text
from hoodnote.jobs.store import Store
from hoodnote.web import ear
from hoodnote.web.hub import NOTHING, Hub
from hoodnote.web.listening_pool import ListeningPool
from hoodnote.web.socket_source import CHUNK, WINDOW, SocketSource
from tests import live_engines
from tests.test_listening_pool import messages


def apart(work: Coroutine[Any, Any, Any]) -> Any:
    """In a thread of its own: where a browser drives other tests, the main one has an event loop already."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def chunk(number: int) -> bytes:
    return struct.pack("<III", number, 0, 0) + np.zeros(CHUNK, "<i2").tobytes()


def test_sound_that_comes_faster_than_it_is_judged_is_held_back():
    source = SocketSource(0, lambda: None, lambda seconds: None)
    for number in range(2 * WINDOW):                # what a browser has under way that comes back while a window of it waits
        source.push(chunk(number))
    assert not source.full
    source.push(chunk(2 * WINDOW))
    assert source.full
    source.read()
    assert not source.full and source.wanted == 2 * WINDOW + 1


def test_a_receiving_socket_waits_until_what_came_is_judged():
    taken = []

    class Socket:
        async def receive(self):
            return {"type": "websocket.receive", "bytes": chunk(len(taken))} if len(taken) < 3 else {"type": "websocket.disconnect"}

    class Source:
        full = False

        def push(self, data):
            assert not self.full
            taken.append(data)
            self.full = True

    async def judge(source):
        while True:
            await asyncio.sleep(0.01)
            source.full = False

    async def both():
        one = SimpleNamespace(source=Source(), is_alive=lambda: True)
        judging = asyncio.create_task(judge(one.source))
        await asyncio.wait_for(ear._receive(Socket(), one), 30)
        judging.cancel()

    apart(both())
    assert len(taken) == 3


def test_a_browser_that_reads_nothing_is_let_go():
    async def never(*_):
        await asyncio.Event().wait()

    detached = []

    async def serve():
        socket = SimpleNamespace(send_json=never, receive=never, app=SimpleNamespace(state=SimpleNamespace(hub=Hub())))

        def attach(tell, person):
            for number in range(2 * ear._MOST_UNREAD):
                tell({"kind": "kept", "kept": number, "next": number})
            return True

        one = SimpleNamespace(source=SimpleNamespace(wanted=0), attach=attach, detach=detached.append, job_id=1)
        await asyncio.wait_for(ear._serve(socket, one, None), 30)

    apart(serve())
    assert len(detached) == 1


def test_who_listens_is_let_go_when_the_server_ends():
    async def listen():
        hub, found = Hub(), []
        async with aclosing(hub.listen(1)) as told:
            first = asyncio.ensure_future(anext(told, None))
            await asyncio.sleep(0)
            hub.close()
            found.append(await asyncio.wait_for(first, 10))
        async with aclosing(hub.listen(1)) as told:
            found.append(await anext(told, None))
        return found, hub.listening(1)

    (first, second), left = apart(listen())
    assert first in (None, NOTHING) and second is None and left == 0


def test_what_was_said_of_a_stream_is_found_by_its_name(tmp_path):
    with Store.open(tmp_path) as store:
        one, other = store.create_job("WO-1"), store.create_job("WO-2")
        for job, sender, to in ((one, "stream-a", 10), (one, "stream-a", 20), (one, "stream-aa", 30), (other, "stream-a", 40), (one, "stream-b", 50)):
            store.add_capture(job, "clip", sha256=store.keep_bytes(f"{sender}{to}".encode(), ".wav").sha256, delivery=f"{sender}:{to}-{job.id}", told={"to": to})
        store.add_capture(one, "typed", text="vent 52 F")
        assert [told["to"] for told in store.told_by(one, "stream-a")] == [10, 20]
        assert store.told_by(one, "stream") == []


def test_warming_up_loads_what_a_note_needs_and_records_nothing(tmp_path):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
        type_text(store, job, "refrigerant r-134a")
        before = store.entries(job)
        program = """if True:
            import gc, sys
            from pathlib import Path
            from hoodnote.web.serve import warm_up
            from hoodnote.web.shop import Shop
            assert "CoolProp" not in sys.modules
            warm_up(Shop(Path(sys.argv[1]), None, Path(sys.argv[1])))
            assert "CoolProp.CoolProp" in sys.modules and "hoodnote.note.build" in sys.modules
            assert gc.get_freeze_count() > 10_000      # or every search for garbage would go through all of it"""
        subprocess.run([sys.executable, "-c", program, str(tmp_path)], check=True)
        assert store.entries(job) == before and store.acts(job) == []


def test_a_second_bay_starts_a_second_process_and_a_third_none(tmp_path):
    with Store.open(tmp_path / "data") as store:
        pool = ListeningPool(Setup(tmp_path / "data", live_engines.quick), processes=2)
        try:
            started = []
            for number in range(3):
                bay = pool.ears(store.create_job(f"WO-{number}"))
                assert messages(bay, Ready).engines
                started.append(len(pool._processes))
        finally:
            pool.close()
    assert started == [1, 2, 2]


def test_a_warm_up_that_fails_is_quiet(tmp_path):
    from hoodnote.web.serve import warm_up
    from hoodnote.web.shop import Shop

    (tmp_path / "hoodnote.db").write_bytes(b"no database")
    warm_up(Shop(tmp_path, None, tmp_path))
