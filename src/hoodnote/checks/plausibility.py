"""Figures that cannot be, or that need asking: one sentence, used to turn a heard figure into a question.

Ranges are wide on purpose (common practice, no source, unless said): they catch a misheard or misread figure, not a fault.
Only usable readings of the same stage and engine state are compared, and limits of error are added here, not squared: what cannot
be must not be even when every instrument is off by all its limit.
"""

from __future__ import annotations

from dataclasses import dataclass

from hoodnote.checks import wording as w
from hoodnote.checks.equipment import USUAL, Equipment
from hoodnote.checks.inputs import Inputs
from hoodnote.checks.static_pressure import HEAT_SOAK_C
from hoodnote.checks.view import Situation, View
from hoodnote.physics.atmosphere import WEATHER_LIMIT_KPA
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality, saturation_pressure, saturation_temperature
from hoodnote.readings.facts import si
from hoodnote.readings.model import Entry, Live, Origin, Standing, Timeline
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import figure as figure_text
from hoodnote.statements.model import Measured, Statement, uncorrected
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS, AbsolutePressure, GaugePressure, Quantity, Temperature, from_si, to_si

# By place, then by quantity, in base units (kPa gauge, C, kg, L, V, ohm, A, min, %, rpm, m, km).
_PLACE_RANGES: dict[str, tuple[float, float]] = {
    "low_side": (-101.4, to_si(250, "psi")), "high_side": (-101.4, to_si(500, "psi")),
    "cylinder": (0, to_si(500, "psi")), "nitrogen": (0, to_si(600, "psi")),
    "ambient": (-40, 55), "condenser_air_in": (-40, 75), "condenser_air_out": (-40, 110), "intake_air": (-40, 75), "vent": (-15, 80),
    "can": (-40, 70), "battery": (9, 16), "odometer": (0, 2_000_000), "engine_speed": (0, 8000), "altitude": (-430, 5500),
    "label_charge": (0.3, 2.5), "charged": (0, 2.5), "recovered": (0, 3.0), "cylinder_before": (0, 100), "cylinder_after": (0, 100), "scale_before": (0, 100), "scale_after": (0, 100),
    "can_content": (0.1, 2.0), "can_heel": (0, 2.0), "hose_allowance": (0, 0.3),
    "oil_removed": (0, 0.5), "oil_added": (0, 0.5), "label_oil": (0.03, 0.5), "dye_added": (0, 0.06),
    "pump_time": (0, 24 * 60), "hold_time": (0, 24 * 60), "settle_time": (0, 7 * 24 * 60), "run_time": (0, 8 * 60),
}
_QUANTITY_RANGES: dict[Quantity, tuple[float, float]] = {
    Quantity.HUMIDITY: (0, 100), Quantity.VOLTAGE: (-0.5, 16), Quantity.RESISTANCE: (0, 1e7), Quantity.CURRENT: (0, 30),
    Quantity.MASS: (0, 100), Quantity.VOLUME: (0, 1), Quantity.TEMPERATURE: (-40, 150), Quantity.DURATION: (0, 7 * 24 * 60),
}
# R-744 systems work near and above 100 bar; the ordinary ranges do not hold for them.
_TRANSCRITICAL_KPA = 16000.0
# More than this share of the label's charge needs asking.
_OVER_LABEL = 1.25
_VACUUM_SLACK_KPA = to_si(0.6, "inHg")


def implausible(statement: Statement, timeline: Timeline, equipment: Equipment = USUAL) -> str | None:
    """Why this figure needs asking, in one sentence; None when nothing speaks against it."""
    statement = uncorrected(statement)
    if not isinstance(statement, Measured):
        return None
    case = _Case.of(statement, timeline, equipment)
    for rule in (_vacuum, _range, _charge, _running_sides, _static, _against_saturation):
        reason = rule(case)
        if reason:
            return reason
    return None


