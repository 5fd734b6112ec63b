"""Free notes: what was said to nobody's grammar. Kept as a clip with the best transcript there is, which nobody checked.

A free note is never taken apart: it holds no reading, answers no question, enters no check.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.capture.speech.recognizer import Transcriber
from hoodnote.errors import HoodnoteError
from hoodnote.intake.opening import OPENING, only_opening, openings, without_opening
from hoodnote.intake.record import Taken, handled_already
from hoodnote.language.grammar import load
from hoodnote.readings.agreement import Account, heard_alike
from hoodnote.readings.model import Entry, Origin, Standing, Version
from hoodnote.statements.model import Control, FreeNote
from hoodnote.statements.parser import NotSayable
from hoodnote.statements.typed import parse_text

if TYPE_CHECKING:
    import numpy as np

    from hoodnote.jobs.store import Capture, Job, Store

_MORE = 2               # words


def transcriber_of(engines: Sequence[object]) -> Transcriber:
    """The first that can. Raises HoodnoteError when none can."""
    for engine in engines:
        if isinstance(engine, Transcriber):
            return engine
    raise HoodnoteError("no listener here can write down free speech; run 'hoodnote engines' to see why the neural one is not ready")


def instead(store: Store, job: Job, capture: Capture, samples: np.ndarray, engines: Sequence[object],
            accounts: Sequence[Account], written: str | None = None) -> Taken | None:
    """The clip taken as a free note, if it is one; None leaves it to the grammar.

    It is one when it follows a lone "free note", or begins with these words and goes on, and the two listeners to the
    grammar do not both hear one and the same other thing. That it begins so is read in the transcript; where that
    spells the words in its own way, one of the two listeners must have heard them. `written`: the transcript, where there is one already;
    "" where it begins with something else.
    """
    able = next((engine for engine in engines if isinstance(engine, Transcriber)), None)
    heard = heard_alike(accounts)
    if able is None or (heard and all(isinstance(s, Control) and s != OPENING for s in heard)):
        return None
    if opened(store, job, capture) and heard != (OPENING,):
        return take_free_note(store, job, capture, samples, able, written)
    if heard and heard != (OPENING,):
        return None
    text = able.transcribe_free(samples) if written is None or (not written and only_opening(accounts)) else written
    rest = without_opening(text)
    if rest is None and _goes_on(text, accounts, job.units):
        rest = text
    return None if not rest else _keep(store, job, capture, able.name, text, rest)


def take_free_note(store: Store, job: Job, capture: Capture, samples: np.ndarray, transcriber: Transcriber, written: str | None = None) -> Taken:
    """Keep the clip as a free note whatever was said; `samples` is float32 mono at 16 kHz, `written` its transcript, where there is one already."""
    text = written or transcriber.transcribe_free(samples)
    rest = without_opening(text)
    return _keep(store, job, capture, transcriber.name, text, text if rest is None else rest)


def take_free_clip(store: Store, job: Job, path: Path, transcriber: Transcriber) -> Taken:
    """Raises HoodnoteError for a file that is no usable recording; then nothing is stored."""
    from hoodnote.capture.audio import load_clip

    samples = load_clip(path).samples
    kept = store.keep_file(path)
    capture = store.add_capture(job, "clip", sha256=kept.sha256, original_name=path.name)
    return take_free_note(store, job, capture, samples, transcriber)


def opened(store: Store, job: Job, capture: Capture) -> bool:
    """Was the capture before this one a lone "free note", heard so by every listener? A clip must not be lost to the grammar by a mishearing."""
    earlier = [c.id for c in store.captures(job) if c.id < capture.id]
    if not earlier:
        return False
    of_it = [e for e in store.entries(job) if e.origin.capture_id == earlier[-1]]
    heard = [account.text for account in store.accounts(earlier[-1]) if account.rank == 0]
    return (len(of_it) == 1 and of_it[0].statement == OPENING and of_it[0].standing is not Standing.UNCONFIRMED
            and set(heard) <= set(openings(load())) and len(heard) != 1)


def _goes_on(text: str, accounts: Sequence[Account], units: str) -> bool:
    """Did a listener hear the control word alone where far more was said, and nothing that can be typed?"""
    said = len(re.findall(r"[\w']+", text))
    if not any(said >= len(a.text.split()) + _MORE for a in only_opening(accounts)):
        return False
    try:
        parse_text(text, units)
    except NotSayable:
        return True
    return False


def _keep(store: Store, job: Job, capture: Capture, reader: str, transcript: str, text: str) -> Taken:
    origin = Origin(capture.medium, capture.id, capture.sha256, capture.original_name, None, (reader,))
    entry = Entry(FreeNote(" ".join(text.split())), Standing.UNCONFIRMED, origin, versions=(Version(reader, transcript, None),))
    with store.together():
        if not store.is_pending(capture):
            return handled_already(capture)
        store.add_account(capture, reader, 0, transcript, None)
        entry = store.add_entry(job, entry, capture)
        store.finish(capture, "done")
    return Taken(capture, (entry,), ())
