"""The JSGF reader against the examples of the JSpeech Grammar Format, W3C Note of 5 June 2000 (quoted from memory)."""

from __future__ import annotations

import pytest

from hoodnote.errors import HoodnoteError
from hoodnote.language import jsgf
from hoodnote.language.automaton import Compiler
from hoodnote.language.jsgf import Alternatives, GrammarError, Null, Optional, Reference, Repeat, Sequence, Tagged, Token, Void


def expansion(text: str) -> jsgf.Expansion:
    return jsgf.parse_grammar(f"#JSGF V1.0;\ngrammar t;\n<r> = {text};").rules["r"].expansion


def language(text: str, rule: str | None = None):
    grammar = jsgf.parse_grammar(text)
    rules = jsgf.link({grammar.name: grammar})
    top = rule or next(r.name for r in grammar.rules.values() if r.public)
    return Compiler(jsgf.GrammarSet(f"{grammar.name}.{top}", rules)).network().determinized()


def words(*items: str) -> tuple[Token, ...]:
    return tuple(Token(x) for x in items)


@pytest.mark.parametrize("header, charset, locale", [
    ("#JSGF V1.0;", None, None), ("#JSGF V1.0 ISO8859-5;", "ISO8859-5", None), ("#JSGF V1.0 JIS ja;", "JIS", "ja")])
def test_headers_of_the_note(header, charset, locale):
    grammar = jsgf.parse_grammar(f"{header}\ngrammar com.acme.politeness;\n<polite> = please;")
    assert (grammar.name, grammar.charset, grammar.locale) == ("com.acme.politeness", charset, locale)


def test_imports_of_the_note():
    grammar = jsgf.parse_grammar("#JSGF V1.0;\ngrammar a;\nimport <com.sun.speech.app.index.1stTo31st>;\n"
                                 "import <com.sun.speech.app.numbers.*>;\n<r> = x;")
    assert [name for name, _line in grammar.imports] == ["com.sun.speech.app.index.1stTo31st", "com.sun.speech.app.numbers.*"]


@pytest.mark.parametrize("text, tree", [
    ("Australia {Oz} | (United States) {USA} | America {USA} | (U S of A) {USA}",
     Alternatives((Tagged(Token("Australia"), "Oz"), Tagged(Sequence(words("United", "States")), "USA"),
                   Tagged(Token("America"), "USA"), Tagged(Sequence(words("U", "S", "of", "A")), "USA")))),
    ("/10/ small | /2/ medium | /1/ large", Alternatives(words("small", "medium", "large"), (10.0, 2.0, 1.0))),
    ("please (/20/save files |/1/delete all files)",
     Sequence((Token("please"), Alternatives((Sequence(words("save", "files")), Sequence(words("delete", "all", "files"))), (20.0, 1.0))))),
    ("/0.5/ a | /2.5e-1/ <b>", Alternatives((Token("a"), Reference("b")), (0.5, 0.25))),
    ("please (open {OPEN} | close {CLOSE}) the file",
     Sequence((Token("please"), Alternatives((Tagged(Token("open"), "OPEN"), Tagged(Token("close"), "CLOSE"))), *words("the", "file")))),
    ("<polite>* don't crash", Sequence((Repeat(Reference("polite"), 0), *words("don't", "crash")))),
    ("<polite>+ don't crash", Sequence((Repeat(Reference("polite"), 1), *words("don't", "crash")))),
    ("[please] don't crash", Sequence((Optional(Token("please")), *words("don't", "crash")))),
    ('the "New York" subway', Sequence(words("the", "New York", "subway"))),
    (r'"a \"quoted\" \\ token"', Token(r'a "quoted" \ token')),
    (r"x {a \} and a \\ here}", Tagged(Token("x"), r"a } and a \ here")),
    ("x {one} {two}", Tagged(Tagged(Token("x"), "one"), "two")),
    ("a b {t} | c*", Alternatives((Sequence((Token("a"), Tagged(Token("b"), "t"))), Repeat(Token("c"), 0)))),
    ("<NULL> | <VOID>", Alternatives((Null(), Void()))),
    ("a /* between */ b // to the end\n", Sequence(words("a", "b"))),
])
def test_expansions_of_the_note(text, tree):
    assert expansion(text) == tree


COMMANDS = """#JSGF V1.0;
grammar com.acme.commands;
public <basicCmd> = <startPolite> <command> <endPolite>;
<command> = <action> <object>;
<action> = /10/ open |/2/ close |/1/ delete |/1/ move;
<object> = [the | a] (window | file | menu);
<startPolite> = (please | kindly | could you | oh  mighty computer) *;
<endPolite> = [ please | thanks | thank you ];
"""


def test_simple_command_and_control_of_the_note():
    automaton = language(COMMANDS)
    for said in ("open a window", "please close the menu thanks", "could you please oh mighty computer delete file thank you"):
        assert automaton.accepts(said.split()), said
    for unsaid in ("open window the", "window", "please", "open the a file", "thanks open file"):
        assert not automaton.accepts(unsaid.split()), unsaid


