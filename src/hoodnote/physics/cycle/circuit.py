"""The parts joined to one circuit: unknowns in, residuals and every state out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import log

from hoodnote.physics.cycle import parts
from hoodnote.physics.cycle.faults import Effects, effects
from hoodnote.physics.cycle.fluid import Fluid, Saturation, fluid
from hoodnote.physics.cycle.model import FIXED, Conditions, Fault, Vehicle

GAS_CONSTANT = 8.314462618                        # J/(mol K), CODATA 2018
AIR_MOLAR_MASS = 0.0289652                        # kg/mol, ASHRAE
# A buffer (receiver-drier, accumulator) passes from empty to full while its inlet changes by a few of these: an honest plateau.
_BUFFER_KJ_KG = 1.2
# An accumulator lets a little liquid through its oil bleed.
_ACCUMULATOR_WET_KJ_KG = -3.0
# Displacement control and clutch cycling hold their set point within about this.
_CONTROL_K = 0.5
_LEAST_STROKE, _LEAST_DUTY = 0.06, 0.03
# The fin thermostat of an expansion-valve system sits in the air off the coil and is set this much above the evaporating temperature.
_FIN_ABOVE_K = 6.0

Unknowns = tuple[float, float, float, float]      # evaporating C, condensing C, outlet above saturated vapour kJ/kg, control signal


@dataclass(frozen=True)
class State:
    residuals: Unknowns
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

    def state(self, unknowns: Unknowns) -> State:
        vehicle, fl, fx = self.vehicle, self.fluid, self.effects
        t_low, t_high, above, signal = unknowns
        evaporator, condenser = fl.saturated(t_low), fl.saturated(t_high)
        air, effectiveness = self.face
        least = _LEAST_DUTY if vehicle.control == FIXED else _LEAST_STROKE
        stroke = least + (1 - least) * parts.sigmoid(signal)
        high_kpa = condenser.p + self._air_in_condenser(t_high)
        h_out = evaporator.h_vapour + above
        done = parts.compress(fl, vehicle, self.conditions, fx, evaporator, h_out, condenser, high_kpa, stroke)
        share = 0.0 if vehicle.orifice_tube else vehicle.subcooling_share
        first = parts.condense(fl, condenser, air, effectiveness, 1 - share, done.flow, done.discharge.h)
        second = parts.condense(fl, condenser, air, effectiveness, share, done.flow, first.h)
        outlet_superheat = fl.vapour_at(t_low, h_out, 1).superheat if above > 0 else above / 0.9
        metered = parts.meter(fl, vehicle, fx, second.h, condenser, high_kpa, evaporator, outlet_superheat)
        evaporated = parts.evaporate(fl, evaporator, self.coil, done.flow, second.h)
        if vehicle.orifice_tube:
            level = parts.sigmoid((_ACCUMULATOR_WET_KJ_KG - above) / _BUFFER_KJ_KG)
            buffer, over = level * evaporator.d_liquid, (1 - level) * evaporator.d_vapour
        else:
            level = parts.sigmoid((condenser.h_liquid - first.h) / _BUFFER_KJ_KG)
            buffer, over = level * condenser.d_liquid, (1 - level) * condenser.d_vapour
        _, liquid_volume = parts.enthalpy_and_volume(condenser, second.h)
        charge = (vehicle.condenser_l * (first.mass_share + second.mass_share) + vehicle.liquid_line_l / liquid_volume
                  + vehicle.buffer_l * (buffer + over) + vehicle.evaporator_l * evaporated.mass_share
                  + vehicle.suction_line_l * evaporator.d_vapour + vehicle.discharge_line_l * done.discharge.d) / 1e3
        residuals = (
            log(metered.flow / done.flow),
            (evaporated.h - h_out) / 10,
            3 * (charge / self.charge_kg - 1) if self.level is None else log(level / (1 - level) * (1 - self.level) / self.level),
            (signal - self._wanted(t_low, evaporated.air_off_c)) / 5,
        )
        return State(residuals, evaporator, condenser, high_kpa, stroke, done, metered, evaporated, second.h,
                     first.heat_w + second.heat_w, charge, level)

    def _air_in_condenser(self, t_high: float) -> float:
        """Air collects where refrigerant condenses: all of it in the condenser's gas space, taken as two thirds of its volume."""
        return self.effects.air_kpa * (t_high + 273.15) / 298.15 * self.vehicle.volume_l / (2 / 3 * self.vehicle.condenser_l) \
            if self.effects.air_kpa else 0.0

    def _wanted(self, t_low: float, air_off_c: float) -> float:
        if self.effects.unprotected:
            return 10.0
        fin_thermostat = self.vehicle.control == FIXED and not self.vehicle.orifice_tube
        measured = air_off_c - _FIN_ABOVE_K if fin_thermostat else t_low
        return min(max((measured - self.vehicle.evaporating_setpoint_c) / _CONTROL_K, -10.0), 10.0)
