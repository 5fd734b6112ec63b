"""What every request passes before a page sees it, and what every answer carries.

In this order: the name it was asked by (DNS rebinding), the rate, where it comes from (Origin), who it is, how much it sends, its CSRF token.
A path that is not named in OPEN is for paired devices only, whatever its handler says.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections import OrderedDict
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from hoodnote.web.people import People, csrf_token, to_pairing
from hoodnote.web.render import problem
from hoodnote.web.shop import Shop

COOKIE = "hoodnote_session"
MOST_BYTES = 64_000_000           # of any body; a page that takes less says so itself
MOST_FORM_BYTES = 256_000         # of a form, which is read whole
OPEN = ("/pair", "/static/")      # a whole path, or with a slash at its end all below it

# Requests a second and how many at once: fifty pages of one browser, each with its files and pictures, not a flood.
_PAIRED_RATE, _PAIRED_BURST = 100.0, 1_000.0
_STRANGER_RATE, _STRANGER_BURST = 5.0, 60.0
_MOST_COUNTED = 2_000             # clients remembered

_SAFE_METHODS = ("GET", "HEAD")
_CONTENT = "; ".join((   # noqa: FLY002
    "default-src 'none'", "script-src 'self'", "style-src 'self'", "img-src 'self' data: blob:", "media-src 'self' blob:",
    "connect-src 'self'", "worker-src 'self'", "form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'",
))
_HEADERS = {
    "content-security-policy": _CONTENT,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",      # no-referrer would take the Origin from our own forms
    "permissions-policy": "camera=(self), microphone=(self), geolocation=(), payment=(), usb=(), serial=(), midi=()",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}

log = logging.getLogger(__name__)


class Refused(Exception):
    def __init__(self, status: int, text: str):
        super().__init__(text)
        self.status = status


class Rates:
    """A bucket of tokens for each client; the least recently seen are forgotten."""

    def __init__(self) -> None:
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, client: str, rate: float, burst: float) -> bool:
        now = time.monotonic()
        tokens, then = self._buckets.pop(client, (burst, now))
        tokens = min(burst, tokens + (now - then) * rate)
        allowed = tokens >= 1
        self._buckets[client] = (tokens - allowed, now)
        while len(self._buckets) > _MOST_COUNTED:
            self._buckets.popitem(last=False)
        return allowed


class Gate:
    """The ASGI middleware around all pages."""

    def __init__(self, app: ASGIApp, shop: Shop, people: People):
        self._app, self._shop, self._people, self._rates = app, shop, people, Rates()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        started = False

        async def finished(message: Message) -> None:
            nonlocal started
            if message["type"] in ("http.response.start", "websocket.http.response.start"):
                started = True
                _finish(scope, message)
            elif message["type"] == "websocket.accept":
                started = True
            await send(message)

        try:
            await self._pass(scope, receive, finished)
        except Exception as error:     # a mistake of ours: one line to the person, the details to the log
            if isinstance(error, Refused):
                status, text = error.status, str(error)
            else:
                log.exception("%s %s", scope.get("method", "WebSocket"), scope["path"])
                status, text = 500, "this went wrong in the program; the record is kept, do it again, or look into serve.log beside the records"
            if started:
                raise
            await _refuse(scope, receive, finished, status, text)

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        connection = HTTPConnection(scope)
        address = connection.client.host if connection.client else "?"
        self._check_host(connection.headers)
        secret = connection.cookies.get(cookie_name(self._shop.lan), "")
        session = self._people.session(secret)
        client, limits = (session.key, (_PAIRED_RATE, _PAIRED_BURST)) if session else (address, (_STRANGER_RATE, _STRANGER_BURST))
        if not self._rates.allows(client, *limits):
            raise Refused(429, "too many requests at once; wait a minute, then load the page again")
        self._check_origin(connection)
        state = scope.setdefault("state", {})
        state["person"] = session.person if session else None
        state["session"] = session
        state["csrf"] = csrf_token(secret) if session else ""
        if session is None and not _is_open(scope["path"]):
            if scope["type"] == "websocket":
                raise Refused(401, "this device is not paired; open /pair")
            await to_pairing(Request(scope))(scope, receive, send)
            return
        if scope["type"] == "http":
            receive = await self._body(connection.headers, scope, receive, session is not None)
        await self._app(scope, receive, send)

    def _check_host(self, headers: Headers) -> None:
        """A foreign name that was made to point at this machine is no way in."""
        if len(headers.getlist("host")) != 1 or _host_name(headers["host"]) not in self._shop.hosts:
            raise Refused(421, "this machine is not known by that name; open the address that hoodnote serve printed")

    def _check_origin(self, connection: HTTPConnection) -> None:
        """Required of a WebSocket, which no CSRF token comes before, and wherever a browser gives it."""
        origin, scheme = connection.headers.get("origin"), connection.scope["scheme"]
        own = f"{ {'ws': 'http', 'wss': 'https'}.get(scheme, scheme) }://{connection.headers['host']}".lower()
        asks = connection.scope["type"] == "websocket" or connection.scope["method"] not in _SAFE_METHODS
        fetched = connection.headers.get("sec-fetch-site", "same-origin")
        if asks and (fetched not in ("same-origin", "none") or (origin or own).lower() != own) or (
                origin is None and connection.scope["type"] == "websocket"):
            raise Refused(403, "this came from another page; open hoodnote's own page and do it there")

    async def _body(self, headers: Headers, scope: Scope, receive: Receive, paired: bool) -> Receive:
        """Counts what comes; a change needs the token of its session, in the header `csrf` or, for a form, in its field `csrf`."""
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BYTES:
            raise Refused(413, f"this is larger than {MOST_BYTES // 1_000_000} MB; send something smaller")
        if scope["method"] in _SAFE_METHODS:
            return receive
        if scope["method"] != "POST":
            return receive           # the pages answer 405
        if not paired:               # /pair alone, and it asks for a code
            return _whole(await _read_form(receive))
        token = headers.get("csrf")
        if token is None and headers.get("content-type", "").partition(";")[0].strip().lower() == "application/x-www-form-urlencoded":
            data = await _read_form(receive)
            token, receive = _field(data, "csrf"), _whole(data)
        if not secrets.compare_digest((token or "").encode(), scope["state"]["csrf"].encode()):
            raise Refused(403, "this page is from an earlier session; load it again and do it once more")
        return _counted(receive)


def cookie_name(lan: bool) -> str:
    """Under TLS the browser itself holds the cookie to this host, to Secure and to the whole of it."""
    return f"__Host-{COOKIE}" if lan else COOKIE


def _is_open(path: str) -> bool:
    return any(path == p or (p.endswith("/") and path.startswith(p)) for p in OPEN)


def _host_name(host: str) -> str:
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _field(data: bytes, name: str) -> str | None:
    try:
        return parse_qs(data.decode("ascii"), max_num_fields=200).get(name, [None])[0]
    except ValueError:
        return None


async def _read_form(receive: Receive) -> bytes:
    data = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise Refused(400, "the sending was cut off; do it again")
        data += message.get("body", b"")
        if len(data) > MOST_FORM_BYTES:
            raise Refused(413, "the form is too long; write less")
        if not message.get("more_body"):
            return bytes(data)


def _whole(data: bytes) -> Receive:
    left = [data]

    async def receive() -> Message:
        return {"type": "http.request", "body": left.pop(), "more_body": False} if left else {"type": "http.disconnect"}
    return receive


def _counted(receive: Receive) -> Receive:
    seen = 0

    async def counting() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > MOST_BYTES:
            raise Refused(413, f"this is larger than {MOST_BYTES // 1_000_000} MB; send something smaller")
        return message
    return counting


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 4000 + status, "reason": text})
    else:
        scope.setdefault("state", {})
        await problem(Request(scope), status, text)(scope, receive, send)


def _finish(scope: Scope, message: Message) -> None:
    headers = MutableHeaders(scope=message)
    for name, value in _HEADERS.items():
        headers.setdefault(name, value)
    headers.setdefault("cache-control", "no-cache" if scope["path"].startswith("/static/") and message["status"] < 400 else "no-store")
