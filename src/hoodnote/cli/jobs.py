"""`hoodnote job`: open a job, list and show jobs, set facts by hand."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hoodnote.cli.session import Commands, open_store
from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job, Store
    from hoodnote.statements.model import Fact, Measured

# option of `job new` -> key of the fact or place it sets, example
_OPTIONS = {
    "complaint": ("complaint", "TEXT"), "technician": ("technician", "NAME"), "year": ("model_year", "2008"), "make": ("make", "NAME"),
    "model": ("model", "NAME"), "vin": ("vin", "VIN"), "odometer": ("odometer", "112000mi"), "refrigerant": ("refrigerant", "R-134a"),
    "expansion-device": ("expansion_device", "'orifice tube'"), "compressor-drive": ("compressor_drive", "'belt with clutch'"),
    "ambient": ("ambient", "86F"), "humidity": ("humidity", "45"), "altitude": ("altitude", "1200ft"),
}


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    job = commands.add_parser("job", parents=[common], help="open, list, show a job; set its facts")
    actions = job.add_subparsers(title="actions", metavar="ACTION", required=True)

    new = actions.add_parser("new", parents=[common], allow_abbrev=False, help="open a job")
    new.add_argument("work_order", metavar="WORK_ORDER")
    new.add_argument("--units", choices=("us", "metric"), default="us", help="what figures are spoken and printed in (default: us)")
    for option, (key, example) in _OPTIONS.items():
        new.add_argument(f"--{option}", dest=f"set_{key}", metavar=example, help=key.replace("_", " "))
    new.set_defaults(run=_new)

    actions.add_parser("list", parents=[common], help="all jobs, oldest first").set_defaults(run=_list)

    show = actions.add_parser("show", parents=[common], help="the record of a job, with where everything came from")
    show.add_argument("work_order", metavar="WORK_ORDER")
    show.set_defaults(run=_show)

    setting = actions.add_parser("set", parents=[common], help="set facts; a new value supersedes, the old one stays on record")
    setting.add_argument("work_order", metavar="WORK_ORDER")
    setting.add_argument("facts", metavar="KEY=VALUE", nargs="+", help="for instance refrigerant=R-134a label_charge=24oz")
    setting.set_defaults(run=_set)


def _new(args: argparse.Namespace) -> None:
    from hoodnote.cli.values import statement_for

    given = [(key, getattr(args, f"set_{key}")) for key, _ in _OPTIONS.values() if getattr(args, f"set_{key}") is not None]
    facts = [(key, text, statement_for(key, text)) for key, text in given]   # refused before a job is opened
    with open_store(args) as store:
        with store.together():
            job = store.create_job(args.work_order, args.units)
            told = _record(store, job, facts)
        print(f"job {job.work_order} is open, {job.units} units")
        print(*told, sep="\n", end="\n" if told else "")


def _set(args: argparse.Namespace) -> None:
    from hoodnote.cli.values import statement_for

    facts = []
    for pair in args.facts:
        key, equals, text = pair.partition("=")
        if not equals:
            raise HoodnoteError(f"{pair} is no KEY=VALUE; for instance refrigerant=R-134a")
        facts.append((key, text, statement_for(key, text)))
    with open_store(args) as store:
        job = store.job(args.work_order)
        with store.together():
            told = _record(store, job, facts)
        print(*told, sep="\n")


def _record(store: Store, job: Job, facts: Sequence[tuple[str, str, Fact | Measured]]) -> list[str]:
    """Facts typed by a person stand confirmed; a VIN whose check digit is wrong is asked about."""
    from hoodnote.cli.show import taken_lines
    from hoodnote.intake.typed import state
    from hoodnote.readings.timeline import build, last_about
    from hoodnote.statements.model import Correction, subject

    timeline = build(store.entries(job))
    lines: list[str] = []
    for key, text, statement in facts:
        typed = f"{key}: {text}"
        if (question := _doubt(statement)) is not None:
            taken = _ask(store, job, statement, typed, question)
        else:
            earlier = last_about(timeline, subject(statement))
            taken = state(store, job, [statement if earlier is None else Correction(statement)], typed)
        lines += taken_lines(taken, job)
    return lines


def _doubt(statement: Fact | Measured) -> str | None:
    from hoodnote.readings.vin import check_vin
    from hoodnote.statements.model import Fact

    problem = check_vin(statement.value) if isinstance(statement, Fact) and statement.key == "vin" else None
    return None if problem is None else problem.text


def _ask(store: Store, job: Job, statement: Fact | Measured, typed: str, question: str):
    from hoodnote.intake.record import Taken, record
    from hoodnote.readings.agreement import Settled
    from hoodnote.readings.model import Standing, Version

    capture = store.add_capture(job, "typed", text=typed)
    settled = Settled(statement, Standing.UNCONFIRMED, None, (Version("typed", typed, statement),), question)
    entries, warnings = record(store, job, capture, [settled], ("typed",))
    store.finish(capture, "done")
    return Taken(capture, entries, warnings)


def _list(args: argparse.Namespace) -> None:
    from hoodnote.cli.show import when
    from hoodnote.readings.timeline import build

    with open_store(args) as store:
        jobs = store.jobs()
        if not jobs:
            print("no job yet; open one with: hoodnote job new WORK_ORDER")
        for job in jobs:
            timeline = build(store.entries(job))
            pending = len(store.pending(job))
            notes = [_count(len(timeline.live), "entry", "entries"), _count(len(timeline.questions), "open question", "open questions")]
            if pending:
                notes.append(_count(pending, "capture not handled", "captures not handled"))
            print(f"{job.work_order}  opened {when(job.opened_at)}  {', '.join(notes)}")


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _show(args: argparse.Namespace) -> None:
    from hoodnote.cli.show import capture_name, entry_line, live_line, one_line, question_lines, warning_line, when
    from hoodnote.readings.timeline import build

    with open_store(args) as store:
        job = store.job(args.work_order)
        timeline = build(store.entries(job))
        print(f"job {job.work_order}, opened {when(job.opened_at)}, {job.units} units")
        _section("stands", [f"{when(x.entry.recorded_at)}  {live_line(x)}" for x in timeline.live if x.usable])
        _section("open questions", [line for x in timeline.questions for line in question_lines(x.entry, job)])
        _section("free notes", [f"{when(e.recorded_at)}  {entry_line(e)}" for e in timeline.free_notes])
        standing = {x.entry.id for x in timeline.live} | {e.id for e in timeline.free_notes}
        _section("superseded or settled", [f"{when(e.recorded_at)}  {entry_line(e)}" for e in timeline.entries if e.id not in standing])
        _section("warnings given", [f"{when(w.shown_at)}  {warning_line(w.warning)}" for w in store.warnings(job)])
        pending = store.pending(job)
        _section(f"not handled yet, do so with: hoodnote resume {job.work_order}",
                 [f"{capture_name(c)}, {when(c.captured_at)}" for c in pending])
        _section("could not be used", [f"{capture_name(c)}: {one_line(message)}" for c, message in store.failures(job)])
        _section("KEPT FILES MISSING OR ALTERED",
                 [f"{capture_name(c)}, SHA-256 {c.sha256}" for c in store.captures(job)
                  if c.sha256 is not None and not store.media_intact(c.sha256)])


def _section(title: str, lines: Sequence[str]) -> None:
    if lines:
        print(f"\n{title}")
        for line in lines:
            print(f"  {line}")
