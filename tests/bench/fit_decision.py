"""Collects what the listeners think of development utterances, and fits the weights of `readings/decision.toml` on it.

    python -m tests.bench.fit_decision --collect 300 --conditions clean,15,5,nospeech --jobs 2 --out features.jsonl
    python -m tests.bench.fit_decision --fit features.jsonl --write
    python -m tests.bench.fit_decision --fit features.jsonl --pair --write      # the better two alone

Only development voices that the phone listener was not trained on. First the weights of the listeners (conditional likelihood of what was said among the candidates), then the curve
that turns what is known of a statement into the probability that it is right (logistic, fitted and judged on different
utterances in turn), then the threshold from the risk.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import zlib
from collections import Counter
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import beta

from hoodnote.intake.listening import Gathered, opinions
from hoodnote.readings import decision
from hoodnote.readings.agreement import meaning
from hoodnote.readings.decision import Judged, Opinions, Weights, features, installed, judge, weighted
from hoodnote.statements.describe import describe
from hoodnote.statements.parser import parse
from tests.bench.hearing_records import clips_of, decode, from_json, read
from tests.bench.voices import UNTRAINED

SEED = 300                # of the utterances; not those that the benchmark scores
_FOLDS = 5


@dataclasses.dataclass
class Example:
    """One clip with what was said in it, nothing for a clip in which nobody speaks."""

    record: dict
    opinions: Opinions
    said: tuple

    @property
    def group(self) -> int:
        """Clips of one utterance stay together when some are fitted on and the others judged."""
        return zlib.crc32((self.record["said"] or self.record["parts"]).encode()) % _FOLDS


def examples(paths: list[Path], pair: bool) -> list[Example]:
    """pair: with the last listener's opinion left out."""
    return [Example(r, opinions(better_two(from_json(r)) if pair else from_json(r)), tuple(map(meaning, parse(r["said"].split()))) if r["said"] else ())
            for p in paths for r in read(p)]


def better_two(gathered: Gathered) -> Gathered:
    """What they had before the last listener was asked, or with its opinion left out where all were asked at once."""
    if gathered.first is not None or len(gathered.heard) == 2:
        return gathered.first or gathered
    return Gathered(gathered.heard[:-1], gathered.rescored[:-1], gathered.candidates, tuple(row[:-1] for row in gathered.scores), swing_db=gathered.swing_db)


def fit_listeners(data: list[Example], start: Weights) -> Weights:
    """Largest conditional likelihood of what was said, given the candidates it is among; a weak pull towards small weights."""
    readers = [a.reader for a in data[0].opinions.accounts]
    one = dataclasses.replace(start, listener=dict.fromkeys(readers, 1.0))
    rows = []
    for e in data:
        truth = np.array([tuple(map(meaning, c.statements)) == e.said for c in e.opinions.candidates], bool)
        if e.said and truth.any() and not truth.all() and all(e.opinions.rescored):
            rows.append((np.column_stack([weighted(e.opinions, one), [c.prior for c in e.opinions.candidates]]), truth))

    def cost(x: np.ndarray) -> float:
        total = 0.0
        for given, truth in rows:
            logs = given @ x
            total += np.logaddexp.reduce(logs) - np.logaddexp.reduce(logs[truth])
        return total + 0.5 * float((x**2).sum())

    first = [start.of(r) for r in readers] + [start.prior]
    found = minimize(cost, first, method="Nelder-Mead", options={"maxiter": 800, "xatol": 1e-3, "fatol": 1e-2}).x
    right = np.mean([truth[int(np.argmax(given @ found))] for given, truth in rows])
    print(f"{len(rows)} clips with the truth among the candidates; weights {dict(zip(readers, found.round(4)))}, grammar {found[-1]:.3f}; best candidate right {right:.3f}")
    return dataclasses.replace(start, listener=dict(zip(readers, map(float, found))), prior=float(found[-1]), fitted=tuple(readers),
                               curve=(0.0,) * (3 + 3 * len(readers)))


def statements_of(data: list[Example], w: Weights) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[tuple[Example, Judged]]]:
    """(features, right, group, which) of every statement of every likeliest candidate."""
    x, y, g, which = [], [], [], []
    for e in data:
        _, judged = judge(e.opinions, w)
        left = Counter(e.said)
        for item in judged:
            key = meaning(item.statement)
            right = left[key] > 0
            left[key] -= right
            x.append(features(item.share, item.margins, item.in_best, [a.confidence for a in e.opinions.accounts]))
            y.append(right)
            g.append(e.group)
            which.append((e, item))
    return np.array(x), np.array(y, float), np.array(g), which


