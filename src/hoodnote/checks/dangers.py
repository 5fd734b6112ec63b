"""What a new statement makes dangerous at once: what can happen, what to do now.

State that nobody stated, or that stands unconfirmed, is unknown, not safe; the warning then begins with its condition.
All texts: common practice, no source, unless a source is given.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hoodnote.checks.inputs import CONVERSION
from hoodnote.checks.model import Warning
from hoodnote.checks.vehicle import oil_family
from hoodnote.physics.refrigerants import REFRIGERANTS
from hoodnote.readings.model import Live, Timeline
from hoodnote.statements.model import Correction, Fact, Measured, Plan, Statement, Step, uncorrected
from hoodnote.units import UNITS, Quantity, from_si, to_si

LOW_SIDE_LIMIT_PSI = (50.0, 55.0)
CAN_LIMIT_C = 52.0                    # 125 F, as printed on refrigerant cans (common practice)
SETTLE_MINUTES = 5.0
# Below this a gauge's needle on zero cannot be told from pressure (common practice).
NO_PRESSURE_PSI = 2.0
_CP = "common practice, no source"
_VENTING = "venting is prohibited, 40 CFR 82 subparts B and F"

# Steps that set a two-way state: action -> (state, value).
_SETS: dict[str, tuple[tuple[str, bool], ...]] = {
    "engine_off": (("running", False),), "engine_running": (("running", True),),
    "low_valve_open": (("low_open", True),), "low_valve_shut": (("low_open", False),),
    "high_valve_open": (("high_open", True),), "high_valve_shut": (("high_open", False),),
    "source_open": (("source_open", True),), "source_shut": (("source_open", False),),
    "charging_started": (("charging", True),), "charging_finished": (("charging", False),),
    "charging_liquid": (("liquid", True), ("charging", True)), "charging_vapour": (("liquid", False), ("charging", True)),
    "can_inverted": (("liquid", True),), "can_upright": (("liquid", False),),
    "eye_protection": (("eyes", True),), "gauges_connected": (("gauges", True),), "gauges_disconnected": (("gauges", False),),
    "pump_on": (("pumping", True),), "pump_off": (("pumping", False),),
}


@dataclass
class State:
    """The job's state as the record gives it: True, False, or None for nobody knows."""

    flags: dict[str, bool | None] = field(default_factory=dict)
    basis: dict[str, int | None] = field(default_factory=dict)
    held_at: dict[str, bool] = field(default_factory=dict)       # place -> did its last reading show pressure?
    facts: dict[str, str] = field(default_factory=dict)
    seen: set[str] = field(default_factory=set)                  # actions said before

    def flag(self, name: str) -> bool | None:
        return self.flags.get(name)

    def take(self, statement: Statement, sure: bool = True, entry_id: int | None = None) -> None:
        match statement:
            case Correction(statement=inner):
                self.take(inner, sure, entry_id)
            case Step(action=action):
                self._step(action, sure, entry_id)
            case Measured():
                self._measured(statement, sure, entry_id)
            case Fact(key=key, value=value) if sure:
                self.facts[key] = value
                self.basis[key] = entry_id

    def _step(self, action: str, sure: bool, entry_id: int | None) -> None:
        for name, value in _SETS.get(action, ()):
            if not sure and name == "eyes":
                continue
            self._flag(name, value if sure else None, entry_id)
        if action in ("engine_off", "engine_running"):
            self._flag("settled", False if sure and action == "engine_off" else None, entry_id)
        if action == "gauges_disconnected" and sure:
            for name in ("low_open", "high_open"):
                self._flag(name, False, entry_id)
        if action in ("recovery_finished", "opening_system"):
            self._empty(sure, entry_id)
        if action in ("leak_test_nitrogen", "charging_started", "source_open", "leak_test_tracer"):
            self._flag("pressure", None, entry_id)
        if action == "charging_finished":
            self._flag("pressure", True if sure else None, entry_id)
        if sure:
            self.seen.add(action)

    def _measured(self, m: Measured, sure: bool, entry_id: int | None) -> None:
        value = to_si(float(m.value), m.unit)
        if m.engine:
            self._flag("running", (m.engine == "running") if sure else None, entry_id)
        if m.place in ("low_side", "high_side", "nitrogen"):
            self._pressure_read(m, value, sure, entry_id)
        elif m.place in ("vacuum", "recovered"):
            self._empty(sure, entry_id)
        elif m.place == "charged":
            self._flag("pressure", True, entry_id)
        elif m.place == "settle_time" and sure and value >= SETTLE_MINUTES:
            self._flag("settled", True, entry_id)

    def _pressure_read(self, m: Measured, value: float, sure: bool, entry_id: int | None) -> None:
        """A low side without pressure proves nothing about the high side while the compressor may be running."""
        held = UNITS[m.unit].quantity is not Quantity.VACUUM and from_si(value, "psi") > NO_PRESSURE_PSI
        if held or sure:
            self.held_at[m.place] = held
        else:
            self.held_at.pop(m.place, None)
        if any(self.held_at.values()):
            self._flag("pressure", True, entry_id)
        elif self.held_at and self.flag("pumping") is not True and self.flag("running") is not False and "high_side" not in self.held_at:
            self._flag("pressure", None, entry_id)
        else:
            self._flag("pressure", False if self.held_at else None, entry_id)

    def _empty(self, sure: bool, entry_id: int | None) -> None:
        if sure:
            self.held_at.clear()
        self._flag("pressure", False if sure else None, entry_id)

    def _flag(self, name: str, value: bool | None, entry_id: int | None) -> None:
        self.flags[name] = value
        self.basis[name] = entry_id

    def ids(self, *names: str) -> tuple[int, ...]:
        return tuple(dict.fromkeys(i for n in names if (i := self.basis.get(n)) is not None))


