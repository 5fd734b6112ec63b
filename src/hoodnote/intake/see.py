"""A photo becomes entries: kept on disk first, read for what it shows, settled with what the job says, recorded with its crops."""

from __future__ import annotations

import io
import multiprocessing
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodnote.checks.equipment import shop_equipment
from hoodnote.errors import HoodnoteError
from hoodnote.intake.record import Taken, handled_already, record, warn
from hoodnote.readings.agreement import Account, Settled
from hoodnote.readings.facts import facts_of
from hoodnote.readings.model import Entry, Origin, Standing, Timeline, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Fact, Measured

if TYPE_CHECKING:
    from hoodnote.capture.vision.photo import Photo
    from hoodnote.capture.vision.reading import Kind, PhotoField, PhotoReading
    from hoodnote.jobs.store import Capture, Job, Store

_UNPROVED = {"display"}     # kinds of photo whose reader has not been measured on enough photos to be taken at its word
_PICTURE_PX = 1600         # longest side of the picture that shows what was read
PROCESSES = 2              # for a folder; each needs some 400 MB
# A camera's clock is believed when it falls between a while before the job was opened and now
_BEFORE_OPENING, _AHEAD = timedelta(hours=12), timedelta(minutes=5)


@dataclass(frozen=True)
class Seen:
    """What was read from one photo, ready to be passed between processes: `picture` is a JPEG with what was read drawn in."""

    reading: PhotoReading
    pieces: tuple[bytes, ...]       # one a field, PNG or JPEG
    picture: bytes | None
    taken_at: datetime | None


def see_photo(store: Store, job: Job, path: Path, kind: Kind | None = None, place: str | None = None) -> Taken:
    """`kind`: what the photo shows, when a person says so; `place`: where its figure was read.

    Raises HoodnoteError for a file that is no usable photo; then nothing is stored.
    """
    from hoodnote.capture.vision.photo import load_photo

    photo = load_photo(path)
    capture = _kept(store, job, path)
    return record_seen(store, job, capture, _seen(photo, kind, place, job.units))


def see_photos(store: Store, job: Job, paths: Iterable[Path], kind: Kind | None = None, place: str | None = None,
               processes: int = PROCESSES) -> Iterator[tuple[Path, Taken | HoodnoteError]]:
    """Many photos, read in processes of their own, recorded here in their order. Each is kept before it is read; one that cannot be
    used gives its error and keeps no other back. No more photos than processes are in memory at once, and one more here.
    """
    from hoodnote.capture.vision.photo import refuse_unusable
    from hoodnote.capture.vision.threads import one_thread

    waiting: list[tuple[Path, Capture, Future[Seen]]] = []

    def first_done() -> tuple[Path, Taken | HoodnoteError]:
        path, capture, future = waiting.pop(0)
        try:
            return path, record_seen(store, job, capture, future.result())
        except BrokenExecutor:
            return path, HoodnoteError(f"the process that read {path.name} was ended, perhaps for want of memory; the photo is kept, run: "
                                       f"hoodnote resume {job.work_order}")
        except HoodnoteError as error:
            return path, error

    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"), initializer=one_thread) as pool:
        for path in paths:
            try:
                refuse_unusable(path)          # before anything of it is kept
                capture = _kept(store, job, path)
            except HoodnoteError as error:
                while waiting:
                    yield first_done()
                yield path, error
                continue
            if len(waiting) > processes:
                yield first_done()
            try:
                waiting.append((path, capture, pool.submit(read_kept, store.media_path(capture.sha256), kind, place, job.units)))
            except BrokenExecutor:
                break                          # what was kept is told below, the rest is still where it was
        while waiting:
            yield first_done()


def see_capture(store: Store, job: Job, capture: Capture, path: Path) -> Taken:
    """Read a photo that is already kept, at `path`, for what its sender said it shows."""
    return record_seen(store, job, capture, read_kept(path, *said_of(store.told(capture)), job.units))


def said_of(told: Mapping[str, Any]) -> tuple[Kind | None, str | None]:
    """What a photo shows and where its figure was read, by what is kept of its sender's words."""
    from hoodnote.capture.vision.reading import Kind

    kind = told.get("kind")
    return None if kind is None else Kind(kind), told.get("place")


def _kept(store: Store, job: Job, path: Path) -> Capture:
    kept = store.keep_file(path)
    return store.add_capture(job, "photo", sha256=kept.sha256, original_name=path.name)


