"""A few hearing processes for all bays: who spoke first is heard first, each bay has one clip in turn, so none keeps the others waiting long.

What may be the end of an utterance is heard ahead, and what is being spoken is followed, only by a process that has nothing else to do. What was
heard ahead is kept here: its clip then goes to whichever process is free, before those that are still to be heard, and no clip is heard twice.
"""

from __future__ import annotations

import hashlib
import itertools
import multiprocessing
import os
import queue
import threading
from collections import deque
from dataclasses import dataclass, field, replace
from multiprocessing.connection import wait
from typing import TYPE_CHECKING

import numpy as np

from hoodnote.errors import HoodnoteError
from hoodnote.intake.hearing import Died, Listeners, broke_down
from hoodnote.intake.hearing_messages import Ahead, Checked, Clip, HeardAhead, Message, Partly, Ready, Result, Setup, SoFar, Task, Wake, Woken
from hoodnote.intake.hearing_work import REMEMBERED

if TYPE_CHECKING:
    from hoodnote.jobs.store import Capture, Job

PROCESSES = min(2, os.cpu_count() or 1)                 # at most, each with some 500 MB; one alone leaves a second core half unused
_LOOK_S = 1.0                                           # a process that went without a word is found out after that


class PoolEars:
    """The ears of one bay: what `intake.live.Session` takes for a `Hearing`. Of one thread, but for `nudge`."""

    def __init__(self, pool: ListeningPool, job: Job, number: int):
        self._pool, self._job, self.number = pool, job, number
        self._at: Capture | np.ndarray | None = None
        self.inbox: queue.SimpleQueue[Message | None] = queue.SimpleQueue()

    @property
    def busy(self) -> bool:
        return self._at is not None

    def begin(self, capture: Capture) -> None:
        self._at = capture
        self._pool.ask(self, Clip(self._job, capture))

    def wake(self, samples: np.ndarray) -> None:
        self._at = samples
        self._pool.ask(self, Wake(samples, self._job.units))

    def along(self, samples: np.ndarray, begins: bool) -> None:
        self._pool.ask(self, SoFar(samples, begins, self.number))

    def ahead(self, clip: bytes) -> None:
        self._pool.ask(self, Ahead(clip, self._job.units))

    def nudge(self) -> None:
        """Ends a `poll` that waits; from any thread."""
        self.inbox.put(None)

    def poll(self, wait_s: float = 0.0) -> list[Message]:
        """Waits for one message or a nudge, no longer than `wait_s`."""
        out: list[Message] = []
        try:
            message = self.inbox.get(timeout=wait_s) if wait_s else self.inbox.get_nowait()
            while True:
                if isinstance(message, (Result, Woken)):
                    self._at = None
                if message is not None:
                    out.append(message)
                message = self.inbox.get_nowait()
        except queue.Empty:
            return out

    def leave(self) -> None:
        """What is still to be heard of this bay stays in the record."""
        self._pool.leave(self)


@dataclass
class _Process:
    listeners: Listeners
    ready: Ready | None = None
    at: tuple[PoolEars, Clip | Wake] | None = None
    ahead: tuple[int, str] | None = None     # what is being heard ahead: bay, SHA-256
    answered: PoolEars | None = None         # whom the last result went to; the checks follow it
    following: set[int] = field(default_factory=set)     # bays that wait for a `Partly`

    @property
    def idle(self) -> bool:
        return self.ready is not None and self.at is None and self.ahead is None


