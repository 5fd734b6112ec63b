"""The words that announce a free note, in a transcript that may spell them in its own way."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from hoodnote.language.grammar import Language, load
from hoodnote.language.shop import control_wordings
from hoodnote.readings.agreement import Account
from hoodnote.statements.model import Control

OPENING = Control("memo")
_LIKE = 80.0            # of 100; "freenoat" is 87 like "free note", "freeze" 71, "three ohms" 47


def only_opening(accounts: Sequence[Account]) -> list[Account]:
    """Of the listeners who heard these words and nothing else."""
    return [a for a in accounts if a.statements == (OPENING,)]


def may_announce(text: str) -> bool:
    """False when the first words of a transcript are there, of which the last may be cut off, and are others."""
    return len(re.findall(r"[\w']+", text)) < max(len(p.split()) for p in openings(load())) + 2 or without_opening(text) is not None


def without_opening(text: str) -> str | None:
    """What follows the control word in a transcript, "" when nothing does; None when it does not begin with anything like it.

    Letters are compared without the spaces between: a transcript may join or part the words ("freenote", "for he note").
    """
    from rapidfuzz import fuzz

    words = list(re.finditer(r"[\w']+", text))
    best, end = _LIKE, None
    for phrase in openings(load()):
        for count in range(1, min(len(words), len(phrase.split()) + 1) + 1):
            like = fuzz.ratio("".join(w[0] for w in words[:count]).lower(), phrase.replace(" ", ""))
            if like > best or (like == best and end is None):
                best, end = like, words[count - 1].end()
    return None if end is None else text[end:].lstrip(" ,.;:-!?")


@lru_cache(maxsize=2)
def openings(language: Language) -> tuple[str, ...]:
    """The wordings of the control word, longest first."""
    return tuple(sorted(control_wordings(language.grammars)[OPENING.action], key=lambda p: (-len(p.split()), p)))
