"""The compiled language: minimal automaton, and the same language in every recognizer's own form."""

from __future__ import annotations

import random
from pathlib import Path

import pocketsphinx
import pytest

from hoodnote.errors import HoodnoteError
from hoodnote.language import lexicon
from hoodnote.language.ambiguity import find_ambiguity
from hoodnote.language.automaton import Automaton, Compiler, Network
from hoodnote.language.grammar import load
from hoodnote.language.jsgf import GrammarSet, link, parse_grammar
from hoodnote.language.surface import Surface, load_surface


def small(body: str) -> GrammarSet:
    grammar = parse_grammar(f"#JSGF V1.0;\ngrammar t;\n{body}")
    return GrammarSet("t.r", link({"t": grammar}))


def automaton(body: str) -> Automaton:
    return Compiler(small(body)).network().determinized()


def test_automaton_of_a_small_grammar_is_minimal():
    # (a|b)* a b b: the four states of the textbook example, Aho, Sethi, Ullman, Compilers (1986), section 3.9
    found = automaton("public <r> = (a | b)* a b b;")
    assert len(found.arcs) == 4 and len(found.finals) == 1
    assert found.accepts("a b a b b".split()) and not found.accepts("a b b a".split())


def test_equivalence_and_its_counterexample():
    one, two = automaton("public <r> = a (b | c)+;"), automaton("public <r> = a (b | c) (c | b)*;")
    assert one.equivalent(two) is None
    more = automaton("public <r> = a (b | c)*;")
    assert one.equivalent(more) == ("a",)
    assert automaton("public <r> = a b;").equivalent(automaton("public <r> = a c;")) in (("a", "b"), ("a", "c"))


def test_what_two_automata_both_accept():
    # strings over a, b with an even number of a, and those that end in b (textbook product construction)
    even, ends = automaton("public <r> = (b | a b* a)* ;"), automaton("public <r> = (a | b)* b;")
    both = even.intersected(ends)
    assert both.equivalent(automaton("public <r> = (b | a b* a)* b;")) is None
    assert even.intersected(automaton("public <r> = c;")).equivalent(Automaton(0, [{}], frozenset())) is None


def test_a_path_in_a_network_takes_its_labels_in_order():
    network = Network()
    start, end, other = network.state(), network.state(), network.state()
    network.start, network.finals = start, {end}
    network.path(start, ("a", "b", "c"), end)
    network.path(start, (), other)
    network.path(other, ("d",), end)
    assert network.determinized().equivalent(automaton("public <r> = a b c | d;")) is None


def test_covering_paths_take_every_arc():
    language = load().automaton
    taken = set()
    for path in language.covering_paths():
        state = language.start
        for word in path:
            taken.add((state, word))
            state = language.arcs[state][word]
        assert state in language.finals
    assert taken == {(s, w) for s, arcs in enumerate(language.arcs) for w in arcs}


def test_size_stays_small():
    assert len(load().automaton.arcs) < 20000
    assert len(load_surface().char_automaton.arcs) < 50000


def test_no_utterance_has_two_meanings():
    assert find_ambiguity(load().network) is None


@pytest.mark.parametrize("body, words", [
    ("public <r> = <x> | a {place=q}; <x> = a {place=p};", ["a"]),
    ("public <r> = (a {p} | a b {q} | b c {s} | c {t})+;", ["a", "b", "c"]),
    ("public <r> = a {p} b | (a b) {p} | a b {q} c;", None),
])
def test_ambiguity_is_found_where_it_is(body, words):
    assert find_ambiguity(Compiler(small(body)).network()) == words


def fsg_automaton(path: Path) -> Automaton:
    """A finite-state grammar as pocketsphinx writes it."""
    network = Network()
    for line in path.read_text().splitlines():
        key, *rest = line.split()
        if key in ("NUM_STATES", "N"):
            for _ in range(int(rest[0])):
                network.state()
        elif key in ("START_STATE", "S"):
            network.start = int(rest[0])
        elif key in ("FINAL_STATE", "F"):
            network.finals = {int(rest[0])}
        elif key in ("TRANSITION", "T"):
            network.arc(int(rest[0]), rest[3] if len(rest) > 3 else None, int(rest[1]))
    return network.determinized()


@pytest.fixture(scope="module")
def decoder(tmp_path_factory) -> pocketsphinx.Decoder:
    path = tmp_path_factory.mktemp("dict") / "bay.dict"
    path.write_text("".join(f"{word}{f'({i})' if i > 1 else ''} {phones}\n"
                            for word, ways in lexicon.pronunciations(load().words).items() for i, phones in enumerate(ways, 1)))
    return pocketsphinx.Decoder(pocketsphinx.Config(lm=None, dict=str(path), loglevel="ERROR"))


