"""How many threads one photo may use, and how its work is shared among them."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache, wraps
from typing import ParamSpec, TypeVar

from hoodnote.capture.heap import keep_what_is_free, share_one_heap

A, B, P = TypeVar("A"), TypeVar("B"), ParamSpec("P")
THREADS = 2
_threads = THREADS
_helping = threading.local()

share_one_heap()
keep_what_is_free()


def threads() -> int:
    return _threads


def one_thread() -> None:
    """For a process that reads beside others of its kind, before its first photo."""
    global _threads
    import cv2

    _threads = 1
    cv2.setNumThreads(1)


def loaded_once(load: Callable[P, A]) -> Callable[P, A]:
    """What it gives for the same arguments is kept, as by `cache`; two threads that want it first do not both make it."""
    kept, one_by_one = cache(load), threading.Lock()

    @wraps(load)
    def wanted(*args: P.args, **named: P.kwargs) -> A:
        with one_by_one:
            return kept(*args, **named)

    wanted.cache_clear = kept.cache_clear
    return wanted


@loaded_once
def pool() -> ThreadPoolExecutor:
    """For many small pieces of work that wait for nothing."""
    return ThreadPoolExecutor(_threads)      # kept: memory that a thread's network has used stays with the thread


def at_once(first: Callable[[], A], second: Callable[[], B]) -> tuple[A, B]:
    """What both give; the second is done meanwhile where a thread is free for it, after the first where none is. What either raises is
    raised, the first one's before the second's."""
    if _threads == 1 or getattr(_helping, "now", False):
        return first(), second()
    ahead = _helper().submit(_help, second)
    try:
        done = first()
    except BaseException:
        ahead.cancel()
        raise
    return done, (second() if ahead.cancel() else ahead.result())


def _help(work: Callable[[], B]) -> B:
    _helping.now = True
    return work()


@loaded_once
def _helper() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(1)
