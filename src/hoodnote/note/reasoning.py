"""Causes, claims, comparisons and ledgers as ready lines. What stood on a figure that is in question now keeps its figures back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hoodnote.checks.model import Claim, Comparison, Evidence, Ledger, Ranking
from hoodnote.note import words
from hoodnote.note.ground import Ground
from hoodnote.note.model import CauseLine, CheckLine, ClaimLine, ComparisonLine, EvidenceLine, LedgerEntry, LedgerTable, Reasoning
from hoodnote.note.sections import is_in_ledger
from hoodnote.statements.vocabulary import FACTS

_MOST_CHECKS = 3


def reasoning(ground: Ground, ranking: Ranking | None) -> Reasoning | None:
    """A ranking of which one piece of evidence no longer stands is kept back as a whole: its probabilities belong to another record."""
    if ranking is None:
        return None
    keep = ground.without_doubtful
    footings = [ground.footing(e.basis) for c in ranking.causes for e in (*c.supports, *c.contradicts)]
    if not all(stands for stands, _ in footings):
        questions = sorted({n for _, numbers in footings for n in numbers})
        return Reasoning((), (), (f"No candidate causes are given. {ground.lost(questions)}",))
    causes = tuple(CauseLine(c.id, keep(c.name), words.chance(c.probability), round(c.probability, 3), _evidence(ground, c.supports),
                             _evidence(ground, c.contradicts), tuple(map(keep, c.missing)), keep(c.confirm), c.source) for c in ranking.causes)
    checks = tuple(CheckLine(n.id, keep(n.text), keep(n.why), round(n.gain_bits, 2), n.minutes, keep(n.caution))
                   for n in ranking.next_checks[:_MOST_CHECKS])
    return Reasoning(causes, checks, tuple(f"{words.capital(keep(x)).rstrip('.')}." for x in ranking.limits))


def _evidence(ground: Ground, found: Iterable[Evidence]) -> tuple[EvidenceLine, ...]:
    """The weightiest first; what lost its ground is left out."""
    standing = sorted((e for e in found if ground.footing(e.basis)[0]), key=lambda e: -abs(e.weight))
    return tuple(EvidenceLine(ground.without_doubtful(e.text), words.strength(e.weight), tuple(e.basis)) for e in standing)


def claims(ground: Ground, found: Iterable[Claim]) -> tuple[ClaimLine, ...]:
    """Of conclusions that stand; one that is in question is a question and nothing else."""
    return tuple(_claim(ground, c) for c in found if ground.footing((c.entry,))[0])


def _claim(ground: Ground, c: Claim) -> ClaimLine:
    keep, support, missing = ground.without_doubtful, c.support.value, c.missing
    footings = [ground.footing(e.basis) for e in (*c.supports, *c.contradicts)]
    if not all(stands for stands, _ in footings):
        support, missing = "not supported", (*missing, "the checks run again")
    return ClaimLine(c.entry, FACTS[c.by], keep(c.text), support, _evidence(ground, c.supports), _evidence(ground, c.contradicts),
                     tuple(map(keep, missing)), c.source)


def comparisons(ground: Ground, found: Iterable[Comparison]) -> tuple[ComparisonLine, ...]:
    lines, keep = [], ground.without_doubtful
    for c in found:
        stands, questions = ground.footing(c.basis)
        if stands:
            lines.append(ComparisonLine(c.id, keep(c.title), keep(c.before), keep(c.after), keep(c.change), c.comparable, c.outcome, keep(c.why),
                                        tuple(c.basis)))
        else:
            lines.append(ComparisonLine(c.id, keep(c.title), "", "", "", False, "not comparable", ground.lost(questions), tuple(c.basis)))
    return tuple(lines)


def ledgers(ground: Ground, found: Iterable[Ledger]) -> tuple[LedgerTable, ...]:
    lines, keep = [], ground.without_doubtful
    for ledger in found:
        footings = [ground.footing(x.basis) for x in ledger.lines]
        if all(stands for stands, _ in footings):
            entries = tuple(LedgerEntry(keep(x.what), keep(x.amount), x.limit, tuple(x.basis)) for x in ledger.lines)
            lines.append(LedgerTable(ledger.id, keep(ledger.title), entries, keep(ledger.total), ledger.closes, keep(ledger.why), ledger.source))
        else:
            questions = sorted({n for _, numbers in footings for n in numbers})
            lines.append(LedgerTable(ledger.id, keep(ledger.title), (), "", None, ground.lost(questions), ledger.source))
    return tuple(lines)


def in_ledgers(ground: Ground, tables: Sequence[LedgerTable]) -> set[int]:
    """Entries that a ledger gives with their own digits."""
    return {words.entry_id(x.entry) for x, _ in ground.usable if is_in_ledger(ground.stated(x), tables)}
