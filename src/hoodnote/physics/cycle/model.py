"""What goes into the cycle model and what comes out."""

from __future__ import annotations

from dataclasses import dataclass

from hoodnote.physics.errors import NotModelled, OutOfRange

ORIFICE_TUBE, EXPANSION_VALVE = "orifice tube", "expansion valve"
FIXED, VARIABLE = "fixed displacement", "variable displacement"
DEVICES, CONTROLS = (ORIFICE_TUBE, EXPANSION_VALVE), (FIXED, VARIABLE)
FAULTS = ("undercharge", "overcharge", "air", "restriction", "valve_stuck_closed", "valve_stuck_open", "condenser_airflow",
          "weak_compressor", "iced_evaporator", "heater_valve")
LOWEST_AMBIENT_C, HIGHEST_AMBIENT_C = 5.0, 55.0


@dataclass(frozen=True)
class Vehicle:
    """A passenger car's circuit. Sizes are common practice, no source; `vehicles.typical` fits orifice, valve and charge to them."""

    refrigerant: str
    device: str
    control: str
    charge_kg: float                          # the label's
    displacement_cc: float = 150.0            # at full stroke
    pulley_ratio: float = 1.3                 # compressor speed over engine speed
    volumetric: float = 0.84                  # volumetric efficiency at a pressure ratio of 1
    isentropic: float = 0.74                  # isentropic efficiency at a pressure ratio of 1
    evaporating_setpoint_c: float = 0.0       # what displacement control or clutch cycling holds
    condenser_air_m3_s: float = 0.385          # through the whole face, at 1500 rpm
    condenser_effectiveness: float = 0.68     # condensing zone; the single-phase zones have less
    subcooling_share: float = 0.10            # of the condenser face after the receiver; 0 with an orifice tube
    reingested_k: float = 4.0                 # air into the condenser above ambient, standing vehicle
    evaporator_air_m3_s: float = 0.120
    evaporator_effectiveness: float = 0.88    # air side: one minus bypass factor
    evaporator_ua_w_k: float = 1200.0         # refrigerant to surface
    own_air_share: float = 0.20               # of the blower's intake on recirculation with the doors open
    orifice_mm2: float = 1.30                 # effective area of the orifice tube, or of the valve fully open
    valve_superheat_k: float = 4.0            # at which the valve begins to open
    valve_span_k: float = 6.0                 # from there to fully open
    buffer_l: float = 0.28                    # receiver-drier or accumulator
    condenser_l: float = 0.65
    evaporator_l: float = 0.45
    liquid_line_l: float = 0.08
    suction_line_l: float = 0.35
    discharge_line_l: float = 0.15

    def __post_init__(self):
        if self.device not in DEVICES:
            raise NotModelled(f"unknown expansion device {self.device}; state one of {', '.join(DEVICES)}")
        if self.control not in CONTROLS:
            raise NotModelled(f"unknown compressor control {self.control}; state one of {', '.join(CONTROLS)}")

    @property
    def orifice_tube(self) -> bool:
        return self.device == ORIFICE_TUBE

    @property
    def volume_l(self) -> float:
        return (self.buffer_l + self.condenser_l + self.evaporator_l + self.liquid_line_l + self.suction_line_l
                + self.discharge_line_l)


@dataclass(frozen=True)
class Conditions:
    """Doors open, blower high, full cold; `humidity` is a fraction 0 to 1. Raises OutOfRange."""

    ambient_c: float
    humidity: float
    station_kpa: float = 101.325
    engine_rpm: float = 1500.0
    recirculation: bool = True

    def __post_init__(self):
        if not LOWEST_AMBIENT_C <= self.ambient_c <= HIGHEST_AMBIENT_C:
            raise OutOfRange(f"the cycle model covers {LOWEST_AMBIENT_C:.0f} to {HIGHEST_AMBIENT_C:.0f} C ambient, "
                             f"not {self.ambient_c:.1f} C; compare with the service manual's table")
        if not 0.0 <= self.humidity <= 1.0:
            raise OutOfRange(f"a relative humidity of {self.humidity * 100:.0f} % cannot be; state one from 0 to 100 %")
        if not 65.0 <= self.station_kpa <= 106.0:
            raise OutOfRange(f"the cycle model covers 65 to 106 kPa station pressure, not {self.station_kpa:.1f} kPa; check the altitude")
        if not 500.0 <= self.engine_rpm <= 4000.0:
            raise OutOfRange(f"the cycle model covers 500 to 4000 rpm, not {self.engine_rpm:.0f} rpm; read at about 1500 rpm")


@dataclass(frozen=True)
class Fault:
    """One fault; severity 0 is none, 1 about the worst at which the compressor is still driven. What 1 means: see `faults.Effects`."""

    id: str
    severity: float

    def __post_init__(self):
        if self.id not in FAULTS:
            raise NotModelled(f"the cycle model has no fault {self.id}; state one of {', '.join(FAULTS)}")
        if not 0.0 <= self.severity <= 1.0:
            raise OutOfRange(f"a severity of {self.severity:.2f} cannot be; state one from 0 to 1")


@dataclass(frozen=True)
class Running:
    """A running circuit as gauges and thermometers would show it. Temperatures in C, pressures gauge kPa.

    `evaporating_c` and `condensing_c` are the saturation temperatures at the service ports' pressures; superheat and subcooling
    refer to them, so air in the circuit shows as subcooling that is not there. `superheat_k` below 0 does not occur: wet suction is 0.
    """

    low_kpa: float
    high_kpa: float
    evaporating_c: float | None
    condensing_c: float | None
    suction_line_c: float                     # at the compressor, warmed by the engine bay
    discharge_line_c: float
    liquid_line_c: float                      # at the expansion device, behind a narrowed place
    evaporator_inlet_c: float                 # refrigerant, after the expansion device
    evaporator_outlet_c: float                # refrigerant
    vent_c: float
    condenser_air_out_c: float
    superheat_k: float
    subcooling_k: float
    ratio: float
    mass_flow_kg_s: float
    evaporator_w: float
    condenser_w: float
    compressor_w: float
    imbalance: float                          # first law: (in - out) / evaporator_w
    clutch_cycling: bool                      # figures are then the mean of the cycle
    states: tuple[tuple[float, float, str], ...]      # (kJ/kg, kPa absolute, where)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Band:
    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class Expected:
    """What sound vehicles show; None where a quantity is not defined. Pressures gauge kPa, temperatures C, differences K."""

    low_kpa: Band
    high_kpa: Band
    vent_c: Band
    superheat_k: Band | None
    subcooling_k: Band | None
    ratio: Band
    limits: tuple[str, ...]                   # under what conditions the bands hold
