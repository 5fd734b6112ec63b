"""A contact found open: is there a good reason for it? Its cut-out and cut-in against what was read before the test.

Where the pressure lies between cut-out and cut-in, or nothing was read, nobody can say whether it should be open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.circuits import Opening, Point
from hoodnote.checks.inputs import NOT_CONFIRMED, OFF_SCALE, Inputs, gauge_pressure
from hoodnote.checks.view import View
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality
from hoodnote.physics.uncertain import COVERAGE, expanded, nominal, saturation_temperature
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import GaugePressure

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

_SIDE = {"low pressure": "low_side", "high pressure": "high_side"}
# Air cannot leave colder than the coil, and a line not colder than what flows in it: cold there is cold inside.
_COLD_AT = ("vent", "evaporator_outlet", "evaporator_inlet")


class Reason(StrEnum):
    GOOD = "open for a good reason"
    NONE = "no good reason to be open"
    UNKNOWN = "cannot tell whether it should be open"


@dataclass(frozen=True)
class Judged:
    reason: Reason
    why: str                             # one clause: "open at a low pressure"
    measured: str = ""
    uncertainty: str = ""
    lacking: str = ""
    margin_sd: float | None = None       # of the reading beyond the whole range of cut-out and cut-in
    basis: tuple[int, ...] = ()


def judge_section(view: View, section: Sequence[Point], test: Live) -> Judged:
    """Every contact of the section that may open, against what was read before `test`. A good reason of one among several contacts
    is not known to be the reason."""
    inputs = Inputs(view, stage=test.stage)
    found = [judged for point in section for judged in _judge_point(inputs, point, test)]
    if not found:
        return Judged(Reason.NONE, "")
    parts = {p.through for p in section if p.openings or p.engine_hot_opens}
    good = next((j for j in found if j.reason is Reason.GOOD), None)
    if good is not None and len(parts) == 1 and all(p.through in parts or p.fault == "wiring" for p in section):
        return good
    if good is not None:
        others = sorted({p.through for p in section if p.fault != "wiring"})
        return Judged(Reason.UNKNOWN, good.why, good.measured, good.uncertainty,
                      f"tests between the contacts of this section: {', '.join(others)}",
                      basis=good.basis)
    return next((j for j in found if j.reason is Reason.UNKNOWN), found[0])


def _judge_point(inputs: Inputs, point: Point, test: Live) -> list[Judged]:
    found = [_cold(inputs, point, o, test) if o.by == "cold evaporator" else _pressure(inputs, point, o, test) for o in point.openings]
    if point.engine_hot_opens:
        found += _engine_hot(inputs, point, test)
    return found


def _pressure(inputs: Inputs, point: Point, opening: Opening, test: Live) -> Judged:
    place, part = _SIDE[opening.by], point.through
    side = f"{PLACES[place].name.replace(' ', '-')} pressure"
    live = _before(inputs, place, test)
    if isinstance(live, str):
        return Judged(Reason.UNKNOWN, f"the {part} is open, and without the {side} nobody can say whether it should be", lacking=live)
    value = gauge_pressure(live, inputs.ambient_pressure())
    limit = inputs.view.equipment.gauges.of(place).limit_of_error_kpa(value)
    if limit is None:
        return Judged(Reason.UNKNOWN, f"the {part} is open, and the {side} lies off the gauge's graded scale", lacking=OFF_SCALE)
    read = inputs.view.errors.figure(value.kpa, limit, ("gauge", place))
    cut = w.pressure_range(*(GaugePressure(x) for x in opening.opens))
    told = {"measured": f"{PLACES[place].name} {w.pressure(value)}", "basis": (live.entry.id,),
            "uncertainty": f"gauge {w.pressure_limit(expanded(read))} (k = 2); cut-out commonly {cut}, see the manual"}
    word = opening.by.partition(" ")[0]
    good, none = _beyond(read, opening)
    if good >= COVERAGE:
        look = "look for the lost charge before the switch" if word == "low" else "find out why the pressure is high before the switch"
        return Judged(Reason.GOOD, f"the {part} is open at a {word} pressure, so it is doing its job: {look}", margin_sd=good, **told)
    if none >= COVERAGE:
        where = "above its usual cut-out" if word == "low" else "below where it usually closes again"
        return Judged(Reason.NONE, f"the {part} is open although the pressure is {where}: test the switch and its connector against the manual",
                      margin_sd=-none, **told)
    return Judged(Reason.UNKNOWN, f"the {part} is open and the pressure is near its usual cut-out: compare with the manual",
                  lacking="the switch's cut-out pressure from the manual", **told)


def _beyond(read: Uncertain, opening: Opening) -> tuple[float, float]:
    """Standard deviations beyond the whole range in which it opens, and beyond the whole range in which it closes again."""
    sd = expanded(read) / COVERAGE or 1e-9
    value = nominal(read)
    if opening.by == "high pressure":
        return (value - opening.opens[1]) / sd, (opening.closes[0] - value) / sd
    return (opening.opens[0] - value) / sd, (value - opening.closes[1]) / sd


def _before(inputs: Inputs, place: str, test: Live) -> Live | str:
    """The last reading before the test, in the same state of engine and circuit; else what is lacking."""
    doubts = len(inputs.missing)
    live = inputs.figure(place, required=False, before=inputs.view.order(test))
    if len(inputs.missing) > doubts:
        return inputs.missing[-1]
    what = f"{PLACES[place].name.replace(' ', '-')} pressure" if place in _SIDE.values() else PLACES[place].name
    if live is None:
        return f"{what}, read before the switch was tested"
    running, tested = inputs.view.situation(live), inputs.view.situation(test)
    if (live.engine == "running" and test.engine != "running") or running.circuit_open != tested.circuit_open:
        return f"{what}, read with the engine and the circuit as at the test"
    return live


def _cold(inputs: Inputs, point: Point, opening: Opening, test: Live) -> Judged:
    """Cold air or a cold line shows a cold evaporator. A warm one is shown by its inlet line, or by a low side that cannot be cold."""
    part, limit = point.through, inputs.view.equipment.thermometer_limit_c
    usual = f"opens commonly at {w.temperature_range(*opening.opens)}, see the manual"
    lacking = ""
    for place in _COLD_AT:
        live = _before(inputs, place, test)
        if isinstance(live, str):
            lacking = live if live.endswith(NOT_CONFIRMED) else lacking
            continue
        read = inputs.view.errors.figure(si(live), limit, ("thermometer", live.entry.id))
        good, none = _beyond(read, opening)
        told = {"measured": f"{PLACES[place].name} {w.temperature(si(live))}", "basis": (live.entry.id,),
                "uncertainty": f"thermometer {w.difference_limit(expanded(read))} (k = 2); {usual}"}
        if good >= COVERAGE:
            return Judged(Reason.GOOD,
                          f"the {part} is open at a cold evaporator, so it is doing its job: let the evaporator warm up and look at airflow and "
                          "charge before the switch", margin_sd=good, **told)
        if none >= COVERAGE and place == "evaporator_inlet" and not lacking:
            return Judged(Reason.NONE,
                          f"the {part} is open although the evaporator is warm: test the switch and its connector against the manual",
                          margin_sd=-none, **told)
    warm = None if lacking else _warm_by_pressure(inputs, opening, test)
    if warm is not None:
        return Judged(Reason.NONE,
                      f"the {part} is open although the refrigerant is not cold enough to ice the evaporator: test the switch and its "
                      "connector against the manual", margin_sd=-warm[0], measured=warm[1], uncertainty=usual, basis=warm[2])
    return Judged(Reason.UNKNOWN, f"the {part} is open, and what is known of the evaporator's temperature does not say whether it should be",
                  lacking=lacking or "evaporator inlet line temperature, read before the switch was tested")


def _warm_by_pressure(inputs: Inputs, opening: Opening, test: Live) -> tuple[float, str, tuple[int, ...]] | None:
    """Standard deviations above closing, the text and the entries, where the low side's saturation temperature is that warm."""
    live = _before(inputs, "low_side", test)
    refrigerant = inputs.refrigerant()
    if isinstance(live, str) or refrigerant is None:
        return None
    station = inputs.ambient_pressure()
    value = gauge_pressure(live, station)
    limit = inputs.view.equipment.gauges.low.limit_of_error_kpa(value)
    if limit is None or not inputs.complete:
        return None
    try:
        read = saturation_temperature(refrigerant, inputs.view.errors.figure(value.kpa + station.kpa, limit, ("gauge", "low_side")), Quality.DEW)
    except NoSaturation:
        return None
    _, none = _beyond(read, opening)
    text = f"low side {w.pressure(value)}, where {refrigerant} boils at {w.temperature(nominal(read))}"
    return (none, text, (live.entry.id,)) if none >= COVERAGE else None


def _engine_hot(inputs: Inputs, point: Point, test: Live) -> list[Judged]:
    """An overheating engine is a reason that only the manual can confirm."""
    view, until = inputs.view, inputs.view.order(test)
    hot = view.did("engine_hot")
    if hot is not None and view.order(hot) < until and hot.stage is test.stage:
        return [Judged(Reason.UNKNOWN,
                       f"the {point.through} gives no output while the engine overheats, which many vehicles do on purpose: settle the cooling "
                       "system first", lacking="this test with the engine at its usual temperature", basis=(hot.entry.id,))]
    doubt = next((d for d in view.doubts if "engine_hot" in d.keys and d.order < until), None)
    return [Judged(Reason.UNKNOWN, f"the {point.through} gives no output", lacking=f"{doubt.text} {NOT_CONFIRMED}")] if doubt else []
