"""What goes wrong with a disk or a database file, said in one line with what to do about it."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hoodnote.errors import HoodnoteError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_DENIED = {errno.EACCES, errno.EPERM, errno.EROFS}


def from_os(error: OSError, what: str | Path) -> HoodnoteError:
    """`what`: the file or directory that was wanted, used when the error itself names none."""
    name = error.filename if error.filename is not None else what
    if error.errno in _FULL:
        return HoodnoteError(f"no room left to write {name}; free some space and do it again, what was recorded before is kept")
    if error.errno in _DENIED:
        return HoodnoteError(f"may not read or write {name}; allow it, or name another place (for the records with --data)")
    if error.errno == errno.ENOTDIR:
        return HoodnoteError(f"a part of {name} is a file, not a directory; name another place (for the records with --data)")
    if error.errno == errno.EISDIR:
        return HoodnoteError(f"{name} is a directory; name a file")
    if error.errno == errno.ENOENT:
        return HoodnoteError(f"there is no {name}; check the name")
    return HoodnoteError(f"{name}: {error.strerror or error}; nothing was changed, put that right and do it again")


def from_sqlite(error: sqlite3.Error, path: Path) -> HoodnoteError:
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    match code:
        case sqlite3.SQLITE_FULL | sqlite3.SQLITE_IOERR:
            return HoodnoteError(f"no room left for {path}, or the disk fails; free some space and do it again, what was recorded before is kept")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return HoodnoteError(f"may not write {path}; allow writing to its directory, or name another with --data")
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return HoodnoteError(f"another program holds {path}; close it and do this again")
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return HoodnoteError(f"{path} is damaged; put a backup copy in its place, the kept clips and photos are untouched")
    return HoodnoteError(f"{path}: {error}; nothing was changed")


@contextmanager
def told_plainly(path: Path) -> Iterator[None]:
    """Turns what SQLite or the disk reports about the database `path` into a HoodnoteError.

    IntegrityError is let through: a name that is taken, or a mistake of ours, which must not be blamed on the disk.
    """
    try:
        yield
    except sqlite3.IntegrityError:
        raise
    except sqlite3.Error as error:
        raise from_sqlite(error, path) from error
    except OSError as error:
        raise from_os(error, path) from error
