"""Words through a network, with everything its tags say on the way."""

from __future__ import annotations

from collections.abc import Sequence

from hoodnote.errors import HoodnoteError
from hoodnote.language.automaton import Network


class NotSayable(HoodnoteError):
    """The words are not in the language. `at` is the index of the first word that does not fit (the length: too short)."""

    def __init__(self, message: str, at: int):
        super().__init__(message)
        self.at = at


class Walker:
    """All outputs that a network gives for a sequence of words."""

    def __init__(self, network: Network):
        self.network = network
        self._steps: dict[int, tuple[dict[str, list[tuple[tuple, int]]], list[tuple]]] = {}

    def step(self, state: int) -> tuple[dict[str, list[tuple[tuple, int]]], list[tuple]]:
        """(word -> [(outputs, target)], [outputs of ways to the end]) through arcs without words."""
        if state not in self._steps:
            words: dict[str, list[tuple[tuple, int]]] = {}
            ends: list[tuple] = []
            stack, seen = [(state, ())], {(state, ())}
            while stack:
                at, outputs = stack.pop()
                if at in self.network.finals:
                    ends.append(outputs)
                for label, output, target, _weight in self.network.arcs[at]:
                    more = outputs if output is None else (*outputs, output)
                    if label is not None:
                        words.setdefault(label, []).append((more, target))
                    elif (target, more) not in seen:
                        seen.add((target, more))
                        stack.append((target, more))
            self._steps[state] = (words, ends)
        return self._steps[state]

    def outputs(self, words: Sequence[str]) -> set[tuple]:
        """Every output sequence of a complete walk: (output, how many words came before it). Raises NotSayable where the walk ends."""
        # trails are linked lists (earlier, outputs, position) so that walks share their beginnings
        here: dict[int, set] = {self.network.start: {None}}
        for i, word in enumerate(words):
            there: dict[int, set] = {}
            for state, trails in here.items():
                for outputs, target in self.step(state)[0].get(word, ()):
                    there.setdefault(target, set()).update((trail, outputs, i) if outputs else trail for trail in trails)
            if not there:
                raise NotSayable(f"not understood at word {i + 1}: {' '.join(words[:i])} >{word}<", i)
            here = there
        whole = {self._flat((trail, ends, len(words))) for state, trails in here.items() for ends in self.step(state)[1] for trail in trails}
        if not whole:
            raise NotSayable(f"not complete: {' '.join(words)} ...", len(words))
        return whole

    @staticmethod
    def _flat(trail: tuple | None) -> tuple:
        parts = []
        while trail is not None:
            trail, outputs, position = trail
            parts.append((outputs, position))
        return tuple((x, position) for outputs, position in reversed(parts) for x in outputs)
