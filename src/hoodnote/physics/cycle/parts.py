"""The parts of the circuit, each an explicit function of its inlet state.

Heat exchangers are moving-boundary: the face is shared between vapour, two-phase and liquid zones, every zone crossed by its share of
fresh air, so that a zone's refrigerant temperature approaches the air exponentially (effectiveness-NTU, refrigerant mixed along its
path). Units: C, kPa absolute, kJ/kg, kg/s, W.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from math import exp, expm1, log, sqrt

from hoodnote.physics.cycle.faults import Effects
from hoodnote.physics.cycle.fluid import Fluid, Saturation, Vapour
from hoodnote.physics.cycle.model import Conditions, Vehicle
from hoodnote.physics.moist_air import DRY_AIR_GAS_CONSTANT, density, enthalpies, humidity_ratio, saturated_humidity_ratios

AIR_CP = 1006.0                        # J/(kg K), dry air, ASHRAE
# Shares of the condensing zone's effectiveness in the vapour and the liquid zone (common practice, no source).
_VAPOUR_ZONE, _LIQUID_ZONE, _DRY_EVAPORATOR_ZONE = 0.75, 0.80, 0.55
# Liquid in a short tube flashes below its saturation pressure (metastable); the share is in the range that the published
# short-tube measurements show (from memory), and gives their loss of flow towards no subcooling.
_FLASHING_SHARE = 0.75
_SUCTION_UA_W_K, _ENGINE_BAY_K = 3.5, 20.0        # hose to the engine bay, common practice, no source
_SUCTION_DROP = 8.0e4                             # kPa per (kg/s)2 per m3/kg: about 10 kPa at usual flow


def softplus(z: float) -> float:
    return z + log(1 + exp(-z)) if z > 0 else log(1 + exp(z))


# ---- refrigerant states -------------------------------------------------------------------------------------------------------

def enthalpy_and_volume(sat: Saturation, h: float) -> tuple[float, float]:
    """Quality (below 0: liquid) and homogeneous specific volume in m3/kg, for states up to saturated vapour."""
    x = (h - sat.h_liquid) / (sat.h_vapour - sat.h_liquid)
    wet = min(max(x, 0.0), 1.0)
    return x, wet / sat.d_vapour + (1 - wet) / sat.d_liquid


def two_phase_density(sat: Saturation, x1: float, x2: float) -> float:
    """Mean density while quality runs evenly from x1 to x2: Zivi's void fraction (1964), integrated in closed form."""
    c = (sat.d_vapour / sat.d_liquid) ** (2 / 3)
    a, b = max(min(x1, x2), 0.0), min(max(x1, x2), 1.0)
    if b - a < 1e-6:
        void = b / (c + (1 - c) * b)
    else:
        void = ((b - a) / (1 - c) - c / (1 - c) ** 2 * log((c + (1 - c) * b) / (c + (1 - c) * a))) / (b - a)
    return void * sat.d_vapour + (1 - void) * sat.d_liquid


# ---- compressor ---------------------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Compressed:
    flow: float
    suction_t: float
    suction_h: float
    low_kpa: float
    discharge: Vapour
    work_w: float
    suction_gain_w: float


