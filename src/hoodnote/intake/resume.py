"""Captures that were kept but never handled (a crash, a lost battery) are taken up again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from hoodnote.capture.speech.recognizer import Recognizer
from hoodnote.errors import HoodnoteError
from hoodnote.intake.hear import hear_capture
from hoodnote.intake.record import Taken

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job, Store


def resume(store: Store, job: Job, engines: Sequence[Recognizer]) -> Iterator[Taken]:
    """Yields what each pending capture came to. One that cannot be read is marked failed and stays in the record."""
    from hoodnote.capture.audio import load_clip
    from hoodnote.intake.see import see_capture
    from hoodnote.intake.typed import retype

    for capture in store.pending(job):
        try:
            if capture.medium == "clip":
                yield hear_capture(store, job, capture, load_clip(store.media_path(capture.sha256)).samples, engines)
            elif capture.medium == "photo":
                yield see_capture(store, job, capture, store.media_path(capture.sha256))
            else:
                yield retype(store, job, capture)
        except HoodnoteError as problem:
            store.fail(capture, str(problem))
