"""The append-only record of a job as it stands now: what is superseded, in which stage and with which engine state it was read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from hoodnote.readings.model import Entry, Live, Stage, Standing, Timeline
from hoodnote.statements.model import Control, FreeNote, Measured, Plan, Step, subject

_WORK_BEGINS = {"recovery_started", "recovery_finished", "opening_system", "replaced", "repaired", "cleaned", "pump_on",
                "hold_started", "charging_started", "charging_vapour", "charging_liquid"}
_WORK_ENDS = {"charging_finished"}


def build(entries: Iterable[Entry]) -> Timeline:
    """Replay the record. An entry that supersedes another takes its place, so an answer given late keeps the state of its question."""
    entries = tuple(entries)
    replaced = {e.supersedes for e in entries if e.supersedes is not None}
    position = {}
    for index, entry in enumerate(entries):
        position[entry.id] = position.get(entry.supersedes, index) if entry.supersedes is not None else index
    standing = [e for e in entries if e.id not in replaced and not _never_live(e)]
    standing.sort(key=lambda e: (position[e.id], e.id or 0))
    return Timeline(live=tuple(_with_state(standing)), entries=entries)


def _never_live(entry: Entry) -> bool:
    """A control word that was settled has done its work, one that was not is a question like any other. A plan only ever warns,
    unless the other listener heard something else."""
    match entry.statement:
        case FreeNote():
            return True
        case Control():
            return entry.standing is not Standing.UNCONFIRMED
        case Plan():
            return all(v.statement is None or isinstance(v.statement, Plan) for v in entry.versions)
    return False


def _with_state(standing: list[Entry]) -> Iterator[Live]:
    engine: str | None = None
    stage = Stage.BEFORE
    for order, entry in enumerate(standing):
        statement, sure = entry.statement, entry.standing is not Standing.UNCONFIRMED
        if isinstance(statement, Step):
            if statement.action in ("engine_off", "engine_running"):
                # an unconfirmed word about the engine leaves its state unknown, never assumed
                engine = statement.action.removeprefix("engine_") if sure else None
            elif sure:
                stage = _stage_after_step(stage, statement.action)
        begins_work = isinstance(statement, Measured) and statement.place in ("recovered", "charged")
        said = statement.engine if isinstance(statement, Measured) else None
        own_stage = Stage.DURING if begins_work and stage is Stage.BEFORE else stage
        yield Live(entry=entry, stage=own_stage, engine=said or engine, order=order)
        if begins_work and sure:
            stage = Stage.AFTER if statement.place == "charged" else own_stage


def _stage_after_step(stage: Stage, action: str) -> Stage:
    if action == "before_readings":
        return Stage.BEFORE
    if action == "after_readings" or action in _WORK_ENDS:
        return Stage.AFTER
    if action in _WORK_BEGINS:
        return Stage.DURING
    return stage



def last_about(timeline: Timeline, topic: tuple) -> Live | None:
    """The latest standing entry whose statement has this `subject`."""
    for live in reversed(timeline.live):
        if live.entry.statement is not None and subject(live.entry.statement) == topic:
            return live
    return None
