"""Who confirmed, corrected or dropped an entry, and who signed the note, in the note's words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from hoodnote.note import words
from hoodnote.note.model import Field
from hoodnote.readings.model import Timeline

if TYPE_CHECKING:
    from hoodnote.jobs.records import Act, Job

SIGNED = "signed"            # what an act of signing is called


def by_entry(job: Job, acts: Sequence[Act]) -> dict[int, str]:
    """ "confirmed by A. Example, 14:03" by the id of the entry."""
    found: dict[int, list[str]] = {}
    for act in acts:
        if act.entry_id is not None and act.what != SIGNED:
            found.setdefault(act.entry_id, []).append(f"{act.what} by {_who(act)}, {words.clock(act.done_at, job.opened_at)}")
    return {entry: "; ".join(told) for entry, told in found.items()}


def signature(job: Job, timeline: Timeline, acts: Sequence[Act]) -> tuple[Field, ...]:
    """One line once the note was signed; what came after the last signature is named."""
    last = next((a for a in reversed(acts) if a.what == SIGNED), None)
    if last is None:
        return ()
    text = f"by {_who(last)} ({last.role}), {words.clock(last.done_at, job.opened_at)}"
    later = changed_since(timeline, last)
    if later:
        text += f"; changed since: {'entry' if len(later) == 1 else 'entries'} {', '.join(map(str, later))}"
    return (Field("Signed off", text),)


def changed_since(timeline: Timeline, signed: Act) -> tuple[int, ...]:
    """Entries that came after those the signature covers."""
    return tuple(words.entry_id(e) for e in timeline.entries if words.entry_id(e) > (signed.entry_id or 0))


def _who(act: Act) -> str:
    return " ".join(act.person.split())
