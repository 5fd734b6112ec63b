"""One heap of the C library for all threads of a process.

With a heap for each thread, what one of them has given back no other can have: the listeners took a fifth more memory so, photos nearly twice as much.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys

_M_ARENA_MAX = -8      # of glibc's mallopt(3)


def share_one_heap() -> None:
    """Before the threads begin; where the C library has no such setting nothing is done."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)
