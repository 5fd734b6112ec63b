"""Where a workshop's records lie on this computer."""

from __future__ import annotations

import os
from pathlib import Path

from hoodnote.errors import HoodnoteError

VARIABLE = "HOODNOTE_DATA"


def data_dir(flag: Path | None = None) -> Path:
    """The data directory, absolute, not created: the flag, else the environment, else the platform's own place."""
    if flag is None:
        named = os.environ.get(VARIABLE, "").strip()
        if named:
            flag = Path(named)
    if flag is None:
        from platformdirs import user_data_dir

        flag = Path(user_data_dir("hoodnote", appauthor=False))
    try:
        return Path(os.path.abspath(flag.expanduser()))
    except RuntimeError as error:
        raise HoodnoteError(f"no home directory to put the records in; name a directory with --data ({error})") from error
