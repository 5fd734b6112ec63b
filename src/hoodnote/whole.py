"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_whole(path: Path, data: bytes, mode: int = 0o600) -> None:
    """One that was there before stays until the new one is on disk. Raises OSError, which names no temporary file."""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)      # made 0600
    except OSError as error:
        raise OSError(error.errno, error.strerror) from error
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, mode)
        os.replace(temporary, path)
    except OSError as error:
        raise OSError(error.errno, error.strerror) from error
    finally:
        Path(temporary).unlink(missing_ok=True)
