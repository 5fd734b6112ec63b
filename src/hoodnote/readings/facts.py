"""What is known of the vehicle, its label and the conditions, taken from a timeline."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from hoodnote.readings.model import Live, Stage, Timeline
from hoodnote.statements.model import Fact, Measured
from hoodnote.units import Quantity, UNITS, to_si


@dataclass(frozen=True)
class JobFacts:
    """The last standing, usable value of each fact. A fact that is missing or unconfirmed is None and named in `doubtful`."""

    values: dict[str, str]                    # key of vocabulary.FACTS -> text
    basis: dict[str, int]                     # the same key -> entry id
    doubtful: frozenset[str]                  # keys and places stated, but unconfirmed
    timeline: Timeline

    def get(self, key: str) -> str | None:
        return self.values.get(key)

    @property
    def refrigerant(self) -> str | None:
        """The system's refrigerant: as stated for the vehicle, else as read from its label."""
        return self.get("refrigerant") or self.get("label_refrigerant")

    def reading(self, place: str, *, stage: Stage | None = None, engine: str | None = None,
                quantity: Quantity | None = None, before: int | None = None) -> Live | None:
        """The last usable figure at a place; `before` limits it to earlier positions of the record."""
        for live in reversed(self.timeline.live):
            s = live.entry.statement
            if (live.usable and isinstance(s, Measured) and s.place == place
                    and (stage is None or live.stage is stage) and (engine is None or live.engine == engine)
                    and (quantity is None or UNITS[s.unit].quantity is quantity)
                    and (before is None or live.order < before)):
                return live
        return None

    def readings(self, place: str, *, stage: Stage | None = None) -> list[Live]:
        return [x for x in self.timeline.live
                if x.usable and isinstance(x.entry.statement, Measured) and x.entry.statement.place == place
                and (stage is None or x.stage is stage)]


def si(live: Live) -> float:
    """The figure in the base unit of its quantity: kPa gauge, degC, kg, L, V, ohm, A, min, %, rpm, m, km."""
    statement = live.entry.statement
    if not isinstance(statement, Measured):
        raise TypeError("only a measured statement has a figure")
    value: Decimal = statement.value
    return to_si(float(value), statement.unit)


def facts_of(timeline: Timeline) -> JobFacts:
    values: dict[str, str] = {}
    basis: dict[str, int] = {}
    doubtful: set[str] = set()
    for live in timeline.live:
        s = live.entry.statement
        if isinstance(s, Fact):
            if live.usable:
                values[s.key] = s.value
                basis[s.key] = live.entry.id
                doubtful.discard(s.key)
            elif s.key not in values:
                doubtful.add(s.key)
        elif isinstance(s, Measured) and not live.usable:
            doubtful.add(s.place)
    return JobFacts(values=values, basis=basis, doubtful=frozenset(doubtful), timeline=timeline)