class ListeningPool:
    """Starts one process and its thread at once, another when there are more bays than processes, up to `processes`.
    Thread-safe; call `close` at the end."""

    def __init__(self, setup: Setup, processes: int = PROCESSES):
        self._setup, self._most = setup, processes
        self._lock = threading.Lock()
        self._numbers = itertools.count(1)
        self._bays: dict[int, PoolEars] = {}
        self._follows: dict[int, _Process] = {}
        self._clips: deque[tuple[PoolEars, Clip | Wake]] = deque()
        self._aheads: dict[int, Ahead] = {}
        self._heard: dict[int, HeardAhead] = {}              # the last of each bay
        self._alongs: deque[tuple[PoolEars, SoFar]] = deque()
        self._problem: str | None = None
        self._closing = False
        self._bell, self._ring = multiprocessing.Pipe(duplex=False)
        self._rung = False
        self._processes = [_Process(Listeners(setup))]
        self._thread = threading.Thread(target=self._run, name="listening pool", daemon=True)
        self._thread.start()

    def ears(self, job: Job) -> PoolEars:
        with self._lock:
            bay = PoolEars(self, job, next(self._numbers))
            self._bays[bay.number] = bay
            if len(self._bays) > len(self._processes) < self._most and self._problem is None and not self._closing:
                self._processes.append(_Process(Listeners(self._setup)))
                self._wake_up()
            ready = self._ready()
            if ready is not None:
                bay.inbox.put(ready)
            return bay

    def _ready(self) -> Ready | None:
        if self._problem is not None:
            return Ready(())
        return next((p.ready for p in self._processes if p.ready), None)

    def leave(self, bay: PoolEars) -> None:
        with self._lock:
            self._bays.pop(bay.number, None)
            self._follows.pop(bay.number, None)
            self._aheads.pop(bay.number, None)
            self._heard.pop(bay.number, None)
            self._clips = deque(want for want in self._clips if want[0] is not bay)
            self._alongs = deque(want for want in self._alongs if want[0] is not bay)

    def ask(self, bay: PoolEars, task: Task) -> None:
        with self._lock:
            match task:
                case Ahead():
                    self._aheads[bay.number] = task
                case SoFar():
                    self._alongs.append((bay, task))
                case _:
                    self._aheads.pop(bay.number, None)      # either it is this clip, or it was no end
                    self._clips.append((bay, task))
            self._wake_up()

    def close(self) -> None:
        with self._lock:
            self._closing = True
            self._wake_up()
        self._thread.join()
        for process in self._processes:
            process.listeners.send(None)        # all of them end at the same time
        for process in self._processes:
            process.listeners.close()

    def _wake_up(self) -> None:
        if not self._rung:
            self._rung = True
            self._ring.send_bytes(b"!")

    # its own thread, the only one that speaks with the processes

    def _run(self) -> None:
        while not self._closing:
            wait([self._bell, *(p.listeners.connection for p in tuple(self._processes))], timeout=_LOOK_S)
            with self._lock:
                if self._rung:
                    self._bell.recv_bytes()
                    self._rung = False
                for process in list(self._processes):
                    self._receive(process)
                self._hand_out()

    def _receive(self, process: _Process) -> None:
        try:
            while (message := process.listeners.receive()) is not None:
                self._message(process, message)
        except Died:
            self._died(process)
        except HoodnoteError as problem:
            self._processes.remove(process)
            self._died(process)
            if not self._processes:
                self._problem = str(problem)
                for bay in self._bays.values():
                    bay.inbox.put(Ready(()))

    def _message(self, process: _Process, message: Message) -> None:
        match message:
            case Ready():
                first = self._ready() is None
                process.ready = message
                for bay in self._bays.values() if first else ():
                    bay.inbox.put(message)
            case Partly(_, number):
                process.following.discard(number)
                if number in self._bays:
                    self._bays[number].inbox.put(message)
            case HeardAhead():
                number, process.ahead = process.ahead[0], None
                if number in self._bays and message.heard is not None:
                    self._heard[number] = message
            case Result() | Woken():
                process.answered, process.at = process.at[0], None
                process.answered.inbox.put(message)
            case Checked():
                process.answered.inbox.put(message)

    def _died(self, process: _Process) -> None:
        """The clip it died over, be it kept already or only heard ahead, is left for later."""
        at, ahead = process.at, process.ahead
        process.ready = process.at = process.ahead = None
        for number in process.following:
            if number in self._bays:
                self._bays[number].inbox.put(Partly("", number))
        process.following.clear()
        self._follows = {number: p for number, p in self._follows.items() if p is not process}
        lost = [want for want in self._clips if ahead is not None and _is_of(want, ahead)]
        self._clips = deque(want for want in self._clips if not any(want is w for w in lost))
        for bay, task in [*lost, *([at] if at else [])]:
            bay.inbox.put(Woken(False) if isinstance(task, Wake) else broke_down(task.capture.id))

    def _hand_out(self) -> None:
        if self._problem is not None:
            self._refuse()
        while (process := self._free()) is not None and (want := self._next()) is not None:
            self._clips = deque(w for w in self._clips if w is not want)
            bay, task = want
            if isinstance(task, Clip) and (heard := self._heard.pop(bay.number, None)) is not None and heard.sha256 == task.capture.sha256:
                task = replace(task, heard=heard.heard)
            process.at = (bay, task)
            process.listeners.send(task)
        while self._aheads and (process := self._free()) is not None:
            number = next(iter(self._aheads))
            task = self._aheads.pop(number)
            process.ahead = number, hashlib.sha256(task.clip).hexdigest()
            process.listeners.send(task)
        while self._alongs:
            bay, task = self._alongs.popleft()
            self._follow(bay, task)

    def _free(self) -> _Process | None:
        return next((p for p in self._processes if p.idle), None)

    def _next(self) -> tuple[PoolEars, Clip | Wake] | None:
        """What was heard ahead already, else what has waited longest; not what is being heard ahead."""
        being_heard = [p.ahead for p in self._processes if p.ahead is not None]
        ready = [want for want in self._clips if not any(_is_of(want, ahead) for ahead in being_heard)]
        known = (want for want in ready if (heard := self._heard.get(want[0].number)) is not None and _is_of(want, (want[0].number, heard.sha256)))
        return next(known, ready[0] if ready else None)

    def _follow(self, bay: PoolEars, task: SoFar) -> None:
        """One process follows an utterance from its beginning, or none does."""
        if task.begins:
            process = next((p for p in self._processes if p.idle and len(p.following) < REMEMBERED), None)
            if process is None:
                self._follows.pop(bay.number, None)
            else:
                self._follows[bay.number] = process
        process = self._follows.get(bay.number)
        if process is None:
            bay.inbox.put(Partly("", bay.number))
            return
        process.following.add(bay.number)
        process.listeners.send(task)

    def _refuse(self) -> None:
        while self._clips:
            bay, task = self._clips.popleft()
            bay.inbox.put(Woken(False) if isinstance(task, Wake) else Result(task.capture.id, None, self._problem))


def _is_of(want: tuple[PoolEars, Clip | Wake], ahead: tuple[int, str]) -> bool:
    bay, task = want
    return isinstance(task, Clip) and (bay.number, task.capture.sha256) == ahead
