"""Pressure-enthalpy sketch of the running cycle: pure refrigerants, from both pressures and the line temperatures of one stage.

A corner stands where pressure and temperature were read. A corner that was not read is assumed (saturated, or ideal compression),
drawn dashed and said. Above the critical point nothing is saturated, so there the cooler's outlet must have been read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hoodnote.checks.equipment import Equipment
from hoodnote.note.ground import Ground
from hoodnote.note.model import Plot
from hoodnote.note.plots import axes, given
from hoodnote.note.plots.axes import Axis, Curve, Frame, Mark, Printed
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.physics.saturation import critical_point, saturation_pressure, saturation_temperature
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.units import AbsolutePressure, GaugePressure, Quantity, Temperature, from_si

# Enthalpy is counted from saturated liquid at -40 °C (the older ASHRAE convention).
DATUM_C = -40.0
_KJ_PER_BTU_LB = 2.326               # NIST SP 811 appendix B.8, International Table Btu
_DOME_POINTS = 50
_ENTHALPY = (Printed("kJ/kg"), Printed("Btu/lb", 1 / _KJ_PER_BTU_LB))
_PRESSURE = (Printed("kPa absolute"), Printed("psi absolute", from_si(1.0, "psi")))


@dataclass(frozen=True)
class Corner:
    kj_kg: float                      # above DATUM_C
    kpa: float                        # absolute
    text: str
    read: bool


@dataclass(frozen=True)
class Cycle:
    """Corners in the direction of flow: compressor inlet and outlet, condenser outlet, evaporator inlet."""

    stage: Stage
    corners: tuple[Corner, Corner, Corner, Corner]
    limits: tuple[float | None, float | None]          # bars of low and high side, kPa


def cycle_plot(ground: Ground, equipment: Equipment) -> Plot | None:
    """None where the refrigerant is no single known substance, or no stage has both running pressures and a line that places a corner."""
    name = given.known_refrigerant(ground)
    if name is None or look_up(name).blend:
        return None
    ambient, ambient_words = given.ambient_pressure(ground)
    cycles = [c for stage in (Stage.BEFORE, Stage.AFTER) if (c := _cycle(ground, name, ambient, stage, equipment))]
    if not cycles:
        return None
    marks, curves = [], []
    for c in cycles:
        shapes = ("square", "up", "diamond", "down")
        bars = (c.limits[0], c.limits[1], c.limits[1], c.limits[0])
        marks += [Mark(shape, c.stage, p.kj_kg, p.kpa, p.text, None, bar, assumed=not p.read)
                  for shape, p, bar in zip(shapes, c.corners, bars, strict=True)]
        for a, b in zip(c.corners, (*c.corners[1:], c.corners[0]), strict=True):
            curves.append(Curve(((a.kj_kg, a.kpa), (b.kj_kg, b.kpa)), "full" if a.read and b.read else "dashed", stage=c.stage, name="cycle"))
    frame = _frame(marks, ground.units)
    curves.insert(0, Curve(_dome(name, frame), "full", f"{name}: saturated liquid (left) and vapour (right)", "saturation"))
    caption = (f"{ambient_words[0].upper()}{ambient_words[1:]}. Hollow: before the work, filled: after it; dashed: assumed, not read. "
               f"Enthalpy from saturated liquid at {given.temperature(DATUM_C, None, ground.units)}. Pressure drops and heat in the lines are "
               f"left out. Bars: {given.COVERAGE}. Properties computed with CoolProp.")
    return axes.plot("pressure-enthalpy", frame, curves, axes.numbered(marks), f"Pressure-enthalpy sketch of the running cycle, {name}",
                     "a sketch from the readings; dashed parts are assumed", caption)


def _cycle(ground: Ground, name: str, ambient: AbsolutePressure, stage: Stage, equipment: Equipment) -> Cycle | None:
    low, high = (given.reading(ground, p, stage, "running", Quantity.PRESSURE) for p in ("low_side", "high_side"))
    if low is None or high is None or si(low) >= si(high):
        return None
    p_low, p_high = (GaugePressure(si(x)).absolute(ambient) for x in (low, high))
    try:
        evaporating = saturation_temperature(name, p_low)
        transcritical = p_high.kpa >= critical_point(name)[1].kpa
        condensing = None if transcritical else saturation_temperature(name, p_high)
        inlet = _inlet(ground, name, stage, p_low, low, evaporating)
        outlet = _outlet(ground, name, stage, p_high, high, condensing, inlet)
        cooled = _cooled(ground, name, stage, p_high, high, condensing)
    except NoSaturation:
        return None
    if cooled is None or cooled.kj_kg >= inlet.kj_kg or outlet.kj_kg <= inlet.kj_kg:
        return None
    if not (inlet.read or outlet.read or cooled.read):
        return None
    expanded = Corner(cooled.kj_kg, p_low.kpa, f"{stage}, evaporator inlet: expansion at the enthalpy of the condenser outlet", cooled.read)
    limits = [given.bar(given.gauge_limit(equipment, p, si(x))) for p, x in (("low_side", low), ("high_side", high))]
    return Cycle(stage, (inlet, outlet, cooled, expanded), (limits[0], limits[1]))


def _temperature(ground: Ground, stage: Stage, *places: str) -> Live | None:
    return next((x for p in places if (x := given.reading(ground, p, stage, "running"))), None)


def _inlet(ground: Ground, name: str, stage: Stage, p: AbsolutePressure, pressure: Live, evaporating: Temperature) -> Corner:
    said = f"{stage}, compressor inlet: {given.in_own_units(ground, pressure)}"
    line = _temperature(ground, stage, "suction_line", "evaporator_outlet")
    if line is not None and si(line) > evaporating.celsius:
        return Corner(_at(name, p, si(line)), p.kpa, f"{said}, suction line {given.in_own_units(ground, line)}", True)
    why = "suction line not read" if line is None else "suction line not above saturation, so its state is not known"
    return Corner(_saturated(name, evaporating, 1.0), p.kpa, f"{said}; {why}, assumed saturated vapour", False)


def _outlet(ground: Ground, name: str, stage: Stage, p: AbsolutePressure, pressure: Live, condensing: Temperature | None, inlet: Corner) -> Corner:
    said = f"{stage}, compressor outlet: {given.in_own_units(ground, pressure)}"
    line = _temperature(ground, stage, "discharge_line")
    ideal = _compressed(name, inlet, p)
    if line is not None and (condensing is None or si(line) > condensing.celsius) and _at(name, p, si(line)) > inlet.kj_kg:
        return Corner(_at(name, p, si(line)), p.kpa, f"{said}, discharge line {given.in_own_units(ground, line)}", True)
    why = "discharge line not read" if line is None else "discharge line not above saturation, so its state is not known"
    return Corner(ideal, p.kpa, f"{said}; {why}, assumed ideal compression", False)


def _cooled(ground: Ground, name: str, stage: Stage, p: AbsolutePressure, pressure: Live, condensing: Temperature | None) -> Corner | None:
    said = f"{stage}, {'condenser' if condensing else 'gas cooler'} outlet: {given.in_own_units(ground, pressure)}"
    line = _temperature(ground, stage, "liquid_line", "condenser_outlet")
    if line is not None and (condensing is None or si(line) < condensing.celsius):
        return Corner(_at(name, p, si(line)), p.kpa, f"{said}, liquid line {given.in_own_units(ground, line)}", True)
    if condensing is None:
        return None
    why = "liquid line not read" if line is None else "liquid line not below saturation, so its state is not known"
    return Corner(_saturated(name, condensing, 0.0), p.kpa, f"{said}; {why}, assumed saturated liquid", False)


def _enthalpy(name: str, *state: str | float) -> float:
    """kJ/kg above the datum. Raises NoSaturation where the property model has no such state."""
    from CoolProp.CoolProp import PropsSI

    model = look_up(name).model
    try:
        return (PropsSI("H", *state, model) - PropsSI("H", "T", DATUM_C + 273.15, "Q", 0, model)) / 1e3
    except ValueError:
        raise NoSaturation(f"{name} has no such state in its property model; check the figure") from None


def _at(name: str, p: AbsolutePressure, celsius: float) -> float:
    return _enthalpy(name, "P", p.kpa * 1e3, "T", celsius + 273.15)


def _saturated(name: str, temperature: Temperature, vapour: float) -> float:
    return _enthalpy(name, "T", temperature.kelvin, "Q", vapour)


def _compressed(name: str, inlet: Corner, p: AbsolutePressure) -> float:
    """Enthalpy after ideal (isentropic) compression from the inlet."""
    from CoolProp.CoolProp import PropsSI

    model = look_up(name).model
    datum = PropsSI("H", "T", DATUM_C + 273.15, "Q", 0, model)
    entropy = PropsSI("S", "P", inlet.kpa * 1e3, "H", inlet.kj_kg * 1e3 + datum, model)
    return _enthalpy(name, "P", p.kpa * 1e3, "S", entropy)


def _dome(name: str, frame: Frame) -> tuple[tuple[float, float], ...]:
    """Saturated liquid up to the critical point and saturated vapour down again."""
    top = critical_point(name)[0].celsius - 0.2
    low = saturation_temperature(name, AbsolutePressure(frame.up.low)).celsius
    steps = [top - (top - low) * (i / (_DOME_POINTS - 1)) ** 2 for i in range(_DOME_POINTS)]      # close together near the top
    side = {q: [(_saturated(name, Temperature(c), q), saturation_pressure(name, Temperature(c)).kpa) for c in steps] for q in (0.0, 1.0)}
    return (*reversed(side[0.0]), *side[1.0])


def _frame(marks: Sequence[Mark], units: str) -> Frame:
    left, right = min(m.x for m in marks), max(m.x for m in marks)
    spare = 0.12 * (right - left)
    # never so low that the property model has no saturation there
    low, high = min(m.y - (m.limit_y or 0) for m in marks), max(m.y + (m.limit_y or 0) for m in marks)
    return Frame(Axis(left - 2 * spare, right + spare, "specific enthalpy", *given.in_habit(_ENTHALPY, units)),
                 Axis(max(0.7 * low, 0.5 * min(m.y for m in marks)), 1.9 * high, "pressure", *given.in_habit(_PRESSURE, units), log=True))
