"""How entries, questions, warnings and findings are told on a terminal: one line each, the same words everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hoodnote.checks.model import Finding, Warning
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Capture, Job
    from hoodnote.readings.model import Entry, Live, Origin

GUIDANCE = "Guidance only: the label, the service manual, local codes and certified practice decide."


def one_line(text: str) -> str:
    """On one line, without what would command the terminal: names of files and texts of labels may hold anything."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in " ".join(text.split()))


def when(moment: datetime) -> str:
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def warning_line(warning: Warning) -> str:
    from hoodnote.intake.record import CLAIM

    return f"{'NOT BORNE OUT' if warning.id == CLAIM else 'WARNING'}: {warning.text}"


def entry_line(entry: Entry) -> str:
    """"#12  low side: 30 psi  (agreed, 97% sure; heard by neural, pocketsphinx in clip.wav 1.2-2.4 s)"."""
    from hoodnote.statements.describe import describe
    from hoodnote.statements.model import FreeNote

    if isinstance(entry.statement, FreeNote):
        return f"#{entry.id}  {one_line(describe(entry.statement))}  (unverified transcript; {_source(entry.origin)})"
    return f"#{entry.id}  {describe(entry.statement)}  ({entry.standing.value}{_sure(entry.confidence)}; {_source(entry.origin)})"


def _sure(confidence: float | None) -> str:
    """Never "100%": no listener is."""
    if confidence is None:
        return ""
    return ", over 99% sure" if confidence > 0.99 else f", {confidence:.0%} sure"


def live_line(live: Live) -> str:
    state = live.stage.value + (f", engine {live.engine}" if live.engine else "")
    return f"{entry_line(live.entry)}  [{state}]"


def question_lines(entry: Entry, job: Job) -> list[str]:
    """The question, the versions to choose from, and how to answer."""
    from hoodnote.intake.record import version_of
    from hoodnote.statements.describe import describe

    lines = [f"ASKED #{entry.id}: {one_line(entry.question or describe(entry.statement) + '?')}"]
    choices = []
    while (choice := version_of(entry, len(choices))) is not None:
        choices.append(choice)
    lines += [f"    {number}. {describe(statement)}" for number, statement in enumerate(choices, 1)]
    lines += [f"       {version.reader}: {one_line(version.text) or 'nothing'}" for version in entry.versions if version.reader != "typed"]
    keep = "" if not choices else "--keep 1, " if len(choices) == 1 else "--keep N, "
    lines.append(f"    {_source(entry.origin)}; answer: hoodnote answer {job.work_order} {entry.id} {keep}--drop or \"the words\"")
    return lines


def capture_name(capture: Capture) -> str:
    return f"{capture.medium} {one_line(capture.original_name or capture.text or (capture.sha256 or '')[:12])}"


def taken_lines(taken: Taken, job: Job) -> Iterable[str]:
    """Hazards first, then what was taken and what is asked."""
    for warning in taken.warnings:
        yield warning_line(warning)
    for entry in taken.entries:
        if entry.question is None:
            yield "taken " + entry_line(entry)
        else:
            yield from question_lines(entry, job)
    yield from taken.remarks
    if not taken.entries:
        yield f"nothing was taken from {one_line(taken.capture.original_name or 'this')}"


def finding_lines(finding: Finding) -> list[str]:
    stage = f", {finding.stage}" if finding.stage else ""
    lines = [f"{finding.outcome.value.upper()}: {finding.title}{stage}", f"    {finding.why}"]
    told = (("expected", finding.expected), ("measured", finding.measured), ("uncertainty", finding.uncertainty))
    compared = "; ".join(f"{name} {text}" for name, text in told if text)
    if compared:
        lines.append(f"    {compared}")
    if finding.missing:
        lines.append(f"    missing: {', '.join(finding.missing)}")
    basis = f"from {', '.join(f'#{i}' for i in finding.basis)}" if finding.basis else ""
    stands_on = "; ".join(text for text in (basis, finding.source) if text)
    if stands_on:
        lines.append(f"    {stands_on}")
    return lines


def _source(origin: Origin) -> str:
    if origin.medium == "typed":
        return "typed"
    verb, preposition = ("heard", "in") if origin.medium == "clip" else ("read", "from")
    readers = f" by {', '.join(origin.readers)}" if origin.readers else ""
    name = one_line(origin.original_name or (origin.sha256 or "")[:12])
    seconds = f" {origin.region[0]:.1f}-{origin.region[1]:.1f} s" if origin.medium == "clip" and origin.region else ""
    return f"{verb}{readers} {preposition} {name}{seconds}"
