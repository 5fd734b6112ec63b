"""The hearing processes that all bays share: whose clip is heard when, and what one that dies costs. Listeners are stand-ins (live_engines)."""

from __future__ import annotations

import time
from multiprocessing import Pipe

from hoodnote.intake.hearing_messages import Clip, HeardAhead, Ready, Result, Setup, Woken
from hoodnote.intake.live import wav
from hoodnote.web import listening_pool
from hoodnote.web.listening_pool import ListeningPool
from tests import live_engines
from tests.test_live import messages, spoken, values, word


def test_pool_hears_for_each_bay_and_a_clip_that_breaks_it_costs_the_others_nothing(tmp_path, store):
    pool = ListeningPool(Setup(tmp_path / "data", live_engines.quick), processes=2)
    jobs = [store.create_job(f"WO-{n}", "us") for n in range(6)]
    bays = [pool.ears(job) for job in jobs]

    def clip(job, hundredths):
        return store.add_capture(job, "clip", sha256=store.keep_bytes(wav(spoken(hundredths)), ".wav").sha256)

    try:
        for bay in bays:
            assert messages(bay, Ready).engines == ("one", "two")
        bays[0].wake(spoken(25))
        bays[1].ahead(wav(spoken(15)))
        for bay, job, hundredths in zip(bays[1:], jobs[1:], (15, 40, 10, 50, 10)):
            bay.begin(clip(job, hundredths))
        assert messages(bays[0], Woken).yes
        assert "kept" in messages(bays[2], Result).problem and not bays[2].busy
        for bay in (bays[1], *bays[3:]):
            assert messages(bay, Result).taken is not None and not bay.busy
        assert [values(store, job) for job in jobs] == [[], [44], [], [30], [210], [30]]
    finally:
        pool.close()


class Scripted:
    """In place of a hearing process: keeps what it is sent, and tells what the test puts into `line`."""

    def __init__(self, setup):
        self.connection, self.line = Pipe()
        self.sent = []

    def send(self, task):
        self.sent.append(task)

    def receive(self):
        return self.connection.recv() if self.connection.poll() else None

    def close(self):
        """Nothing to close."""


def test_pool_hears_no_clip_twice_and_gives_it_to_whoever_is_free(tmp_path, store, monkeypatch):
    monkeypatch.setattr(listening_pool, "Listeners", Scripted)
    pool = ListeningPool(Setup(tmp_path / "data", live_engines.none), processes=2)
    jobs = [store.create_job(f"WO-{n}") for n in range(4)]
    bays = [pool.ears(job) for job in jobs]
    first, second = (p.listeners for p in pool._processes)
    captures = [store.add_capture(job, "clip", sha256=store.keep_bytes(wav(spoken(10 + 5 * n)), ".wav").sha256) for n, job in enumerate(jobs)]

    def told(process, message):
        process.line.send(message)
        return messages(bays[captures.index(next(c for c in captures if c.id == message.capture_id))], Result)

    def until(count, process):
        give_up = time.monotonic() + 30
        while len(process.sent) < count and time.monotonic() < give_up:
            time.sleep(0.01)
        return [(task.capture, task.heard) for task in process.sent if isinstance(task, Clip)]

    try:
        for process in (first, second):
            process.line.send(Ready(("one", "two")))
        assert messages(bays[0], Ready)
        give_up = time.monotonic() + 30
        while not all(p.idle for p in pool._processes) and time.monotonic() < give_up:
            time.sleep(0.01)
        bays[0].ahead(wav(spoken(10)))
        until(1, first)
        for bay, capture in zip(bays[1:], captures[1:], strict=True):
            bay.begin(capture)
        bays[0].begin(captures[0])
        assert until(1, second) == [(captures[1], None)]
        told(second, Result(captures[1].id, None, "nothing"))          # the one that is being heard ahead is not heard here as well
        assert until(2, second) == [(captures[1], None), (captures[2], None)]
        first.line.send(HeardAhead(captures[0].sha256, "what was heard"))
        assert until(2, first) == [(captures[0], "what was heard")]      # at once, before the one that has waited longer
        told(first, Result(captures[0].id, None, "nothing"))
        assert until(3, first)[1:] == [(captures[3], None)]
        assert len(second.sent) == 2
    finally:
        pool.close()


def test_bay_that_talks_without_end_keeps_no_other_waiting(tmp_path, store):
    pool = ListeningPool(Setup(tmp_path / "data", live_engines.busy), processes=1)
    talker, other = (pool.ears(store.create_job(f"WO-{n}")) for n in range(2))
    sha = store.keep_bytes(wav(spoken(35)), ".wav").sha256
    try:
        messages(talker, Ready)
        messages(other, Ready)
        begun = []
        for turn in range(6):
            for bay in (talker, other) if turn == 3 else (talker,):
                bay.begin(store.add_capture(store.job(f"WO-{int(bay is other)}"), "clip", sha256=sha))
                begun.append(bay)
            messages(begun[-1], Result)
            if turn == 3:
                assert messages(talker, Result)
    finally:
        pool.close()


def test_pool_without_listeners_says_so_and_keeps_the_clips(tmp_path, store, job):
    pool = ListeningPool(Setup(tmp_path / "data", live_engines.none), processes=1)
    bay = pool.ears(job)
    try:
        assert messages(bay, Ready).engines == ()
        bay.begin(store.add_capture(job, "clip", sha256=store.keep_bytes(wav(word(10)), ".wav").sha256))
        assert "resume" in messages(bay, Result).problem and len(store.pending(job)) == 1
    finally:
        pool.close()
