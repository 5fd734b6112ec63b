"""What the shop measures with: gauges and thermometer with their limits of error, and the circuits it knows.

A shop states it in `shop.toml` in its data folder; every part may be left out and is then as usual:

    [gauges.low]                     # and [gauges.high]
    grade = "1A"                     # ASME B40.100: 4A, 3A, 2A, 1A, A, B, C, D
    from = "-30 inHg"                # where the dial begins, in psi, bar, kPa, or inches of mercury of vacuum
    to = "120 psi"                   # where its graded part ends

    [thermometer]
    limit = "1 C"                    # how far it may be off, in C or F

    [circuits]
    usual = "van"                    # id of the circuit to take where none is for the vehicle; circuits/*.toml hold them
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from hoodnote.checks.circuits import Circuit, shop_circuits
from hoodnote.checks.tables import DIFFERENCES, PRESSURES, Table, read
from hoodnote.physics.gauge import GRADES, USUAL_MANIFOLD, Gauge, ManifoldGauges
from hoodnote.units import GaugePressure

# A thermometer read at arm's length in a bay, unless told otherwise (common practice, no source).
THERMOMETER_LIMIT_C = 2.0
FILE = "shop.toml"


@dataclass(frozen=True)
class Equipment:
    gauges: ManifoldGauges = USUAL_MANIFOLD
    thermometer_limit_c: float = THERMOMETER_LIMIT_C
    circuits: tuple[Circuit, ...] = ()        # the shop's own
    usual_circuit: str | None = None          # id of the one to take where none is for the vehicle; None: the usual one


USUAL = Equipment()


def shop_equipment(folder: Path) -> Equipment:
    """As `shop.toml` and `circuits/*.toml` in the shop's data folder say; as usual where there are none.
    Raises HoodnoteError naming file, key and what is allowed."""
    circuits = shop_circuits(folder / "circuits")
    try:
        table = read(folder / FILE)
    except FileNotFoundError:
        return Equipment(circuits=circuits)
    table.only("gauges", "thermometer", "circuits")
    return Equipment(_gauges(table.table("gauges")), _thermometer(table.table("thermometer")), circuits,
                     _usual_circuit(table.table("circuits"), circuits))


def _gauges(table: Table | None) -> ManifoldGauges:
    if table is None:
        return USUAL_MANIFOLD
    table.only("low", "high")
    return ManifoldGauges(_gauge(table.table("low"), USUAL_MANIFOLD.low), _gauge(table.table("high"), USUAL_MANIFOLD.high))


def _gauge(table: Table | None, usual: Gauge) -> Gauge:
    if table is None:
        return usual
    table.only("grade", "from", "to")
    start = _start(table) if "from" in table.data else usual.start.kpa
    end = table.amount("to", PRESSURES) if "to" in table.data else usual.end.kpa
    if end <= start:
        table.fail("to", "the dial ends above where it begins")
    return Gauge(usual.name, GaugePressure(start), GaugePressure(end), table.choice("grade", GRADES, usual.grade))


def _start(table: Table) -> float:
    """Gauge kPa. Inches of mercury count as vacuum, so they are written below zero."""
    inches = table.text("from").endswith("inHg")
    start = table.amount("from", {**PRESSURES, "inHg": "inHg"})
    if inches and start > 0:
        table.fail("from", 'inches of mercury of vacuum lie below zero: write "-30 inHg"')
    return start


def _thermometer(table: Table | None) -> float:
    if table is None:
        return THERMOMETER_LIMIT_C
    table.only("limit")
    limit = table.amount("limit", DIFFERENCES)
    if not 0 < limit <= 10:
        table.fail("limit", "write how far the thermometer may be off, above 0 and up to 10 C (18 F)")
    return limit


def _usual_circuit(table: Table | None, circuits: tuple[Circuit, ...]) -> str | None:
    if table is None:
        return None
    table.only("usual")
    known = [c.id for c in circuits]
    if not known:
        table.fail("usual", "there is no circuit of the shop yet; write one in the folder circuits beside it")
    return table.choice("usual", known)