def logistic(x: np.ndarray, y: np.ndarray, ridge: float = 1.0) -> np.ndarray:
    """Newton's method, a ridge on all but the constant."""
    weights, penalty = np.zeros(x.shape[1]), ridge * np.eye(x.shape[1])
    penalty[0, 0] = 1e-6
    for _ in range(60):
        p = 1 / (1 + np.exp(-np.clip(x @ weights, -30, 30)))
        step = np.linalg.solve((x.T * (p * (1 - p) + 1e-9)) @ x + penalty, x.T @ (p - y) + penalty @ weights)
        weights -= step
        if np.abs(step).max() < 1e-8:
            break
    return weights


def across(x: np.ndarray, y: np.ndarray, g: np.ndarray) -> np.ndarray:
    """Probability of every statement by a curve that was fitted without its utterance."""
    out = np.zeros(len(y))
    for fold in range(_FOLDS):
        out[g == fold] = 1 / (1 + np.exp(-x[g == fold] @ logistic(x[g != fold], y[g != fold])))
    return out


def most_wrong(wrong: int, taken: int, sure: float = 0.9) -> float:
    """Upper limit of the share that is wrong (Clopper and Pearson 1934, one-sided)."""
    return 1.0 if wrong >= taken else float(beta.ppf(sure, wrong + 1, taken - wrong))


def reliability(p: np.ndarray, y: np.ndarray) -> None:
    print("\nstated probability | statements | stated | right")
    edges = (0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 1.0001)
    for low, high in zip(edges, edges[1:]):
        among = (p >= low) & (p < high)
        if among.any():
            print(f"{low:.3f} to {min(high, 1):.3f} | {among.sum()} | {p[among].mean():.4f} | {y[among].mean():.4f}")


def risk(p: np.ndarray, y: np.ndarray, may: np.ndarray, conditions: np.ndarray, said: Counter) -> None:
    print("\nthreshold | " + " | ".join(f"{c}: taken, wrong" for c in said) + " | wrong of all, at most (90 %)")
    for t in (0.5, 0.7, 0.8, 0.9, 0.95, 0.97, 0.98, 0.985, 0.99, 0.9925, 0.995, 0.9975, 0.999):
        taken, cells = may & (p >= t), []
        for c, n in said.items():
            here = taken & (conditions == c)
            cells.append(f"{int(y[here].sum())}/{n} {y[here].sum() / max(n, 1):.0%}, {int((1 - y[here]).sum())}")
        wrong = int((1 - y[taken]).sum())
        print(f"{t} | " + " | ".join(cells) + f" | {wrong}/{taken.sum()}, {most_wrong(wrong, int(taken.sum())):.4f}")


def fit(paths: list[Path], pair: bool, write: Path | None, thresholds: dict[str, float]) -> None:
    """`thresholds`: fields of `Weights` to write in place of those that stand."""
    data, chosen = examples(paths, pair), "pair" if pair else "all"
    w = fit_listeners(data, installed()[chosen])
    x, y, g, which = statements_of(data, w)
    p = across(x, y, g)
    conditions = np.array([e.record["condition"] for e, _ in which])
    said = Counter()
    for e in data:
        said[e.record["condition"]] += len(e.said)
    for c in said:
        those = [e for e in data if e.record["condition"] == c and e.said]
        if those:
            exact = np.mean([tuple(map(meaning, judge(e.opinions, w)[1] and [j.statement for j in judge(e.opinions, w)[1]])) == e.said for e in those])
            alone = [np.mean([tuple(map(meaning, a.statements)) == e.said for a, e in zip(accounts, those)])
                     for accounts in zip(*(e.opinions.accounts for e in those))]
            among = np.mean([any(tuple(map(meaning, k.statements)) == e.said for k in e.opinions.candidates) for e in those])
            print(f"{c}: {len(those)} clips, exact {exact:.3f} (alone {', '.join(f'{share:.3f}' for share in alone)}; among the candidates {among:.3f})")
    pace = np.array([e.record["cpu_s"] / e.record["seconds"] for e in data])
    print(f"processor time/real time {np.median(pace):.2f}, 95th percentile {np.quantile(pace, 0.95):.2f}")
    w = dataclasses.replace(w, **thresholds)
    both = np.array([sum(bool(a.statements) for a in e.opinions.accounts) > 1 and all(m >= -w.slack for m in item.margins) for e, item in which])
    reliability(p, y)
    teens = np.array([item.teens for _, item in which])
    figures = np.array([item.figure for _, item in which])
    own = np.array([item.in_best[0] and item.same_words for _, item in which])
    clear = np.array([min(item.margins[:2]) >= (w.clear_teens if item.teens else w.clear) for _, item in which])
    for name, kind in (("all statements", True), ("with a teen or a whole ten, understood by two in the same words and clear", teens & own & clear),
                       ("with another figure, understood by two in the same words and clear", figures & ~teens & own & clear), ("without a figure", ~figures)):
        print(f"\n{name}:")
        risk(p, y, both & kind, conditions, said)
    print("\nsurest of the wrong:")
    for i in [i for i in np.argsort(-np.where(both, p, 0)) if not y[i]][:12]:
        e, item = which[i]
        print(f"{p[i]:.4f} {'' if both[i] else '(asked) '}{e.record['voice']} {e.record['condition']}: said {e.record['said']!r}, took {describe(item.statement)}; "
              f"margins {[round(m, 1) for m in item.margins]} own {item.in_best} {[(a.text, round(a.confidence, 2)) for a in e.opinions.accounts]}")
    curve = logistic(x, y)
    print("curve", curve.round(3).tolist())
    if write:
        write.write_text(as_toml({**installed(), chosen: dataclasses.replace(w, curve=tuple(curve))}))


