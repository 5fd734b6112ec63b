"""What a plot may draw: usable readings that no open question touches, and how sure each of them is."""

from __future__ import annotations

import math

from hoodnote.checks.equipment import Equipment
from hoodnote.note import words
from hoodnote.note.ground import Ground
from hoodnote.note.plots.axes import Printed
from hoodnote.note.rounding import with_uncertainty
from hoodnote.physics.atmosphere import SEA_LEVEL, WEATHER_LIMIT_KPA, station_pressure
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.refrigerants import refrigerant as look_up
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.units import AbsolutePressure, GaugePressure, Quantity, from_si

COVERAGE = "k = 2"
KPA_AND_PSI = (Printed("kPa gauge"), Printed("psi gauge", from_si(1.0, "psi")))
C_AND_F = (Printed("°C"), Printed("°F", 1.8, 32.0))


def expanded(*limits: float) -> float:
    """Expanded uncertainty, k = 2, of independent limits of error taken as rectangular (JCGM 100:2008, 4.3.7 and 6.2.1)."""
    return 2.0 * math.sqrt(sum(a * a for a in limits) / 3.0)


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


def gauge_bar(limit: float | None) -> float | None:
    return None if limit is None else expanded(limit)


def absolute_uncertainty(limit: float | None) -> float | None:
    """Of a gauge reading taken as absolute, kPa: the weather moves the air's own pressure."""
    return None if limit is None else expanded(limit, WEATHER_LIMIT_KPA)


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
