"""The command `hoodnote`: reads the command line, runs one subcommand, turns every failure into one line."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import NoReturn

from hoodnote import __version__
from hoodnote.cli import asking, jobs, lexicon, listening, searching, serving, taking, tools, writing
from hoodnote.cli.show import one_line
from hoodnote.errors import HoodnoteError
from hoodnote.language.grammar import use_shop_lexicon

_DESCRIPTION = """\
Field notes of vehicle air-conditioning work, without a network: what you say, photograph and type
becomes a checked job note. A figure that two listeners do not agree on is asked, never guessed.

  hoodnote job new WO-1042 --complaint "no cold air" --units us
  hoodnote hear clip.wav           hoodnote see label.jpg          hoodnote type "low side thirty psi"
  hoodnote ask WO-1042             hoodnote check WO-1042          hoodnote note WO-1042 -o note.html
"""
_EPILOG = "All that the note says is guidance: the label on the vehicle, its service manual, local codes and certified practice decide."
_REFUSED = 2
_INTERRUPTED = 130


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """One line, like every other refusal; argparse alone would print the usage before it."""
        raise HoodnoteError(f"{message}; see: {self.prog} --help")


def build_parser() -> argparse.ArgumentParser:
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--data", type=Path, metavar="DIR", default=argparse.SUPPRESS,
                        help="directory of the job records (else HOODNOTE_DATA, else the platform's place for a user's data)")
    common.add_argument("--lexicon", type=Path, metavar="FILE", default=argparse.SUPPRESS,
                        help="words that the shop taught (else HOODNOTE_LEXICON, else lexicon.toml beside the records)")
    parser = _Parser(prog="hoodnote", description=_DESCRIPTION, epilog=_EPILOG, parents=[common],
                     formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False)
    parser.add_argument("--version", action="version", version=f"hoodnote {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for group in (jobs, taking, listening, asking, writing, searching, serving, lexicon, tools):
        group.add_commands(commands, common)
    return parser


def main(argv: list[str] | None = None) -> int:
    """Exit status: 0 done, 1 the reader of the output went away, 2 refused, 130 interrupted."""
    for stream in (sys.stdout, sys.stderr):   # a degree sign must not stop a note on a narrow terminal
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    args = argparse.Namespace()
    try:
        args = build_parser().parse_args(argv)
        args.data = getattr(args, "data", None)
        args.lexicon = getattr(args, "lexicon", None)
        use_shop_lexicon(lexicon.lexicon_path(args.lexicon, args.data))
        status = args.run(args)
        sys.stdout.flush()
        return status or 0
    except HoodnoteError as error:
        return _refuse(str(error))
    except KeyboardInterrupt:
        print(file=sys.stderr)
        return _INTERRUPTED
    except BrokenPipeError:
        _drop_output()
        return 1
    except OSError as error:
        from hoodnote.jobs.faults import from_os

        _drop_output()
        return _refuse(str(from_os(error, "the output")))
    except Exception as error:   # a mistake of ours: still one line, and the details where they can be sent from
        return _refuse(_log(error, getattr(args, "data", None)))


def entry() -> NoReturn:
    sys.exit(main())


def _refuse(message: str) -> int:
    print("hoodnote:", one_line(message), file=sys.stderr)
    return _REFUSED


def _drop_output() -> None:
    """What is left in the buffer cannot be written; without this the interpreter would complain about it at its end."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        pass


def _log(error: Exception, data: Path | None) -> str:
    import traceback
    from datetime import UTC, datetime

    from hoodnote.jobs.place import data_dir

    named = f"unexpected {type(error).__name__}: {error}"
    try:
        log = data_dir(data) / "errors.log"
        log.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with log.open("a", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"{datetime.now(UTC).isoformat()} hoodnote {__version__}\n{''.join(traceback.format_exception(error))}\n")
    except (OSError, HoodnoteError):
        return f"{named}; the record is kept, please report this"
    return f"{named}; the record is kept, please report this with {log}"
