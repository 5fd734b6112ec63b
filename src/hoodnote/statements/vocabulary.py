"""The closed lists that statements are made of: places, actions, parts, facts, controls.

The grammars tag their phrases with these ids; a test holds the two against each other.
"""

from __future__ import annotations

from dataclasses import dataclass

from hoodnote.units import Quantity as Q


@dataclass(frozen=True)
class Place:
    name: str                       # as the note prints it
    quantities: tuple[Q, ...]
    group: str                      # pressure, air, line, vacuum, refrigerant, oil, circuit, time, condition, vehicle, label


_ELECTRIC = (Q.VOLTAGE,)
PLACES: dict[str, Place] = {
    # refrigerant circuit
    "low_side": Place("low side", (Q.PRESSURE, Q.VACUUM), "pressure"),
    "high_side": Place("high side", (Q.PRESSURE,), "pressure"),
    "vacuum": Place("vacuum", (Q.VACUUM,), "vacuum"),
    "cylinder": Place("source cylinder pressure", (Q.PRESSURE,), "pressure"),
    "nitrogen": Place("nitrogen test pressure", (Q.PRESSURE,), "pressure"),
    # air
    "ambient": Place("ambient air", (Q.TEMPERATURE,), "air"),
    "vent": Place("centre vent air", (Q.TEMPERATURE,), "air"),
    "intake_air": Place("evaporator intake air", (Q.TEMPERATURE,), "air"),
    "condenser_air_in": Place("condenser inlet air", (Q.TEMPERATURE,), "air"),
    "condenser_air_out": Place("condenser outlet air", (Q.TEMPERATURE,), "air"),
    # lines
    "suction_line": Place("suction line", (Q.TEMPERATURE,), "line"),
    "discharge_line": Place("discharge line", (Q.TEMPERATURE,), "line"),
    "liquid_line": Place("liquid line", (Q.TEMPERATURE,), "line"),
    "condenser_inlet": Place("condenser inlet line", (Q.TEMPERATURE,), "line"),
    "condenser_outlet": Place("condenser outlet line", (Q.TEMPERATURE,), "line"),
    "evaporator_inlet": Place("evaporator inlet line", (Q.TEMPERATURE,), "line"),
    "evaporator_outlet": Place("evaporator outlet line", (Q.TEMPERATURE,), "line"),
    "accumulator": Place("accumulator", (Q.TEMPERATURE,), "line"),
    "can": Place("source can", (Q.TEMPERATURE,), "line"),
    # conditions
    "humidity": Place("relative humidity", (Q.HUMIDITY,), "condition"),
    "altitude": Place("altitude", (Q.ALTITUDE,), "condition"),
    "engine_speed": Place("engine speed", (Q.ROTATION,), "condition"),
    # refrigerant and oil in and out
    "recovered": Place("refrigerant recovered", (Q.MASS,), "refrigerant"),
    "charged": Place("refrigerant charged", (Q.MASS,), "refrigerant"),
    "cylinder_before": Place("recovery cylinder before", (Q.MASS,), "refrigerant"),
    "cylinder_after": Place("recovery cylinder after", (Q.MASS,), "refrigerant"),
    "scale_before": Place("scale before", (Q.MASS,), "refrigerant"),
    "scale_after": Place("scale after", (Q.MASS,), "refrigerant"),
    "can_content": Place("content of a full can", (Q.MASS,), "refrigerant"),
    "can_heel": Place("left in the can", (Q.MASS,), "refrigerant"),
    "hose_allowance": Place("left in the hoses", (Q.MASS,), "refrigerant"),
    "oil_removed": Place("oil removed", (Q.VOLUME,), "oil"),
    "oil_added": Place("oil added", (Q.VOLUME,), "oil"),
    "dye_added": Place("dye added", (Q.VOLUME,), "oil"),
    # time
    "pump_time": Place("vacuum pump running time", (Q.DURATION,), "time"),
    "hold_time": Place("hold test time", (Q.DURATION,), "time"),
    "settle_time": Place("time with engine off", (Q.DURATION,), "time"),
    "run_time": Place("running time", (Q.DURATION,), "time"),
    # clutch circuit test points
    "battery": Place("battery", _ELECTRIC, "circuit"),
    "fuse": Place("clutch circuit fuse", _ELECTRIC, "circuit"),
    "fuse_in": Place("fuse, supply side", _ELECTRIC, "circuit"),
    "fuse_out": Place("fuse, load side", _ELECTRIC, "circuit"),
    "relay_supply": Place("relay contact supply", _ELECTRIC, "circuit"),
    "relay_output": Place("relay contact output", _ELECTRIC, "circuit"),
    "relay_coil": Place("relay coil", (Q.VOLTAGE, Q.RESISTANCE), "circuit"),
    "control_unit": Place("control unit output", _ELECTRIC, "circuit"),
    "freeze_switch_in": Place("freeze-protection switch, in", _ELECTRIC, "circuit"),
    "freeze_switch_out": Place("freeze-protection switch, out", _ELECTRIC, "circuit"),
    "low_pressure_switch_in": Place("low-pressure switch, in", _ELECTRIC, "circuit"),
    "low_pressure_switch_out": Place("low-pressure switch, out", _ELECTRIC, "circuit"),
    "high_pressure_switch_in": Place("high-pressure switch, in", _ELECTRIC, "circuit"),
    "high_pressure_switch_out": Place("high-pressure switch, out", _ELECTRIC, "circuit"),
    "clutch": Place("clutch connector", (Q.VOLTAGE, Q.CURRENT), "circuit"),
    "clutch_coil": Place("clutch coil", (Q.RESISTANCE, Q.CURRENT, Q.VOLTAGE), "circuit"),
    "clutch_ground": Place("clutch ground", (Q.VOLTAGE, Q.RESISTANCE), "circuit"),
    "freeze_switch": Place("across the freeze-protection switch", (Q.VOLTAGE, Q.RESISTANCE), "circuit"),
    "low_pressure_switch": Place("across the low-pressure switch", (Q.VOLTAGE, Q.RESISTANCE), "circuit"),
    "high_pressure_switch": Place("across the high-pressure switch", (Q.VOLTAGE, Q.RESISTANCE), "circuit"),
    # vehicle and label
    "odometer": Place("odometer", (Q.DISTANCE,), "vehicle"),
    "label_charge": Place("label charge", (Q.MASS,), "label"),
    "label_oil": Place("label oil amount", (Q.VOLUME,), "label"),
}

