"""Scores the candidate causes on the case book, and fits the rows of figures.

    python -m tests.bench.bench_causes --split heldout --cases 400 [--dump]
    python -m tests.bench.bench_causes --fit            prints patterns.toml, fitted on development cases only

Held-out vehicles only ever score. Nothing is written: a person enters the printed tables.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import product

import numpy

from hoodnote.checks.causes.ranking import rank
from hoodnote.checks.causes.record import observe
from hoodnote.checks.causes.tables import DEVICES, EQUAL, STOPPED, tables
from hoodnote.checks.view import View
from tests.casebook import DEVELOPMENT, ELECTRICAL, HELD_OUT, NOTHING, TRUTHS, Case, case, cases

_STOPPED_SHOWS = ("static", "pressures", "vent")
# Causes that the cycle model does not have look like these.
_MIXED = {"leak": {"undercharge": 0.5, NOTHING: 0.5}, "moisture": {NOTHING: 0.5, "valve_stuck_closed": 0.3, "restriction": 0.2}}
# What each pattern of running pressures is commonly taken for (common practice, no source), low side/high side; the model shows only the
# faults it was given. This share of the row, spread evenly, is the pattern.
_PATTERN_SHARE = 0.15
_BOTH_HIGH = ("high/high", "high/far", "upper/high", "upper/far")
_PATTERNS = {
    "undercharge": ("low/low",), "restriction": ("low/low", "vacuum/low", "vacuum/lower", "vacuum/upper"),
    "valve_stuck_closed": ("low/low", "vacuum/low", "vacuum/lower", "vacuum/upper"), "iced_evaporator": ("low/low", "low/lower"),
    "weak_compressor": ("high/low", "high/lower", "equal"), "valve_stuck_open": ("high/low", "high/lower"),
    "overcharge": _BOTH_HIGH, "air": _BOTH_HIGH, "condenser_airflow": _BOTH_HIGH,
}
# The model's low charges all keep some liquid; this share of those that come in is all but empty, with the compressor held off by the
# low-pressure switch, and shows these standing pressures (common practice, no source).
_EMPTY_SHARE, _EMPTY_STANDING = 0.25, {"far below": 0.8, "below": 0.2}
# How much of a pair of running pressures is taken from each side by itself.
_ALONE = 0.3
# Each state of a row counts this many cases more than were seen.
_PSEUDO = 0.05


def score(split: str, number: int, dump: bool = False) -> dict[str, float]:
    """Shares over `number` cases; `seconds` is for one ranking."""
    first = three = surely_wrong = 0
    spent, confusion, by_truth = 0.0, Counter(), defaultdict(list)
    sure, right = [], []
    for c in cases(split, number):
        view, began = View(c.timeline), time.perf_counter()
        ranked = rank(view).causes
        spent += time.perf_counter() - began
        order = [x.id for x in ranked]
        first += order[0] == c.truth
        three += c.truth in order[:3]
        surely_wrong += order[0] != c.truth and ranked[0].probability > 0.9
        by_truth[c.truth].append(order[0] == c.truth)
        sure.append(ranked[0].probability)
        right.append(order[0] == c.truth)
        if order[0] != c.truth:
            confusion[c.truth, order[0]] += 1
            if dump:
                _show(c, view)
    if dump:
        print({k: round(sum(v) / len(v), 2) for k, v in by_truth.items()})
        print(confusion.most_common(20))
        for low, high in ((0, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 1.01)):
            inside = [r for s, r in zip(sure, right, strict=True) if low <= s < high]
            if inside:
                print(f"probability of the first {low:.1f} to {high:.1f}: {len(inside)} cases, {sum(inside) / len(inside):.2f} right")
    return {"first": first / number, "first_three": three / number, "wrong_above_0.9": surely_wrong, "seconds": spent / number,
            "nothing_first": sum(by_truth[NOTHING]) / max(1, len(by_truth[NOTHING]))}


def _show(c: Case, view: View) -> None:
    print(f"--- {c.truth}: {c.label}")
    for x in rank(view).causes[:3]:
        print(f"    {x.probability:.2f} {x.id}")
    for o in observe(view).observed:
        print(f"      {o.text}")


def fit(each: int) -> Iterator[str]:
    """Lines of patterns.toml: the mean agreement of development cases with each state."""
    counted: dict[tuple[str, str, str], numpy.ndarray] = {}          # observable, device, cause
    for device, truth in product(DEVICES, TRUTHS):
        if truth.startswith("valve_stuck") and device == DEVICES[0]:
            continue
        key = STOPPED if truth in ELECTRICAL else truth
        for n in range(each):
            # seeds far from those of the scored development cases
            for o in observe(View(case(DEVELOPMENT, truth, 10_000 + n, thorough=True, device=device).timeline)).observed:
                if o.observable.id in FITTED and (key != STOPPED or o.observable.id in _STOPPED_SHOWS):
                    at = (o.observable.id, device, key)
                    counted[at] = counted.get(at, 0) + numpy.array(o.agreement) / sum(o.agreement)
    yield from _toml(counted)


FITTED = tuple(k for k, o in tables().observables.items() if (o.edges or o.axes) and k not in ("charge_weight", "coil"))


def _toml(counted: dict[tuple, numpy.ndarray]) -> Iterator[str]:
    yield "# Fitted on development cases of the cycle model: python -m tests.bench.bench_causes --fit; each row gives P(state | cause)."
    yield "# The states are those of observations.toml. `default` is the sound system, `stopped` one whose compressor does not turn."
    for name, device in product(FITTED, DEVICES):
        yield f'\n[{name}."{device}"]'
        width = len(tables().observables[name].states)
        seen = {key: n for (observable, d, key), n in counted.items() if (observable, d) == (name, device)}
        if name != "vent":                 # heat added to the air behind the evaporator changes nothing in the circuit
            seen[NOTHING] = seen["heater_valve"] = seen[NOTHING] + seen["heater_valve"]
        rows = {key: _row(n, width) for key, n in seen.items()}
        if device == DEVICES[0]:           # it has no valve: a tube too narrow or too wide looks like these
            rows["valve_stuck_closed"] = rows["restriction"]
            rows["valve_stuck_open"] = _row(counted[name, DEVICES[1], "valve_stuck_open"], width)
        if EQUAL in tables().observables[name].states:
            rows = {key: _smoothed(row, name) for key, row in rows.items()}
            rows |= {key: _with_pattern(rows[key], name, pattern) for key, pattern in _PATTERNS.items()}
        if name == "static":
            empty = numpy.array([_EMPTY_STANDING.get(s, 0.0) for s in tables().observables[name].states])
            rows["undercharge"] = (1 - _EMPTY_SHARE) * rows["undercharge"] + _EMPTY_SHARE * empty
        rows |= {mixed: sum(share * rows[c] for c, share in parts.items()) for mixed, parts in _MIXED.items()}
        rows["default"] = rows.pop(NOTHING)
        for key in sorted(rows):
            yield f"{key} = [{', '.join(f'{p:.3f}' for p in _rounded(rows[key]))}]"


def _row(counts: numpy.ndarray, width: int) -> numpy.ndarray:
    return (counts + _PSEUDO) / (counts.sum() + _PSEUDO * width)


def _smoothed(row: numpy.ndarray, name: str) -> numpy.ndarray:
    """Pairs of states that few cases showed: part of what low and high side would give each by itself."""
    low, high = tables().observables[name].axes
    pairs = row[:-1].reshape(len(low.states), len(high.states))
    alone = numpy.outer(pairs.sum(axis=1), pairs.sum(axis=0)) / max(pairs.sum(), 1e-9)
    return numpy.append(((1 - _ALONE) * pairs + _ALONE * alone).ravel(), row[-1])


def _with_pattern(row: numpy.ndarray, name: str, pattern: tuple[str, ...]) -> numpy.ndarray:
    common = numpy.array([s in pattern for s in tables().observables[name].states]) / len(pattern)
    return (1 - _PATTERN_SHARE) * row + _PATTERN_SHARE * common


def _rounded(row: numpy.ndarray) -> numpy.ndarray:
    """To thousandths that still sum to 1."""
    out = row.round(3)
    out[out.argmax()] += 1 - out.sum()
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fit", action="store_true")
    parser.add_argument("--each", type=int, default=60, help="development cases for each cause and device")
    parser.add_argument("--split", choices=("development", "heldout"), default="development")
    parser.add_argument("--cases", type=int, default=len(TRUTHS) * 10)
    parser.add_argument("--dump", action="store_true", help="show every miss and what is mistaken for what")
    args = parser.parse_args()
    if args.fit:
        for line in fit(args.each):
            print(line)
        return
    found = score(HELD_OUT if args.split == "heldout" else DEVELOPMENT, args.cases, args.dump)
    print(f"{args.split}, {args.cases} cases: " + ", ".join(f"{k} {v:.4f}" for k, v in found.items()), file=sys.stdout)


if __name__ == "__main__":
    main()
