"""A photo becomes entries: kept on disk first, read by the readers there are, settled, checked, recorded with its crops."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.intake.record import Taken, record
from hoodnote.readings.agreement import Account, Settled
from hoodnote.readings.model import Standing, Timeline, Version
from hoodnote.readings.timeline import build

if TYPE_CHECKING:
    from hoodnote.capture.vision.reading import PhotoReading
    from hoodnote.capture.vision.photo import Photo
    from hoodnote.jobs.store import Capture, Job, Store

_PICTURE_PX = 1600         # longest side of the picture that shows what was read


def see_photo(store: Store, job: Job, path: Path) -> Taken:
    """Raises HoodnoteError for a file that is no usable photo; then nothing is stored."""
    from hoodnote.capture.vision.photo import load_photo

    photo = load_photo(path)
    kept = store.keep_file(path)
    capture = store.add_capture(job, "photo", sha256=kept.sha256, original_name=path.name)
    return _see(store, job, capture, photo)


def see_capture(store: Store, job: Job, capture: Capture, path: Path) -> Taken:
    """Read a photo that is already kept, at `path`."""
    from hoodnote.capture.vision.photo import load_photo

    return _see(store, job, capture, load_photo(path))


def _see(store: Store, job: Job, capture: Capture, photo: Photo) -> Taken:
    from hoodnote.capture.vision.label import read_label

    reading = read_label(photo, prefer="metric" if job.units == "metric" else "us")
    timeline = build(store.entries(job))
    settled = [_seen_before(_settled(field), timeline) for field in reading.fields]
    crops = {i: store.keep_bytes(field.crop, ".png").sha256 for i, field in enumerate(reading.fields)}
    if reading.problem:
        settled.append(Settled(None, Standing.UNCONFIRMED, None, (), f"photo {capture.original_name or capture.id}: {reading.problem}"))
    accounts = _accounts(reading)
    with store.together():
        for account in accounts:
            store.add_account(capture, account.reader, 0, account.text, account.confidence, {"warnings": list(reading.warnings)})
        entries, warnings = record(store, job, capture, settled, reading.readers_used, crops)
        store.finish(capture, "done")
    return Taken(capture, entries, warnings, accounts, reading.warnings, _picture(store, photo, reading))


def _picture(store: Store, photo: Photo, reading: PhotoReading) -> str | None:
    from hoodnote.capture.vision.overlay import overlay

    if not reading.fields:
        return None
    drawn = overlay(photo, reading)
    drawn.thumbnail((_PICTURE_PX, _PICTURE_PX))
    data = io.BytesIO()
    drawn.convert("RGB").save(data, "JPEG", quality=85)
    return store.keep_bytes(data.getvalue(), ".jpg").sha256


def _settled(field) -> Settled:
    return Settled(field.statement, field.standing, field.confidence, field.versions, field.question, tuple(map(float, field.box)))


def _seen_before(item: Settled, timeline: Timeline) -> Settled:
    """A label does not change: what is doubtful in this photo, but stands from an earlier one, was read twice and agrees."""
    earlier = any(x.usable and x.entry.statement == item.statement and x.entry.origin.medium == "photo" for x in timeline.live)
    if item.standing is Standing.UNCONFIRMED and earlier:
        return replace(item, standing=Standing.AGREED, question=None)
    return item


def _accounts(reading: PhotoReading) -> tuple[Account, ...]:
    """One account a reader, from the versions that its fields kept."""
    out = []
    for reader in reading.readers_used:
        versions: list[Version] = [v for field in reading.fields for v in field.versions if v.reader == reader]
        out.append(Account(reader, " / ".join(dict.fromkeys(v.text for v in versions)),
                           tuple(v.statement for v in versions if v.statement is not None),
                           min((v.confidence for v in versions if v.confidence is not None), default=0.0)))
    return tuple(out)
