"""How well each of many word sequences fits one sound: exact Viterbi scores over the phone states of a CMU Sphinx acoustic model.

pocketsphinx finds the best path of a search and gives no score for any other. It can write down what every phone state
(senone) scores in every frame; with those, all candidates of a clip are scored here at once, each against the
same sound and therefore comparable.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product, zip_longest

import numpy as np

from hoodnote.capture.speech.senones import BEGIN, END, INTERNAL, SINGLE, PhoneModel
from hoodnote.language.automaton import WordAutomaton

_PAUSE = -5.0                               # natural log for a silence between words
_IMPOSSIBLE = -1e30


class NotScored(Exception):
    """A candidate holds sounds for which there are no scores."""


def senones_within(model: PhoneModel, automaton: WordAutomaton, pronunciations: Mapping[str, Sequence[str]], also: Collection[str] = ()) -> set[int]:
    """What the words of any of its sentences may need, with or without silence between them, also where another one of the words `also` stands in
    the place of one of those or beside it."""
    ways = {word: [way.split() for way in pronunciations[word]] for word in {*automaton.labels, *also}}
    lefts, rights = [{model.silence} for _ in automaton.arcs], [{model.silence} for _ in automaton.arcs]
    arcs = [(state, word, target) for state, arcs in enumerate(automaton.arcs) for word, target in arcs.items()]
    for state, word, target in arcs:
        rights[state].update(way[0] for way in ways[word])
        lefts[target].update(way[-1] for way in ways[word])
    firsts, lasts = ({way[at] for word in also for way in ways[word]} for at in (0, -1))
    for state in {state for source, word, target in arcs if word in also for state in (source, target)}:
        rights[state] |= firsts
        lefts[state] |= lasts
    beside = [{phone for source, word, target in arcs if word in also for state in (source, target) for phone in of[state]} for of in (lefts, rights)]
    places = [(way, lefts[source], rights[target]) for source, word, target in arcs for way in ways[word]]
    return _needed(model, places + [(way, *beside) for word in also for way in ways[word]])


def _needed(model: PhoneModel, places: Iterable[tuple[Sequence[str], Collection[str], Collection[str]]]) -> set[int]:
    """places: ways to say a word, with the phones that may stand before and after it."""
    contexts: set[tuple[int, str, str, str]] = set()
    for way, before, after in places:
        pairs = product(before, after) if len(way) == 1 else zip_longest(before, after, fillvalue=model.silence)     # no other phone has both beside it
        contexts.update(context for left, right in pairs for context in _contexts(way, left, right))
    return {senone for context in contexts for senone in model.states(*context)[0].tolist()}


def senones_of(model: PhoneModel, candidates: Iterable[Sequence[str]], pronunciations: Mapping[str, Sequence[str]]) -> set[int]:
    """What these sentences need."""
    tree = _Tree(model, pronunciations)
    for words in candidates:
        tree.after(tuple(words), None)
    return {senone for of_node in tree.senones for senone in of_node.tolist()}


def candidate_scores(model: PhoneModel, scores: np.ndarray, candidates: Sequence[Sequence[str]],
                     pronunciations: Mapping[str, Sequence[str]]) -> np.ndarray:
    """Natural log of the best alignment of each candidate with the whole sound; silence may lie before, between and after words.

    Candidates mostly differ in one place: what they begin with is aligned once from the front, what they end with once from the back, and
    each is joined where it is cut. scores: (frames, senones of the model). Raises NotScored where the model is a part that lacks
    what a candidate needs.
    """
    front, back = _Tree(model, pronunciations), _Tree(model, pronunciations, backward=True)
    ends: list[tuple[int, int]] = []           # (candidate, node that it may end in)
    joints: list[tuple[int, int, int]] = []    # (candidate, last node of its first part, first node of the rest that may follow)
    for number, (words, cut) in enumerate(zip(candidates, _cuts(candidates))):
        said = front.after(tuple(words[:cut]), words[cut] if cut < len(words) else None)
        if cut == len(words):
            ends += [(number, node) for node in said.quiet(model.silence)]
            continue
        after = back.after(tuple(words[:cut - 1:-1]), words[cut - 1])
        for (phone, expected), nodes in after.ends.items():
            before = [said.silence] if expected == model.silence else said.ends.get((expected, phone), ())
            joints += [(number, a, b) for a in before for b in nodes]
    begun, rest = _leaving(front, back, scores)
    found = np.full(len(candidates), _IMPOSSIBLE, np.float32)
    for number, node in ends:
        found[number] = max(found[number], begun[node, -1])
    for number, a, b in joints:
        found[number] = max(found[number], (begun[a, :-1] + rest[b, 1:]).max(initial=_IMPOSSIBLE))
    return found


def _cuts(candidates: Sequence[Sequence[str]]) -> list[int]:
    """After how many words to cut each: where the fewest of its words lie in parts that no other candidate shares."""
    different = set(map(tuple, candidates))
    begun = Counter(words[:k] for words in different for k in range(1, len(words) + 1))
    ended = Counter(words[k:] for words in different for k in range(len(words)))

    def alone(words: tuple[str, ...], cut: int) -> int:
        return sum(begun[words[:k]] == 1 for k in range(1, cut + 1)) + sum(ended[words[k:]] == 1 for k in range(cut, len(words)))

    return [min(range(len(words) - 1, 0, -1), key=partial(alone, tuple(words)), default=len(words)) for words in candidates]


@dataclass(frozen=True)
class _Said:
    """Where what was said goes on: `silence` is the node of silence after it, `ends` its last nodes by (phone, phone expected to follow)."""

    silence: int
    ends: dict[tuple[str, str], list[int]]

    def quiet(self, silence: str) -> list[int]:
        """Where the sound may end."""
        return [self.silence, *(node for (_, expected), nodes in self.ends.items() if expected == silence for node in nodes)]


class _Tree:
    """Sentences from their first word on, or backward from their last; what several begin with is there once. Nodes are phones in their
    contexts. Backward, words are given in that order, and before and after mean it so."""

    def __init__(self, model: PhoneModel, pronunciations: Mapping[str, Sequence[str]], backward: bool = False):
        self._model, self._pronunciations, self._backward = model, pronunciations, backward
        self.senones: list[np.ndarray] = []
        self._matrices: list[int] = []
        self._arcs: dict[tuple[int, int], float] = {}           # from a node's end to another's beginning: natural log
        self._nodes: dict[tuple, int] = {}
        self._known: dict[tuple[tuple[str, ...], str | None], _Said] = {}
        sil = model.silence
        self._starts = {self._node((), SINGLE, sil, sil, sil)}

    def after(self, words: tuple[str, ...], following: str | None) -> _Said:
        """`following`: the word that comes next, None at the end of the sentence."""
        if (words, following) not in self._known:
            self._known[words, following] = self._add(words, following) if words else _Said(self._nodes[()], {})
        return self._known[words, following]

    def _add(self, words: tuple[str, ...], following: str | None) -> _Said:
        sil = self._model.silence
        before = self.after(words[:-1], words[-1])
        lefts = sorted({phone for phone, _ in before.ends})
        rights = sorted({way[0] for way in self._ways(following)}) if following is not None else []
        into, out = (0.0, _PAUSE) if self._backward else (_PAUSE, 0.0)      # a silence between words costs once, and nothing before the first
        ends: dict[tuple[str, str], list[int]] = {}
        for number, way in enumerate(self._ways(words[-1])):
            for left in (*lefts, sil):
                for right in (*rights, sil):
                    line = self._word(words, number, way, left, right)
                    if left == sil:
                        self._arcs[before.silence, line[0]] = out
                    for end in before.ends.get((left, way[0]), ()):
                        self._arcs[end, line[0]] = 0.0
                    self._arcs.update(dict.fromkeys(zip(line, line[1:]), 0.0))
                    if left == sil and len(words) == 1:
                        self._starts.add(line[0])
                    ends.setdefault((way[-1], right), []).append(line[-1])
        said = _Said(self._node((words,), SINGLE, sil, sil, sil), ends)
        self._arcs.update(dict.fromkeys(((node, said.silence) for node in said.quiet(sil)[1:]), into))
        return said

    def _ways(self, word: str) -> list[list[str]]:
        return [way.split()[::-1 if self._backward else 1] for way in self._pronunciations[word]]

    def _word(self, words: tuple[str, ...], number: int, way: list[str], left: str, right: str) -> list[int]:
        """The nodes of one way to say the last word; only its first and its last phone know their neighbours."""
        last = len(way) - 1
        contexts = list(_contexts(way[::-1], right, left))[::-1] if self._backward else _contexts(way, left, right)
        return [self._node((words, number, k, left if k == 0 else None, right if k == last else None), *context) for k, context in enumerate(contexts)]

    def _node(self, key: tuple, position: int, base: str, left: str, right: str) -> int:
        if key not in self._nodes:
            self._nodes[key] = len(self._matrices)
            senones, matrix = self._model.states(position, base, left, right)
            self.senones.append(senones)
            self._matrices.append(matrix)
        return self._nodes[key]

    def steps(self) -> _Steps:
        """Backward, what it costs to leave a phone is paid when it is entered."""
        senones, matrix = np.array(self.senones).T, np.array(self._matrices)
        stay, go = (of_matrix[matrix].T.astype(np.float32) for of_matrix in (self._model.stay, self._model.go))
        free = np.zeros_like(go[2])
        if self._backward:
            senones, stay, onward, into, out = senones[::-1], stay[::-1], go[1::-1], go[2], free
        else:
            onward, into, out = go[:2], free, go[2]
        sources, targets = np.array(list(self._arcs), np.int64).reshape(-1, 2).T
        return _Steps(senones, stay, onward, into, out, sources, targets, np.fromiter(self._arcs.values(), np.float32, len(self._arcs)), sorted(self._starts))


@dataclass(frozen=True)
class _Steps:
    """A tree in numbers; natural logs. Arcs lead from the last state of a node to the first of another."""

    senones: np.ndarray        # (3, nodes), in the order in which the states of a phone are gone through
    stay: np.ndarray           # (3, nodes)
    onward: np.ndarray         # (2, nodes) from one state to the next
    into: np.ndarray           # (nodes,)
    out: np.ndarray            # (nodes,)
    sources: np.ndarray        # (arcs,) nodes
    targets: np.ndarray
    weights: np.ndarray        # (arcs,)
    starts: list[int]


def _leaving(front: _Tree, back: _Tree, scores: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For both trees (nodes, frames): natural log of the best way that leaves the node after the frame; through the one from the first
    frame on, through the other from the last back, at the same time. Raises NotScored."""
    ways, split = (front.steps(), back.steps()), len(front.senones)
    if any((way.senones < 0).any() for way in ways):
        raise NotScored
    heard = np.concatenate([of_scores.take(way.senones, axis=1) for way, of_scores in zip(ways, (scores, scores[::-1]))], axis=2)
    stay, onward, out, into = (np.concatenate(parts, axis=-1) for parts in zip(*((w.stay, w.onward, w.out, w.into) for w in ways)))
    sources, targets = (np.concatenate([a, b + split]) for a, b in zip(*((w.sources, w.targets) for w in ways)))
    starts = [*ways[0].starts, *(node + split for node in ways[1].starts)]
    weights = np.concatenate([w.weights for w in ways]) + out[sources] + into[targets]
    order = np.argsort(targets, kind="stable")
    sources, weights = sources[order], weights[order]
    entered, first = np.unique(targets[order], return_index=True)

    state = np.full(heard.shape[1:], _IMPOSSIBLE, np.float32)
    state[0, starts] = heard[0, 0, starts] + into[starts]
    last = np.empty((len(heard), state.shape[1]), np.float32)
    last[0] = state[2]
    for at, frame in enumerate(heard[1:], 1):
        moved = state + stay
        np.maximum(moved[1:], state[:2] + onward, out=moved[1:])
        if len(entered):
            moved[0, entered] = np.maximum(moved[0, entered], np.maximum.reduceat(state[2].take(sources) + weights, first))
        state = np.add(moved, frame, out=moved)
        last[at] = state[2]
    last += out
    return last[:, :split].T, last[::-1, split:].T


def _contexts(way: Sequence[str], left: str, right: str) -> Iterable[tuple[int, str, str, str]]:
    """Of each phone of a word between two phones: where in the word it stands, itself, the phone before, the phone after."""
    last = len(way) - 1
    for k, base in enumerate(way):
        place = SINGLE if not last else BEGIN if k == 0 else END if k == last else INTERNAL
        yield place, base, left if k == 0 else way[k - 1], right if k == last else way[k + 1]