def read_kept(path: Path, kind: Kind | None, place: str | None, units: str) -> Seen:
    """Reads a photo in whatever process this is called in. Raises HoodnoteError for a file that is no usable photo."""
    from hoodnote.capture.vision.photo import load_photo

    return _seen(load_photo(path), kind, place, units)


def _seen(photo: Photo, kind: Kind | None, place: str | None, units: str) -> Seen:
    from hoodnote.capture.vision.kinds import read_photo
    from hoodnote.capture.vision.overlay import marked_piece, overlay
    from hoodnote.capture.vision.threads import at_once

    reading = read_photo(photo, kind, place, units)
    if reading.kind.value in _UNPROVED:
        reading = replace(reading, fields=tuple(_asked(f) for f in reading.fields))

    def drawn_in() -> bytes | None:
        if not reading.fields:
            return None
        data = io.BytesIO()
        overlay(photo, reading, _PICTURE_PX).save(data, "JPEG", quality=85)
        return data.getvalue()

    pieces, picture = at_once(lambda: tuple(f.crop or marked_piece(photo, f) for f in reading.fields), drawn_in)
    return Seen(reading, pieces, picture, photo.taken_at)


def record_seen(store: Store, job: Job, capture: Capture, seen: Seen) -> Taken:
    """What was read becomes entries, all or none, once: of a capture that was handled meanwhile nothing is recorded again."""
    from hoodnote.intake.photo_and_voice import settle

    reading = seen.reading
    taken_at, remarks = _when(seen, job, capture, store.told(capture).get("age_s", 0.0))
    equipment = shop_equipment(store.folder)
    by_camera = taken_at.isoformat() if seen.taken_at is not None and taken_at == seen.taken_at else None
    crops = [store.keep_bytes(piece, ".png" if piece.startswith(b"\x89PNG") else ".jpg").sha256 for piece in seen.pieces]
    picture = store.keep_bytes(seen.picture, ".jpg").sha256 if seen.picture else None
    accounts = _accounts(reading)
    entries: list[Entry] = []
    warnings = []
    with store.together():
        if not store.is_pending(capture):
            return handled_already(capture)
        for field, crop in zip(reading.fields, crops, strict=True):
            timeline = build(store.entries(job))
            item = _settled(field)
            if isinstance(field.statement, Fact) and field.statement.key == "vin":
                item, told = _vin_against_job(item, timeline)
                remarks += told
            elif not _is_reading(field):
                item = _seen_before(item, timeline)
            origin = Origin("photo", capture.id, capture.sha256, capture.original_name, item.region, reading.readers_used, crop, by_camera)
            made = settle(field, item, origin, timeline, taken_at, job.units, equipment)
            if isinstance(made, Entry):
                added, raised = [store.add_entry(job, made, capture)], []
                raised = warn(store, job, added, (made.statement, *(v.statement for v in made.versions)), timeline, equipment)
            else:
                added, raised = record(store, job, capture, [made], reading.readers_used, {0: crop}, by_camera)
            entries += added
            warnings += [w for w in raised if w not in warnings]
        if reading.problem:
            problem = Settled(None, Standing.UNCONFIRMED, None, (), f"photo {capture.original_name or capture.id}: {reading.problem}")
            entries += record(store, job, capture, [problem], reading.readers_used, None, by_camera)[0]
        for account in accounts or (Account("camera", reading.problem or "", (), 0.0),):
            store.add_account(capture, account.reader, 0, account.text, account.confidence, {
                "warnings": list(reading.warnings), "kind": reading.kind.value, "taken_at": taken_at.isoformat(), "picture": picture,
                "remarks": [*_shown(reading), *remarks]})
        store.finish(capture, "done")
    return Taken(capture, tuple(entries), tuple(warnings), accounts, (*_shown(reading), *reading.warnings, *remarks), picture)


def _shown(reading: PhotoReading) -> tuple[str, ...]:
    told = reading.fields and reading.kind_confidence < 1
    return (f"the photo shows: {reading.kind.value} ({reading.kind_confidence:.0%} sure)",) if told else ()


