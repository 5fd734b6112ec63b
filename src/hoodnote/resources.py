"""Where the files that travel with the package lie: beside the modules once installed, at the top level in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def folder(name: str) -> Path:
    """Path of "grammars" or "sample_media". Raises FileNotFoundError when the installation lacks it."""
    for candidate in (_PACKAGE / name, _PACKAGE.parent.parent / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"the installation lacks its folder {name}; install hoodnote again")
