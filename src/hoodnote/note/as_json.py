"""JSON after note.schema.json: the whole tree but the pictures, which their SHA-256 names."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import cache
from importlib.resources import files
from typing import Any

from hoodnote.note.model import Note

FORMAT = "hoodnote note 2"


def render(note: Note) -> str:
    return json.dumps(as_data(note), ensure_ascii=False, indent=2) + "\n"


def as_data(note: Note) -> dict[str, Any]:
    data = {"format": FORMAT, **asdict(note)}
    for part in (*data["questions"], *data["sources"]):
        del part["crop"]
    for photo in data["photos"]:
        del photo["image"]
    for plot in data["plots"]:
        del plot["svg"]
    return data


@cache
def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) that every JSON note follows."""
    return json.loads(files("hoodnote.note").joinpath("note.schema.json").read_text(encoding="utf-8"))
