"""Brings a record written by an earlier hoodnote up to this one: a backup copy first, then all steps or none."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from hoodnote.errors import HoodnoteError
from hoodnote.jobs.schema import APPLICATION_ID, add_what_is_sent, create_first_tables, make_searchable

Step = Callable[[sqlite3.Connection], None]
# step i leads from version i to version i + 1; append, never edit
STEPS: tuple[Step, ...] = (create_first_tables, make_searchable, add_what_is_sent)

_FOREIGN = "{path} belongs to another program; name another directory with --data"
_MAGIC = b"SQLite format 3\x00"


def refuse_foreign(path: Path, steps: tuple[Step, ...] = STEPS) -> None:
    """Reads the header alone, so a file that is not ours, or newer, is not touched at all (SQLite file format, section 1.3)."""
    try:
        with path.open("rb") as file:
            header = file.read(100)
    except FileNotFoundError:
        return
    if not header:
        return   # created by a run that was cut off before it wrote anything
    if len(header) < 100 or not header.startswith(_MAGIC):
        raise HoodnoteError(f"{path} is damaged or no job record; put a backup copy in its place, the kept clips and photos are untouched")
    _refuse(path, int.from_bytes(header[60:64]), int.from_bytes(header[68:72]), steps)


def _refuse(path: Path, version: int, application: int, steps: tuple[Step, ...]) -> None:
    if version and application != APPLICATION_ID:
        raise HoodnoteError(_FOREIGN.format(path=path))
    if version > len(steps):
        raise HoodnoteError(f"{path} was written by a newer hoodnote (version {version}, this one knows {len(steps)}); update hoodnote")


def _version(connection: sqlite3.Connection) -> int:
    return connection.execute("PRAGMA user_version").fetchone()[0]


def migrate(connection: sqlite3.Connection, path: Path, steps: tuple[Step, ...] = STEPS) -> Path | None:
    """Applies the missing steps in one transaction; returns the backup copy, if one was needed.

    The connection must be in autocommit mode. Raises HoodnoteError when the file is newer; whatever a step
    raises is raised after everything has been rolled back.
    """
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    _refuse(path, _version(connection), application, steps)
    if _version(connection) == len(steps):
        return None
    backup = _back_up(connection, path) if _version(connection) else None
    connection.execute("BEGIN IMMEDIATE")
    try:
        current = _version(connection)   # again: another process may have migrated while this one waited for the lock
        if current == 0 and connection.execute("SELECT 1 FROM sqlite_master").fetchone():
            raise HoodnoteError(_FOREIGN.format(path=path))
        for number in range(current, len(steps)):
            steps[number](connection)
            connection.execute(f"PRAGMA user_version = {number + 1}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")   # the version must be in the file's header, not only in its log
    return backup


def _back_up(connection: sqlite3.Connection, path: Path) -> Path:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    backup = path.with_name(f"{path.stem}-version{_version(connection)}-{stamp}{path.suffix}")
    copy = sqlite3.connect(backup)
    try:
        connection.backup(copy)
        if copy.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise HoodnoteError(f"the backup {backup} cannot be read back; the record was left as it was, check the disk")
    except BaseException:
        copy.close()
        backup.unlink(missing_ok=True)
        raise
    copy.close()
    return backup
