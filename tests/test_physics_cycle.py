"""The steady-state circuit: energy and mass close, every fault moves the readings as the trade expects, limits are refused."""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodnote.errors import HoodnoteError
from hoodnote.physics.cycle import Conditions, Fault, Running, run, standing, typical
from hoodnote.physics.cycle.circuit import Circuit
from hoodnote.physics.cycle.fluid import MODELLED
from hoodnote.physics.cycle.model import CONTROLS, DEVICES, EXPANSION_VALVE, FAULTS, FIXED, ORIFICE_TUBE, VARIABLE, Vehicle
from hoodnote.physics.cycle.solve import solved
from hoodnote.physics.errors import NoSteadyState, NotModelled, OutOfRange
from hoodnote.physics.moist_air import density, enthalpy, humidity_ratio, through_coil
from hoodnote.physics.refrigerants import refrigerant

KINDS = list(product(DEVICES, CONTROLS))
PSI = 6.894757                                    # NIST SP 811


@lru_cache(maxsize=512)
def shown(designation: str, device: str, control: str, ambient: float = 30.0, fault: str | None = None, severity: float = 1.0,
          humidity: float = 0.4, **more: float) -> Running:
    conditions = Conditions(ambient, humidity, **more)
    return run(typical(designation, device, control), conditions, Fault(fault, severity) if fault else None)


def has(device: str, fault: str) -> bool:
    return device == EXPANSION_VALVE or not fault.startswith("valve")


# ---- conservation -------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize(("device", "control"), KINDS)
@pytest.mark.parametrize("fault", FAULTS)
def test_the_first_law_closes_for_every_fault(device, control, fault):
    # first law: heat into the evaporator and the suction hose plus work equals heat out of the condenser, each from its own side
    if not has(device, fault):
        pytest.raises(NotModelled, shown, "R-134a", device, control, 30.0, fault)
        return
    for ambient, severity in ((20.0, 0.4), (30.0, 0.7), (35.0, 0.3)):
        assert abs(shown("R-134a", device, control, ambient, fault, severity).imbalance) < 1e-3


@settings(max_examples=40, deadline=None)
@given(designation=st.sampled_from(MODELLED), kind=st.sampled_from(KINDS), ambient=st.floats(15, 38), humidity=st.floats(0.1, 0.6),
       rpm=st.floats(800, 2500), station=st.floats(80, 103), recirculation=st.booleans())
def test_energy_mass_and_the_order_of_temperatures_hold_anywhere(designation, kind, ambient, humidity, rpm, station, recirculation):
    vehicle, conditions = typical(designation, *kind), Conditions(ambient, humidity, station, rpm, recirculation)
    r = run(vehicle, conditions)
    assert abs(r.imbalance) < 1e-3
    circuit = Circuit(vehicle, conditions, None)
    assert circuit.state(solved(circuit)).charge_kg == pytest.approx(vehicle.charge_kg, rel=1e-4)
    assert r.evaporating_c < r.vent_c < ambient < r.condenser_air_out_c < r.condensing_c <= r.discharge_line_c + 0.1
    assert r.liquid_line_c == pytest.approx(r.condensing_c - r.subcooling_k, abs=0.01)             # nothing narrow between
    assert r.suction_line_c >= r.evaporating_c - 0.1
    assert r.ratio == pytest.approx((r.high_kpa + station) / (r.low_kpa + station))


@pytest.mark.parametrize(("designation", "control"), list(product(MODELLED, CONTROLS)))
def test_heat_and_work_are_those_of_the_states_shown(designation, control):
    # the same energy from temperatures and pressures alone, through CoolProp instead of the tables
    from CoolProp.CoolProp import PropsSI

    r, model = shown(designation, EXPANSION_VALVE, control), refrigerant(designation).model
    low, high = (r.low_kpa + 101.325) * 1e3, (r.high_kpa + 101.325) * 1e3
    outlet_kpa = next(p for _, p, where in r.states if where == "evaporator outlet")
    liquid = PropsSI("H", "T", r.liquid_line_c + 273.15, "P", high, model)
    suction = PropsSI("H", "T", r.suction_line_c + 273.15, "P", low, model)
    discharge = PropsSI("H", "T", r.discharge_line_c + 273.15, "P", high, model)
    outlet = PropsSI("H", "T", r.evaporator_outlet_c + 273.15, "P", outlet_kpa * 1e3, model)
    assert r.mass_flow_kg_s * (outlet - liquid) == pytest.approx(r.evaporator_w, rel=0.01)
    assert r.mass_flow_kg_s * (discharge - suction) == pytest.approx(r.compressor_w, rel=0.01)
    assert r.mass_flow_kg_s * (discharge - liquid) == pytest.approx(r.condenser_w, rel=0.01)
    assert r.evaporating_c == pytest.approx(PropsSI("T", "P", low, "Q", 1, model) - 273.15, abs=0.05)
    assert r.condensing_c == pytest.approx(PropsSI("T", "P", high, "Q", 0, model) - 273.15, abs=0.05)


