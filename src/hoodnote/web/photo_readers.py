"""Photos read one after another in a few processes of their own, whoever sent them; what a crash left unread is taken up at the start.

A photo is recorded once: it is handed over once, and the record itself refuses a second time.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.errors import HoodnoteError
from hoodnote.intake.see import PROCESSES, Seen, read_kept, record_seen, said_of

if TYPE_CHECKING:
    from hoodnote.capture.vision.reading import Kind
    from hoodnote.jobs.store import Capture, Job
    from hoodnote.web.shop import Shop

AGAIN_S = 30.0          # a photo that was read but could not be recorded (a full disk) is tried again after so long
_NICENESS = 5           # who speaks waits for an answer, who sent a photo can wait a moment longer

log = logging.getLogger(__name__)


class PhotoReaders:
    """`tell(job_id, kind)` is called when something of a job changed. Thread-safe; call `close` at the end."""

    def __init__(self, shop: Shop, tell: Callable[[int, str], None], processes: int = PROCESSES):
        self._shop, self._tell, self._count = shop, tell, processes
        self._lock = threading.Lock()
        self._under_way: set[int] = set()
        self._pool: ProcessPoolExecutor | None = None
        self._closing = False
        self._queue = ThreadPoolExecutor(processes, thread_name_prefix="photo")

    def take_up(self, job: Job, capture: Capture) -> None:
        """Has a photo read when its turn comes; nothing when it is under way or was handled."""
        with self._lock:
            if self._closing or capture.id in self._under_way:
                return
            self._under_way.add(capture.id)
            self._queue.submit(self._handle, job, capture)

    def take_up_left(self) -> None:
        """All photos that were kept and never handled."""
        with self._shop.store() as store:
            left = [(job, capture) for job in store.jobs() for capture in store.pending(job) if capture.medium == "photo"]
        for job, capture in left:
            self.take_up(job, capture)

    def close(self) -> None:
        """What is still to be read stays in the record for the next start."""
        with self._lock:
            self._closing = True
            pool = self._pool
        self._queue.shutdown(wait=False, cancel_futures=True)
        if pool is not None:
            pool.shutdown(wait=False, cancel_futures=True)
        self._queue.shutdown(wait=True)

    def _handle(self, job: Job, capture: Capture) -> None:
        again = False
        try:
            self._read_and_record(job, capture)
        except HoodnoteError as error:      # the disk or the record refuses: the photo is kept and pending
            log.warning("photo %s of job %s is not recorded yet: %s", capture.id, job.work_order, error)
            again = True
        except Exception:
            if not self._closing:
                log.exception("photo %s of job %s is not recorded", capture.id, job.work_order)
        with self._lock:
            self._under_way.discard(capture.id)
            if again and not self._closing:
                timer = threading.Timer(AGAIN_S, self.take_up, (job, capture))
                timer.daemon = True
                timer.start()
        self._tell(job.id, "entries")

    def _read_and_record(self, job: Job, capture: Capture) -> None:
        with self._shop.store() as store:   # given back while the photo is read
            if not store.is_pending(capture):
                return
            path, (kind, place) = store.media_path(capture.sha256), said_of(store.told(capture))
        problem = None
        try:
            seen = self._read(path, kind, place, job.units)
        except HoodnoteError as error:
            problem = str(error)
        except BrokenExecutor:
            if self._closing:
                return
            problem = "the process that read this photo was ended, perhaps for want of memory; take it again, closer or smaller"
        except Exception:
            log.exception("photo %s of job %s could not be read", capture.id, job.work_order)
            problem = "this photo could not be read; take it again from where you see it better, or type what it shows"
        with self._shop.store() as store:
            if problem is None:
                record_seen(store, job, capture, seen)
                return
            store.fail(capture, problem)

    def _read(self, path: Path, kind: Kind | None, place: str | None, units: str) -> Seen:
        """In the common processes; when those end, once more in one of its own, so that one photo does not spoil another."""
        try:
            return self._processes().submit(read_kept, path, kind, place, units).result()
        except BrokenExecutor:
            with self._lock:
                if self._closing:
                    raise
                self._pool = None
        with _processes(1) as own:
            return own.submit(read_kept, path, kind, place, units).result()

    def _processes(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._closing:
                raise BrokenExecutor
            if self._pool is None:
                self._pool = _processes(self._count)
            return self._pool


def _processes(count: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"), initializer=_begin)


def _begin() -> None:
    """Ctrl-C is the server's to handle; and when the server is gone, however it went, so is this."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(_NICENESS)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    multiprocessing.parent_process().join()
    os._exit(1)
