"""What sound vehicles show under given conditions, from a table the cycle model wrote over many of them.

`python -m tests.bench.make_bands` writes `bands.json`: for each refrigerant, device, control and intake the least, middle and greatest
of every quantity over the vehicles of `vehicles.sound_vehicles`, and the share of the time for which the typical one's clutch is
engaged, on a grid of ambient, humidity and engine speed. Read here by linear interpolation, and widened by what the model itself may
be off and by the swing of a cycling clutch.
"""

from __future__ import annotations

import json
from functools import cache
from itertools import product
from pathlib import Path

from hoodnote.physics.cycle.model import CONTROLS, DEVICES, EXPANSION_VALVE, ORIFICE_TUBE, Band, Conditions, Expected

TABLE = Path(__file__).with_name("bands.json")
QUANTITIES = ("low_kpa", "high_kpa", "vent_c", "superheat_k", "subcooling_k", "ratio")        # pressures absolute in the table
LOWEST_STATION_KPA = 80.0
# What the model may be off for a vehicle that is like its own, plus or minus: share of the figure, and in its unit
# (common practice, no source).
# With an orifice tube the mean of a clutch cycle hides the subcooling and superheat within it, so these are wider.
MODEL_ERROR: dict[str, tuple[float, float]] = {
    "low_kpa": (0.03, 5.0), "high_kpa": (0.05, 0.0), "vent_c": (0.0, 1.0), "superheat_k": (0.0, 2.0), "subcooling_k": (0.0, 2.0),
    "ratio": (0.06, 0.0),
}
_ORIFICE_TUBE_ERROR = {"superheat_k": (0.0, 4.0), "subcooling_k": (0.0, 6.0)}

# A clutch engaged for a lesser share of the time than the first cycles often enough for a reading to catch the low side off its mean,
# below the second surely. So far below and above it swings, kPa, between the points of a pressure switch or of a fin thermostat.
# Common practice, no source.
_SELDOM_CYCLING, _OFTEN_CYCLING = 0.85, 0.65
_CYCLE_SWING_KPA = {ORIFICE_TUBE: (25.0, 135.0), EXPANSION_VALVE: (35.0, 70.0)}


def expected(refrigerant: str, device: str | None, control: str | None, conditions: Conditions) -> Expected | None:
    """Bands for a sound vehicle standing with doors open, blower high and full cold; device or control not known: over all of them.

    None for a refrigerant or a condition that the table does not hold: ambient 15 to 45 C, 800 to 2500 rpm, humidity 10 to 90 %
    short of where the high-pressure switch would act, station pressure from 80 kPa. Superheat and subcooling are None unless the
    device is known. Guidance: the vehicle's service manual goes first.
    """
    if conditions.station_kpa < LOWEST_STATION_KPA:
        return None
    found, cycling = [], False
    for d, c in product(DEVICES if device is None else (device,), CONTROLS if control is None else (control,)):
        at = _interpolated(table_key(refrigerant, d, c, conditions.recirculation), conditions)
        if at is None:
            return None
        *at, (engaged,) = at
        often = min((_SELDOM_CYCLING - engaged) / (_SELDOM_CYCLING - _OFTEN_CYCLING), 1.0)
        if often > 0:
            at, cycling = _swinging(at, *(often * swing for swing in _CYCLE_SWING_KPA[d])), True
        found.append(at)
    bands = {}
    for i, name in enumerate(QUANTITIES):
        share, fixed = (MODEL_ERROR | (_ORIFICE_TUBE_ERROR if device == ORIFICE_TUBE else {}))[name]
        low, high = min(f[i][0] for f in found), max(f[i][2] for f in found)
        middle = sum(f[i][1] for f in found) / len(found)
        shift = conditions.station_kpa if name in ("low_kpa", "high_kpa") else 0.0
        least = 0.0 if name in ("superheat_k", "subcooling_k") else float("-inf")
        bands[name] = Band(max(low * (1 - share) - fixed, least) - shift, middle - shift, high * (1 + share) + fixed - shift)
    if device is None:
        bands["superheat_k"] = bands["subcooling_k"] = None
    return Expected(**bands, limits=_limits(device, control, conditions, len(found), cycling))


def table_key(refrigerant: str, device: str, control: str, recirculation: bool) -> str:
    return "|".join((refrigerant, device, control, "recirculation" if recirculation else "outside air"))


def _limits(device: str | None, control: str | None, conditions: Conditions, combinations: int,
            cycling: bool) -> tuple[str, ...]:
    table = _table()
    out = [f"computed for {table['vehicles'] * combinations} assumed passenger cars, standing, doors open, blower high, full cold, "
           f"{'recirculation' if conditions.recirculation else 'outside air'}, about {conditions.engine_rpm:.0f} rpm, settled",
           "a model's spread, not this vehicle's specification"]
    if device is None:
        out.append("expansion device not known: the band covers orifice tube and expansion valve")
    if control is None:
        out.append("compressor control not known: the band covers fixed and variable displacement")
    if cycling:
        out.append("the freeze protection may cycle a fixed compressor on a day like this: the low side swings; read it while the clutch "
                   "is engaged")
    return tuple(out)


def _swinging(at: list[list[float]], below_kpa: float, above_kpa: float) -> list[list[float]]:
    """Low side and ratio with the swing of a clutch cycle about its mean."""
    low, high, vent, superheat, subcooling, ratio = at
    swung = [low[0] - below_kpa, low[1], low[2] + above_kpa]
    return [swung, high, vent, superheat, subcooling, [ratio[0] * low[2] / swung[2], ratio[1], ratio[2] * low[0] / swung[0]]]


@cache
def _table() -> dict:
    return json.loads(TABLE.read_text())


def _interpolated(key: str, conditions: Conditions) -> list[list[float]] | None:
    """For each quantity least, middle, greatest, and last the clutch's share alone; None off the grid or next to a point without values."""
    table = _table()
    nodes = table["bands"].get(key)
    if nodes is None:
        return None
    places = []
    for axis, value in zip((table["ambient_c"], table["humidity"], table["engine_rpm"]),
                           (conditions.ambient_c, conditions.humidity, conditions.engine_rpm), strict=True):
        if not axis[0] <= value <= axis[-1]:
            return None
        i = next(k for k in range(len(axis) - 1) if value <= axis[k + 1])
        f = (value - axis[i]) / (axis[i + 1] - axis[i])
        places.append([(k, w) for k, w in ((i, 1 - f), (i + 1, f)) if w > 0])
    out = [*([0.0, 0.0, 0.0] for _ in QUANTITIES), [0.0]]
    for (a, wa), (h, wh), (r, wr) in product(*places):
        node = nodes[a][h][r]
        if node is None:
            return None
        for sums, values in zip(out, node, strict=True):
            for k, value in enumerate(values):
                sums[k] += wa * wh * wr * value
    return out