def compress(fluid: Fluid, vehicle: Vehicle, conditions: Conditions, effects: Effects, evaporator: Saturation, h_out: float,
             condenser: Saturation, high_kpa: float, stroke: float) -> Compressed:
    """From the evaporator outlet through the suction line and the compressor. Both efficiencies fall with the pressure ratio as
    calorimeter fits of swash-plate compressors do (common practice, no source), exponentially so that they stay positive."""
    strokes_m3_s = (vehicle.displacement_cc * 1e-6 * stroke * conditions.engine_rpm * vehicle.pulley_ratio / 60)
    slower = exp(-0.10 * (conditions.engine_rpm * vehicle.pulley_ratio / 1950 - 1))

    def flow_at(p: float, d: float) -> float:
        return vehicle.volumetric * effects.volumetric * slower * exp(-0.055 * (high_kpa / p - 1)) * strokes_m3_s * d

    inlet = _state(fluid, evaporator, h_out)
    flow = flow_at(evaporator.p, inlet.d)
    # as P2/(P+dP): the first term is the drop, and the pressure stays positive
    low_kpa = evaporator.p ** 2 / (evaporator.p + _SUCTION_DROP * flow ** 2 / inlet.d)
    density_share = low_kpa / evaporator.p
    flow = flow_at(low_kpa, inlet.d * density_share)
    # the hose warms what passes; wet suction takes the heat as evaporation
    t_in = evaporator.t + inlet.superheat
    gain_w = _SUCTION_UA_W_K * (conditions.ambient_c + _ENGINE_BAY_K - t_in)
    limit = flow * 900.0 * (conditions.ambient_c + _ENGINE_BAY_K - t_in)
    gain_w = limit * -expm1(-gain_w / limit) if limit > 1e-9 else 0.0
    h_suction = h_out + gain_w / 1e3 / flow
    low_sat = fluid.temperature_at(max(low_kpa, fluid.saturation_kpa(-64.0)))
    at_port = fluid.saturated(low_sat)
    suction = _state(fluid, at_port, h_suction)
    ideal = _at_entropy(fluid, condenser, suction.s)
    efficiency = vehicle.isentropic * effects.isentropic * exp(-0.03 * (high_kpa / low_kpa - 1))
    # air in the condenser makes the compressor work against the sum of both pressures: as a polytropic share of the vapour's head
    head = log(high_kpa / low_kpa) / log(condenser.p / low_kpa) if condenser.p > 1.05 * low_kpa else 1.0
    work = max(ideal - h_suction, 0.0) * head / efficiency
    h_discharge = h_suction + work
    discharge = fluid.vapour_at(condenser.t, h_discharge, 1) if h_discharge > condenser.h_vapour else \
        Vapour(0.0, h_discharge, 0.0, condenser.d_vapour)
    return Compressed(flow, at_port.t + suction.superheat, h_suction, low_kpa, discharge, flow * work * 1e3, gain_w)


def _state(fluid: Fluid, sat: Saturation, h: float) -> Vapour:
    if h >= sat.h_vapour:
        return fluid.vapour_at(sat.t, h, 1)
    x, volume = enthalpy_and_volume(sat, h)
    return Vapour(0.0, h, sat.s_liquid + x * (sat.s_vapour - sat.s_liquid), 1.0 / volume)


def _at_entropy(fluid: Fluid, sat: Saturation, s: float) -> float:
    """Enthalpy at a pressure and entropy, wet or superheated."""
    return fluid.vapour_at(sat.t, s, 2).h if s > sat.s_vapour else sat.h_vapour - (sat.t + 273.15) * (sat.s_vapour - s)


# ---- condenser ----------------------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Air:
    """Air onto a face: temperature C, capacity W/K of the whole face."""

    t: float
    capacity: float


@dataclass(frozen=True)
class Passed:
    """What a share of the condenser's face did: outlet enthalpy, heat to the air (air side), density summed over the face."""

    h: float
    heat_w: float
    mass_share: float


def condenser_air(vehicle: Vehicle, conditions: Conditions, effects: Effects) -> tuple[Air, float]:
    """The air, and the effectiveness of the condensing zone at this flow."""
    t = conditions.ambient_c + vehicle.reingested_k * (1500 / conditions.engine_rpm) ** 0.5 + effects.reingested_k
    share = (0.85 + 0.15 * conditions.engine_rpm / 1500) * effects.condenser_air
    capacity = vehicle.condenser_air_m3_s * share * AIR_CP * conditions.station_kpa / (DRY_AIR_GAS_CONSTANT * (t + 273.15))
    sea_level = vehicle.condenser_air_m3_s * AIR_CP * 101.325 / (DRY_AIR_GAS_CONSTANT * 303.15)
    # the air-side film goes with the square root of the flow
    ntu = -log(1 - vehicle.condenser_effectiveness) * sqrt(sea_level / capacity)
    return Air(t, capacity), effects.condensing * -expm1(-ntu)


