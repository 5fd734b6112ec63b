"""GitHub-flavoured Markdown. Every text is escaped, so that what a person said cannot become markup."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from hoodnote.note import layout
from hoodnote.note.model import ClaimLine, Note, Table

_MARKUP = re.compile(r"([\\`*_\[\]<>|~&$@])")


def render(note: Note) -> str:
    return "\n".join(_lines(note)).rstrip() + "\n"


def escaped(text: str) -> str:
    """One line of text as literal Markdown."""
    text = _MARKUP.sub(r"\\\1", " ".join(text.split()))
    text = re.sub(r"^(\d+)([.)])(?=\s|$)", r"\1\\\2", text)
    text = re.sub(r"(?i)(www)\.", r"\1\\.", text).replace("://", ":\\//")     # no links of themselves either
    return re.sub(r"^([-+=#])", r"\\\1", text)


def _lines(note: Note) -> Iterator[str]:
    e = escaped
    yield f"# Job note, work order {e(note.work_order)}, {e(note.date)}"
    yield ""
    for i, field in enumerate(note.summary, 1):
        yield f"{i}. **{e(field.label)}:** {e(field.text)}"
    yield ""
    for claim in layout.doubted(note.claims):
        yield from _claim(claim, "**")
    yield from _grid(("Vehicle and conditions", ""), ((e(f.label), e(layout.field_text(f))) for f in note.header if f.label != "Date"))
    if note.findings:
        yield from _head("Findings and checks")
        yield from _grid(("", "Check", "Expected", "Measured", "Outcome", "Why", "Source"), (
            (f"F{f.number}", e(f.title + (f" ({layout.STAGES[f.stage].lower()})" if f.stage else "")), e(f.expected), e(layout.measured(f)),
             f"**{f.outcome}**" if f.outcome == "outside" else f.outcome, e(layout.why(f)), e(f.source)) for f in note.findings))
    if note.work:
        yield from _head("Work done, in order")
        for stage, lines in layout.by_stage(note.work):
            yield f"- **{stage}:** {'; '.join(e(w.text) for w in lines)}"
        yield ""
    yield from _table("Readings", note, note.readings)
    if note.balance or note.ledgers:
        yield from _head("Refrigerant and oil, in and out")
    for ledger in note.ledgers:
        yield from _grid((e(ledger.title), "Amount", "Limit of error", "Entries"), (
            (e(x.what), e(x.amount), e(x.limit), ", ".join(map(str, x.basis))) for x in ledger.lines))
        yield f"- {f'**{e(ledger.total)}**; ' if ledger.total else ''}{layout.ledger_state(ledger)}. {e(f'{ledger.why} ({ledger.source})')}"
        yield ""
    if note.balance:
        yield from _grid(("", ""), ((e(f.label), e(layout.field_text(f))) for f in note.balance))
    yield from _table("Clutch circuit", note, note.circuit)
    if note.vacuum:
        yield from _head("Vacuum and hold")
        for line in note.vacuum:
            yield f"- {line.phase}: {e(line.text)} ({e(layout.standing(line.stated))})"
        yield ""
    if note.remarks:
        yield from _head("Also stated")
        for s in note.remarks:
            yield f"- {e(s.subject)}: {e(s.full)} ({e(layout.standing(s))})"
        yield ""
    yield from _head("Open questions")
    for q in note.questions:
        yield f"- **Q{q.number} {e(layout.question_head(q))}:** {e(q.text)}"
        for h in q.versions:
            yield f"  - {e(layout.heard_text(h))}"
        yield f"  - {e(layout.place_in_record(q.whence))}"
        for text in q.warnings:
            yield f"  - warning given on it, {e(text)}"
    if not note.questions:
        yield "none"
    yield ""
    if note.free_notes:
        yield from _head(layout.FREE_NOTES)
        for line in note.free_notes:
            yield f"- {e(layout.free_text(line))}"
            yield f"  - {e(layout.place_in_record(line.whence))}, entry {line.entry}"
        yield ""
    yield from _head("Cautions")
    for c in note.cautions:
        yield f"- {e(layout.caution(c))}"
    yield ""
    yield from _weighed(note)
    if note.sources:
        yield from _head("Where every figure came from")
        yield layout.MARGIN_NOTE
        yield ""
        yield from _grid(("Entry", "Statement", "Standing", "From", "Read by"), (
            (str(s.entry), e("; ".join([s.what, *(f"warning given on it, {t}" for t in s.warnings)])), e(layout.source_state(s)),
             e(layout.place_in_record(s.whence)), e(layout.source_readers(s))) for s in note.sources))


def _claim(claim: ClaimLine, mark: str = "") -> Iterator[str]:
    yield f"- {mark}{escaped(layout.claim_head(claim))}{mark}"
    yield from (f"  - {label}: {escaped(text)}" for label, text in layout.claim_parts(claim))
    yield ""


def _weighed(note: Note) -> Iterator[str]:
    e = escaped
    if note.reasoning:
        yield from _head(layout.CAUSES)
        yield f"*{layout.CAUSES_GUIDANCE}*"
        yield ""
        for number, cause in enumerate(note.reasoning.causes[:layout.LEADING], 1):
            yield f"{number}. **{e(cause.name)}**: {e(cause.chance)}"
            yield from (f"   - {label}: {e(text)}" for label, text in layout.cause_parts(cause))
        yield ""
        if others := layout.other_causes(note.reasoning):
            yield from (f"Also considered: {e(others)}", "")
        for limit in note.reasoning.limits:
            yield from (e(limit), "")
        if sources := layout.cause_sources(note.reasoning):
            yield from (f"Source of the chances: {e(sources)}", "")
        if note.reasoning.next_checks:
            yield from _head("Next most telling checks")
            yield from (f"{number}. {e(layout.check_text(check))}" for number, check in enumerate(note.reasoning.next_checks, 1))
            yield ""
    if note.claims:
        yield from _head(layout.CLAIMS)
        for claim in note.claims:
            yield from _claim(claim)
    if note.comparisons:
        yield from _head(layout.COMPARISON)
        common = layout.common_why(note.comparisons)
        yield from _grid(("Quantity", "Before", "After", "Change", "Outcome", *(() if common else ("Why",))), (
            (e(c.title), e(c.before), e(c.after), e(c.change), e(c.outcome), *(() if common else (e(c.why),))) for c in note.comparisons))
        if common:
            yield from (f"All of them: {e(common)}", "")
    if note.plots:
        yield from _head("What the plots show")
        for p in note.plots:
            yield from (f"- {e(p.description)}", "")


def _head(text: str) -> list[str]:
    return [f"## {text}", ""]


def _grid(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield f"|{' --- |' * len(head)}"
    for row in rows:
        yield f"| {' | '.join(row)} |"
    yield ""


def _table(title: str, note: Note, table: Table) -> Iterator[str]:
    if not table.rows:
        return
    yield from _head(title)
    yield from _grid(("", *(layout.STAGES[c] for c in table.columns), "Checks"), (
        (escaped(f"{row.label}, {row.group}"), *("; ".join(escaped(t) for t in layout.cell_texts(c)) for c in row.cells),
         escaped(layout.finding_words(note, row))) for row in table.rows))
