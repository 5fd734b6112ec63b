"""`hoodnote hear`, `see`, `type`, `resume`: captures become entries of a job."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.cli.session import Commands, job_or_newest, models_dir, open_store
from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    from hoodnote.capture.speech.recognizer import Recognizer
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Job

    _Came = Iterable[tuple[Path, Taken | HoodnoteError]]


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    job = argparse.ArgumentParser(add_help=False)
    job.add_argument("--job", metavar="WORK_ORDER", help="the job it belongs to (default: the newest)")
    model = argparse.ArgumentParser(add_help=False)
    model.add_argument("--model", type=Path, metavar="DIR", help="directory of a speech model (default: the ones found, see: hoodnote engines)")

    hear = commands.add_parser("hear", parents=[common, job, model], help="take spoken statements from clips")
    hear.add_argument("clips", metavar="CLIP", nargs="+", type=Path)
    hear.add_argument("--free", action="store_true", help="keep the clips as free notes, whatever they say: a transcript that is never read for figures")
    hear.set_defaults(run=_hear)

    see = commands.add_parser("see", parents=[common, job], help="read labels, gauge faces, digital displays and VINs from photos")
    see.add_argument("photos", metavar="PHOTO", nargs="+", type=Path, help="photos, or folders of photos")
    see.add_argument("--as", dest="kind", choices=("label", "dial", "display", "VIN"), help="what the photos show (default: told from each by itself)")
    see.add_argument("--place", metavar="PLACE", help="where the figure was read, for instance 'low side' (default: asked where the photo does not tell)")
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
        from hoodnote.intake.freenote import take_free_clip, transcriber_of
        from hoodnote.intake.hear import hear_clip   # after the job was found: it takes a moment


        engines = cache(lambda: _engines(args))   # seconds to load: not for a name that was mistyped
        if args.free:
            return _take_all(args.clips, job, lambda clip: take_free_clip(store, job, _there(clip), transcriber_of(engines())))
        return _take_all(args.clips, job, lambda clip: hear_clip(store, job, _there(clip), engines()))


def _see(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        job = job_or_newest(store, args.job)
        place = _place(args.place) if args.place else None
        photos = [photo for given in args.photos for photo in _photos_in(given)]
        from hoodnote.capture.vision.reading import Kind
        from hoodnote.intake.see import see_photo, see_photos   # after the job was found: it takes a moment

        kind = Kind(args.kind) if args.kind else None
        if len(photos) == 1:
            return _take_all(photos, job, lambda photo: see_photo(store, job, photo, kind, place), store.media_path)
        return _tell_all(see_photos(store, job, photos, kind, place), len(photos), job, store.media_path)


_PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".bmp", ".gif", ".mpo"}


def _photos_in(given: Path) -> list[Path]:
    """The photos of a folder in the order of their names; a file by itself."""
    if not given.is_dir():
        return [given]
    try:
        found = sorted(p for p in given.iterdir() if p.suffix.lower() in _PHOTO_SUFFIXES and not p.name.startswith("."))
    except OSError as error:
        raise HoodnoteError(f"cannot look into the folder {given}: {error.strerror}") from error
    if not found:
        raise HoodnoteError(f"there is no photo in the folder {given}; name one that holds JPEG, PNG, WebP or TIFF files")
    return found


def _place(text: str) -> str:
    """Vocabulary id of a place by its name or id. Raises HoodnoteError with the closest names."""
    from rapidfuzz import process, utils

    from hoodnote.statements.vocabulary import PLACES

    wanted = " ".join(text.lower().replace("_", " ").split())
    names = {place.name: key for key, place in PLACES.items()} | {key.replace("_", " "): key for key in PLACES}
    if wanted in names:
        return names[wanted]
    close = [name for name, _, _ in process.extract(wanted, list(names), processor=utils.default_process, limit=3, score_cutoff=50)]
    raise HoodnoteError(f"there is no place {text!r}; {'did you mean ' + ' or '.join(close) + '?' if close else 'give one like low side, vent or battery'}")


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
    def taken_of(file: Path) -> Taken | HoodnoteError:
        try:
            return take(file)
        except HoodnoteError as error:
            return error

    return _tell_all(((file, taken_of(file)) for file in files), len(files), job, media_path)


def _tell_all(taken: _Came, count: int, job: Job, media_path: Callable[[str], Path] | None = None) -> int:
    from hoodnote.cli.show import one_line, taken_lines

    refused = 0
    taken, bar_away = _progress(taken, count)
    for file, came in taken:
        with bar_away():
            if isinstance(came, HoodnoteError):
                if count == 1:
                    raise came
                refused = 2
                print("hoodnote:", one_line(str(came)), file=sys.stderr)
                continue
            if count > 1:
                print(f"{one_line(file.name)}:")
            print(*taken_lines(came, job), sep="\n", flush=True)
            if media_path is not None and came.picture_sha256:
                print(f"what was read is drawn in {media_path(came.picture_sha256)}", flush=True)
    return refused


def _progress(taken: _Came, count: int) -> tuple[_Came, Callable[[], AbstractContextManager]]:
    """With a bar on a terminal only, and only when there is something to wait for; and what takes the bar away while a line is written."""
    if count == 1 or not sys.stderr.isatty():
        return taken, nullcontext
    from tqdm import tqdm

    return tqdm(taken, total=count, unit="file", leave=False), tqdm.external_write_mode
