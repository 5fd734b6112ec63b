"""The note of a job in the browser: read, print, copy, sign; what each figure stands on, and confirming, correcting or dropping it.

Who acts names the entry that was before them. It is looked up again inside the transaction that records the act, so of two people
who change the same figure the second is told what the first did, and nothing is lost unseen.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import AsyncIterator
from contextlib import aclosing
from functools import cache
from importlib.resources import files
from threading import Lock
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from hoodnote.errors import HoodnoteError
from hoodnote.intake.corrections import NeedsAsking, NoLongerStands
from hoodnote.web import note_acts
from hoodnote.web.hub import NOTHING
from hoodnote.web.people import needs
from hoodnote.web.render import page
from hoodnote.web.shop import in_job

if TYPE_CHECKING:
    from hoodnote.jobs.records import Job
    from hoodnote.jobs.store import Store
    from hoodnote.note.model import Note
    from hoodnote.web.shop import Shop

_KEPT_NOTES = 64
_STREAM_S = 600.0              # a stream ends after this long; the browser opens another, if it still may
_TYPES = {".wav": "audio/wav", ".flac": "audio/flac", ".ogg": "audio/ogg", ".mp3": "audio/mpeg", ".jpg": "image/jpeg", ".jpeg": "image/jpeg",
          ".png": "image/png", ".webp": "image/webp"}


class _Kept:
    """The note of one job as it was composed last, and what of; `lock` while another is composed."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.of: tuple[object, Note] | None = None


class _Notes:
    """The notes that were looked at last: many pages of one job cost one composing, and no job waits for another's."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: OrderedDict[tuple[str, int], _Kept] = OrderedDict()

    def of(self, shop: Shop, store: Store, job: Job) -> tuple[Note, str]:
        """With the mark of the record that it was composed from."""
        from hoodnote.note.compose import compose

        key = (str(shop.data_dir), job.id)
        with self._lock:
            kept = self._kept.setdefault(key, _Kept())
            self._kept.move_to_end(key)
            while len(self._kept) > _KEPT_NOTES:
                self._kept.popitem(last=False)
        with kept.lock:
            mark, equipment = mark_of(store, job), shop.equipment()
            if kept.of is None or kept.of[0] != (mark, equipment):
                kept.of = ((mark, equipment), compose(store, job, equipment))
            return kept.of[1], mark


_notes = _Notes()


def mark_of(store: Store, job: Job) -> str:
    """Changes whenever something comes to the job that its page shows."""
    entries, warnings, acts = store.entries(job), store.warnings(job), store.acts(job)
    return f"{entries[-1].id if entries else 0}.{len(warnings)}.{acts[-1].id if acts else 0}.{len(store.pending(job))}"


@needs("technician", "advisor")
async def note(request: Request) -> Response:
    """The whole page, or with `?part` what on it changes while the job goes on."""
    context = await in_job(request, lambda store, job: _note_context(request.app.state.shop, store, job))
    return page(request, "note_part.html" if "part" in request.query_params else "note.html", delivery=str(uuid4()), **context)


def _note_context(shop: Shop, store: Store, job: Job) -> dict[str, Any]:
    from markupsafe import Markup

    from hoodnote.note.as_html import body

    entries = store.entries(job)
    made, mark = _notes.of(shop, store, job)
    return {"job": job, "mark": mark, "last": entries[-1].id if entries else 0, "body": Markup(_linked("\n".join(body(made)), job)),
            "asked": made.questions, "waiting": len(store.pending(job)), "failed": store.failures(job),
            "vin": next((s.text for f in made.header if f.label == "VIN" for s in f.stated[:1]), None)}


def _linked(html: str, job: Job) -> str:
    """What leads to an entry's line leads to its page instead; texts of people hold no such link, their quotes are escaped."""
    html = re.sub(r'(<tr id="e(\d+)"[^>]*><th scope="row">)\d+', rf'\1<a class="entry" href="/job/{job.id}/entry/\2">\2</a>', html)
    return re.sub(r'(?:class="standing" )?href="#e(\d+)"', rf'class="standing entry" href="/job/{job.id}/entry/\1"', html)


@needs("technician", "advisor")
async def questions(request: Request) -> Response:
    return page(request, "questions.html", **await in_job(request, note_acts.open_questions))


@needs("technician", "advisor")
async def note_file(request: Request) -> Response:
    """The note as text, JSON, or PDF."""
    kind, shop = request.path_params["kind"], request.app.state.shop

    def made(store: Store, job: Job) -> tuple[Job, str | bytes]:
        from hoodnote.note.render import render
        from hoodnote.web.pdf import pdf_of

        found, _ = _notes.of(shop, store, job)
        return job, pdf_of(render(found, "html")) if kind == "pdf" else render(found, kind)

    if kind not in ("pdf", "txt", "json"):
        raise HoodnoteError("a note is to be had as note.pdf, note.txt or note.json")
    job, content = await in_job(request, made)
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", job.work_order).strip("._") or f"job_{job.id}"
    return Response(content, media_type={"pdf": "application/pdf", "txt": "text/plain", "json": "application/json"}[kind],
                    headers={"content-disposition": f'{"inline" if kind == "txt" else "attachment"}; filename="{name}.{kind}"'})


