"""Kept clips are heard in a process of their own, so that no recognizer, however busy, keeps the microphone waiting.

In a thread the listeners held the interpreter for up to a third of a second at a time; beside their process a wait of 10 ms was late by
35 ms at most (two busy cores).

The process opens the record itself and goes through `intake.hear`, as `hoodnote hear` does; what comes back is what was recorded.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import multiprocessing
import queue
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    from hoodnote.capture.speech.recognizer import Recognizer, Streamer
    from hoodnote.checks.equipment import Equipment
    from hoodnote.checks.model import Finding
    from hoodnote.intake.listening import Gathered
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Capture, Job
    from hoodnote.readings.decision import Decision


_M_ARENA_MAX = -8     # of mallopt(3)
_IDLE_S = 0.5         # without a task, after which what may be needed later is loaded


@dataclass(frozen=True)
class Setup:
    """What the hearing process needs to know. `engines` must be importable from another process."""

    data_dir: Path
    job: Job
    engines: Callable[[], Sequence[Recognizer]]
    lexicon: Path | None = None


@dataclass(frozen=True)
class Ready:
    engines: tuple[str, ...]
    streams: bool = False                # can tell what is heard while somebody still speaks


@dataclass(frozen=True)
class SoFar:
    """More of the utterance that is being spoken: float32, 16 kHz. `begins`: its first part."""

    samples: np.ndarray
    begins: bool


@dataclass(frozen=True)
class Ahead:
    """A whole clip, as it will be kept should it turn out to be one. It is heard and not answered."""

    clip: bytes


@dataclass(frozen=True)
class Partly:
    """What is heard of it so far; only ever shown."""

    text: str


@dataclass(frozen=True)
class Result:
    """What became of a clip; `problem` when nothing did."""

    capture_id: int
    taken: Taken | None
    problem: str | None = None


@dataclass(frozen=True)
class Woken:
    """Answer to `wake`: was it "start listening"?"""

    yes: bool


@dataclass(frozen=True)
class Checked:
    """The checks that the entries of a clip take part in."""

    capture_id: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Broken:
    """The listeners cannot be used at all."""

    problem: str


Message = Broken | Ready | Result | Woken | Checked | Partly


class Hearing:
    """One hearing process, one clip at a time; a dead one is started anew and its clip stays for `hoodnote resume`."""

    def __init__(self, setup: Setup):
        self._setup = setup
        self._context = multiprocessing.get_context("spawn")   # a fork would take the sound library's threads along
        self._at: Capture | np.ndarray | None = None     # what is being heard; the samples of a `wake`
        self._ahead: str | None = None       # SHA-256 of what was sent ahead since the last answer
        self._was_ready = False
        self._start()

    def _start(self) -> None:
        self._connection, theirs = self._context.Pipe()
        self._process = self._context.Process(target=_work, args=(theirs, self._setup), name="hoodnote hearing", daemon=True)
        self._process.start()
        theirs.close()

    @property
    def process_id(self) -> int:
        return self._process.pid

    @property
    def busy(self) -> bool:
        return self._at is not None

    def begin(self, capture: Capture) -> None:
        self._at = capture
        self._send(capture)

    def wake(self, samples: np.ndarray) -> None:
        """While paused: are these the words that end the pause? Nothing of them is kept or recorded."""
        self._at = samples
        self._send(samples)

    def along(self, samples: np.ndarray, begins: bool) -> None:
        """More of what is being spoken; answered by one `Partly`, or by nothing should the process die. Nothing of it is recorded."""
        self._send(SoFar(samples, begins))

    def ahead(self, clip: bytes) -> None:
        """Hear this already: `begin` of a capture of the same SHA-256 is then answered at once. Any other task makes it void."""
        self._ahead = hashlib.sha256(clip).hexdigest()
        self._send(Ahead(clip))

    def _send(self, task: object) -> None:
        try:
            self._connection.send(task)
        except (BrokenPipeError, OSError):
            pass                              # `poll` finds out why

    def poll(self, wait_s: float = 0.0) -> list[Message]:
        """Never blocks longer than `wait_s`. Raises HoodnoteError when the listeners cannot be used at all."""
        out: list[Message] = []
        try:
            while self._connection.poll(wait_s if not out else 0.0):
                message = self._connection.recv()
                if isinstance(message, Broken):
                    raise HoodnoteError(message.problem)
                self._was_ready |= isinstance(message, Ready)
                if isinstance(message, (Result, Woken)):
                    self._at = self._ahead = None
                out.append(message)
        except (EOFError, OSError):
            out += self._again()
        return out

    def _again(self) -> list[Message]:
        self._process.join(1.0)
        at, self._at = self._at, None
        ahead, self._ahead = self._ahead, None
        self._connection.close()
        if not self._was_ready:
            raise HoodnoteError("the listeners break down before they have begun; run 'hoodnote engines' to see what they lack")
        self._was_ready = False
        self._start()
        if at is None:
            return []
        if isinstance(at, np.ndarray):
            return [Woken(False)]
        if ahead not in (None, at.sha256):       # it may have been over that, which nobody will hear of
            self.begin(at)
            return []
        return [Result(at.id, None, "the listeners broke down over this clip; it is kept for 'hoodnote resume', say it again")]

    def close(self) -> None:
        """What is being heard is finished first, for a few seconds; else it is left for `hoodnote resume`."""
        self._send(None)
        self._process.join(5.0 if self._was_ready else 0.0)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(1.0)
        self._connection.close()


def _work(connection: Connection, setup: Setup) -> None:
    from hoodnote.capture.speech.recognizer import Streamer
    from hoodnote.checks.equipment import shop_equipment
    from hoodnote.intake.listening import listen
    from hoodnote.jobs.store import Store
    from hoodnote.language.grammar import use_shop_lexicon

    signal.signal(signal.SIGINT, signal.SIG_IGN)   # Ctrl-C ends the session, which then ends this
    use_shop_lexicon(setup.lexicon)
    _spare_memory()
    try:
        equipment = shop_equipment(setup.data_dir)
        engines = setup.engines()
        if engines:
            listen(engines, _something(), setup.job.units)    # loads what they need
    except HoodnoteError as problem:
        connection.send(Broken(str(problem)))
        return
    follower = next((e for e in engines if isinstance(e, Streamer)), None)
    following, ahead = None, None
    tasks = _Tasks(connection)
    connection.send(Ready(tuple(e.name for e in engines), follower is not None))
    later = [partial(engine.recognize, _something(), 1) for engine in engines[2:]]     # asked only where the first two leave a doubt
    later.append(partial(_load_checks, equipment, setup.job.units))
    with Store.open(setup.data_dir) as store:
        while True:
            try:
                task = tasks.next(_IDLE_S if later else None)
            except queue.Empty:
                _try(later.pop(0))
                continue
            if task is None:
                return
            if isinstance(task, Ahead):
                ahead = _listen_ahead(task.clip, engines, setup.job.units)
                continue
            if isinstance(task, SoFar):
                following = _Following(follower) if task.begins else following
                connection.send(Partly(following.more(task.samples) if following else ""))
                continue
            following = None
            if isinstance(task, np.ndarray):
                connection.send(Woken(_is_resume(engines, task, setup.job.units)))
                continue
            result = _hear(store, setup.job, task, engines, ahead if ahead and ahead.sha256 == task.sha256 else None)
            ahead = None
            connection.send(result)
            if result.taken is not None and result.taken.entries:
                connection.send(Checked(task.id, _findings(store, setup.job, result.taken, equipment)))


class _Following:
    """One utterance heard along."""

    def __init__(self, engine: Streamer):
        self._waiting: list[np.ndarray] = []
        self._texts = engine.stream(self._chunks())

    def _chunks(self) -> Iterator[np.ndarray]:
        while True:
            yield self._waiting.pop()

    def more(self, samples: np.ndarray) -> str:
        """"" from where the engine failed: what is only shown must not end the process."""
        self._waiting.append(samples)
        try:
            return next(self._texts).text
        except Exception:   # noqa: BLE001 - engines raise their own classes, and a stream that failed once is over
            return ""


class _Tasks:
    """What is sent is taken out of the pipe at once: a full one would keep the session waiting."""

    def __init__(self, connection: Connection):
        self._queue: queue.SimpleQueue[Capture | np.ndarray | SoFar | Ahead | None] = queue.SimpleQueue()
        threading.Thread(target=self._take, args=(connection,), daemon=True).start()

    def _take(self, connection: Connection) -> None:
        try:
            while True:
                self._queue.put(connection.recv())
        except (EOFError, OSError):
            self._queue.put(None)

    def next(self, wait_s: float | None) -> Capture | np.ndarray | SoFar | Ahead | None:
        """None: it is over. Raises queue.Empty when nothing comes for `wait_s`."""
        task = self._queue.get(timeout=wait_s)
        while isinstance(task, Ahead) and not self._queue.empty():      # either it was no end, or the clip itself is there
            task = self._queue.get()
        return task


@dataclass(frozen=True)
class _HeardAhead:
    sha256: str                              # of the clip
    samples: np.ndarray
    heard: tuple[Decision, Gathered]


def _listen_ahead(clip: bytes, engines: Sequence[Recognizer], units: str) -> _HeardAhead | None:
    """None when it cannot be heard; what is wrong with it is told when it has become a kept clip."""
    from hoodnote.capture.audio import load_clip
    from hoodnote.intake.listening import listen

    if not engines:
        return None
    with tempfile.TemporaryDirectory(prefix="hoodnote-") as folder:
        path = Path(folder) / "clip.wav"
        path.write_bytes(clip)
        try:
            samples = load_clip(path).samples
            return _HeardAhead(hashlib.sha256(clip).hexdigest(), samples, listen(engines, samples, units))
        except Exception:   # noqa: BLE001 - engines raise their own classes
            return None


def _hear(store, job: Job, capture: Capture, engines: Sequence[Recognizer], ahead: _HeardAhead | None) -> Result:
    from hoodnote.capture.audio import load_clip
    from hoodnote.intake.hear import hear_capture

    try:
        samples = ahead.samples if ahead else load_clip(store.media_path(capture.sha256)).samples
        return Result(capture.id, hear_capture(store, job, capture, samples, engines, ask_unheard=False, heard=ahead.heard if ahead else None))
    except HoodnoteError as problem:
        if engines:
            store.finish(capture, "failed", str(problem))
        return Result(capture.id, None, str(problem))
    except Exception as error:   # noqa: BLE001 - one clip that breaks a recognizer must not end the job
        return Result(capture.id, None, f"the listeners failed on this clip ({type(error).__name__}: {error}); it is kept for 'hoodnote resume'")


def _is_resume(engines: Sequence[Recognizer], samples: np.ndarray, units: str) -> bool:
    from hoodnote.intake.listening import listen
    from hoodnote.readings.model import Standing
    from hoodnote.statements.model import Control

    settled = listen(engines, samples, units)[0].settled if engines else []
    return [(s.statement, s.standing) for s in settled] == [(Control("resume"), Standing.AGREED)]


def _findings(store, job: Job, taken: Taken, equipment: Equipment) -> tuple[Finding, ...]:
    from hoodnote.checks import evaluate
    from hoodnote.readings.timeline import build

    new = {e.id for e in taken.entries}
    try:
        return tuple(f for f in evaluate(build(store.entries(job)), equipment, job.units) if new & set(f.basis))
    except HoodnoteError:
        return ()


def _something() -> np.ndarray:
    """A sample clip, so that every part of the listeners is loaded before the first clip of the job."""
    from hoodnote.capture.audio import load_clip
    from hoodnote.resources import folder

    clips = (folder("sample_media") / "clips").glob("*.wav")
    return load_clip(min(clips, key=lambda path: (path.stat().st_size, path.name))).samples


def _spare_memory() -> None:
    """The listeners' threads share one heap of the C library instead of growing one each: a fifth less memory, measured with both of them."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)


def _load_checks(equipment: Equipment, units: str) -> None:
    """The first check would wait a second for its libraries and tables."""
    import CoolProp.CoolProp   # noqa: F401

    from hoodnote.checks import evaluate, implausible
    from hoodnote.readings.timeline import build
    from hoodnote.statements.parser import parse

    nothing = build([])
    implausible(parse("low side thirty".split(), units)[0], nothing, units, equipment)
    evaluate(nothing, equipment, units)


def _try(load: Callable[[], object]) -> None:
    """What does not load now is tried again, and its failure told, when it is needed."""
    with contextlib.suppress(Exception):
        load()
