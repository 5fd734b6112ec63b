"""Words of the language to statements.

The network of the grammar is walked with all its readings at once. The grammar is written, and tested, so that
every sequence of words has one meaning; should an edited grammar ever give two, the words are refused, not guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from hoodnote.errors import HoodnoteError
from hoodnote.language.automaton import CLOSE, OPEN
from hoodnote.language.grammar import load
from hoodnote.language.walker import NotSayable
from hoodnote.statements.model import Answer, Control, Correction, Fact, Measured, Plan, Statement, Step, Supply
from hoodnote.language.numbers import words_to_number
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
    answer: bool = False
    announced: bool = False


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
            case "answer" | "announced":
                setattr(draft, name, True)
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
        if draft.answer:
            made.append(Answer(*draft.figures[0]))
        if draft.action:
            made.append(Plan(draft.action) if draft.announced else Step(draft.action, draft.item))
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


def parse(words: Sequence[str], units: str = "us") -> list[Statement]:
    """The statements of a spoken or normalised sequence of words, in the order said.

    `units` ("us" or "metric") fills in a unit that was not said; such a figure has unit_stated False.
    Raises NotSayable for words outside the language.
    """
    return [statement for statement, _ in parse_spans(words, units)]


def parse_spans(words: Sequence[str], units: str = "us") -> list[tuple[Statement, tuple[int, int]]]:
    """As `parse`, each statement with the words it was said in: (index of the first, index after the last)."""
    if units not in DEFAULT_UNITS:
        raise HoodnoteError(f"unit system {units!r} is not known, use us or metric")
    if not words:
        raise NotSayable("nothing was said", 0)
    meanings: dict[tuple[Statement, ...], list[tuple[int, int]]] = {}
    for outputs in load().walker.outputs(words):
        interpreter = _Interpreter(units)
        meanings.setdefault(tuple(interpreter.run(outputs)), interpreter.spans)
    if len(meanings) > 1:
        raise NotSayable(f"this can be taken in {len(meanings)} ways, say it in parts: {' '.join(words)}", len(words))
    (statements, spans), = meanings.items()
    return list(zip(statements, spans, strict=True))