@dataclass(frozen=True)
class _Case:
    """The new figure placed at the end of the usable record, as if it were true."""

    statement: Measured
    value: float                   # base unit
    view: View
    situation: Situation

    @classmethod
    def of(cls, statement: Measured, timeline: Timeline, equipment: Equipment) -> _Case:
        last = max((x.entry.id or 0 for x in timeline.live), default=0) + 1
        new = Entry(statement, Standing.CONFIRMED, Origin("typed"), id=last)
        # a figure said again replaces the earlier one, so only the other readings are left to compare with
        view = View(build([*(x.entry for x in timeline.live if x.usable), new]), equipment)
        return cls(statement, to_si(float(statement.value), statement.unit), view, view.situation(view.usable.live[-1]))

    @property
    def inputs(self) -> Inputs:
        return Inputs(self.view, self.situation)

    @property
    def text(self) -> str:
        return f"{PLACES[self.statement.place].name} {figure_text(self.statement.value, self.statement.unit)}"

    @property
    def refrigerant(self) -> str | None:
        return self.inputs.refrigerant()

    def side(self, place: str) -> tuple[GaugePressure, float] | None:
        """Pressure and limit of error (gauge and weather), where the side was read in this situation."""
        read = self.inputs.pressure(place, required=False)
        if read is None:
            return None
        limit = read.limit_kpa if read.limit_kpa is not None else 0.05 * self.view.equipment.gauges.of(place).span_kpa
        return read.gauge, limit + WEATHER_LIMIT_KPA

    def figure(self, place: str) -> float | None:
        live: Live | None = self.inputs.figure(place, required=False)
        return si(live) if live else None


def _vacuum(case: _Case) -> str | None:
    m = case.statement
    if UNITS[m.unit].quantity is not Quantity.VACUUM:
        return None
    station = case.inputs.ambient_pressure()
    if case.value < 0:
        return f"A vacuum is not negative, so {case.text} needs asking."
    if m.unit == "inHg" and case.value > station.kpa + WEATHER_LIMIT_KPA + _VACUUM_SLACK_KPA:
        return f"No vacuum is deeper than the air pressure of {from_si(station.kpa, 'inHg'):.1f} inHg here, so {case.text} cannot be."
    if m.unit == "micron" and case.value > station.kpa + WEATHER_LIMIT_KPA:
        return f"That is more than the air pressure of {from_si(station.kpa, 'micron'):,.0f} micron here, so {case.text} cannot be."
    return None


def _range(case: _Case) -> str | None:
    place, quantity = case.statement.place, UNITS[case.statement.unit].quantity
    if quantity is Quantity.VACUUM:
        return None
    low, high = _PLACE_RANGES.get(place) or _QUANTITY_RANGES.get(quantity) or (float("-inf"), float("inf"))
    if quantity is Quantity.PRESSURE and case.refrigerant == "R-744":
        high = _TRANSCRITICAL_KPA
    if quantity is not Quantity.VOLTAGE and PLACES[place].quantities[0] is not quantity:
        low, high = _QUANTITY_RANGES.get(quantity, (low, high))
    if low <= case.value <= high:
        return None
    unit = case.statement.unit
    return (f"{case.text[:1].upper()}{case.text[1:]} lies outside the {figure_text(_short(from_si(low, unit)), unit)} to "
            f"{figure_text(_short(from_si(high, unit)), unit)} that are met in practice, so it needs asking.")


def _short(value: float) -> float:
    return float(f"{value:.3g}")


def _charge(case: _Case) -> str | None:
    place = case.statement.place
    if place == "label_charge":
        charged = case.view.readings("charged")
        label, mass = case.value, si(charged[-1]) if charged else None
    elif place in ("charged", "recovered"):
        label_read = case.view.readings("label_charge")
        label, mass = (si(label_read[-1]) if label_read else None), case.value
    else:
        return None
    if label is None or mass is None or mass <= _OVER_LABEL * label:
        return None
    return f"{w.mass(mass)} is far more than the label's {w.mass(label)}, so {case.text} needs asking."


def _running_sides(case: _Case) -> str | None:
    if case.situation.engine != "running" or case.statement.place not in ("low_side", "high_side"):
        return None
    low, high = case.side("low_side"), case.side("high_side")
    if low is None or high is None or low[0].kpa <= high[0].kpa + low[1] + high[1]:
        return None
    return f"With the engine running the low side reads {w.pressure(low[0])} and the high side {w.pressure(high[0])}, so {case.text} cannot be."


