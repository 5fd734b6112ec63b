"""Search for the likeliest word sequences of the language, given how likely each phone is at each moment.

Prefix search after A. Graves et al., "Connectionist temporal classification", ICML 2006, held to the word automaton: a
hypothesis is words, and a place among the phones of the words that may follow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from hoodnote.capture.ctc import BLANK

_NONE = -math.inf


@dataclass(frozen=True)
class Tuning:
    """Constants of the search, chosen on development voices, never on those that score it."""

    beams: int = 150
    prune: float = 25.0            # natural log below the best, from which a hypothesis is given up
    least: float = -18.0            # natural log of a phone that is not followed
    silent: float = -0.01          # natural log of the blank from which a frame holds no phone
    grammar: float = 0.3           # how much a natural log of the grammar counts


class _Place:
    """Among the phones of the words that may follow one state of the automaton."""

    __slots__ = ("onward", "words")

    def __init__(self) -> None:
        self.onward: dict[int, _Place] = {}
        self.words: list[tuple[str, int, float]] = []          # that end here: word, state after it, natural log of the grammar


@dataclass(eq=False)
class _Said:
    """A sequence of words, one object for each."""

    before: _Said | None = None
    word: str = ""
    after: dict[str, _Said] = field(default_factory=dict)

    def and_then(self, word: str) -> _Said:
        if word not in self.after:
            self.after[word] = _Said(self, word)
        return self.after[word]

    def words(self) -> tuple[str, ...]:
        out, here = [], self
        while here.before is not None:
            out.append(here.word)
            here = here.before
        return tuple(reversed(out))


@dataclass(frozen=True)
class Found:
    """words with the frame in which each ends, and a natural log comparable within one search."""

    words: tuple[str, ...]
    ends: tuple[int, ...]
    score: float


class PhoneSearch:
    """arcs: for each state of the automaton, word -> next state; grammar: for each, ({word: probability}, probability to end);
    ways: the units of each pronunciation of a word."""

    def __init__(self, start: int, arcs: Sequence[dict[str, int]], grammar: Sequence[tuple[dict[str, float], float]],
                 ways: Callable[[str], Sequence[tuple[int, ...]]], tuning: Tuning = Tuning()):
        self._start, self._arcs, self._grammar, self._ways, self._tuning = start, arcs, grammar, ways, tuning
        self._places: dict[int, _Place] = {}

    def best(self, logs: np.ndarray, count: int) -> list[Found]:
        """At most `count` sentences of the language, likeliest first. logs: (frames, units)."""
        tuning = self._tuning
        states = {}                        # place where words begin -> state of the automaton
        first = self._place(self._start)
        states[first] = self._start
        # (words, place, last unit) -> log ending in a blank, log ending in the last unit, ends of the words, grammar so far
        beams: dict[tuple[_Said, _Place, int], tuple[float, float, tuple[int, ...], float]] = {(_Said(), first, BLANK): (0.0, _NONE, (), 0.0)}
        for t, frame in enumerate(logs.tolist()):
            blank = frame[BLANK]
            if blank > tuning.silent:
                beams = {key: (_plus(a, b) + blank, _NONE if b == _NONE else b + frame[key[2]], ends, g) for key, (a, b, ends, g) in beams.items()}
                continue
            grown: dict[tuple[_Said, _Place, int], list] = {}
            for key, (a, b, ends, g) in beams.items():
                said, place, last = key
                whole = _plus(a, b)
                _add(grown, key, whole + blank, b + frame[last], ends, g)
                for unit, target in place.onward.items():
                    log = frame[unit]
                    if log < tuning.least:
                        continue
                    arrived = (a if unit == last else whole) + log
                    if arrived == _NONE:
                        continue
                    if target.onward:
                        _add(grown, (said, target, unit), _NONE, arrived, ends, g)
                    for word, state, weight in target.words:
                        root = self._place(state)
                        states[root] = state
                        _add(grown, (said.and_then(word), root, unit), _NONE, arrived, (*ends, t), g + weight)
            ranked = sorted(((_plus(a, b) + tuning.grammar * g, key) for key, (a, b, _, g) in grown.items()), key=lambda x: -x[0])
            least = ranked[0][0] - tuning.prune
            beams = {key: tuple(grown[key]) for score, key in ranked[:tuning.beams] if score >= least}
        finished: dict[tuple[str, ...], Found] = {}
        for (said, place, _), (a, b, ends, g) in beams.items():
            ending = self._grammar[states[place]][1] if place in states else 0.0
            if said.before is not None and ending > 0:
                words = said.words()
                score = _plus(a, b) + tuning.grammar * (g + math.log(ending))
                if words not in finished or finished[words].score < score:
                    finished[words] = Found(words, ends, score)
        return sorted(finished.values(), key=lambda f: (-f.score, f.words))[:count]

    def _place(self, state: int) -> _Place:
        if state not in self._places:
            root = self._places[state] = _Place()
            shares = self._grammar[state][0]
            for word, target in self._arcs[state].items():
                for way in self._ways(word):
                    here = root
                    for unit in way:
                        here = here.onward.setdefault(unit, _Place())
                    here.words.append((word, target, math.log(max(shares.get(word, 0.0), 1e-9))))
        return self._places[state]


def _add(grown: dict, key: tuple, ending_blank: float, ending_unit: float, ends: tuple[int, ...], grammar: float) -> None:
    known = grown.get(key)
    if known is None:
        grown[key] = [ending_blank, ending_unit, ends, grammar]
    else:
        known[0], known[1] = _plus(known[0], ending_blank), _plus(known[1], ending_unit)


def _plus(a: float, b: float) -> float:
    if a < b:
        a, b = b, a
    return a if b == _NONE else a + math.log1p(math.exp(b - a))
