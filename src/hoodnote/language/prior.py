"""How likely an utterance is before anything is heard: the weights of the grammar, taken as a random speaker's choices."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

from hoodnote.language.automaton import Network
from hoodnote.language.grammar import load

_LEAST = 1e-9        # silent detours less likely than this are not followed


class Prior:
    """Of one network; what follows a state is worked out when first asked."""

    def __init__(self, network: Network):
        self._network = network
        self._known: dict[int, tuple[dict[str, list[tuple[int, float]]], float]] = {}

    def log_probability(self, words: Sequence[str]) -> float:
        """Natural log, -inf for what is not in the language."""
        here = {self._network.start: 1.0}
        for word in words:
            there: dict[int, float] = {}
            for state, p in here.items():
                for target, share in self._after(state)[0].get(word, ()):
                    there[target] = there.get(target, 0.0) + p * share
            here = there
        total = sum(p * self._after(state)[1] for state, p in here.items())
        return math.log(total) if total > 0 else -math.inf

    def _after(self, state: int) -> tuple[dict[str, list[tuple[int, float]]], float]:
        """(word -> targets with probabilities, probability to end)."""
        if state not in self._known:
            words: dict[str, list[tuple[int, float]]] = {}
            silent, stack = 0.0, [(state, 1.0)]
            while stack:
                at, p = stack.pop()
                arcs = self._network.arcs[at]
                total = sum(arc[3] for arc in arcs) + (at in self._network.finals)
                if at in self._network.finals:
                    silent += p / total
                for label, _output, target, weight in arcs:
                    share = p * weight / total
                    if label is not None:
                        words.setdefault(label, []).append((target, share))
                    elif share > _LEAST:
                        stack.append((target, share))
            self._known[state] = words, silent
        return self._known[state]


@lru_cache(maxsize=1)
def load_prior() -> Prior:
    """Of the installed grammars."""
    return Prior(load().network)
