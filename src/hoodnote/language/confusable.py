"""What else may have been said: utterances of the language that sound much like a given one and mean something else."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache, partial
from itertools import accumulate, islice, permutations

import numpy as np

from hoodnote.language.automaton import Network, WordAutomaton
from hoodnote.language.grammar import Language
from hoodnote.language.lexicon import pronunciations
from hoodnote.language.numbers import DIGITS, TEENS, TENS

_VOWELS = frozenset("AA AE AH AO AW AY EH ER EY IH IY OW OY UH UW".split())
# pairs of phones that noise and small loudspeakers blur (common practice, no source)
_CLOSE = {frozenset(p) for p in (("N", "M"), ("N", "NG"), ("F", "TH"), ("F", "V"), ("S", "Z"), ("S", "F"), ("T", "D"), ("P", "T"), ("P", "B"), ("K", "G"),
                                 ("K", "T"), ("IY", "IH"), ("AY", "AA"), ("AO", "AA"), ("ER", "R"), ("AH", "IH"), ("UW", "OW"), ("EY", "EH"), ("W", "V"), ("L", "R"))}
_FAR = 0.62          # share of the phones that differ, from which two words are not taken for each other
_MOST_PER_WORD = 7
_WORDS_AT_ONCE = 50     # a tenth of a second
_SENTENCES = 16
_PHRASE = 0.45       # what a whole phrase taken for another counts
# phrases that the listeners took for each other on the development voices
_PHRASES = tuple(pair for alike in ((("low", "side"), ("high", "side"), ("both", "sides")), (("vacuum",), ("a", "hundred")), (("ambient",), ("and", "vent")),
                                    (("at",), ("out", "of"), ("into",)), (("reads",), ("three",)), (("eight",), ("at",)), (("ohms",), ("amps",), ("volts",)))
                 for pair in permutations(alike, 2))


@dataclass(frozen=True)
class Confusables:
    """Words that sound alike, worked out when first asked. pronunciations: word -> ways to say it, phones with spaces between."""

    automaton: WordAutomaton
    pronunciations: Mapping[str, Sequence[str]]
    _known: dict[str, tuple[tuple[float, str], ...]] = field(default_factory=dict)

    def alike(self, word: str) -> tuple[tuple[float, str], ...]:
        """(distance, other word), nearest first."""
        if word not in self._known:
            ways, firsts = self._ways
            nearest = np.minimum.reduceat(np.min([ways.distances(a.split()) for a in self.pronunciations[word]], axis=0), firsts).tolist()
            self._known[word] = tuple(sorted((d, other) for d, other in zip(nearest, self.pronunciations) if d < _FAR and other != word))
        return self._known[word]

    @cached_property
    def _ways(self) -> tuple[_Ways, list[int]]:
        """Every pronunciation, and where those of each word begin."""
        return _Ways([way for ways in self.pronunciations.values() for way in ways]), list(accumulate(map(len, self.pronunciations.values()), initial=0))[:-1]

    def neighbours(self, words: Sequence[str], count: int) -> list[tuple[str, ...]]:
        """At most `count` sequences of the language that differ from `words` in one place, the likeliest to be mistaken first.

        A word is replaced by one that sounds alike, left out, or put in where it is short. They may still mean the same.
        """
        return self._neighbours(tuple(words))[:count]

    @cached_property
    def _neighbours(self) -> Callable[[tuple[str, ...]], list[tuple[str, ...]]]:
        """Of the last sentences they are kept: who listens to a clip asks for those of the same few again and again."""
        return lru_cache(maxsize=_SENTENCES)(self._found_near)

    def _found_near(self, words: tuple[str, ...]) -> list[tuple[str, ...]]:
        found: dict[tuple[str, ...], float] = {}
        state: int | None = self.automaton.start
        for at in range(len(words) + 1):
            arcs, before, after = self.automaton.arcs[state], words[:at], words[at + 1:]
            changes: list[tuple[float, tuple[str, ...]]] = []
            if at < len(words):
                changes += self._possible((d, (*before, other, *after)) for d, other in self.alike(words[at]) if other in arcs)
                changes += self._possible([(self._weight(words[at]), (*before, *after))])
                changes += self._possible((_PHRASE, (*before, *new, *words[at + len(old):])) for old, new in _PHRASES if words[at:at + len(old)] == old)
            changes += self._possible(sorted((self._weight(word), (*before, word, *words[at:])) for word in arcs if self._weight(word) < _FAR + 0.2))
            for distance, changed in changes:
                if changed != words and distance < found.get(changed, 9.0):
                    found[changed] = distance
            if at < len(words):
                state = self.automaton.arcs[state].get(words[at])
                if state is None:
                    break
        return [w for w, _ in sorted(found.items(), key=lambda item: (item[1], item[0]))]

    def preparations(self) -> list[Callable[[], object]]:
        """Short pieces of work after which the words that sound alike are known of every word."""
        words = sorted(self.automaton.labels)
        return [partial(list, map(self.alike, words[i:i + _WORDS_AT_ONCE])) for i in range(0, len(words), _WORDS_AT_ONCE)]

    def around(self, heard: Sequence[Sequence[Sequence[str]]], count: int) -> WordAutomaton:
        """What may have been said where this was heard: for each listener its sentences, the likeliest first. They themselves, and what
        comes of each one's likeliest by changes as `neighbours` makes them (`count` for each), by several of them in one sentence, too."""
        network = Network()
        network.start, end = network.state(), network.state()
        network.finals = {end}
        for sentences in heard:
            for rank, words in enumerate(map(tuple, sentences)):
                places = [network.state() for _ in range(len(words) + 1)]
                network.arc(network.start, None, places[0])
                network.arc(places[-1], None, end)
                for at, word in enumerate(words):
                    network.arc(places[at], word, places[at + 1])
                for other in self.neighbours(words, count) if rank == 0 else ():
                    old, new = differing(words, other), differing(other, words)
                    # what is put in goes on with the next word, so that it is not put in again and again
                    added, target = (words[old.start:old.start + 1], old.start + 1) if not old else ((), old.stop)
                    network.path(places[old.start], (*other[new.start:new.stop], *added), places[target] if target < len(places) else end)
        return network.determinized().intersected(self.automaton)

    def _possible(self, changes: Iterable[tuple[float, tuple[str, ...]]]) -> list[tuple[float, tuple[str, ...]]]:
        return list(islice((c for c in changes if self.automaton.accepts(c[1])), _MOST_PER_WORD))

    def _weight(self, word: str) -> float:
        """How much would have to go unheard for the word to be overlooked, or to be made up."""
        return 0.2 + 0.15 * min(len(way.split()) for way in self.pronunciations[word])


