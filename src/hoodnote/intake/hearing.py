"""Kept clips are heard in a process of their own, so that no recognizer, however busy, keeps the microphone waiting.

In a thread the listeners held the interpreter for up to a third of a second at a time; beside their process a wait of 10 ms was late by
35 ms at most (two busy cores).
"""

from __future__ import annotations

import hashlib
import multiprocessing
from typing import TYPE_CHECKING

import numpy as np

from hoodnote.errors import HoodnoteError
from hoodnote.intake.hearing_messages import Ahead, Broken, Checked, Clip, HeardAhead, Message, Partly, Ready, Result, Setup, SoFar, Task, Wake, Woken
from hoodnote.intake.hearing_work import work

if TYPE_CHECKING:
    from hoodnote.jobs.store import Capture, Job

__all__ = ["Checked", "Hearing", "Listeners", "Message", "Partly", "Ready", "Result", "Setup", "Woken", "broke_down"]

_BROKEN_AT_ONCE = "the listeners break down before they have begun; run 'hoodnote engines' to see what they lack"


def broke_down(capture_id: int) -> Result:
    return Result(capture_id, None, "the listeners broke down over this clip; it is kept for 'hoodnote resume', say it again")


class Died(Exception):
    """The hearing process is gone and a new one was started."""


class Listeners:
    """One hearing process; a dead one is started anew, once it had been ready."""

    def __init__(self, setup: Setup):
        self._setup = setup
        self._context = multiprocessing.get_context("spawn")   # a fork would take the sound library's threads along
        self._was_ready = False
        self._start()

    def _start(self) -> None:
        self.connection, theirs = self._context.Pipe()
        self._process = self._context.Process(target=work, args=(theirs, self._setup), name="hoodnote hearing", daemon=True)
        self._process.start()
        theirs.close()

    @property
    def process_id(self) -> int:
        return self._process.pid

    def send(self, task: Task | None) -> None:
        try:
            self.connection.send(task)
        except (BrokenPipeError, OSError):
            pass                              # `receive` finds out why

    def receive(self, wait_s: float = 0.0) -> Message | None:
        """Raises `Died`; HoodnoteError when the listeners cannot be used at all."""
        try:
            if not self.connection.poll(wait_s):
                return None
            message = self.connection.recv()
        except (EOFError, OSError):
            self._process.join(1.0)
            self.connection.close()
            if not self._was_ready:
                raise HoodnoteError(_BROKEN_AT_ONCE) from None
            self._was_ready = False
            self._start()
            raise Died from None
        if isinstance(message, Broken):
            raise HoodnoteError(message.problem)
        self._was_ready |= isinstance(message, Ready)
        return message

    def close(self) -> None:
        """What is being heard is finished first, for a few seconds; else it is left for `hoodnote resume`."""
        self.send(None)
        self._process.join(5.0 if self._was_ready else 0.0)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(1.0)
        self.connection.close()


class Hearing:
    """The listeners of one job, one clip at a time; a clip over which they die stays for `hoodnote resume`."""

    def __init__(self, setup: Setup, job: Job):
        self._job = job
        self._listeners = Listeners(setup)
        self._at: Capture | np.ndarray | None = None     # what is being heard; the samples of a `wake`
        self._ahead: str | None = None       # SHA-256 of what is being heard ahead
        self._heard: HeardAhead | None = None

    @property
    def process_id(self) -> int:
        return self._listeners.process_id

    @property
    def busy(self) -> bool:
        return self._at is not None

    def begin(self, capture: Capture) -> None:
        """Where it is being heard ahead, it is sent when that is done."""
        self._at = capture
        if capture.sha256 != self._ahead:
            self._send(capture)

    def _send(self, capture: Capture) -> None:
        heard, self._heard = self._heard, None
        self._listeners.send(Clip(self._job, capture, heard.heard if heard and heard.sha256 == capture.sha256 else None))

    def wake(self, samples: np.ndarray) -> None:
        """While paused: are these the words that end the pause? Nothing of them is kept or recorded."""
        self._at = samples
        self._listeners.send(Wake(samples, self._job.units))

    def along(self, samples: np.ndarray, begins: bool) -> None:
        """More of what is being spoken; answered by one `Partly`, or by nothing should the process die. Nothing of it is recorded."""
        self._listeners.send(SoFar(samples, begins))

    def ahead(self, clip: bytes) -> None:
        """Hear this already: `begin` of a capture of the same SHA-256 is then answered at once."""
        self._ahead = hashlib.sha256(clip).hexdigest()
        self._listeners.send(Ahead(clip, self._job.units))

    def poll(self, wait_s: float = 0.0) -> list[Message]:
        """Never blocks longer than `wait_s`. Raises HoodnoteError when the listeners cannot be used at all."""
        out: list[Message] = []
        try:
            while (message := self._listeners.receive(wait_s if not out else 0.0)) is not None:
                if isinstance(message, (Result, Woken)):
                    self._at = None
                if isinstance(message, HeardAhead):
                    self._heard_ahead(message)
                else:
                    out.append(message)
        except Died:
            out += self._again()
        return out

    def _heard_ahead(self, message: HeardAhead) -> None:
        if message.sha256 != self._ahead:        # another was sent after it
            return
        self._ahead, self._heard = None, message
        if not isinstance(self._at, np.ndarray) and self._at is not None and self._at.sha256 == message.sha256:
            self._send(self._at)

    def _again(self) -> list[Message]:
        at, self._at = self._at, None
        ahead, self._ahead = self._ahead, None
        if at is None:
            return []
        if isinstance(at, np.ndarray):
            return [Woken(False)]
        if ahead not in (None, at.sha256):       # it may have been over that, which nobody will hear of
            self.begin(at)
            return []
        return [broke_down(at.id)]

    def close(self) -> None:
        self._listeners.close()
