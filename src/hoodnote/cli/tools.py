"""`hoodnote engines`, `phrases`, `model`, `demo`: what is installed, what can be said, a job to look at."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path

from hoodnote.cli.session import Commands, models_dir


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

    for name, lacking in survey(args.model, models_dir(args)):
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
    """The shortest phrase with a unit for each thing that can be stated, found by walking the whole grammar, and its meaning."""
    from hoodnote.language.grammar import load
    from hoodnote.statements.describe import describe
    from hoodnote.statements.model import Correction, Measured, subject
    from hoodnote.statements.parser import parse, parse_spans

    language = load()
    number_words = {word for rule in language.number_rules for word in language.number(rule).labels}
    best: dict[tuple, tuple[bool, int, str, str]] = {}
    for words in _unlike(language.automaton.covering_paths(), number_words):
        for statement, (first, last) in parse_spans(words):
            phrase = " ".join(words[first:last]).removeprefix("and ")
            key = subject(statement)
            if isinstance(statement, Correction):
                key = key[:1]   # anything can be corrected in the same way
            elif isinstance(statement, Measured):
                key = (*key[:-1], statement.at_minute is not None)   # one example with a time, whatever the minute
            unit_left_out = not getattr(statement, "unit_stated", True)
            example = unit_left_out, len(phrase), phrase, describe(statement)
            # a phrase that states two things, or that leans on the words before it, is no example of one
            if (key not in best or example < best[key]) and parse(phrase.split()) == [statement]:
                best[key] = example
    return sorted(((phrase, meaning) for _, _, phrase, meaning in best.values()), key=lambda example: example[1])


def _unlike(paths: Iterable[list[str]], number_words: set[str]) -> Iterator[list[str]]:
    """The paths that bring a new pair of neighbouring words, all numbers counted as one: a hundredth of them, with every phrase."""
    seen: set[tuple[str, str]] = set()
    for words in paths:
        plain = ["#" if word in number_words else word for word in words]
        pairs = set(pairwise(["", *plain, ""]))
        if not pairs <= seen:
            seen |= pairs
            yield words


def _fetch(args: argparse.Namespace) -> None:
    from hoodnote.capture.speech.model_fetch import fetch

    print(f"model in {fetch(args.to or models_dir(args), progress=sys.stderr.isatty())}")


def _demo(args: argparse.Namespace) -> None:
    import tempfile

    from hoodnote.cli.show import taken_lines
    from hoodnote.demo.run import run
    from hoodnote.language.grammar import use_shop_lexicon

    use_shop_lexicon(None)   # the demo shows what everybody has
    run(args.keep or Path(tempfile.mkdtemp(prefix="hoodnote-demo-")), taken_lines)
