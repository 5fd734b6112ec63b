"""What hazards are made of: parts that a state makes true, false or unknown, and the words that depend on its figures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from hoodnote.checks import wording as w
from hoodnote.checks.dangers.state import ServiceState, gauge_limit
from hoodnote.checks.inputs import CONVERSION
from hoodnote.checks.vehicle import oil_family
from hoodnote.physics.refrigerants import REFRIGERANTS
from hoodnote.units import GaugePressure, from_si

LOW_SIDE_LIMIT_PSI = (50.0, 55.0)     # common practice, no source; said of systems that work below the critical point
CAN_LIMIT_C = 52.0                    # 125 F, as printed on refrigerant cans (common practice, no source)
_CAN_NEAR_C = 2.0                     # a thermometer at arm's length
_CHARGED_SO = "R-744"                 # its low side works at ten times these pressures


@dataclass(frozen=True)
class Part:
    """One thing that must hold. `words` follow "if"; `items` are what of the state it stands on."""

    name: str
    words: str
    holds: Callable[[ServiceState], bool | None]
    items: tuple[str, ...]


def _is(item: str, words: str, value: bool = True, name: str = "") -> Part:
    def holds(state: ServiceState) -> bool | None:
        known = state.get(item)
        return None if known is None else known is value

    return Part(name or item, words, holds, (item,))


def _compressor(state: ServiceState) -> bool | None:
    """An electric one runs with the engine off; a clutch that is not engaged may engage at any moment."""
    engine = state.get("engine")
    electric = state.get("compressor_drive") == "electric" or state.lost("compressor_drive")
    if engine is None or electric:
        return None
    return engine and (None if state.get("clutch") is False else True)


def _pressure(state: ServiceState) -> bool | None:
    """Both sides without pressure, or one while that tells of the other: the pump drew on it, or they have had time to equalise."""
    sides = [state.get("low_pressure"), state.get("high_pressure")]
    if any(sides):
        return True
    if sides == [False, False]:
        return False
    if False not in sides or state.lost("low_pressure") or state.lost("high_pressure"):
        return None
    equal = state.get("engine") is False and ("ran" not in state.items or state.get("settled"))
    return False if equal or state.get("drawn_empty") else None


def _just_ran(state: ServiceState) -> bool | None:
    return False if state.get("settled") else True if state.get("engine") else None


def _feeding(state: ServiceState) -> bool | None:
    """Refrigerant flows from a source when its valve is open, or charging was said to go on."""
    if state.get("source") or (state.get("charging") and state.get("source") is not False):
        return True
    return False if False in (state.get("source"), state.get("charging")) else None


def _valve_open(state: ServiceState) -> bool | None:
    valves = [state.get(item) for item in ("low_valve", "high_valve", "source")]
    return True if any(valves) else None if None in valves else False


def _handling(state: ServiceState) -> bool | None:
    return any(state.get(item) for item in ("low_coupler", "high_coupler", "opened", "charging", "recovering")) or None


def _heat(state: ServiceState) -> bool | None:
    """A hot or running engine; one that ran and stopped only now is still hot."""
    if state.get("engine") or state.get("engine_hot") or state.get("flame"):
        return True
    return False if state.get("engine") is False and ("ran" not in state.items or state.get("settled")) else None


def _electric(state: ServiceState) -> bool | None:
    """A drive that nobody spoke of is taken as driven by a belt: only who works on an electric one needs this word."""
    return None if state.lost("compressor_drive") else state.get("compressor_drive") == "electric"


def _electric_or_unknown(state: ServiceState) -> bool | None:
    drive = state.get("compressor_drive")
    return None if drive is None else drive == "electric"


def _pag(state: ServiceState) -> bool | None:
    oil = state.get("oil_type")
    return None if oil is None else oil_family(oil) == "PAG"


PUMP = _is("pump", "the vacuum pump is on")
PRESSURE = Part("pressure", "the system still holds pressure", _pressure, ("low_pressure", "high_pressure"))
NO_PRESSURE = Part("no_pressure", "nothing is under pressure", lambda state: _pressure(state) is False, ("low_pressure", "high_pressure"))
VALVE_OPEN = Part("valve_open", "a valve is open", _valve_open, ("low_valve", "high_valve", "source"))
JUST_RAN = Part("just_ran", "the engine ran a moment ago", _just_ran, ("engine", "settled"))
COMPRESSOR = Part("compressor", "the compressor is running", _compressor, ("engine", "clutch", "compressor_drive"))
HIGH_VALVE = _is("high_valve", "the high-side valve is open")
HIGH_COUPLER_OFF = _is("high_coupler", "the high-side coupler is off", False)
FEEDING = Part("feeding", "the source is open", _feeding, ("source", "charging"))
NOT_FEEDING = Part("not_feeding", "the source is shut", lambda state: _feeding(state) is False, ("source", "charging"))
LIQUID = _is("liquid", "the source gives liquid")
LOW_VALVE_SHUT = _is("low_valve", "the low-side valve is shut", False)
IDENTIFIED = _is("identified", "the refrigerant was identified")
LEAKING = _is("leaking", "it leaks")
HEAT = Part("heat", "the engine is running or hot", _heat, ("engine", "engine_hot", "flame"))
PAG = Part("pag", "the oil is PAG", _pag, ("oil_type",))
ELECTRIC = Part("electric", "the compressor is electric", _electric, ("compressor_drive",))
ELECTRIC_OR_UNKNOWN = Part("electric", "the compressor is electric", _electric_or_unknown, ("compressor_drive",))
HIGH_VOLTAGE_WORK = _is("high_voltage_work", "work on it begins")
FLAME = _is("flame", "a flame is on the can")
HANDLING = Part("handling", "refrigerant is handled", _handling, ("low_coupler", "opened", "charging", "recovering"))
EYES = _is("eyes", "eye protection is on")
FIRST_RUN = _is("first_run", "the engine runs for the first time")


# the low side while charging

def _low_side_level(state: ServiceState) -> str | None:
    """"over", "at" or "near" the limit, the gauge's limit of error allowed for; "" where it is well below."""
    kpa = state.get("low_reading")
    if kpa is None:
        return None
    if _CHARGED_SO in (state.get("refrigerant"), state.get("label_refrigerant")):
        return ""
    psi, (lowest, highest) = from_si(kpa, "psi"), LOW_SIDE_LIMIT_PSI
    return "over" if psi > highest else "at" if psi > lowest else "near" if psi + from_si(gauge_limit(state.gauges, "low_side", kpa), "psi") > lowest else ""


