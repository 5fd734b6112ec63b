"""Typed text and facts: the same grammar and parser as speech, confirmed because a person typed it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from hoodnote.errors import HoodnoteError
from hoodnote.intake.record import Taken, handled_already, record
from hoodnote.readings.agreement import Settled
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Answer, Statement
from hoodnote.statements.typed import parse_text

if TYPE_CHECKING:
    from hoodnote.jobs.store import Capture, Job, Store


def type_text(store: Store, job: Job, text: str, delivery: str | None = None) -> Taken:
    """`delivery`: the sender's name for it, as in `Store.add_capture`; ask `Store.delivered` first.

    Raises HoodnoteError when the text is not in the language; then nothing is stored.
    """
    statements = parse_text(text, job.units)
    if any(isinstance(s, Answer) for s in statements):
        raise HoodnoteError(f'"{text.strip()}" is a figure alone; write what it was read at, or answer a question with: hoodnote answer')
    return _take(store, job, store.add_capture(job, "typed", text=text, delivery=delivery), statements)


def state(store: Store, job: Job, statements: Sequence[Statement], text: str) -> Taken:
    """Statements a person made by hand."""
    return _take(store, job, store.add_capture(job, "typed", text=text), statements)


def retype(store: Store, job: Job, capture: Capture) -> Taken:
    """Handle typed text that was kept, but not handled. Raises HoodnoteError when it is not in the language."""
    return _take(store, job, capture, parse_text(capture.text or "", job.units))


def _take(store: Store, job: Job, capture: Capture, statements: Sequence[Statement]) -> Taken:
    settled = [Settled(s, Standing.CONFIRMED, None, (Version("typed", capture.text or "", s),), None) for s in statements]
    with store.together():
        if not store.is_pending(capture):
            return handled_already(capture)
        entries, warnings = record(store, job, capture, settled, ("typed",))
        store.finish(capture, "done")
    return Taken(capture, entries, warnings)
