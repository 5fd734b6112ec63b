"""What the store gives back: jobs, captures, accounts, warnings shown, who did what."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hoodnote.checks.model import Warning


@dataclass(frozen=True)
class Job:
    id: int
    work_order: str
    opened_at: datetime      # UTC
    units: str               # "us" or "metric": what a figure without a unit is taken in, and what the note prints first


@dataclass(frozen=True)
class Capture:
    """Something heard, seen or typed, as it came."""

    id: int
    job_id: int
    medium: str              # "clip", "photo" or "typed"
    sha256: str | None       # of the kept file; None when typed
    text: str | None         # what was typed
    original_name: str | None
    captured_at: datetime    # UTC


@dataclass(frozen=True)
class Account:
    """What one engine or reader made of a capture; rank 0 is its likeliest."""

    id: int
    capture_id: int
    reader: str
    rank: int
    text: str
    confidence: float | None
    detail: dict[str, Any] | None   # words with times, boxes: whatever the reader can show for it
    recorded_at: datetime


@dataclass(frozen=True)
class ShownWarning:
    id: int
    warning: Warning
    entry_id: int | None
    shown_at: datetime


@dataclass(frozen=True)
class Found:
    """A text of some job that holds the words searched for."""

    work_order: str
    kind: str                # "free note", "typed", "heard", "label", or the key of a fact
    text: str
    original_name: str | None
    said_at: datetime


@dataclass(frozen=True)
class Act:
    """What somebody did in the pages. A sign-off is an act with the last entry that it covers."""

    id: int
    person: str
    role: str
    what: str                # "confirmed", "corrected", "dropped", "signed", "sent"
    entry_id: int | None
    capture_id: int | None
    done_at: datetime        # UTC


def job_of(row: dict[str, Any]) -> Job:
    return Job(row["id"], row["work_order"], datetime.fromisoformat(row["opened_at"]), row["units"])


def capture_of(row: dict[str, Any]) -> Capture:
    return Capture(
        row["id"], row["job_id"], row["medium"], row["sha256"], row["text"], row["original_name"],
        datetime.fromisoformat(row["captured_at"]),
    )
