"""The weights of a grammar as probabilities on the arcs of its automaton."""

from __future__ import annotations

from hoodnote.language.automaton import Automaton, Network


def arc_probabilities(network: Network, automaton: Automaton, rest: float = 0.25) -> list[tuple[dict[str, float], float]]:
    """Per state of the network's automaton: ({label: probability}, probability to end).

    The network is taken as a random speaker who chooses by the weights; the probabilities are his expected choices,
    followed until he has fallen silent with probability 1 - `rest`. Ways of a probability below 1e-6 are dropped; an arc has at least that.
    """
    ways: dict[int, tuple[tuple[tuple[str, int, float], ...], float]] = {}
    alike: dict[tuple, tuple] = {}       # states of the same choices, such as the ends of all steps, are followed as one

    def choices(state: int) -> tuple[tuple[tuple[str, int, float], ...], float]:
        if state not in ways:
            words: dict[tuple[str, int], float] = {}
            silent, stack = 0.0, [(state, 1.0)]
            while stack:
                at, p = stack.pop()
                arcs = network.arcs[at]
                total = sum(arc[3] for arc in arcs) + (at in network.finals)
                if at in network.finals:
                    silent += p / total
                for label, _output, target, weight in arcs:
                    share = p * weight / total
                    if label is not None:
                        words[label, target] = words.get((label, target), 0.0) + share
                    elif share > 1e-7:
                        stack.append((target, share))
            found = tuple((label, target, round(share, 12)) for (label, target), share in sorted(words.items())), round(silent, 12)
            ways[state] = alike.setdefault(found, found)
        return ways[state]

    counts = [dict.fromkeys(arcs, 1e-6) for arcs in automaton.arcs]
    ends = [1e-6 if s in automaton.finals else 0.0 for s in range(len(automaton.arcs))]
    first = choices(network.start)
    speaking = {(id(first), automaton.start): (first, 1.0)}
    while sum(p for _, p in speaking.values()) > rest:
        after: dict[tuple[int, int], tuple[tuple, float]] = {}
        for (_, place), ((words, silent), p) in speaking.items():
            ends[place] += p * silent
            arcs, count = automaton.arcs[place], counts[place]
            for label, target, share in words:
                count[label] += p * share
                then = choices(target)
                key = (id(then), arcs[label])
                after[key] = (then, (after[key][1] if key in after else 0.0) + p * share)
        speaking = {key: value for key, value in after.items() if value[1] > 1e-6}
    out = []
    for count, end in zip(counts, ends):
        total = sum(count.values()) + end
        out.append(({label: n / total for label, n in count.items()}, end / total))
    return out