def state_of(timeline: Timeline) -> State:
    state = State()
    for live in timeline.live:
        _take_live(state, live)
    return state


def _take_live(state: State, live: Live) -> None:
    if live.entry.statement is not None:
        state.take(live.entry.statement, live.usable, live.entry.id)


def hazards(statement: Statement, timeline: Timeline) -> list[Warning]:
    """Warnings that `statement`, said after the record `timeline`, calls for now; for a step that is announced, those of the step done."""
    statement = uncorrected(statement)
    if isinstance(statement, Plan):
        statement = Step(statement.action)
    before = state_of(timeline)
    after = state_of(timeline)
    after.take(statement)
    return [w for rule in _RULES if (w := rule(statement, before, after)) is not None]


def _action(statement: Statement) -> str | None:
    return statement.action if isinstance(statement, Step) else None


def _pump_on(statement: Statement, before: State, after: State) -> Warning | None:
    if _action(statement) != "pump_on" or before.flag("pressure") is False:
        return None
    start = "" if before.flag("pressure") else "If the system still holds pressure, "
    text = (f"{start or 'The system still holds pressure: '}starting the vacuum pump on it vents refrigerant and can spray oil; stop the pump, "
            "shut the valves and recover first.")
    return Warning("pump_on_pressure", text, before.ids("pressure"), _VENTING)


def _opening(statement: Statement, before: State, after: State) -> Warning | None:
    if _action(statement) != "opening_system" or before.flag("pressure") is False:
        return None
    start = "The system still holds pressure: " if before.flag("pressure") else "If the system still holds pressure, "
    return Warning("opening_under_pressure", f"{start}opening it throws refrigerant and oil at eyes and hands; keep it shut, recover first and read "
                   "zero on both gauges.", before.ids("pressure"), _VENTING)


def _back_feed(statement: Statement, before: State, after: State) -> Warning | None:
    relevant = _action(statement) in ("source_open", "high_valve_open", "engine_running") or (
        isinstance(statement, Measured) and statement.engine == "running")
    parts = {"running": "the engine is running", "high_open": "the high-side valve is open", "source_open": "the source is open"}
    values = {name: after.flags.get(name) for name in parts}
    if not relevant or False in values.values():
        return None
    unknown = [name for name, value in values.items() if value is None]
    if len(unknown) > 1 and _action(statement) != "source_open":
        return None
    danger = "high pressure feeds back into the source can or cylinder and can burst it; shut the high-side valve and the source now."
    start = "With the engine running and source and high-side valve open, " if not unknown else \
        f"If {' and '.join(parts[name] for name in unknown)}, "
    return Warning("back_feed", start + danger, after.ids(*parts), _CP)


def _low_side_limit(statement: Statement, before: State, after: State) -> Warning | None:
    if not isinstance(statement, Measured) or statement.place != "low_side" or UNITS[statement.unit].quantity is not Quantity.PRESSURE:
        return None
    psi = from_si(to_si(float(statement.value), statement.unit), "psi")
    charging = after.flag("charging") or after.flag("source_open")
    if psi <= LOW_SIDE_LIMIT_PSI[0] or not charging or after.flag("running") is False:
        return None
    start = "" if after.flag("running") else "If the compressor is running, "
    over = "at its limit" if psi <= LOW_SIDE_LIMIT_PSI[1] else "over its limit"
    text = (f"{start}{'t' if start else 'T'}he low side is {over} of {LOW_SIDE_LIMIT_PSI[0]:.0f} to {LOW_SIDE_LIMIT_PSI[1]:.0f} psi while charging "
            "and may push liquid into the compressor; shut the low-side valve and let the pressure fall.")
    return Warning("low_side_limit", text, after.ids("charging", "source_open", "running"), _CP)


_REFRIGERANT_KEYS = {"refrigerant": "the stated refrigerant", "label_refrigerant": "the label", "source_refrigerant": "the source"}