def _static(case: _Case) -> str | None:
    place = case.statement.place
    if case.situation.engine != "off" or place not in ("low_side", "high_side", "ambient"):
        return None
    low, high = case.side("low_side"), case.side("high_side")
    if place != "ambient" and low and high and abs(low[0].kpa - high[0].kpa) > low[1] + high[1]:
        return (f"With the engine off the low side reads {w.pressure(low[0])} and the high side {w.pressure(high[0])}, which do not agree once "
                f"equalised, so {case.text} needs asking.")
    air = _ambient(case)
    if air is None or case.refrigerant is None:
        return None
    try:
        most = saturation_pressure(case.refrigerant, Temperature(air + HEAT_SOAK_C), Quality.BUBBLE).gauge(case.inputs.ambient_pressure())
    except NoSaturation:
        return None
    for side in (low, high):
        if side is not None and side[0].kpa > most.kpa + side[1]:
            return (f"With the engine off and the air at {w.temperature(air)}, {w.pressure(side[0])} is far above {case.refrigerant} saturation, so "
                    f"{case.text} needs asking.")
    return None


def _ambient(case: _Case) -> float | None:
    live = case.inputs.condition("ambient", required=False)
    return si(live) if live else None


def _saturated(case: _Case, place: str, quality: Quality) -> tuple[float, float] | None:
    """Saturation temperature at a side and its limit, C."""
    side, refrigerant = case.side(place), case.refrigerant
    if side is None or refrigerant is None:
        return None
    absolute = side[0].absolute(case.inputs.ambient_pressure()).kpa
    try:
        middle = saturation_temperature(refrigerant, AbsolutePressure(absolute), quality).celsius
        warmer = saturation_temperature(refrigerant, AbsolutePressure(absolute + side[1]), quality).celsius
        colder = saturation_temperature(refrigerant, AbsolutePressure(absolute - side[1]), quality).celsius
    except NoSaturation:
        return None
    return middle, max(warmer - middle, middle - colder) + case.view.equipment.thermometer_limit_c


# place, side, may it be colder (-1) or hotter (+1) than saturation at that side?, extra allowance C
_COLDER_CANNOT, _HOTTER_CANNOT = -1, 1
_LINES: tuple[tuple[str, str, int, float], ...] = (
    ("vent", "low_side", _COLDER_CANNOT, 1.0),
    ("suction_line", "low_side", _COLDER_CANNOT, 0.0), ("evaporator_outlet", "low_side", _COLDER_CANNOT, 0.0),
    ("accumulator", "low_side", _COLDER_CANNOT, 0.0),
    ("discharge_line", "high_side", _COLDER_CANNOT, 0.0), ("condenser_inlet", "high_side", _COLDER_CANNOT, 0.0),
    ("liquid_line", "high_side", _HOTTER_CANNOT, 0.0), ("condenser_outlet", "high_side", _HOTTER_CANNOT, 0.0),
    ("condenser_air_in", "high_side", _HOTTER_CANNOT, 0.0),
)
_VERB = {"low_side": "evaporates", "high_side": "condenses"}


def _against_saturation(case: _Case) -> str | None:
    if case.situation.engine != "running":
        return None
    for place, side, direction, allowance in _LINES:
        if case.statement.place not in (place, side):
            continue
        line = case.figure(place)
        found = _saturated(case, side, Quality.DEW if side == "low_side" else Quality.BUBBLE)
        if line is None or found is None:
            continue
        if direction * (line - found[0]) > found[1] + allowance:
            return _line_reason(case, place, side, line, found[0], "colder" if direction == _COLDER_CANNOT else "hotter")
    return None


def _line_reason(case: _Case, place: str, side: str, line: float, saturation: float, how: str) -> str:
    return (f"The {PLACES[place].name} at {w.temperature(line)} would be {how} than {w.temperature(saturation)}, where the refrigerant "
            f"{_VERB[side]} by the {PLACES[side].name}, so {case.text} needs asking.")
