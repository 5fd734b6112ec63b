"""Steady state of a circuit: a damped Newton method, started from a usual operating point or led there in steps."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

from hoodnote.physics.cycle.circuit import Circuit, State, Unknowns
from hoodnote.physics.cycle.faults import effects
from hoodnote.physics.cycle.fluid import COLDEST_C, fluid
from hoodnote.physics.cycle.model import FIXED, Conditions, Fault, Running, Vehicle
from hoodnote.physics.errors import NoSteadyState, OutOfRange

# Of the unknowns: step for the derivatives, longest step of the solver, least and most.
_STEPS = (0.002, 0.02, 0.002, 0.002, 0.02)
_LONGEST = (0.5, 8.0, 0.5, 0.5, 8.0)
_TOLERANCE = 2e-6
_HALVINGS = 5
# Where high-pressure and low-pressure switches commonly act, gauge kPa (common practice, no source).
HIGH_SWITCH_KPA, LOW_SWITCH_KPA = 2900.0, 60.0


def run(vehicle: Vehicle, conditions: Conditions, fault: Fault | None = None) -> Running:
    """What gauges and thermometers show once the circuit has settled. Guidance from a model of an assumed vehicle, not this one's values.

    Valid for a standing vehicle with its doors open and the blower high, refrigerants of `fluid.MODELLED`, ambient 5 to 55 C.
    Raises NotModelled, NoSteadyState, OutOfRange, UnknownRefrigerant.
    """
    circuit = Circuit(vehicle, conditions, fault)
    return shown(circuit, circuit.state(solved(circuit)))


def solved(circuit: Circuit, start: Unknowns | None = None) -> Unknowns:
    """The unknowns at steady state; `start`: those of a like circuit. Raises NoSteadyState or OutOfRange."""
    found = _newton(circuit, start) if start else None
    found = _newton(circuit, _guess(circuit)) if found is None else found
    found = _led(circuit) if found is None else found
    if found is None:
        raise NoSteadyState(f"the cycle model finds no steady state at {circuit.conditions.ambient_c:.0f} C ambient for this vehicle; "
                            "it may pass its critical point or a pressure switch would stop it; compare with the service manual")
    if circuit.state(found).evaporator.t < COLDEST_C + 2 or found[1] > circuit.fluid.hottest_c - 0.5:
        raise OutOfRange(f"{circuit.vehicle.refrigerant} would leave the range of the cycle model at {circuit.conditions.ambient_c:.0f} C "
                         "ambient; a pressure switch would stop the compressor first")
    return found


def _guess(circuit: Circuit, condensing_k: float = 22.0, control: float = 0.9) -> Unknowns:
    first = control, circuit.conditions.ambient_c + condensing_k, 0.5
    return first if circuit.vehicle.orifice_tube else (*first, 0.4, 0.0) if circuit.fin_thermostat else (*first, 0.4)


def _led(circuit: Circuit) -> Unknowns | None:
    """From a mild day without a fault in steps to the circuit asked for."""
    at, done, step = None, 0.0, 0.25
    base = replace(circuit.conditions, ambient_c=27.0, humidity=0.4, engine_rpm=1500.0)
    start = _between(circuit, base, 0.0)
    for guess in ((22.0, 0.9), (16.0, 0.5), (28.0, 1.2)):
        at = _newton(start, _guess(start, *guess))
        if at is not None:
            break
    if at is None:
        return None
    while done < 1:
        share = min(done + step, 1.0)
        found = _newton(_between(circuit, base, share), at)
        if found is None:
            step /= 2
            if step < 0.03:
                return None
            continue
        at, done, step = found, share, step * 1.5
    return at


def _between(circuit: Circuit, base: Conditions, share: float) -> Circuit:
    if share == 1.0:
        return circuit
    to = circuit.conditions
    conditions = replace(to, **{n: getattr(base, n) + share * (getattr(to, n) - getattr(base, n))
                                for n in ("ambient_c", "humidity", "engine_rpm")})
    fault = circuit.fault and replace(circuit.fault, severity=share * circuit.fault.severity)
    return replace(circuit, conditions=conditions, fault=fault)


def _newton(circuit: Circuit, start: Unknowns) -> Unknowns | None:
    import numpy as np

    lowest_high = circuit.face[0].t + 0.2
    bounds = ((-2.5, 3.0), (lowest_high, circuit.fluid.hottest_c), (-3.0, 4.0), (-16.0, 5.0),
              (COLDEST_C + 1, circuit.conditions.ambient_c + 10))

    def held(x: Unknowns) -> Unknowns:
        return tuple(min(max(v, low), high) for v, (low, high) in zip(x, bounds, strict=False))

    n = len(start)
    x = held(start)
    r = circuit.state(x).residuals
    size = sum(v * v for v in r)
    recent, jacobian = [size], None
    for _ in range(40):
        if size < _TOLERANCE ** 2:
            return x
        fresh = jacobian is None
        if fresh:
            jacobian = np.empty((n, n))
            for k in range(n):
                step = -_STEPS[k] if x[k] + _STEPS[k] > bounds[k][1] else _STEPS[k]
                moved = circuit.state(x[:k] + (x[k] + step,) + x[k + 1:]).residuals
                jacobian[:, k] = [(b - a) / step for a, b in zip(r, moved, strict=True)]
        try:
            change = np.linalg.solve(jacobian, np.negative(r))
        except np.linalg.LinAlgError:
            return None
        factor = min(1.0, *(longest / max(abs(c), 1e-12) for longest, c in zip(_LONGEST, change, strict=False)))
        # the circuit has corners (a zone appears, a valve reaches its stop): a step need only beat the worst of the last few
        for _ in range(_HALVINGS):
            trial = held(tuple(float(v + factor * c) for v, c in zip(x, change, strict=True)))
            trial_r = circuit.state(trial).residuals
            trial_size = sum(v * v for v in trial_r)
            if isfinite(trial_size) and trial_size < max(recent):
                break
            factor /= 2
        if not isfinite(trial_size):
            return None
        # Broyden's update serves as long as it brings the residuals down well
        if trial_size < 0.04 * size:
            moved = np.subtract(trial, x)
            jacobian += np.outer(np.subtract(trial_r, r) - jacobian @ moved, moved) / (moved @ moved)
        else:
            jacobian = None
            if not fresh and trial_size > size:
                continue
        x, r, size = trial, trial_r, trial_size
        recent = [*recent[-3:], size]
    return None


def shown(circuit: Circuit, s: State) -> Running:
    """What instruments show of a settled state."""
    fl, station = circuit.fluid, circuit.conditions.station_kpa
    done, evaporated = s.compressed, s.evaporated
    low_c, high_c = fl.temperature_at(done.low_kpa), fl.temperature_at(min(s.high_kpa, fl.saturated(fl.hottest_c).p * 0.999))
    outlet_c = s.evaporator.t + (fl.vapour_at(s.evaporator.t, evaporated.h, 1).superheat if evaporated.h > s.evaporator.h_vapour else 0.0)
    outlet_liquid_c = min(fl.liquid_temperature(s.liquid_h), s.condenser.t)
    air, _ = circuit.face
    heater = circuit.effects.heater
    vent = evaporated.air_off_c + heater * (_HEATER_C - evaporated.air_off_c)
    cycling = circuit.vehicle.control == FIXED and s.stroke < 0.97
    balance = evaporated.heat_w + done.suction_gain_w + done.work_w - s.condenser_w
    states = ((evaporated.h, s.evaporator.p, "evaporator outlet"), (done.suction_h, done.low_kpa, "compressor inlet"),
              (done.discharge.h, s.high_kpa, "compressor outlet"), (s.liquid_h, s.high_kpa, "condenser outlet"),
              (s.liquid_h, s.evaporator.p, "evaporator inlet"))
    return Running(
        low_kpa=done.low_kpa - station, high_kpa=s.high_kpa - station, evaporating_c=low_c, condensing_c=high_c,
        suction_line_c=done.suction_t, discharge_line_c=s.condenser.t + done.discharge.superheat,
        liquid_line_c=s.metered.inlet_c, evaporator_inlet_c=s.evaporator.t, evaporator_outlet_c=outlet_c, vent_c=vent,
        condenser_air_out_c=air.t + s.condenser_w / air.capacity, superheat_k=max(outlet_c - low_c, 0.0),
        subcooling_k=max(high_c - outlet_liquid_c, 0.0), ratio=s.high_kpa / done.low_kpa, mass_flow_kg_s=done.flow,
        evaporator_w=evaporated.heat_w, condenser_w=s.condenser_w, compressor_w=done.work_w, imbalance=balance / evaporated.heat_w,
        clutch_cycling=cycling, states=states, notes=_notes(s.high_kpa - station, done.low_kpa - station, cycling))


# A heater core in steady flow (common practice, no source).
_HEATER_C = 70.0


def _notes(high_kpa: float, low_kpa: float, cycling: bool) -> tuple[str, ...]:
    out = []
    if cycling:
        out.append("the freeze protection cycles the clutch; pressures and temperatures are the mean of the cycle")
    if high_kpa > HIGH_SWITCH_KPA:
        out.append("high side above where a high-pressure switch commonly opens")
    if low_kpa < LOW_SWITCH_KPA:
        out.append("low side below where a low-pressure switch commonly opens")
    return tuple(out)


def standing(vehicle: Vehicle, ambient_c: float, station_kpa: float = 101.325, fault: Fault | None = None) -> float:
    """Gauge kPa, engine off, pressures equalised and everything at `ambient_c`. Heat soak is left to the caller.
    Raises NotModelled, OutOfRange, UnknownRefrigerant."""
    Conditions(ambient_c, 0.5, station_kpa)                      # its limits are ours
    fl, fx = fluid(vehicle.refrigerant), effects(vehicle, fault)
    sat = fl.saturated(ambient_c)
    mean_density = vehicle.charge_kg * fx.charge / vehicle.volume_l * 1e3
    if mean_density >= sat.d_vapour:
        liquid_share = (mean_density - sat.d_vapour) / (sat.d_liquid - sat.d_vapour)
        refrigerant_kpa = sat.p
    else:
        liquid_share, refrigerant_kpa = 0.0, _gas_pressure(fl, ambient_c, mean_density)
    air_kpa = fx.air_kpa * (ambient_c + 273.15) / 298.15 / max(1 - liquid_share, 0.05)
    return refrigerant_kpa + air_kpa - station_kpa


def _gas_pressure(fl, t: float, density: float) -> float:
    """Pressure of vapour at a temperature and density, by bisection over its saturation temperature."""
    low, high = COLDEST_C, t
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if fl.vapour(middle, t - middle).d < density else (low, middle)
    return fl.saturated((low + high) / 2).p
