"""The list of jobs with what still needs an answer, search through all of them, a new job."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from hoodnote.errors import HoodnoteError
from hoodnote.web.people import needs
from hoodnote.web.render import environment, page
from hoodnote.web.times import moment

if TYPE_CHECKING:
    from hoodnote.jobs.records import Job
    from hoodnote.jobs.store import Store
    from hoodnote.web.shop import Shop

_ON_A_PAGE = 30
_MOST_FOUND = 60
environment().filters["moment"] = moment


@dataclass(frozen=True)
class JobLine:
    job: Job
    vehicle: str
    vin: str | None
    questions: tuple[str, ...]          # open ones, in words
    waiting: int                        # clips, photos and lines that are not handled yet
    signed: str                         # "", "signed off", "signed off, then changed"


@needs("technician", "advisor")
async def jobs(request: Request) -> Response:
    words, older = request.query_params.get("q", "").strip()[:200], request.query_params.get("older", "")
    if words:
        found = await run_in_threadpool(_search, request.app.state.shop, words)
        return page(request, "found.html", words=words, **found)
    lines, more = await run_in_threadpool(_listed, request.app.state.shop, int(older) if older.isascii() and older.isdigit() else None)
    return page(request, "jobs.html", lines=lines, more=more, words="")


def _listed(shop: Shop, older: int | None) -> tuple[list[JobLine], int | None]:
    """Newest first; with the number that the next page begins below."""
    with shop.store() as store:
        all_jobs = [j for j in reversed(store.jobs()) if older is None or j.id < older]
        shown = all_jobs[:_ON_A_PAGE]
        return [job_line(store, j) for j in shown], shown[-1].id if len(all_jobs) > len(shown) else None


def job_line(store: Store, job: Job) -> JobLine:
    from hoodnote.note.signing import SIGNED, changed_since
    from hoodnote.note.words import question_text
    from hoodnote.readings.facts import facts_of
    from hoodnote.readings.timeline import build

    timeline = build(store.entries(job))
    facts = facts_of(timeline)
    signed = next((a for a in reversed(store.acts(job)) if a.what == SIGNED), None)
    return JobLine(
        job, " ".join(filter(None, (facts.get(k) for k in ("model_year", "make", "model")))), facts.get("vin"),
        tuple(question_text(x.entry) for x in timeline.questions), len(store.pending(job)),
        "" if signed is None else "signed off, then changed" if changed_since(timeline, signed) else "signed off")


def _search(shop: Shop, words: str) -> dict[str, Any]:
    with shop.store() as store:
        by_order = {j.work_order: j for j in store.jobs()}
        hits = store.search(words)[:_MOST_FOUND]
        named = [j for order, j in by_order.items() if words.casefold() in order.casefold()][-_MOST_FOUND:]
        return {"named": named[::-1], "hits": [(by_order[h.work_order], h) for h in hits]}


@needs("technician", "advisor")
async def new_job(request: Request) -> Response:
    if request.method == "GET":
        return page(request, "job_new.html", work_order="", units="us", problem="")
    form = await request.form()
    work_order, units = str(form.get("work_order", "")), str(form.get("units", "us"))
    try:
        job = await run_in_threadpool(_create, request.app.state.shop, work_order, units)
    except HoodnoteError as error:
        return page(request, "job_new.html", status=422, work_order=work_order, units=units, problem=str(error))
    return RedirectResponse(f"/job/{job.id}", 303)


def _create(shop: Shop, work_order: str, units: str) -> Job:
    with shop.store() as store:
        return store.create_job(work_order, units)


routes = [
    Route("/", jobs),
    Route("/job/new", new_job, methods=["GET", "POST"]),
]
