"""What pages send is kept once, however often and in whatever order it comes; who did what is never changed."""

from __future__ import annotations

import itertools
import os
import random
import sqlite3
import subprocess
import sys
import threading
from decimal import Decimal

import pytest

from hoodnote.errors import HoodnoteError
from hoodnote.jobs import migrations, schema
from hoodnote.jobs.store import DATABASE, Store
from hoodnote.readings.model import Entry, Origin, Standing
from hoodnote.statements.model import Measured


def sent(store, job, delivery, content=b"photo"):
    kept = store.keep_bytes(content, ".jpg")
    return store.add_capture(job, "photo", sha256=kept.sha256, delivery=delivery, told={"kind": "label"})


def test_what_comes_twice_makes_one_capture(store, job):
    first = sent(store, job, "delivery-1")
    assert store.delivered("delivery-1") == first
    assert sent(store, job, "delivery-1") == first
    assert store.captures(job) == [first]
    assert store.delivered("delivery-2") is None
    assert store.told(first) == {"kind": "label"}


def test_the_same_photo_sent_on_purpose_twice_is_two_captures(store, job):
    assert sent(store, job, "delivery-1").id != sent(store, job, "delivery-2").id


def test_one_name_for_two_things_is_refused_and_neither_is_lost(store, job):
    other = store.create_job("WO-2")
    first = sent(store, job, "delivery-1")
    with pytest.raises(HoodnoteError, match="send it once more"):
        sent(store, job, "delivery-1", b"another photo")
    with pytest.raises(HoodnoteError, match="send it once more"):
        sent(store, other, "delivery-1")
    assert store.captures(job) == [first] and store.captures(other) == []


@pytest.mark.parametrize("name", ["", "short", "x" * 65, "line\nbreak-in-it", "ümlaut-in-it"])
def test_a_name_that_is_none_is_refused_and_nothing_is_kept(store, job, name):
    with pytest.raises(HoodnoteError, match="8 to 64 plain characters"):
        sent(store, job, name)
    assert store.captures(job) == []


def test_any_order_with_any_repeats_comes_to_the_same(tmp_path):
    names = [f"delivery-{i}" for i in range(6)]
    pick = random.Random(5)
    for trial in range(20):
        with Store.open(tmp_path / str(trial)) as store:
            job = store.create_job("WO-1")
            sends = names * 3
            pick.shuffle(sends)
            for name in sends:
                sent(store, job, name, name.encode())
            assert len(store.captures(job)) == len(names)
            contents = {name: store.media_path(store.delivered(name).sha256).read_bytes() for name in names}
            assert contents == {name: name.encode() for name in names}


def test_sends_of_one_delivery_at_once_make_one_capture(tmp_path):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
    together, made = threading.Barrier(4), []

    def send():
        with Store.open(tmp_path) as own:
            together.wait()
            made.append(sent(own, job, "delivery-1"))

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 4 and len(set(made)) == 1
    with Store.open(tmp_path) as store:
        assert store.captures(job) == [made[0]]


@pytest.mark.parametrize("stop", ["_add_delivery", "is_pending"])
def test_killed_before_the_end_of_a_delivery_leaves_all_of_it_or_nothing(tmp_path, stop):
    script = f"""
import os, signal, sys
from pathlib import Path
from hoodnote.jobs.store import Store
store = Store.open(Path({str(tmp_path)!r}))
job = store.create_job("WO-1")
setattr(Store, {stop!r}, lambda *_: os.kill(os.getpid(), signal.SIGKILL))
capture = store.add_capture(job, "typed", text="x", delivery="delivery-1")
store.is_pending(capture)
"""
    assert subprocess.run([sys.executable, "-c", script]).returncode == -9
    with Store.open(tmp_path) as store:
        kept = store.captures(store.job("WO-1"))
        assert kept == ([] if stop == "_add_delivery" else [store.delivered("delivery-1")])


def test_acts_come_back_in_order_and_belong_to_their_job(store, job):
    other = store.create_job("WO-2")
    entry = store.add_entry(job, Entry(Measured("low_side", Decimal(30), "psi"), Standing.CONFIRMED, Origin("typed")), None)
    acts = [store.add_act(job, "Ada", "technician", "confirmed", entry_id=entry.id), store.add_act(job, "Bo", "advisor", "signed", entry_id=entry.id)]
    assert store.acts(job) == acts and store.acts(other) == []
    with pytest.raises(sqlite3.IntegrityError):
        store.add_act(other, "Ada", "technician", "confirmed", entry_id=entry.id)


@pytest.mark.parametrize("table", schema.SENT_TABLES)
def test_deliveries_and_acts_cannot_be_changed_deleted_or_replaced(tmp_path, table):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
        sent(store, job, "delivery-1")
        sent(store, job, "delivery-2", b"another")
        store.add_act(job, "Ada", "technician", "sent", capture_id=1)
    stranger = sqlite3.connect(tmp_path / DATABASE)   # a plain connection: the file itself must hold the rule
    columns = [row[1] for row in stranger.execute(f"PRAGMA table_info({table})")]
    before = stranger.execute(f"SELECT * FROM {table}").fetchall()
    attempts = [f"UPDATE {table} SET {column} = {column}" for column in columns]
    attempts += [f"DELETE FROM {table}", f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}"]
    if table == "deliveries":   # a new number with a name, or a capture, that is there already
        attempts += ["INSERT OR REPLACE INTO deliveries SELECT 9, delivery, job_id, 9, told FROM deliveries WHERE id = 1",
                     "INSERT OR REPLACE INTO deliveries SELECT 9, 'delivery-9', job_id, capture_id, told FROM deliveries WHERE id = 1"]
    for attempt in attempts:
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            stranger.execute(attempt)
    assert stranger.execute(f"SELECT * FROM {table}").fetchall() == before
    stranger.close()