# ---- what the trade expects ---------------------------------------------------------------------------------------------------

@pytest.mark.parametrize(("device", "control"), KINDS)
def test_a_sound_r134a_vehicle_reads_as_the_trade_expects(device, control):
    # common practice, no source: at 30 C (86 F) and about 1500 rpm low 22 to 40 psi, high 175 to 240 psi, vent 4 to 12 C, absolute
    # ratio 4 to 8, condensing 11 to 25 C above the air into the condenser, which stands a few K above ambient
    r = shown("R-134a", device, control, humidity=0.5)
    assert 22 <= r.low_kpa / PSI <= 40 and 175 <= r.high_kpa / PSI <= 240
    assert 4 <= r.vent_c <= 12 and 4 <= r.ratio <= 8
    assert 11 <= r.condensing_c - 34 <= 25


@pytest.mark.parametrize(("device", "control"), KINDS)
@pytest.mark.parametrize("designation", MODELLED)
def test_hotter_or_damper_air_raises_high_side_and_vent(designation, device, control):
    hotter = [shown(designation, device, control, t) for t in (17.0, 22.0, 27.0, 32.0, 37.0)]
    damper = [shown(designation, device, control, 32.0, humidity=h) for h in (0.15, 0.3, 0.45, 0.6)]
    for rows in (hotter, damper):
        assert all(a.high_kpa < b.high_kpa and a.vent_c < b.vent_c + 1e-3 for a, b in zip(rows, rows[1:], strict=False))


# Direction of each reading against a sound vehicle: +1 up, -1 down, 0 about the same (within 12 kPa, 3 K). Common practice, no
# source; variable displacement and clutch cycling hold the low side, so "down" is checked there as "not up".
DIRECTIONS: list[tuple[str, str, str, dict[str, int]]] = [
    ("undercharge", EXPANSION_VALVE, FIXED, {"low_kpa": -1, "high_kpa": -1, "superheat_k": 1, "subcooling_k": -1, "vent_c": 1}),
    ("undercharge", EXPANSION_VALVE, VARIABLE, {"high_kpa": -1, "superheat_k": 1, "subcooling_k": -1, "vent_c": 1}),
    ("undercharge", ORIFICE_TUBE, FIXED, {"high_kpa": -1, "superheat_k": 1, "vent_c": 1}),
    ("overcharge", EXPANSION_VALVE, FIXED, {"high_kpa": 1, "subcooling_k": 1, "superheat_k": 0}),
    ("overcharge", EXPANSION_VALVE, VARIABLE, {"high_kpa": 1, "subcooling_k": 1, "superheat_k": 0}),
    ("overcharge", ORIFICE_TUBE, FIXED, {"high_kpa": 1, "subcooling_k": 1}),
    ("air", EXPANSION_VALVE, FIXED, {"high_kpa": 1, "ratio": 1, "discharge_line_c": 1}),
    ("air", ORIFICE_TUBE, FIXED, {"high_kpa": 1, "ratio": 1, "discharge_line_c": 1}),
    ("restriction", EXPANSION_VALVE, FIXED, {"low_kpa": -1, "high_kpa": -1, "superheat_k": 1, "vent_c": 1, "liquid_line_c": -1}),
    ("restriction", ORIFICE_TUBE, FIXED, {"high_kpa": -1, "superheat_k": 1, "vent_c": 1, "liquid_line_c": -1}),
    ("valve_stuck_closed", EXPANSION_VALVE, FIXED, {"low_kpa": -1, "high_kpa": -1, "superheat_k": 1, "vent_c": 1}),
    ("valve_stuck_closed", EXPANSION_VALVE, VARIABLE, {"low_kpa": -1, "high_kpa": -1, "superheat_k": 1, "vent_c": 1}),
    ("valve_stuck_open", EXPANSION_VALVE, FIXED, {"low_kpa": 1, "superheat_k": -1, "ratio": -1, "vent_c": 1}),
    ("valve_stuck_open", EXPANSION_VALVE, VARIABLE, {"low_kpa": 1, "superheat_k": -1, "vent_c": 1}),
    ("condenser_airflow", EXPANSION_VALVE, FIXED, {"high_kpa": 1, "low_kpa": 1, "subcooling_k": 0, "vent_c": 1}),
    ("condenser_airflow", ORIFICE_TUBE, FIXED, {"high_kpa": 1, "low_kpa": 1, "vent_c": 1}),
    ("weak_compressor", EXPANSION_VALVE, FIXED, {"low_kpa": 1, "high_kpa": -1, "ratio": -1, "vent_c": 1}),
    ("weak_compressor", EXPANSION_VALVE, VARIABLE, {"low_kpa": 1, "high_kpa": -1, "ratio": -1, "vent_c": 1}),
    ("weak_compressor", ORIFICE_TUBE, VARIABLE, {"low_kpa": 1, "high_kpa": -1, "ratio": -1, "vent_c": 1}),
    ("iced_evaporator", EXPANSION_VALVE, FIXED, {"low_kpa": -1, "high_kpa": -1}),
    ("iced_evaporator", ORIFICE_TUBE, FIXED, {"low_kpa": -1, "high_kpa": -1}),
    ("heater_valve", EXPANSION_VALVE, VARIABLE, {"low_kpa": 0, "high_kpa": 0, "vent_c": 1}),
    ("heater_valve", ORIFICE_TUBE, FIXED, {"low_kpa": 0, "high_kpa": 0, "vent_c": 1}),
]


