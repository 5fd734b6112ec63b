"""Single electrical figures: battery, coil resistance and current, drops and resistances across contacts and to ground.

Limits: common practice, no source. Copper: temperature coefficient of resistance 0.00393 per K at 20 C (IEC 60028).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.circuits import circuit_of
from hoodnote.checks.contacts import Reason, judge_section
from hoodnote.checks.inputs import Inputs, margin, weigh
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View
from hoodnote.physics.uncertain import expanded, nominal
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live
from hoodnote.statements.describe import figure as figure_text
from hoodnote.statements.model import Measured
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS, Quantity

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

COPPER_PER_K = 0.00393                   # IEC 60028, at 20 C
COLDEST_COIL_C, HOTTEST_COIL_C = 10.0, 100.0
COIL_OHM, COIL_A, AT_V = (2.4, 5.0), (3.0, 5.0), 12.0
SYSTEM_V = (12.0, 14.5)                  # where no voltage was read beside the current
_UNIT = {Quantity.VOLTAGE: "V", Quantity.RESISTANCE: "ohm", Quantity.CURRENT: "A"}
_CONTACTS = ("freeze_switch", "low_pressure_switch", "high_pressure_switch")


@dataclass(frozen=True)
class _Figure:
    """What is usual at one place, and the meter's limit of error: an absolute part and a share of the reading."""

    place: str
    quantity: Quantity
    id: str
    title: str
    low: float
    high: float
    absolute: float
    share: float
    when_low: str
    when_high: str


_COIL_LOW = "The coil resistance is low, which points to shorted turns; compare with the manual at the coil's temperature."
_COIL_HIGH = "The coil resistance is high, which points to an open or heat-damaged coil or a poor connection; compare with the manual."
_DRAWS_LITTLE = "draws little current, which points to resistance in the supply, the ground or the coil."
_LEADS = "The sign is reversed: swap the meter leads and read again."
_FIGURES = (
    _Figure("battery", Quantity.VOLTAGE, "battery", "Battery voltage", 9.0, 16.0, 0.05, 0.01,
            "The battery voltage is low for the clutch to pull in: charge or test the battery first.",
            "The voltage is above what a 12 V system charges at: check the meter, then the charging system."),
    _Figure("clutch_coil", Quantity.RESISTANCE, "clutch_coil", "Clutch coil resistance", *COIL_OHM, 0.2, 0.01, _COIL_LOW, _COIL_HIGH),
    _Figure("clutch_coil", Quantity.VOLTAGE, "clutch_coil_voltage", "Voltage across the clutch coil", 10.5, 16.0, 0.05, 0.01,
            "Less than the usual voltage reaches the coil, which points to a drop in the supply or the ground: read both, under load.",
            "The voltage is above what a 12 V system charges at: check the meter, then the charging system."),
    _Figure("clutch_coil", Quantity.CURRENT, "clutch_current", "Clutch coil current", *COIL_A, 0.1, 0.03,
            f"The coil {_DRAWS_LITTLE}", "The coil draws much current, which points to shorted turns."),
    _Figure("clutch", Quantity.CURRENT, "clutch_supply_current", "Clutch current at the connector", *COIL_A, 0.1, 0.03,
            f"The clutch {_DRAWS_LITTLE}", "The clutch draws much current, which points to shorted turns in the coil."),
    _Figure("relay_coil", Quantity.RESISTANCE, "relay_coil", "Relay coil resistance", 40.0, 140.0, 1.0, 0.01,
            "The relay coil's resistance is low, which points to shorted turns; compare with the manual.",
            "The relay coil's resistance is high, which points to an open coil; compare with the manual."),
    *(_Figure(place, Quantity.VOLTAGE, f"drop_{place}", f"Voltage drop: {PLACES[place].name}", 0.0, 0.5, 0.02, 0.01, _LEADS,
              "The drop is high for closed contacts or a ground: clean or repair the connection, unless the contact should be open just now.")
      for place in (*_CONTACTS, "clutch_ground")),
    *(_Figure(place, Quantity.RESISTANCE, f"resistance_{place}", f"Resistance: {PLACES[place].name}", 0.0, 1.0, 0.2, 0.01, _LEADS,
              "The resistance is high for closed contacts or a ground, unless the contact should be open just now: read the drop under load.")
      for place in (*_CONTACTS, "clutch_ground")),
)


