"""The same readings before and after the work, compared under their conditions.

"Proved better" only where both were read under like, stated conditions, the change is larger than its error, and it goes towards
what the cycle model expects under those conditions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, weigh
from hoodnote.checks.masses import said
from hoodnote.checks.model import Comparison, Outcome
from hoodnote.checks.running import COMPRESSION_RATIO, CONDENSING_ABOVE_AIR_C, EVAPORATING_C
from hoodnote.checks.view import PRESSURE_PLACES, Situation, View
from hoodnote.physics.errors import NoSaturation, OutOfRange
from hoodnote.physics.saturation import Quality, saturation_temperature as boiling_at
from hoodnote.physics.uncertain import expanded, nominal, saturation_temperature
from hoodnote.readings.facts import si
from hoodnote.readings.model import Stage
from hoodnote.statements.model import Step
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import AbsolutePressure, GaugePressure

if TYPE_CHECKING:
    from hoodnote.physics.cycle import Conditions, Expected
    from hoodnote.physics.uncertain import Uncertain

BETTER, WORSE, SAME, NOT_COMPARABLE = "proved better", "proved worse", "no change beyond error", "not comparable"
CHANGED = "changed, clearly outside the expected range neither time"
UNJUDGED = "changed, no expected range to judge it by"
# Conditions count as like within these (common practice, no source).
AMBIENT_C, HUMIDITY_POINTS, ENGINE_SPEED_SHARE = 3.0, 15.0, 0.15
# Of a gauge's limit of error this share comes anew with each reading; the rest is its calibration, the same both times (common
# practice, no source).
ANEW = 0.5
_SETTINGS = (("recirculation or fresh air", ("recirculation_on", "fresh_air")), ("blower speed", ("blower_high",)))
_EVAPORATOR, _CONDENSER = ("evaporator_outlet", "suction_line"), ("liquid_line", "condenser_outlet")
_READ = (*PRESSURE_PLACES, "vent", *_EVAPORATOR, *_CONDENSER)


@dataclass(frozen=True)
class _Quantity:
    id: str
    title: str
    places: tuple[str, ...]              # what is read for it
    value: Callable[[Inputs], Uncertain | None]
    show: Callable[[float], str]
    limit: Callable[[float], str]        # of a change
    expected: str                        # field of physics.cycle.Expected, or "" for a temperature of saturation

    @property
    def read_directly(self) -> bool:
        return self.places == (self.id,)


def compare(view: View) -> tuple[Comparison, ...]:
    """One for every quantity that was read with the engine running both before and after the work, in any spell of each."""
    return tuple(c for quantity in _quantities() if (c := _compare(view, quantity)) is not None)


def _quantities() -> Iterator[_Quantity]:
    def pressure(kpa: float) -> str:
        return w.pressure(GaugePressure(kpa))

    def number(value: float) -> str:
        return f"{value:.1f}"

    yield _Quantity("low_side", "Low side", ("low_side",), lambda i: _pressure(i, "low_side"), pressure, w.pressure_limit, "low_kpa")
    yield _Quantity("high_side", "High side", ("high_side",), lambda i: _pressure(i, "high_side"), pressure, w.pressure_limit, "high_kpa")
    yield _Quantity("compression_ratio", "Compression ratio", PRESSURE_PLACES, _ratio, number, lambda x: f"±{x:.1f}", "ratio")
    yield _Quantity("vent", "Vent air", ("vent",), lambda i: i.temperature("vent"), w.temperature, w.difference_limit, "vent_c")
    yield _Quantity("evaporating", "Evaporating saturation temperature", ("low_side",), lambda i: _saturated(i, "low_side"), w.temperature,
                    w.difference_limit, "")
    yield _Quantity("condensing", "Condensing saturation temperature", ("high_side",), lambda i: _saturated(i, "high_side"), w.temperature,
                    w.difference_limit,
                    "")
    for place in _EVAPORATOR:
        yield _Quantity(f"superheat_{place}", f"Superheat at the {PLACES[place].name}", ("low_side", place), _superheat(place),
                        w.difference, w.difference_limit,
                        "superheat_k" if place == "evaporator_outlet" else "")
    for place in _CONDENSER:
        yield _Quantity(f"subcooling_{place}", f"Subcooling at the {PLACES[place].name}", ("high_side", place), _subcooling(place), w.difference,
                        w.difference_limit, "subcooling_k" if place == "condenser_outlet" else "")


# the figures -----------------------------------------------------------------------------------------------

def _anew(inputs: Inputs, place: str, limit_kpa: float) -> Uncertain:
    return inputs.view.errors.figure(0.0, ANEW * limit_kpa, ("anew", place, inputs.situation))


def _pressure(inputs: Inputs, place: str) -> Uncertain | None:
    read = inputs.graded(place)
    return None if read is None else read.above_air + _anew(inputs, place, read.limit_kpa)


def _absolute(inputs: Inputs, place: str) -> Uncertain | None:
    read = inputs.graded(place)
    return None if read is None else read.absolute + _anew(inputs, place, read.limit_kpa)


def _ratio(inputs: Inputs) -> Uncertain | None:
    low, high = _absolute(inputs, "low_side"), _absolute(inputs, "high_side")
    return None if low is None or high is None or nominal(low) <= 0 else high / low


def _saturated(inputs: Inputs, place: str) -> Uncertain | None:
    """Raises NoSaturation."""
    absolute, refrigerant = _absolute(inputs, place), inputs.refrigerant()
    if absolute is None or refrigerant is None:
        return None
    return saturation_temperature(refrigerant, absolute, Quality.DEW if place == "low_side" else Quality.BUBBLE)


def _superheat(place: str) -> Callable[[Inputs], Uncertain | None]:
    def value(inputs: Inputs) -> Uncertain | None:
        line, saturated = inputs.temperature(place), _saturated(inputs, "low_side")
        return None if line is None or saturated is None else line - saturated
    return value


def _subcooling(place: str) -> Callable[[Inputs], Uncertain | None]:
    def value(inputs: Inputs) -> Uncertain | None:
        line, saturated = inputs.temperature(place), _saturated(inputs, "high_side")
        return None if line is None or saturated is None else saturated - line
    return value


# the comparison --------------------------------------------------------------------------------------------

def _compare(view: View, quantity: _Quantity) -> Comparison | None:
    sides = [_last(view, stage, quantity.places) for stage in (Stage.BEFORE, Stage.AFTER)]
    if None in sides:
        return None
    inputs = [Inputs(view, situation) for situation in sides]
    try:
        values = [quantity.value(i) for i in inputs]
    except NoSaturation as problem:
        return _unlike(quantity, inputs, ("", ""), f"{problem}.")
    if None in values or not all(i.complete for i in inputs):
        lacking = [f"{side} the work: {m}" for side, i in zip(("before", "after"), inputs) for m in i.missing]
        return _unlike(quantity, inputs, ("", ""),
                       f"The figures are not sure: {'; '.join(lacking)}." if lacking else "A figure is off the scale.")
    before, after = values
    told = tuple(_told(view, quantity, situation, value) for situation, value in zip(sides, values))
    conditions, unlike = _conditions(view, sides, inputs)
    if unlike:
        return _unlike(quantity, inputs, told, f"{_first_up('; '.join(unlike))}.")
    change = after - before
    basis = tuple(dict.fromkeys(n for i in inputs for n in i.basis))
    outcome, why = _judge(view, quantity, inputs, conditions, before, after)
    return Comparison(quantity.id, quantity.title, *told, _change(quantity, change), True, outcome, why, basis)


def _told(view: View, quantity: _Quantity, situation: Situation, value: Uncertain) -> str:
    """A figure that was read stays as it was read."""
    if quantity.read_directly:
        return said(view.readings(quantity.places[0], situation=situation)[-1])
    return quantity.show(nominal(value))


def _last(view: View, stage: Stage, places: tuple[str, ...]) -> Situation | None:
    """The last spell of the stage with the engine running and the circuit closed in which all of it was read."""
    found = [s for s in view.situations("running", places) if s.stage is stage and not s.circuit_open
             and all(view.readings(p, situation=s) for p in places)]
    return max(found, key=lambda s: s.spell, default=None)


def _unlike(quantity: _Quantity, inputs: list[Inputs], told: tuple[str, str], why: str) -> Comparison:
    basis = tuple(dict.fromkeys(n for i in inputs for n in i.basis))
    return Comparison(quantity.id, quantity.title, *told, "", False, NOT_COMPARABLE, why, basis)


def _change(quantity: _Quantity, change: Uncertain) -> str:
    value = nominal(change)
    size = quantity.limit(abs(value)).removeprefix("±")
    return f"{'down' if value < 0 else 'up'} {size} {quantity.limit(expanded(change))} (k = 2)"


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


# the conditions --------------------------------------------------------------------------------------------

def _conditions(view: View, sides: list[Situation], inputs: list[Inputs]) -> tuple[list[tuple[float, float, float, bool]], list[str]]:
    """Ambient C, humidity %, engine speed rpm and recirculation of each side, and what makes them unlike or is not known of them."""
    unlike: list[str] = []
    figures: dict[str, list[float]] = {}
    for place, near in (("ambient", lambda a, b: abs(a - b) <= AMBIENT_C), ("humidity", lambda a, b: abs(a - b) <= HUMIDITY_POINTS),
                        ("engine_speed", lambda a, b: abs(a - b) <= ENGINE_SPEED_SHARE * max(a, b))):
        found = []
        for side, situation, held in zip(("before", "after"), sides, inputs):
            stated = Inputs(view, stage=situation.stage)
            live = stated.figure(place)
            if live is None or not stated.complete:
                lacking = "" if stated.missing[0].endswith(NOT_CONFIRMED) else "not stated "
                unlike.append(f"{' and '.join(stated.missing)} {lacking}{side} the work")
            else:
                found.append(si(live))
                held.basis.append(live.entry.id)
        if len(found) == 2:
            figures[place] = found
            if not near(*found):
                unlike.append(f"{PLACES[place].name} differed: {' and '.join(_shown(place, x) for x in found)}")
    recirculation = []
    for name, actions in _SETTINGS:
        states = [_setting(view, situation, actions) for situation in sides]
        for side, (state, text, number), held in zip(("before", "after"), states, inputs):
            if state is None:
                unlike.append(f"{text or f'{name} not stated'} {side} the work")
            elif number is not None:
                held.basis.append(number)
        if all(s[0] for s in states) and states[0][0] != states[1][0]:
            unlike.append(f"{name} differed")
        if len(actions) == 2:
            recirculation = [s[0] == "recirculation_on" for s in states]
    if unlike:
        return [], unlike
    return [(figures["ambient"][n], figures["humidity"][n], figures["engine_speed"][n], recirculation[n]) for n in (0, 1)], []


def _shown(place: str, value: float) -> str:
    return w.temperature(value) if place == "ambient" else f"{value:.0f} {'%' if place == 'humidity' else 'rpm'}"


def _setting(view: View, situation: Situation, actions: tuple[str, ...]) -> tuple[str | None, str, int | None]:
    """The setting last stated in the stage, or what is in doubt about it, and the entry."""
    doubt = next((d for d in view.doubts if d.keys.intersection(actions) and d.situation.stage is situation.stage), None)
    if doubt is not None:
        return None, f"{doubt.text} {NOT_CONFIRMED}", None
    found = [x for x in view.usable.live if isinstance(x.entry.statement, Step) and x.entry.statement.action in actions
             and x.stage is situation.stage]
    return (found[-1].entry.statement.action, "", found[-1].entry.id) if found else (None, "", None)


# better or worse -------------------------------------------------------------------------------------------

def _judge(view: View, quantity: _Quantity, inputs: list[Inputs], conditions: list[tuple[float, float, float, bool]], before: Uncertain,
           after: Uncertain) -> tuple[str, str]:
    assumed = f"same instruments both times, {1 - ANEW:.0%} of a gauge's limit taken as its calibration"
    change = after - before
    if abs(nominal(change)) <= expanded(change):
        return SAME, f"The change is within its error ({assumed})."
    ranges = [_expected(view, quantity, i, c) for i, c in zip(inputs, conditions)]
    if None in ranges:
        return UNJUDGED, f"The change is larger than its error ({assumed}); what to expect under these conditions is not known."
    outside = [max(low - nominal(value), nominal(value) - high, 0.0) for value, (low, high, _) in zip((before, after), ranges)]
    judged = [weigh(value, low, high).outcome for value, (low, high, _) in zip((before, after), ranges)]
    source = ranges[1][2]
    told = (f"conditions alike, change larger than its error ({assumed}), expected after the work {_range_text(quantity, ranges[1])} "
            f"({source})")
    if outside[1] < outside[0] and judged[0] is Outcome.OUTSIDE:
        reached = {Outcome.WITHIN: "into the expected range", Outcome.CANNOT_TELL: "to the edge of the expected range",
                   Outcome.OUTSIDE: "towards the expected range, without reaching it"}[judged[1]]
        return BETTER, f"It moved {reached}; {told}."
    if outside[1] > outside[0] and judged[1] is Outcome.OUTSIDE:
        return WORSE, f"It moved away from the expected range; {told}."
    return CHANGED, f"Neither the reading it moved from nor the one it moved to lies clearly outside the expected range; {told}."


def _range_text(quantity: _Quantity, edges: tuple[float, float, str]) -> str:
    return f"{quantity.show(edges[0])} to {quantity.show(edges[1])}"


def _expected(view: View, quantity: _Quantity, inputs: Inputs, conditions: tuple[float, float, float, bool]) -> tuple[float, float, str] | None:
    """Lowest, highest and source, by the cycle model where it covers the conditions, else by the usual range."""
    refrigerant, station = inputs.refrigerant(), inputs.ambient_pressure()
    ambient, humidity, rpm, recirculation = conditions
    if refrigerant is None:
        return None
    known = _cycle(view, refrigerant, ambient, humidity, station.kpa, rpm, recirculation)
    if known is not None:
        if quantity.expected:
            band = getattr(known, quantity.expected)
            return (band.low, band.high, "cycle model") if band is not None else None
        if quantity.id in ("evaporating", "condensing"):
            band, quality = (known.low_kpa, Quality.DEW) if quantity.id == "evaporating" else (known.high_kpa, Quality.BUBBLE)
            try:
                low, high = (boiling_at(refrigerant, AbsolutePressure(kpa + station.kpa), quality).celsius for kpa in (band.low, band.high))
            except NoSaturation:
                return None
            return low, high, "cycle model"
    usual = {"evaporating": EVAPORATING_C, "condensing": tuple(ambient + x for x in CONDENSING_ABOVE_AIR_C),
             "compression_ratio": COMPRESSION_RATIO}
    return (*usual[quantity.id], w.COMMON_PRACTICE) if quantity.id in usual and refrigerant != "R-744" else None


def _cycle(view: View, refrigerant: str, ambient: float, humidity: float, station_kpa: float, rpm: float,
           recirculation: bool) -> Expected | None:
    from hoodnote.physics import cycle

    try:
        at: Conditions = cycle.Conditions(ambient, humidity / 100, station_kpa, rpm, recirculation)
    except OutOfRange:
        return None
    return cycle.expected(refrigerant, view.facts.get("expansion_device"), view.facts.get("compressor_control"), at)
