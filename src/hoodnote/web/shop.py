"""What all pages work on: the shop's record, its files, and the names this machine is reached by."""

from __future__ import annotations

import queue
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool

from hoodnote.jobs.store import Store

if TYPE_CHECKING:
    from starlette.requests import Request

    from hoodnote.checks.equipment import Equipment
    from hoodnote.jobs.store import Job

_IDLE_STORES = 8          # kept open between requests; opening one reads the whole file through
_LOOPBACK = ("localhost", "127.0.0.1", "::1")


class Shop:
    """`lexicon`: the shop's taught words, if there is a place for them. `lan`: reached from other machines, under TLS."""

    def __init__(self, data_dir: Path, lexicon: Path | None, models_dir: Path, lan: bool = False):
        self.data_dir, self.lexicon, self.models_dir, self.lan = data_dir, lexicon, models_dir, lan
        self.names = own_names() if lan else ()           # best first
        self.hosts = frozenset(n.lower() for n in (*_LOOPBACK, *self.names))
        self._idle: queue.LifoQueue[Store] = queue.LifoQueue()

    @contextmanager
    def store(self) -> Iterator[Store]:
        """The record, for one thread at a time and not in the event loop. Raises HoodnoteError when it cannot be opened."""
        try:
            store = self._idle.get_nowait()
        except queue.Empty:
            store = Store.open(self.data_dir, threads=True)
        try:
            yield store
        except BaseException:
            store.close()                                  # in whatever state the failure left it
            raise
        if self._idle.qsize() < _IDLE_STORES:
            self._idle.put(store)
        else:
            store.close()

    def close(self) -> None:
        with suppress(queue.Empty):
            while True:
                self._idle.get_nowait().close()

    def equipment(self) -> Equipment:
        """Read anew each time, so a changed file counts at once. Raises HoodnoteError naming file, key and what is allowed."""
        from hoodnote.checks.equipment import shop_equipment

        return shop_equipment(self.data_dir)

    def address(self, request: Request) -> str:
        """Scheme, host and port that another device reaches this machine by, without a slash at the end."""
        url = request.url
        name = url.hostname or ""
        if self.names and name.lower().strip("[]") in _LOOPBACK:
            name = self.names[0]
        return base_address(url.scheme, name, url.port)


async def in_job(request: Request, work: Callable[[Store, Job], Any]) -> Any:
    """`work` with the record and the job of the request's path, in a thread of its own. Raises HoodnoteError when there is no such job."""
    shop, job_id = request.app.state.shop, request.path_params["id"]

    def run() -> Any:
        with shop.store() as store:
            return work(store, store.job_by_id(job_id))
    return await run_in_threadpool(run)


def base_address(scheme: str, name: str, port: int | None) -> str:
    host = f"[{name.strip('[]')}]" if ":" in name else name
    return f"{scheme}://{host}" + (f":{port}" if port else "")


def own_names() -> tuple[str, ...]:
    """Addresses and names of this machine on its networks, an address first: not every network knows the names."""
    found = [*_routed(socket.AF_INET, "192.0.2.1"), *_routed(socket.AF_INET6, "2001:db8::1")]     # documentation addresses, RFC 5737 and 3849
    host = socket.gethostname()
    with suppress(OSError):
        found += [str(info[4][0]) for info in socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)]
    names = [host, host if host.endswith(".local") or "." in host else f"{host}.local"]
    return tuple(dict.fromkeys(n for n in (*found, *names) if n and n not in _LOOPBACK and not n.startswith("127.") and "%" not in n))


def _routed(family: int, towards: str) -> list[str]:
    """The address this machine would send from; a UDP socket that is connected sends nothing yet."""
    with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
        probe.connect((towards, 9))
        return [str(probe.getsockname()[0])]
    return []
