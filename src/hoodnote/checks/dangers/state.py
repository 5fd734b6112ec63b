"""The service as its record tells it: engine, valves, couplers, source, pump, pressure ..., each true, false or unknown, with its entries.

What nobody stated is unknown; an unconfirmed word makes unknown what it speaks of. Unknown is never safe.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from hoodnote.physics.gauge import USUAL_MANIFOLD, ManifoldGauges
from hoodnote.readings.model import Entry, Standing, Timeline
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Control, Fact, Measured, Plan, Statement, Step, uncorrected
from hoodnote.statements.vocabulary import FACTS
from hoodnote.units import UNITS, GaugePressure, Quantity, to_si

# Below this a gauge's needle on zero cannot be told from pressure (common practice, no source).
NO_PRESSURE_KPA = to_si(2.0, "psi")
# How long high and low side are given to equalise (common practice, no source).
SETTLE_MINUTES = 5.0

# item -> how it reads when true, when false
WORDS: dict[str, tuple[str, str]] = {
    "engine": ("engine running", "engine off"),
    "engine_hot": ("engine overheating", "engine not overheating"),
    "clutch": ("compressor clutch engaged", "compressor clutch not engaged"),
    "settled": ("pressures given time to equalise", "engine stopped only now"),
    "low_valve": ("low-side manifold valve open", "low-side manifold valve shut"),
    "high_valve": ("high-side manifold valve open", "high-side manifold valve shut"),
    "low_coupler": ("low-side coupler on", "low-side coupler off"),
    "high_coupler": ("high-side coupler on", "high-side coupler off"),
    "source": ("source valve open", "source valve shut"),
    "liquid": ("source gives liquid", "source gives vapour"),
    "flame": ("flame on the can", "no flame on the can"),
    "pump": ("vacuum pump on", "vacuum pump off"),
    "low_pressure": ("pressure on the low side", "no pressure on the low side"),
    "high_pressure": ("pressure on the high side", "no pressure on the high side"),
    "recovering": ("recovery going on", "recovery finished"),
    "opened": ("system open", "system closed"),
    "charging": ("charging", "charging finished"),
    "eyes": ("eye protection and gloves on", "eye protection and gloves off"),
    "leaking": ("leak found", "no leak found"),
}
FACT_ITEMS = ("refrigerant", "label_refrigerant", "source_refrigerant", "compressor_drive", "oil_type")
_SIDES = ("low_pressure", "high_pressure")
_REFRIGERANT_CIRCUIT = frozenset((
    "compressor", "condenser", "evaporator", "accumulator", "receiver_drier", "expansion_valve", "orifice_tube", "suction_hose", "discharge_hose",
    "liquid_line", "o_ring", "schrader_core", "shaft_seal", "pressure_relief", "desiccant"))
_HIGH_VOLTAGE = frozenset(("compressor", "wiring", "connector"))

Value = bool | str | float | None
NO_LONGER_FALSE = object()     # of a transition: false becomes unknown, true stays

# What a step says of the state: action -> item -> value.
_SETS: dict[str, dict[str, object]] = {
    "engine_off": {"engine": False, "clutch": None, "settled": False, "engine_hot": None},
    "engine_running": {"engine": True, "settled": None},
    "engine_hot": {"engine_hot": True},
    "clutch_engaged": {"clutch": True}, "clutch_cycling": {"clutch": True}, "clutch_not_engaged": {"clutch": False},
    "low_valve_open": {"low_valve": True}, "low_valve_shut": {"low_valve": False},
    "high_valve_open": {"high_valve": True}, "high_valve_shut": {"high_valve": False},
    "gauges_connected": {"low_coupler": True, "high_coupler": True},
    "gauges_disconnected": {"low_coupler": False, "high_coupler": False},
    "source_open": {"source": True, **dict.fromkeys(_SIDES, NO_LONGER_FALSE)}, "source_shut": {"source": False},
    "can_inverted": {"liquid": True}, "can_upright": {"liquid": False},
    "can_heated_flame": {"flame": True}, "can_warmed_water": {"flame": False},
    "pump_on": {"pump": True}, "pump_off": {"pump": False},
    "hold_started": {"pump": None},                                   # valved off; nobody said whether it still runs
    "recovery_started": {"recovering": True}, "recovery_finished": {"recovering": False, **dict.fromkeys(_SIDES, False)},
    "opening_system": {"opened": True, "test_gas": False, "high_voltage_work": True, **dict.fromkeys(_SIDES, False)},
    "system_closed": {"opened": False},
    "charging_started": {"charging": True, "source": NO_LONGER_FALSE, **dict.fromkeys(_SIDES, NO_LONGER_FALSE)},
    "charging_vapour": {"charging": True, "liquid": False, "source": NO_LONGER_FALSE},
    "charging_liquid": {"charging": True, "liquid": True, "source": NO_LONGER_FALSE},
    "charging_finished": {"charging": False, **dict.fromkeys(_SIDES, True)},
    "eye_protection": {"eyes": True}, "identified": {"identified": True},
    "leak_found": {"leaking": True}, "no_leak_found": {"leaking": False},
    "leak_test_nitrogen": {"test_gas": False, **dict.fromkeys(_SIDES, NO_LONGER_FALSE)},
    "leak_test_tracer": {"test_gas": False, **dict.fromkeys(_SIDES, NO_LONGER_FALSE)},
    "leak_test_air": {"test_gas": "compressed air", **dict.fromkeys(_SIDES, NO_LONGER_FALSE)},
    "leak_test_oxygen": {"test_gas": "oxygen", **dict.fromkeys(_SIDES, NO_LONGER_FALSE)},
}


@dataclass(frozen=True)
class Known:
    """One item: its value, and the entries it stands on. None: it was spoken of and is unknown, `in_question` where it waits for an answer."""

    value: Value
    basis: tuple[int, ...] = ()
    in_question: bool = False


@dataclass(frozen=True)
class ServiceState:
    """Items of WORDS, facts (FACT_ITEMS), last readings in kPa gauge or C; an item that is not in `items` was never spoken of."""

    items: Mapping[str, Known] = field(default_factory=lambda: MappingProxyType({}))
    gauges: ManifoldGauges = USUAL_MANIFOLD

    def get(self, item: str) -> Value:
        known = self.items.get(item)
        return None if known is None else known.value

    def lost(self, item: str) -> bool:
        """Spoken of, and unknown all the same."""
        return item in self.items and self.items[item].value is None

    def basis(self, *items: str) -> tuple[int, ...]:
        return tuple(dict.fromkeys(i for item in items if item in self.items for i in self.items[item].basis))

    def lines(self) -> tuple[str, ...]:
        """For a screen: "low-side manifold valve open (entry 12)" for what was spoken of, then "not stated: vacuum pump on, ..."."""
        names = {item: true for item, (true, _) in WORDS.items()} | {item: FACTS[item] for item in FACT_ITEMS}
        stated = tuple(self._line(item, name) for item, name in names.items() if item in self.items)
        unstated = ", ".join(name for item, name in names.items() if item not in self.items)
        return (*stated, f"not stated: {unstated}") if unstated else stated

    def _line(self, item: str, name: str) -> str:
        known = self.items[item]
        if known.value is None:
            text = f"{name}: {'in question' if known.in_question else 'unknown since then'}"
        else:
            text = WORDS[item][0 if known.value else 1] if item in WORDS else f"{name}: {known.value}"
        return f"{text} (entry {', '.join(map(str, known.basis))})" if known.basis else text

    def after(self, statement: Statement | None, sure: bool = True, entry: int | None = None) -> ServiceState:
        """The state once this was said; not `sure` makes unknown what it speaks of. A plan and a word to the tool change nothing."""
        replay = _Replay(dict(self.items), self.gauges)
        replay.take(statement, sure, entry)
        return ServiceState(MappingProxyType(replay.items), self.gauges)


@dataclass
class _Replay:
    items: dict[str, Known]
    gauges: ManifoldGauges
    sure: bool = True
    basis: tuple[int, ...] = ()

    def take(self, statement: Statement | None, sure: bool, entry: int | None) -> None:
        self.sure, self.basis = sure, () if entry is None else (entry,)
        match uncorrected(statement):
            case Step() as step:
                self.step(step)
            case Measured() as reading:
                self.reading(reading)
            case Fact(key=key, value=value) if key in FACT_ITEMS:
                self.set(key, value)

    def get(self, item: str) -> Value:
        return self.items[item].value if item in self.items else None

    def set(self, item: str, value: object) -> None:
        if value is NO_LONGER_FALSE:
            if self.get(item) is not False:
                return
            value = None
        if self.sure and value is None and item not in self.items:
            return                   # nothing was known that could be lost
        self.items[item] = Known(value, self.basis) if self.sure else Known(None, self.basis, in_question=True)

    def step(self, step: Step) -> None:
        if step.action in ("engine_off", "engine_running"):
            self._engine(step.action == "engine_running")
        for item, value in _SETS.get(step.action, {}).items():
            self.set(item, value)
        if step.action in ("replaced", "repaired"):
            if opens_circuit(step):
                for side in _SIDES:
                    self._lose(side)       # the part is off: what pressure there was nobody knows now
            self._lose("leaking")          # tight only when it was tested
        if step.item in _HIGH_VOLTAGE and step.action in ("replaced", "repaired", "cleaned", "inspected", "bypassed"):
            self.set("high_voltage_work", True)
        if step.action in ("recovery_finished", "opening_system"):
            self._forget_readings()

    def reading(self, m: Measured) -> None:
        kpa = to_si(float(m.value), m.unit)
        if m.engine:
            self._engine(m.engine == "running")
            self.set("engine", m.engine == "running")
        if m.place in ("low_side", "high_side"):
            self._side(m, -kpa if UNITS[m.unit].quantity is Quantity.VACUUM else kpa)
        elif m.place == "nitrogen":
            for side in _SIDES:
                self.set(side, kpa > NO_PRESSURE_KPA)
        elif m.place in ("vacuum", "recovered"):
            for side in _SIDES:
                self.set(side, False)
            self._forget_readings()
        elif m.place == "charged":
            for side in _SIDES:
                self.set(side, True)
        elif m.place == "settle_time" and kpa >= SETTLE_MINUTES:
            self.set("settled", True)
        elif m.place == "oil_added":
            self.set("oil_added", kpa > 0)
        elif m.place in ("can", "cylinder"):
            self.set(f"{m.place}_reading", kpa)

    def _engine(self, running: bool) -> None:
        """A reading of one engine state says nothing of the other."""
        if self.get("engine") is not running:
            self._forget_readings()
            if running and self.sure:
                self.set("first_run", "ran" not in self.items)
            elif "first_run" in self.items:
                self.set("first_run", False)
        if running and self.sure:
            self.set("ran", True)

    def _side(self, m: Measured, kpa: float) -> None:
        side = m.place.removesuffix("_side")
        self.set(f"{side}_pressure", kpa > NO_PRESSURE_KPA)
        self.set(f"{side}_reading", kpa)
        self.set("drawn_empty", kpa <= NO_PRESSURE_KPA and self.get("pump") is True)
        low, high = self.get("low_reading"), self.get("high_reading")
        both = self.get("engine") is False and low is not None and high is not None
        if both and abs(low - high) <= gauge_limit(self.gauges, "low_side", low) + gauge_limit(self.gauges, "high_side", high):
            self.set("settled", True)

    def _forget_readings(self) -> None:
        for item in ("low_reading", "high_reading"):
            self._lose(item)

    def _lose(self, item: str) -> None:
        """What was true, or a figure, is unknown from here."""
        value = self.get(item)
        if value is not None and value is not False:
            self.items[item] = Known(None, self.basis, in_question=not self.sure)


def gauge_limit(gauges: ManifoldGauges, place: str, kpa: float) -> float:
    """Limit of error in kPa of the gauge there; a twentieth of its span off its graded scale."""
    gauge = gauges.of(place)
    limit = gauge.limit_of_error_kpa(GaugePressure(kpa))
    return 0.05 * gauge.span_kpa if limit is None else limit


def opens_circuit(step: Step) -> bool:
    """Was the refrigerant circuit open for this work?"""
    return step.action in ("replaced", "repaired") and step.item in _REFRIGERANT_CIRCUIT


def service_state(timeline: Timeline, gauges: ManifoldGauges = USUAL_MANIFOLD) -> ServiceState:
    """The state at the end of the record, as read with these gauges."""
    replay, last = _Replay({}, gauges), None
    for live in timeline.live:
        if live.usable:
            last = live.entry.statement
            replay.take(last, True, live.entry.id)
        else:
            for statement in accounts(live.entry):
                replay.take(last if statement == Control("withdraw") else statement, False, live.entry.id)
    return ServiceState(MappingProxyType(replay.items), gauges)


def moments(timeline: Timeline) -> Iterable[tuple[Entry, ServiceState]]:
    """Every entry in the order it was recorded, with the state as it was known then."""
    state, entries = ServiceState(), timeline.entries
    for index, entry in enumerate(entries):
        if entry.supersedes is None and entry.standing is not Standing.UNCONFIRMED:
            state = state.after(entry.statement, entry=entry.id)
        else:
            state = service_state(build(entries[:index + 1]))
        yield entry, state


def accounts(entry: Entry) -> tuple[Statement, ...]:
    """What an entry in question may say: its statement and every reader's version, a plan as the step it announces."""
    found = (entry.statement, *(v.statement for v in entry.versions))
    return tuple(dict.fromkeys(as_done(s) for s in found if s is not None))


def as_done(statement: Statement) -> Statement:
    """A plan as its step, a correction as what it puts in place."""
    statement = uncorrected(statement)
    return Step(statement.action) if isinstance(statement, Plan) else statement