def as_toml(sets: dict[str, Weights]) -> str:
    lines = ["# Fitted on development voices that no listener was trained on: python -m tests.bench.fit_decision --fit FILE [--pair] --write --threshold-...",
             "# The thresholds were read off its risk tables, clear off the surest of the wrong. 17 dB holds 95 in 100 of the development clips at 5 dB,",
             "# 81 at 10 dB and 1 at 15 dB."]
    for name, w in sets.items():
        plain = {k: v for k, v in vars(w).items() if isinstance(v, float)}
        lines += ["", f"[{name}]", *(f"{k} = {round(v, 4)}" for k, v in plain.items()),
                  f"fitted = {json.dumps(w.fitted)}", f"curve = {[round(float(c), 4) for c in w.curve]}",
                  f"\n[{name}.listener]", *(f"{k} = {v:.4f}" for k, v in w.listener.items()), f"\n[{name}.bend]", *(f"{k} = {v}" for k, v in w.bend.items())]
    return "\n".join(lines) + "\n"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--collect", type=int, metavar="N", help="utterances, each in every condition")
    arguments.add_argument("--conditions", default="clean,15,5,nospeech")
    arguments.add_argument("--silence", type=float, default=10.0, metavar="MINUTES", help="how much of nospeech")
    arguments.add_argument("--jobs", type=int, default=1)
    arguments.add_argument("--minutes", type=float, help="stop after so long")
    arguments.add_argument("--seed", type=int, default=SEED)
    arguments.add_argument("--out", type=Path)
    arguments.add_argument("--fit", type=Path, nargs="+", metavar="FILE")
    arguments.add_argument("--pair", action="store_true", help="the better two listeners alone")
    arguments.add_argument("--write", action="store_true", help="put the result into readings/decision.toml")
    arguments.add_argument("--threshold", type=float)
    arguments.add_argument("--threshold-teens", type=float, help="for statements with a teen or a whole ten")
    arguments.add_argument("--threshold-words", type=float, help="for statements without a figure")
    arguments.add_argument("--clear", type=float, help="by how much the better two listeners must prefer a figure")
    arguments.add_argument("--clear-teens", type=float)
    arguments.add_argument("--threshold-alone", type=float, help="for a figure that the last listener did not understand")
    arguments.add_argument("--clear-alone", type=float)
    arguments.add_argument("--threshold-words-alone", type=float)
    options = arguments.parse_args()
    if options.collect:
        clips = clips_of("development", options.seed, options.collect, options.conditions.split(","), options.silence)
        clips = [clip for clip in clips if clip.said is None or clip.voice in UNTRAINED]
        decode(clips, options.out, options.jobs, options.minutes, everyone=not options.pair)
    if options.fit:
        thresholds = {name: value for name, value in vars(options).items() if name.startswith(("threshold", "clear")) and value is not None}
        fit(options.fit, options.pair, Path(decision.__file__).with_name("decision.toml") if options.write else None, thresholds)


if __name__ == "__main__":
    main()
