"""The way of the current to the clutch, as data: test points in order, and what may open a contact for a good reason.

`usual.toml` describes the format; a shop's files lie in the folder `circuits` of its data folder.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.checks.tables import PRESSURES, TEMPERATURES, VOLTS, Table, read
from hoodnote.errors import HoodnoteError
from hoodnote.statements.vocabulary import PLACES

if TYPE_CHECKING:
    from hoodnote.checks.inputs import Inputs

FAULTS = ("wiring", "blown_fuse", "relay", "control_unit", "open_freeze_switch", "open_low_pressure_switch", "open_high_pressure_switch")
_POINT = ("place", "label", "through", "fault", "needs_key", "drop", "volts", "opens_below", "closes_above", "opens_above", "closes_below",
          "engine_hot_opens")
_TEST_POINTS = tuple(name for name, place in PLACES.items() if place.group == "circuit")
# Common practice, no source.
_DROP, _POWER = "0.5 V", "9 to 16 V"


@dataclass(frozen=True)
class Opening:
    """What opens a contact for a good reason. Pressures are gauge kPa, temperatures C."""

    by: str                              # "low pressure", "high pressure" or "cold evaporator"
    opens: tuple[float, float]           # between these it opens,
    closes: tuple[float, float]          # and closes again between these


@dataclass(frozen=True)
class Point:
    place: str                           # key of vocabulary.PLACES
    label: str
    through: str                         # what lies between the point before and this one
    fault: str                           # id of the cause that an open section would be
    needs_key: bool
    drop_v: float
    volts: tuple[float, float]           # a healthy point reads this
    openings: tuple[Opening, ...] = ()
    engine_hot_opens: bool = False


@dataclass(frozen=True)
class Vehicle:
    """The vehicles a circuit is for; what is None may be any."""

    make: str
    model: str | None = None
    years: tuple[int, int] | None = None

    def fits(self, make: str | None, model: str | None, year: int | None) -> bool:
        """A vehicle of which something is not known does not fit a circuit that asks for it."""
        return (make is not None and make.casefold() == self.make and (self.model is None or (model or "").casefold() == self.model)
                and (self.years is None or (year is not None and self.years[0] <= year <= self.years[1])))

    @property
    def closeness(self) -> tuple[bool, bool]:
        return self.model is not None, self.years is not None

    def overlaps(self, other: Vehicle) -> bool:
        """Could one vehicle be both, with neither description the closer one?"""
        return (self.make == other.make and self.model == other.model and (self.years is None) == (other.years is None)
                and (self.years is None or (self.years[0] <= other.years[1] and other.years[0] <= self.years[1])))


@dataclass(frozen=True)
class Circuit:
    id: str
    source: str
    points: tuple[Point, ...]
    vehicle: Vehicle | None = None

    @property
    def places(self) -> tuple[str, ...]:
        return tuple(p.place for p in self.points)


@cache
def usual() -> Circuit:
    return _circuit(read(Path(__file__).with_name("usual.toml")))


def circuit_of(inputs: Inputs) -> Circuit:
    """The closest one for the job's vehicle, else the one the shop takes as usual, else the usual one. What of the vehicle is in
    doubt and could decide it is named as missing."""
    equipment = inputs.view.equipment
    for_vehicles = [(c.vehicle, c) for c in equipment.circuits if c.vehicle is not None]
    if for_vehicles:
        make, model, year = (inputs.fact(key, required=False) for key in ("make", "model", "model_year"))
        number = int(year) if year is not None and re.fullmatch(r"\d{4}", year) else None
        fitting = [(v.closeness, c) for v, c in for_vehicles if v.fits(make, model, number)]
        if fitting:
            return max(fitting, key=lambda f: f[0])[1]
    return next((c for c in equipment.circuits if c.id == equipment.usual_circuit), usual())


def shop_circuits(folder: Path) -> tuple[Circuit, ...]:
    """Every circuit of a folder; none where there is no such folder. Raises HoodnoteError naming file and key."""
    found: dict[Path, Circuit] = {}
    for file in sorted(folder.glob("*.toml")):
        circuit = _circuit(read(file))
        for other, earlier in found.items():
            if earlier.id == circuit.id:
                raise HoodnoteError(f'{file}: id: "{circuit.id}" is taken by {other.name}; give it another')
            if earlier.vehicle and circuit.vehicle and earlier.vehicle.overlaps(circuit.vehicle):
                raise HoodnoteError(f"{file}: vehicle: {other.name} is for the same vehicles; make models or years tell them apart")
        found[file] = circuit
    return tuple(found.values())


def _circuit(table: Table) -> Circuit:
    table.only("id", "source", "vehicle", "point")
    points = tuple(_point(t) for t in table.tables("point"))
    if len(points) < 2:
        table.fail("point", "write at least two test points, each below its own [[point]]")
    for place in (seen := [p.place for p in points]):
        if seen.count(place) > 1:
            table.fail("point", f"{place} stands in it twice; a point has one place in the order")
    vehicle = table.table("vehicle")
    return Circuit(table.text("id"), table.text("source", "stated by the shop"), points, _vehicle(vehicle) if vehicle else None)


def _vehicle(table: Table) -> Vehicle:
    table.only("make", "model", "years")
    years = None
    if "years" in table.data:
        found = re.fullmatch(r"(\d{4})(?: to (\d{4}))?", table.text("years"))
        if not found or int(found[2] or found[1]) < int(found[1]):
            table.fail("years", 'write a year or two, the earlier first: "1996 to 2002"')
        years = int(found[1]), int(found[2] or found[1])
    return Vehicle(table.text("make").casefold(), table.text("model").casefold() if "model" in table.data else None, years)


def _point(table: Table) -> Point:
    table.only(*_POINT)
    place = table.choice("place", _TEST_POINTS)
    openings = []
    if _pair(table, "opens_below", "closes_above"):
        is_pressure = table.text("opens_below").endswith(tuple(PRESSURES))
        units = PRESSURES if is_pressure else TEMPERATURES
        opens, closes = table.span("opens_below", units), table.span("closes_above", units)
        if closes[0] < opens[0] or closes[1] < opens[1]:
            table.fail("closes_above", "a contact that opens below a value closes again at a higher one")
        openings.append(Opening("low pressure" if is_pressure else "cold evaporator", opens, closes))
    if _pair(table, "opens_above", "closes_below"):
        opens, closes = table.span("opens_above", PRESSURES), table.span("closes_below", PRESSURES)
        if closes[0] > opens[0] or closes[1] > opens[1]:
            table.fail("closes_below", "a contact that opens above a value closes again at a lower one")
        openings.append(Opening("high pressure", opens, closes))
    return Point(place, table.text("label", PLACES[place].name), table.text("through", "wiring"), table.choice("fault", FAULTS, "wiring"),
                 table.flag("needs_key"), table.amount("drop", VOLTS, _DROP), table.span("volts", VOLTS, _POWER), tuple(openings),
                 table.flag("engine_hot_opens"))


def _pair(table: Table, opens: str, closes: str) -> bool:
    """Are both stated? One alone is refused: between them nobody can tell whether the contact should be open."""
    if (opens in table.data) != (closes in table.data):
        table.fail(opens if closes in table.data else closes, f"state it beside {closes if closes in table.data else opens}")
    return opens in table.data
