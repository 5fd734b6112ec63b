"""Runs the pages until Ctrl-C: sockets, certificate, what is printed at the start, the log."""

from __future__ import annotations

import errno
import io
import logging
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from hoodnote.capture.heap import keep_what_is_loaded
from hoodnote.errors import HoodnoteError
from hoodnote.jobs.faults import from_os
from hoodnote.web.people import CODE_S, People
from hoodnote.web.shop import Shop, base_address

if TYPE_CHECKING:
    import uvicorn
    from starlette.applications import Starlette

LOG = "serve.log"
_LOG_BYTES = 2_000_000
_LOCK = "serve.lock"
_END_S = 3                     # open pages and streams get so long after Ctrl-C
_LONGEST_MESSAGE = 1 << 20     # of a WebSocket; the bay sends some 100 KB at most


def serve(shop: Shop, port: int, name: str, role: str, tell: Callable[[str], None]) -> None:
    """Returns after Ctrl-C. `name`, `role`: of the person at the machine; `tell` prints a line. Raises HoodnoteError when it cannot start."""
    from hoodnote.web.app import make_app
    from hoodnote.web.tls import certificate

    with shop.store():         # a record that cannot be opened is told now
        pass
    with only_one(shop.data_dir), listen(port, shop.lan) as heard:
        log_to(shop.data_dir / LOG)
        app = make_app(shop)
        pem, print_of = certificate(shop.data_dir, shop.names) if shop.lan else (None, None)
        for line in greeting(shop, app.state.people, heard.getsockname()[1], name, role, print_of):
            tell(line)
        threading.Thread(target=warm_up, args=(shop,), name="warm up", daemon=True).start()
        made = server(app, pem)
        with suppress(KeyboardInterrupt):     # uvicorn raises it again once all has ended
            made.run([heard])
        if not made.started:
            raise HoodnoteError(f"the pages could not start; {shop.data_dir / LOG} says why")
    tell("ended; everything that was acknowledged is in the record")


def server(app: Starlette, pem: Path | None = None) -> uvicorn.Server:
    import uvicorn

    class Server(uvicorn.Server):
        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            app.state.hub.close()              # or the streams of open pages would be waited for
            await super().shutdown(sockets)

    return Server(uvicorn.Config(
        app, log_config=None, access_log=False, server_header=False, proxy_headers=False, lifespan="on",
        ssl_certfile=pem, timeout_graceful_shutdown=_END_S, ws_max_size=_LONGEST_MESSAGE,
        ws_per_message_deflate=False,          # sound does not get smaller by it, and twenty bays would keep the processor busy
    ))


def warm_up(shop: Shop) -> None:
    """Loads what the first note would wait for, for seconds. What does not load is told when it is needed."""
    with suppress(Exception):
        from hoodnote.intake.hearing_work import load_checks
        from hoodnote.note.compose import compose

        equipment = shop.equipment()
        load_checks(equipment, "us")
        with shop.store() as store:
            for job in store.jobs()[-1:]:
                compose(store, job, equipment)
        keep_what_is_loaded()


def listen(port: int, lan: bool) -> socket.socket:
    """A listening socket: on all networks of this machine, or for this machine alone. Port 0 takes a free one."""
    if not 0 <= port <= 65535:
        raise HoodnoteError(f"a port is 1 to 65535, not {port}; 1024 and above need no special rights")
    try:
        if not lan:
            heard = socket.create_server(("127.0.0.1", port))
        elif socket.has_dualstack_ipv6():
            heard = socket.create_server(("::", port), family=socket.AF_INET6, dualstack_ipv6=True)
        else:
            heard = socket.create_server(("0.0.0.0", port))
        # else the second piece of each answer waits until the browser has acknowledged the first one, 40 ms (RFC 1122 4.2.3)
        heard.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return heard
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise HoodnoteError(f"another program uses port {port}; end it, or name another with --port") from error
        if error.errno in (errno.EACCES, errno.EPERM):
            raise HoodnoteError(f"port {port} may not be used without special rights; name one of 1024 and above with --port") from error
        raise HoodnoteError(f"port {port}: {error.strerror or error}; name another with --port") from error


@contextmanager
def only_one(data_dir: Path) -> Iterator[None]:
    """Two servers would each sweep what the other is just receiving."""
    try:
        import fcntl
    except ImportError:        # not on every platform
        yield
        return
    try:
        lock = (data_dir / _LOCK).open("w")
    except OSError as error:
        raise from_os(error, data_dir / _LOCK) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise HoodnoteError(f"hoodnote serve runs already for the records in {data_dir}; use its pages, or end it first") from error
        yield


def log_to(path: Path) -> None:
    """Warnings and errors with their details; the terminal is for the person at it."""
    logging.raiseExceptions = False           # a full disk must not print tracebacks
    handler = RotatingFileHandler(path, maxBytes=_LOG_BYTES, backupCount=1, encoding="utf-8", delay=True)
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)


def greeting(shop: Shop, people: People, port: int, name: str, role: str, print_of: str | None) -> Iterator[str]:
    own = people.invite(role, name, at_machine=True)
    scheme = "https" if shop.lan else "http"
    yield f"on this machine open  {_link(base_address(scheme, '127.0.0.1', port), own)}&name={quote(name)}"
    if shop.lan:
        if not shop.names:
            yield "this machine has no address on a network yet; connect it, then start again for the other devices"
        else:
            link = _link(base_address(scheme, shop.names[0], port), people.invite(role))
            yield f"on another device open  {link}   ({role})"
            yield _terminal_code(link)
            yield "the browser warns once, because the certificate was made here; its SHA-256 fingerprint is"
            yield str(print_of)
    yield f"each code pairs one device within {CODE_S / 60:.0f} minutes; more under Devices. Ctrl-C ends"


def _link(base: str, code: str) -> str:
    return f"{base}/pair?code={code}"


def _terminal_code(link: str) -> str:
    import segno

    out = io.StringIO()
    segno.make(link, error="l").terminal(out, compact=True)
    return out.getvalue().rstrip("\n")
