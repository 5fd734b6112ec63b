"""The demo's job as data: sample_media/job.toml says which facts are typed and which recordings and photos come in, in order."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from hoodnote.errors import HoodnoteError


@dataclass(frozen=True)
class Item:
    """One capture. `said` is what the synthetic voice was given, shown beside what was heard; no engine ever sees it."""

    kind: str                  # "clip", "photo" or "typed"
    path: Path | None
    said: str


@dataclass(frozen=True)
class Script:
    work_order: str
    units: str
    typed: tuple[str, ...]                 # sentences of the language
    facts: tuple[tuple[str, str], ...]     # key of vocabulary.FACTS, text
    items: tuple[Item, ...]


def read_script(folder: Path) -> Script:
    """Raises HoodnoteError when the file or something it names is missing."""
    try:
        data = tomllib.loads((folder / "job.toml").read_text("utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as problem:
        raise HoodnoteError(f"the sample job cannot be read ({problem}); install hoodnote again") from problem
    items = tuple(_item(folder, entry) for entry in data["capture"])
    return Script(data["work_order"], data["units"], tuple(data.get("typed", ())), tuple(data["facts"].items()), items)


def _item(folder: Path, entry: dict[str, str]) -> Item:
    for kind in ("clip", "photo"):
        if kind in entry:
            path = folder / entry[kind]
            if not path.is_file():
                raise HoodnoteError(f"the sample {entry[kind]} is missing; install hoodnote again")
            return Item(kind, path, entry.get("said", ""))
    return Item("typed", None, entry["typed"])
