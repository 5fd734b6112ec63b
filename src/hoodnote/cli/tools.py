"""`hoodnote engines`, `phrases`, `model`, `demo`: what is installed, what can be said, a job to look at."""

from __future__ import annotations

import argparse
from pathlib import Path

from hoodnote.cli.session import Commands


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    engines = commands.add_parser("engines", parents=[common], help="which listeners and label readers are ready, and why one is not")
    engines.add_argument("--model", type=Path, metavar="DIR", help="directory of a speech model to look at as well")
    engines.set_defaults(run=_engines)

    phrases = commands.add_parser("phrases", parents=[common], help="what can be said or typed, with what it is taken as")
    phrases.add_argument("words", metavar="WORD", nargs="*", help="only those that hold these words, for instance: low side")
    phrases.set_defaults(run=_phrases)

    model = commands.add_parser("model", parents=[common], help="speech models")
    actions = model.add_subparsers(title="actions", metavar="ACTION", required=True)
    fetch = actions.add_parser("fetch", parents=[common], help="download a further speech model: the only command that uses a network")
    fetch.add_argument("--to", metavar="DIR", type=Path, help="where to put it (default: beside the records)")
    fetch.set_defaults(run=_fetch)

    demo = commands.add_parser("demo", parents=[common], help="a whole invented job, from clips and photos to the note")
    demo.add_argument("--keep", metavar="DIR", type=Path, help="where to keep it (default: a temporary directory, named at the end)")
    demo.set_defaults(run=_demo)


def _engines(args: argparse.Namespace) -> None:
    from hoodnote.capture.speech.engines import survey
    from hoodnote.capture.vision.readers import NEURAL, TESSERACT, tesseract_is_installed

    for name, lacking in survey(args.model):
        print(f"listener  {name}: {'ready' if lacking is None else lacking}")
    print(f"reader    {NEURAL}: ready")
    print(f"reader    {TESSERACT}: {'ready' if tesseract_is_installed() else 'install the program tesseract and its English data'}")


def _phrases(args: argparse.Namespace) -> None:
    wanted = [word.lower() for word in args.words]
    shown = [(phrase, meaning) for phrase, meaning in _examples() if all(w in f"{phrase} {meaning}".lower() for w in wanted)]
    width = max((len(phrase) for phrase, _ in shown), default=0)
    for phrase, meaning in shown:
        print(f"{phrase:<{width}}  {meaning}")
    if not shown:
        print(f"nothing that can be said holds {' '.join(args.words)}; hoodnote phrases shows all")


def _examples() -> list[tuple[str, str]]:
    """The shortest phrase for each thing that can be stated, found by walking the whole grammar, with its meaning."""
    from hoodnote.language.grammar import load
    from hoodnote.statements.describe import describe
    from hoodnote.statements.model import Measured, subject
    from hoodnote.statements.parser import parse_spans

    shortest: dict[tuple, tuple[str, str]] = {}
    for words in load().automaton.covering_paths():
        for statement, (first, last) in parse_spans(words):
            phrase = " ".join(words[first:last])
            key = subject(statement)
            if isinstance(statement, Measured):
                key = (*key[:-1], statement.at_minute is not None)   # one example with a time, whatever the minute
            if key not in shortest or len(phrase) < len(shortest[key][0]):
                shortest[key] = phrase, describe(statement)
    return sorted(shortest.values(), key=lambda example: example[1])


def _fetch(args: argparse.Namespace) -> None:
    from hoodnote.capture.speech.model_fetch import fetch
    from hoodnote.jobs.place import data_dir

    print(f"model in {fetch(args.to or data_dir(args.data) / 'models')}")


def _demo(args: argparse.Namespace) -> None:
    import tempfile

    from hoodnote.demo.run import run

    run(args.keep or Path(tempfile.mkdtemp(prefix="hoodnote-demo-")))