def _when(seen: Seen, job: Job, capture: Capture, age_s: float) -> tuple[datetime, list[str]]:
    """When the photo was taken: by the camera's clock if that can be, else when it came, less the time it waited to be sent if that can be."""
    if seen.taken_at is None:
        waited = capture.captured_at - timedelta(seconds=age_s)
        return max(waited, min(job.opened_at, capture.captured_at)), []
    if job.opened_at - _BEFORE_OPENING <= seen.taken_at <= capture.captured_at + _AHEAD:
        return seen.taken_at.astimezone(UTC), []
    return capture.captured_at, [f"the camera says that the photo is of {seen.taken_at:%Y-%m-%d %H:%M}, which does not go with this job: "
                                 "the time it came was taken instead"]


def _settled(field: PhotoField) -> Settled:
    return Settled(field.statement, field.standing, field.confidence, field.versions, field.question, tuple(map(float, field.box)))


def _is_reading(field: PhotoField) -> bool:
    """A figure of an instrument, which changes; not what is printed on a label."""
    return isinstance(field.statement, Measured) and not field.statement.place.startswith("label_")


def _asked(field: PhotoField) -> PhotoField:
    """Before anything is drawn, so that the picture asks as well."""
    if field.standing is Standing.UNCONFIRMED:
        return field
    return replace(field, standing=Standing.UNCONFIRMED, question=f"{describe(field.statement)}? (read from a display; look at the picture)")


def _seen_before(item: Settled, timeline: Timeline) -> Settled:
    """A label does not change: what is doubtful in this photo, but stands from an earlier one, was read twice and agrees. Which of several
    figures on it is meant is no doubt of reading, and stays a question."""
    earlier = any(x.usable and x.entry.statement == item.statement and x.entry.origin.medium == "photo" for x in timeline.live)
    several = len({v.statement for v in item.versions if v.statement is not None}) > 1
    if item.standing is Standing.UNCONFIRMED and earlier and not several:
        return replace(item, standing=Standing.AGREED, question=None)
    return item


def _vin_against_job(item: Settled, timeline: Timeline) -> tuple[Settled, list[str]]:
    """The photo's VIN with the VIN and the model year that the job has: the same is one more account, another is a question.

    What the VIN says of make, year and plant is told as guidance.
    """
    from hoodnote.readings.vin import check_vin, decode

    facts = facts_of(timeline)
    offered = list(dict.fromkeys(v.statement.value for v in item.versions if isinstance(v.statement, Fact)))
    known, vin = facts.get("vin"), item.statement.value
    if known in offered and (known == vin or item.standing is Standing.UNCONFIRMED):
        vin = known
        item = replace(item, statement=Fact("vin", vin), standing=Standing.AGREED, question=None)
    elif known is not None and known != vin:
        versions = (*item.versions, Version("job", known, Fact("vin", known)))
        return replace(item, standing=Standing.UNCONFIRMED, versions=versions,
                       question=f"The VIN in the photo reads {vin}, the job has {known}: which is this vehicle's?"), []
    if check_vin(vin) is not None:
        return item, []
    told = decode(vin, datetime.now(UTC).year + 1)
    year, remarks = facts.get("model_year"), [f"VIN {vin} says {told.in_words()}; guidance, look at the vehicle"]
    make = facts.get("make")
    if make and told.make and not _alike(make, told.make):
        remarks.append(f"the job says the make is {make}, the VIN's first three characters are listed for {told.make}: check that it is this vehicle's")
    if year and year.isdigit() and told.years and int(year) not in told.years and vin[0] in "12345":
        years = " or ".join(map(str, told.years))
        item = replace(item, standing=Standing.UNCONFIRMED,
                       question=f"The VIN reads {vin}, whose model year is {years}, and the job says {year}: is it this vehicle's VIN?")
    return item, remarks


def _alike(one: str, other: str) -> bool:
    from rapidfuzz import fuzz, utils

    return fuzz.partial_ratio(one, other, processor=utils.default_process) >= 80


def _accounts(reading: PhotoReading) -> tuple[Account, ...]:
    """One account a reader, from the versions that its fields kept."""
    out = []
    for reader in reading.readers_used:
        versions: Sequence[Version] = [v for field in reading.fields for v in field.versions if v.reader == reader]
        out.append(Account(reader, " / ".join(dict.fromkeys(v.text for v in versions)),
                           tuple(v.statement for v in versions if v.statement is not None),
                           min((v.confidence for v in versions if v.confidence is not None), default=0.0)))
    return tuple(out)