def test_two_files_resolve_names_as_in_the_note(tmp_path):
    body = COMMANDS.splitlines()
    (tmp_path / "politeness.jsgf").write_text("#JSGF V1.0;\ngrammar com.acme.politeness;\n" + "\n".join("public " + x for x in body[-2:]))
    (tmp_path / "commands.jsgf").write_text("\n".join(
        [*body[:2], "import <com.acme.politeness.startPolite>;", "import <com.acme.politeness.endPolite>;", *body[2:6]]))
    found = jsgf.load_grammars(tmp_path / "commands.jsgf")
    assert "com.acme.politeness.endPolite" in found.rules
    assert Compiler(found).network().determinized().equivalent(language(COMMANDS)) is None


@pytest.mark.parametrize("name", ["<startPolite>", "<politeness.startPolite>", "<com.acme.politeness.startPolite>"])
def test_qualified_names(tmp_path, name):
    (tmp_path / "politeness.jsgf").write_text("#JSGF V1.0;\ngrammar com.acme.politeness;\npublic <startPolite> = please;")
    (tmp_path / "top.jsgf").write_text(f"#JSGF V1.0;\ngrammar top;\nimport <com.acme.politeness.*>;\npublic <r> = {name} go;")
    assert Compiler(jsgf.load_grammars(tmp_path / "top.jsgf")).network().determinized().accepts(["please", "go"])


def test_recursion_of_the_note_is_refused_and_its_loop_is_taken():
    with pytest.raises(GrammarError, match=r"^<text>:3: recursion <command> -> <command> is not supported, say it with \* or \+$"):
        language("#JSGF V1.0;\ngrammar t;\npublic <command> = <action> | (<action> and <command>);\n<action> = stop | start;")
    assert language("#JSGF V1.0;\ngrammar t;\npublic <command> = <action> (and <action>)*;\n<action> = stop | start;").accepts(
        "stop and start and stop".split())


def test_void_blocks_and_null_does_not():
    automaton = language("#JSGF V1.0;\ngrammar t;\npublic <r> = a <VOID> | b <NULL> c;")
    assert automaton.accepts(["b", "c"]) and not automaton.accepts(["a"]) and automaton.labels == {"b", "c"}


@pytest.mark.parametrize("text, message", [
    ("grammar t;", "t:1: the file must begin with #JSGF V1.0;"),
    ("#JSGF V2.0;\ngrammar t;", "t:1: JSGF version 2.0 is not read"),
    ("#JSGF V1.0;\n<r> = a;", "t:2: expected the line 'grammar <name>;'"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = a\n<s> = b;", "t:4: expected ';' at the end of rule <r>"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = ;", "t:3: an expansion is missing before ';'"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = a |;", "t:3: an expansion is missing"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = (a;", r"t:3: expected '\)' for the '\(' of line 3"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = a {tag;", "t:3: a tag that is never closed"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = a /* b;", "t:3: a comment that is never closed"),
    ('#JSGF V1.0;\ngrammar t;\n<r> = "a;\n', "t:3: a quote that is never closed"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = * a;", r"t:3: '\*' has nothing before it"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = /1/ a | b;", "t:3: weights must stand before every alternative"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = /x/ a | /1/ b;", "t:3: /x/ is not a weight"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = /-1/ a | /1/ b;", "t:3: /-1/ is not a weight"),
    ("#JSGF V1.0;\ngrammar t;\n<r> = a;\n<r> = b;", "t:4: rule <r> is defined twice, first on line 3"),
    ("#JSGF V1.0;\ngrammar t;\n<NULL> = b;", "t:3: <NULL> cannot be defined"),
])
def test_a_bad_text_is_refused_with_its_line(text, message):
    with pytest.raises(HoodnoteError, match="^" + message):
        jsgf.parse_grammar(text, "t")


@pytest.mark.parametrize("files, message", [
    ({"top": "public <r> = <missing>;"}, "top.jsgf:3: no rule <missing>"),
    ({"top": "import <p.other.x>;\npublic <r> = <x>;"}, "top.jsgf:3: cannot read grammar other.jsgf"),
    ({"top": "import <p.other.x>;\npublic <r> = <x>;", "other": "<x> = a;"}, "top.jsgf:3: grammar p.other has no public rule <x>"),
    ({"top": "import <p.other.*>;\npublic <r> = <x>;", "other": "<x> = a;"}, "top.jsgf:4: no rule <x>"),
    ({"top": "import <q.other.*>;\npublic <r> = <x>;", "other": "public <x> = a;"}, "other.jsgf:1: the file holds grammar p.other"),
    ({"top": "import <p.a.*>;\nimport <p.b.*>;\npublic <r> = <x>;", "a": "public <x> = a;", "b": "public <x> = b;"},
     "top.jsgf:5: <x> could be any of p.a.x, p.b.x"),
    ({"top": "<r> = a;"}, "top.jsgf:1: the top grammar needs exactly one public rule"),
    ({"top": "public <a> = <b> x;\n<b> = y <a>;"}, "top.jsgf:3: recursion <a> -> <b> -> <a>"),
])
def test_bad_sets_of_files_are_refused(tmp_path, files, message):
    for name, body in files.items():
        (tmp_path / f"{name}.jsgf").write_text(f"#JSGF V1.0;\ngrammar p.{name};\n{body}\n")
    with pytest.raises(GrammarError, match="^" + message):
        jsgf.load_grammars(tmp_path / "top.jsgf")


def test_written_expansions_read_back_alike():
    text = 'a [ b | <c> ] ( /2/ d e | /1/ f* )+ "two words" <NULL>'
    assert expansion(jsgf.format_expansion(expansion(text))) == expansion(text)
