"""Words of the language to statements.

The network of the grammar is walked with all its readings at once. The grammar is written, and tested, so that
every sequence of words has one meaning; should an edited grammar ever give two, the words are refused, not guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from hoodnote.errors import HoodnoteError
from hoodnote.language.automaton import CLOSE, OPEN, Network
from hoodnote.language.grammar import load
from hoodnote.statements.model import Control, Correction, Fact, Measured, Statement, Step, Supply
from hoodnote.statements.numbers import words_to_number
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import Quantity

DEFAULT_UNITS: dict[str, dict[Quantity, str]] = {
    "us": {Quantity.PRESSURE: "psi", Quantity.TEMPERATURE: "F", Quantity.HUMIDITY: "%", Quantity.ROTATION: "rpm",
           Quantity.DISTANCE: "mi"},
    "metric": {Quantity.PRESSURE: "bar", Quantity.TEMPERATURE: "C", Quantity.HUMIDITY: "%", Quantity.ROTATION: "rpm",
               Quantity.DISTANCE: "km"},
}
# a figure said in two units at once ("one pound four ounces"): smaller units in one of the larger
_COMPOUND = {("lb", "oz"): 16, ("h", "min"): 60}


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


@dataclass
class _Draft:
    """What the tags of one statement have said so far."""

    places: list[str] = field(default_factory=list)
    engine: str | None = None
    figures: list[tuple[Decimal, str | None]] = field(default_factory=list)
    at_minute: Decimal | None = None
    tolerance: Decimal | None = None
    supply: str | None = None
    action: str | None = None
    item: str | None = None
    fact: str | None = None
    value: str | None = None
    control: str | None = None


class _Interpreter:
    """Tags to statements. "static" and "running" hold for the pressures that follow in the same breath."""

    def __init__(self, units: str):
        self.defaults = DEFAULT_UNITS[units]
        self.statements: list[Statement] = []
        self.spans: list[tuple[int, int]] = []
        self.engine: str | None = None
        self.correction = False
        self.draft = _Draft()
        self.words: list[str] | None = None

    def run(self, outputs: tuple) -> list[Statement]:
        begin = 0
        for (kind, text), position in outputs:
            if kind == OPEN:
                self.words = []
            elif kind == CLOSE:
                self.draft.figures.append((words_to_number(self.words), None))
                self.words = None
            elif kind == "word":
                self.words.append(text)
            else:
                self.tag(*text.split("=", 1))
            if text == "end":
                self.spans += [(begin, position)] * (len(self.statements) - len(self.spans))
                begin = position
        return self.statements

    def tag(self, name: str, value: str = "") -> None:
        draft = self.draft
        match name:
            case "place":
                draft.places.append(value)
            case "unit":
                draft.figures[-1] = (draft.figures[-1][0], value)
            case "at_minute":
                draft.at_minute = draft.figures.pop()[0]
            case "tolerance":
                draft.tolerance = draft.figures.pop()[0]
            case "engine" | "supply" | "action" | "item" | "fact" | "value" | "control":
                setattr(draft, name, value)
            case "correction":
                self.correction = True
            case "end":
                self.finish()
                self.correction = False
            case _:
                raise ValueError(f"the grammar holds an unknown tag {{{name}}}")

    def finish(self) -> None:
        draft, self.draft = self.draft, _Draft()
        made: list[Statement] = []
        if draft.control:
            self.statements.append(Control(draft.control))
            self.engine = None
            return
        if draft.action:
            made.append(Step(draft.action, draft.item))
        if draft.fact:
            made.append(Fact(draft.fact, draft.value if draft.value is not None else str(draft.figures[0][0])))
        elif draft.supply:
            made += [Supply(place, draft.supply == "present") for place in draft.places]
        elif draft.places:
            value, unit = self._figure(draft.figures)
            self.engine = (draft.engine or self.engine) if PLACES[draft.places[0]].group == "pressure" else None
            made += [self._measured(place, value, unit, draft) for place in draft.places]
        if not draft.places or draft.supply:
            self.engine = None
        self.statements += [Correction(s) for s in made] if self.correction else made

    @staticmethod
    def _figure(figures: list[tuple[Decimal, str | None]]) -> tuple[Decimal, str | None]:
        if len(figures) == 1:
            return figures[0]
        (large, large_unit), (small, small_unit) = figures
        return large * _COMPOUND[large_unit, small_unit] + small, small_unit

    def _measured(self, place: str, value: Decimal, unit: str | None, draft: _Draft) -> Measured:
        engine = self.engine if place in ("low_side", "high_side") else None
        chosen = unit or next(self.defaults[q] for q in PLACES[place].quantities if q in self.defaults)
        return Measured(place, value, chosen, unit is not None, engine, draft.at_minute, draft.tolerance)


_walker: Walker | None = None


def parse(words: Sequence[str], units: str = "us") -> list[Statement]:
    """The statements of a spoken or normalised sequence of words, in the order said.

    `units` ("us" or "metric") fills in a unit that was not said; such a figure has unit_stated False.
    Raises NotSayable for words outside the language.
    """
    return [statement for statement, _ in parse_spans(words, units)]


def parse_spans(words: Sequence[str], units: str = "us") -> list[tuple[Statement, tuple[int, int]]]:
    """As `parse`, each statement with the words it was said in: (index of the first, index after the last)."""
    global _walker
    if units not in DEFAULT_UNITS:
        raise HoodnoteError(f"unit system {units!r} is not known, use us or metric")
    if _walker is None or _walker.network is not load().network:
        _walker = Walker(load().network)
    if not words:
        raise NotSayable("nothing was said", 0)
    meanings: dict[tuple[Statement, ...], list[tuple[int, int]]] = {}
    for outputs in _walker.outputs(words):
        interpreter = _Interpreter(units)
        meanings.setdefault(tuple(interpreter.run(outputs)), interpreter.spans)
    if len(meanings) > 1:
        raise NotSayable(f"this can be taken in {len(meanings)} ways, say it in parts: {' '.join(words)}", len(words))
    (statements, spans), = meanings.items()
    return list(zip(statements, spans, strict=True))