def test_a_record_of_the_version_before_takes_deliveries_after_it_was_brought_up(tmp_path):
    path = tmp_path / DATABASE
    connection = sqlite3.connect(path, isolation_level=None)
    migrations.migrate(connection, path, migrations.STEPS[:2])
    connection.execute("INSERT INTO jobs (work_order, opened_at, units) VALUES ('WO-1', '2026-01-01T00:00:00+00:00', 'us')")
    connection.close()
    with Store.open(tmp_path) as store:
        job = store.job("WO-1")
        assert sent(store, job, "delivery-1") == store.delivered("delivery-1")
    assert len(list(tmp_path.glob("*-version2-*"))) == 1


def test_a_job_is_found_by_its_number(store, job):
    assert store.job_by_id(job.id) == job
    with pytest.raises(HoodnoteError, match="list of jobs"):
        store.job_by_id(99)


def test_a_capture_is_found_only_in_its_own_job_and_is_pending_until_handled(store, job):
    capture, other = sent(store, job, "delivery-1"), store.create_job("WO-2")
    assert store.capture(job, capture.id) == capture and store.capture(other, capture.id) is None
    assert store.is_pending(capture)
    store.finish(capture, "done")
    assert not store.is_pending(capture)


def test_clock_jumps_do_not_change_the_order_of_what_was_recorded(store, job, monkeypatch):
    stamps = itertools.cycle(["2026-05-01T10:00:00+00:00", "1970-01-01T00:00:00+00:00", "2099-01-01T00:00:00+00:00"])
    for module in ("hoodnote.jobs.store.now", "hoodnote.jobs.sent.now"):
        monkeypatch.setattr(module, lambda: next(stamps))
    captures = [sent(store, job, f"delivery-{i}", bytes([65 + i])) for i in range(4)]
    assert store.captures(job) == store.pending(job) == captures
    acts = [store.add_act(job, "Ada", "technician", "sent", capture_id=c.id) for c in captures]
    assert store.acts(job) == acts


def test_what_is_still_arriving_is_gone_at_the_end_and_after_a_crash_is_swept(tmp_path):
    script = f"""
import os, signal
from pathlib import Path
from hoodnote.jobs.store import Store
store = Store.open(Path({str(tmp_path)!r}))
store.keep_bytes(b"kept", ".jpg")
arriving = store.arriving()
folder = arriving.__enter__()
(folder / "half.jpg").write_bytes(b"half a pho")
(folder.parent / "incoming-left").write_bytes(b"half a cli")
os.kill(os.getpid(), signal.SIGKILL)
"""
    assert subprocess.run([sys.executable, "-c", script]).returncode == -9
    media = tmp_path / "media"
    with Store.open(tmp_path) as store:
        assert store.sweep() == 0                 # another process may be writing them
        for path in [*media.glob("incoming-*/*"), *media.glob("incoming-*")]:
            os.utime(path, (0, 0))
        assert store.sweep() == 2
        kept = [p for p in media.rglob("*") if p.is_file()]
        assert [p.read_bytes() for p in kept] == [b"kept"]
        with store.arriving() as folder:
            (folder / "photo.jpg").write_bytes(b"x")
        assert not list(media.glob("incoming-*"))


def test_entries_and_outcome_of_a_capture_are_told(store, job):
    capture, other = sent(store, job, "delivery-1"), sent(store, job, "delivery-2", b"another")
    assert store.outcome(capture) is None and store.entries_of(capture) == []
    entry = store.add_entry(job, Entry(Measured("low_side", Decimal(30), "psi"), Standing.CONFIRMED, Origin("typed")), capture)
    store.finish(capture, "failed", "too dark")
    assert store.entries_of(capture) == [entry] and store.entries_of(other) == []
    assert store.outcome(capture) == ("failed", "too dark")
    store.finish(capture, "done")
    assert store.outcome(capture) == ("done", "")


def test_several_connections_of_one_process_and_another_process_see_one_record(tmp_path):
    """POSIX drops all locks of a process on a file when it closes any of its descriptors (fcntl(2)): a further store must not cost the
    first its locks, or the other process takes itself for the last one and puts the first one's log away."""
    count = f"import sqlite3; print(sqlite3.connect({str(tmp_path / DATABASE)!r}).execute('SELECT count(*) FROM captures').fetchone()[0])"

    def seen_from_outside() -> int:
        return int(subprocess.run([sys.executable, "-c", count], capture_output=True, text=True, check=True).stdout)

    with Store.open(tmp_path) as first:
        job = first.create_job("WO-1")
        for number in range(1, 4):
            with Store.open(tmp_path) as further:
                sent(further, job, f"delivery-a{number}")
            assert seen_from_outside() == 2 * number - 1
            sent(first, job, f"delivery-b{number}")
            assert seen_from_outside() == 2 * number
