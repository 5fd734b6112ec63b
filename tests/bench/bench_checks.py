"""How long the checks take after each utterance: python -m tests.bench.bench_checks --times 20

A job of 60 readings before and after work, some unconfirmed, is said one utterance at a time; timed are `evaluate`, `assess`,
`implausible` and `hazards` on the whole record, `evaluate` also where every pressure and temperature is new to the caches, and on the
record as it grows. Times are of the processor, so that other work on the machine does not count.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from statistics import median

from hoodnote.checks import assess, evaluate, hazards, implausible
from hoodnote.readings.model import Entry, Origin, Standing, Timeline
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Fact, Measured, Statement, Step, Supply
from tests.checks_records import m, psi

_FACTS = [Fact("refrigerant", "R-134a"), Fact("label_refrigerant", "R-134a"), Fact("expansion_device", "orifice tube"),
          Fact("compressor_control", "fixed displacement"), Fact("complaint", "no cold air"), m("label_charge", 24, "oz")]
_RUNNING = (("low_side", "psi"), ("high_side", "psi"), ("vent", "F"), ("suction_line", "F"), ("evaporator_inlet", "F"), ("evaporator_outlet", "F"),
            ("liquid_line", "F"), ("condenser_outlet", "F"), ("discharge_line", "F"), ("condenser_air_out", "F"))
_CHAIN = ("battery", "fuse_in", "fuse_out", "relay_supply", "relay_output", "freeze_switch_out", "low_pressure_switch_in",
          "low_pressure_switch_out")


def _spell(figures: tuple[float, ...]) -> list[Statement]:
    return [Step("engine_running"), m("engine_speed", 1500, "rpm"), Step("clutch_engaged"),
            *(m(place, value, unit) for (place, unit), value in zip(_RUNNING, figures, strict=True))]


def sixty_readings() -> list[Entry]:
    """Facts, two static and three running spells, the clutch chain, a vacuum with its hold and the charge: 60 figures among the entries."""
    said = [
        *_FACTS, m("ambient", 84, "F"), m("humidity", 55, "%"), m("altitude", 300, "m"), Step("recirculation_on"),
        Step("engine_off"), m("settle_time", 90, "min"), psi("low_side", 62), psi("high_side", 64),
        *(Supply(p, True) for p in _CHAIN), m("battery", "12.4", "V"), m("clutch_coil", "3.6", "ohm"), m("clutch", "3.4", "A"),
        *_spell((18, 130, 66, 60, 38, 58, 96, 104, 150, 100)), *_spell((19, 133, 65, 61, 39, 57, 97, 103, 152, 101)),
        Step("leak_found", "condenser"), Step("recovery_started"), m("recovered", 11, "oz"), Step("replaced", "condenser"),
        Step("pump_on"), m("pump_time", 45, "min"), Step("pump_off"), Step("hold_started"),
        *(m("vacuum", value, "micron", at_minute=minute) for minute, value in ((0, 420), (5, 450), (10, 465), (15, 470), (20, 474))),
        Step("hold_finished"), Step("charging_started"), m("charged", 24, "oz"), Step("charging_finished"), m("ambient", 86, "F"),
        m("humidity", 50, "%"), *_spell((33, 195, 45, 52, 40, 42, 108, 116, 168, 118)),
        Step("engine_off"), m("settle_time", 5, "min"), psi("low_side", 88), psi("high_side", 92), m("ambient", 85, "F"), m("odometer", 81000, "mi"),
    ]
    entries = [Entry(s, Standing.CONFIRMED, Origin("typed"), id=number) for number, s in enumerate(said, 1)]
    for number, s in enumerate((m("vent", 54, "F"), m("liquid_line", 16, "F"), Step("clutch_cycling"), Step("engine_running")), len(entries) + 1):
        entries.insert(number // 2, Entry(s, Standing.UNCONFIRMED, Origin("typed"), id=number))
    return entries


def _moved(entries: list[Entry], by: float) -> Timeline:
    """The same record with other pressures and temperatures."""
    def moved(s: Statement) -> Statement:
        return replace(s, value=s.value + Decimal(str(by))) if isinstance(s, Measured) and s.unit in ("psi", "F") else s

    return build(replace(e, statement=moved(e.statement)) for e in entries)


def _milliseconds(job: Callable[[], object], times: int) -> list[float]:
    out = []
    for _ in range(times):
        start = time.process_time()
        job()
        out.append(1e3 * (time.process_time() - start))
    return out


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--times", type=int, default=20)
    times = arguments.parse_args().times
    entries = sixty_readings()
    figures = sum(isinstance(e.statement, Measured) for e in entries)
    timeline, new = build(entries), m("high_side", 210, "psi")
    start = time.perf_counter()
    evaluate(timeline)
    print(f"{len(entries)} entries, {figures} figures; first evaluate, imports and property tables included: "
          f"{1e3 * (time.perf_counter() - start):.0f} ms")
    for name, job in (("evaluate", lambda: evaluate(timeline)), ("assess", lambda: assess(timeline)),
                      ("implausible", lambda: implausible(new, timeline)), ("hazards", lambda: hazards(new, timeline))):
        job()
        taken = _milliseconds(job, times)
        print(f"{name:12} median {median(taken):6.1f} ms, longest of {times} {max(taken):6.1f} ms")
    moved = [_moved(entries, round(n / 10, 1)) for n in range(1, times + 1)]
    new_figures = [_milliseconds(lambda t=t: evaluate(t), 1)[0] for t in moved]
    print(f"evaluate with every figure new: median {median(new_figures):.1f} ms, longest {max(new_figures):.1f} ms")
    said = [build(entries[:n]) for n in range(1, len(entries) + 1)]
    growing = [_milliseconds(lambda t=t: evaluate(t), 1)[0] for t in said]
    print(f"evaluate after every utterance: median {median(growing):.1f} ms, longest {max(growing):.1f} ms")


if __name__ == "__main__":
    main()
