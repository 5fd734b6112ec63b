"""A recording becomes entries: kept on disk first, heard by two listeners, settled, checked, recorded."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.capture.speech.recognizer import Hypothesis, Recognizer
from hoodnote.errors import HoodnoteError
from hoodnote.intake.record import Taken, record
from hoodnote.readings.agreement import Account, Settled, agree
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Control
from hoodnote.statements.parser import parse_spans

if TYPE_CHECKING:
    import numpy as np

    from hoodnote.jobs.store import Capture, Job, Store


def hear_clip(store: Store, job: Job, path: Path, engines: Sequence[Recognizer]) -> Taken:
    """Raises HoodnoteError for a file that is no usable recording; then nothing is stored."""
    from hoodnote.capture.audio import load_clip

    samples = load_clip(path).samples
    kept = store.keep_file(path)
    capture = store.add_capture(job, "clip", sha256=kept.sha256, original_name=path.name)
    return hear_capture(store, job, capture, samples, engines)


def hear_capture(store: Store, job: Job, capture: Capture, samples: np.ndarray, engines: Sequence[Recognizer]) -> Taken:
    """Hear a clip that is already kept; `samples` is float32 mono at 16 kHz."""
    if not engines:
        raise HoodnoteError("no recognizer is available; run 'hoodnote engines' to see why, the clip is kept for 'hoodnote resume'")
    heard = [(engine.name, engine.recognize(samples)) for engine in engines[:2]]
    accounts = tuple(_account(name, hypotheses[0] if hypotheses else None, job.units) for name, hypotheses in heard)
    settled = [s for s in agree(accounts[0], accounts[1] if len(accounts) > 1 else None) if not _idle(s)]
    settled = settled or [_not_understood(accounts, capture)]
    with store.together():   # all or nothing, so that a capture taken up again is not recorded twice
        for name, hypotheses in heard:
            for rank, h in enumerate(hypotheses):
                store.add_account(capture, name, rank, h.text, h.confidence, {"words": [
                    [w.word, round(w.start_s, 2), round(w.end_s, 2), round(w.confidence, 3)] for w in h.words]})
        entries, warnings = record(store, job, capture, settled, tuple(a.reader for a in accounts))
        store.finish(capture, "done")
    return Taken(capture, entries, warnings, accounts)


def _account(reader: str, best: Hypothesis | None, units: str) -> Account:
    if best is None:
        return Account(reader, "", (), 0.0)
    spans = parse_spans([w.word for w in best.words], units)
    regions = tuple((best.words[first].start_s, best.words[last - 1].end_s) for _, (first, last) in spans)
    return Account(reader, best.text, tuple(s for s, _ in spans), best.confidence, regions)


def _idle(item: Settled) -> bool:
    """An unsettled "yes" or "next" is nothing that anybody could answer later; an unsettled "scratch that" is."""
    return item.standing is Standing.UNCONFIRMED and all(
        isinstance(v.statement, Control) and v.statement.action != "withdraw" for v in item.versions)


def _not_understood(accounts: Sequence[Account], capture: Capture) -> Settled:
    return Settled(None, Standing.UNCONFIRMED, None, tuple(Version(a.reader, a.text, None, a.confidence if a.text else None) for a in accounts),
                   f"clip {capture.original_name or capture.id}: nothing was understood; listen to it and type what was said, or say it again")
