"""The hazards as data: what must be true together, what can happen, what to do now.

A hazard is raised when the last of its parts becomes true, whatever the order; parts that are unknown make it begin with "If".
All texts: common practice, no source, unless a source is given. One breath: at most 35 words.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from hoodnote.checks.dangers import conditions as c
from hoodnote.checks.dangers.conditions import Part
from hoodnote.checks.dangers.state import ServiceState, opens_circuit
from hoodnote.checks.model import Warning
from hoodnote.statements.model import Statement, Step

_CP = "common practice, no source"
_VENTING = "venting is prohibited, 40 CFR 82 subparts B and F"
_NOTHING: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Look:
    """A hazard held against a state. `true`: what of it holds; `unknown`: its parts that nobody can tell."""

    open: bool  # may it be true, and is enough of it known to say so?
    ended: bool  # something that is known makes it untrue, or nobody speaks of it any more
    true: frozenset[str]
    unknown: tuple[Part, ...]


@dataclass(frozen=True)
class Hazard:
    """`known`: sets of parts, of which one must be known to be true before anybody is told. `unless`: what makes it untrue when known.
    `on`: told each time such a step is done with the parts as they were before it; else told when it becomes true.
    `more`: what makes it worth telling again. `caution`: told once, and not kept before everybody's eyes."""

    id: str
    parts: tuple[Part, ...]
    danger: str | Callable[[ServiceState], str]
    lead: str = ""  # before the danger when every part is known
    known: tuple[frozenset[str], ...] = (_NOTHING,)
    unless: tuple[Part, ...] = ()
    on: Callable[[Statement], bool] | None = None
    more: Callable[[ServiceState], frozenset[str]] = lambda state: _NOTHING
    caution: bool = False
    source: str = _CP

    def look(self, state: ServiceState) -> Look:
        held = {part: part.holds(state) for part in self.parts}
        true = frozenset(part.name for part, value in held.items() if value)
        enough = any(needed <= true for needed in self.known)
        lost = any(state.lost(item) for part in self.parts for item in part.items)
        ended = False in held.values() or any(part.holds(state) for part in self.unless) or not (enough or lost)
        return Look(enough and not ended, ended, true | self.more(state), tuple(part for part, value in held.items() if value is None))

    def warning(self, state: ServiceState) -> Warning:
        danger = self.danger if isinstance(self.danger, str) else self.danger(state)
        unknown = self.look(state).unknown
        start = f"If {' and '.join(part.words for part in unknown)}, " if unknown else self.lead
        text = start + danger
        return Warning(
            self.id, text[:1].upper() + text[1:], state.basis(*(item for part in self.parts for item in part.items)), self.source
        )

    def raised(self, statement: Statement, before: ServiceState, after: ServiceState) -> bool:
        if self.on is not None:
            return self.on(statement) and self.look(before).open
        return self.newly_open(before, after)

    def newly_open(self, before: ServiceState, after: ServiceState) -> bool:
        """It was not open, or more of it has become true."""
        was, now = self.look(before), self.look(after)
        return now.open and (not was.open or bool(now.true - was.true))


def _does(*actions: str) -> Callable[[Statement], bool]:
    return lambda statement: isinstance(statement, Step) and statement.action in actions


def _takes_apart(statement: Statement) -> bool:
    return isinstance(statement, Step) and opens_circuit(statement)


def _only(*names: str) -> tuple[frozenset[str], ...]:
    return (frozenset(names),)


