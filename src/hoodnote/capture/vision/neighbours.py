"""What lies together: things joined through their neighbours."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

T = TypeVar("T")


def grouped(things: Sequence[T], joined: Callable[[T, T], bool]) -> list[list[T]]:
    """Groups in which each thing is joined to another one, each in the given order; `joined` is asked for (later, earlier)."""
    group = list(range(len(things)))

    def root(i: int) -> int:
        while group[i] != i:
            i = group[i]
        return i

    for i, one in enumerate(things):
        for j in range(i):
            if joined(one, things[j]):
                group[root(i)] = root(j)
    members: dict[int, list[T]] = {}
    for i, thing in enumerate(things):
        members.setdefault(root(i), []).append(thing)
    return list(members.values())
