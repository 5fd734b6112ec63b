"""How a writing recognizer may spell the words of the language: in number words, or in figures."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from hoodnote.language.automaton import CLOSE, OPEN
from hoodnote.language.grammar import load
from hoodnote.language.numbers import words_to_number
from hoodnote.language.walker import NotSayable, Walker

# letters that nobody writes apart; the other written forms make little difference to a score
_LETTERS = {("p", "s", "i"): "psi", ("r", "p", "m"): "RPM", ("c", "c"): "cc", ("k", "p", "a"): "kPa", ("t", "x", "v"): "TXV", ("p", "o", "e"): "POE"}


def spellings(words: Sequence[str]) -> tuple[str, str]:
    """(with number words, with figures), as a sentence; both alike where nothing is a number."""
    words = tuple(words)
    return _sentence(words), _sentence(_with_figures(words))


def _sentence(words: tuple[str, ...]) -> str:
    out, at = [], 0
    while at < len(words):
        letters = next((key for key in _LETTERS if words[at:at + len(key)] == key), None)
        out.append(_LETTERS[letters] if letters else words[at])
        at += len(letters) if letters else 1
    text = " ".join(out)
    return text[:1].upper() + text[1:] + "."


def _with_figures(words: tuple[str, ...]) -> tuple[str, ...]:
    try:
        outputs = min(_walker().outputs(words), key=lambda o: sum(x[0][0] == OPEN for x in o))
    except NotSayable:
        return words
    spans, begun, said = [], 0, 0
    for (kind, _), position in outputs:
        if kind == OPEN:
            begun, said = position, 0
        elif kind == "word":
            said += 1
        elif kind == CLOSE and said:
            spans.append((begun, begun + said))
    out, at = [], 0
    for first, last in spans:
        out += [*words[at:first], f"{words_to_number(list(words[first:last])):f}"]
        at = last
    return (*out, *words[at:])


@lru_cache(maxsize=1)
def _walker() -> Walker:
    return Walker(load().network)
