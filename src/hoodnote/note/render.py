"""One note, four formats. None of them decides what is said; they only lay out the tree."""

from __future__ import annotations

from hoodnote.errors import HoodnoteError
from hoodnote.note import as_html, as_json, as_markdown, as_text
from hoodnote.note.model import Note

_FORMATS = {"html": as_html.render, "md": as_markdown.render, "json": as_json.render, "txt": as_text.render}
FORMATS = tuple(_FORMATS)


def render(note: Note, format: str) -> str:
    """`format` is one of FORMATS. Raises HoodnoteError for another."""
    if format not in _FORMATS:
        raise HoodnoteError(f"there is no note format {format!r}; use one of {', '.join(FORMATS)}")
    return _FORMATS[format](note)
