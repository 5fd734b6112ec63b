"""Has any utterance two meanings? An exact answer for the whole grammar, not a sample.

Two walkers take the same words through the network at once. Where their outputs part for good and both can still
reach the end on common words, the utterance is ambiguous (the test for functional transducers of
Blattner and Head 1977, by pairs of states and their pending output).
"""

from __future__ import annotations

from collections import deque

from hoodnote.language.automaton import CLOSE, OPEN, Network
from hoodnote.language.walker import Walker

_PARTED = ("parted",)
_LONGEST_DELAY = 24


def _plain(outputs: tuple) -> tuple:
    """Outputs without the names of number rules: which rule said a number does not change its meaning."""
    return tuple((o[0],) if o[0] in (OPEN, CLOSE) else o for o in outputs)


def _pending(first: tuple, second: tuple) -> tuple[tuple, tuple] | tuple[str]:
    """What one walker has said and the other not yet; parted when neither is the beginning of the other."""
    n = min(len(first), len(second))
    if first[:n] != second[:n] or max(len(first), len(second)) - n > _LONGEST_DELAY:
        return _PARTED
    return first[n:], second[n:]


def find_ambiguity(network: Network) -> list[str] | None:
    """The words of a shortest ambiguous utterance, None when every utterance has one meaning."""
    walker = Walker(network)
    ways: dict[int, tuple[dict, list]] = {}

    def step(state: int) -> tuple[dict, list]:
        if state not in ways:
            words, ends = walker.step(state)
            ways[state] = ({w: sorted({(_plain(o), t) for o, t in arcs}, key=repr) for w, arcs in words.items()},
                           sorted({_plain(e) for e in ends}, key=repr))
        return ways[state]

    first = (network.start, network.start, ((), ()))
    seen = {first}
    queue: deque[tuple[tuple, tuple | None]] = deque([(first, None)])
    while queue:
        (a, b, pending), trail = queue.popleft()
        words_a, ends_a = step(a)
        words_b, ends_b = step(b)
        for end_a in ends_a:
            for end_b in ends_b:
                if pending is _PARTED or _pending(pending[0] + end_a, pending[1] + end_b) != ((), ()):
                    found = []
                    while trail is not None:
                        word, trail = trail
                        found.append(word)
                    return found[::-1]
        for word, arcs_a in words_a.items():
            for out_a, to_a in arcs_a:
                for out_b, to_b in words_b.get(word, ()):
                    now = _PARTED if pending is _PARTED else _pending(pending[0] + out_a, pending[1] + out_b)
                    pair = (to_a, to_b, now)
                    if to_a > to_b:                            # a pair is looked at from one side only
                        pair = (to_b, to_a, now if now is _PARTED else (now[1], now[0]))
                    if pair not in seen:
                        seen.add(pair)
                        queue.append((pair, (word, trail)))
    return None
