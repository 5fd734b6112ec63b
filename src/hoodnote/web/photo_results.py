"""What a photo came to, as the pages show it: from the record alone, so that it is the same after a crash and on another phone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from hoodnote.note.words import question_text
from hoodnote.readings.model import Entry, Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe

if TYPE_CHECKING:
    from hoodnote.jobs.store import Account, Capture, Job, Store


@dataclass(frozen=True)
class PhotoResult:
    """`state` is "waiting", "failed" or "done"; `again` says why the photo should be taken again."""

    id: int
    name: str
    came_at: datetime                  # UTC
    state: str
    shows: str | None                  # "label", "dial", "display", "VIN"
    picture: str                       # SHA-256 of the photo with what was read drawn in, else of the photo itself
    taken: tuple[str, ...]             # what stands now
    asked: tuple[str, ...]             # open questions
    warnings: tuple[str, ...]          # what is dangerous
    remarks: tuple[str, ...]
    again: str | None


def results_of(store: Store, job: Job, captures: Iterable[Capture]) -> list[PhotoResult]:
    # first: what is recorded meanwhile is then shown as still waiting, never as done without its figures
    outcomes = [(capture, store.outcome(capture)) for capture in captures]
    timeline = build(store.entries(job))
    live = {x.entry.id for x in timeline.live}
    told = [(w.entry_id, w.warning.text) for w in store.warnings(job)]
    return [_result(store, capture, outcome, live, told) for capture, outcome in outcomes]


def _result(store: Store, capture: Capture, outcome: tuple[str, str] | None, live: set[int],
            told: Sequence[tuple[int | None, str]]) -> PhotoResult:
    entries, accounts = store.entries_of(capture), store.accounts(capture.id)
    details = [a.detail for a in accounts if a.detail]
    shows = next((d["kind"] for d in details), None)
    own = {e.id for e in entries}
    return PhotoResult(
        capture.id, capture.original_name or f"photo {capture.id}", capture.captured_at,
        "waiting" if outcome is None else outcome[0],
        None if shows == "none" else shows,
        next((d["picture"] for d in details if d.get("picture")), None) or capture.sha256,
        tuple(f"{describe(e.statement)} ({e.standing.value})" for e in entries if e.id in live and e.standing is not Standing.UNCONFIRMED),
        tuple(question_text(e) for e in entries if e.id in live and _is_asked(e)),
        tuple(dict.fromkeys(text for entry_id, text in told if entry_id in own)),
        _remarks(accounts),
        outcome[1] if outcome is not None and outcome[0] == "failed" else _again(capture, entries, outcome is not None),
    )


def _is_asked(entry: Entry) -> bool:
    return entry.standing is Standing.UNCONFIRMED and entry.statement is not None


def _remarks(accounts: Sequence[Account]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(r for a in accounts if a.detail for r in (*a.detail.get("remarks", ()), *a.detail["warnings"])))


def _again(capture: Capture, entries: Sequence[Entry], handled: bool) -> str | None:
    """The reader's reason, without the photo's name before it; a reason of our own where it read nothing and gave none."""
    for entry in entries:
        if entry.statement is None and entry.question:
            return entry.question.removeprefix(f"photo {capture.original_name or capture.id}: ")
    return "nothing could be read in it; take it again closer and sharper" if handled and not entries else None