@pytest.mark.parametrize("ambient", [25.0, 32.0])
@pytest.mark.parametrize("designation", ["R-134a", "R-1234yf"])
@pytest.mark.parametrize(("fault", "device", "control", "directions"), DIRECTIONS, ids=lambda v: v if isinstance(v, str) else "")
def test_each_fault_moves_the_readings_its_way(fault, device, control, directions, designation, ambient):
    ambient += 7 if fault == "valve_stuck_open" else 0            # on a mild day the control has room to hold the low side
    sound = shown(designation, device, control, ambient)
    faulty = shown(designation, device, control, ambient, fault, 0.6 if fault == "condenser_airflow" else 0.9)
    for name, direction in directions.items():
        change = getattr(faulty, name) - getattr(sound, name)
        if direction:
            assert change * direction > 0, (name, change)
        else:
            assert abs(change) < (12 if name.endswith("kpa") else 3), (name, change)


def test_a_narrowed_place_shows_as_a_cold_line_behind_it():
    # domain of the trade, common practice, no source: frost or a cold spot marks the restriction, the line before it stays warm
    r = shown("R-134a", ORIFICE_TUBE, FIXED, 30.0, "restriction", 0.8)
    before = r.condensing_c - r.subcooling_k
    assert r.liquid_line_c < before - 5 and before > 30


@pytest.mark.parametrize(("device", "control"), KINDS)
def test_a_fault_of_no_severity_is_no_fault(device, control):
    sound = shown("R-134a", device, control)
    for fault in FAULTS:
        if has(device, fault) and fault not in ("iced_evaporator", "restriction"):       # an iced coil is one without protection
            same = shown("R-134a", device, control, 30.0, fault, 0.0)
            assert (same.low_kpa, same.high_kpa) == (pytest.approx(sound.low_kpa, abs=0.5), pytest.approx(sound.high_kpa, abs=2))


def test_charge_has_a_plateau_on_which_it_hardly_shows():
    # receiver and accumulator are there for this (common practice, no source): 12 % either way moves the high side by less than 3 %
    for device, control in KINDS:
        middle = shown("R-134a", device, control).high_kpa
        for fault, severity in (("undercharge", 0.14), ("overcharge", 0.17)):
            assert shown("R-134a", device, control, 30.0, fault, severity).high_kpa == pytest.approx(middle, rel=0.03)


def test_a_blocked_valve_pulls_the_low_side_into_vacuum_unless_the_control_holds_it():
    fixed = shown("R-134a", EXPANSION_VALVE, FIXED, 30.0, "valve_stuck_closed", 1.0)
    assert fixed.low_kpa < 0 and any("low-pressure switch" in n for n in fixed.notes)
    assert shown("R-134a", EXPANSION_VALVE, VARIABLE, 30.0, "valve_stuck_closed", 1.0).low_kpa > 0


def test_freeze_protection_cycles_a_fixed_compressor_on_a_mild_day_and_says_so():
    mild = shown("R-134a", ORIFICE_TUBE, FIXED, 20.0)
    assert mild.clutch_cycling and any("mean of the cycle" in n for n in mild.notes)
    assert not shown("R-134a", ORIFICE_TUBE, VARIABLE, 20.0).clutch_cycling


def test_no_condenser_air_on_a_hot_day_passes_the_high_pressure_switch():
    r = shown("R-134a", EXPANSION_VALVE, FIXED, 35.0, "condenser_airflow", 0.8)
    assert any("high-pressure switch" in n for n in r.notes)


# ---- standing -----------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("designation", MODELLED)
@pytest.mark.parametrize("ambient", [10.0, 25.0, 40.0])
def test_at_rest_with_liquid_left_it_is_at_saturation_whatever_the_charge(designation, ambient):
    from CoolProp.CoolProp import PropsSI

    saturation = PropsSI("P", "T", ambient + 273.15, "Q", 1, refrigerant(designation).model) / 1e3
    vehicle = typical(designation, EXPANSION_VALVE, FIXED)
    for severity in (0.0, 0.5):
        assert standing(vehicle, ambient, 83.0, Fault("undercharge", severity)) == pytest.approx(saturation - 83.0, abs=1)


