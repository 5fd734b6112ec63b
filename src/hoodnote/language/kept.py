"""Forms of the language that take seconds to work out, kept in a folder from one start of the program to the next.

A file is named by a hash of all that its form is made from: the grammars, this package's code, what the shop taught. A file that is
missing or damaged is made again; nothing depends on its being there.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

from hoodnote.resources import folder
from hoodnote.whole import write_whole

_folder: Path | None = None


def keep_in(place: Path | None) -> None:
    """From now on forms are kept in this folder; None, as at the start: nowhere."""
    global _folder
    _folder = place


def kept(name: str, language: object, make: Callable[[], Any]) -> Any:
    """What `make` gives, from the file where it is there: lists, dictionaries with text as keys, texts and numbers.

    language: with the grammars and the code it makes the hash; its `repr` must tell all that distinguishes it.
    """
    if _folder is None:
        return make()
    path = _folder / f"{name}-{hashlib.sha256((_sources() + repr(language)).encode()).hexdigest()[:32]}.json"
    with contextlib.suppress(OSError, ValueError):
        digest, _, text = path.read_text(encoding="utf-8").partition("\n")
        if digest == _digest(text):
            return json.loads(text)
    text = json.dumps(make(), separators=(",", ":"))
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(path, f"{_digest(text)}\n{text}".encode())
        for old in _folder.glob(f"{name}-*.json"):
            if old != path:
                old.unlink(missing_ok=True)
    return json.loads(text)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


@lru_cache(maxsize=1)
def _sources() -> str:
    """Hash of the grammars and of this package's code."""
    found = hashlib.sha256()
    for path in sorted([*folder("grammars").glob("*"), *Path(__file__).parent.glob("*.py")]):
        found.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()