# Parts and spots: objects of replaced, repaired, leak found, frost found, noise.
PARTS: dict[str, str] = {
    "compressor": "compressor", "clutch": "compressor clutch", "clutch_coil": "clutch coil", "condenser": "condenser",
    "evaporator": "evaporator", "accumulator": "accumulator", "receiver_drier": "receiver-drier",
    "expansion_valve": "expansion valve", "orifice_tube": "orifice tube", "suction_hose": "suction hose",
    "discharge_hose": "discharge hose", "liquid_line": "liquid line", "o_ring": "O-ring", "schrader_core": "service valve core",
    "low_service_port": "low-side service port", "high_service_port": "high-side service port",
    "shaft_seal": "compressor shaft seal", "pressure_relief": "pressure relief valve",
    "low_pressure_switch": "low-pressure switch", "high_pressure_switch": "high-pressure switch",
    "freeze_switch": "freeze-protection switch", "relay": "relay", "fuse": "fuse", "wiring": "wiring", "connector": "connector",
    "ground": "ground connection", "condenser_fan": "condenser fan", "blower": "blower", "belt": "drive belt",
    "blend_door": "blend door", "heater_valve": "heater valve", "cabin_filter": "cabin filter", "desiccant": "desiccant",
}

ACTIONS: dict[str, str] = {
    # state of engine and controls
    "engine_off": "engine off", "engine_running": "engine running", "max_cool": "maximum cooling set",
    "recirculation_on": "recirculation on", "fresh_air": "fresh air set", "doors_open": "doors open", "blower_high": "blower on high",
    "clutch_engaged": "clutch engaged", "clutch_not_engaged": "clutch not engaged", "clutch_cycling": "clutch cycling",
    "fan_running": "condenser fan running", "fan_not_running": "condenser fan not running",
    "engine_hot": "engine overheating", "airflow_weak": "airflow from the vents weak", "airflow_good": "airflow from the vents strong",
    "needle_unsteady": "high-side needle unsteady", "sight_glass_clear": "sight glass clear", "sight_glass_bubbles": "bubbles in the sight glass",
    "key_on": "key on", "key_off": "key off", "test_light_proved": "test light proved on a known good supply",
    # connection and valves
    "gauges_connected": "gauges connected", "gauges_disconnected": "gauges disconnected",
    "low_valve_open": "low-side valve open", "low_valve_shut": "low-side valve shut",
    "high_valve_open": "high-side valve open", "high_valve_shut": "high-side valve shut",
    "source_open": "source valve open", "source_shut": "source valve shut",
    "caps_fitted": "service caps fitted", "eye_protection": "eye protection and gloves on", "identified": "refrigerant identifier used",
    # recovery, repair, vacuum, charge
    "recovery_started": "recovery started", "recovery_finished": "recovery finished",
    "opening_system": "system opened", "system_closed": "system closed",
    "replaced": "replaced", "repaired": "repaired", "cleaned": "cleaned", "inspected": "inspected", "bypassed": "bypassed for test",
    "pump_on": "vacuum pump on", "pump_off": "vacuum pump off", "hold_started": "hold test started", "hold_finished": "hold test finished",
    "charging_started": "charging started", "charging_finished": "charging finished",
    "charging_vapour": "charging as vapour", "charging_liquid": "charging as liquid",
    "can_inverted": "can inverted", "can_upright": "can upright", "can_empty": "can empty", "can_warmed_water": "can warmed in warm water", "can_heated_flame": "can heated with a flame",
    # leak test
    "leak_test_nitrogen": "leak test with nitrogen", "leak_test_tracer": "leak test with tracer gas",
    "leak_test_air": "leak test with compressed air", "leak_test_oxygen": "leak test with oxygen", "leak_test_dye": "leak check with dye lamp",
    "leak_test_detector": "leak check with electronic detector",
    "leak_found": "leak found at", "no_leak_found": "no leak found", "oil_stain": "oil stain at", "frost_at": "frost at", "noise_at": "noise from",
    "debris_found": "debris found in", "found_open": "found open", "found_blown": "found blown", "found_ok": "found in order", "found_blocked": "found blocked",
    "found_loose": "found loose or corroded",
    # when
    "before_readings": "readings before work", "after_readings": "readings after work",
}