def test_at_rest_without_liquid_it_is_the_gas_at_its_density():
    from CoolProp.CoolProp import PropsSI

    vehicle = typical("R-134a", EXPANSION_VALVE, FIXED)
    density = vehicle.charge_kg * 0.15 / vehicle.volume_l * 1e3
    gas = PropsSI("P", "T", 318.15, "D", density, "R134a") / 1e3
    shown_kpa = standing(vehicle, 45.0, 101.325, Fault("undercharge", 1.0))
    assert shown_kpa == pytest.approx(gas - 101.325, rel=0.005)
    assert shown_kpa < PropsSI("P", "T", 318.15, "Q", 1, "R134a") / 1e3 - 101.325 - 100


def test_air_at_rest_adds_its_own_pressure():
    # Dalton and the ideal gas: 150 kPa at 25 C in the whole circuit, squeezed by the liquid's volume
    vehicle = typical("R-134a", EXPANSION_VALVE, FIXED)
    extra = standing(vehicle, 35.0, 101.325, Fault("air", 1.0)) - standing(vehicle, 35.0, 101.325)
    assert 150 * 308.15 / 298.15 < extra < 1.35 * 150 * 308.15 / 298.15


# ---- refusals -----------------------------------------------------------------------------------------------------------------

def test_stuck_valves_need_a_valve():
    with pytest.raises(NotModelled, match="no valve that could stick"):
        shown("R-134a", ORIFICE_TUBE, FIXED, 30.0, "valve_stuck_open")


@pytest.mark.parametrize("make", [
    lambda: Conditions(60, 0.5), lambda: Conditions(30, 50), lambda: Conditions(30, 0.5, 50), lambda: Conditions(30, 0.5, 101.3, 100),
    lambda: Fault("gremlin", 0.5), lambda: Fault("air", 1.5), lambda: Vehicle("R-134a", "capillary", FIXED, 0.5),
    lambda: Vehicle("R-134a", ORIFICE_TUBE, "electric", 0.5), lambda: typical("R-744", EXPANSION_VALVE, VARIABLE),
    lambda: standing(typical("R-134a", ORIFICE_TUBE, FIXED), 80.0)])
def test_what_cannot_be_modelled_is_refused_in_one_line(make):
    with pytest.raises(HoodnoteError) as refusal:
        make()
    assert "\n" not in str(refusal.value) and ";" in str(refusal.value)


def test_beyond_the_critical_point_there_is_no_steady_state():
    with pytest.raises((NoSteadyState, OutOfRange), match="C ambient"):
        shown("R-1234yf", ORIFICE_TUBE, FIXED, 52.0, "condenser_airflow", 1.0, humidity=0.4)


@pytest.mark.parametrize(("designation", "device", "control"), [(d, *k) for d in MODELLED for k in KINDS])
def test_the_first_law_closes_over_all_refrigerants_and_faults(designation, device, control):
    for fault in FAULTS:
        if has(device, fault):
            for severity in (0.25, 0.6):
                r = shown(designation, device, control, 24.0, fault, severity)
                assert abs(r.imbalance) < 1e-3, fault
                # and by the states alone: what the compressor and both gains put in is what the condenser takes out
                at = {where: h for h, _, where in r.states}
                flow = r.mass_flow_kg_s * 1e3
                assert flow * (at["evaporator outlet"] - at["evaporator inlet"]) == pytest.approx(r.evaporator_w, rel=1e-3)
                assert flow * (at["compressor outlet"] - at["condenser outlet"]) == pytest.approx(r.condenser_w, rel=1e-3)


@pytest.mark.parametrize("evaporating", [-3.0, 4.0, 12.0])
def test_the_air_off_the_coil_is_that_of_its_surface(evaporating):
    # two routes to one state: the coil's capacity in W, and the heat that the apparatus-dew-point view takes from the air
    vehicle, conditions = typical("R-134a", EXPANSION_VALVE, FIXED), Conditions(30, 0.5, recirculation=False)
    heat, off = Circuit(vehicle, conditions, None).coil.wetted(evaporating)
    surface = evaporating + heat / vehicle.evaporator_ua_w_k
    out = through_coil(30, 0.5, surface, vehicle.evaporator_effectiveness)
    w = humidity_ratio(30, 0.5)
    assert off == pytest.approx(out.temperature_c, abs=0.02)
    assert heat == pytest.approx(vehicle.evaporator_air_m3_s * density(30, w) * (enthalpy(30, w) - out.enthalpy) * 1e3, rel=0.01)
