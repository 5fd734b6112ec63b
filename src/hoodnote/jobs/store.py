"""The record of all jobs: one SQLite file and, beside it, the clips and photos.

A capture is committed before anything tries to understand it, so a crash costs nothing but another hearing.
Every method raises HoodnoteError when the disk or the database refuses; what was recorded before stays.
"""

from __future__ import annotations

import json
import re
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from hoodnote.checks.model import Warning
from hoodnote.errors import HoodnoteError
from hoodnote.jobs.faults import told_plainly
from hoodnote.jobs.media import KeptFile, Media
from hoodnote.jobs.migrations import migrate, refuse_foreign
from hoodnote.jobs.records import Account, Capture, Found, Job, ShownWarning, capture_of, job_of
from hoodnote.jobs.rows import dump, entry_from_row, entry_row
from hoodnote.jobs.sent import Sent, now, same_delivery
from hoodnote.readings.model import Entry

DATABASE = "hoodnote.db"
_WAIT_S = 15.0   # how long to wait for another process to finish its write
_WORK_ORDER_LENGTH = 64
# How many stores of this process have a file open. Whoever closes a descriptor of a file that SQLite has open in the same process takes
# SQLite's locks away (sqlite.org/howtocorrupt.html, 2.2), so the file is looked into by ourselves only while none has.
_open: Counter[Path] = Counter()
_opening = threading.Lock()


