"""Who is looking at a job is told when its record grows. It carries no content: whoever is told looks into the record."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from threading import Lock

NOTHING = ""                 # what `listen` gives when nothing was told for a while


class _Listener:
    """What was told since it last looked, each kind once, so a slow page holds no queue."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._kinds: dict[str, None] = {}
        self._told = asyncio.Event()

    def tell(self, kind: str) -> None:
        try:
            self._loop.call_soon_threadsafe(self._take, kind)
        except RuntimeError:         # its loop has ended, and so has its page
            pass

    def _take(self, kind: str) -> None:
        self._kinds[kind] = None
        self._told.set()

    async def next(self, wait_s: float) -> list[str]:
        try:
            async with asyncio.timeout(wait_s):
                await self._told.wait()
        except TimeoutError:
            return []
        kinds = list(self._kinds)
        self._kinds.clear()
        self._told.clear()
        return kinds

    def wake(self) -> None:
        self._told.set()


class Hub:
    """One for an application; `tell` may be called from any thread."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._listeners: dict[int, set[_Listener]] = {}
        self._closed = False

    def tell(self, job_id: int, kind: str) -> None:
        with self._lock:
            listeners = tuple(self._listeners.get(job_id, ()))
        for listener in listeners:
            listener.tell(kind)

    def close(self) -> None:
        """In the event loop: all that listen come to their end, and nobody listens any more."""
        self._closed = True
        for listener in [one for listeners in self._listeners.values() for one in listeners]:
            listener.wake()

    async def listen(self, job_id: int, wait_s: float = 15.0) -> AsyncIterator[str]:
        """The kinds that are told from the first step on; NOTHING after `wait_s` seconds without any. Close it to stop listening."""
        listener = _Listener()
        with self._lock:
            self._listeners.setdefault(job_id, set()).add(listener)
        try:
            while not self._closed:
                for kind in await listener.next(wait_s) or [NOTHING]:
                    yield kind
        finally:
            with self._lock:
                self._listeners[job_id].discard(listener)
                if not self._listeners[job_id]:
                    del self._listeners[job_id]

    def listening(self, job_id: int) -> int:
        with self._lock:
            return len(self._listeners.get(job_id, ()))