def _low_side_high(state: ServiceState) -> bool | None:
    level = _low_side_level(state)
    return None if level is None else level != ""


_UP_TO = {"near": frozenset(("near",)), "at": frozenset(("near", "at")), "over": frozenset(("near", "at", "over"))}


def low_side_levels(state: ServiceState) -> frozenset[str]:
    return _UP_TO.get(_low_side_level(state) or "", frozenset())


def low_side_text(state: ServiceState) -> str:
    limit = f"the low-side limit of {w.pressure_range(*(GaugePressure.of(psi, 'psi') for psi in LOW_SIDE_LIMIT_PSI))}"
    level = _low_side_level(state)
    if level == "near":
        return f"the reading approaches {limit}, closer than the gauge can tell; charge slowly and watch it."
    return f"the reading is {level} {limit} and liquid may reach the compressor; shut the low-side valve and let it fall."


LOW_SIDE_HIGH = Part("low_side_high", "the low side is high", _low_side_high, ("low_reading",))


# refrigerants

_REFRIGERANTS = {"refrigerant": "the stated refrigerant", "label_refrigerant": "the label", "source_refrigerant": "the source"}


def _stated(state: ServiceState) -> dict[str, str]:
    return {key: str(state.get(key)) for key in _REFRIGERANTS if state.get(key) is not None}


def _converted(state: ServiceState) -> bool:
    known = _stated(state)
    return ((known.get("label_refrigerant"), known.get("refrigerant")) == CONVERSION
            and known.get("source_refrigerant", CONVERSION[1]) == CONVERSION[1])


def _differ(state: ServiceState) -> bool | None:
    if any(state.lost(key) for key in _REFRIGERANTS):
        return None
    known = set(_stated(state).values())
    return None if not known else len(known) > 1 and not _converted(state)


def refrigerant_tags(state: ServiceState) -> frozenset[str]:
    """Told again when another refrigerant is named, and when it begins to flow."""
    known = _stated(state)
    flows = {"flows"} if _feeding(state) else set()
    return frozenset({f"{key} {value}" for key, value in known.items()} | flows) if len(set(known.values())) > 1 else frozenset()


