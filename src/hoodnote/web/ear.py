"""Sound from a browser: numbered chunks in, kept utterances out, exactly once and in order, whatever the network or the server does.

The browser cuts its microphone into chunks of `CHUNK` samples and numbers them from 0 within a *stream*, whose name (a UUID) it makes once.
It keeps every chunk until the server says that it may forget it. The server forgets nothing that is not on disk:

- hello (JSON): `csrf`, `stream`, `first` (the oldest chunk still kept), `paused`. Answer: `{"kind": "from", "next": n}`.
- chunk (binary): number, flags, age in ms (three little-endian uint32), then the samples as PCM16. Flags: 1 when the browser
  itself makes sound, plus twice the `warned` of the last `now` that the page has shown: nobody answers a warning that came later.
- `{"kind": "kept", "kept": n, "next": m}`: chunks below n may be forgotten, m is wanted next; at most `WINDOW` beyond it are sent.
- `{"kind": "end", "count": n}`: no chunk from n on will come. Answer: `{"kind": "ended"}`, when all of it is on disk.

A chunk that came before is dropped, one that came too early waits for those before it. Chunks are given free up to where nothing but
silence is left, or to the beginning of the utterance that is being spoken. An utterance is on disk, in one transaction with the
stretch of the stream that it takes, before its chunks are given free; so after a crash the stretch of the last one says where to go on,
and nothing is taken twice. A dropped connection is only a pause in the arrival: the utterance goes on with the chunk that comes next.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import logging
import queue
import threading
import time
import uuid
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.routing import WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from hoodnote.capture.speech.endpoint import FRAME, FRAME_S, Detector, Endpointer, Utterance, voice_detector
from hoodnote.errors import HoodnoteError
from hoodnote.intake.hearing_messages import Setup
from hoodnote.intake.live import Session
from hoodnote.web.bay import BayFace, act, now
from hoodnote.web.listening_pool import ListeningPool, PoolEars
from hoodnote.web.socket_source import CHUNK, SocketSource

if TYPE_CHECKING:
    from starlette.applications import Starlette

    from hoodnote.capture.speech.recognizer import Recognizer
    from hoodnote.jobs.store import Job, Store
    from hoodnote.web.people import Person
    from hoodnote.web.shop import Shop

_HELD_FRAMES = 20                   # what the endpointer may still put before an utterance
_SAY_EVERY = 4                      # chunks, between two words on what may be forgotten
_LEFT_S = 600.0                     # without its browser, after which what was being said counts as said
_HEAR_OUT_S = 300.0                 # for what is kept to be heard after the stream is over
_HELLO_S = 10.0
_STEP_S = 0.5
_MOST_UNREAD = 500                  # messages; a browser that reads none of them is let go and comes again
_FULL_S = 0.05                      # between two looks whether what came was taken
_AGAIN_LATER, _REFUSED, _BROKEN = 4013, 4403, 4500      # close codes

Tell = Callable[[dict[str, Any]], None]
log = logging.getLogger(__name__)


class Ear(threading.Thread):
    """One stream of one job being listened to, with or without its browser. Told what to do by `command`; `tell` is where its words go."""

    def __init__(self, bays: Bays, job_id: int, stream: str, begin: int, paused: bool, person: Person):
        super().__init__(name=f"ear of job {job_id}", daemon=True)
        self.job_id, self.stream, self.person = job_id, stream, person
        self._bays, self._paused = bays, paused
        self._commands: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._tell: Tell | None = None
        self._left = time.monotonic()
        self._told = -1                                    # chunks of which was said what may be forgotten
        self.closing = False
        self._attaching = threading.Lock()
        self._endpointer = Endpointer(bays.detector())
        self._ears: PoolEars | None = None
        self.source = SocketSource(begin, self.nudge, self._endpointer.mute, lambda: self._endpointer.speaking)

    # from other threads

    def attach(self, tell: Tell, person: Person) -> bool:
        """From now on this browser is told; the one before is not. False when the ear is about to end."""
        with self._attaching:
            if self.closing:
                return False
            before, self._tell, self.person, self._told = self._tell, tell, person, -1
        if before is not None:
            before({"kind": "replaced"})
        self.command({"kind": "now"})
        return True

    def detach(self, tell: Tell) -> None:
        if self._tell is tell:
            self._tell, self._left = None, time.monotonic()

    def command(self, what: dict[str, Any]) -> None:
        self._commands.put(what)
        self.nudge()

    def nudge(self) -> None:
        if self._ears is not None:
            self._ears.nudge()

    # its own

    def tell(self, message: dict[str, Any]) -> None:
        if (tell := self._tell) is not None:
            tell(message)

    def run(self) -> None:
        from hoodnote.jobs.store import Store

        try:
            with Store.open(self._bays.shop.data_dir) as store:
                self._listen(store, store.job_by_id(self.job_id))
        except HoodnoteError as problem:
            self._close()
            self.tell({"kind": "problem", "text": str(problem)})
        except Exception:
            log.exception("the ear of job %s failed", self.job_id)
            self._close()
            self.tell({"kind": "problem", "text": "listening failed here; what you said is kept by this device and sent again"})
        finally:
            if self._ears is not None:
                self._ears.leave()
            self._bays.forget(self)

    def _listen(self, store: Store, job: Job) -> None:
        self._ears = self._bays.pool().ears(job)
        face = BayFace(job, self.tell)
        session = Session(store, job, self.source, lambda: self.source, self._endpointer, self._ears, face, named=self._named, paused=self._paused)
        if self._bays.alone(self):                         # nobody else is about to hear what a crash left
            session.take_up(c for c in store.pending(job) if c.medium == "clip")
        face.changed = True
        going = True
        while going and not self.source.over and (self._tell is not None or time.monotonic() - self._left < _LEFT_S):
            while not self._commands.empty():
                self._do(self._commands.get(), store, job, session, face)
            going = session.step(0.0 if self.source.waiting else _STEP_S)
            self._show(store, job, face)
            self._say_what_is_kept(self._free_to())
        self._close()
        session.finish(_HEAR_OUT_S)
        self._show(store, job, face)
        self._say_what_is_kept(self.source.begin + _samples(self._endpointer.heard_s) + FRAME if self.source.over else self._free_to())
        self.tell({"kind": "ended", "closed": session.finished})

    def _close(self) -> None:
        with self._attaching:
            self.closing = True

    def _named(self, utterance: Utterance) -> dict[str, Any]:
        first, last = (self.source.begin + _samples(s) for s in (utterance.start_s, utterance.end_s))
        said_at = self.source.said_at(first)
        return {"delivery": f"{self.stream}:{first}", "told": {"stream": self.stream, "from": first, "to": last, "warned": self.source.warned(first),
                                                               "said_at": said_at.isoformat() if said_at else None}}

    def _free_to(self) -> int:
        """The sample of the stream before which nothing is left to be taken."""
        held = len(self._endpointer.current) if self._endpointer.speaking else _HELD_FRAMES
        return self.source.begin + max(0, _samples(self._endpointer.heard_s) - held * FRAME)

    def _say_what_is_kept(self, sample: int) -> None:
        number = self.source.count if self.source.over and self.closing else sample // CHUNK
        if self.source.read_to >= self._told + _SAY_EVERY or self.closing:
            self._told = self.source.read_to
            self.tell({"kind": "kept", "kept": number, "next": self.source.read_to})

    def _show(self, store: Store, job: Job, face: BayFace) -> None:
        if face.changed:
            face.changed = False
            self.tell(now(store, job))
        if face.recorded:
            face.recorded = False
            self._bays.told(self.job_id, "entries")

    def _do(self, what: dict[str, Any], store: Store, job: Job, session: Session, face: BayFace) -> None:
        face.changed = True
        match what.get("kind"):
            case "end" if isinstance(what.get("count"), int):
                self.source.count = what["count"]
            case "pause" | "resume" as action:
                session.obey(action)
            case "answer" | "understood":
                try:
                    face.taken(act(store, job, what, self.person))
                except HoodnoteError as problem:
                    face.remark(str(problem))


def _samples(seconds: float) -> int:
    return round(seconds / FRAME_S) * FRAME


class Bays:
    """All streams that are listened to, and the processes that hear them, which start with the first."""

    def __init__(self, shop: Shop, tell: Callable[[int, str], None], engines: Callable[[], list[Recognizer]] | None = None,
                 detector: Callable[[], Detector] = voice_detector):
        from hoodnote.capture.speech.engines import best_three

        self.shop, self.told, self.detector = shop, tell, detector
        self._engines = engines or partial(best_three, None, shop.models_dir)
        self._lock = threading.Lock()
        self._ears: dict[tuple[int, str], Ear] = {}
        self._pool: ListeningPool | None = None

    def pool(self) -> ListeningPool:
        with self._lock:
            if self._pool is None:
                self._pool = ListeningPool(Setup(self.shop.data_dir, self._engines, self.shop.lexicon))
            return self._pool

    def ear(self, job_id: int, stream: str, first: int, paused: bool, person: Person) -> Ear | None:
        """The one that listens to this stream, else a new one where the record has left off; None while the last one is finishing."""
        with self.shop.store() as store:
            store.job_by_id(job_id)
        with self._lock:
            ear = self._ears.get((job_id, stream))
            if ear is not None and not ear.closing and first > ear.source.wanted:      # the browser lost what was wanted
                ear.source.count = ear.source.wanted
                ear.nudge()
                return None
            if ear is None:
                with self.shop.store() as store:
                    taken = max((told["to"] for told in store.told_by(store.job_by_id(job_id), stream)), default=0)
                ear = self._ears[job_id, stream] = Ear(self, job_id, stream, max(taken, first * CHUNK), paused, person)
                ear.start()
            return None if ear.closing else ear

    def alone(self, ear: Ear) -> bool:
        with self._lock:
            return all(e is ear or e.job_id != ear.job_id for e in self._ears.values())

    def forget(self, ear: Ear) -> None:
        with self._lock:
            self._ears.pop((ear.job_id, ear.stream), None)

    def close(self) -> None:
        if self._pool is not None:
            self._pool.close()


def bays_of(app: Starlette) -> Bays:
    if not hasattr(app.state, "bays"):
        app.state.bays = Bays(app.state.shop, app.state.hub.tell)
    return app.state.bays


async def ear(socket: WebSocket) -> None:
    job_id = socket.path_params["id"]
    await socket.accept()
    try:
        hello = await asyncio.wait_for(socket.receive_json(), _HELLO_S)
        person = _technician(socket, hello)
        stream, first = str(uuid.UUID(hello["stream"])), int(hello["first"])
        if person is None or first < 0:
            raise ValueError
    except WebSocketDisconnect:
        return
    except (TimeoutError, ValueError, KeyError, TypeError, AttributeError):
        await socket.close(_REFUSED)
        return
    try:
        one = await run_in_threadpool(bays_of(socket.app).ear, job_id, stream, first, hello.get("paused") is True, person)
    except HoodnoteError as problem:
        await socket.send_json({"kind": "problem", "text": str(problem)})
        await socket.close(_BROKEN)
        return
    if one is None:
        await socket.close(_AGAIN_LATER)
        return
    await _serve(socket, one, person)


def _technician(socket: WebSocket, hello: dict[str, Any]) -> Person | None:
    """Who is paired with this browser, if that may speak here and the page that opened the connection is ours."""
    person, csrf = getattr(socket.state, "person", None), getattr(socket.state, "csrf", "")
    said = hello.get("csrf")
    ours = isinstance(said, str) and csrf != "" and hmac.compare_digest(said.encode(), csrf.encode())
    return person if ours and person is not None and person.may("technician") else None


async def _serve(socket: WebSocket, one: Ear, person: Person) -> None:
    loop, outbox = asyncio.get_running_loop(), asyncio.Queue()
    unread = asyncio.Event()

    def put(message: dict[str, Any]) -> None:
        if outbox.qsize() < _MOST_UNREAD:
            outbox.put_nowait(message)
        else:
            unread.set()

    def tell(message: dict[str, Any]) -> None:
        with suppress(RuntimeError):                   # the loop has ended, and so has this browser
            loop.call_soon_threadsafe(put, message)

    outbox.put_nowait({"kind": "from", "next": one.source.wanted})
    if not one.attach(tell, person):
        await socket.close(_AGAIN_LATER)
        return
    tasks = [asyncio.create_task(work) for work in (_send(socket, outbox), _receive(socket, one), _watch(socket, one), unread.wait())]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        one.detach(tell)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _send(socket: WebSocket, outbox: asyncio.Queue[dict[str, Any]]) -> None:
    while True:
        message = await outbox.get()
        await socket.send_json(message)
        if message["kind"] in ("ended", "problem", "replaced"):
            await socket.close(1000 if message["kind"] == "ended" else _BROKEN if message["kind"] == "problem" else _AGAIN_LATER)
            return


async def _receive(socket: WebSocket, one: Ear) -> None:
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            return
        try:
            if message.get("bytes") is not None:
                one.source.push(message["bytes"])
                while one.source.full and one.is_alive():       # so the network holds the rest back
                    await asyncio.sleep(_FULL_S)
            elif isinstance(what := json.loads(message["text"]), dict):
                one.command(what)
        except ValueError:
            await socket.close(_REFUSED)
            return


async def _watch(socket: WebSocket, one: Ear) -> None:
    """Somebody else recorded something of the job: an advisor, a phone."""
    async for kind in socket.app.state.hub.listen(one.job_id):
        if kind:
            one.command({"kind": "now"})


routes = [WebSocketRoute("/job/{id:int}/ear", ear)]
