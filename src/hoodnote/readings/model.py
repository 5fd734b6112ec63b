"""A statement with its history: where it came from, how sure we are, and whether a person confirmed it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from hoodnote.statements.model import FreeNote, Plan, Statement


class Standing(StrEnum):
    AGREED = "agreed"              # two independent listeners or readers gave the same figure
    CONFIRMED = "confirmed"        # a person said so, or typed it
    UNCONFIRMED = "unconfirmed"    # they differ, only one heard it, or it cannot be: it is a question


class Stage(StrEnum):
    BEFORE = "before"
    DURING = "during"
    AFTER = "after"


@dataclass(frozen=True)
class Origin:
    """Where a figure came from. `region` is seconds (start, end) of a clip or pixels (left, top, right, bottom) of a photo."""

    medium: str                                   # "clip", "photo", "typed"
    capture_id: int | None = None
    sha256: str | None = None
    original_name: str | None = None
    region: tuple[float, ...] | None = None
    readers: tuple[str, ...] = ()                 # engines or readers behind it, e.g. ("neural", "pocketsphinx")
    crop_sha256: str | None = None                # the piece of a photo the figure was read from, kept beside it
    taken_at: str | None = None                   # ISO 8601, by the camera's clock where it is believed
    warned: int | None = None                     # spoken before a screen: id of the last warning that it showed by then, 0 for none


@dataclass(frozen=True)
class Version:
    """One reader's account, kept when accounts differ."""

    reader: str
    text: str                                     # words or label text as that reader gave them
    statement: Statement | None
    confidence: float | None = None


@dataclass(frozen=True)
class Entry:
    """One line of a job's record. Never changed: a later entry names it in `supersedes`."""

    statement: Statement | None                   # None: nothing could be made of the capture
    standing: Standing
    origin: Origin
    confidence: float | None = None               # probability-like, 0 to 1; None when typed
    versions: tuple[Version, ...] = ()
    supersedes: int | None = None
    question: str | None = None                   # one line, when a person must decide
    id: int | None = None                         # set by the store
    recorded_at: datetime | None = None           # set by the store, UTC


@dataclass(frozen=True)
class Live:
    """An entry that stands (not superseded, not withdrawn) with the state of the job it was made in."""

    entry: Entry
    stage: Stage
    engine: str | None                            # "off", "running" or None when nobody said
    order: int                                    # position in the record

    @property
    def usable(self) -> bool:
        """May a check take it as true?"""
        return self.entry.standing is not Standing.UNCONFIRMED and self.entry.statement is not None


@dataclass(frozen=True)
class Timeline:
    """The record of a job as it stands now. Free notes and plans stand beside it: they are never live."""

    live: tuple[Live, ...]
    entries: tuple[Entry, ...] = field(default=())     # everything, superseded included

    @property
    def questions(self) -> tuple[Live, ...]:
        return tuple(x for x in self.live if not x.usable)

    @property
    def free_notes(self) -> tuple[Entry, ...]:
        """Those that were not taken back, in the order they were recorded."""
        return self._beside(FreeNote)

    @property
    def plans(self) -> tuple[Entry, ...]:
        """Steps that were announced. A plan that may have been something else is a question instead."""
        return self._beside(Plan)

    def _beside(self, kind: type) -> tuple[Entry, ...]:
        not_here = {e.supersedes for e in self.entries} | {x.entry.id for x in self.live}
        return tuple(e for e in self.entries if isinstance(e.statement, kind) and e.id not in not_here)