def condense(fluid: Fluid, sat: Saturation, air: Air, effectiveness: float, face: float, flow: float, h: float) -> Passed:
    """Vapour, two-phase and liquid zone one after the other, as far as the share `face` reaches."""
    above = sat.t - air.t
    heat = mass = 0.0
    if h > sat.h_vapour + 1e-9:
        conductance = air.capacity * effectiveness * _VAPOUR_ZONE
        hot = fluid.vapour_at(sat.t, h, 1)
        cp = (h - sat.h_vapour) / hot.superheat * 1e3
        needed = flow * cp / conductance * log((above + hot.superheat) / above)
        used = min(needed, face)
        out = max((above + hot.superheat) * exp(-used * conductance / (flow * cp)) - above, 0.0)
        heat += flow * cp * (hot.superheat - out)
        mass += used * (hot.d + sat.d_vapour) / 2
        h = sat.h_vapour if needed < face else fluid.vapour(sat.t, out).h
        face -= used
    if face > 1e-9 and h > sat.h_liquid:
        per_face = air.capacity * effectiveness * above
        needed = flow * (h - sat.h_liquid) * 1e3 / per_face
        used = min(needed, face)
        x1 = (h - sat.h_liquid) / (sat.h_vapour - sat.h_liquid)
        h -= used * per_face / flow / 1e3
        d = two_phase_density(sat, (h - sat.h_liquid) / (sat.h_vapour - sat.h_liquid), x1)
        heat += used * per_face
        mass += used * d
        face -= used
    if face > 1e-9:
        t = fluid.liquid_temperature(h)
        conductance = air.capacity * effectiveness * _LIQUID_ZONE
        cp = _liquid_cp(fluid, t, air.t)
        for _ in range(2):
            out = air.t + (t - air.t) * exp(-face * conductance / (flow * cp))
            cp = _liquid_cp(fluid, t, out)
        heat += flow * cp * (t - out)
        h -= cp * (t - out) / 1e3
        mass += face * fluid.saturated((t + out) / 2).d_liquid
    return Passed(h, heat, mass)


def _liquid_cp(fluid: Fluid, warm: float, cold: float) -> float:
    if warm - cold < 0.05:
        cold = warm - 0.05
    return (fluid.liquid_enthalpy(warm) - fluid.liquid_enthalpy(cold)) / (warm - cold) * 1e3


# ---- evaporator ---------------------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Evaporated:
    h: float
    heat_w: float
    air_off_c: float
    mass_share: float


class Coil:
    """The evaporator's air side, solved beforehand for every surface temperature: capacity of the wholly wetted coil and the air off
    it as functions of the evaporating temperature. Recirculated air mixes with its own outlet; the enthalpy of the condensate is
    left out, as usual."""

    def __init__(self, vehicle: Vehicle, conditions: Conditions, effects: Effects):
        import numpy as np

        lowest, highest = -64.0, conditions.ambient_c + 40
        surface, w_saturated = saturated_humidity_ratios(round(conditions.station_kpa, 1), lowest, round(highest * 2) / 2, 0.5)
        w = humidity_ratio(conditions.ambient_c, conditions.humidity, conditions.station_kpa)
        e = vehicle.evaporator_effectiveness
        e = -expm1(log(1 - e) * effects.evaporator_ua / effects.evaporator_air ** 0.5)
        own = vehicle.own_air_share if conditions.recirculation else 0.0
        rest = 1 - own * (1 - e)
        t_in = ((1 - own) * conditions.ambient_c + own * e * surface) / rest
        w_surface = np.minimum(w, w_saturated)
        w_in = ((1 - own) * w + own * e * w_surface) / rest
        flow = (vehicle.evaporator_air_m3_s * effects.evaporator_air
                * density(conditions.ambient_c, w, conditions.station_kpa))
        heat = flow * e * (enthalpies(t_in, w_in) - enthalpies(surface, w_surface)) * 1e3
        evaporating = surface - heat / (vehicle.evaporator_ua_w_k * effects.evaporator_ua)
        self._evaporating = evaporating.tolist()
        self._rows = list(zip(heat.tolist(), (t_in + e * (surface - t_in)).tolist(), strict=True))
        self.air = Air(conditions.ambient_c, flow * AIR_CP)
        self.dry_conductance = self.air.capacity * e * _DRY_EVAPORATOR_ZONE

    def wetted(self, evaporating: float) -> tuple[float, float]:
        """Heat of the whole face in W and the air off it, in C."""
        i = min(max(bisect_right(self._evaporating, evaporating) - 1, 0), len(self._rows) - 2)
        f = (evaporating - self._evaporating[i]) / (self._evaporating[i + 1] - self._evaporating[i])
        (q1, t1), (q2, t2) = self._rows[i], self._rows[i + 1]
        return q1 + f * (q2 - q1), t1 + f * (t2 - t1)


