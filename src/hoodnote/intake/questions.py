"""Open questions: a person keeps one version, gives another, or drops it. The answer supersedes; the question stays on record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hoodnote.checks.equipment import shop_equipment
from hoodnote.errors import HoodnoteError
from hoodnote.intake.record import Taken, choices, picked, version_of, warn
from hoodnote.readings.model import Entry, Origin, Standing, Timeline, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Answer, Control, Statement
from hoodnote.statements.typed import parse_text

if TYPE_CHECKING:
    from hoodnote.jobs.store import Capture, Job, Store


def answer(store: Store, job: Job, entry_id: int, text: str | None = None, keep: int | None = None, drop: bool = False) -> Taken:
    """`keep` counts the question's versions from 1. Exactly one of `text`, `keep`, `drop` is given.

    Raises HoodnoteError when there is no such open question or the answer is not sayable.
    """
    before = build(store.entries(job))
    question = _open_question(before, job, entry_id)
    statements, words = _chosen(question, job, text, keep, drop)
    with store.together():
        capture = store.add_capture(job, "typed", text=words)
        origin = Origin("typed", capture.id, question.origin.sha256, question.origin.original_name, question.origin.region,
                        ("typed",), question.origin.crop_sha256)
        entries = [
            store.add_entry(job, Entry(s, Standing.CONFIRMED, origin, versions=(Version("typed", words, s),), supersedes=question.id), capture)
            for s in statements]
        if keep is not None and statements == [Control("withdraw")]:
            entries += _withdraw_before(store, job, question, origin, capture)
        known = choices(question)            # what they make dangerous was told with the question
        warnings = warn(store, job, entries, [s for s in statements if s not in known], before, shop_equipment(store.folder))
        store.finish(capture, "done")
    return Taken(capture, tuple(entries), tuple(warnings))


def _withdraw_before(store: Store, job: Job, question: Entry, origin: Origin, capture: Capture) -> list[Entry]:
    """The question was whether something had been taken back, and it was: what stood just before it goes."""
    timeline = build(store.entries(job))
    earlier = [e.id for e in (*(x.entry for x in timeline.live), *timeline.free_notes) if e.id < question.id]
    if not earlier:
        return []
    return [store.add_entry(job, Entry(Control("withdraw"), Standing.CONFIRMED, origin, supersedes=max(earlier)), capture)]


def _open_question(timeline: Timeline, job: Job, entry_id: int) -> Entry:
    open_now = {x.entry.id: x.entry for x in timeline.questions}
    if entry_id not in open_now:
        known = ", ".join(str(i) for i in sorted(open_now)) or "none"
        raise HoodnoteError(f"job {job.work_order} has no open question {entry_id}; open now: {known}")
    return open_now[entry_id]


def _chosen(question: Entry, job: Job, text: str | None, keep: int | None, drop: bool) -> tuple[list[Statement], str]:
    if drop:
        return [Control("withdraw")], "dropped"
    if keep is not None:
        chosen = version_of(question, keep - 1)
        if chosen is None:
            raise HoodnoteError(f"question {question.id} has no version {keep}; see 'hoodnote ask'")
        return [chosen], describe(chosen)
    if not text:
        raise HoodnoteError("give an answer: the words in quotes, --keep N for one of the versions, or --drop")
    statements = [picked(question, s) if isinstance(s, Answer) else s for s in parse_text(text, job.units)]
    if None in statements:
        raise HoodnoteError(f'no single version of question {question.id} has the figure "{text.strip()}"; write the whole statement')
    return statements, text
