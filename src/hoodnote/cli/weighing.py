"""What the record supports, in lines for a terminal: candidate causes, stated conclusions, before against after, ledgers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from hoodnote.cli.show import one_line

if TYPE_CHECKING:
    from hoodnote.checks.model import Assessment, Claim, Comparison, Evidence, Ledger, Ranking

_LEADING, _CHECKS = 3, 3


def assessment_lines(assessment: Assessment) -> Iterator[str]:
    """All but the findings, in the order in which a technician needs it."""
    for claim in assessment.claims:
        yield from _claim(claim)
    if assessment.ranking is not None:
        yield from _ranking(assessment.ranking)
    for comparison in assessment.comparisons:
        yield from _comparison(comparison)
    for ledger in assessment.ledgers:
        yield from _ledger(ledger)


def _claim(claim: Claim) -> Iterator[str]:
    from hoodnote.statements.vocabulary import FACTS

    yield f'{claim.support.value.upper()} BY THE RECORD: {FACTS[claim.by]} "{one_line(claim.text)}" (#{claim.entry})'
    yield from _evidence(claim.supports, claim.contradicts)
    if claim.missing:
        yield f"    not on record: {'; '.join(claim.missing)}"


def _ranking(ranking: Ranking) -> Iterator[str]:
    from hoodnote.note.words import chance

    yield "CANDIDATE CAUSES, from the readings given"
    for cause in ranking.causes[:_LEADING]:
        yield f"  {cause.name}: {chance(cause.probability)}"
        yield from _evidence(cause.supports, cause.contradicts)
        yield f"    would confirm it: {cause.confirm}"
    for limit in ranking.limits:
        yield f"    {limit}"
    if ranking.next_checks:
        yield "NEXT MOST TELLING CHECKS"
    for check in ranking.next_checks[:_CHECKS]:
        yield f"  {check.text} (about {check.minutes:g} min): {check.why}"
        if check.caution:
            yield f"    caution: {check.caution}"


def _evidence(supports: Iterable[Evidence], contradicts: Iterable[Evidence]) -> Iterator[str]:
    for label, found in (("for", supports), ("against", contradicts)):
        texts = [f"{e.text} ({', '.join(f'#{n}' for n in e.basis)})" for e in found]
        if texts:
            yield f"    {label}: {'; '.join(texts)}"


def _comparison(comparison: Comparison) -> Iterator[str]:
    yield f"{comparison.outcome.upper()}: {comparison.title}, before against after"
    figures = "; ".join(f"{name} {text}" for name, text in (("before", comparison.before), ("after", comparison.after),
                                                            ("change", comparison.change)) if text)
    yield f"    {comparison.why}"
    if figures:
        yield f"    {figures}"


def _ledger(ledger: Ledger) -> Iterator[str]:
    state = {True: "closes", False: "does not close", None: "cannot tell whether it closes"}[ledger.closes]
    yield f"LEDGER: {one_line(ledger.title)}, {state}"
    for line in ledger.lines:
        yield f"    {one_line(line.what)}: {line.amount}, {line.limit} ({', '.join(f'#{n}' for n in line.basis)})"
    yield from (f"    {one_line(text)}" for text in (ledger.total, ledger.why) if text)
