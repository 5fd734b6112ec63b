"""Invented jobs for the tests of the note."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from hoodnote.checks.model import Assessment, Finding, Ranking
from hoodnote.jobs.store import Job
from hoodnote.readings.model import Entry, Origin, Standing, Timeline, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Fact, Measured, Statement, Step, Supply

def assessed(*findings: Finding, ranking: Ranking | None = None, claims=(), comparisons=(), ledgers=()) -> Assessment:
    return Assessment(tuple(findings), ranking, tuple(claims), tuple(comparisons), tuple(ledgers))


OPENED = datetime(2026, 5, 12, 15, 0, tzinfo=UTC)
US = Job(1, "WO-20417", OPENED, "us")
METRIC = Job(2, "WO-20418", OPENED, "metric")


def m(place: str, value: str, unit: str, **more) -> Measured:
    return Measured(place, Decimal(value), unit, **more)


@dataclass
class Record:
    entries: list[Entry] = field(default_factory=list)

    def add(self, statement: Statement | None, standing: str = "agreed", medium: str = "clip", **more) -> int:
        number = len(self.entries) + 1
        sha = None if medium == "typed" else hashlib.sha256(f"{medium}{number}".encode()).hexdigest()
        origin = more.pop("origin", None) or Origin(
            medium, number, sha, None if medium == "typed" else f"{medium}-{number:03d}", (0.4, 2.3) if medium == "clip" else None,
            {"clip": ("first", "second"), "photo": ("reader", "other reader"), "typed": ("typed",)}[medium])
        self.entries.append(Entry(statement, Standing(standing), origin, None if medium == "typed" else 0.97, id=number,
                                  recorded_at=OPENED + timedelta(minutes=number), **more))
        return number

    def ask(self, statement: Statement | None, other: Statement | None = None) -> int:
        versions = (Version("first", "words of the first", statement, 0.7), Version("second", "words of the second", other, 0.6))
        return self.add(statement, "unconfirmed", versions=versions, question="what the first heard, or what the second heard?")

    @property
    def timeline(self) -> Timeline:
        return build(self.entries)


def repaired_leak() -> Record:
    """A leaking hose found, replaced, evacuated and charged; every stage read."""
    r = Record()
    for key, value in (("complaint", "no cold air since May"), ("model_year", "2009"), ("make", "Sample"), ("model", "Wagon"),
                       ("vin", "1M8GDM9AXKP042788"), ("technician", "T. Example"), ("compressor_drive", "belt with clutch")):
        r.add(Fact(key, value), "confirmed", "typed")
    r.add(Fact("label_refrigerant", "R-134a"), medium="photo")
    r.add(m("label_charge", "0.55", "kg", tolerance=Decimal("0.02")), medium="photo")
    r.add(m("odometer", "84210", "mi"))
    r.add(Step("engine_running"))
    r.add(m("vent", "71", "F"))
    r.add(Step("engine_off"))
    r.add(m("ambient", "84", "F"))
    r.add(m("low_side", "46", "psi"))
    r.add(m("high_side", "45", "psi", unit_stated=False))
    r.add(Supply("battery", True))
    r.add(Supply("low_pressure_switch_in", True))
    r.add(Supply("low_pressure_switch_out", False))
    r.add(Step("leak_found", "suction_hose"))
    r.add(m("recovered", "5.5", "oz"))
    r.add(Step("replaced", "suction_hose"))
    r.add(m("oil_added", "1.5", "fl oz"))
    r.add(Step("pump_on"))
    r.add(m("vacuum", "420", "micron", at_minute=Decimal(30)))
    r.add(Step("hold_started"))
    r.add(m("vacuum", "480", "micron", at_minute=Decimal(10)))
    r.add(m("charged", "19.4", "oz"))
    r.add(Step("engine_running"))
    r.add(m("low_side", "35", "psi"))
    r.add(m("high_side", "210", "psi"))
    r.add(m("vent", "44", "F"))
    r.add(m("suction_line", "52", "F"))
    r.add(m("liquid_line", "112", "F"))
    return r


def measured_throughout() -> Record:
    """Running readings before and after under stated conditions, a timed hold, amounts and a conclusion: every part of the note has something."""
    r = Record()
    for key, value in (("refrigerant", "R-134a"), ("expansion_device", "expansion valve"), ("compressor_drive", "belt with clutch")):
        r.add(Fact(key, value), "confirmed", "typed")
    r.add(m("label_charge", "0.55", "kg", tolerance=Decimal("0.02")), medium="photo")
    r.add(m("altitude", "100", "ft"))

    def running(**readings: str) -> None:
        for action in ("engine_running", "clutch_engaged"):
            r.add(Step(action))
        for place, unit in (("ambient", "F"), ("humidity", "%"), ("engine_speed", "rpm"), ("low_side", "psi"), ("high_side", "psi"), ("vent", "F"),
                            ("suction_line", "F"), ("discharge_line", "F"), ("liquid_line", "F")):
            r.add(m(place, readings[place], unit))

    running(ambient="90", humidity="45", engine_speed="1500", low_side="15", high_side="140", vent="68", suction_line="70", discharge_line="150",
            liquid_line="95")
    r.add(Fact("conclusion", "compressor not pumping"))
    r.add(Step("engine_off"))
    r.add(m("recovered", "9.2", "oz"))
    r.add(Step("replaced", "suction_hose"))
    r.add(m("oil_added", "1.5", "fl oz"))
    r.add(Step("pump_on"))
    r.add(m("vacuum", "420", "micron", at_minute=Decimal(30)))
    r.add(Step("hold_started"))
    for minute, micron in ((0, "430"), (5, "520"), (10, "570"), (20, "600"), (30, "610")):
        r.add(m("vacuum", micron, "micron", at_minute=Decimal(minute)))
    r.add(m("charged", "19.4", "oz"))
    r.add(Step("after_readings"))
    running(ambient="91", humidity="46", engine_speed="1500", low_side="33", high_side="205", vent="45", suction_line="52", discharge_line="160",
            liquid_line="105")
    return r
