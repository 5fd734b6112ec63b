"""A recording becomes entries: kept on disk first, heard by two listeners, settled, checked, recorded."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.capture.speech.recognizer import Recognizer
from hoodnote.errors import HoodnoteError
from hoodnote.intake import freenote
from hoodnote.intake.listening import listen
from hoodnote.intake.record import Taken, handled_already, record
from hoodnote.readings.agreement import Account, Settled
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Control

if TYPE_CHECKING:
    import numpy as np

    from hoodnote.intake.listening import Gathered
    from hoodnote.jobs.store import Capture, Job, Store
    from hoodnote.readings.decision import Decision


def hear_clip(store: Store, job: Job, path: Path, engines: Sequence[Recognizer]) -> Taken:
    """Raises HoodnoteError for a file that is no usable recording; then nothing is stored."""
    from hoodnote.capture.audio import load_clip

    samples = load_clip(path).samples
    kept = store.keep_file(path)
    capture = store.add_capture(job, "clip", sha256=kept.sha256, original_name=path.name)
    return hear_capture(store, job, capture, samples, engines)


def hear_capture(store: Store, job: Job, capture: Capture, samples: np.ndarray, engines: Sequence[Recognizer],
                 ask_unheard: bool = True, heard: tuple[Decision, Gathered] | None = None) -> Taken:
    """Hear a clip that is already kept; `samples` is float32 mono at 16 kHz. What another process has recorded of it meanwhile stands alone.

    ask_unheard: make a question of a clip that nobody understood. Not when the speaker is there to say it again.
    heard: what `listen` made of these very samples, where that is known already.
    """
    if not engines:
        raise HoodnoteError("no recognizer is available; run 'hoodnote engines' to see why, the clip is kept for 'hoodnote resume'")
    decision, gathered = heard or listen(engines, samples, job.units)
    accounts = decision.accounts
    if (note := freenote.instead(store, job, capture, samples, engines, accounts, gathered.freely)) is not None:
        return note
    settled = [s for s in decision.settled if not _idle(s)]
    readers = tuple(a.reader for a in accounts)
    with store.together():   # all or nothing, so that a capture taken up again is not recorded twice
        if not store.is_pending(capture):
            return handled_already(capture)
        for name, hypotheses in gathered.heard:
            for rank, h in enumerate(hypotheses):
                store.add_account(capture, name, rank, h.text, h.confidence, {"words": [
                    [w.word, round(w.start_s, 2), round(w.end_s, 2), round(w.confidence, 3)] for w in h.words]})
        entries, warnings = record(store, job, capture, settled, readers)
        if not entries and ask_unheard:
            entries, _ = record(store, job, capture, [_not_understood(accounts, capture)], readers)
        store.finish(capture, "done")
    return Taken(capture, entries, warnings, accounts)


def _idle(item: Settled) -> bool:
    """An unsettled "yes" or "next" is nothing that anybody could answer later; an unsettled "scratch that" is."""
    return item.standing is Standing.UNCONFIRMED and all(
        isinstance(v.statement, Control) and v.statement.action != "withdraw" for v in item.versions)


def _not_understood(accounts: Sequence[Account], capture: Capture) -> Settled:
    return Settled(None, Standing.UNCONFIRMED, None, tuple(Version(a.reader, a.text, None, a.confidence if a.text else None) for a in accounts),
                   f"clip {capture.original_name or capture.id}: nothing was understood; listen to it and type what was said, or say it again")
