"""Words that a shop taught: what it calls a place, a part or an action, beside the wordings of the grammars.

They lie in a TOML file of the shop and become further alternatives of the grammar rules before anything is compiled,
so that every recognizer, typed text and the list of phrases know them alike.

    [[word]]
    say = "beer can"
    means = "accumulator"                    # a place, part or action; "part:accumulator" is the part alone
    sounds = { zerk = ["Z ER K"] }           # optional: ARPAbet phones of a word, without stress marks
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Set
from dataclasses import dataclass, field, replace
from pathlib import Path

from hoodnote.errors import HoodnoteError
from hoodnote.language import jsgf
from hoodnote.language.automaton import Compiler
from hoodnote.language.lexicon import PHONES
from hoodnote.whole import write_whole

KINDS = {"place": "place", "part": "item", "action": "action"}       # as a person says it -> the tag of the grammars
_PHRASE = re.compile(r"[a-z]+(?:'[a-z]+)*(?: [a-z]+(?:'[a-z]+)*){0,3}")
_CONNECTING = frozenset("at for from in into is of on out the to with".split())
_MOST_OUTPUTS = 600
_HEAD = """\
# What this shop calls things, besides what hoodnote knows. Kept by "hoodnote teach"; it may be edited by hand.
"""


Ways = dict[tuple[str, ...], set[str]] | None     # tags said -> wordings; None: too many, or without an end


@dataclass(frozen=True)
class Taught:
    """`means` is an id of a place, part or action, or one of these behind "place:", "part:", "action:"."""

    say: str
    means: str
    sounds: tuple[tuple[str, tuple[str, ...]], ...] = ()     # word -> ways to pronounce it
    where: str = field(default="", compare=False)            # file and line, for what is wrong with it

    @property
    def words(self) -> tuple[str, ...]:
        return tuple(self.say.split())

    def tags(self) -> set[str]:
        """The tags of the grammars that the phrase may stand for."""
        kind, colon, name = self.means.rpartition(":")
        return {f"{tag}={name}" for label, tag in KINDS.items() if not colon or kind == label}


def phrase_of(text: str) -> str:
    """Small letters, single spaces, hyphens as spaces. Raises HoodnoteError for what cannot be taught."""
    phrase = " ".join(text.lower().replace("-", " ").replace("’", "'").split())
    if not _PHRASE.fullmatch(phrase):
        raise HoodnoteError(f'"{text}" cannot be taught: write one to four words in plain letters, numbers as words have their own meaning')
    return phrase


def phones_of(text: str) -> str:
    """Raises HoodnoteError unless these are ARPAbet phones; stress marks are dropped."""
    phones = [re.sub(r"[012]$", "", p) for p in text.upper().split()]
    if not phones or not PHONES.issuperset(phones):
        raise HoodnoteError(f'"{text}" is no pronunciation: write ARPAbet phones with spaces between, for instance "Z ER K"')
    return " ".join(phones)


# the file --------------------------------------------------------------------------------------------------

def read(path: Path) -> tuple[Taught, ...]:
    """None taught when there is no such file. Raises HoodnoteError naming file and line."""
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except FileNotFoundError:
        return ()
    except OSError as e:
        raise HoodnoteError(f"{path} cannot be read: {e.strerror or e}") from None
    except UnicodeDecodeError:
        raise HoodnoteError(f"{path} is not UTF-8 text; mend it or move it away") from None
    except tomllib.TOMLDecodeError as e:
        raise HoodnoteError(f"{path} is no readable TOML: {_one_line(str(e))}; mend that line or move the file away") from None
    lines = [n for n, line in enumerate(text.splitlines(), 1) if re.match(r"\s*\[\[\s*word\s*\]\]", line)]
    tables = data.get("word", [])
    if set(data) - {"word"} or not isinstance(tables, list) or len(lines) != len(tables):
        raise HoodnoteError(f"{path} line 1: write every word below its own [[word]] line, and nothing else")
    out: list[Taught] = []
    for line, table in zip(lines, tables):
        try:
            taught = replace(_taught(table), where=f"{path} line {line}: ")
            if any(t.say == taught.say for t in out):
                raise HoodnoteError(f'"{taught.say}" is taught twice')
        except HoodnoteError as e:
            raise HoodnoteError(f"{path} line {line}: {e}") from None
        out.append(taught)
    return tuple(out)


def _taught(table: object) -> Taught:
    if not isinstance(table, dict) or not {"say", "means"} <= set(table) <= {"say", "means", "sounds"}:
        raise HoodnoteError("a [[word]] has say = \"...\" and means = \"...\", and may have sounds = { word = [\"PHONES\"] }")
    say, means, sounds = table["say"], table["means"], table.get("sounds", {})
    if not isinstance(say, str) or not isinstance(means, str):
        raise HoodnoteError("say and means are texts in quotes")
    phrase = phrase_of(say)
    if not isinstance(sounds, dict) or not all(isinstance(ways, list) and ways and all(isinstance(w, str) for w in ways) for ways in sounds.values()):
        raise HoodnoteError("sounds gives a list of pronunciations for a word: sounds = { zerk = [\"Z ER K\"] }")
    if strange := sorted(set(sounds) - set(phrase.split())):
        raise HoodnoteError(f'"{strange[0]}" in sounds is no word of "{phrase}"')
    return Taught(phrase, means, tuple((word, tuple(phones_of(w) for w in ways)) for word, ways in sounds.items()))


def write(path: Path, taught: Iterable[Taught]) -> None:
    """Whole or not at all. Raises OSError. What was edited by hand stays but for comments."""
    parts = [_HEAD]
    for t in taught:
        sounds = ", ".join(f"{json.dumps(word)} = {json.dumps(list(ways))}" for word, ways in t.sounds)
        parts.append(f"[[word]]\nsay = {json.dumps(t.say)}\nmeans = {json.dumps(t.means)}\n" + (f"sounds = {{ {sounds} }}\n" if sounds else ""))
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    write_whole(path, "\n".join(parts).encode("utf-8"), 0o644)


def _one_line(text: str) -> str:
    return " ".join(text.split())


# the grammar -----------------------------------------------------------------------------------------------

def extended(grammars: jsgf.GrammarSet, taught: Iterable[Taught]) -> jsgf.GrammarSet:
    """The grammars with the taught phrases as alternatives.

    Raises HoodnoteError for a meaning that cannot be said alone, and for words that figures, units or hoodnote itself need.
    """
    plain = grammars
    for t in taught:
        if (reason := _reserved(plain, t.words)) is not None:
            raise HoodnoteError(f'{t.where}"{t.say}" cannot be taught: {reason}')
        extender = _Extender(grammars, t.tags(), t.words)
        rules = {name: extender.rule(rule) for name, rule in grammars.rules.items()}
        if rules == grammars.rules:
            raise HoodnoteError(f'{t.where}"{t.means}" is no place, part or action that a word can stand for; '
                                "hoodnote teach --list all shows what can")
        grammars = jsgf.GrammarSet(grammars.top, rules)
    return grammars


def _reserved(grammars: jsgf.GrammarSet, words: tuple[str, ...]) -> str | None:
    """Why the words cannot stand in a taught phrase, None when they can."""
    numbers = {node.text for name, rule in grammars.rules.items() if Compiler.is_number(name)
               for node in jsgf.walk(rule.expansion) if isinstance(node, jsgf.Token)}
    units = set(_tokens_under(grammars, "unit")) - _CONNECTING
    for word in words:
        if word in numbers:
            return f'"{word}" is said in numbers'
        if word in units:
            return f'"{word}" is said in units'
    if _CONNECTING.issuperset(words):
        return "it needs a word of its own"
    commands = control_wordings(grammars)
    spoken = f" {' '.join(words)} "
    for command in sorted({"correction"}.union(*commands.values())):
        if f" {command} " in spoken:
            return f'"{command}" is a word to hoodnote itself'
    return None


def control_wordings(grammars: jsgf.GrammarSet) -> dict[str, set[str]]:
    """Control id -> its phrases."""
    found: dict[str, set[str]] = {}
    extender = _Extender(grammars)
    for rule in grammars.rules.values():
        if rule.name.startswith("hoodnote.control."):
            for out, said in (extender.ways(rule.expansion) or {}).items():
                if len(out) == 1 and out[0].startswith("control="):
                    found.setdefault(out[0].partition("=")[2], set()).update(said)
    return found


def wordings(grammars: jsgf.GrammarSet) -> dict[str, set[str]]:
    """Tag -> the phrases that now stand for it, where a taught phrase could stand."""
    extender = _Extender(grammars)
    for rule in grammars.rules.values():
        extender.rule(rule)
    return {tag: phrases - {""} for tag, phrases in extender.seen.items()}


class _Extender:
    """Goes through rules and finds where a phrase means one tag and nothing else; there a taught phrase may stand instead."""

    def __init__(self, grammars: jsgf.GrammarSet, tags: Set[str] = frozenset(), words: tuple[str, ...] = ()):
        self.grammars, self.tags, self.words = grammars, tags, words
        self.seen: dict[str, set[str]] = {}
        self._memo: dict[str, Ways] = {}

    def rule(self, rule: jsgf.Rule) -> jsgf.Rule:
        if Compiler.is_number(rule.name):
            return rule
        return jsgf.Rule(rule.name, rule.public, self._branch(rule.expansion, statement=True), rule.line)

    def _branch(self, node: jsgf.Expansion, statement: bool) -> jsgf.Expansion:
        """`statement`: nothing was said before the node in its rule; an action is a phrase of its own only there."""
        match node:
            case jsgf.Alternatives(items, weights):
                return jsgf.Alternatives(tuple(self._branch(item, statement) for item in items), weights)
            case jsgf.Reference():
                return node                          # its own rule is looked at
        if (inner := self._one_that_counts(node)) is not None:
            return jsgf.Sequence(tuple(self._branch(item, statement) if i == inner else item for i, item in enumerate(node.items)))
        here = {out[0]: said for out, said in (self.ways(node) or {}).items() if self._is_meaning(out, said, statement)}
        if here:
            for tag, phrases in here.items():
                self.seen.setdefault(tag, set()).update(phrases)
            added = [jsgf.Tagged(_sequence(self.words), tag) for tag in sorted(self.tags & here.keys())]
            return jsgf.Alternatives((node, *added)) if added else node
        match node:
            case jsgf.Sequence(items):
                return jsgf.Sequence(tuple(self._branch(item, False) for item in items))
            case jsgf.Optional(item):
                return jsgf.Optional(self._branch(item, False))
        return node

    @staticmethod
    def _is_meaning(out: tuple[str, ...], said: set[str], statement: bool) -> bool:
        if len(out) != 1:
            return False
        kind = out[0].partition("=")[0]
        if kind == "action" and not statement:
            return False
        return kind in KINDS.values() and any(not _CONNECTING.issuperset(phrase.split()) for phrase in said)

    def _one_that_counts(self, node: jsgf.Expansion) -> int | None:
        """The item of a sequence that alone carries the meaning, all around it being such as "at", or left out at will."""
        if not isinstance(node, jsgf.Sequence):
            return None
        counting = [i for i, item in enumerate(node.items) if not self._idle(item)]
        return counting[0] if len(counting) == 1 else None

    def _idle(self, item: jsgf.Expansion) -> bool:
        plain = (self.ways(item) or {}).get(())
        return plain is not None and ("" in plain or all(_CONNECTING.issuperset(phrase.split()) for phrase in plain))

    def ways(self, node: jsgf.Expansion) -> Ways:
        """Tags said -> wordings; None where there are too many or the node may go on for ever."""
        match node:
            case jsgf.Token(text):
                return {(): {text}}
            case jsgf.Null():
                return {(): {""}}
            case jsgf.Void():
                return {}
            case jsgf.Reference(name) if Compiler.is_number(name):
                return {("figure",): {"#"}}
            case jsgf.Reference(name):
                return self._of_rule(name)
            case jsgf.Tagged(item, tag):
                inner = self.ways(item)
                return None if inner is None else {(*out, tag): said for out, said in inner.items()}
            case jsgf.Optional(item):
                return _union([{(): {""}}, self.ways(item)])
            case jsgf.Alternatives(items):
                return _union([self.ways(item) for item in items])
            case jsgf.Sequence(items):
                whole: dict[tuple[str, ...], set[str]] | None = {(): {""}}
                for item in items:
                    whole = _product(whole, self.ways(item))
                return whole
        return None

    def _of_rule(self, name: str) -> Ways:
        if name not in self._memo:
            self._memo[name] = self.ways(self.grammars.rules[name].expansion)
        return self._memo[name]


def _sequence(words: tuple[str, ...]) -> jsgf.Expansion:
    tokens = tuple(jsgf.Token(word) for word in words)
    return tokens[0] if len(tokens) == 1 else jsgf.Sequence(tokens)


def _union(parts: Iterable[Ways]) -> Ways:
    out: dict[tuple[str, ...], set[str]] = {}
    for part in parts:
        if part is None:
            return None
        for tags, said in part.items():
            out[tags] = out.get(tags, set()) | said
    return out if sum(map(len, out.values())) <= _MOST_OUTPUTS else None


def _product(first: Ways, second: Ways) -> Ways:
    if first is None or second is None:
        return None
    out: dict[tuple[str, ...], set[str]] = {}
    for a, said_a in first.items():
        for b, said_b in second.items():
            if len(said_a) * len(said_b) > _MOST_OUTPUTS:
                return None
            out.setdefault((*a, *b), set()).update(f"{x} {y}".strip() for x in said_a for y in said_b)
    return out if sum(map(len, out.values())) <= _MOST_OUTPUTS else None


def _tokens_under(grammars: jsgf.GrammarSet, tag_name: str) -> Iterator[str]:
    """Words that a tag of this name is written behind."""
    for rule in grammars.rules.values():
        for node in jsgf.walk(rule.expansion):
            if isinstance(node, jsgf.Tagged) and node.tag.partition("=")[0] == tag_name:
                yield from (x.text for x in jsgf.walk(node.item) if isinstance(x, jsgf.Token))