HAZARDS: tuple[Hazard, ...] = (
    Hazard(
        "pump_on_pressure",
        (c.PUMP, c.PRESSURE),
        "the vacuum pump vents refrigerant and can spray oil; stop the pump, shut the valves and recover first.",
        lead="The system still holds pressure: ",
        known=_only("pump"),
        source=_VENTING,
    ),
    Hazard(
        "opening_under_pressure",
        (c.PRESSURE,),
        "opening it throws refrigerant and oil at eyes and hands; keep it shut, recover first and read zero on both gauges.",
        lead="The system still holds pressure: ",
        on=_does("opening_system"),
        source=_VENTING,
    ),
    Hazard(
        "not_recovered",
        (c.PRESSURE,),
        "refrigerant and oil spray at eyes and hands; stop, recover first and read zero on both gauges.",
        lead="A part came off while the record still shows pressure: ",
        known=_only("pressure"),
        on=_takes_apart,
        source=_VENTING,
    ),
    Hazard(
        "valves_open_at_disconnecting",
        (c.VALVE_OPEN, c.PRESSURE),
        "refrigerant sprays from the hose as it comes off; shut the manifold valves and the source first.",
        lead="With a valve still open, ",
        known=_only("valve_open"),
        on=_does("gauges_disconnected"),
    ),
    Hazard(
        "high_coupler_hot",
        (c.JUST_RAN,),
        "the high-side coupler is hot and under high pressure and can spray; switch off, shut the valves and wait until "
        "both sides are equal.",
        lead="The engine is running: ",
        unless=(c.NO_PRESSURE,),
        on=_does("gauges_disconnected"),
    ),
    Hazard(
        "back_feed",
        (c.COMPRESSOR, c.HIGH_VALVE, c.FEEDING),
        "high pressure feeds back into the can or cylinder and can burst it; shut the high-side valve and the source now.",
        lead="With the compressor running and source and high-side valve open, ",
        known=(frozenset(("feeding",)), frozenset(("compressor", "high_valve"))),
        unless=(c.HIGH_COUPLER_OFF,),
    ),
    Hazard(
        "low_side_limit",
        (c.COMPRESSOR, c.FEEDING, c.LOW_SIDE_HIGH),
        c.low_side_text,
        known=_only("feeding", "low_side_high"),
        more=c.low_side_levels,
    ),
    Hazard(
        "liquid_low_side",
        (c.LIQUID, c.COMPRESSOR),
        "liquid into the low side can break the compressor; turn the can upright and charge vapour only.",
        lead="With the compressor running, ",
        known=_only("liquid"),
        unless=(c.LOW_VALVE_SHUT, c.NOT_FEEDING),
    ),
    Hazard("wrong_refrigerant", (c.REFRIGERANTS_DIFFER,), c.refrigerants_text, known=_only("differ"), more=c.refrigerant_tags),
    Hazard(
        "converted_system",
        (c.CONVERSION_STATED,),
        "the label says R-12 and R-134a was stated: unless it was converted they mix and contaminate system and "
        "equipment; use an identifier before connecting.",
        known=_only("conversion"),
        unless=(c.IDENTIFIED,),
        caution=True,
    ),
    Hazard(
        "flammable",
        (c.FLAMMABLE,),
        c.flammable_text,
        known=_only("flammable"),
        more=c.flammable_names,
        caution=True,
        source="ASHRAE 34 safety class (from memory)",
    ),
    Hazard(
        "flammable_leak",
        (c.FLAMMABLE, c.LEAKING, c.HEAT),
        c.flammable_leak_text,
        known=_only("flammable", "leaking"),
        unless=(c.NO_PRESSURE,),
    ),
    Hazard("leak_test_gas", (c.TEST_GAS,), c.test_gas_text, known=_only("test_gas"), unless=(c.NO_PRESSURE,), more=c.test_gas_names),
    Hazard(
        "pag_electric",
        (c.PAG, c.ELECTRIC_OR_UNKNOWN),
        "PAG oil conducts and can put high voltage on the housing; do not add it, use the non-conductive oil on the label.",
        lead="The compressor is electric: ",
        known=_only("pag"),
        more=c.oil_put_in,
    ),
    Hazard(
        "high_voltage",
        (c.HIGH_VOLTAGE_WORK, c.ELECTRIC),
        "an electric compressor carries deadly voltage: leave cables and compressor to trained people, "
        "isolated and proved dead as the manual says.",
        known=_only("high_voltage_work"),
        caution=True,
    ),
    Hazard(
        "can_flame",
        (c.FLAME,),
        "a flame on a can makes it burst and burning refrigerant gives poisonous gas; take the flame away, stand clear, use warm "
        "water only.",
        known=_only("flame"),
    ),
    Hazard("can_hot", (c.CAN_HOT,), c.can_text, known=_only("can_hot"), more=c.can_levels),
    Hazard(
        "can_pressure",
        (c.SOURCE_PRESSURE_HIGH,),
        c.source_pressure_text,
        known=_only("source_pressure_high"),
        source="saturation properties computed with CoolProp; limit: common practice, no source",
    ),
    Hazard(
        "eye_protection",
        (c.HANDLING,),
        "escaping refrigerant freezes eyes and skin: put eye protection and gloves on before anything is connected or opened.",
        known=_only("handling"),
        unless=(c.EYES,),
        caution=True,
    ),
    Hazard(
        "moving_parts",
        (c.FIRST_RUN,),
        "belts, fan and hot hoses injure: keep hands, hoses and sleeves clear, the fan may start by itself.",
        known=_only("first_run"),
        caution=True,
    ),
)
BY_ID: dict[str, Hazard] = {h.id: h for h in HAZARDS}
