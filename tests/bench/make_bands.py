"""Writes physics/cycle/bands.json: what the cycle model shows for many sound vehicles on a grid of conditions.

    python -m tests.bench.make_bands [--vehicles 16] [--jobs 2]
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from itertools import product

from hoodnote.errors import HoodnoteError
from hoodnote.physics.cycle.bands import QUANTITIES, TABLE, table_key
from hoodnote.physics.cycle.fluid import MODELLED
from hoodnote.physics.cycle.model import CONTROLS, DEVICES, VARIABLE, Conditions, Vehicle
from hoodnote.physics.cycle.circuit import Circuit
from hoodnote.physics.cycle.solve import HIGH_SWITCH_KPA, shown, solved
from hoodnote.physics.cycle.vehicles import sound_vehicles, typical
from hoodnote.physics.moist_air import SEA_LEVEL_KPA, humidity_ratio

AMBIENT_C = (15, 20, 25, 30, 35, 40, 45)
HUMIDITY = (0.1, 0.35, 0.6, 0.9)
ENGINE_RPM = (800, 1500, 2500)
# No climate has more water in its air (a dew point of about 33 C).
MOST_HUMIDITY_RATIO = 0.032
# A point is kept where all but this share of the vehicles find a steady state short of the high-pressure switch.
MISSING_SHARE = 0.1


def node(vehicles: list[Vehicle], conditions: Conditions, last: dict) -> list | None:
    if humidity_ratio(conditions.ambient_c, conditions.humidity) > MOST_HUMIDITY_RATIO:
        return None
    try:
        engaged = duty(vehicles[0], conditions)
    except HoodnoteError:
        return None
    rows = []
    for i, vehicle in enumerate(vehicles):
        circuit = Circuit(vehicle, conditions, None)
        try:
            last[i] = solved(circuit, last.get(i))
        except HoodnoteError:
            continue
        r = shown(circuit, circuit.state(last[i]))
        if r.high_kpa <= HIGH_SWITCH_KPA:
            rows.append([r.low_kpa + SEA_LEVEL_KPA, r.high_kpa + SEA_LEVEL_KPA, r.vent_c, r.superheat_k, r.subcooling_k, r.ratio])
    if len(rows) < (1 - MISSING_SHARE) * len(vehicles):
        return None
    columns = [sorted(c) for c in zip(*rows, strict=True)]
    digits = {"low_kpa": 1, "high_kpa": 0, "ratio": 2}
    bands = [[round(v, digits.get(name, 1)) for v in (c[0], (c[(len(c) - 1) // 2] + c[len(c) // 2]) / 2, c[-1])]
             for name, c in zip(QUANTITIES, columns, strict=True)]
    return [*bands, [engaged]]


def duty(vehicle: Vehicle, conditions: Conditions) -> float:
    """Share of the time for which the typical vehicle's clutch is engaged; 1 where displacement is varied instead."""
    if vehicle.control == VARIABLE:
        return 1.0
    circuit = Circuit(typical(vehicle.refrigerant, vehicle.device, vehicle.control), conditions, None)
    return round(circuit.state(solved(circuit)).stroke, 2)


def block(task: tuple) -> tuple[str, list]:
    refrigerant, device, control, recirculation, count = task
    vehicles = sound_vehicles(refrigerant, device, control, count)
    last: dict = {}                   # each vehicle's last steady state, to start the next from
    grid = [[[node(vehicles, Conditions(a, h, engine_rpm=r, recirculation=recirculation), last) for r in ENGINE_RPM] for h in HUMIDITY]
            for a in AMBIENT_C]
    return table_key(refrigerant, device, control, recirculation), grid


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=16)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    tasks = [(*t, args.vehicles) for t in product(MODELLED, DEVICES, CONTROLS, (True, False))]
    with ProcessPoolExecutor(args.jobs) as pool:
        bands = {}
        for key, grid in pool.map(block, tasks):
            bands[key] = grid
            kept = sum(n is not None for plane in grid for row in plane for n in row)
            print(f"{key}: {kept} of {len(AMBIENT_C) * len(HUMIDITY) * len(ENGINE_RPM)} points", flush=True)
    table = {"vehicles": args.vehicles, "ambient_c": AMBIENT_C, "humidity": HUMIDITY, "engine_rpm": ENGINE_RPM, "bands": bands}
    TABLE.write_text(json.dumps(table, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
