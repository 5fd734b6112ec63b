"""The probabilities: causes against observations, with care for what is said twice.

One cause explains the record; observations are independent given the cause, except within a group: n of a group count
as n ** (1 - TEMPER) of independent ones. Every row is mixed with a flat one, since the tables are only common practice,
and the result with the prior, the less so the more independent groups of evidence there are: a single kind of evidence
never makes a cause near certain.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoodnote.checks.causes.tables import Observable, Tables

if TYPE_CHECKING:
    from numpy import ndarray

TEMPER = 0.5
FLAT = 0.02                           # share of a flat row in every row
# Share of the prior in the result with 1, 2, 3, 4 or more groups of evidence (our own choice, so that few kinds of evidence stay modest).
PRIOR_SHARE = (0.25, 0.15, 0.09, 0.06)


@dataclass(frozen=True)
class Observed:
    """How well the record agrees with each state of one observable (1: fully; a reading near an edge agrees in part with two)."""

    observable: Observable
    agreement: tuple[float, ...]
    text: str
    basis: tuple[int, ...]

    @property
    def whole(self) -> bool:
        """Is nothing of it left to observe?"""
        return sum(self.agreement) <= 1.0 + 1e-9


def rows(observable: Observable, device: str | None) -> ndarray:
    """P(state | cause) as it is used: mixed with a flat row."""
    table = observable.likelihood(device)
    return (1 - FLAT) * table + FLAT / len(observable.states)


def likelihood(seen: Observed, device: str | None) -> ndarray:
    """P(what the record says | cause), for each cause."""
    from numpy import array

    return rows(seen.observable, device) @ array(seen.agreement)


def exponents(observed: Sequence[Observed]) -> dict[str, float]:
    """Group -> weight of each observation in it."""
    return {group: n ** -TEMPER for group, n in Counter(o.observable.group for o in observed).items()}


def posterior(tables: Tables, observed: Sequence[Observed], device: str | None) -> ndarray:
    """Probability of each cause, in the order of the tables; the prior where nothing was observed."""
    from numpy import exp, log

    prior = tables.prior(device)
    if not observed:
        return prior
    weight = exponents(observed)
    score = log(prior) + sum(weight[o.observable.group] * log(likelihood(o, device)) for o in observed)
    found = exp(score - score.max())
    share = PRIOR_SHARE[min(len(weight), len(PRIOR_SHARE)) - 1]
    return (1 - share) * found / found.sum() + share * prior


def entropy(p: ndarray) -> ndarray:
    """In bits, over the first axis."""
    from numpy import log2, where

    return -(p * log2(where(p > 0, p, 1.0))).sum(axis=0)


def joint(p: ndarray, observable: Observable, device: str | None, observed: Sequence[Observed]) -> ndarray:
    """P(cause, state), causes x states, for causes of probability `p`: what observing it fully may show. Of what is half observed,
    the states that the record still leaves open. No state has probability 0."""
    from numpy import array, maximum

    same = sum(o.observable.group == observable.group and o.observable.id != observable.id for o in observed)
    chance = rows(observable, device) ** ((same + 1) ** -TEMPER)
    half = next((o.agreement for o in observed if o.observable.id == observable.id), None)
    chance = chance if half is None else chance * maximum(array(half), 1e-9)
    return p[:, None] * chance / chance.sum(axis=1, keepdims=True)


def gain(together: ndarray) -> float:
    """Expected drop in the entropy over the causes, in bits, from learning the state; `together` is their `joint`."""
    over = together.sum(axis=0)
    return float(entropy(together.sum(axis=1)) - (over * entropy(together / over)).sum())


def gains_about(together: ndarray) -> ndarray:
    """The same for each cause by itself: for the question whether it is that one."""
    from numpy import stack

    over = together.sum(axis=0)
    share, alone = together / over, together.sum(axis=1)
    return entropy(stack([alone, 1 - alone])) - (over * entropy(stack([share, 1 - share]))).sum(axis=1)
