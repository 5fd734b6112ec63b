"""How warnings were answered: by a step that made them untrue, by a word, or not at all. Read from the record as it was known at each moment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from hoodnote.checks.dangers.rules import BY_ID, Hazard
from hoodnote.checks.dangers.state import ServiceState, accounts, moments
from hoodnote.checks.model import Warning
from hoodnote.readings.model import Entry, Standing, Timeline
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Control, Plan, Statement, Step


class Shown(Protocol):
    """A warning as it was kept when it was told. Ids rise in the order of telling."""

    id: int
    warning: Warning
    entry_id: int | None             # what was said or read when it was told
    shown_at: datetime


class How(StrEnum):
    ENDED = "ended"                  # something made it untrue
    ACKNOWLEDGED = "acknowledged"    # and nothing on record made it untrue
    DONE = "done"                    # announced, and done all the same
    NOT_DONE = "not done"            # announced, and no word that it was done
    STANDING = "standing"            # still true at the end of the record
    PASSED = "passed"                # told for the moment, and nothing on record answers it


@dataclass(frozen=True)
class Answered:
    """`text`: the answer in words, without figures that do not stand. `by`, `at`: the entry that answered, and when. `acknowledged`: the
    entry with the word, also when something ended it later."""

    shown: Shown
    how: How
    text: str
    by: int | None = None
    at: datetime | None = None
    acknowledged: int | None = None


def answers(timeline: Timeline, shown_warnings: Iterable[Shown]) -> tuple[Answered, ...]:
    """One for each warning shown, in their order."""
    shown_warnings = list(shown_warnings)
    if not shown_warnings:
        return ()
    record = list(moments(timeline))
    said = {x.entry.id for x in timeline.live if x.usable}
    return tuple(_answer(shown, record, said) for shown in shown_warnings)


def standing(timeline: Timeline, shown_warnings: Iterable[Shown]) -> tuple[Warning, ...]:
    """Those still true, or announced and open, that nobody acknowledged; the last of each hazard. Cautions are told once only."""
    last: dict[str, Warning] = {}
    for answered in answers(timeline, shown_warnings):
        warning = answered.shown.warning
        last.pop(warning.id, None)
        if answered.how in (How.STANDING, How.NOT_DONE) and not BY_ID[warning.id].caution:
            last[warning.id] = warning
    return tuple(last.values())


def _answer(shown: Shown, record: Sequence[tuple[Entry, ServiceState]], said: set[int | None]) -> Answered:
    hazard = BY_ID.get(shown.warning.id)
    at = next((i for i, (entry, _) in enumerate(record) if entry.id == shown.entry_id), None)
    if hazard is None or at is None:
        return Answered(shown, How.PASSED, "no answer on record")
    following = _Following(shown, hazard, record[at][0])
    for before, (entry, state) in zip(record[at:], record[at + 1:], strict=False):
        if following.take(entry, state, before[1]):
            break
    return following.answered(said)


class _Following:
    """One warning through the rest of the record."""

    def __init__(self, shown: Shown, hazard: Hazard, entry: Entry):
        self.shown, self.hazard, self.entry = shown, hazard, entry
        self.acknowledged: Entry | None = None
        self.end: Entry | None = None
        self.how: How | None = None
        self._look_at(entry)
        if self.hazard.on is not None and not self.supposed:
            self.how = How.PASSED

    def _look_at(self, entry: Entry) -> None:
        """What would be so once it were done (a plan) or if it had been said (a question)."""
        self.entry = entry
        self.planned = isinstance(entry.statement, Plan) and entry.standing is not Standing.UNCONFIRMED
        unsure = entry.standing is Standing.UNCONFIRMED
        self.supposed: tuple[Statement, ...] = accounts(entry) if self.planned or unsure else ()

    def take(self, entry: Entry, state: ServiceState, before: ServiceState) -> bool:
        """True once nothing later can change the answer."""
        if entry.statement == Control("understood") and entry.standing is not Standing.UNCONFIRMED and self._was_seen(entry):
            self.acknowledged = self.acknowledged or entry
        if self.how is How.PASSED:
            return self.acknowledged is not None
        if entry.supersedes == self.entry.id:
            if self._settled(entry):
                return True
        elif self.planned and entry.statement in self.supposed and entry.standing is not Standing.UNCONFIRMED:
            ended = self.hazard.look(before if self.hazard.on else state).ended
            self.how, self.end = How.ENDED if ended else How.DONE, entry
            return True
        if self._untrue(state):
            self.how, self.end = How.ENDED, entry
        return self.how is How.ENDED

    def _was_seen(self, entry: Entry) -> bool:
        """Words that were spoken before the screen showed this warning, and came later, do not mean it."""
        return entry.origin.warned is None or self.shown.id <= entry.origin.warned

    def _settled(self, entry: Entry) -> bool:
        """The question was answered, or what was said was taken back or corrected."""
        was_planned = self.planned
        self._look_at(entry)
        if isinstance(entry.statement, Control) and (was_planned or self.hazard.on):
            self.how, self.end = How.ENDED, entry
        elif self.hazard.on is not None and not self.supposed:
            self.how = How.PASSED if self.hazard.on(entry.statement) else How.ENDED
            self.end = entry if self.how is How.ENDED else None
        return self.how is How.ENDED

    def _untrue(self, state: ServiceState) -> bool:
        if self.hazard.on is not None:
            return self.hazard.look(state).ended
        return all(self.hazard.look(state.after(s)).ended for s in self.supposed) if self.supposed else self.hazard.look(state).ended

    def answered(self, said: set[int | None]) -> Answered:
        how = self.how or (How.NOT_DONE if self.planned else How.PASSED if self.hazard.caution else How.STANDING)
        if self.acknowledged is not None and how in (How.STANDING, How.NOT_DONE, How.PASSED):
            how = How.ACKNOWLEDGED
        by = self.acknowledged if how is How.ACKNOWLEDGED else self.end
        word = f"acknowledged {'by voice' if self.acknowledged.origin.medium == 'clip' else 'in writing'}" if self.acknowledged else ""
        text = {How.ENDED: f"ended: {_what(self.end, said)}", How.DONE: f"done all the same: {_what(self.end, said)}", How.ACKNOWLEDGED: word,
                How.NOT_DONE: "announced, and no word that it was done", How.STANDING: "still true at the end of the record",
                How.PASSED: "no answer on record"}[how]
        if word and how in (How.ENDED, How.DONE):
            text = f"{word}, then {text}"
        return Answered(self.shown, how, text, by.id if by else None, by.recorded_at if by else None,
                        self.acknowledged.id if self.acknowledged else None)


def _what(entry: Entry | None, said: set[int | None]) -> str:
    """Words of what still stands; a figure that was replaced or put in question since is not repeated."""
    if entry is None:
        return ""
    if entry.id in said or isinstance(entry.statement, (Step, Control)):
        return describe(entry.statement)
    return "by a statement that was replaced since"
