"""The parts of the page that weigh the record: claims, candidate causes, next checks, comparisons, ledgers and plots."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape as e

from hoodnote.note import layout, words
from hoodnote.note.html_words import cell, entry_links, head, kept, section
from hoodnote.note.model import CauseLine, CheckLine, ClaimLine, ComparisonLine, EvidenceLine, LedgerTable, Note, Plot, Reasoning

_CLOSES = {True: "✓", False: "▲", None: "?"}
_LOOKS = {"proved better": "within", "proved worse": "outside"}


def doubted_claims(claims: Sequence[ClaimLine]) -> Iterator[str]:
    """Right under the five lines, where it cannot be missed."""
    found = layout.doubted(claims)
    if found:
        yield from section(layout.DOUBTED_CLAIMS, map(_claim, found), "claims")


def _claim(claim: ClaimLine) -> str:
    parts = "".join(f" <span><i>{label}:</i> {text}.</span>" for label, text in (
        ("against", _evidence(claim.contradicts)), ("for", _evidence(claim.supports)), ("not on record", e("; ".join(claim.missing)))) if text)
    verb = e(layout.claim_head(claim).rpartition(": ")[2])
    sign = "" if claim.support == "supported" else '<span aria-hidden="true">▲</span> '
    source = f' <span class="remark">{e(claim.source)}</span>' if claim.source else ""
    return f'<p><b>{sign}{e(words.capital(claim.by))} “{e(claim.text)}”</b> ({entry_links((claim.entry,))}): <b>{verb}</b>.{parts}{source}</p>'


def _evidence(lines: Sequence[EvidenceLine]) -> str:
    return "; ".join(f'{kept(x.text)} <span class="remark">({", ".join(t for t in (x.strength, entry_links(x.basis)) if t)})</span>' for x in lines)


def weighed(note: Note) -> Iterator[str]:
    """The page after the advisor's: what the readings point to, before against after, and the plots."""
    if not (note.reasoning or note.comparisons or note.plots or note.claims):
        return
    yield '<div class="weighed">'
    if note.reasoning:
        yield from section(layout.CAUSES, _reasoning(note.reasoning), "causes")
    if note.claims:
        yield from section(layout.CLAIMS, map(_claim, note.claims), "held")
    yield from _comparisons(note.comparisons)
    yield from _plots(note.plots)
    yield "</div>"


def _reasoning(reasoning: Reasoning) -> Iterator[str]:
    yield f'<p class="guidance"><b>{e(layout.CAUSES_GUIDANCE)}</b></p>'
    if reasoning.causes:
        yield '<table class="candidates">' + head("Candidate cause", "For", "Against", "Not observed yet", "Would confirm it") + "<tbody>"
        yield from map(_cause, reasoning.causes[:layout.LEADING])
        yield "</tbody></table>"
    others = layout.other_causes(reasoning)
    if others:
        yield f"<p>Also considered: {e(others)}.</p>"
    sources = layout.cause_sources(reasoning)
    remarks = [*reasoning.limits, f"Source of the chances: {sources}."] if sources else reasoning.limits
    if remarks:
        yield f'<p class="remark">{" ".join(map(kept, remarks))}</p>'
    if reasoning.next_checks:
        yield "<h3>Next most telling checks</h3><ol>"
        yield from (f"<li>{_check(x)}</li>" for x in reasoning.next_checks)
        yield "</ol>"


def _cause(cause: CauseLine) -> str:
    none = '<span class="none">nothing on record</span>'
    return (f'<tr><th scope="row"><b>{e(cause.name)}</b><br>{e(cause.chance)}</th>' + cell("For", _evidence(cause.supports) or none)
            + cell("Against", _evidence(cause.contradicts) or none) + cell("Not observed yet", e("; ".join(cause.missing)))
            + cell("Would confirm it", e(cause.confirm)) + "</tr>")


def _check(check: CheckLine) -> str:
    caution = f" <b>Caution: {e(check.caution)}</b>" if check.caution else ""
    return f'<b>{e(check.text)}</b> <span class="remark">(about {check.minutes:g}&nbsp;min)</span>: {e(check.why)}{caution}'


def _comparisons(lines: Sequence[ComparisonLine]) -> Iterator[str]:
    if not lines:
        return
    common = layout.common_why(lines)
    body = ['<table class="compared">' + head("Quantity", "Before", "After", "Change", "Outcome", *(() if common else ("Why",)), "Entries") + "<tbody>"]
    body += [f'<tr class="{_LOOKS.get(c.outcome, "")}"><th scope="row">{e(c.title)}</th>{cell("Before", kept(c.before))}{cell("After", kept(c.after))}'
             f'{cell("Change", kept(c.change))}{cell("Outcome", e(c.outcome), "outcome")}{"" if common else cell("Why", e(c.why))}'
             f'{cell("Entries", entry_links(c.basis))}</tr>' for c in lines]
    body.append("</tbody></table>")
    if common:
        body.append(f"<p>All of them: {e(common)}</p>")
    yield from section(layout.COMPARISON, body, "comparison")


def ledger(table: LedgerTable) -> Iterator[str]:
    state = {True: "", False: ' class="outside"', None: ' class="cannot-tell"'}[table.closes]
    yield f'<div class="account"><table class="ledger"><caption>{e(table.title)}</caption>' + head("What", "Amount", "Limit of error", "Entries") + "<tbody>"
    for x in table.lines:
        yield (f'<tr><th scope="row">{kept(x.what)}</th>{cell("Amount", kept(x.amount))}{cell("Limit of error", kept(x.limit))}'
               f'{cell("Entries", entry_links(x.basis))}</tr>')
    yield "</tbody></table>"
    yield (f'<p{state}><b>{kept(table.total)}</b>{"; " if table.total else ""}<span class="outcome"><span aria-hidden="true">{_CLOSES[table.closes]}</span> '
           f'{layout.ledger_state(table)}</span>. {kept(table.why)} <span class="remark">{e(table.source)}</span></p></div>')


def _plots(plots: Sequence[Plot]) -> Iterator[str]:
    if plots:
        drawn = (f"<figure><h3>{e(p.title)}</h3>{p.svg}<figcaption>{e(p.caption)}</figcaption></figure>" for p in plots)
        yield from section("Plots", ("<div>", *drawn, "</div>"), "plots")
