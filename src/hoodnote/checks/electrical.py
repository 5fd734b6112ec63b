"""The clutch circuit from battery to ground: where power ends, what drops, what the coil draws. Limits: common practice, no source."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, gauge_pressure, judge
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live
from hoodnote.statements.describe import figure as figure_text
from hoodnote.statements.model import Measured, Supply
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS, GaugePressure, Quantity

# The order of test points from the battery to the clutch; a vehicle may lack some or have them in another order.
CHAIN = ("battery", "fuse_in", "fuse", "fuse_out", "relay_supply", "control_unit", "relay_output", "freeze_switch_in", "freeze_switch_out",
         "low_pressure_switch_in", "low_pressure_switch_out", "high_pressure_switch_in", "high_pressure_switch_out", "clutch")
POWER_V, NO_POWER_V = 9.0, 1.0
# A low-pressure switch commonly opens between these gauge pressures.
CUT_OUT_PSI = (20.0, 30.0)

# place, quantity, id, title, lowest, highest, limit (absolute, fraction of reading), guidance when outside low / high
_SINGLE = (
    ("battery", Quantity.VOLTAGE, "battery", "Battery voltage", 9.0, 16.0, 0.05, 0.01,
     "The battery voltage is low for the clutch to pull in: charge or test the battery first.",
     "The voltage is above what a 12 V system charges at: check the meter, then the charging system."),
    ("clutch_coil", Quantity.RESISTANCE, "clutch_coil", "Clutch coil resistance", 2.4, 5.0, 0.2, 0.01,
     "The coil resistance is low, which points to shorted turns; compare with the manual at the coil's temperature.",
     "The coil resistance is high, which points to an open or heat-damaged coil or a poor connection; compare with the manual."),
    ("clutch_coil", Quantity.CURRENT, "clutch_current", "Clutch coil current", 3.0, 5.0, 0.1, 0.03,
     "The coil draws little current, which points to resistance in the supply, the ground or the coil.",
     "The coil draws much current, which points to shorted turns."),
    ("clutch", Quantity.CURRENT, "clutch_supply_current", "Clutch current at the connector", 3.0, 5.0, 0.1, 0.03,
     "The clutch draws little current, which points to resistance in the supply, the ground or the coil.",
     "The clutch draws much current, which points to shorted turns in the coil."),
    *((place, Quantity.VOLTAGE, f"drop_{place}", f"Voltage drop: {PLACES[place].name}", 0.0, 0.5, 0.02, 0.01, "",
       "The drop is high for closed contacts or a ground: clean or repair the connection, unless the contact should be open just now.")
      for place in ("freeze_switch", "low_pressure_switch", "high_pressure_switch", "clutch_ground")),
)


def check(view: View) -> Iterator[Finding]:
    for place, quantity, name, title, low, high, absolute, fraction, when_low, when_high in _SINGLE:
        inputs = Inputs(view)
        if not _spoken(view, place, quantity):
            continue
        live = inputs.figure(place, quantity=quantity)
        unit = {Quantity.VOLTAGE: "V", Quantity.RESISTANCE: "ohm", Quantity.CURRENT: "A"}[quantity]
        expected = f"{low:g} to {figure_text(high, unit)}"
        if live is None or not inputs.complete:
            yield inputs.cannot_tell(name, title, expected=expected, source=w.COMMON_PRACTICE)
            continue
        value = si(live)
        limit = absolute + fraction * abs(value)
        outcome = judge(value, limit, low, high)
        why = {Outcome.WITHIN: "The figure is in the usual range.",
               Outcome.CANNOT_TELL: "The figure is too near the edge of the usual range for the meter to tell.",
               Outcome.OUTSIDE: when_low if value < low else when_high}[outcome]
        if outcome is Outcome.OUTSIDE and not why:
            why = "The sign is reversed: swap the meter leads and read again."
        yield inputs.finding(name, title, expected=expected, measured=figure_text(live.entry.statement.value, live.entry.statement.unit),
                             uncertainty=f"meter ±{figure_text(round(limit, 2), unit)}", outcome=outcome, why=why, source=w.COMMON_PRACTICE)
    yield from _chain(view)


def _spoken(view: View, place: str, quantity: Quantity) -> bool:
    return bool(view.readings(place, quantity=quantity)) or any(
        isinstance(x.entry.statement, Measured) and x.entry.statement.place == place
        and UNITS[x.entry.statement.unit].quantity is quantity for x in view.timeline.questions)


def _power(live: Live) -> bool | None:
    """True, False, or None for a voltage that is neither."""
    match live.entry.statement:
        case Supply(present=present):
            return present
        case Measured():
            volts = si(live)
            return True if volts >= POWER_V else False if volts <= NO_POWER_V else None
    raise TypeError(live.entry.statement)


def _points(view: View) -> dict[str, Live]:
    """The last test of each point of the chain."""
    return {x.entry.statement.place: x for x in view.usable.live
            if isinstance(x.entry.statement, (Supply, Measured)) and x.entry.statement.place in CHAIN
            and (isinstance(x.entry.statement, Supply) or UNITS[x.entry.statement.unit].quantity is Quantity.VOLTAGE)}


def _chain(view: View) -> Iterator[Finding]:
    points = _points(view)
    tested = [p for p in CHAIN if p in points]
    pending = [d for d in view.doubts if d.keys & set(CHAIN)]
    enough = len(tested) > 1 or any(isinstance(x.entry.statement, Supply) for x in points.values())
    if not enough and not (tested and pending):
        return
    inputs = Inputs(view)
    if not enough:
        inputs.lacks("a second test point, confirmed")
    title, expected = "Power along the clutch circuit", "power at every point up to the clutch when the clutch is called for"
    inputs.basis += [points[p].entry.id for p in tested]
    for doubt in pending:
        if any(p not in points or doubt.order > view.order(points[p]) for p in doubt.keys & set(CHAIN)):
            inputs.lacks(f"{doubt.text} {NOT_CONFIRMED}")
    by_lamp = [points[p] for p in tested if isinstance(points[p].entry.statement, Supply)]
    if by_lamp and not view.did("test_light_proved"):
        inputs.notes.append("the test light was not proved on a known good supply")
    state = {p: _power(points[p]) for p in tested}
    measured = ", ".join(f"{PLACES[p].name} {'power' if state[p] else 'unclear' if state[p] is None else 'none'}" for p in tested)
    yield _judge_chain(view, inputs, title, expected, measured, tested, state, bool(by_lamp))


def _judge_chain(view: View, inputs: Inputs, title: str, expected: str, measured: str, tested: list[str],
                 state: dict[str, bool | None], by_lamp: bool) -> Finding:
    name, source = "clutch_circuit", w.COMMON_PRACTICE
    dead = [p for p in tested if state[p] is False]
    if not inputs.complete:
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=source)
    if any(state[p] is None for p in tested):
        weak = next(p for p in tested if state[p] is None)
        inputs.lacks("a clear voltage at every point")
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=source,
                                  why=f"The voltage at {PLACES[weak].name} is neither full nor none: look for a drop before it, under load.")
    if not dead:
        outcome, why = Outcome.WITHIN, f"Power was found at every point tested, up to {PLACES[tested[-1]].name}."
        if tested[-1] != "clutch":
            inputs.lacks("power at the clutch connector")
            return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=source,
                                      why=f"{why} The points after it were not tested.".replace(". The", "; the"))
        return inputs.finding(name, title, expected=expected, measured=measured, uncertainty="", outcome=outcome, why=why, source=source)
    first = dead[0]
    if any(state[p] for p in tested[tested.index(first):]):
        inputs.lacks("points that agree with their order in the circuit")
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=source,
                                  why=f"Power was found after {PLACES[first].name} had none, so the order differs on this vehicle or a test was "
                                      "wrong: test both again.")
    if by_lamp and not view.did("test_light_proved"):
        inputs.lacks("the test light proved on a known good supply")
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=source,
                                  why="A dead point found with an unproved test light proves nothing: prove the light on a known good supply and "
                                      "test again.")
    before = tested[tested.index(first) - 1] if tested.index(first) else None
    if before is None:
        inputs.lacks("a point with power before it")
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=source,
                                  why=f"No power at {PLACES[first].name} and no point before it was tested: go back towards the battery.")
    if (before, first) == ("low_pressure_switch_in", "low_pressure_switch_out"):
        return _open_low_pressure_switch(inputs, _points(view)[first], title, expected, measured)
    should = " after deciding whether it should be open just now" if first.endswith("switch_out") else ""
    return inputs.finding(name, title, expected=expected, measured=measured, uncertainty="", outcome=Outcome.OUTSIDE, source=source,
                          why=f"Power ends between {PLACES[before].name} and {PLACES[first].name}: examine that section first{should}.")


def _open_low_pressure_switch(inputs: Inputs, test: Live, title: str, expected: str, measured: str) -> Finding:
    """Low enough pressure opens the switch; that is its job. The pressure counts that was read last before the test."""
    name, source = "clutch_circuit", w.COMMON_PRACTICE
    inputs.stage = test.stage
    live = inputs.figure("low_side", required=False, before=inputs.view.order(test))
    if live is None or not inputs.complete:
        inputs.lacks("low-side pressure, read before the switch was tested")
        return inputs.cannot_tell(name, title, expected=expected, measured=measured, source=source,
                                  why="The low-pressure switch is open, and without the low-side pressure nobody can say whether it should be.")
    pressure = gauge_pressure(live, inputs.ambient_pressure())
    limit = inputs.view.equipment.gauges.low.limit_of_error_kpa(pressure)
    limit_psi = GaugePressure(limit or 0.0).psi
    uncertainty = f"gauge ±{limit_psi:.0f} psi; cut-out commonly {CUT_OUT_PSI[0]:.0f} to {CUT_OUT_PSI[1]:.0f} psi, see the manual"
    if pressure.psi < CUT_OUT_PSI[0] - limit_psi:
        return inputs.finding(name, title, expected=expected, measured=f"{measured}; low side {w.pressure(pressure)}", uncertainty=uncertainty,
                              outcome=Outcome.WITHIN, source=source,
                              why="The low-pressure switch is open at a low pressure, so it is doing its job: look for the lost charge before the "
                                  "switch.")
    if pressure.psi > CUT_OUT_PSI[1] + limit_psi:
        return inputs.finding(name, title, expected=expected, measured=f"{measured}; low side {w.pressure(pressure)}", uncertainty=uncertainty,
                              outcome=Outcome.OUTSIDE, source=source,
                              why="The low-pressure switch is open although the pressure is above its usual cut-out: test the switch and its "
                                  "connector against the manual.")
    inputs.lacks("the switch's cut-out pressure from the manual")
    return inputs.cannot_tell(name, title, expected=expected, measured=f"{measured}; low side {w.pressure(pressure)}", source=source,
                              why="The low-pressure switch is open and the pressure is near its usual cut-out: compare with the manual.")
