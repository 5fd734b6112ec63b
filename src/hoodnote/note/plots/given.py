"""What a plot may draw: usable readings that no open question touches, and how sure each of them is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hoodnote.checks.equipment import Equipment
from hoodnote.note import words
from hoodnote.note.ground import Ground
from hoodnote.note.plots.axes import Printed
from hoodnote.note.rounding import with_uncertainty
from hoodnote.physics.atmosphere import SEA_LEVEL, WEATHER_LIMIT_KPA, station_pressure
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.physics.uncertain import Sources, expanded
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.units import AbsolutePressure, GaugePressure, Quantity, from_si

if TYPE_CHECKING:
    from uncertainties.core import AffineScalarFunc as Uncertain

COVERAGE = "k = 2"
KPA_AND_PSI = (Printed("kPa gauge"), Printed("psi gauge", from_si(1.0, "psi")))
C_AND_F = (Printed("°C"), Printed("°F", 1.8, 32.0))


def in_habit(pair: tuple[Printed, Printed], units: str) -> tuple[Printed, Printed]:
    """Metric unit and US unit, the job's own first."""
    return pair if units == "metric" else (pair[1], pair[0])


def known_refrigerant(ground: Ground) -> str | None:
    """None while it is in question, stated twice, or without property data."""
    known = {v for k in ("refrigerant", "label_refrigerant") if (v := ground.facts.get(k))}
    doubted = ground.questions_about("refrigerant") or ground.questions_about("label_refrigerant")
    if len(known) != 1 or doubted:
        return None
    name = known.pop()
    try:
        return name if look_up(name).model else None
    except NoSaturation:
        return None


def ambient_pressure(ground: Ground) -> tuple[AbsolutePressure, str]:
    live = ground.facts.reading("altitude")
    try:
        if live is not None and not ground.questions_about("altitude"):
            pressure = station_pressure(si(live))
            return pressure, f"ambient pressure {pressure.kpa:.1f} kPa at the stated altitude"
    except NoSaturation:
        pass
    return SEA_LEVEL, f"ambient pressure {SEA_LEVEL.kpa:.1f} kPa, sea level assumed"


def reading(ground: Ground, place: str, stage: Stage, engine: str | None = None, quantity: Quantity | None = None) -> Live | None:
    """The last usable one, and none while a question about it is open."""
    return None if ground.questions_about(place, stage) else ground.facts.reading(place, stage=stage, engine=engine, quantity=quantity)


def gauge_limit(equipment: Equipment, place: str, kpa: float) -> float | None:
    """Limit of error in kPa; None off the graded scale."""
    return equipment.gauges.of(place).limit_of_error_kpa(GaugePressure(kpa))


def bar(limit: float | None) -> float | None:
    """Half length of the bar of a reading with this limit of error."""
    return None if limit is None else expanded(Sources().figure(0.0, limit, "instrument"))


def absolute(gauge: GaugePressure, limit: float | None, ambient: AbsolutePressure) -> Uncertain:
    """kPa, with the errors of the gauge and of the weather; the gauge taken as exact where its limit is not known."""
    errors = Sources()
    return errors.figure(gauge.kpa, limit or 0.0, "gauge") + errors.figure(ambient.kpa, WEATHER_LIMIT_KPA, "weather")


def in_own_units(ground: Ground, live: Live) -> str:
    """The figure in the units of the job alone; the table of readings has both."""
    return words.figure_text(live.entry.statement, ground.units).partition(" (")[0]


def temperature(celsius: float, uncertainty: float | None, units: str) -> str:
    if units == "metric":
        return with_uncertainty(celsius, uncertainty, "°C")
    return with_uncertainty(from_si(celsius, "F"), None if uncertainty is None else uncertainty * 1.8, "°F")


def difference(kelvin: float, uncertainty: float | None, units: str) -> str:
    if units == "metric":
        return with_uncertainty(kelvin, uncertainty, "°C")
    return with_uncertainty(kelvin * 1.8, None if uncertainty is None else uncertainty * 1.8, "°F")


def pressure(kpa: float, uncertainty: float | None, units: str) -> str:
    factor, unit = (1.0, "kPa") if units == "metric" else (from_si(1.0, "psi"), "psi")
    return with_uncertainty(kpa * factor, None if uncertainty is None else uncertainty * factor, unit)