class Store(Sent):
    """Open it with `Store.open`; usable as a context manager."""

    def __init__(self, connection: sqlite3.Connection, data_dir: Path):
        import sqlite_utils

        self._db = sqlite_utils.Database(connection, execute_plugins=False)
        self._connection = connection
        self._path = data_dir / DATABASE
        self._media = Media(data_dir / "media")
        self._is_closed = False

    @classmethod
    def open(cls, data_dir: Path, *, threads: bool = False) -> Store:
        """Creates the directory and the database when there are none, brings older ones up to date.
        `threads`: other threads may use it as well, one at a time."""
        path = data_dir / DATABASE
        with told_plainly(path):
            data_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
            with _opening:
                if not _open[path]:
                    refuse_foreign(path)
                _open[path] += 1
            try:
                connection = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None, check_same_thread=not threads)
                try:
                    _prepare(connection, path)
                    return cls(connection, data_dir)
                except BaseException:
                    connection.close()
                    raise
            except BaseException:
                _closed(path)
                raise

    def close(self) -> None:
        if not self._is_closed:
            self._is_closed = True
            self._db.close()
            _closed(self._path)

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # jobs

    def create_job(self, work_order: str, units: str = "us") -> Job:
        work_order = " ".join(work_order.split())
        if not work_order or len(work_order) > _WORK_ORDER_LENGTH or not work_order.isprintable():
            raise HoodnoteError(f"a work order is 1 to {_WORK_ORDER_LENGTH} printable characters, as on the order itself")
        if units not in ("us", "metric"):
            raise HoodnoteError(f"units are us or metric, not {units}")
        try:
            self._add("jobs", {"work_order": work_order, "opened_at": now(), "units": units})
        except sqlite3.IntegrityError as error:
            raise HoodnoteError(f"job {work_order} exists already; open another, or see it with: hoodnote job show {work_order}") from error
        return self.job(work_order)

    def job(self, work_order: str) -> Job:
        """Capitals do not matter. Raises HoodnoteError with the closest known work orders."""
        work_order = " ".join(work_order.split())
        rows = self._rows("SELECT * FROM jobs WHERE work_order = ?", work_order)
        if rows:
            return job_of(rows[0])
        raise HoodnoteError(f"there is no job {work_order}; {self._closest(work_order)}")

    def job_by_id(self, job_id: int) -> Job:
        rows = self._rows("SELECT * FROM jobs WHERE id = ?", job_id)
        if not rows:
            raise HoodnoteError(f"there is no job with the number {job_id}; look for it in the list of jobs")
        return job_of(rows[0])

    def jobs(self) -> list[Job]:
        """Oldest first."""
        return [job_of(row) for row in self._rows("SELECT * FROM jobs ORDER BY id")]

    def _closest(self, work_order: str) -> str:
        known = [job.work_order for job in self.jobs()]
        if not known:
            return "open it with: hoodnote job new WORK_ORDER"
        from rapidfuzz import process, utils

        close = process.extract(work_order, known, processor=utils.default_process, limit=3, score_cutoff=60)
        if close:
            return f"did you mean {' or '.join(name for name, _, _ in close)}?"
        return "hoodnote job list shows all"

    # what came in

    def keep_file(self, path: Path) -> KeptFile:
        return self._media.keep_file(path)

    def keep_bytes(self, data: bytes, suffix: str) -> KeptFile:
        return self._media.keep_bytes(data, suffix)

    def arriving(self) -> AbstractContextManager[Path]:
        """A folder for a file that is still on its way here."""
        return self._media.arriving()

    def sweep(self) -> int:
        """Removes files that a crash left half arrived; returns how many."""
        return self._media.sweep()

    @property
    def folder(self) -> Path:
        """The data directory: the shop's own files lie beside the database."""
        return self._path.parent

    def media_path(self, sha256: str) -> Path:
        return self._media.path(sha256)

    def media_intact(self, sha256: str) -> bool:
        """Is the kept file there, byte for byte?"""
        return self._media.intact(sha256)

    def add_capture(
        self, job: Job, medium: str, *, sha256: str | None = None, text: str | None = None, original_name: str | None = None,
        delivery: str | None = None, told: dict[str, Any] | None = None,
    ) -> Capture:
        """Committed on return: from here on nothing is lost.

        `delivery`: the sender's name for it, 8 to 64 characters. When it came before, nothing is added and the capture it made then is
        returned; HoodnoteError when that was of another job or had another content. `told`: what the sender said of it.
        """
        if original_name is not None:   # a name may hold bytes that are no text
            original_name = original_name.encode("utf-8", "backslashreplace").decode()
        row = {
            "job_id": job.id, "medium": medium, "sha256": sha256, "text": text,
            "original_name": original_name, "captured_at": now(),
        }
        with self.together():
            if delivery is not None and (earlier := self.delivered(delivery)) is not None:
                return same_delivery(earlier, row)
            capture = capture_of({"id": self._add("captures", row), **row})
            if delivery is not None:
                self._add_delivery(capture, delivery, told or {})
            return capture

    def captures(self, job: Job) -> list[Capture]:
        return [capture_of(row) for row in self._rows("SELECT * FROM captures WHERE job_id = ? ORDER BY id", job.id)]

    def add_account(
        self, capture: Capture, reader: str, rank: int, text: str, confidence: float | None, detail: dict[str, Any] | None = None
    ) -> None:
        self._add("accounts", {
            "capture_id": capture.id, "reader": reader, "rank": rank, "text": text, "confidence": confidence,
            "detail": None if detail is None else dump(detail), "recorded_at": now(),
        })

    def accounts(self, capture_id: int) -> list[Account]:
        rows = self._rows("SELECT * FROM accounts WHERE capture_id = ? ORDER BY id", capture_id)
        return [
            Account(**{
                **row,
                "detail": None if row["detail"] is None else json.loads(row["detail"]),
                "recorded_at": datetime.fromisoformat(row["recorded_at"]),
            })
            for row in rows
        ]

    def finish(self, capture: Capture, state: str, message: str = "") -> None:
        """Notes that a capture was handled: "done", or "failed" with what was wrong with it."""
        self._add("outcomes", {"capture_id": capture.id, "state": state, "message": message, "recorded_at": now()})

    def pending(self, job: Job) -> list[Capture]:
        """Captures that a crash or a power cut left unhandled, oldest first."""
        rows = self._rows(
            "SELECT * FROM captures WHERE job_id = ? AND id NOT IN (SELECT capture_id FROM outcomes) ORDER BY id", job.id
        )
        return [capture_of(row) for row in rows]

    def failures(self, job: Job) -> list[tuple[Capture, str]]:
        """Captures whose last outcome is a failure, with its message."""
        rows = self._rows(
            "SELECT c.*, o.message FROM captures c JOIN outcomes o ON o.capture_id = c.id "
            "WHERE c.job_id = ? AND o.state = 'failed' "
            "AND o.id = (SELECT max(id) FROM outcomes WHERE capture_id = c.id) ORDER BY c.id",
            job.id,
        )
        return [(capture_of(row), message) for row in rows for message in [row.pop("message")]]

    # what was made of it

    def add_entry(self, job: Job, entry: Entry, capture: Capture | None) -> Entry:
        """Returns the entry with its id and its time. ValueError for an entry that has an id already."""
        if entry.id is not None:
            raise ValueError(f"entry {entry.id} is recorded already")
        recorded_at = now()
        row = {"job_id": job.id, "capture_id": None if capture is None else capture.id, **entry_row(entry), "recorded_at": recorded_at}
        return replace(entry, id=self._add("entries", row), recorded_at=datetime.fromisoformat(recorded_at))

    def entries(self, job: Job) -> list[Entry]:
        """Everything, in the order it was recorded, superseded included."""
        return [entry_from_row(row) for row in self._rows("SELECT * FROM entries WHERE job_id = ? ORDER BY id", job.id)]

    def add_warning(self, job: Job, warning: Warning, entry_id: int | None = None) -> None:
        self._add("warnings", {
            "job_id": job.id, "entry_id": entry_id, "warning": warning.id, "text": warning.text,
            "basis": dump(list(warning.basis)), "source": warning.source, "shown_at": now(),
        })

    def warnings(self, job: Job) -> list[ShownWarning]:
        return [
            ShownWarning(
                row["id"],
                Warning(row["warning"], row["text"], tuple(json.loads(row["basis"])), row["source"]),
                row["entry_id"],
                datetime.fromisoformat(row["shown_at"]),
            )
            for row in self._rows("SELECT * FROM warnings WHERE job_id = ? ORDER BY id", job.id)
        ]

    # looking for words

    def search(self, words: str) -> list[Found]:
        """Free notes, complaints and other facts, typed and heard texts of all jobs that hold all the words; the best match first.

        A text that was typed for a fact, or heard alike by two listeners, comes once.
        """
        plain = " ".join(re.findall(r"\w+", words))     # signs mean nothing here, to the search engine they are an expression
        if not plain:
            return []
        rows = self._rows(
            "SELECT j.work_order, s.kind, s.text, c.original_name, s.said_at, s.capture_id FROM searchable s JOIN jobs j ON j.id = s.job_id "
            "LEFT JOIN captures c ON c.id = s.capture_id WHERE searchable MATCH ? ORDER BY rank, s.rowid", self._db.quote_fts(plain))
        made_of = {row["capture_id"] for row in rows if row["kind"] not in ("typed", "heard", "label")}
        seen: set[tuple[int, str]] = set()
        found = []
        for row in rows:
            capture, repeats = row.pop("capture_id"), row["kind"] in ("typed", "heard")
            key = (capture, row["text"].casefold())
            if key not in seen and not (repeats and capture in made_of):
                seen.add(key)
                found.append(Found(**{**row, "said_at": datetime.fromisoformat(row["said_at"])}))
        return found

    # the database

    @contextmanager
    def together(self) -> Iterator[None]:
        """What is added inside is kept whole or, after an error or a crash, not at all; may be nested."""
        with told_plainly(self._path), _writing(self._connection):
            yield

    def _add(self, table: str, row: dict[str, Any]) -> int:
        """One row; durable on return unless inside `together`."""
        with told_plainly(self._path), _writing(self._connection):
            return self._db[table].insert(row).last_pk

    def _rows(self, sql: str, *parameters: Any) -> list[dict[str, Any]]:
        with told_plainly(self._path):
            return list(self._db.query(sql, parameters))


@contextmanager
def _writing(connection: sqlite3.Connection) -> Iterator[None]:
    """The write lock from the start, so a second process waits its turn instead of being refused half-way."""
    if connection.in_transaction:   # inside `together`, which commits or rolls back
        yield
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _closed(path: Path) -> None:
    with _opening:
        _open[path] -= 1


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")   # durable when `add_capture` returns, power cut or not
    if connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
        raise HoodnoteError(f"{path} is damaged; put a backup copy in its place, the kept clips and photos are untouched")
    migrate(connection, path)
    _use_write_ahead_log(connection)


def _use_write_ahead_log(connection: sqlite3.Connection) -> None:
    """SQLite does not wait for the lock that this change of mode needs, so two first runs at once must try again."""
    give_up = time.monotonic() + _WAIT_S
    while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return   # a network file system may keep the old mode, which is safe as well
        except sqlite3.OperationalError as error:
            if (error.sqlite_errorcode & 0xFF) not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED) or time.monotonic() > give_up:
                raise
            time.sleep(0.05)
