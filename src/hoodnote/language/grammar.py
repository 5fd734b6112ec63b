"""The language of the bay: the grammar files compiled, in the forms the recognizers take."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

from hoodnote.language import jsgf
from hoodnote.language.automaton import Automaton, Compiler, Network, WordAutomaton
from hoodnote.resources import folder


@dataclass(frozen=True)
class Language:
    """Everything derived from one grammar set; each form is made once, when first asked for."""

    grammars: jsgf.GrammarSet

    @cached_property
    def compiler(self) -> Compiler:
        return Compiler(self.grammars)

    @cached_property
    def network(self) -> Network:
        """Words with the tags as outputs: what the statement parser walks."""
        return self.compiler.network()

    @cached_property
    def automaton(self) -> WordAutomaton:
        return self.network.determinized()

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

    def flat_jsgf(self) -> str:
        """One self-contained JSGF text of the language, with its weights and without its tags."""
        def short(name: str) -> str:
            return name.removeprefix("hoodnote.").replace(".", "_")

        lines = ["#JSGF V1.0;", "grammar hoodnote;"]
        for name, rule in self.grammars.rules.items():
            mark = "public " if name == self.grammars.top else ""
            lines.append(f"{mark}<{short(name)}> = {jsgf.format_expansion(rule.expansion, short)};")
        return "\n".join(lines) + "\n"

    def phrases(self) -> list[str]:
        """Phrases for a recognizer that makes a small n-gram of them: every word, every pair of neighbours, and no other pair."""
        pairs = {(a, b) for arcs in self.automaton.arcs for a, target in arcs.items() for b in self.automaton.arcs[target]}
        paired = {w for pair in pairs for w in pair}
        return sorted(" ".join(p) for p in pairs) + sorted(self.words - paired)


@lru_cache(maxsize=1)
def load() -> Language:
    """The language of the installed grammars. Raises GrammarError when a grammar file is damaged."""
    return Language(jsgf.load_grammars(folder("grammars") / "bay.jsgf"))
