"""The language of the bay: the grammar files compiled, in the forms the recognizers take."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path

from hoodnote.language import jsgf, shop
from hoodnote.language.automaton import Automaton, Compiler, Network, WordAutomaton
from hoodnote.language.kept import kept
from hoodnote.language.walker import Walker
from hoodnote.language.weights import arc_probabilities
from hoodnote.resources import folder


@dataclass(frozen=True, eq=False)
class Language:
    """Everything derived from one grammar set; each form is made once, when first asked for. A language equals itself only."""

    grammars: jsgf.GrammarSet                  # the taught phrases among them
    taught: tuple[shop.Taught, ...] = ()

    @cached_property
    def compiler(self) -> Compiler:
        return Compiler(self.grammars)

    @cached_property
    def network(self) -> Network:
        """Words with the tags as outputs: what the statement parser walks."""
        return self.compiler.network()

    @cached_property
    def walker(self) -> Walker:
        return Walker(self.network)

    @cached_property
    def automaton(self) -> WordAutomaton:
        return WordAutomaton.kept("words", self.taught, lambda: self.network.determinized())

    @cached_property
    def words(self) -> frozenset[str]:
        return self.automaton.labels

    def number(self, rule: str) -> Automaton:
        """The automaton of a number rule by its short name, e.g. "pressure". Raises KeyError."""
        return self.compiler.number(self.number_rules[rule])

    @cached_property
    def number_rules(self) -> dict[str, str]:
        """Short to full names of the public number rules."""
        return {name.rpartition(".")[2]: name for name, rule in self.grammars.rules.items()
                if rule.public and Compiler.is_number(name)}

    def flat_jsgf(self, rule: str | None = None) -> str:
        """One self-contained JSGF text of a rule (full name; the top rule unless told) with its weights, without its tags.

        pocketsphinx joins every end of a statement to every beginning of the next when it compiles the top rule itself,
        which takes it half a minute; give it `fsg()`.
        """
        def short(name: str) -> str:
            return name.removeprefix("hoodnote.").replace(".", "_")

        top = rule or self.grammars.top
        needed, queue = {top}, [top]
        while queue:
            for node in jsgf.walk(self.grammars.rules[queue.pop()].expansion):
                if isinstance(node, jsgf.Reference) and node.name not in needed:
                    needed.add(node.name)
                    queue.append(node.name)
        lines = ["#JSGF V1.0;", "grammar hoodnote;"]
        for name, found in self.grammars.rules.items():
            if name in needed:
                mark = "public " if name == top else ""
                lines.append(f"{mark}<{short(name)}> = {jsgf.format_expansion(found.expansion, short)};")
        return "\n".join(lines) + "\n"

    @cached_property
    def probabilities(self) -> list[tuple[dict[str, float], float]]:
        """Per state of `automaton`: ({word: probability}, probability to end), from the weights of the grammar."""
        return [(words, end) for words, end in kept("probabilities", self.taught, lambda: arc_probabilities(self.network, self.automaton))]

    def fsg(self, name: str = "bay") -> str:
        """The minimal automaton as the text of a CMU Sphinx finite-state grammar, with the grammar's weights."""
        automaton = self.automaton
        end = len(automaton.arcs)
        lines = [f"FSG_BEGIN {name}", f"NUM_STATES {end + 1}", f"START_STATE {automaton.start}", f"FINAL_STATE {end}"]
        for state, (words, silent) in enumerate(self.probabilities):
            lines += [f"TRANSITION {state} {automaton.arcs[state][word]} {p:.6g} {word}" for word, p in words.items()]
            if state in automaton.finals:
                lines.append(f"TRANSITION {state} {end} {silent:.6g}")
        return "\n".join([*lines, "FSG_END", ""])

    def phrases(self) -> list[str]:
        """Phrases for a recognizer that makes a small n-gram of them: every word, every pair of neighbours, and no other pair."""
        pairs = {(a, b) for arcs in self.automaton.arcs for a, target in arcs.items() for b in self.automaton.arcs[target]}
        paired = {w for pair in pairs for w in pair}
        return sorted(" ".join(p) for p in pairs) + sorted(self.words - paired)


_shop_lexicon: Path | None = None


def use_shop_lexicon(path: Path | None) -> None:
    """From now on `load` gives the language with what this file teaches; None: the installed grammars alone.

    The file is read when the language is first asked for, so that a damaged one only stops what needs the language.
    """
    global _shop_lexicon
    _shop_lexicon = path
    _taught.cache_clear()


@lru_cache(maxsize=1)
def _taught() -> tuple[shop.Taught, ...]:
    return shop.read(_shop_lexicon) if _shop_lexicon is not None else ()


def load() -> Language:
    """The language in use. Raises GrammarError when a grammar file is damaged, HoodnoteError when the shop's lexicon is."""
    return language_with(_taught())


@lru_cache(maxsize=3)
def language_with(taught: tuple[shop.Taught, ...]) -> Language:
    """The language of the installed grammars and of the taught phrases. Raises as `load`."""
    return Language(shop.extended(jsgf.load_grammars(folder("grammars") / "bay.jsgf"), taught), taught)
