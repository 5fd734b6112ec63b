"""The hearing process: it opens the record itself and goes through `intake.hear`, as `hoodnote hear` does; what comes back is what was recorded."""

from __future__ import annotations

import contextlib
import hashlib
import queue
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hoodnote.capture.heap import keep_what_is_loaded, load_without_searching, share_one_heap
from hoodnote.errors import HoodnoteError
from hoodnote.intake.hearing_messages import Ahead, Broken, Checked, Clip, HeardAhead, Partly, Ready, Result, Setup, SoFar, Task, Wake, Woken

if TYPE_CHECKING:
    from hoodnote.capture.speech.recognizer import Recognizer, Streamer
    from hoodnote.checks.equipment import Equipment
    from hoodnote.checks.model import Finding
    from hoodnote.intake.hearing_messages import Heard
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Capture, Job, Store

REMEMBERED = 8         # speakers followed at once
_IDLE_S = 0.3          # without a task, after which what may be needed later is loaded
_LATE = timedelta(seconds=30)
_WARM_UNITS = "us"     # for what is only loaded; either would do
_TURN_S = 0.001        # after which a thread of this process leaves Python to another that waits; with the usual 0.005 the listeners, who often only hand
#                        work to a network, wait for each other: clips of two and three statements took a twentieth longer


def work(connection: Connection, setup: Setup) -> None:
    from hoodnote.capture.speech.recognizer import Streamer
    from hoodnote.checks.equipment import shop_equipment
    from hoodnote.intake.listening import gather_all, listen, preparations
    from hoodnote.jobs.store import Store
    from hoodnote.language.grammar import use_shop_lexicon
    from hoodnote.language.kept import keep_in

    signal.signal(signal.SIGINT, signal.SIG_IGN)   # Ctrl-C ends the session, which then ends this
    sys.setswitchinterval(_TURN_S)
    load_without_searching()
    use_shop_lexicon(setup.lexicon)
    keep_in(setup.data_dir / "language")
    share_one_heap()
    try:
        equipment = shop_equipment(setup.data_dir)
        engines = setup.engines()
        if engines:
            listen(engines, _something(), _WARM_UNITS)    # loads what they need
        keep_what_is_loaded()
    except HoodnoteError as problem:
        connection.send(Broken(str(problem)))
        return
    follower = next((e for e in engines if isinstance(e, Streamer)), None)
    following: dict[int, _Following] = {}
    tasks = _Tasks(connection)
    connection.send(Ready(tuple(e.name for e in engines), follower is not None))
    later = [partial(load_checks, equipment, _WARM_UNITS)]
    if len(engines) > 2:            # the last one is asked only where the better two leave a doubt
        later.insert(0, partial(gather_all, engines, _something()))
    if engines:
        later += preparations(engines)
    later.append(keep_what_is_loaded)
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
                # with another task behind it, either it was no end, or that is the clip itself
                connection.send(HeardAhead(hashlib.sha256(task.clip).hexdigest(), None if tasks.more else _listen_ahead(task, engines)))
                continue
            if isinstance(task, SoFar):
                if task.begins and follower is not None:
                    _remember(following, task.bay, _Following(follower))
                connection.send(Partly(following[task.bay].more(task.samples) if task.bay in following else "", task.bay))
                continue
            if isinstance(task, Wake):
                connection.send(Woken(_is_resume(engines, task.samples, task.units)))
                continue
            result = _hear(store, task, engines)
            connection.send(result)
            if result.taken is not None and result.taken.entries:
                connection.send(Checked(task.capture.id, _findings(store, task.job, result.taken, equipment)))


def _remember(of: dict, key: object, value: object) -> None:
    """The newest few."""
    of.pop(key, None)
    of[key] = value
    while len(of) > REMEMBERED:
        del of[next(iter(of))]


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
        self._queue: queue.SimpleQueue[Task | None] = queue.SimpleQueue()
        threading.Thread(target=self._take, args=(connection,), daemon=True).start()

    def _take(self, connection: Connection) -> None:
        try:
            while True:
                self._queue.put(connection.recv())
        except (EOFError, OSError):
            self._queue.put(None)

    def next(self, wait_s: float | None) -> Task | None:
        """None: it is over. Raises queue.Empty when nothing comes for `wait_s`."""
        return self._queue.get(timeout=wait_s)

    @property
    def more(self) -> bool:
        return not self._queue.empty()


def _listen_ahead(task: Ahead, engines: Sequence[Recognizer]) -> Heard | None:
    """None when it cannot be heard; what is wrong with it is told when it has become a kept clip."""
    from hoodnote.capture.audio import load_clip
    from hoodnote.intake.listening import listen

    if not engines:
        return None
    with tempfile.TemporaryDirectory(prefix="hoodnote-") as folder:
        path = Path(folder) / "clip.wav"
        path.write_bytes(task.clip)
        try:
            return listen(engines, load_clip(path).samples, task.units)
        except Exception:   # noqa: BLE001 - engines raise their own classes
            return None


def _hear(store: Store, task: Clip, engines: Sequence[Recognizer]) -> Result:
    from hoodnote.capture.audio import load_clip
    from hoodnote.intake.hear import hear_capture

    job, capture = task.job, task.capture
    try:
        if not store.is_pending(capture):
            return Result(capture.id, None, "this clip was heard already, by another who listens to this job")
        samples = load_clip(store.media_path(capture.sha256)).samples
        taken = hear_capture(store, job, capture, samples, engines, ask_unheard=_is_late(store, capture), heard=task.heard)
        return Result(capture.id, None, taken.remarks[0]) if taken.remarks else Result(capture.id, taken)
    except HoodnoteError as problem:
        if engines:
            store.fail(capture, str(problem))
        return Result(capture.id, None, str(problem))
    except Exception as error:   # noqa: BLE001 - one clip that breaks a recognizer must not end the job
        return Result(capture.id, None, f"the listeners failed on this clip ({type(error).__name__}: {error}); it is kept for 'hoodnote resume'")


def _is_late(store: Store, capture: Capture) -> bool:
    """Who said it may not be there to say it again."""
    said_at = store.told(capture).get("said_at")
    return datetime.now(UTC) - (datetime.fromisoformat(said_at) if said_at else capture.captured_at) > _LATE


def _is_resume(engines: Sequence[Recognizer], samples: np.ndarray, units: str) -> bool:
    from hoodnote.intake.listening import listen
    from hoodnote.readings.model import Standing
    from hoodnote.statements.model import Control

    settled = listen(engines, samples, units)[0].settled if engines else []
    return [(s.statement, s.standing) for s in settled] == [(Control("resume"), Standing.AGREED)]


def _findings(store: Store, job: Job, taken: Taken, equipment: Equipment) -> tuple[Finding, ...]:
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


def load_checks(equipment: Equipment, units: str) -> None:
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