FACTS: dict[str, str] = {
    "refrigerant": "refrigerant", "expansion_device": "expansion device", "compressor_drive": "compressor drive",
    "compressor_control": "compressor control",
    "model_year": "model year", "make": "make", "model": "model", "vin": "VIN", "complaint": "complaint", "technician": "technician",
    "label_refrigerant": "label refrigerant", "label_oil_type": "label oil type", "oil_type": "oil type used", "source_refrigerant": "source refrigerant",
    "cylinder_id": "recovery cylinder", "conclusion": "technician's conclusion", "earlier_diagnosis": "earlier diagnosis by others",
}
CLAIM_FACTS = ("conclusion", "earlier_diagnosis")
# What a conclusion or an earlier diagnosis may name.
CLAIMED = ("low charge", "overcharge", "air in the system", "restriction", "expansion device stuck shut", "expansion device stuck open",
           "poor condenser airflow", "compressor not pumping", "iced evaporator", "heater valve or blend door", "open switch", "blown fuse",
           "relay without output", "clutch coil failed", "nothing found")
# Closed values of facts; a fact that is not listed is free text.
FACT_VALUES: dict[str, tuple[str, ...]] = {
    "refrigerant": ("R-134a", "R-1234yf", "R-12", "R-152a", "R-744"),
    "label_refrigerant": ("R-134a", "R-1234yf", "R-12", "R-152a", "R-744"),
    "source_refrigerant": ("R-134a", "R-1234yf", "R-12", "R-152a", "R-744"),
    "expansion_device": ("orifice tube", "expansion valve"),
    "compressor_drive": ("belt with clutch", "belt, clutchless", "electric"),
    "compressor_control": ("fixed displacement", "variable displacement"),
    "label_oil_type": ("mineral", "PAG 46", "PAG 100", "PAG 150", "POE", "PAG"),
    "oil_type": ("mineral", "PAG 46", "PAG 100", "PAG 150", "POE", "PAG"),
    "conclusion": CLAIMED, "earlier_diagnosis": CLAIMED,
}

CONTROLS: dict[str, str] = {
    "withdraw": "take the last statement back", "next": "go on to the next", "read_back": "read the last figures back",
    "yes": "yes, that is right", "no": "no, that is wrong", "later": "leave the question for later",
    "understood": "the warnings shown are understood", "memo": "start a free note",
    "pause": "stop listening for now", "resume": "listen again", "first_choice": "the first of the two", "second_choice": "the second of the two",
    "open_questions": "what is still open", "close_job": "the job is finished",
}
