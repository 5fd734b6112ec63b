"""Clips and photos as they came, kept under the SHA-256 of their content, so a figure can be heard or seen again."""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from hoodnote.errors import HoodnoteError
from hoodnote.jobs.faults import from_os

_BLOCK = 1 << 20
_INCOMING = "incoming-"
LONGEST_S = 600.0        # without a byte written for so long, nothing is on its way any more


@dataclass(frozen=True)
class KeptFile:
    sha256: str
    path: Path


def digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class Media:
    """The directory of kept files: `ab/abcdef....wav`. A file is there whole or not at all."""

    def __init__(self, root: Path):
        self.root = root

    def keep_file(self, path: Path) -> KeptFile:
        """Copies a file in. Raises HoodnoteError for a missing, empty or special file and when the disk refuses."""
        try:
            with path.open("rb") as source:
                if not stat.S_ISREG(os.fstat(source.fileno()).st_mode):
                    raise HoodnoteError(f"{path} is not a file; name a clip or a photo")
                return self._keep(source, path.suffix, str(path))
        except ValueError as error:   # a NUL in the name
            raise HoodnoteError(f"{path!r} is not a file name; check the name") from error
        except OSError as error:   # names the clip when it cannot be read, else it is our own directory that refuses
            raise from_os(error, self.root) from error

    def keep_bytes(self, data: bytes, suffix: str) -> KeptFile:
        try:
            return self._keep(io.BytesIO(data), suffix, "the recording")
        except OSError as error:
            raise from_os(error, self.root) from error

    @contextmanager
    def arriving(self) -> Iterator[Path]:
        """A folder for what is still on its way here, on the same disk; gone at the end, and after a crash by `sweep`."""
        try:
            self.root.mkdir(parents=True, exist_ok=True, mode=0o700)
            folder = Path(tempfile.mkdtemp(prefix=_INCOMING, dir=self.root))
        except OSError as error:
            raise from_os(error, self.root) from error
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def sweep(self, older_than_s: float = LONGEST_S) -> int:
        """Removes what a crash left half arrived: nothing that was kept, nothing that another process may still be writing. Returns how many."""
        left = [p for p in self.root.glob(f"{_INCOMING}*") if time.time() - _last_written(p) > older_than_s]
        for path in left:
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)
        return len(left)

    def path(self, sha256: str) -> Path:
        """Where the content lies. Raises HoodnoteError when it has been taken away."""
        found = self._find(sha256)
        if found is None:
            raise HoodnoteError(f"the kept file {sha256[:12]} is gone from {self.root}; put it back from a backup")
        return found

    def intact(self, sha256: str) -> bool:
        """Is it there, and still what was kept?"""
        found = self._find(sha256)
        return found is not None and digest(found) == sha256

    def _find(self, sha256: str) -> Path | None:
        if not re.fullmatch(r"[0-9a-f]{64}", sha256):
            raise ValueError(f"not a SHA-256: {sha256!r}")
        return next(iter(sorted((self.root / sha256[:2]).glob(f"{sha256}*"))), None)

    def _keep(self, source: BinaryIO, suffix: str, name: str) -> KeptFile:
        self.root.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle, temporary = tempfile.mkstemp(prefix=_INCOMING, dir=self.root)   # made 0600
        incoming = Path(temporary)
        try:
            sha = hashlib.sha256()
            with os.fdopen(handle, "wb") as target:
                while block := source.read(_BLOCK):
                    sha.update(block)
                    target.write(block)
                target.flush()
                os.fsync(target.fileno())
                if not target.tell():
                    raise HoodnoteError(f"{name} is empty; record or take it again")
            sha256 = sha.hexdigest()
            if self.intact(sha256):
                return KeptFile(sha256, self.path(sha256))
            if digest(incoming) != sha256:
                raise HoodnoteError(f"{name} reads back differently from {self.root}; check the disk")
            place = self._find(sha256) or self.root / sha256[:2] / (sha256 + _plain(suffix))
            place.parent.mkdir(exist_ok=True, mode=0o700)
            os.replace(incoming, place)
            _flush_directory(place.parent)
            return KeptFile(sha256, place)
        finally:
            incoming.unlink(missing_ok=True)


def _last_written(path: Path) -> float:
    times = [path.stat().st_mtime] if path.exists() else []
    return max(times + [p.stat().st_mtime for p in path.glob("*")], default=0.0)


def _plain(suffix: str) -> str:
    letters = re.sub(r"[^a-z0-9]", "", suffix.lower())[:8]
    return f".{letters}" if letters else ""


def _flush_directory(directory: Path) -> None:
    """A rename survives a power cut only once its directory is written; Windows has no such call."""
    if os.name != "posix":
        return
    handle = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
