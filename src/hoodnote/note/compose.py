"""The note of a job as its record stands now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hoodnote.checks import assess
from hoodnote.note.build import build_note
from hoodnote.readings.timeline import build

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job, Store
    from hoodnote.note.model import Note


def compose(store: Store, job: Job) -> Note:
    timeline = build(store.entries(job))
    return build_note(job, timeline, assess(timeline, units=job.units), store.warnings(job), store.media_path)
