"""A parser for the JSpeech Grammar Format (JSGF) 1.0, W3C Note of 5 June 2000.

`parse_grammar` reads one grammar text, `load_grammars` a top file with everything it imports.
Recursion is refused: the recognizers need a finite automaton, and `*` and `+` say what tail recursion would.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from hoodnote.errors import HoodnoteError


class GrammarError(HoodnoteError):
    """A grammar file that cannot be used; the message begins with file:line."""


@dataclass(frozen=True)
class Token:
    text: str


@dataclass(frozen=True)
class Reference:
    name: str                      # as written, later the full name
    line: int = field(default=0, compare=False)


@dataclass(frozen=True)
class Sequence:
    items: tuple[Expansion, ...]


@dataclass(frozen=True)
class Alternatives:
    items: tuple[Expansion, ...]
    weights: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Optional:
    item: Expansion


@dataclass(frozen=True)
class Repeat:
    item: Expansion
    at_least: int                  # 0 for *, 1 for +


@dataclass(frozen=True)
class Tagged:
    item: Expansion
    tag: str


@dataclass(frozen=True)
class Null:
    """<NULL>: always matched, without a word."""


@dataclass(frozen=True)
class Void:
    """<VOID>: never matched."""


Expansion = Token | Reference | Sequence | Alternatives | Optional | Repeat | Tagged | Null | Void


@dataclass(frozen=True)
class Rule:
    name: str
    public: bool
    expansion: Expansion
    line: int = field(default=0, compare=False)


@dataclass(frozen=True)
class Grammar:
    name: str                                # full name, "package.grammar"
    file: str
    imports: tuple[tuple[str, int], ...]     # (qualified rule name or "package.grammar.*", line)
    rules: dict[str, Rule]
    version: str = "1.0"
    charset: str | None = None
    locale: str | None = None


@dataclass(frozen=True)
class GrammarSet:
    """All rules of a top grammar and its imports by full name; every Reference holds a full name."""

    top: str
    rules: dict[str, Rule]

    def tags(self) -> set[str]:
        return {node.tag for rule in self.rules.values() for node in walk(rule.expansion) if isinstance(node, Tagged)}


_HEADER = re.compile(r"#JSGF\s+V(\S+?)(?:\s+([^\s;]+))?(?:\s+([^\s;]+))?\s*;")
_LEXEME = re.compile(
    r"""(?P<space>\s+|//[^\n]*|/\*.*?\*/)
      |(?P<weight>/[^/*\s][^/\n]*/)
      |(?P<rule><[^<>\n]*>)
      |(?P<tag>\{(?:\\.|[^\\}])*\})
      |(?P<quoted>"(?:\\.|[^"\\\n])*")
      |(?P<special>[;=|*+()\[\]])
      |(?P<token>(?:(?!//|/\*)[^\s;=|*+<>()\[\]{}"])+)""",
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True)
class _Lexeme:
    kind: str
    text: str
    line: int


class _Reader:
    def __init__(self, text: str, file: str):
        self.file = file
        text = text.removeprefix("\ufeff")
        header = _HEADER.match(text)
        if not header:
            raise GrammarError(f"{file}:1: the file must begin with #JSGF V1.0;")
        self.version, self.charset, self.locale = header.groups()
        if self.version != "1.0":
            raise GrammarError(f"{file}:1: JSGF version {self.version} is not read, write V1.0")
        self.lexemes = list(self._split(text, header.end()))
        self.at = 0

    def _split(self, text: str, at: int) -> Iterator[_Lexeme]:
        line = text.count("\n", 0, at) + 1
        while at < len(text):
            m = _LEXEME.match(text, at)
            if not m:
                what = {"{": "a tag that is never closed", '"': "a quote that is never closed", "<": "a rule name that is never closed",
                        "/": "a comment that is never closed"}.get(text[at], f"an unexpected {text[at]!r}")
                raise GrammarError(f"{self.file}:{line}: {what}")
            if m.lastgroup != "space":
                yield _Lexeme(m.lastgroup, m[0], line)
            line += m[0].count("\n")
            at = m.end()
        yield _Lexeme("end", "the end of the file", line)

    def error(self, message: str, line: int | None = None) -> GrammarError:
        return GrammarError(f"{self.file}:{self.now.line if line is None else line}: {message}")

    @property
    def now(self) -> _Lexeme:
        return self.lexemes[self.at]

    def take(self, text: str | None = None, kind: str | None = None, what: str | None = None) -> _Lexeme:
        x = self.now
        if (text is not None and x.text != text) or (kind is not None and x.kind != kind):
            raise self.error(f"expected {what or repr(text)}, found {x.text!r}")
        self.at += 1
        return x

    def is_special(self, text: str) -> bool:
        return self.now.kind == "special" and self.now.text == text

    def grammar(self) -> Grammar:
        self.take("grammar", what="the line 'grammar <name>;'")
        name = self.take(kind="token", what="the grammar's name").text
        self.take(";")
        imports: list[tuple[str, int]] = []
        while self.now.text == "import":
            self.take()
            x = self.now
            # <package.grammar.*> arrives as one lexeme; the star is part of the name
            imports.append((self._rule_name(allow_star=True), x.line))
            self.take(";")
        rules: dict[str, Rule] = {}
        while self.now.kind != "end":
            rule = self.rule()
            if rule.name in rules:
                raise self.error(f"rule <{rule.name}> is defined twice, first on line {rules[rule.name].line}", rule.line)
            rules[rule.name] = rule
        return Grammar(name, self.file, tuple(imports), rules, self.version, self.charset, self.locale)

    def _rule_name(self, allow_star: bool = False) -> str:
        x = self.take(kind="rule", what="a <rule name>")
        name = x.text[1:-1].strip()
        plain = name.removesuffix(".*") if allow_star else name
        if not plain or re.search(r"[\s;=|*()\[\]{}\"]", plain):
            raise self.error(f"{x.text} is not a rule name", x.line)
        return name

    def rule(self) -> Rule:
        line = self.now.line
        public = self.now.kind == "token" and self.now.text == "public"
        if public:
            self.take()
        name = self._rule_name()
        if name in ("NULL", "VOID") or "." in name:
            raise self.error(f"<{name}> cannot be defined here", line)
        self.take("=")
        expansion = self.alternatives()
        if not self.is_special(";"):
            raise self.error(f"expected ';' at the end of rule <{name}>, found {self.now.text!r}")
        self.take()
        return Rule(name, public, expansion, line)

    def alternatives(self) -> Expansion:
        items, weights = [], []
        line = self.now.line
        while True:
            weights.append(self._weight())
            items.append(self.sequence())
            if not self.is_special("|"):
                break
            self.take()
        if any(w is not None for w in weights):
            if any(w is None for w in weights):
                raise self.error("weights must stand before every alternative of a choice or before none", line)
            if len(items) > 1 and not sum(weights) > 0:
                raise self.error("one weight of a choice must be above zero", line)
        if len(items) == 1:
            return items[0]
        return Alternatives(tuple(items), None if weights[0] is None else tuple(weights))

    def _weight(self) -> float | None:
        if self.now.kind != "weight":
            return None
        x = self.take()
        try:
            value = float(x.text[1:-1])
        except ValueError:
            value = -1.0
        if not 0 <= value < float("inf"):
            raise self.error(f"{x.text} is not a weight (a number of at least zero between slashes)", x.line)
        return value

    def sequence(self) -> Expansion:
        items = []
        while (item := self.unary()) is not None:
            items.append(item)
        if not items:
            raise self.error(f"an expansion is missing before {self.now.text!r} (write <NULL> for nothing)")
        return items[0] if len(items) == 1 else Sequence(tuple(items))

    def unary(self) -> Expansion | None:
        item = self.primary()
        if item is None:
            if self.now.kind == "tag" or (self.now.kind == "special" and self.now.text in "*+"):
                raise self.error(f"{self.now.text!r} has nothing before it to apply to")
            return None
        while True:
            if self.now.kind == "tag":
                item = Tagged(item, re.sub(r"\\(.)", r"\1", self.take().text[1:-1], flags=re.DOTALL).strip())
            elif self.is_special("*") or self.is_special("+"):
                item = Repeat(item, 0 if self.take().text == "*" else 1)
            else:
                return item

    def primary(self) -> Expansion | None:
        x = self.now
        if x.kind == "token":
            self.take()
            return Token(x.text)
        if x.kind == "quoted":
            self.take()
            return Token(re.sub(r"\\(.)", r"\1", x.text[1:-1]))
        if x.kind == "rule":
            name = self._rule_name()
            return Null() if name == "NULL" else Void() if name == "VOID" else Reference(name, x.line)
        if x.kind == "weight":
            raise self.error(f"the weight {x.text} must stand first in its alternative")
        for opening, closing in (("(", ")"), ("[", "]")):
            if self.is_special(opening):
                self.take()
                inner = self.alternatives()
                if not self.is_special(closing):
                    raise self.error(f"expected {closing!r} for the {opening!r} of line {x.line}, found {self.now.text!r}")
                self.take()
                return Optional(inner) if opening == "[" else inner
        return None


def parse_grammar(text: str, file: str = "<text>") -> Grammar:
    """One grammar, names as written. Raises GrammarError "file:line: what is wrong"."""
    return _Reader(text, file).grammar()


def children(node: Expansion) -> tuple[Expansion, ...]:
    match node:
        case Sequence(items) | Alternatives(items):
            return items
        case Optional(item) | Repeat(item) | Tagged(item):
            return (item,)
    return ()


def walk(node: Expansion) -> Iterator[Expansion]:
    yield node
    for child in children(node):
        yield from walk(child)


def replaced(node: Expansion, change) -> Expansion:
    """The tree with every Reference put through `change`."""
    match node:
        case Reference():
            return change(node)
        case Sequence(items):
            return Sequence(tuple(replaced(x, change) for x in items))
        case Alternatives(items, weights):
            return Alternatives(tuple(replaced(x, change) for x in items), weights)
        case Optional(item):
            return Optional(replaced(item, change))
        case Repeat(item, at_least):
            return Repeat(replaced(item, change), at_least)
        case Tagged(item, tag):
            return Tagged(replaced(item, change), tag)
    return node


def load_grammars(top: Path) -> GrammarSet:
    """The top file and everything it imports; grammar "any.package.name" is the file name.jsgf beside it.

    The top rule is the one public rule of the top file. Raises GrammarError.
    """
    grammars: dict[str, Grammar] = {}

    def read(path: Path, wanted: str | None, asked_at: str) -> Grammar:
        try:
            text = path.read_text(encoding="utf-8")
        except OSError as e:
            raise GrammarError(f"{asked_at}: cannot read grammar {path.name}: {e.strerror or e}") from None
        except UnicodeDecodeError:
            raise GrammarError(f"{path.name}:1: the file is not UTF-8 text") from None
        grammar = parse_grammar(text, path.name)
        if wanted and grammar.name != wanted:
            raise GrammarError(f"{path.name}:1: the file holds grammar {grammar.name}, {asked_at} asks for {wanted}")
        grammars[grammar.name] = grammar
        for name, line in grammar.imports:
            owner = name.rpartition(".")[0]
            if owner not in grammars:
                read(path.parent / f"{owner.rpartition('.')[2]}.jsgf", owner, f"{path.name}:{line}")
        return grammar

    first = read(top, None, top.name)
    public = [r.name for r in first.rules.values() if r.public]
    if len(public) != 1:
        raise GrammarError(f"{first.file}:1: the top grammar needs exactly one public rule, it has {len(public)}")
    return GrammarSet(f"{first.name}.{public[0]}", link(grammars))


def link(grammars: dict[str, Grammar]) -> dict[str, Rule]:
    """Full names for all rules and references. Raises GrammarError on a missing, private, ambiguous or recursive rule."""
    rules: dict[str, Rule] = {}
    where: dict[str, str] = {}
    for grammar in grammars.values():
        for name, line in grammar.imports:
            owner, _, rule = name.rpartition(".")
            if owner not in grammars:
                raise GrammarError(f"{grammar.file}:{line}: grammar {owner} is not at hand")
            found = grammars[owner].rules.get(rule)
            if rule != "*" and (found is None or not found.public):
                raise GrammarError(f"{grammar.file}:{line}: grammar {owner} has no public rule <{rule}>")

        def resolve(ref: Reference, grammar: Grammar = grammar) -> Reference:
            return Reference(_full_name(ref, grammar, grammars), ref.line)

        for rule in grammar.rules.values():
            full = f"{grammar.name}.{rule.name}"
            rules[full] = Rule(full, rule.public, replaced(rule.expansion, resolve), rule.line)
            where[full] = f"{grammar.file}:{rule.line}"
    _refuse_recursion(rules, where)
    return rules


def _full_name(ref: Reference, grammar: Grammar, grammars: dict[str, Grammar]) -> str:
    owner, _, name = ref.name.rpartition(".")
    if not owner and name in grammar.rules:
        return f"{grammar.name}.{name}"
    candidates = set()
    for imported, _line in grammar.imports:
        source, _, rule = imported.rpartition(".")
        if owner and owner not in (source, source.rpartition(".")[2]):
            continue
        if rule in ("*", name) and name in grammars[source].rules and grammars[source].rules[name].public:
            candidates.add(f"{source}.{name}")
    if owner in (grammar.name, grammar.name.rpartition(".")[2]) and name in grammar.rules:
        candidates.add(f"{grammar.name}.{name}")
    if not candidates:
        raise GrammarError(f"{grammar.file}:{ref.line}: no rule <{ref.name}> here and no import brings a public one")
    if len(candidates) > 1:
        raise GrammarError(f"{grammar.file}:{ref.line}: <{ref.name}> could be any of {', '.join(sorted(candidates))}; write the full name")
    return candidates.pop()


def _refuse_recursion(rules: dict[str, Rule], where: dict[str, str]) -> None:
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        if name in trail:
            loop = " -> ".join(f"<{x.rpartition('.')[2]}>" for x in (*trail[trail.index(name):], name))
            raise GrammarError(f"{where[name]}: recursion {loop} is not supported, say it with * or +")
        if name not in done:
            for node in walk(rules[name].expansion):
                if isinstance(node, Reference):
                    visit(node.name, (*trail, name))
            done.add(name)

    for name in rules:
        visit(name, ())


def format_expansion(node: Expansion, rename=lambda name: name) -> str:
    """JSGF text of an expansion; `rename` maps full rule names to the names to write. Tags are left out."""
    def inner(node: Expansion, tight: bool) -> str:
        match node:
            case Token(text):
                return text if re.fullmatch(r"[\w'.-]+", text) else '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
            case Reference(name):
                return f"<{rename(name)}>"
            case Null():
                return "<NULL>"
            case Void():
                return "<VOID>"
            case Tagged(item):
                return inner(item, tight)
            case Optional(item):
                return f"[ {inner(item, False)} ]"
            case Repeat(item, at_least):
                return f"( {inner(item, False)} ){'+' if at_least else '*'}"
            case Sequence(items):
                text = " ".join(inner(x, True) for x in items)
                return f"( {text} )" if tight else text
            case Alternatives(items, weights):
                marks = [f"/{w:g}/ " for w in weights] if weights else [""] * len(items)
                return "( " + " | ".join(m + inner(x, True) for m, x in zip(marks, items)) + " )"
        raise TypeError(node)

    return inner(node, False)
