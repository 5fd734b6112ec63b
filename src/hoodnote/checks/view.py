"""What the checks may take as true in a record, and what in it is in doubt.

Figures are chosen from the usable entries alone, replayed as if nothing else had been said. An unconfirmed entry can
only cast doubt on a choice, never make or change one: a check on doubtful inputs cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from hoodnote.checks.equipment import USUAL, Equipment
from hoodnote.physics.uncertain import Sources
from hoodnote.readings.facts import JobFacts, facts_of
from hoodnote.readings.model import Live, Stage, Standing, Timeline
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Control, Correction, Fact, Measured, Plan, Statement, Step, Supply, uncorrected
from hoodnote.units import UNITS, Quantity

PRESSURE_PLACES = ("low_side", "high_side")
CHARGES = frozenset(("charging_started", "charging_vapour", "charging_liquid"))
_OPENS_CIRCUIT = {"recovery_started", "recovery_finished", "opening_system", "pump_on", "hold_started", *CHARGES}
STAGES = (Stage.BEFORE, Stage.DURING, Stage.AFTER)


@dataclass(frozen=True)
class Situation:
    """A spell of one engine state in one stage, in which pressures were read."""

    stage: Stage
    engine: str | None
    spell: int
    circuit_open: bool = False           # refrigerant is being recovered, replaced or charged: pressures compare with nothing

    def like(self, other: Situation) -> bool:
        """The same but for the count of spells."""
        return (self.stage, self.engine, self.circuit_open) == (other.stage, other.engine, other.circuit_open)


@dataclass(frozen=True)
class Doubt:
    """An unconfirmed entry where it would stand in the usable record: what it may be about, and when."""

    keys: frozenset[str]                 # places, fact keys and actions it, or another reader's version of it, speaks of
    text: str
    order: int                           # position in the whole record
    situation: Situation


@dataclass(frozen=True)
class View:
    timeline: Timeline
    equipment: Equipment = USUAL

    @cached_property
    def errors(self) -> Sources:
        """The errors of this job's instruments, one of each for all checks."""
        return Sources()

    @cached_property
    def worked_out(self) -> dict[object, object]:
        """Figures with their errors that several checks need, each worked out once."""
        return {}

    @cached_property
    def usable(self) -> Timeline:
        return build(x.entry for x in self.timeline.live if x.usable)

    @cached_property
    def facts(self) -> JobFacts:
        return facts_of(self.usable)

    @cached_property
    def _order(self) -> dict[int | None, int]:
        return {x.entry.id: x.order for x in self.timeline.live}

    def order(self, live: Live) -> int:
        """Position in the whole record."""
        return self._order[live.entry.id]

    @cached_property
    def _situations(self) -> dict[int | None, Situation]:
        return _situations_of(self.usable)

    def situation(self, live: Live) -> Situation:
        return self._situations[live.entry.id]

    @cached_property
    def now(self) -> Situation:
        """The situation a statement made next would be in."""
        return list(self._situations.values())[-1] if self._situations else Situation(Stage.BEFORE, None, 0)

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """One for each unconfirmed entry, each replayed into the usable record on its own; those that change no state, together."""
        held = {x.entry.id: (x, accounts) for x in self.timeline.questions if (accounts := self._accounts(x))}
        still = {number: accounts[0] for number, (_, accounts) in held.items() if not _changes_state(accounts[0])}
        together = _situations_of(self._replay(still)) if still else {}
        return tuple(
            Doubt(frozenset(k for s in accounts for k in _keys(s)), describe(x.entry.statement), x.order,
                  together[number] if number in still else _situations_of(self._replay({number: accounts[0]}))[number])
            for number, (x, accounts) in held.items())

    def _accounts(self, live: Live) -> list[Statement]:
        """What an unconfirmed entry may say of the job: its statement and every reader's version of it. A word to the tool says
        nothing of the job, except that taking the last statement back puts that statement in doubt."""
        found = [uncorrected(s) for s in (live.entry.statement, *(v.statement for v in live.entry.versions)) if s is not None]
        if any(isinstance(s, Control) and s.action == "withdraw" for s in found):
            earlier = [x for x in self.timeline.live if x.order < live.order and x.usable]
            found += [max(earlier, key=lambda x: x.entry.id or 0).entry.statement] if earlier else []
        return [s for s in found if not isinstance(s, (Control, Plan))]

    def _replay(self, taken: dict[int | None, Statement]) -> Timeline:
        """The usable record with some unconfirmed entries, by id, taken as these statements."""
        return build(replace(x.entry, statement=taken[x.entry.id], standing=Standing.CONFIRMED, supersedes=None) if x.entry.id in taken
                     else x.entry if x.entry.supersedes is None else replace(x.entry, supersedes=None)
                     for x in self.timeline.live if x.usable or x.entry.id in taken)

    @cached_property
    def unsettled(self) -> dict[int | None, str]:
        """Entry id -> the unconfirmed statement that, if true, would put the reading in another stage or engine state."""
        out: dict[int | None, str] = {}
        for unsure in self.timeline.questions:
            for statement in dict.fromkeys(_state_changes(self._accounts(unsure))):
                moved = _situations_of(self._replay({unsure.entry.id: statement}))
                for x in self.usable.live:
                    if not moved[x.entry.id].like(self.situation(x)):
                        out.setdefault(x.entry.id, describe(unsure.entry.statement))
        return out

    def situations(self, engine: str | None, places: tuple[str, ...] = PRESSURE_PLACES) -> list[Situation]:
        """Every spell with this engine state in which one of the places was read or one of the actions stated, confirmed or not."""
        asked = frozenset(places)
        found = [situation for keys, situation in self._stated if not asked.isdisjoint(keys)]
        found += [d.situation for d in self.doubts if d.keys & asked]
        return list(dict.fromkeys(s for s in found if s.engine == engine))

    @cached_property
    def _stated(self) -> list[tuple[tuple[str, ...], Situation]]:
        return [(_keys(x.entry.statement), self.situation(x)) for x in self.usable.live]

    def spoken(self, situation: Situation, places: tuple[str, ...]) -> set[str]:
        """Those of the places and actions that were stated in this situation, confirmed or not."""
        found = {k for keys, where in self._stated if where == situation for k in keys}
        return (found | {k for d in self.doubts if d.situation == situation for k in d.keys}).intersection(places)

    def touched(self, *keys: str) -> bool:
        """Did anyone speak of one of these places or facts, confirmed or not?"""
        return (any(k in keys for stated, _ in self._stated for k in stated)
                or any(k in d.keys for d in self.doubts for k in keys))

    @cached_property
    def ends(self) -> dict[Situation, int]:
        """Position of the last pressure read in each situation that has one."""
        read = [x for place in PRESSURE_PLACES for x in self.readings(place)]
        return {self.situation(x): self.order(x) for x in sorted(read, key=self.order)}

    def did(self, *actions: str, item: str | None = None) -> Live | None:
        """The last usable step with one of these actions (on `item`, where given)."""
        for x in reversed(self.usable.live):
            s = x.entry.statement
            if isinstance(s, Step) and s.action in actions and (item is None or s.item == item):
                return x
        return None

    def readings(self, place: str, *, situation: Situation | None = None, stage: Stage | None = None,
                 quantity: Quantity | None = None) -> list[Live]:
        """Usable figures at a place, in the order of the record."""
        return [x for x in self._figures.get(place, ())
                if (situation is None or self.situation(x) == situation) and (stage is None or x.stage is stage)
                and (quantity is None or UNITS[x.entry.statement.unit].quantity is quantity)]

    @cached_property
    def _figures(self) -> dict[str, list[Live]]:
        out: dict[str, list[Live]] = {}
        for x in self.usable.live:
            if isinstance(x.entry.statement, Measured):
                out.setdefault(x.entry.statement.place, []).append(x)
        return out

    def holder(self, fact: str) -> Live | None:
        """The entry that a fact stands on."""
        return self._by_id.get(self.facts.basis.get(fact))

    @cached_property
    def _by_id(self) -> dict[int | None, Live]:
        return {x.entry.id: x for x in self.usable.live}