def evaporate(fluid: Fluid, sat: Saturation, coil: Coil, flow: float, h_in: float) -> Evaporated:
    full_w, air_off = coil.wetted(sat.t)
    x_in = (h_in - sat.h_liquid) / (sat.h_vapour - sat.h_liquid)
    needed = flow * (sat.h_vapour - h_in) * 1e3 / max(full_w, 1e-6)
    if needed >= 1:
        h = h_in + full_w / flow / 1e3
        x_out = (h - sat.h_liquid) / (sat.h_vapour - sat.h_liquid)
        return Evaporated(h, full_w, air_off, two_phase_density(sat, x_in, x_out))
    dry, reach = 1 - needed, coil.air.t - sat.t
    cp = (fluid.vapour(sat.t, 2.5).h - sat.h_vapour) / 2.5 * 1e3
    for _ in range(2):
        superheat = reach * -expm1(-dry * coil.dry_conductance / (flow * cp))
        out = fluid.vapour(sat.t, superheat)
        cp = (out.h - sat.h_vapour) / superheat * 1e3 if superheat > 1e-3 else cp
    superheat = reach * -expm1(-dry * coil.dry_conductance / (flow * cp))
    out = fluid.vapour(sat.t, superheat)
    dry_w = flow * cp * superheat
    off = needed * air_off + dry * coil.air.t - dry_w / coil.air.capacity
    mass = needed * two_phase_density(sat, x_in, 1.0) + dry * (sat.d_vapour + out.d) / 2
    return Evaporated(out.h, full_w * needed + dry_w, off, mass)


# ---- expansion device ---------------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Metered:
    flow: float
    inlet_c: float                    # at the device, after a narrowed place


def meter(fluid: Fluid, vehicle: Vehicle, effects: Effects, liquid_h: float, condenser: Saturation, high_kpa: float,
          evaporator: Saturation, opening: float) -> Metered:
    """Flow through the device and a narrowed place before it, in series. Orifice tube: choked, the pressure at the throat a share of
    the liquid's saturation pressure, the form of the published short-tube correlations (from memory). Valve: open by `opening`,
    flow with the square root of the pressure difference. Two-phase inlet: homogeneous density."""
    area = vehicle.orifice_mm2 * 1e-6 * opening
    narrow = vehicle.orifice_mm2 * 1e-6 * effects.restriction if effects.restriction is not None else None
    if narrow is not None:
        area = area / sqrt(1 + (area / narrow) ** 2)
    liquid_t = min(fluid.liquid_temperature(liquid_h), condenser.t)
    _, volume = enthalpy_and_volume(condenser, liquid_h)
    throat = _FLASHING_SHARE * fluid.saturation_kpa(liquid_t) if vehicle.orifice_tube else evaporator.p
    drive = high_kpa - max(throat, evaporator.p)
    # towards no drive the square root gives way to a straight line, so that a solver can pass
    flow = area * sqrt(2e3 / volume) * drive / sqrt(max(drive, 0.0) + 5.0)
    after = high_kpa if narrow is None else high_kpa - (flow / narrow) ** 2 * volume / 2e3
    at_device = liquid_t if after >= fluid.saturation_kpa(liquid_t) else fluid.temperature_at(max(after, evaporator.p))
    return Metered(max(flow, 1e-7), at_device)
