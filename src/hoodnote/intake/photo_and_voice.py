"""A figure in a photo against what was said or typed of the same reading: one more account, that agrees or makes a question of both."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from hoodnote import checks
from hoodnote.capture.vision.reading import PhotoField
from hoodnote.checks.equipment import USUAL, Equipment
from hoodnote.intake.record import choices
from hoodnote.readings.agreement import Settled, within
from hoodnote.readings.model import Entry, Live, Origin, Stage, Standing, Timeline, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Measured, Statement, uncorrected
from hoodnote.statements.vocabulary import PLACES

RECENT = timedelta(minutes=5)          # a figure said longer before or after the photo may be another reading; common practice, no source
_FOR_ALL_STAGES = ("label", "vehicle")


def settle(field: PhotoField, item: Settled, origin: Origin, timeline: Timeline, taken_at: datetime, units: str,
           equipment: Equipment = USUAL) -> Settled | Entry:
    """`item`, settled with what was said of the same place, stage and engine state; or an entry that takes the place of what was said.

    An open question whose one version the photo bears is answered: two independent accounts. A figure said within RECENT that the photo
    contradicts becomes a question with both; what a person typed or confirmed is left alone and the photo's figure is asked.
    """
    if not isinstance(field.statement, Measured) or PLACES[field.statement.place].group in _FOR_ALL_STAGES:
        return item
    late = _of_another_state(timeline, taken_at)
    if late is not None:
        return replace(item, standing=Standing.UNCONFIRMED, question=f"{describe(field.statement)}? The photo was taken {late}: "
                       "drop it here and say the reading with its stage, if it counts")
    said = _said(field.statement, timeline)
    if said is None:
        return item
    entry = said.entry
    recent = entry.recorded_at is not None and abs(taken_at - entry.recorded_at) <= RECENT
    seen = [field.statement, *(v.statement for v in field.versions if isinstance(v.statement, Measured))]
    if not said.usable:
        return _with_question(field, item, origin, timeline, entry, seen, recent, units, equipment)
    if not recent:
        return item
    bearing = next((s for s in seen if within(s, field.limit, entry.statement, None)), None)
    if bearing is not None:
        return replace(item, statement=bearing, standing=Standing.AGREED, question=None, confidence=max(item.confidence or 0.0, entry.confidence or 0.9))
    question = f"{describe(entry.statement)}, as {_verb(entry)}, or {_figure(field.statement)}, as the photo shows: which is it?"
    told = (Version(_verb(entry), describe(entry.statement), entry.statement, entry.confidence), *item.versions)
    if entry.standing is Standing.CONFIRMED:
        return replace(item, standing=Standing.UNCONFIRMED, question=question, versions=told)
    return replace(entry, standing=Standing.UNCONFIRMED, question=question, versions=(*entry.versions, *_of_photo(field, item)), supersedes=entry.id,
                   id=None, recorded_at=None, confidence=0.5)


def _with_question(field: PhotoField, item: Settled, origin: Origin, timeline: Timeline, entry: Entry, seen: list[Statement], recent: bool,
                   units: str, equipment: Equipment) -> Settled | Entry:
    versions = [s for s in choices(entry) if isinstance(s, Measured)]
    borne = [s for s in versions if within(field.statement, field.limit, s, None)]
    others = [s for s in versions if s not in borne and any(within(x, field.limit, s, None) for x in seen)]
    together = (*entry.versions, *_of_photo(field, item))
    if len(borne) == 1 and not others:
        without = replace(timeline, live=tuple(x for x in timeline.live if x.entry.id != entry.id))
        reason = checks.implausible(borne[0], without, units, equipment)
        if reason is None:
            return Entry(borne[0], Standing.AGREED, origin, max(item.confidence or 0.0, 0.9), together, supersedes=entry.id)
        return replace(item, standing=Standing.UNCONFIRMED, question=f"{describe(borne[0])}? {reason}")
    if not recent:
        return item
    told = " or ".join(dict.fromkeys(describe(s) for s in versions)) or "something that was not understood"
    question = f"{told}, as {_verb(entry)}; the photo shows {_figure(field.statement)}: which is it?"
    return replace(entry, question=question, versions=together, supersedes=entry.id, id=None, recorded_at=None)


def _of_photo(field: PhotoField, item: Settled) -> tuple[Version, ...]:
    return item.versions or (Version("photo", describe(field.statement), field.statement, field.confidence),)


def _figure(statement: Measured) -> str:
    return f"{statement.value} {statement.unit}"


def _verb(entry: Entry) -> str:
    return "heard" if entry.origin.medium == "clip" else "typed"


def _said(statement: Measured, timeline: Timeline) -> Live | None:
    """The last figure that a person gave, settled or asked, for this place in the state that the job is in."""
    stage, engine = _state(timeline.entries)
    for live in reversed(timeline.live):
        if live.entry.origin.medium not in ("clip", "typed") or live.entry.statement is None:
            continue
        versions = [s for s in (uncorrected(live.entry.statement), *choices(live.entry)) if isinstance(s, Measured)]
        if any(s.place == statement.place for s in versions):
            own = versions[0].engine is not None and engine is None      # the words said it, and nothing else did
            return live if live.stage is stage and (live.engine == engine or own) else None
    return None


def _state(entries: tuple[Entry, ...]) -> tuple[Stage, str | None]:
    """The stage and the engine state that a reading taken now would have."""
    probe = Entry(Measured("ambient", 0, "C"), Standing.UNCONFIRMED, Origin("photo"), id=max((e.id or 0 for e in entries), default=0) + 1)
    last = build((*entries, probe)).live[-1]
    return last.stage, last.engine


def _of_another_state(timeline: Timeline, taken_at: datetime) -> str | None:
    """In words, when the photo is from before the job reached the stage and engine state it is in."""
    then = _state(tuple(e for e in timeline.entries if e.recorded_at is None or e.recorded_at <= taken_at))
    now = _state(timeline.entries)
    if then == now:
        return None
    return f"at {taken_at.astimezone():%H:%M}, in the stage '{_words(*then)}', which is now '{_words(*now)}'"


def _words(stage: Stage, engine: str | None) -> str:
    return f"{stage.value} work, engine {engine or 'state unknown'}"
