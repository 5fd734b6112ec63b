"""How a process keeps its memory: one heap of the C library for all of its threads, and what is free in it.

With a heap for each thread, what one of them has given back no other can have: the listeners took a fifth more memory so, photos nearly twice as much.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import sys

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8      # of glibc's mallopt(3)
_KEPT = 64 << 20       # bytes


def share_one_heap() -> None:
    """Before the threads begin; where the C library has no such setting nothing is done."""
    _set(_M_ARENA_MAX, 1)


def keep_what_is_free() -> None:
    """Pictures that are made and given back all the time take memory that is there already, not new pages each: a twentieth of a photo's time and more."""
    _set(_M_MMAP_THRESHOLD, _KEPT // 2)
    _set(_M_TRIM_THRESHOLD, _KEPT)


def load_without_searching() -> None:
    """Python's search for garbage rests until `keep_what_is_loaded`: while a language is loaded it goes through all of it several times."""
    gc.disable()


def keep_what_is_loaded() -> None:
    """Once all is loaded that is used to the end: Python's search for garbage passes it over from then on. With a language in memory it stopped everything for a
    fifth of a second each time, in the middle of a clip."""
    gc.collect()
    gc.freeze()
    gc.enable()


def _set(what: int, value: int) -> None:
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(what, value)