def check(view: View) -> Iterator[Finding]:
    for usual in _FIGURES:
        if _spoken(view, usual):
            yield _judge(view, usual)
    yield from _ohms_law(view)


def _spoken(view: View, usual: _Figure) -> bool:
    return bool(view.readings(usual.place, quantity=usual.quantity)) or any(
        isinstance(x.entry.statement, Measured) and x.entry.statement.place == usual.place
        and UNITS[x.entry.statement.unit].quantity is usual.quantity for x in view.timeline.questions)


def _judge(view: View, usual: _Figure) -> Finding:
    inputs = Inputs(view)
    live = inputs.figure(usual.place, quantity=usual.quantity)
    unit = _UNIT[usual.quantity]
    told = {"expected": f"{usual.low:g} to {figure_text(usual.high, unit)}", "source": w.COMMON_PRACTICE}
    if live is None or not inputs.complete:
        return inputs.cannot_tell(usual.id, usual.title, **told)
    told["measured"] = figure_text(live.entry.statement.value, live.entry.statement.unit)
    read = _metered(view, live, usual)
    if usual.place == "clutch_coil" and usual.quantity is Quantity.RESISTANCE:
        read = read / _copper(view, inputs, live)
        told["expected"] += " at 20 °C"
        told["measured"] += f", about {nominal(read):.1f} Ω at 20 °C"
    elif usual.quantity is Quantity.CURRENT:
        read = read * AT_V / _supply(view, inputs, live) * _copper(view, inputs, live)
        told["expected"] += f" at {AT_V:g} V and 20 °C"
        told["measured"] += f", about {nominal(read):.1f} A at {AT_V:g} V and 20 °C"
    if not inputs.complete:
        return inputs.cannot_tell(usual.id, usual.title, **told)
    outcome, margin_sd = weigh(read, usual.low, usual.high)
    if outcome is Outcome.OUTSIDE and nominal(read) > usual.high and usual.place in _CONTACTS:
        return _open_contact(view, usual, inputs, live, told)
    why = {Outcome.WITHIN: "The figure is in the usual range.",
           Outcome.CANNOT_TELL: "The figure is too near the edge of the usual range for the meter and what is assumed to tell.",
           Outcome.OUTSIDE: usual.when_low if nominal(read) < usual.low else usual.when_high}[outcome]
    uncertainty = f"±{figure_text(_rounded(expanded(read)), unit)} (k = 2)"
    return inputs.finding(usual.id, usual.title, uncertainty=uncertainty, outcome=outcome, why=why, margin_sd=margin_sd, **told)


def _rounded(value: float) -> float:
    return float(f"{value:.2g}")


def _metered(view: View, live: Live, usual: _Figure) -> Uncertain:
    value = si(live)
    return view.errors.figure(value, usual.absolute + usual.share * abs(value), ("meter", live.entry.id))


def _copper(view: View, inputs: Inputs, live: Live) -> Uncertain:
    """Resistance of copper at the coil's temperature over that at 20 C. The coil is anywhere between the air and a hot coil."""
    air = inputs.condition("ambient", required=False)
    coldest = min(si(air) if air is not None else COLDEST_COIL_C, HOTTEST_COIL_C)
    inputs.notes.append(f"coil taken as {coldest:.0f} to {HOTTEST_COIL_C:.0f} °C")
    middle, half = (coldest + HOTTEST_COIL_C) / 2, (HOTTEST_COIL_C - coldest) / 2
    return 1 + COPPER_PER_K * (view.errors.figure(middle, half, ("coil", live.entry.id)) - 20.0)


def _supply(view: View, inputs: Inputs, current: Live) -> Uncertain:
    """The voltage read beside the current in the same state of the engine; else that of a 12 V system."""
    for place in ("clutch_coil", "clutch", "battery"):
        found = view.readings(place, situation=view.situation(current), quantity=Quantity.VOLTAGE)
        if found and si(found[-1]) > 1.0:
            live = inputs.figure(place, quantity=Quantity.VOLTAGE)
            if live is found[-1]:
                return view.errors.figure(si(live), 0.05 + 0.01 * si(live), ("meter", live.entry.id))
    low, high = SYSTEM_V
    inputs.notes.append(f"supply taken as {low:g} to {high:g} V")
    return view.errors.figure((low + high) / 2, (high - low) / 2, "system voltage")


