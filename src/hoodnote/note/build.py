"""From the record of a job, its assessment and the warnings that were given to the note: one tree of ready texts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.checks import dangers
from hoodnote.checks.equipment import USUAL, Equipment
from hoodnote.checks.model import Assessment, Warning
from hoodnote.note import reasoning, sections, signing, words
from hoodnote.note.ground import Ground, ground_of
from hoodnote.note.model import Caution, Field, Note, Table
from hoodnote.note.plots import plots
from hoodnote.note.summary import five_lines
from hoodnote.physics.refrigerants import REFRIGERANTS
from hoodnote.readings.model import Timeline

if TYPE_CHECKING:
    from hoodnote.jobs.records import Act, Job, ShownWarning

_USUAL = (
    "The under-hood label, the vehicle's service manual, local codes and certified practice win over this note. "
    "It is guidance from the readings given, no verdict on a part.",
    "Refrigerant is under pressure: eye protection and gloves, recover before opening, never vent.",
    "Keep hands and clothing clear of belts, pulleys, fans and hot hoses.",
)
_ELECTRIC = ("High-voltage electric compressor: only trained people, isolated as the manual says, "
             "and only the non-conductive oil that the label names.")

_FLAMMABLE = "This refrigerant can burn: no flame, spark or hot surface near it, and fresh air."


def build_note(job: Job, timeline: Timeline, assessment: Assessment, warnings: Sequence[ShownWarning | Warning],
               media: Callable[[str], Path] | None = None, equipment: Equipment = USUAL, acts: Sequence[Act] = ()) -> Note:
    """`media` gives the path of a kept file by its SHA-256; without it the note carries no pictures.

    Raises ValueError for an entry without id (one that was never stored).
    """
    warnings_on = _by_entry(job, warnings)
    ground = ground_of(job, timeline, media, warnings_on)
    lines = sections.findings(ground, assessment.findings)
    claims, comparisons = reasoning.claims(ground, assessment.claims), reasoning.comparisons(ground, assessment.comparisons)
    ledgers = reasoning.ledgers(ground, assessment.ledgers)
    header, balance = (*sections.header(ground), *signing.signature(job, timeline, acts)), sections.balance(ground, ledgers)
    summary, work = five_lines(ground, lines, comparisons), sections.work(ground)
    readings, circuit, vacuum = sections.readings(ground, lines), sections.circuit(ground, lines), sections.vacuum(ground)
    shown = ({s.entry for s in _stated(header, summary[:1], balance, readings, circuit)} | {w.stated.entry for w in work}
             | {v.stated.entry for v in vacuum} | {c.entry for c in claims} | reasoning.in_ledgers(ground, ledgers))
    return Note(
        work_order=" ".join(job.work_order.split()), opened_at=words.iso(job.opened_at), date=words.local_day(job.opened_at), units=job.units,
        header=header, summary=summary, claims=claims, findings=lines, work=work, readings=readings, balance=balance, ledgers=ledgers, circuit=circuit,
        vacuum=vacuum, remarks=sections.remarks(ground, shown), free_notes=sections.free_notes(ground), questions=ground.questions,
        cautions=tuple(_cautions(ground, warnings)), reasoning=reasoning.reasoning(ground, assessment.ranking), comparisons=comparisons,
        plots=plots(ground, equipment), photos=sections.photos(ground), sources=sections.sources(ground, warnings_on, signing.by_entry(job, acts)))


def _stated(*parts: Sequence[Field] | Table) -> Iterator:
    for part in parts:
        if isinstance(part, Table):
            yield from (s for row in part.rows for cell in row.cells for s in cell.stated)
        else:
            yield from (s for field in part for s in field.stated)


def _basis(job: Job, warning: ShownWarning | Warning) -> tuple[Warning, tuple[int, ...], str]:
    if isinstance(warning, Warning):
        return warning, warning.basis, ""
    on = warning.warning.basis if warning.entry_id is None else (*warning.warning.basis, warning.entry_id)
    return warning.warning, on, words.clock(warning.shown_at, job.opened_at)


def _by_entry(job: Job, warnings: Iterable[ShownWarning | Warning]) -> dict[int, list[str]]:
    out: dict[int, list[str]] = {}
    for shown in warnings:
        warning, basis, when = _basis(job, shown)
        for entry in dict.fromkeys(basis):
            out.setdefault(entry, []).append(f"{when + ': ' if when else ''}{warning.text}")
    return out


def _answered(ground: Ground, warnings: Iterable[ShownWarning | Warning]) -> Iterator[tuple[ShownWarning | Warning, str]]:
    """A warning that was not kept when it was told has no answer."""
    warnings = list(warnings)
    answers = iter(dangers.answers(ground.timeline, [w for w in warnings if not isinstance(w, Warning)]))
    for shown in warnings:
        if isinstance(shown, Warning):
            yield shown, ""
        else:
            answer = next(answers)
            at = words.clock(answer.at, ground.job.opened_at)
            entry = f"entry {answer.by}" if answer.by is not None else ""
            aside = ", ".join(t for t in (entry, at) if t)
            yield shown, ground.without_doubtful(answer.text) + (f" ({aside})" if aside else "")


def _cautions(ground: Ground, warnings: Iterable[ShownWarning | Warning]) -> Iterator[Caution]:
    """Warnings first, with their time and how they were answered. The words of one that stood on a doubtful or replaced figure are
    kept beside that figure."""
    for shown, answer in _answered(ground, warnings):
        warning, basis, when = _basis(ground.job, shown)
        stands, questions = ground.footing(basis)
        when = when or "during the job"
        if stands:
            yield Caution(warning.text, when, warning.source, answer)
        elif questions:
            yield Caution(f"a warning was given on what is still in question; read it with {', '.join(f'Q{n}' for n in questions)}", when,
                          answered=answer)
        else:
            yield Caution("a warning was given on a figure that was replaced since; read it with the sources", when, answered=answer)
    yield from (Caution(text, "") for text in _USUAL)
    named = {ground.facts.get("refrigerant"), ground.facts.get("label_refrigerant")}
    if any(r is not None and r in REFRIGERANTS and REFRIGERANTS[r].flammable for r in named):
        yield Caution(_FLAMMABLE, "")
    drive = ground.facts.get("compressor_drive")
    if drive == "electric" or (drive is None and "compressor_drive" in ground.facts.doubtful):
        yield Caution(_ELECTRIC, "")