def _keys(statement: Statement | None) -> tuple[str, ...]:
    match statement:
        case Measured(place=place) | Supply(place=place):
            return (place,)
        case Fact(key=key) | Step(action=key):
            return (key,)
        case Correction(statement=inner):
            return _keys(inner)
    return ()


def _changes_state(statement: Statement) -> bool:
    return isinstance(statement, Step) or (isinstance(statement, Measured) and statement.place in ("recovered", "charged"))


def _state_changes(accounts: list[Statement]) -> list[Statement]:
    """The accounts that would change stage or engine state; a word about the engine may have been the other word."""
    out: list[Statement] = []
    for s in accounts:
        if isinstance(s, Step) and s.action in ("engine_off", "engine_running"):
            out += [Step("engine_off"), Step("engine_running")]
        elif _changes_state(s):
            out.append(s)
    return out


def _situations_of(timeline: Timeline) -> dict[int | None, Situation]:
    spell, engine, opened, out = 0, None, False, {}
    for x in timeline.live:
        s = x.entry.statement
        if isinstance(s, Step) and s.action in ("engine_off", "engine_running"):
            stated = s.action.removeprefix("engine_")
            spell += stated != engine
            engine = stated
        opened |= (isinstance(s, Step) and s.action in _OPENS_CIRCUIT) or (isinstance(s, Measured) and s.place == "recovered")
        opened &= x.stage is not Stage.AFTER
        out[x.entry.id] = Situation(x.stage, x.engine, spell, opened)
    return out
