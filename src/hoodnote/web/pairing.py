"""The pages that pair a device, list the paired ones, and end them."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from hoodnote.errors import HoodnoteError
from hoodnote.web.people import CODE_S, ROLES, SESSION_S, inside, needs
from hoodnote.web.render import page
from hoodnote.web.safety import cookie_name


async def show(request: Request) -> Response:
    """Only a form: a code in a link is not used up by whoever looks at the link."""
    given = request.query_params
    return _form(request, given.get("code", ""), given.get("name", ""), inside(given.get("next", "/")))


def _form(request: Request, code: str, name: str, target: str, problem: str | None = None, status: int = 200) -> Response:
    return page(request, "pair.html", status=status, code=code[:20], name=name[:60], target=target, problem=problem)


async def pair(request: Request) -> Response:
    form = await request.form()
    code, name, target = str(form.get("code", "")), str(form.get("name", "")), inside(str(form.get("next", "/")))
    address = request.client.host if request.client else "?"
    try:
        secret = await run_in_threadpool(request.app.state.people.pair, code, name, address)
    except HoodnoteError as error:
        return _form(request, code, name, target, str(error), 403)
    answer = RedirectResponse(target, 303)
    lan = request.app.state.shop.lan
    answer.set_cookie(cookie_name(lan), secret, max_age=int(SESSION_S), path="/", secure=lan, httponly=True, samesite="strict")
    return answer


async def leave(request: Request) -> Response:
    await run_in_threadpool(request.app.state.people.end, request.state.session.key)
    answer = RedirectResponse("/pair", 303)
    lan = request.app.state.shop.lan
    answer.delete_cookie(cookie_name(lan), path="/", secure=lan, httponly=True, samesite="strict")
    answer.headers["clear-site-data"] = '"cache"'
    return answer


@needs(*ROLES)
async def devices(request: Request) -> Response:
    return _devices(request)


def _devices(request: Request, code: str | None = None, picture: str | None = None, link: str | None = None) -> Response:
    people, own = request.app.state.people, request.state.session
    seen = [s for s in people.sessions() if request.state.person.at_machine or s.key == own.key]
    return page(request, "devices.html", sessions=sorted(seen, key=lambda s: -s.seen), own=own, code=code, picture=picture, link=link,
                minutes=int(CODE_S // 60), roles=ROLES if request.state.person.at_machine else (request.state.person.role,))


@needs(*ROLES)
async def invite(request: Request) -> Response:
    """A code for another device; of one's own role, or of either by who is at the machine."""
    import segno

    role = str((await request.form()).get("role", ""))
    person = request.state.person
    if role in ROLES and not person.may(role):
        raise HoodnoteError("a code for the other role is made at the machine itself")
    code = request.app.state.people.invite(role)
    link = f"{request.app.state.shop.address(request)}/pair?code={code}"
    picture = segno.make(link, error="m").svg_data_uri(scale=6, border=4, dark="#000", light="#fff")
    return _devices(request, code, picture, link)


@needs(*ROLES)
async def end(request: Request) -> Response:
    key = str((await request.form()).get("key", ""))
    if key != request.state.session.key and not request.state.person.at_machine:
        raise HoodnoteError("other devices are ended at the machine itself")
    await run_in_threadpool(request.app.state.people.end, key)
    return RedirectResponse("/devices", 303)


routes = [
    Route("/pair", show, methods=["GET"]),
    Route("/pair", pair, methods=["POST"]),
    Route("/leave", leave, methods=["POST"]),
    Route("/devices", devices, methods=["GET"]),
    Route("/devices/code", invite, methods=["POST"]),
    Route("/devices/end", end, methods=["POST"]),
]
