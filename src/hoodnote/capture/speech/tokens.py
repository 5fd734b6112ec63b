"""Which subword tokens may come next, so that a transcript never leaves a language given letter by letter."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

import numpy as np


_STATES_AT_ONCE = 500


class Letters(Protocol):
    """A deterministic automaton over characters, such as hoodnote.language.surface.CharAutomaton."""

    start: int
    arcs: Sequence[Mapping[str, int]]
    finals: frozenset[int]


@dataclass
class _Node:
    children: dict[str, _Node] = field(default_factory=dict)
    tokens: list[int] = field(default_factory=list)


class TokenConstraint:
    """Product of a token vocabulary and a character automaton, worked out state by state when first asked.

    texts: token id -> what it writes, a space where a word begins. A transcript opens with a space that the
    language does not have; BEFORE is the state in front of it.
    """

    BEFORE = -1

    def __init__(self, letters: Letters, texts: Mapping[int, str]):
        self._letters = letters
        self._root = _tree(texts)
        self._living = _reach_an_end(letters)
        self._known: dict[int, tuple[np.ndarray, np.ndarray]] = {}

    def allowed(self, state: int) -> tuple[np.ndarray, np.ndarray]:
        """Token ids that may follow, and the state after each; both (n,) int64. States that lead nowhere are left out."""
        if state not in self._known:
            pairs = self._walk(state)
            self._known[state] = tuple(np.array([p[i] for p in pairs], np.int64) for i in (0, 1))
        return self._known[state]

    def preparations(self) -> list[Callable[[], object]]:
        """Pieces of work after which nothing is worked out any more, each of a tenth of a second."""
        def work(first: int) -> None:
            for state in range(first, min(first + _STATES_AT_ONCE, len(self._letters.arcs))):
                if state in self._living:
                    self.allowed(state)

        return [partial(work, first) for first in range(0, len(self._letters.arcs), _STATES_AT_ONCE)]

    def ends(self, state: int) -> bool:
        """True when the transcript so far is a sentence of the language."""
        return (self._letters.start if state == self.BEFORE else state) in self._letters.finals

    def rests(self, state: int) -> bool:
        """True when the speaker may draw breath here: the language goes on with a new word, or ends."""
        return self.ends(state) or (state != self.BEFORE and " " in self._letters.arcs[state])

    def _walk(self, state: int) -> list[tuple[int, int]]:
        if state == self.BEFORE:
            opening = self._root.children.get(" ")
            todo = [(opening, self._letters.start)] if opening and self._letters.start in self._living else []
        else:
            todo = [(self._root, state)]
        pairs = []
        while todo:
            node, at = todo.pop()
            pairs.extend((token, at) for token in node.tokens)
            arcs = self._letters.arcs[at]
            small, large = (node.children, arcs) if len(node.children) < len(arcs) else (arcs, node.children)
            for letter in small:
                if letter in large and arcs[letter] in self._living:
                    todo.append((node.children[letter], arcs[letter]))
        return sorted(pairs)


def pieces(letters: Letters, texts: Mapping[int, str]) -> set[int]:
    """Tokens that write some piece of the language; perhaps a few more, that lead nowhere."""
    after: dict[str, np.ndarray] = {}
    for state, arcs in enumerate(letters.arcs):
        for letter, target in arcs.items():
            after.setdefault(letter, np.full(len(letters.arcs), -1))[state] = target
    found, root = set(), _tree(texts)
    todo = [(node, after[letter]) for letter, node in root.children.items() if letter in after]
    if " " in root.children:
        todo.append((root.children[" "], np.array([letters.start])))
    while todo:
        node, states = todo.pop()
        states = np.unique(states[states >= 0])
        if len(states):
            found.update(node.tokens)
            todo += [(child, after[letter][states]) for letter, child in node.children.items() if letter in after]
    return found


def _tree(texts: Mapping[int, str]) -> _Node:
    root = _Node()
    for token, text in sorted(texts.items()):
        node = root
        for letter in text:
            node = node.children.setdefault(letter, _Node())
        node.tokens.append(token)
    return root


def _reach_an_end(letters: Letters) -> set[int]:
    before: dict[int, list[int]] = {}
    for state, arcs in enumerate(letters.arcs):
        for target in arcs.values():
            before.setdefault(target, []).append(state)
    living, todo = set(letters.finals), list(letters.finals)
    while todo:
        for state in before.get(todo.pop(), ()):
            if state not in living:
                living.add(state)
                todo.append(state)
    return living
