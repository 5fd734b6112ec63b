"""`hoodnote ask`, `answer`: the open questions of a job."""

from __future__ import annotations

import argparse

from hoodnote.cli.session import Commands, open_store


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    ask = commands.add_parser("ask", parents=[common], help="what is still open in a job")
    ask.add_argument("work_order", metavar="WORK_ORDER")
    ask.set_defaults(run=_ask)

    answer = commands.add_parser("answer", parents=[common], help="answer one question")
    answer.add_argument("work_order", metavar="WORK_ORDER")
    answer.add_argument("entry", metavar="NUMBER", type=int, help="of the question, as hoodnote ask prints it")
    choice = answer.add_mutually_exclusive_group(required=True)
    choice.add_argument("text", metavar="TEXT", nargs="?", help='the right statement, for instance "low side fifteen psi"')
    choice.add_argument("--keep", metavar="N", type=int, help="take version N of the question")
    choice.add_argument("--drop", action="store_true", help="nothing of it was right")
    answer.set_defaults(run=_answer)


def _ask(args: argparse.Namespace) -> None:
    from hoodnote.cli.show import question_lines
    from hoodnote.readings.timeline import build

    with open_store(args) as store:
        job = store.job(args.work_order)
        questions = build(store.entries(job)).questions
        for live in questions:
            print(*question_lines(live.entry, job), sep="\n")
        if not questions:
            print(f"job {job.work_order} has no open question")


def _answer(args: argparse.Namespace) -> None:
    from hoodnote.cli.show import taken_lines
    from hoodnote.intake.questions import answer

    with open_store(args) as store:
        job = store.job(args.work_order)
        print(*taken_lines(answer(store, job, args.entry, text=args.text, keep=args.keep, drop=args.drop), job), sep="\n")
