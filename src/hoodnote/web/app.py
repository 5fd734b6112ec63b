"""The one application: the pages of all modules behind one gate."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from hoodnote.errors import HoodnoteError
from hoodnote.web import bay, camera, ear, pages_history, pages_jobs, pages_note, pairing, uploads
from hoodnote.web.hub import Hub
from hoodnote.web.people import People
from hoodnote.web.render import problem
from hoodnote.web.safety import Gate
from hoodnote.web.shop import Shop

log = logging.getLogger(__name__)


def make_app(shop: Shop) -> Starlette:
    """`app.state` has `shop`, `people` and `hub`. Raises HoodnoteError when the file of the paired devices cannot be read."""
    people = People(shop.data_dir)
    rooms = (pairing, pages_jobs, pages_note, pages_history, bay, ear, camera, uploads)
    app = Starlette(
        routes=[*(route for room in rooms for route in room.routes), Mount("/static", StaticFiles(packages=[("hoodnote.web", "static")]))],
        middleware=[Middleware(Gate, shop, people)],
        exception_handlers={HoodnoteError: _refused, HTTPException: _status},
        lifespan=_life,
    )
    app.state.shop, app.state.people, app.state.hub = shop, people, Hub()
    return app


@asynccontextmanager
async def _life(app: Starlette) -> AsyncIterator[None]:
    await run_in_threadpool(uploads.begin, app)
    try:
        yield
    finally:
        await run_in_threadpool(uploads.end, app)
        if hasattr(app.state, "bays"):         # made when the first bay screen speaks
            await run_in_threadpool(app.state.bays.close)
        app.state.shop.close()


async def _refused(request: Request, error: Exception) -> Response:
    return problem(request, 400, str(error))


async def _status(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    said = {404: "there is nothing at this address; look for it from the list of jobs",
            405: "this address does not take that; go back to the page and use its buttons"}
    return problem(request, error.status_code, said.get(error.status_code, error.detail))
