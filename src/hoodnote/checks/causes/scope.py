"""The part of the record that describes the vehicle as it came: before anything was mended."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

from hoodnote.checks.inputs import Inputs
from hoodnote.checks.view import CHARGES, Situation, View
from hoodnote.readings.model import Live, Stage
from hoodnote.statements.model import Measured, Step
from hoodnote.units import UNITS, Quantity

_MENDS = {"replaced", "repaired", "cleaned", "bypassed"}


@dataclass(frozen=True)
class Scope:
    view: View

    @cached_property
    def _live(self) -> tuple[Live, ...]:
        out: list[Live] = []
        for x in self.view.usable.live:
            s = x.entry.statement
            charging = isinstance(s, Measured) and s.place == "charged" or isinstance(s, Step) and s.action in CHARGES
            if x.stage is Stage.AFTER or charging or (isinstance(s, Step) and s.action in _MENDS):
                break
            out.append(x)
        return tuple(out)

    @property
    def mended(self) -> bool:
        """Has work begun that changes what the readings describe?"""
        return len(self._live) < len(self.view.usable.live)

    def doubtful(self, *keys: str, after: int = -1) -> bool:
        """Was one of these spoken of, unconfirmed, later than the position `after`?"""
        return any(d.order > after and d.keys & set(keys) for d in self.view.doubts)

    def last_step(self, actions: set[str], fits: Callable[[Step], bool]) -> Live | None:
        """The last step that fits, unless a later unconfirmed entry may be about the same, or may put it into another stage."""
        for x in reversed(self._live):
            s = x.entry.statement
            if isinstance(s, Step) and fits(s):
                unsure = self.doubtful(*actions, after=self.view.order(x)) or x.entry.id in self.view.unsettled
                return None if unsure else x
        return None

    def last_reading(self, place: str, quantity: Quantity) -> Live | None:
        for x in reversed(self._live):
            s = x.entry.statement
            if isinstance(s, Measured) and s.place == place and UNITS[s.unit].quantity is quantity:
                return None if self.doubtful(place, after=self.view.order(x)) or x.entry.id in self.view.unsettled else x
        return None

    def readings(self, place: str) -> list[Live]:
        return [x for x in self._live if isinstance(x.entry.statement, Measured) and x.entry.statement.place == place]

    def holds(self, basis: tuple[int, ...]) -> bool:
        """Do all of these entries describe the vehicle as it came, for sure?"""
        return set(basis) <= {x.entry.id for x in self._live} and not set(basis) & set(self.view.unsettled)

    def situation(self, engine: str, *places: str) -> Situation | None:
        """The last spell before the work with this engine state in which one of the places was read."""
        for x in reversed(self._live):
            s = x.entry.statement
            where = self.view.situation(x)
            if isinstance(s, Measured) and s.place in places and where.engine == engine and not where.circuit_open and where.stage is Stage.BEFORE:
                return where
        return None

    def inputs(self, situation: Situation | None = None) -> Inputs:
        return Inputs(self.view, situation)
