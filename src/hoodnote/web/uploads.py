"""Photos sent by a phone: `POST /job/{id}/photos`, the file itself as the body.

Exactly once: the phone names each photo once (`delivery`) and sends it until it is acknowledged, in any order. It is acknowledged when the
file is on disk and its capture is committed; the same delivery again gets the same answer and adds nothing. What a crash leaves unread is read
after the next start. A status of 4xx other than 401, 403, 408 and 429 says that this photo will never do: take it again.
"""

from __future__ import annotations

import asyncio
import logging
import math
import re
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from hoodnote.errors import HoodnoteError
from hoodnote.jobs.faults import from_os
from hoodnote.jobs.media import digest
from hoodnote.web.people import needs
from hoodnote.web.photo_readers import PhotoReaders
from hoodnote.web.photo_results import results_of
from hoodnote.web.render import page, problem

if TYPE_CHECKING:
    from starlette.applications import Starlette

    from hoodnote.jobs.store import Capture, Job
    from hoodnote.web.people import Person
    from hoodnote.web.shop import Shop

MOST_BYTES = 40_000_000          # of one photo; a phone's largest are some 30 MB, common practice, no source
_BLOCK = 1 << 20
_SILENCE_S = 60.0                # a phone that sends nothing for so long has gone; it sends the whole again
_OLDEST_S = 90 * 86_400.0
# By content, not by name: JPEG (ITU-T T.81 B.1.1.3), PNG (RFC 2083 3.1), TIFF (TIFF 6.0 section 2), WebP (RIFF), HEIF (ISO/IEC 23008-12)
_STARTS = (
    (re.compile(rb"\xff\xd8\xff"), ".jpg"),
    (re.compile(rb"\x89PNG\r\n\x1a\n"), ".png"),
    (re.compile(rb"II\*\0|MM\0\*"), ".tif"),
    (re.compile(rb"RIFF....WEBP", re.DOTALL), ".webp"),
    (re.compile(rb"....ftyp(hei[cxm]|hev[cx]|mif1|msf1)", re.DOTALL), ".heic"),
)
_checking = threading.Semaphore(2)   # a photo is decoded once to see that it is one: some 200 MB each

log = logging.getLogger(__name__)


class Refused(Exception):
    """`status` and one line for the person who sent it."""

    def __init__(self, status: int, problem: str):
        super().__init__(problem)
        self.status = status


@dataclass(frozen=True)
class Sending:
    """What the phone says of the photo it sends."""

    delivery: str
    name: str                    # safe as a file name, without a suffix
    told: dict[str, Any]         # kind, place and age_s, see `intake.see`


def begin(app: Starlette) -> None:
    """At the start of the server, in a thread: half arrived files go, photos left unread are read."""
    with app.state.shop.store() as store:
        store.sweep()
    app.state.photo_readers = PhotoReaders(app.state.shop, app.state.hub.tell)
    app.state.photo_readers.take_up_left()


def end(app: Starlette) -> None:
    app.state.photo_readers.close()


@needs("technician")
async def send_photo(request: Request) -> Response:
    shop, job_id = request.app.state.shop, request.path_params["id"]
    try:
        job = await run_in_threadpool(_job, shop, job_id)
        sending = _sending(request)
        if int(request.headers.get("content-length") or 0) > MOST_BYTES:
            raise _too_large()
        capture = await _receive(request, shop, job, sending)
    except Refused as refused:
        return problem(request, refused.status, str(refused))
    except ClientDisconnect:
        return problem(request, 408, "the sending was cut off; it is sent again")
    request.app.state.photo_readers.take_up(job, capture)
    request.app.state.hub.tell(job.id, "entries")
    return JSONResponse({"capture": capture.id, "result": f"/job/{job.id}/photos/{capture.id}"}, 201)


@needs("technician", "advisor")
async def photo_result(request: Request) -> Response:
    """What a photo came to, a piece of page; `data-state` is waiting, failed or done."""
    job_id, capture_id = request.path_params["id"], request.path_params["capture"]
    try:
        found = await run_in_threadpool(_result, request.app, job_id, capture_id)
    except Refused as refused:
        return problem(request, refused.status, str(refused))
    return page(request, "photo.html", **found)


def _result(app: Starlette, job_id: int, capture_id: int) -> dict[str, Any]:
    job = _job(app.state.shop, job_id)
    with app.state.shop.store() as store:
        capture = store.capture(job, capture_id)
        if capture is None or capture.medium != "photo":
            raise Refused(404, "there is no such photo in this job; look at the job's note")
        (result,) = results_of(store, job, [capture])
    return {"job": job, "photo": result}


def _job(shop: Shop, job_id: int) -> Job:
    try:
        with shop.store() as store:
            return store.job_by_id(job_id)
    except HoodnoteError as error:
        raise Refused(404, str(error)) from error


