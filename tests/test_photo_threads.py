"""Work on one photo shared between two threads."""

from __future__ import annotations

import subprocess
import sys
import threading
import time

import pytest

from hoodnote.capture.vision.threads import at_once, loaded_once


def test_two_things_are_done_at_once_and_given_in_their_order():
    met = threading.Barrier(2, timeout=10)          # broken should the second only begin when the first is done
    assert at_once(lambda: (met.wait(), "first")[1], lambda: (met.wait(), "second")[1]) == ("first", "second")


def test_what_is_done_beside_may_do_two_things_itself():
    def both() -> tuple[int, int]:
        return at_once(lambda: 1, lambda: 2)

    assert at_once(both, both) == ((1, 2), (1, 2))


@pytest.mark.parametrize("failing", ["first", "second", "both"])
def test_what_either_raises_is_raised_and_the_next_two_are_done(failing):
    def work(name: str) -> str:
        if failing in (name, "both"):
            raise ValueError(name)
        return name

    with pytest.raises(ValueError, match="first" if failing != "second" else "second"):
        at_once(lambda: work("first"), lambda: work("second"))
    assert at_once(lambda: 1, lambda: 2) == (1, 2)


def test_a_process_that_reads_beside_others_does_one_thing_after_the_other():
    script = ("import threading; from hoodnote.capture.vision.threads import at_once, one_thread, threads; one_thread()\n"
              "name = lambda: threading.current_thread().name\n"
              "print(threads(), set(at_once(name, name)) == {name()})")
    assert subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout.split() == ["1", "True"]


def test_what_two_threads_want_first_is_made_once():
    made = []

    @loaded_once
    def load(name: str) -> str:
        made.append(name)
        time.sleep(0.05)                # long enough for the other thread to come for it as well
        return name

    assert at_once(lambda: load("a"), lambda: load("a")) == ("a", "a") and load("b") == "b"
    assert made == ["a", "b"]
