"""Synthetic jobs with a known cause: the cycle model runs a vehicle with one fault, and a technician reads part of what it shows.

Two halves that share nothing: vehicles, seeds and ambients. DEVELOPMENT is what the tables were fitted on; HELD_OUT only ever scores.
Gauge and thermometer err within the limits the checks assume; how often somebody looks at a thing, what a fault looks like to the
eye, and the severities (bad enough that a customer complains) are common practice, no source, and written down here apart from
the shipped tables.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from hoodnote.checks.equipment import USUAL
from hoodnote.errors import HoodnoteError
from hoodnote.physics.atmosphere import station_pressure, water_saturation_pressure
from hoodnote.physics.cycle import Conditions, Fault, Running, Vehicle, run, standing, typical
from hoodnote.physics.cycle.faults import effects
from hoodnote.physics.cycle.vehicles import labelled
from hoodnote.readings.model import Timeline
from hoodnote.statements.model import Statement
from hoodnote.units import GaugePressure, Temperature, from_si
from tests.checks_records import fact, m, record, step, supply

DEVELOPMENT, HELD_OUT = "development", "held out"
# Lowest and highest severity of each fault of the cycle model.
SEVERITIES = {
    "undercharge": (0.55, 0.95), "overcharge": (0.55, 1.0), "air": (0.25, 0.8), "restriction": (0.6, 0.9), "valve_stuck_closed": (0.65, 0.9),
    "valve_stuck_open": (0.35, 0.9), "condenser_airflow": (0.3, 0.8), "weak_compressor": (0.4, 0.85), "iced_evaporator": (0.3, 0.8),
    "heater_valve": (0.25, 0.8),
}
ELECTRICAL = ("open_low_pressure_switch", "open_freeze_switch", "blown_fuse", "clutch_coil")
NOTHING = "nothing"
TRUTHS = (*SEVERITIES, *ELECTRICAL, NOTHING)
# Factors on a usual vehicle: swept volume, condenser air, evaporator air.
VEHICLES = {
    DEVELOPMENT: ((0.85, 0.90, 0.90), (1.0, 1.0, 1.0), (1.12, 1.12, 1.10)),
    HELD_OUT: ((0.90, 0.97, 0.95), (1.06, 0.95, 1.05), (1.18, 1.08, 1.15)),
}
_REFRIGERANTS = {DEVELOPMENT: ("R-134a", "R-134a", "R-1234yf", "R-152a"), HELD_OUT: ("R-134a", "R-1234yf", "R-12")}
AMBIENTS_C = {DEVELOPMENT: (21.0, 24.0, 28.0, 32.0, 36.0), HELD_OUT: (22.5, 26.0, 30.0, 34.0, 38.0)}
_DEVICES, _CONTROLS = ("orifice tube", "expansion valve"), ("fixed displacement", "variable displacement")
_HIGHEST_DEW_POINT_C = 24.0          # of a muggy summer day
_STOPS_BELOW_KPA = 170.0             # a low-pressure switch keeps the clutch out below this standing pressure
_CHAIN = ("battery", "fuse_in", "fuse_out", "relay_supply", "relay_output", "freeze_switch_in", "freeze_switch_out",
          "low_pressure_switch_in", "low_pressure_switch_out", "clutch")
_FIRST_DEAD = {"blown_fuse": "fuse_out", "open_freeze_switch": "freeze_switch_out", "open_low_pressure_switch": "low_pressure_switch_out"}


@dataclass(frozen=True)
class Case:
    truth: str
    label: str                       # vehicle, conditions and severity, for whoever looks at a miss
    statements: tuple[Statement, ...]

    @property
    def timeline(self) -> Timeline:
        return record(*self.statements)


def cases(split: str, number: int, *, thorough: bool = False, start: int = 0) -> Iterator[Case]:
    """The truths in turn. `thorough`: everything is read, as a fit needs it; else a usual part of it."""
    for n in range(start, start + number):
        yield case(split, TRUTHS[n % len(TRUTHS)], n, thorough=thorough)


def case(split: str, truth: str, seed: int, *, thorough: bool = False, device: str | None = None) -> Case:
    """The same seed gives the same case. A vehicle or severity that the model cannot settle is drawn again."""
    rng = random.Random(f"{split} {truth} {seed}")
    while True:
        try:
            return _Job(rng, split, truth, thorough, device).case()
        except (HoodnoteError, _NotNoticed):
            continue


class _NotNoticed(Exception):
    """Nothing that could be read differs from the sound vehicle: nobody would have come in with it."""


def water_kpa(celsius: float) -> float:
    return water_saturation_pressure(Temperature(celsius)).kpa


class _Job:
    def __init__(self, rng: random.Random, split: str, truth: str, thorough: bool, device: str | None):
        self.rng, self.truth, self.thorough = rng, truth, thorough
        refrigerant = rng.choice(_REFRIGERANTS[split])
        device = device or (_DEVICES[1] if truth.startswith("valve_stuck") else rng.choice(_DEVICES))
        control = rng.choice(_CONTROLS)
        swept, condenser, evaporator = (f * rng.uniform(0.96, 1.04) for f in rng.choice(VEHICLES[split]))
        usual = typical(refrigerant, device, control)
        self.vehicle: Vehicle = labelled(replace(
            usual, displacement_cc=usual.displacement_cc * swept, condenser_air_m3_s=usual.condenser_air_m3_s * condenser,
            evaporator_air_m3_s=usual.evaporator_air_m3_s * evaporator, orifice_mm2=usual.orifice_mm2 * swept * rng.uniform(0.97, 1.03)))
        self.altitude_m = rng.choice((None, None, None, 1600))
        self.station = station_pressure(self.altitude_m or 0.0).kpa
        self.ambient = rng.choice(AMBIENTS_C[split]) + rng.uniform(-1, 1)
        most = water_kpa(_HIGHEST_DEW_POINT_C) / water_kpa(self.ambient)
        self.humidity, self.rpm = rng.uniform(0.25, min(0.75, most)), rng.choice((1400, 1500, 1600))
        self.fault = Fault(truth, rng.uniform(*SEVERITIES[truth])) if truth in SEVERITIES else None
        limits = {"low_side": USUAL.gauges.low, "high_side": USUAL.gauges.high}
        # each gauge is off by one amount for the whole job; a limit is taken as rectangular
        self.offset = {place: rng.uniform(-1, 1) * g.limit_of_error_kpa(GaugePressure(g.span_kpa / 2)) for place, g in limits.items()}
        self.said: list[Statement] = []

    def case(self) -> Case:
        v = self.vehicle
        self.facts()
        static = standing(v, self.ambient, self.station, self.fault)
        stopped = self.truth in ELECTRICAL or static < _STOPS_BELOW_KPA
        if self.seldom(0.75):
            self.said.append(step("engine_off"))
            self.pressure("low_side", static)
            self.pressure("high_side", static)
        self.said.append(step("engine_running"))
        if self.seldom(0.8):
            self.said.append(m("engine_speed", self.rpm, "rpm"))
        if self.seldom(0.7):
            self.said.append(step("recirculation_on"))
        if stopped:
            self.stopped(static)
        else:
            self.running(self.settled())
        self.findings()
        self.weight()
        severity = f" {self.fault.severity:.2f}" if self.fault else ""
        return Case(self.truth, f"{v.refrigerant} {v.device} {v.control} {self.ambient:.0f} C{severity}", tuple(self.said))

    def settled(self) -> Running:
        conditions = Conditions(self.ambient, self.humidity, self.station, self.rpm)
        shown = run(self.vehicle, conditions, self.fault)
        if self.fault:
            sound = run(self.vehicle, conditions)
            if not (shown.vent_c - sound.vent_c > 3 or abs(shown.high_kpa - sound.high_kpa) > 200 or abs(shown.low_kpa - sound.low_kpa) > 40
                    or abs(shown.superheat_k - sound.superheat_k) > 4 or abs(shown.subcooling_k - sound.subcooling_k) > 6):
                raise _NotNoticed
        return shown

    def seldom(self, chance: float) -> bool:
        return self.rng.random() < chance or self.thorough

    def happens(self, chance: float) -> bool:
        return self.rng.random() < chance

    def facts(self) -> None:
        v = self.vehicle
        self.said.append(fact("refrigerant", v.refrigerant))
        if self.seldom(0.85):
            self.said.append(fact("expansion_device", v.device))
        if self.seldom(0.6):
            self.said.append(fact("compressor_control", v.control))
        self.air("ambient", self.ambient)
        if self.altitude_m:
            self.said.append(m("altitude", self.altitude_m, "m"))
        if self.seldom(0.85):
            self.said.append(m("humidity", round(100 * self.humidity), "%"))

    def pressure(self, place: str, kpa: float) -> None:
        shown = from_si(kpa + self.offset[place], "psi")
        if shown < 0:
            self.said.append(m(place, round(from_si(-kpa - self.offset[place], "inHg")), "inHg"))
        else:
            self.said.append(m(place, round(shown) if place == "low_side" else 5 * round(shown / 5), "psi"))

    def air(self, place: str, celsius: float) -> None:
        limit = USUAL.thermometer_limit_c
        self.said.append(m(place, round(from_si(celsius + self.rng.uniform(-limit, limit), "F")), "F"))

    def running(self, r: Running) -> None:
        if self.seldom(0.85):
            self.said.append(step("clutch_cycling" if r.clutch_cycling and self.happens(0.5) else "clutch_engaged"))
        self.pressure("low_side", r.low_kpa)
        self.pressure("high_side", r.high_kpa)
        lines = {"vent": (r.vent_c, 0.9), "evaporator_outlet": (r.evaporator_outlet_c, 0.5), "suction_line": (r.suction_line_c, 0.4),
                 "liquid_line": (r.liquid_line_c, 0.4), "condenser_outlet": (r.condensing_c - r.subcooling_k, 0.5),
                 "discharge_line": (r.discharge_line_c, 0.35), "evaporator_inlet": (r.evaporator_inlet_c, 0.3),
                 "condenser_air_out": (r.condenser_air_out_c, 0.35)}
        for place, (celsius, chance) in lines.items():
            if self.seldom(chance):
                self.air(place, celsius)
        if self.seldom(0.3) and self.vehicle.device == "expansion valve":
            bubbling = r.subcooling_k < 1.5 or self.truth == "air"
            chance = 0.75 if bubbling else 0.0 if self.truth == NOTHING else 0.08
            self.said.append(step("sight_glass_bubbles" if self.happens(chance) else "sight_glass_clear"))

    def stopped(self, static: float) -> None:
        self.said.append(step("clutch_not_engaged"))
        if self.seldom(0.7):
            self.pressure("low_side", static)
            self.pressure("high_side", static)
        if self.seldom(0.5):
            self.air("vent", self.ambient - self.rng.uniform(0, 2))
        if self.truth not in ELECTRICAL:
            return
        first = _FIRST_DEAD.get(self.truth)
        dead = _CHAIN.index(first) if first else len(_CHAIN)
        near = {dead - 1, dead} if self.happens(0.75) else {dead - 2, min(dead + 1, len(_CHAIN) - 1)}
        tested = sorted({i for i in (0, *near) if 0 <= i < len(_CHAIN)} | {i for i in range(len(_CHAIN)) if self.happens(0.25)})
        self.said += [step("key_on"), step("test_light_proved")]
        self.said += [supply(_CHAIN[i], i < dead) for i in tested]
        if self.truth == "clutch_coil" and (self.seldom(0.8) or "clutch" not in (_CHAIN[i] for i in tested)):
            self.said.append(m("clutch_coil", self.rng.choice((0.9, 1.2, 40, 900)), "ohm"))
        elif self.seldom(0.15):
            self.said.append(m("clutch_coil", round(self.rng.uniform(3.0, 4.2), 1), "ohm"))

    def findings(self) -> None:
        """What a fault looks like, sometimes; and now and then something that has nothing to do with it. A sound car shows no fault."""
        t, looks = self.truth, self.rng.random()
        if t == NOTHING:
            self.sometimes(0.5, step("fan_running"))
            self.sometimes(0.4, step("airflow_good"))
            self.sometimes(0.03, step("oil_stain", "condenser"))
            return
        if t == "condenser_airflow":
            fan = looks < 0.5
            self.sometimes(0.6, step("fan_not_running") if fan else step("fan_running"))
            self.sometimes(0.0 if fan else 0.5, step("found_blocked", "condenser"))
        elif t not in ELECTRICAL:
            self.sometimes(0.5, step("fan_running"))
        self.sometimes(0.5 if t == "air" else 0.02, step("needle_unsteady"))
        self.sometimes({"iced_evaporator": 0.6}.get(t, 0.02), step("airflow_weak"))
        if t not in ("iced_evaporator", *ELECTRICAL) and looks > 0.6:
            self.sometimes(0.8, step("airflow_good"))
        spot = {"iced_evaporator": ("evaporator", 0.5), "restriction": ("receiver_drier", 0.45), "valve_stuck_closed": ("expansion_valve", 0.45),
                "valve_stuck_open": ("suction_hose", 0.25)}.get(t)
        if spot:
            self.sometimes(spot[1], step("frost_at", spot[0]))
        self.sometimes(0.3 if t == "weak_compressor" else 0.02, step("noise_at", "compressor"))
        self.sometimes(0.3 if t == "undercharge" else 0.04, step("oil_stain", "condenser"))
        self.sometimes(0.3 if t == "undercharge" else 0.02, step("leak_found", "condenser"))
        self.sometimes(0.3 if t == "heater_valve" else 0.01, step("found_open", "heater_valve"))

    def sometimes(self, chance: float, statement: Statement) -> None:
        if self.happens(chance):
            self.said.append(statement)

    def weight(self) -> None:
        if not self.seldom(0.35):
            return
        held = effects(self.vehicle, self.fault).charge * self.vehicle.charge_kg
        if self.truth not in ("undercharge", "overcharge"):
            held *= self.rng.uniform(0.97, 1.02)
        back = held * self.rng.uniform(0.95, 1.0) + self.rng.uniform(-0.015, 0.015)
        self.said += [m("label_charge", round(1000 * self.vehicle.charge_kg), "g"), step("engine_off"), step("recovery_started"),
                      m("recovered", max(1, round(1000 * back)), "g")]