def _wrong_refrigerant(statement: Statement, before: State, after: State) -> Warning | None:
    fact = isinstance(statement, Fact) and statement.key in _REFRIGERANT_KEYS
    if not fact and _action(statement) not in ("charging_started", "charging_vapour", "charging_liquid", "source_open"):
        return None
    known = {k: after.facts[k] for k in _REFRIGERANT_KEYS if k in after.facts}
    if len(set(known.values())) < 2 or (fact and statement.key not in known):
        return None
    if (known.get("label_refrigerant"), known.get("refrigerant")) == CONVERSION and known.get("source_refrigerant", CONVERSION[1]) == CONVERSION[1]:
        if not fact:
            return None
        return Warning("converted_system", "The label says R-12 and R-134a was stated: if the system was never converted the two mix and contaminate it "
                       "and your equipment; use an identifier before connecting.", after.ids(*known), _CP)
    listing = ", ".join(f"{_REFRIGERANT_KEYS[k]} says {v}" for k, v in known.items())
    return Warning("wrong_refrigerant", f"The refrigerants differ ({listing}): mixing contaminates system and equipment; do not connect or charge until "
                   "an identifier settles it.", after.ids(*known), _CP)


def _flammable(statement: Statement, before: State, after: State) -> Warning | None:
    if not (isinstance(statement, Fact) and statement.key in _REFRIGERANT_KEYS):
        return None
    known = REFRIGERANTS.get(statement.value)
    if known is None or not known.flammable or statement.value in before.facts.values():
        return None
    return Warning("flammable", f"{known.designation} can burn (safety class {known.safety}): escaping gas can catch fire, so keep flames, sparks and hot "
                   "surfaces away, ventilate, and use equipment made for it.", (), "ASHRAE 34 safety class (from memory)")


def _gas(statement: Statement, before: State, after: State) -> Warning | None:
    gas = {"leak_test_air": "Compressed air", "leak_test_oxygen": "Oxygen"}.get(_action(statement) or "")
    if not gas:
        return None
    return Warning("leak_test_gas", f"{gas} with oil and refrigerant under pressure can explode: shut it off and let the pressure down, then test with dry "
                   "nitrogen or a tracer gas.", (), _CP)


def _pag(statement: Statement, before: State, after: State) -> Warning | None:
    named = isinstance(statement, Fact) and statement.key in ("oil_type", "compressor_drive")
    added = isinstance(statement, Measured) and statement.place == "oil_added"
    oil, drive = after.facts.get("oil_type"), after.facts.get("compressor_drive")
    if not (named or added) or oil is None or oil_family(oil) != "PAG" or drive not in (None, "electric"):
        return None
    start = "The compressor is electric: " if drive else "If the compressor is electric, "
    return Warning("pag_electric", f"{start}PAG oil conducts and can put high voltage on the housing; do not add it, and use the non-conductive oil on the "
                   "label.", after.ids("oil_type", "compressor_drive"), _CP)


def _can(statement: Statement, before: State, after: State) -> Warning | None:
    if _action(statement) == "can_heated_flame":
        return Warning("can_flame", "A flame on a can makes it burst and burning refrigerant gives poisonous gas: take the flame away now, stand clear and use "
                       "warm water only.", (), _CP)
    if isinstance(statement, Measured) and statement.place == "can":
        if to_si(float(statement.value), statement.unit) > CAN_LIMIT_C:
            return Warning("can_hot", f"A can above {CAN_LIMIT_C:.0f} °C (125 °F) can burst: shut the valve, stand clear and let it cool.", (), _CP)
    return None


def _liquid(statement: Statement, before: State, after: State) -> Warning | None:
    relevant = _action(statement) in ("charging_liquid", "can_inverted", "engine_running", "low_valve_open")
    if not relevant or not after.flag("liquid") or after.flag("running") is False or after.flag("low_open") is False:
        return None
    if _action(statement) in ("engine_running", "low_valve_open") and not (after.flag("charging") or after.flag("source_open")):
        return None
    start = "With the engine running, " if after.flag("running") else "If the engine is running, "
    return Warning("liquid_low_side", f"{start}liquid into the low side can break the compressor; turn the can upright and charge vapour only.",
                   after.ids("running", "liquid", "low_open"), _CP)


def _coupler(statement: Statement, before: State, after: State) -> Warning | None:
    if _action(statement) != "gauges_disconnected" or before.flag("settled"):
        return None
    start = "The engine is running: " if before.flag("running") else \
        "If the engine ran a moment ago, " if before.flag("running") is False or "engine_running" in before.seen else "If the engine is or was just running, "
    return Warning("high_coupler_hot", f"{start}the high-side coupler is hot and under high pressure and can spray when it comes off; switch off, shut "
                   "the valves and wait until both sides are equal.", before.ids("running", "settled"), _CP)


def _eyes(statement: Statement, before: State, after: State) -> Warning | None:
    if _action(statement) != "gauges_connected" or before.flag("eyes"):
        return None
    return Warning("eye_protection", "Escaping refrigerant freezes eyes and skin: put eye protection and gloves on before the couplers go on.", (), _CP)


def _hands(statement: Statement, before: State, after: State) -> Warning | None:
    if _action(statement) != "engine_running" or "engine_running" in before.seen:
        return None
    return Warning("moving_parts", "Belts, fan and hot hoses injure: keep hands, hoses and sleeves clear, the fan may start by itself.", (), _CP)


_RULES = (_pump_on, _opening, _back_feed, _low_side_limit, _wrong_refrigerant, _flammable, _gas, _pag, _can, _liquid, _coupler, _eyes, _hands)