def _sending(request: Request) -> Sending:
    from hoodnote.capture.vision.reading import Kind
    from hoodnote.statements.vocabulary import PLACES

    said = request.query_params
    told: dict[str, Any] = {}
    kind, place = said.get("kind") or None, said.get("place") or None
    if kind is not None:
        if kind not in {k.value for k in Kind if k is not Kind.NONE}:
            raise Refused(422, f"a photo shows a label, a dial, a display or a VIN, not {kind[:40]!r}; choose one of the list")
        told["kind"] = kind
    if place is not None:
        if place not in PLACES:
            raise Refused(422, f"there is no place {place[:40]!r}; choose one of the list")
        told["place"] = place
    told["age_s"] = _age(said.get("age") or "0")
    delivery = said.get("delivery", "")
    if not re.fullmatch(r"[A-Za-z0-9-]{8,64}", delivery):
        raise Refused(422, "the photo came without a name of its delivery; load the page again and send it once more")
    return Sending(delivery, safe_stem(said.get("name", "")), told)


def _age(text: str) -> float:
    try:
        age = float(text)
    except ValueError:
        age = math.nan
    if not -_OLDEST_S <= age <= _OLDEST_S:
        raise Refused(422, "how long ago the photo was taken is no number of seconds that can be; set the phone's clock and send it again")
    return round(max(age, 0.0), 1)       # a phone whose clock was set back meanwhile


def safe_stem(name: str) -> str:
    """A file's name without folders, suffix, and whatever a file system or a terminal may take amiss."""
    last = re.split(r"[/\\]", name)[-1]
    stem = last.rpartition(".")[0] or last
    return re.sub(r"[^\w() -]", "_", stem).strip(" _-")[:60] or "photo"


async def _receive(request: Request, shop: Shop, job: Job, sending: Sending) -> Capture:
    try:
        with await run_in_threadpool(_arriving, shop) as folder:
            path = folder / sending.name
            path = path.rename(path.with_suffix(await _write_body(request, path)))
            return await run_in_threadpool(_keep, shop, job, path, sending, request.state.person)
    except HoodnoteError as error:     # the disk or the record refuses, not the photo: the phone keeps it and sends it again
        log.warning("a photo for job %s could not be kept: %s", job.work_order, error)
        raise Refused(507, "the shop's machine could not keep the photo; it stays on this phone and is sent again. On the machine: " + str(error)) from error


def _arriving(shop: Shop) -> AbstractContextManager[Path]:
    with shop.store() as store:
        return store.arriving()


async def _write_body(request: Request, path: Path) -> str:
    """Writes what comes, never more than MOST_BYTES; returns the suffix of its kind."""
    suffix, block, size = None, bytearray(), 0
    chunks = aiter(request.stream())
    with _told(path), path.open("xb") as file:
        while True:
            try:
                chunk = await asyncio.wait_for(anext(chunks), _SILENCE_S)
            except (StopAsyncIteration, TimeoutError) as end:
                if isinstance(end, TimeoutError):
                    raise Refused(408, "nothing more of the photo came for a while; it is sent again") from None
                break
            size += len(chunk)
            if size > MOST_BYTES:
                raise _too_large()
            block += chunk
            if suffix is None and len(block) >= 16:
                suffix = _suffix(block)
            if len(block) >= _BLOCK:
                await run_in_threadpool(file.write, bytes(block))
                block.clear()
        await run_in_threadpool(file.write, bytes(block))
    if not size:
        raise Refused(422, "the photo is empty; take it again")
    return suffix or _suffix(block)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise from_os(error, path) from error


def _suffix(head: bytes | bytearray) -> str:
    for start, suffix in _STARTS:
        if start.match(head):
            return suffix
    raise Refused(415, "this is no photo that can be read; give a JPEG, PNG, WebP, TIFF or HEIC photo")


def _too_large() -> Refused:
    return Refused(413, f"the photo is larger than {MOST_BYTES // 1_000_000} MB; set the camera to a smaller size and take it again")


def _keep(shop: Shop, job: Job, path: Path, sending: Sending, person: Person) -> Capture:
    """On disk and committed on return, or nothing of it is."""
    from hoodnote.capture.vision.photo import load_photo

    with _checking:
        try:
            load_photo(path)               # refused before anything of it is kept
        except HoodnoteError as error:
            raise Refused(422, str(error)) from error
    with shop.store() as store:
        earlier = store.delivered(sending.delivery)
        if earlier is not None:
            if (earlier.job_id, earlier.sha256) != (job.id, digest(path)):
                raise Refused(409, "another photo was sent under the same name of delivery; take it again")
            return earlier
        kept = store.keep_file(path)
        with store.together():
            first = store.delivered(sending.delivery) is None       # the same may have come on another connection meanwhile
            capture = store.add_capture(job, "photo", sha256=kept.sha256, original_name=path.name, delivery=sending.delivery, told=sending.told)
            if first:
                store.add_act(job, person.name, person.role, "sent", capture_id=capture.id)
    return capture


routes = [
    Route("/job/{id:int}/photos", send_photo, methods=["POST"]),
    Route("/job/{id:int}/photos/{capture:int}", photo_result, methods=["GET"]),
]
