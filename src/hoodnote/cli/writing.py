"""`hoodnote check`, `note`: what the readings say, and the note for the advisor."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from hoodnote.cli.session import Commands, open_store


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    check = commands.add_parser("check", parents=[common], help="compare the readings with what is expected")
    check.add_argument("work_order", metavar="WORK_ORDER")
    check.set_defaults(run=_check)

    note = commands.add_parser("note", parents=[common], help="write the job note")
    note.add_argument("work_order", metavar="WORK_ORDER")
    note.add_argument("--format", choices=("html", "md", "json", "txt"), help="default: what the ending of FILE says, else html")
    note.add_argument("-o", "--output", metavar="FILE", type=Path, help="default: print it")
    note.set_defaults(run=_note)


def _check(args: argparse.Namespace) -> None:
    from hoodnote.checks import assess
    from hoodnote.checks.equipment import shop_equipment
    from hoodnote.cli.show import GUIDANCE, finding_lines
    from hoodnote.cli.weighing import assessment_lines
    from hoodnote.jobs.place import data_dir
    from hoodnote.readings.timeline import build

    with open_store(args) as store:
        job = store.job(args.work_order)
        timeline = build(store.entries(job))
        assessment = assess(timeline, shop_equipment(data_dir(args.data)), units=job.units)
    lines = [line for finding in assessment.findings for line in finding_lines(finding)] + list(assessment_lines(assessment))
    print(*lines or ["nothing to check yet"], sep="\n")
    if timeline.questions:
        print(f"left out until answered: {len(timeline.questions)} (hoodnote ask {job.work_order})")
    print(GUIDANCE)


def _note(args: argparse.Namespace) -> None:
    from hoodnote.checks.equipment import shop_equipment
    from hoodnote.jobs.place import data_dir
    from hoodnote.note.compose import compose
    from hoodnote.note.render import render

    with open_store(args) as store:
        job = store.job(args.work_order)
        text = render(compose(store, job, shop_equipment(data_dir(args.data))), _format(args))
    if args.output is None:
        sys.stdout.write(text)
    else:
        _write_whole(args.output, text)
        print(f"note of job {job.work_order} in {args.output}")


def _format(args: argparse.Namespace) -> str:
    if args.format is not None:
        return args.format
    ending = args.output.suffix.lower().lstrip(".") if args.output is not None else ""
    return {"htm": "html", "markdown": "md", "text": "txt"}.get(ending, ending if ending in ("html", "md", "json", "txt") else "html")


def _write_whole(path: Path, text: str) -> None:
    """A note is there complete or not at all; one that was there before stays until then."""
    from hoodnote.jobs.faults import from_os
    from hoodnote.whole import write_whole

    if path.exists() and not path.is_file():   # a device or a pipe cannot be replaced by a rename
        path.write_text(text, encoding="utf-8")
        return
    try:
        write_whole(path, text.encode("utf-8"), 0o644)
    except OSError as error:
        raise from_os(error, path) from error