def _open_contact(view: View, usual: _Figure, inputs: Inputs, live: Live, told: dict[str, str]) -> Finding:
    """The whole supply, or a high resistance, across a contact: it is open or poor, and may have a good reason to be open."""
    out = next((p for p in circuit_of(inputs).points if p.place == f"{usual.place}_out"), None)
    whole = usual.quantity is Quantity.RESISTANCE or si(live) >= 9.0
    if out is None or not whole:
        return inputs.finding(usual.id, usual.title, uncertainty="", outcome=Outcome.OUTSIDE, why=usual.when_high, **told)
    judged = judge_section(view, (out,), live)
    inputs.basis += judged.basis
    why = f"{judged.why[:1].upper()}{judged.why[1:]}."
    told["measured"] = "; ".join(t for t in (told["measured"], judged.measured) if t)
    if judged.reason is Reason.UNKNOWN:
        inputs.lacks(judged.lacking)
        return inputs.cannot_tell(usual.id, usual.title, why=why, **told)
    return inputs.finding(usual.id, usual.title, uncertainty=judged.uncertainty, why=why, margin_sd=judged.margin_sd,
                          outcome=Outcome.WITHIN if judged.reason is Reason.GOOD else Outcome.OUTSIDE, **told)


def _ohms_law(view: View) -> Iterator[Finding]:
    """Current against voltage over resistance: what is in the way besides the coil, which may have been colder or hotter at either reading."""
    ohms = view.readings("clutch_coil", quantity=Quantity.RESISTANCE)
    amps = [x for place in ("clutch_coil", "clutch") for x in view.readings(place, quantity=Quantity.CURRENT)]
    if not ohms or not amps:
        return
    volts = [x for place in ("clutch", "battery") for x in view.readings(place, situation=view.situation(amps[-1]), quantity=Quantity.VOLTAGE)]
    if not volts or si(ohms[-1]) <= 0 or ohms[-1].stage is not amps[-1].stage:
        return
    inputs = Inputs(view, stage=amps[-1].stage)
    current = inputs.figure(amps[-1].entry.statement.place, quantity=Quantity.CURRENT)
    resistance = inputs.figure("clutch_coil", quantity=Quantity.RESISTANCE)
    supply = inputs.figure(volts[-1].entry.statement.place, quantity=Quantity.VOLTAGE)
    name, title, source = "clutch_ohms_law", "Clutch current against voltage and coil resistance", "Ohm's law; copper: IEC 60028"
    expected = "the coil's own resistance alone sets the current"
    if current is None or resistance is None or supply is None or not inputs.complete:
        yield inputs.cannot_tell(name, title, expected=expected, source=source)
        return
    by_place = {(f.place, f.quantity): f for f in _FIGURES}
    ohm = _metered(view, resistance, by_place["clutch_coil", Quantity.RESISTANCE])
    ampere = _metered(view, current, by_place[current.entry.statement.place, Quantity.CURRENT])
    volt = view.errors.figure(si(supply), 0.05 + 0.01 * si(supply), ("meter", supply.entry.id))
    should = volt / ohm * _copper(view, inputs, resistance) / _copper(view, inputs, current)
    more = ampere - should
    apart = abs(nominal(more)) > expanded(more)
    why = {False: "Current, voltage and resistance agree, as far as the coil's temperature is known.",
           True: "Less current flows than this voltage drives through the coil, which points to resistance in the connector or the ground."
           if nominal(more) < 0 else "More current flows than the coil's resistance allows, which points to turns that short when warm: read both again."}
    yield inputs.finding(name, title, expected=f"about {nominal(should):.1f} A from {si(supply):g} V and {si(resistance):g} Ω",
                         measured=f"{si(current):g} A", uncertainty=f"±{expanded(more):.1f} A (k = 2)", why=why[apart],
                         outcome=Outcome.OUTSIDE if apart else Outcome.WITHIN, source=source,
                         margin_sd=margin(abs(nominal(more)), expanded(more), float("-inf"), expanded(more)))
