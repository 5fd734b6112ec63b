"""A statement in the words of a work order."""

from __future__ import annotations

from decimal import Decimal

from hoodnote.statements.model import Answer, Control, Correction, Fact, FreeNote, Measured, Plan, Statement, Step, Supply
from hoodnote.statements.vocabulary import ACTIONS, CONTROLS, FACTS, PARTS, PLACES
from hoodnote.units import UNITS, Quantity, convert

_SIGN = {"F": "°F", "C": "°C", "F difference": "°F", "C difference": "°C", "ohm": "Ω", "kohm": "kΩ"}
_OTHER = {"psi": "kPa", "bar": "psi", "kPa": "psi", "MPa": "psi", "kg/cm2": "psi", "F": "°C", "C": "°F", "oz": "g", "lb": "kg", "g": "oz", "kg": "oz", "fl oz": "mL"}


def figure(value: Decimal | float, unit: str) -> str:
    """ "30 psi", "52 °F", "0.55 kg": the digits as they were given."""
    if isinstance(value, Decimal):
        digits = f"{value:,f}" if abs(value) >= 10000 else f"{value:f}"
    else:
        digits = f"{value:g}"
    gap = "" if unit == "%" else " "
    return f"{digits}{gap}{_SIGN.get(unit, unit)}"


def in_other_unit(value: Decimal | float, unit: str) -> str | None:
    """The figure in the unit of the other habit (psi to kPa, F to C), rounded to what the digits can carry; None where there is none."""
    other = {"°C": "C", "°F": "F"}.get(_OTHER.get(unit, ""), _OTHER.get(unit))
    if other is None:
        return None
    converted = convert(float(value), unit, other)
    places = 3 if other == "kg" else 1 if other in ("oz", "C") and abs(converted) < 100 else 0
    return figure(Decimal(f"{converted:.{places}f}"), other)


def describe(statement: Statement | None) -> str:
    match statement:
        case None:
            return "not understood"
        case Measured():
            return _describe_measured(statement)
        case Supply(place=place, present=present):
            return f"{'power' if present else 'no power'} at {PLACES[place].name}"
        case Step(action=action, item=None):
            return ACTIONS[action]
        case Step(action=action, item=item):
            name = PARTS.get(item, item)
            if action in ("replaced", "repaired", "cleaned", "inspected", "bypassed") or action.startswith("found_"):
                verb, _, rest = ACTIONS[action].partition(" for test")
                return f"{name} {verb}{' for test' if action == 'bypassed' else rest}"
            return f"{ACTIONS[action]} {name}"
        case Plan(action=action):
            return f"announced: {ACTIONS[action]}"
        case Fact(key=key, value=value):
            return f"{FACTS[key]}: {value}"
        case Control(action=action):
            return CONTROLS[action]
        case Answer(value=value, unit=unit):
            return f"the figure {figure(value, unit) if unit else f'{value:f}'} alone"
        case FreeNote(text=text):
            return f'free note: "{text}"' if text else "free note without a transcript, listen to the clip"
        case Correction(statement=inner):
            return f"correction: {describe(inner)}"
    raise TypeError(statement)


def _describe_measured(m: Measured) -> str:
    text = PLACES[m.place].name
    if m.engine:
        text += f", engine {m.engine}"
    if m.at_minute is not None:
        text += f" at {m.at_minute:f} min"
    text += f": {figure(m.value, m.unit)}"
    if m.tolerance is not None:
        text += f" ± {figure(m.tolerance, m.unit)}"
    if UNITS[m.unit].quantity is Quantity.VACUUM and m.unit == "inHg":
        text += " of vacuum"
    if not m.unit_stated:
        text += " (unit not said)"
    return text
