"""Written text of the language: "Low side 30 PSI, high side 210." and its way back to spoken words.

`CharAutomaton` spells every utterance in words and in written form; `to_words` reads such text, and freer typed text.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property, lru_cache

from hoodnote.errors import HoodnoteError
from hoodnote.language.automaton import Automaton, CharAutomaton, Compiler, Network
from hoodnote.language.grammar import Language, load
from hoodnote.language.walker import NotSayable
from hoodnote.resources import folder
from hoodnote.language.numbers import DIGITS, TEENS, TENS, spoken_forms

_HYPHENATED = frozenset(DIGITS) | frozenset(TEENS) | frozenset(TENS) | {"oh"}
_FIGURE = re.compile(r"-?(?:\d{1,3}(?:,\d{3})+|\d+)?(?:\.\d+)?")
_SEPARATORS = " .,;:-"
_LONGEST_TEXT = 200          # words and figures
_MOST_READINGS = 256         # wordings of one text; beyond them it is refused, since a meaning could be overlooked


@dataclass(frozen=True)
class Figures:
    """Which figures a number rule can say: integer parts lowest..highest, up to so many decimals."""

    lowest: int
    highest: int
    decimals: int
    negative_only: bool = False

    @classmethod
    def of_tag(cls, tag: str) -> Figures:
        try:
            word, low, high, decimals = tag.split()
            if word != "digits":
                raise ValueError
            return cls(int(low), int(high), int(decimals), high == "-0")
        except ValueError:
            raise HoodnoteError(f"the grammar tag {{{tag}}} should read {{digits LOWEST HIGHEST DECIMALS}}") from None

    def holds(self, text: str) -> bool:
        """Is the written figure one of these? Text as of "17,500", "-0.5", ".5"."""
        text = text.replace(",", "")
        negative = text.startswith("-")
        whole, _, decimals = text.lstrip("-").partition(".")
        if len(decimals) > self.decimals or (negative and not decimals and int(whole) == 0):
            return False
        if len(whole) > 1 and whole[0] == "0":
            return False
        n = int(whole or 0)
        if negative:
            return self.lowest < 0 and n <= -self.lowest
        return not self.negative_only and max(self.lowest, 0) <= n <= self.highest

    def automaton(self) -> Automaton:
        """The characters of all these figures."""
        network = Network()
        network.start, end = network.state(), network.state()
        after = network.state()                       # the integer part is done
        network.finals = {end}
        network.arc(after, None, end)
        points = [network.state() for _ in range(self.decimals + 1)]
        if self.decimals:
            network.arc(after, ".", points[0])
            for a, b in zip(points, points[1:]):
                for d in "0123456789":
                    network.arc(a, d, b)
                network.arc(b, None, end)
        if not self.negative_only:
            self._whole(network, network.start, after, max(self.lowest, 0), self.highest)
            if self.decimals and self.lowest <= 0:
                network.arc(network.start, ".", points[0])
        if self.lowest < 0:
            minus, zero = network.state(), network.state()
            network.arc(network.start, "-", minus)
            self._whole(network, minus, after, 1, -self.lowest)
            if self.decimals:
                network.arc(minus, ".", points[0])
                network.arc(minus, "0", zero)
                network.arc(zero, ".", points[0])
        return network.determinized()

    @staticmethod
    def _whole(network: Network, source: int, target: int, low: int, high: int) -> None:
        if high - low <= 100:
            for n in range(low, high + 1):
                _spell(network, str(n), source, target)
            return
        assert low in (0, 1) and set(str(high)[1:]) <= {"9"}, "wide ranges begin at 0 or 1 and end in nines"
        if low == 0:
            network.arc(source, "0", target)
        text = str(high)
        for length in range(1, len(text) + 1):
            top = text[0] if length == len(text) else "9"
            for grouped in (False, True) if length > 3 else (False,):
                at = source
                for i in range(length):
                    if grouped and i and (length - i) % 3 == 0:
                        comma = network.state()
                        network.arc(at, ",", comma)
                        at = comma
                    to = target if i == length - 1 else network.state()
                    for d in "0123456789":
                        if i or "1" <= d <= top:
                            network.arc(at, d, to)
                    at = to


def _spell(network: Network, text: str, source: int, target: int) -> None:
    for i, c in enumerate(text):
        to = target if i == len(text) - 1 else network.state()
        network.arc(source, c, to)
        source = to


@dataclass(frozen=True, eq=False)
class Surface:
    """The written side of a language."""

    language: Language
    written: dict[str, tuple[str, ...]]         # spoken words -> written forms
    glued: frozenset[str]                       # forms that may touch the figure before them

    @cached_property
    def figures(self) -> dict[str, Figures]:
        """Written figures of each number rule, by short rule name; a rule without its tag has none."""
        out = {}
        for short, full in self.language.number_rules.items():
            expansion = self.language.grammars.rules[full].expansion
            tag = getattr(expansion, "tag", None)
            if tag is not None:
                out[short] = Figures.of_tag(tag)
        return out

    @cached_property
    def tokens(self) -> Automaton:
        """Words, "#rule" for a figure, "," for punctuation."""
        return Automaton.kept("tokens", self.language.taught, self._compiled)

    def _compiled(self) -> Automaton:
        return Compiler(self.language.grammars, digits=frozenset(self.figures), punctuation=True).network().determinized()

    @cached_property
    def forms(self) -> list[list[tuple[str, tuple[str, ...], int]]]:
        """Per state of `tokens`: the (written text, spoken words, next state) possible there."""
        tokens = self.tokens
        out: list[list[tuple[str, tuple[str, ...], int]]] = [[] for _ in tokens.arcs]
        for said, texts in self.written.items():
            words = tuple(said.split())
            for state in range(len(tokens.arcs)):
                target = tokens.walk(words, state)
                if target is not None:
                    out[state] += [(text, words, target) for text in texts]
        return out

    def beginning(self, state: int, initial: str) -> list[tuple[str, tuple[str, ...], int]]:
        """Of the words and the written forms possible there, in small letters, those that begin so: as `forms`."""
        if state not in self._by_initial:
            found: dict[str, list[tuple[str, tuple[str, ...], int]]] = {}
            words = [(label, (label,), target) for label, target in self.tokens.arcs[state].items() if not _is_sign(label)]
            for text, said, target in words + self.forms[state]:
                found.setdefault(text[0].lower(), []).append((text.lower(), said, target))
            self._by_initial[state] = found
        return self._by_initial[state].get(initial, [])

    @cached_property
    def signs(self) -> list[list[tuple[str, int]]]:
        """Per state of `tokens`: "#rule" and "," that are possible there, with the next state."""
        return [[arc for arc in arcs.items() if _is_sign(arc[0])] for arcs in self.tokens.arcs]

    @cached_property
    def _by_initial(self) -> dict[int, dict[str, list[tuple[str, tuple[str, ...], int]]]]:
        return {}

    @cached_property
    def char_automaton(self) -> CharAutomaton:
        """Every spelling: words or written forms, first letters large or small, figures, "," or "." between statements."""
        return CharAutomaton.kept("letters", self.language.taught, self._spelled)

    def _spelled(self) -> CharAutomaton:
        tokens, network = self.tokens, Network()
        before = [network.state() for _ in tokens.arcs]        # a token may begin
        after = [network.state() for _ in tokens.arcs]         # a token has ended
        figure = [network.state() for _ in tokens.arcs]        # a figure has ended
        number = [network.state() for _ in tokens.arcs]        # a number word has ended
        number_next = [network.state() for _ in tokens.arcs]   # a hyphen follows it
        stop = network.state()
        digits = {"#" + rule: figures.automaton() for rule, figures in self.figures.items()}
        network.start = before[tokens.start]
        network.finals = {after[s] for s in tokens.finals} | {stop}
        entries: dict[tuple[str, int], int] = {}

        def entry(text: str, end: int) -> int:
            """The state from which `text` is spelled up to `end`; shared by all who go there."""
            if (text, end) not in entries:
                at = entries[text, end] = network.state()
                if text in digits:
                    network.embed(digits[text], at, end)
                else:
                    _spell(network, text, at, end)
            return entries[text, end]

        def begin(state: int, text: str, end: int, capital: bool = True) -> None:
            network.arc(state, None, entry(text, end))
            if capital and text[0].islower():
                network.arc(state, None, entry(text[0].upper() + text[1:], end))

        for state, arcs in enumerate(tokens.arcs):
            network.arc(after[state], " ", before[state])
            network.arc(figure[state], None, after[state])
            network.arc(number[state], None, after[state])
            network.arc(number[state], "-", number_next[state])
            if state in tokens.finals:
                network.arc(after[state], ".", stop)
            for label, target in arcs.items():
                if label == ",":
                    if tokens.arcs[target]:
                        middle = network.state()
                        network.arc(after[state], ",", middle)
                        network.arc(after[state], ".", middle)
                        network.arc(middle, " ", before[target])
                elif label.startswith("#"):
                    begin(before[state], label, figure[target])
                elif label in _HYPHENATED:
                    begin(before[state], label, number[target])
                    begin(number_next[state], label, number[target], capital=False)
                else:
                    begin(before[state], label, after[target])
            for text, _words, target in self.forms[state]:
                begin(before[state], text, after[target])
                if text in self.glued:
                    begin(figure[state], text, after[target], capital=False)
        return network.determinized()

    def say_figure(self, rule: str, text: str) -> tuple[str, ...] | None:
        """The plainest words of the rule for a written figure, None when the rule cannot say it."""
        if rule not in self.figures or not self.figures[rule].holds(text):
            return None
        number = self.language.number(rule)
        for form in spoken_forms(Decimal(text.replace(",", ""))):
            words = tuple(form.split())
            if number.accepts(words):
                return words
        return None

    def readings(self, text: str) -> tuple[set[tuple[str, ...]], int]:
        """(all word sequences the text can stand for, how many characters could be followed at best).

        Raises NotSayable when they are too many to compare or the text is too long.
        """
        text = tidy(text)
        if len(re.findall(r"[^\W\d]+|\d+", text)) > _LONGEST_TEXT:
            raise NotSayable("the text is too long to read at once; write it in parts", 0)
        reader = _TextReader(self, text)
        return reader.read(), reader.furthest


def _is_sign(label: str) -> bool:
    return label == "," or label.startswith("#")


def tidy(text: str) -> str:
    """Small letters, single spaces, plain minus signs and halves."""
    for old, new in (("−", "-"), ("–", "-"), ("—", "--"), ("½", ".5"), ("¼", ".25"), ("¾", ".75"), ("º", "°"), ("”", '"'), ("’", "'")):
        text = text.replace(old, new)
    text = re.sub(r"(\d) (\.\d)", r"\1\2", re.sub(r"\s+", " ", text))
    return re.sub(r"(?<=\d) 1/2\b", ".5", text).strip().lower().rstrip("!?")


class _TextReader:
    """All ways to read a text as tokens of the language, by position and state."""

    def __init__(self, surface: Surface, text: str):
        self.surface = surface
        self.text = text
        self.furthest = 0
        self._memo: dict[tuple[int, int, bool], frozenset] = {}

    def read(self) -> set[tuple[str, ...]]:
        return set(self._from(self.surface.tokens.start, 0, False))

    def _skip(self, at: int) -> int:
        """Past spaces and punctuation, but never past a sign that could belong to a figure."""
        text = self.text
        while at < len(text):
            before, here, after = text[at - 1:at], text[at], text[at + 1:at + 2]
            if here == "-" and not (before.isalpha() and after.isalpha()):
                break
            if here in ".," and (not before.strip() or after.strip()):
                break
            if here not in " .,;:-":
                break
            at += 1
        return at

    def _ends_word(self, end: int) -> bool:
        return end >= len(self.text) or not (self.text[end].isalnum() and self.text[end - 1].isalnum())

    def _from(self, state: int, at: int, after_figure: bool) -> frozenset:
        key = (state, at, after_figure)
        if key not in self._memo:
            self._memo[key] = frozenset()                  # a text cannot come back to itself; guards punctuation
            self._memo[key] = frozenset(self._search(state, at, after_figure))
        return self._memo[key]

    def _search(self, state: int, at: int, after_figure: bool) -> set[tuple[str, ...]]:
        tokens, text = self.surface.tokens, self.text
        out: set[tuple[str, ...]] = set()
        self.furthest = max(self.furthest, at)
        start = self._skip(at)
        if start >= len(text):
            return {()} if state in tokens.finals or self._ends_by_pause(state) else out
        touching = start == at and at > 0 and not (after_figure or text[at - 1] in _SEPARATORS)
        for label, target in self.surface.signs[state]:
            if label == ",":
                out |= self._from(target, at, False)
            else:
                m = _FIGURE.match(text, start)
                if m and re.search(r"\d", m[0]) and not text[m.end():m.end() + 1].isdigit() and not touching:
                    words = self.surface.say_figure(label[1:], m[0])
                    if words:
                        out |= {words + rest for rest in self._from(target, m.end(), True)}
        for form, words, target in self.surface.beginning(state, text[start]):
            if text.startswith(form, start) and self._ends_word(start + len(form)) and not (touching and form[0].isalnum()):
                out |= {words + rest for rest in self._from(target, start + len(form), False)}
        if len(out) > _MOST_READINGS:
            raise NotSayable("the text can be read in too many ways; write it in parts", start)
        return out

    def _ends_by_pause(self, state: int) -> bool:
        target = self.surface.tokens.arcs[state].get(",")
        return target is not None and target in self.surface.tokens.finals


def load_surface() -> Surface:
    """The written side of the language in use. Raises HoodnoteError when written.toml is damaged."""
    return _surface(load())


@lru_cache(maxsize=2)
def _surface(language: Language) -> Surface:
    path = folder("grammars") / "written.toml"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        return Surface(language, {k: tuple(v) for k, v in data["written"].items()}, frozenset(data["glued"]["units"]))
    except (OSError, tomllib.TOMLDecodeError, KeyError, AttributeError) as e:
        raise HoodnoteError(f"grammars/written.toml cannot be used: {e}") from None


def to_words(text: str) -> list[str] | None:
    """Spoken words for a written text; None when it is outside the language or could mean two things.

    Of several wordings of one meaning the one in fewest words is given.
    """
    from hoodnote.statements.parser import parse     # the parser reads this package's grammar

    try:
        found, _ = load_surface().readings(text)
    except NotSayable:
        return None
    readings = sorted(found, key=lambda words: (len(words), words))
    return list(readings[0]) if len({tuple(parse(words)) for words in readings}) == 1 else None
