"""A settled entry is corrected or dropped by hand: exactly the one that the person had before them, or nothing at all."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hoodnote import checks
from hoodnote.checks.equipment import shop_equipment
from hoodnote.errors import HoodnoteError
from hoodnote.intake.record import Taken, warn
from hoodnote.readings.model import Entry, Origin, Standing, Timeline, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Answer, Control, FreeNote, Plan, Statement, uncorrected
from hoodnote.statements.typed import parse_text

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job, Store


class NoLongerStands(HoodnoteError):
    """Somebody else replaced or dropped the entry first. `now` are the entries in its place, none when it was dropped."""

    def __init__(self, entry: Entry, now: tuple[Entry, ...]):
        self.entry, self.now = entry, now
        held = " and ".join(describe(e.statement) for e in now)
        super().__init__(f"entry {entry.id} was {f'replaced by: {held}' if now else 'taken back'}; nothing of yours was recorded")


class NeedsAsking(HoodnoteError):
    """The new figure cannot be, or is unusual; it is taken only when the person says so once more."""


def standing(store: Store, job: Job, entry_id: int) -> Entry:
    """The entry as long as it stands. Raises NoLongerStands, or HoodnoteError when the job has no such entry."""
    return _standing(build(store.entries(job)), job, entry_id)


def correct(store: Store, job: Job, entry_id: int, text: str, sure: bool = False) -> Taken:
    """One typed statement in the place of a settled entry. `sure`: the person was asked about this very text and keeps to it.

    Raises NoLongerStands, NeedsAsking, or HoodnoteError when the text is not one statement; then nothing is stored.
    """
    with store.together():
        before = build(store.entries(job))
        old = _standing(before, job, entry_id)
        statement = _one_statement(old, text, job.units)
        equipment = shop_equipment(store.folder)
        reason = None if sure else checks.implausible(statement, _until(before, old), job.units, equipment)
        if reason is not None:
            raise NeedsAsking(f"{describe(statement)}? {reason}")
        return _replace(store, job, old, statement, text, before)


def drop(store: Store, job: Job, entry_id: int) -> Taken:
    """Takes back a settled entry, a free note or a plan; it stays on record. Raises as `correct`."""
    with store.together():
        before = build(store.entries(job))
        return _replace(store, job, _standing(before, job, entry_id), Control("withdraw"), "dropped", before)


def _replace(store: Store, job: Job, old: Entry, statement: Statement, text: str, before: Timeline) -> Taken:
    if old.standing is Standing.UNCONFIRMED:
        raise HoodnoteError(f"entry {old.id} is a question; answer it")
    capture = store.add_capture(job, "typed", text=text)
    origin = Origin("typed", capture.id, old.origin.sha256, old.origin.original_name, old.origin.region, ("typed",), old.origin.crop_sha256)
    entry = store.add_entry(job, Entry(statement, Standing.CONFIRMED, origin, versions=(Version("typed", text, statement),), supersedes=old.id), capture)
    warnings = warn(store, job, [entry], [statement], before, shop_equipment(store.folder))
    store.finish(capture, "done")
    return Taken(capture, (entry,), tuple(warnings))


def _standing(timeline: Timeline, job: Job, entry_id: int) -> Entry:
    now = {e.id: e for e in (*(x.entry for x in timeline.live), *timeline.free_notes, *timeline.plans)}
    if entry_id in now:
        return now[entry_id]
    known = {e.id: e for e in timeline.entries}
    if entry_id not in known:
        raise HoodnoteError(f"job {job.work_order} has no entry {entry_id}")
    later = [known[entry_id]]
    for e in timeline.entries:            # in the order of the record, so a chain is followed to its end
        if any(e.supersedes == x.id for x in later):
            later.append(e)
    raise NoLongerStands(known[entry_id], tuple(e for e in later if e.id in now))


def _one_statement(old: Entry, text: str, units: str) -> Statement:
    if isinstance(old.statement, (FreeNote, Plan)):
        raise HoodnoteError("what was said freely or only announced is no figure to correct; drop it, or add a line to the note")
    found = [uncorrected(s) for s in parse_text(text, units)]
    if len(found) != 1:
        raise HoodnoteError("write one statement to stand in its place")
    if isinstance(found[0], Answer):
        raise HoodnoteError(f'"{text.strip()}" is a figure alone; write what it was read at as well')
    if isinstance(found[0], (Control, Plan)):
        raise HoodnoteError(f'"{text.strip()}" is no statement of the job; use the buttons to confirm or drop')
    if found[0] == uncorrected(old.statement):
        raise HoodnoteError("that is what stands already; confirm it instead")
    return found[0]


def _until(timeline: Timeline, old: Entry) -> Timeline:
    """The record when the entry was made: a correction keeps its place."""
    order = next((x.order for x in timeline.live if x.entry.id == old.id), None)
    return timeline if order is None else replace(timeline, live=tuple(x for x in timeline.live if x.order < order))
