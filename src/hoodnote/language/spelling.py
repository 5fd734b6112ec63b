"""Pronunciations for words that no dictionary has, learnt from the dictionary that pocketsphinx brings.

Every letter of a known word is aligned with the phones it stands for (none, one or two); pairs of letter and phones
then follow one another like the words of a language, and an unknown word gets the likeliest row of pairs that spells it
(a joint-sequence model: Bisani and Ney, Speech Communication 50, 2008, in its simplest form, one letter at a time).
"""

from __future__ import annotations

import math
import zlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache

Pair = tuple[str, str]                # a letter and its phones, "" for none
_ORDER = 6                            # pairs looked at, the new one included
_ROUNDS = 4                           # of alignment
_ALIGNED_FIRST = 4000                 # words that the alignment is learnt on
_LEARNT_ON = 45_000                   # words; all of them would take a minute and give little more
_BEAM = 24
_EDGE = ("", "")


class Speller:
    """Learns from (word, phones) pairs; `phones` gives the likeliest pronunciations of a word, best first."""

    def __init__(self, words: Sequence[tuple[str, tuple[str, ...]]]):
        cost = self._letters(words[:_ALIGNED_FIRST])
        self._counts: dict[tuple[Pair, ...], dict[Pair, int]] = defaultdict(lambda: defaultdict(int))
        self._chunks: dict[str, set[str]] = defaultdict(set)
        for word, phones in words:
            pairs = _align(word, phones, cost)
            if pairs is None:
                continue
            for letter, chunk in pairs:
                self._chunks[letter].add(chunk)
            row = [_EDGE] * (_ORDER - 1) + pairs + [_EDGE]
            for i in range(_ORDER - 1, len(row)):
                for length in range(_ORDER):
                    self._counts[tuple(row[i - length:i])][row[i]] += 1
        self._total = {context: sum(found.values()) for context, found in self._counts.items()}

    @staticmethod
    def _letters(words: Sequence[tuple[str, tuple[str, ...]]]) -> dict[Pair, float]:
        """Cost (negative log probability) of each letter standing for each run of phones, by repeated alignment."""
        counts: dict[Pair, float] = defaultdict(float)
        for word, phones in words:      # to begin with: what stands at about the same place
            for i, letter in enumerate(word):
                for j, phone in enumerate(phones):
                    counts[letter, phone] += math.exp(-abs((i + 0.5) / len(word) - (j + 0.5) / len(phones)) * len(word))
        for _ in range(_ROUNDS):
            cost = _costs(counts)
            counts = defaultdict(float)
            for word, phones in words:
                for pair in _align(word, phones, cost) or ():
                    counts[pair] += 1
        return _costs(counts)

    def phones(self, word: str, n_best: int = 1) -> list[tuple[str, ...]]:
        """Empty for a word with a letter that was never learnt."""
        beam: list[tuple[float, tuple[Pair, ...]]] = [(0.0, (_EDGE,) * (_ORDER - 1))]
        for letter in word:
            grown = [(score + math.log(self._probability(row, (letter, chunk))), (*row, (letter, chunk)))
                     for score, row in beam for chunk in self._chunks.get(letter, ())]
            beam = sorted(grown, key=lambda item: -item[0])[:_BEAM]
        found: dict[tuple[str, ...], float] = {}
        for score, row in beam:
            said = tuple(phone for _, chunk in row for phone in chunk.split())
            score += math.log(self._probability(row, _EDGE))
            if said:
                found[said] = max(score, found.get(said, -math.inf))
        return sorted(found, key=lambda said: -found[said])[:n_best]

    def _probability(self, row: tuple[Pair, ...], pair: Pair) -> float:
        """Witten-Bell: each length of context lends what it has not seen to the next shorter one."""
        p = 1e-6
        for length in range(_ORDER):
            found = self._counts.get(row[len(row) - length:])
            if found is None:
                break
            total, kinds = self._total[row[len(row) - length:]], len(found)
            p = (found.get(pair, 0) + kinds * p) / (total + kinds)
        return p


def _costs(counts: dict[Pair, float]) -> dict[Pair, float]:
    totals: dict[str, float] = defaultdict(float)
    for (letter, _), n in counts.items():
        totals[letter] += n
    return {(letter, chunk): -math.log(n / totals[letter]) for (letter, chunk), n in counts.items() if n}


def _align(word: str, phones: Sequence[str], cost: dict[Pair, float]) -> list[Pair] | None:
    """The cheapest way to give every letter none, one or two of the phones in order; None when there are too many."""
    unseen_none, unseen_one, unseen_two = 5.0, 9.0, 11.0
    best: list[list[tuple[float, int]]] = [[(math.inf, 0)] * (len(phones) + 1) for _ in range(len(word) + 1)]
    best[0][0] = (0.0, 0)
    for i, letter in enumerate(word):
        for j in range(len(phones) + 1):
            before = best[i][j][0]
            if before == math.inf:
                continue
            for size, unseen in ((0, unseen_none), (1, unseen_one), (2, unseen_two)):
                if j + size > len(phones):
                    break
                now = before + cost.get((letter, " ".join(phones[j:j + size])), unseen)
                if now < best[i + 1][j + size][0]:
                    best[i + 1][j + size] = (now, size)
    if best[-1][-1][0] == math.inf:
        return None
    pairs, j = [], len(phones)
    for i in range(len(word), 0, -1):
        size = best[i][j][1]
        pairs.append((word[i - 1], " ".join(phones[j - size:j])))
        j -= size
    return pairs[::-1]


def held_out(word: str) -> bool:
    """One word in twenty is never learnt from, so that the guesses can be scored on it."""
    return zlib.crc32(word.encode()) % 20 == 0


def usable(dictionary: dict[str, list[str]]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Words of the dictionary that are spelled in letters, in an order that has nothing to do with the alphabet."""
    for word in sorted(dictionary, key=lambda w: zlib.crc32(w[::-1].encode())):
        if word.isascii() and word.isalpha() and len(word) > 2:
            yield word, tuple(dictionary[word][0].split())


@lru_cache(maxsize=1)
def _speller() -> Speller:
    from hoodnote.language.lexicon import bundled_dictionary, read_dictionary

    learnable: Iterable = (item for item in usable(read_dictionary(bundled_dictionary())) if not held_out(item[0]))
    return Speller([item for item, _ in zip(learnable, range(_LEARNT_ON))])


def guess(word: str, n_best: int = 1) -> list[str]:
    """Likely pronunciations of a word of letters, best first; some seconds for the first one. Apostrophes are silent."""
    return [" ".join(phones) for phones in _speller().phones("".join(c for c in word.lower() if c.isalpha()), n_best)]