@needs("technician", "advisor")
async def events(request: Request) -> Response:
    """Server-sent events: the mark of the record, first at once and then whenever it has changed."""
    hub, job_id = request.app.state.hub, request.path_params["id"]
    await in_job(request, mark_of)

    async def stream() -> AsyncIterator[str]:
        import asyncio

        until, told = asyncio.get_running_loop().time() + _STREAM_S, ""
        async with aclosing(hub.listen(job_id)) as listened:
            kind = "first"
            while asyncio.get_running_loop().time() < until:
                mark = await in_job(request, mark_of)
                if mark != told:
                    yield f"event: mark\ndata: {mark}\n\n"
                    told = mark
                elif kind == NOTHING:
                    yield ": still here\n\n"
                kind = await anext(listened, None)
                if kind is None:               # the server is ending
                    return

    return StreamingResponse(stream(), media_type="text/event-stream", headers={"cache-control": "no-store", "x-accel-buffering": "no"})


@needs("technician", "advisor")
async def entry(request: Request) -> Response:
    """What an entry stands on, and what can be done with it; with `?part` without the page around it."""
    number, shop = request.path_params["entry"], request.app.state.shop
    template = "entry_part.html" if "part" in request.query_params else "entry.html"
    if request.method == "GET":
        found = await in_job(request, lambda store, job: note_acts.entry_context(store, job, number, _notes.of(shop, store, job)[0]))
        return page(request, template, text="", doubt=False, problem="", lost=False, **found)
    form = {k: v for k, v in (await request.form()).items() if isinstance(v, str)}
    try:
        taken = await in_job(request, lambda store, job: note_acts.act(store, job, number, form, request.state.person))
    except HoodnoteError as error:
        status = 409 if isinstance(error, NoLongerStands) else 422
        found = await in_job(request, lambda store, job: note_acts.entry_context(store, job, number, _notes.of(shop, store, job)[0]))
        return page(request, "entry.html", status=status, text=form.get("text", ""), doubt=isinstance(error, NeedsAsking),
                    problem=str(error), lost=isinstance(error, NoLongerStands), **found)
    return _after(request, taken)


def _after(request: Request, warnings: tuple[str, ...]) -> Response:
    job_id = request.path_params["id"]
    request.app.state.hub.tell(job_id, "entries")
    if warnings:
        return page(request, "told.html", warnings=warnings, job_id=job_id)
    return RedirectResponse(f"/job/{job_id}", 303)


@needs("technician", "advisor")
async def add_line(request: Request) -> Response:
    form = await request.form()
    text, delivery = str(form.get("text", "")), str(form.get("delivery", ""))
    return _after(request, await in_job(request, lambda store, job: note_acts.add_line(store, job, text, delivery, request.state.person)))


@needs("advisor")
async def sign(request: Request) -> Response:
    form = await request.form()
    last, left_open = str(form.get("last", "")), form.get("left_open") == "yes"
    await in_job(request, lambda store, job: note_acts.sign(store, job, last, left_open, request.state.person))
    return _after(request, ())


@needs("technician", "advisor")
async def kept_file(request: Request) -> Response:
    """A clip or a photo by its SHA-256."""
    shop, sha = request.app.state.shop, request.path_params["sha"]
    if not re.fullmatch(r"[0-9a-f]{64}", sha):
        raise HoodnoteError("there is no such file; go back to the note and open it from there")

    def found() -> Any:
        with shop.store() as store:
            return store.media_path(sha)
    path = await run_in_threadpool(found)
    kind = _TYPES.get(path.suffix.lower(), "application/octet-stream")
    return FileResponse(path, media_type=kind, headers={} if kind in _TYPES.values() else {"content-disposition": "attachment"})


@cache
def _note_css() -> str:
    """The note's own style, for what is inside the element that holds it."""
    return ".note {\n" + files("hoodnote.note").joinpath("note.css").read_text(encoding="utf-8") + "}\n"


async def note_css(request: Request) -> Response:
    return Response(_note_css(), media_type="text/css")


routes = [
    Route("/note.css", note_css),
    Route("/job/{id:int}", note),
    Route("/job/{id:int}/questions", questions),
    Route("/job/{id:int}/note.{kind}", note_file),
    Route("/job/{id:int}/events", events),
    Route("/job/{id:int}/entry/{entry:int}", entry, methods=["GET", "POST"]),
    Route("/job/{id:int}/lines", add_line, methods=["POST"]),
    Route("/job/{id:int}/sign", sign, methods=["POST"]),
    Route("/clip/{sha}", kept_file),
    Route("/photo/{sha}", kept_file),
]