@lru_cache(maxsize=1)
def confusables(language: Language) -> Confusables:
    """Of the installed language, shared by all who ask."""
    return Confusables(language.automaton, pronunciations(language.automaton.labels))


class _Ways:
    """Pronunciations, all of which one is held against at once."""

    def __init__(self, ways: Sequence[str]):
        split = [way.split() for way in ways]
        self._number = {phone: n for n, phone in enumerate(dict.fromkeys(phone for way in split for phone in way))}
        self._lengths = np.array([len(way) for way in split])
        self._phones = np.zeros((len(split), max(self._lengths)), int)
        for row, way in zip(self._phones, split, strict=True):
            row[:len(way)] = [self._number[phone] for phone in way]

    def distances(self, way: Sequence[str]) -> np.ndarray:
        """(ways,): least cost to turn one into the other, over the number of phones of the longer."""
        before = np.tile(np.arange(self._phones.shape[1] + 1.0), (len(self._phones), 1))
        for i, phone in enumerate(way, 1):
            changed = before[:, :-1] + np.array([_phone_distance(phone, other) for other in self._number])[self._phones]
            row = np.minimum(before + 0.8, np.pad(changed, ((0, 0), (1, 0)), constant_values=np.inf))
            row[:, 0] = i
            for j in range(1, row.shape[1]):
                row[:, j] = np.minimum(row[:, j], row[:, j - 1] + 0.8)
            before = row
        return before[np.arange(len(before)), self._lengths] / np.maximum(self._lengths, len(way))


def differing(words: Sequence[str], other: Sequence[str]) -> range:
    """Indices of the words between what both have in common at the beginning and at the end."""
    shorter = min(len(words), len(other))
    start = next((i for i in range(shorter) if words[i] != other[i]), shorter)
    end = next((i for i in range(shorter - start) if words[-1 - i] != other[-1 - i]), shorter - start)
    return range(start, len(words) - end)


def word_distance(first: Sequence[str], second: Sequence[str]) -> float:
    """0 for words that can sound the same, about 1 for words with nothing in common."""
    ways = _Ways(second)
    return float(min(ways.distances(way.split()).min() for way in first))


def _phone_distance(x: str, y: str) -> float:
    if x == y:
        return 0.0
    if frozenset((x, y)) in _CLOSE:
        return 0.4
    return 0.8 if (x in _VOWELS) == (y in _VOWELS) else 1.2


def teen_or_tens(words: Sequence[str]) -> bool:
    """Do the words hold a number that one sound turns into another: "fourteen" against "forty"? "forty two" is no such number."""
    following = [*words[1:], ""]
    return any(TEENS.get(word, 0) >= 12 or (word in TENS and after not in DIGITS) for word, after in zip(words, following))
