"""The note of a job as its record stands now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hoodnote.checks import assess
from hoodnote.checks.equipment import USUAL, Equipment
from hoodnote.note.build import build_note
from hoodnote.readings.timeline import build

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job, Store
    from hoodnote.note.model import Note


def compose(store: Store, job: Job, equipment: Equipment = USUAL) -> Note:
    """`equipment`: what the shop measures with, as `checks.equipment.shop_equipment` reads it."""
    timeline = build(store.entries(job))
    return build_note(job, timeline, assess(timeline, equipment, job.units), store.warnings(job), store.media_path, equipment, store.acts(job))
