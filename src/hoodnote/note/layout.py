"""Wordings that the readable formats share."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from hoodnote.note import words
from hoodnote.note.model import (
    CauseLine, Caution, Cell, CheckLine, ClaimLine, ComparisonLine, EvidenceLine, Field, FindingLine, FreeLine, Heard, LedgerTable, Note, Question,
    Reasoning, Row, Source, Stated, Whence, WorkLine,
)

NOT_STATED = "not stated"
FREE_NOTES = "Free notes (unverified transcript)"
STAGES = {"before": "Before", "during": "During", "after": "After", "": "Whole job"}
CAUSES = "What the readings point to"
CAUSES_GUIDANCE = ("Guidance from the readings given, no verdict on a part. The chances weigh only the causes considered here, by tables of common "
                   "practice; confirm before any part is condemned.")
DOUBTED_CLAIMS = "Stated, but not borne out by the record"
CLAIMS = "Stated conclusions, held against the record"
COMPARISON = "Before and after the work, compared"
LEADING = 3                  # causes told in full
_WORTH_NAMING = 0.02         # a cause less likely than this is counted, not named
_TELLING = 2                 # pieces of evidence told beside a doubted claim
MARGIN_NOTE = "Numbers after a figure name its entry in the record; Q and F name a question and a finding."


def unconfirmed(questions: Sequence[int]) -> str:
    return f"unconfirmed, {', '.join(f'Q{n}' for n in questions)}" if questions else ""


def field_text(field: Field) -> str:
    """Value and doubt of a header or balance line."""
    doubt = unconfirmed(field.questions)
    if not field.text:
        return doubt or NOT_STATED
    return f"{field.text} [{doubt}]" if doubt else field.text


def free_text(line: FreeLine) -> str:
    return f'"{line.text}"' if line.text else "no transcript; listen to the clip"


def standing(stated: Stated) -> str:
    return f"{stated.standing}, {stated.entry}"


def cell_texts(cell: Cell) -> Iterator[str]:
    """The last figure, the earlier ones, and a mark for what is in question."""
    for i, stated in enumerate(cell.stated):
        yield f"{'earlier ' if i else ''}{stated.full} [{standing(stated)}]"
    if cell.questions:
        yield f"[{unconfirmed(cell.questions)}]"


def grouped(rows: Iterable[Row]) -> Iterator[tuple[str, list[Row]]]:
    for group, members in groupby(rows, key=lambda r: r.group):
        yield group, list(members)


def by_stage(lines: Iterable[WorkLine]) -> Iterator[tuple[str, list[WorkLine]]]:
    """In order; a stage comes again when the work went back to it."""
    for stage, members in groupby(lines, key=lambda w: w.stage):
        yield STAGES[stage], list(members)


_LIMIT = re.compile(r"(?:equipment )?±\s?[\d.,]+(?: (?!from\b|both\b|on\b)[^\s\d(:;,]+)?(?: \([^)]*\))?")


def measured_in_short(finding: FindingLine) -> str:
    """With the limit of error alone, without what it is made of."""
    limit = _LIMIT.search(finding.uncertainty)
    return ", ".join(x for x in (finding.measured, limit.group() if limit else "") if x)


def measured(finding: FindingLine) -> str:
    """With what it is unsure of, and how far from the edge it lies."""
    return "; ".join(t for t in (_measured(finding), margin(finding)) if t)


def _measured(finding: FindingLine) -> str:
    if not finding.measured:
        return ""
    return f"{finding.measured}, {plus_minus(finding.uncertainty)}" if finding.uncertainty else finding.measured


def plus_minus(uncertainty: str) -> str:
    return uncertainty if not uncertainty[:1].isdigit() else f"± {uncertainty}"


def why(finding: FindingLine) -> str:
    text = finding.why
    missing = [m for m in finding.missing if m not in text]
    if missing:
        text += f" Would decide: {'; '.join(missing)}."
    return text.strip()


def margin(finding: FindingLine) -> str:
    """ "2.3 standard deviations outside"."""
    if finding.margin_sd is None:
        return ""
    size = abs(finding.margin_sd)
    return f"{'more than 10' if size > 10 else f'{size:.1f}'} standard deviations {'outside' if finding.margin_sd < 0 else 'inside'}"


def uncertainty(finding: FindingLine) -> str:
    return "; ".join(t for t in (finding.uncertainty, margin(finding)) if t)


def entries(basis: Sequence[int]) -> str:
    return f"{'entry' if len(basis) == 1 else 'entries'} {', '.join(map(str, basis))}" if basis else ""


def evidence(line: EvidenceLine) -> str:
    return f"{line.text} ({', '.join(t for t in (line.strength, entries(line.basis)) if t)})"


def cause_parts(cause: CauseLine) -> Iterator[tuple[str, str]]:
    yield "for", "; ".join(map(evidence, cause.supports)) or "nothing on record"
    yield "against", "; ".join(map(evidence, cause.contradicts)) or "nothing on record"
    if cause.missing:
        yield "not observed yet", "; ".join(cause.missing)
    if cause.confirm:
        yield "would confirm it", cause.confirm


def other_causes(reasoning: Reasoning) -> str:
    """The causes after the leading ones, in one line."""
    named: dict[str, list[str]] = {}
    rest = reasoning.causes[LEADING:]
    told = [c for c in rest if c.probability >= _WORTH_NAMING]
    for cause in told:
        named.setdefault(cause.chance, []).append(cause.name)
    parts = [f"{chance}: {', '.join(names)}" for chance, names in named.items()]
    if len(told) < len(rest):
        parts.append(f"{len(rest) - len(told)} {'more ' if told else ''}under {words.percent(_WORTH_NAMING)} each")
    return "; ".join(parts)


def cause_sources(reasoning: Reasoning) -> str:
    return "; ".join(dict.fromkeys(c.source for c in reasoning.causes if c.source))


def check_text(check: CheckLine) -> str:
    text = f"{check.text} (about {check.minutes:g} min): {check.why}"
    return f"{text.rstrip('.')}. Caution: {check.caution}" if check.caution else text


def claim_head(claim: ClaimLine) -> str:
    verb = {"supported": "supported by the record", "not supported": "not supported by the record", "contradicted": "contradicted by the record"}
    return f"{words.capital(claim.by)} \"{claim.text}\" ({entries((claim.entry,))}): {verb[claim.support]}"


def claim_parts(claim: ClaimLine) -> Iterator[tuple[str, str]]:
    for label, found in (("against", claim.contradicts), ("for", claim.supports)):
        if found:
            yield label, "; ".join(map(evidence, found))
    if claim.missing:
        yield "not on record", "; ".join(claim.missing)
    if claim.source:
        yield "source", claim.source


def doubted(claims: Iterable[ClaimLine]) -> list[ClaimLine]:
    """Those that the record does not bear out, with the weightiest evidence against them alone; all of it stands further down."""
    return [replace(c, contradicts=c.contradicts[:_TELLING], supports=(), source="") for c in claims if c.support != "supported"]


def ledger_state(ledger: LedgerTable) -> str:
    return {True: "closes", False: "does not close", None: "cannot tell whether it closes"}[ledger.closes]


def common_why(lines: Sequence[ComparisonLine]) -> str:
    """What holds for all of them alike, to be said once."""
    whys = {c.why for c in lines}
    return whys.pop() if len(whys) == 1 and len(lines) > 1 else ""


def compared(c: ComparisonLine, why: str) -> str:
    figures = "; ".join(f"{name} {text}" for name, text in (("before", c.before), ("after", c.after), ("change", c.change)) if text)
    return f"{figures}{'; ' if figures else ''}{c.outcome}{f'. {why}' if why else ''}"


def caution(c: Caution) -> str:
    parts = (f"{c.when}: " if c.when else "", c.text, f" ({c.source})" if c.source else "", f" Answer: {c.answered}" if c.answered else "")
    return "".join(parts)


def place_in_record(whence: Whence, digest: bool = True) -> str:
    """ "clip bay-07.wav, 0.8 to 2.4 s, SHA-256 9f86d081884c"."""
    parts = [f"{whence.medium} {whence.name}" if whence.name and whence.medium != "typed" else whence.medium]
    if whence.region:
        parts.append(whence.region)
    if whence.taken_at:
        parts.append(f"taken {whence.taken_at} by the camera's clock")
    if digest and whence.sha256:
        parts.append(f"SHA-256 {whence.sha256[:12]}")
    return ", ".join(parts)


def heard_text(heard: Heard) -> str:
    sure = f", {heard.confidence:.0%} sure" if heard.confidence is not None else ""
    return f'{heard.reader} had "{heard.words}"{sure}: {heard.meaning}'


def source_state(source: Source) -> str:
    return ", ".join(t for t in (source.standing, source.became, source.by) if t)


def source_readers(source: Source) -> str:
    readers = " + ".join(source.whence.readers) or source.whence.medium
    return f"{readers}, {sure(source)} sure" if sure(source) else readers


def sure(source: Source) -> str:
    return f"{source.confidence:.0%}" if source.confidence is not None else ""


def question_head(question: Question) -> str:
    return f"{question.about} ({question.why})"


def finding_words(note: Note, row: Row) -> str:
    """ "F1 outside, F4 within"."""
    outcome = {f.number: f.outcome for f in note.findings}
    return ", ".join(f"F{n} {outcome[n]}" for n in row.findings)
