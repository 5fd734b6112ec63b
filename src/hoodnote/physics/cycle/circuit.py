"""The parts joined to one circuit: unknowns in, residuals and every state out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import log

from hoodnote.physics.cycle import parts
from hoodnote.physics.cycle.faults import Effects, effects
from hoodnote.physics.cycle.fluid import Fluid, Saturation, fluid
from hoodnote.physics.cycle.model import FIXED, Conditions, Fault, Vehicle

# A buffer (receiver-drier, accumulator) passes from empty to full while the enthalpy at its inlet changes by this, about 2 K: an
# honest plateau.
_BUFFER_KJ_KG = 3.0
# An accumulator lets a little liquid through its oil bleed: half full it passes this below saturated vapour.
_ACCUMULATOR_WET_KJ_KG = 3.0
# Displacement control and clutch cycling go from least to full while what they sense rises by this.
_CONTROL_K = 2.0
_LEAST_STROKE, _LEAST_DUTY = 0.06, 0.03
# The fin thermostat of an expansion-valve system sits in the air off the coil and is set this much above the evaporating temperature.
_FIN_ABOVE_K = 5.5

# Each thing with two stops (stroke, buffer, valve) is one unknown: between 0 and 1 it is the position between the stops, beyond them
# what is sensed goes on. One unit beyond a stop is about as large a change as the way between them, which keeps the equations tame.
_BEYOND_CONTROL_K, _BEYOND_BUFFER_KJ_KG, _BEYOND_VALVE_K, _WITHIN_VALVE_K = 25.0, 60.0, 25.0, 0.5
_CORNER = 0.04

# Orifice tube: control, condensing C, buffer. Valve: and valve. Fin thermostat: and evaporating C.
Unknowns = tuple[float, ...]


@dataclass(frozen=True)
class State:
    residuals: tuple[float, ...]
    evaporator: Saturation
    condenser: Saturation
    high_kpa: float
    stroke: float
    compressed: parts.Compressed
    metered: parts.Metered
    evaporated: parts.Evaporated
    liquid_h: float
    condenser_w: float
    charge_kg: float
    level: float                                  # of the buffer, 0 to 1


@dataclass(frozen=True)
class Circuit:
    vehicle: Vehicle
    conditions: Conditions
    fault: Fault | None
    level: float | None = None                    # where given, the buffer is this full and the charge is free

    @cached_property
    def effects(self) -> Effects:
        return effects(self.vehicle, self.fault)

    @cached_property
    def fluid(self) -> Fluid:
        return fluid(self.vehicle.refrigerant)

    @cached_property
    def coil(self) -> parts.Coil:
        return parts.Coil(self.vehicle, self.conditions, self.effects)

    @cached_property
    def face(self) -> tuple[parts.Air, float]:
        return parts.condenser_air(self.vehicle, self.conditions, self.effects)

    @property
    def charge_kg(self) -> float:
        return self.vehicle.charge_kg * self.effects.charge

    @cached_property
    def fin_thermostat(self) -> bool:
        return self.vehicle.control == FIXED and not self.vehicle.orifice_tube and not self.effects.unprotected

    def state(self, unknowns: Unknowns) -> State:
        vehicle, fl, fx = self.vehicle, self.fluid, self.effects
        control, t_high, buffer = unknowns[:3]
        stroke, sensed_c = self._control(control)
        t_low = unknowns[4] if self.fin_thermostat else sensed_c
        evaporator, condenser = fl.saturated(t_low), fl.saturated(t_high)
        high_kpa = condenser.p + self._air_in_condenser(t_high)
        level, beyond = _position(buffer)
        filling = _BUFFER_KJ_KG * (level - 0.5) + _BEYOND_BUFFER_KJ_KG * beyond      # kJ/kg below what neither fills nor empties
        if vehicle.orifice_tube:
            opening, above = 1.0, -_ACCUMULATOR_WET_KJ_KG - filling
        else:
            opening, above = self._valve(unknowns[3], t_low, evaporator)
        h_out = evaporator.h_vapour + above
        air, effectiveness = self.face
        done = parts.compress(fl, vehicle, self.conditions, fx, evaporator, h_out, condenser, high_kpa, stroke)
        share = 0.0 if vehicle.orifice_tube else vehicle.subcooling_share
        first = parts.condense(fl, condenser, air, effectiveness, 1 - share, done.flow, done.discharge.h)
        second = parts.condense(fl, condenser, air, effectiveness, share, done.flow, first.h)
        metered = parts.meter(fl, vehicle, fx, second.h, condenser, high_kpa, evaporator, opening)
        evaporated = parts.evaporate(fl, evaporator, self.coil, done.flow, second.h)
        _, liquid_volume = parts.enthalpy_and_volume(condenser, second.h)
        at_buffer = evaporator if vehicle.orifice_tube else condenser
        charge = (vehicle.condenser_l * (first.mass_share + second.mass_share) + vehicle.liquid_line_l / liquid_volume
                  + vehicle.buffer_l * (level * at_buffer.d_liquid + (1 - level) * at_buffer.d_vapour)
                  + vehicle.evaporator_l * evaporated.mass_share + vehicle.suction_line_l * evaporator.d_vapour
                  + vehicle.discharge_line_l * done.discharge.d) / 1e3
        residuals = [
            log(metered.flow / done.flow),
            (evaporated.h - h_out) / 10,
            3 * (charge / self.charge_kg - 1) if self.level is None else level - self.level,
        ]
        if not vehicle.orifice_tube:
            residuals.append((condenser.h_liquid - first.h - filling) / 20)
        if self.fin_thermostat:
            residuals.append((evaporated.air_off_c - _FIN_ABOVE_K - sensed_c) / 5)
        return State(tuple(residuals), evaporator, condenser, high_kpa, stroke, done, metered, evaporated, second.h,
                     first.heat_w + second.heat_w, charge, level)

    def _air_in_condenser(self, t_high: float) -> float:
        """Air collects where refrigerant condenses: all of it in the condenser's gas space, taken as two thirds of its volume."""
        return self.effects.air_kpa * (t_high + 273.15) / 298.15 * self.vehicle.volume_l / (2 / 3 * self.vehicle.condenser_l) \
            if self.effects.air_kpa else 0.0

    def _control(self, unknown: float) -> tuple[float, float]:
        """Stroke or duty, and the temperature sensed at that."""
        position, beyond = _position(unknown)
        if self.effects.unprotected:
            position, beyond = 1.0, unknown - 0.5
        least = _LEAST_DUTY if self.vehicle.control == FIXED else _LEAST_STROKE
        return (least + (1 - least) * position,
                self.vehicle.evaporating_setpoint_c + _CONTROL_K * (position - 0.5) + _BEYOND_CONTROL_K * beyond)

    def _valve(self, unknown: float, t_low: float, evaporator: Saturation) -> tuple[float, float]:
        """Opening, and the evaporator outlet in kJ/kg above saturated vapour at that."""
        position, beyond = _position(unknown)
        fx, vehicle = self.effects, self.vehicle
        opening = fx.valve_least + max(fx.valve_most - fx.valve_least, 0.0) * position
        superheat = (vehicle.valve_superheat_k + vehicle.valve_span_k * opening + _WITHIN_VALVE_K * (position - 0.5)
                     + _BEYOND_VALVE_K * beyond)
        return opening, (self.fluid.vapour(t_low, superheat).h - evaporator.h_vapour if superheat > 0 else 0.85 * superheat)


def _position(unknown: float) -> tuple[float, float]:
    """Position between two stops, 0 to 1, and how far beyond them; corners rounded."""
    beyond = _CORNER * (parts.softplus((unknown - 1) / _CORNER) - parts.softplus(-unknown / _CORNER))
    return unknown - beyond, beyond