def test_pocketsphinx_reads_exactly_our_language(decoder, tmp_path):
    (tmp_path / "bay.fsg").write_text(load().fsg())
    model = decoder.read_fsg(str(tmp_path / "bay.fsg"))
    model.writefile(str(tmp_path / "read.fsg"))
    assert fsg_automaton(tmp_path / "read.fsg").equivalent(load().automaton) is None
    decoder.add_fsg("bay", model)               # refuses a word that its dictionary lacks
    decoder.activate_search("bay")


@pytest.mark.parametrize("rule", ["hoodnote.readings.gauge_reading", "hoodnote.readings.temperature_reading", "hoodnote.steps.step",
                                  "hoodnote.vehicle.fact", "hoodnote.control.control", "hoodnote.readings.circuit_reading"])
def test_pocketsphinx_compiles_our_jsgf_to_the_same_language(decoder, tmp_path, rule):
    (tmp_path / "rule.gram").write_text(load().flat_jsgf(rule))
    grammar = pocketsphinx.Jsgf(str(tmp_path / "rule.gram"))
    top = grammar.get_rule("hoodnote." + rule.removeprefix("hoodnote.").replace(".", "_"))
    grammar.build_fsg(top, decoder.get_logmath(), 1.0).writefile(str(tmp_path / "rule.fsg"))
    assert fsg_automaton(tmp_path / "rule.fsg").equivalent(load().compiler.network(rule).determinized()) is None


def test_flat_grammar_is_our_language():
    """The top rule itself takes pocketsphinx half a minute; its flat text is read back by our own reader, which the test above ties to it."""
    grammar = parse_grammar(load().flat_jsgf())
    flat = GrammarSet("hoodnote.bay_utterance", link({grammar.name: grammar}))
    assert Compiler(flat).network().determinized().equivalent(load().automaton) is None


def test_probabilities_of_the_finite_state_grammar_sum_to_one():
    sums: dict[int, float] = {}
    for line in load().fsg().splitlines():
        if line.startswith("TRANSITION"):
            _, state, _, p, *_ = line.split()
            assert 0 < float(p) <= 1
            sums[int(state)] = sums.get(int(state), 0) + float(p)
    assert len(sums) == len(load().automaton.arcs)
    assert all(abs(total - 1) < 1e-3 for total in sums.values())


def test_phrases_hold_the_words_and_neighbours_of_the_language_and_no_others():
    language = load().automaton
    phrases = [tuple(p.split()) for p in load().phrases()]
    assert {w for p in phrases for w in p} == load().words
    pairs = {p for p in phrases if len(p) == 2}
    rng = random.Random(7)
    for _ in range(2000):
        said = language.sample(rng)
        assert pairs.issuperset(zip(said, said[1:]))
    for pair in pairs:
        assert any(language.walk(pair, state) is not None for state in range(len(language.arcs))), pair


def test_characters_spell_exactly_the_language_in_words():
    chars, words = Surface(load(), {}, frozenset()).char_automaton, sorted(load().words)     # without written forms, some of which are words
    network, number = Network(), {}

    def node(state: int) -> int:
        """Network state for the character state right after a word."""
        if state not in number:
            number[state] = network.state()
            queue.append(state)
        return number[state]

    queue: list[int] = []
    network.start = network.state()
    for w in words:
        if (after := chars.walk(w)) is not None:
            network.arc(network.start, w, node(after))
    while queue:
        state = queue.pop()
        if state in chars.finals:
            network.finals.add(number[state])
        if (gap := chars.walk(" ", state)) is not None:
            for w in words:
                if (after := chars.walk(w, gap)) is not None:
                    network.arc(number[state], w, node(after))
    assert network.determinized().equivalent(load().automaton) is None


def test_every_word_has_a_pronunciation_and_ours_are_needed():
    assert set(lexicon.pronunciations(load().words)) == load().words
    ours = lexicon.read_dictionary(Path(lexicon.folder("grammars")) / "trade.dict")
    bundled = lexicon.read_dictionary(lexicon.bundled_dictionary())
    assert set(ours) <= load().words, "a pronunciation for a word that cannot be said"
    assert set(ours).isdisjoint(bundled), "the bundled dictionary has it already"


def test_missing_pronunciations_and_bad_lines_are_named(tmp_path):
    with pytest.raises(HoodnoteError, match="no pronunciation for xyzzyx"):
        lexicon.pronunciations(["low", "xyzzyx"])
    (tmp_path / "x.dict").write_text("amps AE M P S\nvolts V OW1 L T S\n")
    with pytest.raises(HoodnoteError, match="x.dict:2"):
        lexicon.read_dictionary(tmp_path / "x.dict")
