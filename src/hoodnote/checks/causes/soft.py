"""A figure with its uncertainty as soft evidence: how likely the true value lies in each state."""

from __future__ import annotations

from itertools import pairwise
from statistics import NormalDist

from hoodnote.checks.causes.network import Observed
from hoodnote.checks.causes.tables import Observable

# Below this a state is not worth naming beside the likeliest one.
_WORTH_NAMING = 0.25


def agreement(value: float, sd: float, edges: tuple[float, ...]) -> tuple[float, ...]:
    """Probability that the true value lies between each pair of neighbouring edges, from a normal distribution about the reading."""
    below = [0.0, *(NormalDist(value, sd).cdf(e) if sd > 0 else float(value < e) for e in edges), 1.0]
    return tuple(b - a for a, b in pairwise(below))


def certain(observable: Observable, *states: str) -> tuple[float, ...]:
    """Full agreement with these states and none with the others."""
    return tuple(1.0 if s in states else 0.0 for s in observable.states)


def likely(agrees: tuple[float, ...], words: tuple[str, ...]) -> str:
    """The words of the likeliest state, or of the two that it lies between; "" where the reading leaves everything open."""
    if sum(agrees) > 1.0 + 1e-9:
        return ""
    ranked = sorted(range(len(agrees)), key=lambda i: -agrees[i])[:2]
    return " or ".join(words[i] for i in sorted(ranked) if agrees[i] >= _WORTH_NAMING * agrees[ranked[0]])


def observed(observable: Observable, agrees: tuple[float, ...], detail: str, basis: list[int]) -> Observed:
    words = likely(agrees, observable.words)
    text = f"{observable.name}: {words}" if words else observable.name
    return Observed(observable, agrees, f"{text} ({detail})" if detail else text, tuple(dict.fromkeys(basis)))
