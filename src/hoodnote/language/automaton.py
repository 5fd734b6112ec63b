"""Finite automata over words or characters: from a grammar to a network, from a network to the minimal automaton."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from hoodnote.language import jsgf
from hoodnote.language.kept import kept


@dataclass(frozen=True)
class Automaton:
    """Deterministic, epsilon-free, trimmed and minimal: from every state a final state can be reached.

    `arcs[state]` maps a label (a word, or one character) to the next state.
    """

    start: int
    arcs: list[dict[str, int]]
    finals: frozenset[int]

    @classmethod
    def kept(cls, name: str, language: object, make: Callable[[], Automaton]) -> Automaton:
        """As `kept.kept`."""
        def plain() -> list:
            made = make()
            return [made.start, made.arcs, sorted(made.finals)]

        start, arcs, finals = kept(name, language, plain)
        return cls(start, arcs, frozenset(finals))

    def walk(self, labels: Iterable[str], state: int | None = None) -> int | None:
        """The state after the labels, None where they leave the language."""
        state = self.start if state is None else state
        for label in labels:
            state = self.arcs[state].get(label)
            if state is None:
                return None
        return state

    def accepts(self, labels: Iterable[str]) -> bool:
        return self.walk(labels) in self.finals

    def intersected(self, other: Automaton) -> Automaton:
        """What both accept."""
        number = {(self.start, other.start): 0}
        queue, arcs, finals = deque(number), [{}], set()
        while queue:
            pair = queue.popleft()
            mine, theirs = pair
            if mine in self.finals and theirs in other.finals:
                finals.add(number[pair])
            for label in self.arcs[mine].keys() & other.arcs[theirs].keys():
                target = self.arcs[mine][label], other.arcs[theirs][label]
                if target not in number:
                    number[target] = len(arcs)
                    arcs.append({})
                    queue.append(target)
                arcs[number[pair]][label] = number[target]
        return minimized(0, arcs, finals)

    @property
    def labels(self) -> frozenset[str]:
        return frozenset(label for arcs in self.arcs for label in arcs)

    def equivalent(self, other: Automaton) -> tuple[str, ...] | None:
        """None when both accept the same, else a shortest sequence that only one of them accepts."""
        seen = {(self.start, other.start)}
        queue: deque[tuple[int | None, int | None, tuple]] = deque([(self.start, other.start, ())])
        while queue:
            a, b, trail = queue.popleft()
            if (a in self.finals) != (b in other.finals):
                labels = []
                while trail:
                    label, trail = trail
                    labels.append(label)
                return tuple(reversed(labels))
            ours = self.arcs[a] if a is not None else {}
            theirs = other.arcs[b] if b is not None else {}
            for label in sorted(ours.keys() | theirs.keys()):
                pair = (ours.get(label), theirs.get(label))
                if pair not in seen:
                    seen.add(pair)
                    queue.append((*pair, (label, trail)))
        return None

    def distances_to_final(self) -> list[int]:
        """Fewest labels from each state to a final one."""
        incoming: list[list[int]] = [[] for _ in self.arcs]
        for state, arcs in enumerate(self.arcs):
            for target in arcs.values():
                incoming[target].append(state)
        distance = [-1] * len(self.arcs)
        queue = deque(self.finals)
        for state in self.finals:
            distance[state] = 0
        while queue:
            state = queue.popleft()
            for source in incoming[state]:
                if distance[source] < 0:
                    distance[source] = distance[state] + 1
                    queue.append(source)
        return distance

    def sample(self, rng: random.Random, stop: float = 0.5) -> list[str]:
        """A random path: at a final state it ends with probability `stop`; every arc out of a state is as likely as the others."""
        state, out = self.start, []
        while True:
            arcs = self.arcs[state]
            if state in self.finals and (not arcs or rng.random() < stop):
                return out
            label = rng.choice(sorted(arcs))
            out.append(label)
            state = arcs[label]

    def covering_paths(self) -> Iterator[list[str]]:
        """Paths which together take every arc at least once: shortest way to a new arc, on along new arcs, shortest way out."""
        way: list[tuple[int, str] | None] = [None] * len(self.arcs)
        order, seen = deque([self.start]), {self.start}
        while order:
            state = order.popleft()
            for label, target in self.arcs[state].items():
                if target not in seen:
                    seen.add(target)
                    way[target] = (state, label)
                    order.append(target)
        distance = self.distances_to_final()
        fresh = [set(arcs) for arcs in self.arcs]
        for first in range(len(self.arcs)):
            while fresh[first]:
                path, state = [], first
                while way[state] is not None:
                    state, label = way[state]
                    path.append(label)
                path.reverse()
                state = first
                for _ in range(60):                      # long enough to be useful, short enough to be an utterance
                    if not fresh[state]:
                        break
                    label = min(fresh[state])
                    fresh[state].discard(label)
                    path.append(label)
                    state = self.arcs[state][label]
                while state not in self.finals:
                    label = min(self.arcs[state], key=lambda x: (distance[self.arcs[state][x]], x))
                    fresh[state].discard(label)
                    path.append(label)
                    state = self.arcs[state][label]
                yield path


WordAutomaton = Automaton
CharAutomaton = Automaton


@dataclass
class Network:
    """A nondeterministic network; each arc is (label or None, output or None, target, weight).

    Weights are relative to the other arcs of a state.
    """

    arcs: list[list[tuple[str | None, object, int, float]]] = field(default_factory=list)
    start: int = 0
    finals: set[int] = field(default_factory=set)

    def state(self) -> int:
        self.arcs.append([])
        return len(self.arcs) - 1

    def arc(self, source: int, label: str | None, target: int, output: object = None, weight: float = 1.0) -> None:
        self.arcs[source].append((label, output, target, weight))

    def path(self, source: int, labels: Sequence[str], target: int) -> None:
        """The labels one after the other; none: straight on."""
        for label in labels[:-1]:
            at = self.state()
            self.arc(source, label, at)
            source = at
        self.arc(source, labels[-1] if labels else None, target)

    def embed(self, automaton: Automaton, source: int, target: int, output=lambda label: None) -> None:
        """A copy of the automaton between two states."""
        copy = [self.state() for _ in automaton.arcs]
        self.arc(source, None, copy[automaton.start])
        for state, arcs in enumerate(automaton.arcs):
            for label, to in arcs.items():
                self.arc(copy[state], label, copy[to], output(label))
        for state in automaton.finals:
            self.arc(copy[state], None, target)

    def determinized(self) -> Automaton:
        """The minimal automaton of the labels; outputs are dropped."""
        closures: dict[int, frozenset[int]] = {}

        def closure(state: int) -> frozenset[int]:
            if state not in closures:
                seen, stack = {state}, [state]
                while stack:
                    for label, _output, target, _weight in self.arcs[stack.pop()]:
                        if label is None and target not in seen:
                            seen.add(target)
                            stack.append(target)
                # only states that consume or end matter
                closures[state] = frozenset(
                    s for s in seen if s in self.finals or any(arc[0] is not None for arc in self.arcs[s]))
            return closures[state]

        first = closure(self.start)
        number = {first: 0}
        arcs: list[dict[str, int]] = [{}]
        finals: set[int] = set()
        queue = deque([first])
        while queue:
            subset = queue.popleft()
            here = number[subset]
            if not subset.isdisjoint(self.finals):
                finals.add(here)
            targets: dict[str, set[int]] = {}
            for state in subset:
                for label, _output, target, _weight in self.arcs[state]:
                    if label is not None:
                        targets.setdefault(label, set()).add(target)
            for label, reached in targets.items():
                whole = frozenset().union(*(closure(t) for t in reached))
                if whole not in number:
                    number[whole] = len(arcs)
                    arcs.append({})
                    queue.append(whole)
                arcs[here][label] = number[whole]
        return minimized(0, arcs, finals)


def minimized(start: int, arcs: list[dict[str, int]], finals: set[int]) -> Automaton:
    """Trim, then merge states of one future; numbered breadth first."""
    useful = set(finals)
    incoming: list[list[int]] = [[] for _ in arcs]
    for state, out in enumerate(arcs):
        for target in out.values():
            incoming[target].append(state)
    stack = list(finals)
    while stack:
        for source in incoming[stack.pop()]:
            if source not in useful:
                useful.add(source)
                stack.append(source)
    if start not in useful:
        return Automaton(0, [{}], frozenset())
    kept = [{label: t for label, t in sorted(out.items()) if t in useful} for out in arcs]
    block = _coarsest_partition(kept, finals, useful)
    renumber: dict[int, int] = {block[start]: 0}
    out: list[dict[str, int]] = [{}]
    ends: set[int] = set()
    queue = deque([start])
    while queue:
        s = queue.popleft()
        here = renumber[block[s]]
        if s in finals:
            ends.add(here)
        for label, t in kept[s].items():
            if block[t] not in renumber:
                renumber[block[t]] = len(out)
                out.append({})
                queue.append(t)
            out[here][label] = renumber[block[t]]
    return Automaton(0, out, frozenset(ends))


def _coarsest_partition(arcs: list[dict[str, int]], finals: set[int], states: set[int]) -> list[int]:
    """Block number of each state (Hopcroft 1971: a block is split by the smaller half of what it leads to)."""
    seeds: dict[tuple, set[int]] = {}
    incoming: list[list[tuple[str, int]]] = [[] for _ in arcs]
    for s in states:
        seeds.setdefault((s in finals, tuple(arcs[s])), set()).add(s)
        for label, t in arcs[s].items():
            incoming[t].append((label, s))
    blocks = list(seeds.values())
    block = [-1] * len(arcs)
    for number, members in enumerate(blocks):
        for s in members:
            block[s] = number
    waiting = set(range(len(blocks)))
    while waiting:
        sources: dict[str, set[int]] = {}
        for t in blocks[waiting.pop()]:
            for label, s in incoming[t]:
                sources.setdefault(label, set()).add(s)
        for reached in sources.values():
            hit: dict[int, set[int]] = {}
            for s in reached:
                hit.setdefault(block[s], set()).add(s)
            for number, part in hit.items():
                if len(part) == len(blocks[number]):
                    continue
                blocks[number] -= part
                blocks.append(part)
                new = len(blocks) - 1
                for s in part:
                    block[s] = new
                waiting.add(new if number in waiting or len(part) <= len(blocks[number]) else number)
    return block


OPEN, CLOSE = "number begins", "number ends"


class Compiler:
    """Networks and automata of the rules of a grammar set.

    A rule of a grammar called "numbers" that is used from outside is a number: its words become outputs
    between OPEN and CLOSE. A number named in `digits` (short name) may also be one label "#rule"; with `punctuation`
    the rule named "pause" may be the label ",". Tags become outputs ("tag", text).
    """

    def __init__(self, grammars: jsgf.GrammarSet, digits: frozenset[str] = frozenset(), punctuation: bool = False):
        self.grammars = grammars
        self.digits = digits
        self.punctuation = punctuation
        self._numbers: dict[str, Automaton] = {}

    @staticmethod
    def is_number(name: str) -> bool:
        return ".numbers." in f".{name}"

    def number(self, name: str) -> Automaton:
        """The minimal automaton of one number rule."""
        if name not in self._numbers:
            network = Network()
            network.start, end = network.state(), network.state()
            network.finals = {end}
            self._add(network, self.grammars.rules[name].expansion, network.start, end, inside=True)
            self._numbers[name] = network.determinized()
        return self._numbers[name]

    def network(self, name: str | None = None) -> Network:
        """The network of one rule, of the top rule unless told."""
        network = Network()
        network.start, end = network.state(), network.state()
        network.finals = {end}
        self._add(network, jsgf.Reference(name or self.grammars.top), network.start, end, inside=False)
        return network

    def _add(self, network: Network, node: jsgf.Expansion, source: int, target: int, inside: bool) -> None:
        match node:
            case jsgf.Token(text):
                network.arc(source, text, target)
            case jsgf.Null():
                network.arc(source, None, target)
            case jsgf.Void():
                pass
            case jsgf.Reference(name) if self.is_number(name):
                first, last = (source, target) if inside else (network.state(), network.state())
                if not inside:
                    network.arc(source, None, first, (OPEN, name))
                    network.arc(last, None, target, (CLOSE, name))
                network.embed(self.number(name), first, last, (lambda label: None) if inside else (lambda label: ("word", label)))
                if not inside and name.rpartition(".")[2] in self.digits:
                    network.arc(source, "#" + name.rpartition(".")[2], target)
            case jsgf.Reference(name):
                if self.punctuation and name.rpartition(".")[2] == "pause":
                    network.arc(source, ",", target)
                self._add(network, self.grammars.rules[name].expansion, source, target, inside)
            case jsgf.Tagged(item, tag):
                middle = network.state()
                self._add(network, item, source, middle, inside)
                network.arc(middle, None, target, ("tag", tag))
            case jsgf.Sequence(items):
                for item in items[:-1]:
                    middle = network.state()
                    self._add(network, item, source, middle, inside)
                    source = middle
                self._add(network, items[-1], source, target, inside)
            case jsgf.Alternatives(items, weights) if weights:
                choice = network.state()
                network.arc(source, None, choice)
                for item, weight in zip(items, weights):
                    begin = network.state()
                    network.arc(choice, None, begin, weight=weight)
                    self._add(network, item, begin, target, inside)
            case jsgf.Alternatives(items):
                for item in items:
                    self._add(network, item, source, target, inside)
            case jsgf.Optional(item):
                network.arc(source, None, target)
                self._add(network, item, source, target, inside)
            case jsgf.Repeat(item, at_least):
                first, last = network.state(), network.state()
                network.arc(source, None, first)
                self._add(network, item, first, last, inside)
                network.arc(last, None, first)
                network.arc(last, None, target)
                if at_least == 0:
                    network.arc(source, None, target)
            case _:
                raise TypeError(node)
