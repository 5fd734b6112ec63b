"""Plain text that pastes into a work order: ASCII for our own words and signs, 78 columns, no boxes."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterator

from hoodnote.note import layout
from hoodnote.note.model import ClaimLine, Note, Table

WIDTH = 78
_SIGNS = str.maketrans({"°": "", "±": "+/-", "→": "->", "Ω": "ohm", "µ": "u", "–": "-", "—": "-", "−": "-", "’": "'", "‘": "'", "“": '"', "”": '"',
                        "…": "...", "×": "x", "·": "-", "≥": ">=", "≤": "<=", "\u00a0": " ", "≈": "about "})


def render(note: Note) -> str:
    return "\n".join(_lines(note)) + "\n"


def plain(text: str) -> str:
    """Our signs in ASCII; letters of a name stay; control and direction characters go."""
    text = " ".join(text.translate(_SIGNS).split())
    return "".join(c for c in text if unicodedata.category(c)[0] != "C")


def _wrap(text: str, indent: str = "", hang: str = "    ") -> list[str]:
    return textwrap.wrap(plain(text), WIDTH, initial_indent=indent, subsequent_indent=indent + hang, break_on_hyphens=False) or [indent.rstrip()]


def _lines(note: Note) -> Iterator[str]:
    yield from _wrap(f"JOB NOTE, work order {note.work_order}, {note.date}")
    yield ""
    for field in note.summary:
        yield from _wrap(f"{field.label.upper()}: {field.text}")
    yield ""
    for claim in layout.doubted(note.claims):
        yield from _claim(claim)
    for field in note.header:
        if field.label != "Date":
            yield from _wrap(f"{field.label}: {layout.field_text(field)}")
    if note.findings:
        yield from _head("Findings and checks")
        for f in note.findings:
            stage = f" ({layout.STAGES[f.stage].lower()})" if f.stage else ""
            yield from _wrap(f"F{f.number} {f.outcome.upper()}: {f.title}{stage}")
            if f.expected or f.measured:
                yield from _wrap(f"expected {f.expected or '-'}; measured {layout.measured(f) or '-'}", "    ", "")
            if layout.why(f):
                yield from _wrap(layout.why(f), "    ", "")
            if f.source:
                yield from _wrap(f"source: {f.source}", "    ", "")
    if note.work:
        yield from _head("Work done, in order")
        for stage, lines in layout.by_stage(note.work):
            yield from _wrap(f"{stage}: {'; '.join(w.text for w in lines)}")
    yield from _table("Readings", note, note.readings)
    if note.balance or note.ledgers:
        yield from _head("Refrigerant and oil, in and out")
        for ledger in note.ledgers:
            yield from _wrap(f"{ledger.title}:")
            for x in ledger.lines:
                yield from _wrap(f"{x.what}: {x.amount}{f', {x.limit}' if x.limit else ''} [{layout.entries(x.basis)}]", "  ")
            yield from _wrap(f"{ledger.total}{'; ' if ledger.total else ''}{layout.ledger_state(ledger)}. {ledger.why} [{ledger.source}]", "  ")
        for field in note.balance:
            yield from _wrap(f"{field.label}: {layout.field_text(field)}")
    yield from _table("Clutch circuit", note, note.circuit)
    if note.vacuum:
        yield from _head("Vacuum and hold")
        for line in note.vacuum:
            yield from _wrap(f"{line.phase}: {line.text} [{layout.standing(line.stated)}]")
    if note.remarks:
        yield from _head("Also stated")
        for s in note.remarks:
            yield from _wrap(f"{s.subject}: {s.full} [{layout.standing(s)}]")
    yield from _head("Open questions")
    for q in note.questions:
        yield from _wrap(f"Q{q.number} {layout.question_head(q)}: {q.text}")
        for h in q.versions:
            yield from _wrap(f"- {layout.heard_text(h)}", "    ", "  ")
        yield from _wrap(layout.place_in_record(q.whence), "    ", "")
        for text in q.warnings:
            yield from _wrap(f"warning given on it, {text}", "    ", "")
    if not note.questions:
        yield "none"
    if note.free_notes:
        yield from _head(layout.FREE_NOTES)
        for line in note.free_notes:
            yield from _wrap(f"- {layout.free_text(line)}", "", "  ")
            yield from _wrap(f"{layout.place_in_record(line.whence)}, entry {line.entry}", "    ", "")
    yield from _head("Cautions")
    for c in note.cautions:
        yield from _wrap(f"- {layout.caution(c)}", "", "  ")
    yield from _weighed(note)
    if note.sources:
        yield from _head("Where every figure came from")
        for s in note.sources:
            yield from _wrap(f"{s.entry}. {s.what} [{layout.source_state(s)}]")
            yield from _wrap(f"{layout.place_in_record(s.whence)}; {layout.source_readers(s)}", "    ", "")
            for text in s.warnings:
                yield from _wrap(f"warning given on it, {text}", "    ", "")


def _claim(claim: ClaimLine) -> Iterator[str]:
    yield from _wrap(layout.claim_head(claim))
    for label, text in layout.claim_parts(claim):
        yield from _wrap(f"{label}: {text}", "    ", "  ")


def _weighed(note: Note) -> Iterator[str]:
    if note.reasoning:
        yield from _head(layout.CAUSES)
        yield from _wrap(layout.CAUSES_GUIDANCE, "", "")
        for number, cause in enumerate(note.reasoning.causes[:layout.LEADING], 1):
            yield from _wrap(f"{number}. {cause.name}: {cause.chance}")
            for label, text in layout.cause_parts(cause):
                yield from _wrap(f"{label}: {text}", "    ", "  ")
        if others := layout.other_causes(note.reasoning):
            yield from _wrap(f"Also considered: {others}")
        for limit in note.reasoning.limits:
            yield from _wrap(limit)
        if sources := layout.cause_sources(note.reasoning):
            yield from _wrap(f"Source of the chances: {sources}")
        if note.reasoning.next_checks:
            yield from _head("Next most telling checks")
            for number, check in enumerate(note.reasoning.next_checks, 1):
                yield from _wrap(f"{number}. {layout.check_text(check)}")
    if note.claims:
        yield from _head(layout.CLAIMS)
        for claim in note.claims:
            yield from _claim(claim)
    if note.comparisons:
        yield from _head(layout.COMPARISON)
        common = layout.common_why(note.comparisons)
        for c in note.comparisons:
            yield from _wrap(f"{c.title}: {layout.compared(c, '' if common else c.why)}")
        if common:
            yield from _wrap(f"All of them: {common}")
    if note.plots:
        yield from _head("What the plots show")
        for p in note.plots:
            yield from _wrap(p.description)


def _head(text: str) -> list[str]:
    return ["", text.upper()]


def _table(title: str, note: Note, table: Table) -> Iterator[str]:
    if not table.rows:
        return
    yield from _head(title)
    for group, rows in layout.grouped(table.rows):
        yield from _wrap(f"{group}:")
        for row in rows:
            parts = [f"{stage} {'; '.join(texts)}" for stage, cell in zip(table.columns, row.cells, strict=True)
                     if (texts := list(layout.cell_texts(cell)))]
            checks = f" ({layout.finding_words(note, row)})" if row.findings else ""
            yield from _wrap(f"{row.label}: {'; '.join(parts)}{checks}", "  ")
