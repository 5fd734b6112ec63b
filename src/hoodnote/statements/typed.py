"""Typed text to statements: "low side 30 psi, vent 52F", with a helpful refusal."""

from __future__ import annotations

import re
from functools import lru_cache

from hoodnote.language.surface import Surface, load_surface, tidy
from hoodnote.statements.model import Statement
from hoodnote.language.numbers import NUMBER_WORDS
from hoodnote.statements.parser import NotSayable, parse


def parse_text(text: str, units: str = "us") -> list[Statement]:
    """The statements of a typed text. `units` ("us" or "metric") fills in units that were not written.

    Raises NotSayable, one line: where the text left the language and the nearest thing that can be said.
    """
    surface = load_surface()
    if not text.strip():
        raise NotSayable("nothing was written; write for example: low side 30 psi", 0)
    readings, furthest = surface.readings(text)
    meanings: dict[tuple[Statement, ...], tuple[str, ...]] = {}
    for words in sorted(readings, key=lambda w: (len(w), w)):
        meanings.setdefault(tuple(parse(words, units)), words)
    if len(meanings) == 1:
        return list(next(iter(meanings)))
    if meanings:
        ways = " or ".join(f'"{" ".join(words)}"' for words in list(meanings.values())[:2])
        raise NotSayable(f"\"{text.strip()}\" could mean {ways}; write it out", furthest)
    raise NotSayable(_refusal(tidy(text), furthest), furthest)


def _refusal(text: str, furthest: int) -> str:
    understood, rest = text[:furthest].strip(" ,.;"), text[furthest:].strip(" ,.;")
    break_at = len(text) - len(text[furthest:].lstrip(" ,.;"))
    near = nearest(text[text.rfind(",", 0, break_at) + 1:])
    if understood and not rest:
        return f'"{text}" is not complete; nearest: {near}'
    if understood:
        return f'cannot read "{rest}" after "{understood}"; nearest: {near}'
    return f'cannot read "{text}"; nearest: {near}'


def nearest(text: str) -> str:
    """The statement of the language most like the text, with <figure> for a number."""
    from rapidfuzz import fuzz, process

    plain = re.sub(r"-?\d[\d.,]*", f" {_FIGURE} ", text.lower())
    found = process.extractOne(plain, examples(), scorer=fuzz.ratio)
    return found[0].replace(_FIGURE, "<figure>")


_FIGURE = "0"
_MOST_WORDS = 12             # longer statements repeat what shorter ones show


def examples() -> list[str]:
    """The statements of the language, each beginning once, a figure as 0 and in one unit."""
    return _examples(load_surface())


@lru_cache(maxsize=2)
def _examples(surface: Surface) -> list[str]:
    tokens = surface.tokens
    out: set[str] = set()
    stack: list[tuple[int, tuple[str, ...]]] = [(tokens.start, ())]
    while stack:
        state, words = stack.pop()
        arcs = tokens.arcs[state]
        if words and state in tokens.finals:
            out.add(" ".join(words).replace("p s i", "psi").replace("r p m", "rpm"))
        said_figure = _FIGURE in words
        if (state in tokens.finals and not said_figure) or len(words) >= _MOST_WORDS:
            continue
        figures = {target for label, target in arcs.items() if label.startswith("#")}
        if not said_figure:
            stack += [(target, (*words, _FIGURE)) for target in figures]
        for word, target in arcs.items():
            if not word[0].isalpha() or word in ("and", "correction", "scratch") or (figures and word in NUMBER_WORDS):
                continue
            if said_figure and state in tokens.finals and word not in _UNIT_BEGINNINGS:
                continue                                   # the next statement begins here
            stack.append((target, (*words, word)))
    return sorted(out)


_UNIT_BEGINNINGS = frozenset({"p", "s", "i", "degrees", "percent", "miles"})