def refrigerants_text(state: ServiceState) -> str:
    listing = ", ".join(f"{_REFRIGERANTS[key]} says {value}" for key, value in _stated(state).items())
    return f"the refrigerants differ ({listing}): mixing contaminates system and equipment; do not connect or charge until an identifier settles it."


def flammable_names(state: ServiceState) -> frozenset[str]:
    return frozenset(v for v in _stated(state).values() if v in REFRIGERANTS and REFRIGERANTS[v].flammable)


def _flammable(state: ServiceState) -> bool | None:
    if flammable_names(state):
        return True
    return False if _stated(state) and not any(state.lost(key) for key in _REFRIGERANTS) else None


def flammable_text(state: ServiceState) -> str:
    which = " and ".join(sorted(flammable_names(state)))
    return (f"{which} can burn: escaping gas can catch fire; keep flames, sparks and hot surfaces away, ventilate, and use equipment made for it.")


def flammable_leak_text(state: ServiceState) -> str:
    which = " and ".join(sorted(flammable_names(state)))
    return f"leaking {which} can catch fire on hot parts or a spark; switch the engine off, ventilate and keep flames away until it is recovered."


REFRIGERANTS_DIFFER = Part("differ", "the refrigerants differ", _differ, tuple(_REFRIGERANTS))
CONVERSION_STATED = Part("conversion", "it was converted", lambda state: _converted(state), ("label_refrigerant", "refrigerant"))
FLAMMABLE = Part("flammable", "the refrigerant can burn", _flammable, tuple(_REFRIGERANTS))


# gas, oil, cans

def test_gas_names(state: ServiceState) -> frozenset[str]:
    gas = state.get("test_gas")
    return frozenset((gas,)) if isinstance(gas, str) else frozenset()


def test_gas_text(state: ServiceState) -> str:
    return (f"{state.get('test_gas')} with oil and refrigerant under pressure can explode: shut it off, let the pressure down, and test with dry nitrogen "
            "or a tracer gas.")


TEST_GAS = Part("test_gas", "air or oxygen is in the system", lambda state: None if state.get("test_gas") is None else bool(state.get("test_gas")),
                ("test_gas",))


def oil_put_in(state: ServiceState) -> frozenset[str]:
    return frozenset(("oil added",)) if state.get("oil_added") else frozenset()


def can_levels(state: ServiceState) -> frozenset[str]:
    celsius = state.get("can_reading")
    return frozenset(("over",)) if celsius is not None and celsius > CAN_LIMIT_C else frozenset()


def _can_hot(state: ServiceState) -> bool | None:
    celsius = state.get("can_reading")
    return None if celsius is None else celsius + _CAN_NEAR_C > CAN_LIMIT_C


def can_text(state: ServiceState) -> str:
    limit = f"{CAN_LIMIT_C:.0f} °C (125 °F)"
    if not can_levels(state):
        return f"the can is about as warm as its limit of {limit}, above which it can burst; take it out of the warmth and let it cool."
    return f"a can above {limit} can burst; shut the valve, stand clear and let it cool."


CAN_HOT = Part("can_hot", "the can is hot", _can_hot, ("can_reading",))


def _source_pressure_high(state: ServiceState) -> bool | None:
    """A source at more than its refrigerant's saturation pressure at the limit of a can is too hot, or has got what does not belong into it."""
    kpa, refrigerant = state.get("cylinder_reading"), state.get("source_refrigerant")
    if kpa is None or refrigerant is None:
        return None
    from hoodnote.physics.atmosphere import SEA_LEVEL
    from hoodnote.physics.errors import NoSaturation
    from hoodnote.physics.saturation import Quality, saturation_pressure
    from hoodnote.units import Temperature

    try:
        most = saturation_pressure(str(refrigerant), Temperature(CAN_LIMIT_C), Quality.BUBBLE).gauge(SEA_LEVEL).kpa
    except NoSaturation:
        return None
    return kpa > most


def source_pressure_text(state: ServiceState) -> str:
    return (f"the source holds more than {state.get('source_refrigerant')} has at {CAN_LIMIT_C:.0f} °C (125 °F) and can burst; shut both valves and the source, "
            "stand clear and let it cool.")


SOURCE_PRESSURE_HIGH = Part("source_pressure_high", "the source is over its pressure", _source_pressure_high, ("cylinder_reading", "source_refrigerant"))
