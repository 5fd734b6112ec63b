"""The phone's page of a job: take photos, see what waits, see what each came to. And the QR picture that leads there."""

from __future__ import annotations

import io
from collections import defaultdict
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from hoodnote.errors import HoodnoteError
from hoodnote.web.people import needs
from hoodnote.web.photo_results import results_of
from hoodnote.web.render import page, problem
from hoodnote.web.shop import in_job

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job, Store

_SHOWN = 12            # the newest photos of the job
_KINDS = (("", "found out by itself"), ("label", "under-hood label"), ("dial", "gauge face"), ("display", "digital display"), ("VIN", "VIN"))
# Groups of places that an instrument is read at; what stands on a label needs no place.
_GROUPS = {"pressure": "Pressures", "vacuum": "Pressures", "air": "Air", "line": "Lines and parts", "condition": "Conditions",
           "refrigerant": "Refrigerant", "circuit": "Clutch circuit"}


@needs("technician")
async def camera(request: Request) -> Response:
    try:
        found = await in_job(request, _photos)
    except HoodnoteError as error:
        return problem(request, 404, str(error))
    return page(request, "camera.html", kinds=_KINDS, places=_places(), **found)


def _photos(store: Store, job: Job) -> dict[str, Any]:
    newest = [c for c in reversed(store.captures(job)) if c.medium == "photo"][:_SHOWN]
    return {"job": job, "photos": results_of(store, job, newest)}


def _places() -> dict[str, list[tuple[str, str]]]:
    """Vocabulary ids and names by the heading they stand under."""
    from hoodnote.statements.vocabulary import PLACES

    under = defaultdict(list)
    for key, place in PLACES.items():
        if place.group in _GROUPS:
            under[_GROUPS[place.group]].append((key, place.name))
    return dict(under)


@needs("technician")
async def camera_code(request: Request) -> Response:
    """SVG of the page's address, for the phone to look at."""
    import segno

    address = request.app.state.shop.address(request) + f"/job/{request.path_params['id']}/camera"
    out = io.BytesIO()
    segno.make(address, error="m").save(out, kind="svg", scale=8, border=4, xmldecl=False, dark="#000", light="#fff", title=address)
    return Response(out.getvalue(), media_type="image/svg+xml")


routes = [
    Route("/job/{id:int}/camera", camera),
    Route("/job/{id:int}/camera.svg", camera_code),
]
