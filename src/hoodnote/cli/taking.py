"""`hoodnote hear`, `see`, `type`, `resume`: captures become entries of a job."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.cli.session import Commands, job_or_newest, models_dir, open_store
from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    from hoodnote.capture.speech.recognizer import Recognizer
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Job


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    job = argparse.ArgumentParser(add_help=False)
    job.add_argument("--job", metavar="WORK_ORDER", help="the job it belongs to (default: the newest)")
    model = argparse.ArgumentParser(add_help=False)
    model.add_argument("--model", type=Path, metavar="DIR", help="directory of a speech model (default: the ones found, see: hoodnote engines)")

    hear = commands.add_parser("hear", parents=[common, job, model], help="take spoken statements from clips")
    hear.add_argument("clips", metavar="CLIP", nargs="+", type=Path)
    hear.add_argument("--free", action="store_true", help="keep the clips as free notes, whatever they say: a transcript that is never read for figures")
    hear.set_defaults(run=_hear)

    see = commands.add_parser("see", parents=[common, job], help="read under-hood labels from photos")
    see.add_argument("photos", metavar="PHOTO", nargs="+", type=Path)
    see.set_defaults(run=_see)

    typed = commands.add_parser("type", parents=[common, job], help="take statements you type, in the words you would say")
    typed.add_argument("text", metavar="TEXT", nargs="+", help='for instance "low side thirty psi"')
    typed.set_defaults(run=_type)

    resume = commands.add_parser("resume", parents=[common, model], help="handle what was kept but not handled, after a crash")
    resume.add_argument("work_order", metavar="WORK_ORDER")
    resume.set_defaults(run=_resume)


def _hear(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        job = job_or_newest(store, args.job)
        from hoodnote.intake.hear import hear_clip   # after the job was found: it takes a moment

        from hoodnote.intake.freenote import take_free_clip, transcriber_of

        engines = cache(lambda: _engines(args))   # seconds to load: not for a name that was mistyped
        if args.free:
            return _take_all(args.clips, job, lambda clip: take_free_clip(store, job, _there(clip), transcriber_of(engines())))
        return _take_all(args.clips, job, lambda clip: hear_clip(store, job, _there(clip), engines()))


def _see(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        job = job_or_newest(store, args.job)
        from hoodnote.intake.see import see_photo   # after the job was found: it takes a moment

        return _take_all(args.photos, job, lambda photo: see_photo(store, job, photo), store.media_path)


def _type(args: argparse.Namespace) -> None:
    from hoodnote.cli.show import taken_lines
    from hoodnote.intake.typed import type_text

    with open_store(args) as store:
        job = job_or_newest(store, args.job)
        print(*taken_lines(type_text(store, job, " ".join(args.text)), job), sep="\n")


def _resume(args: argparse.Namespace) -> None:
    from hoodnote.cli.show import capture_name, one_line, taken_lines

    with open_store(args) as store:
        job = store.job(args.work_order)
        pending = store.pending(job)
        if not pending:
            print(f"job {job.work_order} has nothing left to handle")
            return
        from hoodnote.intake.resume import resume   # after the job was found: it takes a moment

        engines = _engines(args) if any(c.medium == "clip" for c in pending) else []
        for taken in resume(store, job, engines):
            print(*taken_lines(taken, job), sep="\n", flush=True)
        left = {c.id for c in pending}
        for capture, message in store.failures(job):
            if capture.id in left:
                print(f"{capture_name(capture)} could not be used: {one_line(message)}")


def _engines(args: argparse.Namespace) -> Sequence[Recognizer]:
    from hoodnote.capture.speech.engines import best_three

    return best_three(args.model, models_dir(args))


def _there(file: Path) -> Path:
    from hoodnote.jobs.faults import from_os

    try:
        file.stat()
    except (OSError, ValueError) as error:   # ValueError: a NUL in the name
        raise from_os(error, file) if isinstance(error, OSError) else HoodnoteError(f"{file!r} is not a file name; check it") from error
    return file


def _take_all(files: Sequence[Path], job: Job, take: Callable[[Path], Taken], media_path: Callable[[str], Path] | None = None) -> int:
    """One file that cannot be used does not keep the others back; each gets its line on stderr, and the status is 2."""
    from hoodnote.cli.show import one_line, taken_lines

    refused = 0
    for file in _progress(files):
        try:
            taken = take(file)
            lines = list(taken_lines(taken, job))
            if media_path is not None and taken.picture_sha256:
                lines.append(f"what was read is drawn in {media_path(taken.picture_sha256)}")
        except HoodnoteError as error:
            if len(files) == 1:
                raise
            refused = 2
            print("hoodnote:", one_line(str(error)), file=sys.stderr)
            continue
        if len(files) > 1:
            print(f"{one_line(file.name)}:")
        print(*lines, sep="\n", flush=True)
    return refused


def _progress(files: Sequence[Path]) -> Iterator[Path]:
    """A bar on a terminal only, and only when there is something to wait for."""
    if len(files) == 1 or not sys.stderr.isatty():
        yield from files
        return
    from tqdm import tqdm

    yield from tqdm(files, unit="file", leave=False)
