"""The record of jobs: nothing changed, nothing lost, nothing half written."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import os
import sqlite3
import stat
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodnote.checks.model import Warning
from hoodnote.errors import HoodnoteError
from hoodnote.jobs import migrations, schema
from hoodnote.jobs.store import DATABASE, Store
from hoodnote.readings.model import Entry, Origin, Standing, Version
from hoodnote.statements.model import Control, Correction, Fact, Measured, Step, Supply


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path) as opened:
        yield opened


@pytest.fixture
def job(store):
    return store.create_job("WO-1042")


def an_entry(value="30", **changes) -> Entry:
    entry = Entry(Measured("low_side", Decimal(value), "psi"), Standing.CONFIRMED, Origin("typed"))
    return dataclasses.replace(entry, **changes)


# jobs ----------------------------------------------------------------------------------------------------


def test_a_job_is_found_again_after_reopening(tmp_path):
    with Store.open(tmp_path) as store:
        made = store.create_job("WO-7 b", "metric")
    with Store.open(tmp_path) as store:
        assert store.jobs() == [made]
        assert store.job(" wo-7  B ") == made
    assert made.units == "metric"
    assert abs(made.opened_at - datetime.now(UTC)) < timedelta(minutes=1)


@pytest.mark.parametrize("work_order", ["", "   ", "x" * 65, "a\x00b", "a\x1b[31mb"])
def test_work_orders_that_cannot_be_are_refused(store, work_order):
    with pytest.raises(HoodnoteError, match="printable"):
        store.create_job(work_order)


def test_a_second_job_of_one_work_order_is_refused(store, job):
    with pytest.raises(HoodnoteError, match="exists already"):
        store.create_job("wo-1042")
    assert store.jobs() == [job]


def test_an_unknown_work_order_names_the_closest(store, job):
    store.create_job("WO-1043")
    store.create_job("quite different")
    with pytest.raises(HoodnoteError) as refused:
        store.job("WO-142")
    assert "WO-1042" in str(refused.value)
    assert "quite different" not in str(refused.value)


# entries and their history -------------------------------------------------------------------------------

decimals = st.decimals(allow_nan=False, allow_infinity=False, places=2, min_value=-30, max_value=900)
plain = st.one_of(
    st.builds(Measured, st.just("low_side"), decimals, st.sampled_from(["psi", "kPa", "bar", "inHg"]), st.booleans(),
              st.sampled_from([None, "off", "running"]), st.one_of(st.none(), decimals)),
    st.builds(Supply, st.just("fuse_in"), st.booleans()),
    st.builds(Step, st.just("replaced"), st.sampled_from([None, "compressor"])),
    st.builds(Fact, st.just("complaint"), st.text(st.characters(exclude_categories=["Cs"]))),
    st.builds(Control, st.just("withdraw")),
)
statements = st.one_of(st.none(), plain, st.builds(Correction, plain.filter(lambda s: not isinstance(s, Control))))
ratios = st.one_of(st.none(), st.floats(0, 1))
entries = st.builds(
    Entry, statements, st.sampled_from(Standing),
    st.builds(Origin, st.just("clip"), st.none(), st.one_of(st.none(), st.just("ab" * 32)), st.one_of(st.none(), st.just("clip ü.wav")),
              st.one_of(st.none(), st.tuples(st.floats(0, 9), st.floats(0, 9))), st.lists(st.sampled_from(["one", "two"])).map(tuple)),
    ratios, st.lists(st.builds(Version, st.just("one"), st.text(st.characters(exclude_categories=["Cs"])), statements, ratios), max_size=3).map(tuple),
    st.none(), st.one_of(st.none(), st.just("30 or 13?")),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(entries, max_size=3))
def test_entries_come_back_exactly_as_they_were_given(given_entries):
    import tempfile

    with tempfile.TemporaryDirectory() as directory, Store.open(Path(directory)) as store:
        job = store.create_job("WO-1")
        recorded = [store.add_entry(job, entry, None) for entry in given_entries]
        assert store.entries(job) == recorded
        assert [dataclasses.replace(e, id=None, recorded_at=None) for e in recorded] == given_entries


def test_an_entry_supersedes_only_within_its_own_job(store, job):
    other = store.create_job("WO-2")
    first = store.add_entry(job, an_entry(), None)
    second = store.add_entry(job, an_entry("35", supersedes=first.id), None)
    assert [e.supersedes for e in store.entries(job)] == [None, first.id]
    with pytest.raises(sqlite3.IntegrityError):
        store.add_entry(other, an_entry(supersedes=second.id), None)
    with pytest.raises(sqlite3.IntegrityError):
        store.add_entry(job, an_entry(supersedes=999), None)
    with pytest.raises(ValueError, match="recorded already"):
        store.add_entry(job, second, None)
    assert store.entries(other) == []


def test_accounts_and_warnings_come_back(store, job):
    capture = store.add_capture(job, "typed", text="low side thirty psi")
    store.add_account(capture, "one", 0, "low side thirty psi", 0.9, {"words": [["low", 0.1, 0.3, 0.95]]})
    store.add_account(capture, "one", 1, "low side thirteen psi", None, None)
    entry = store.add_entry(job, an_entry(), capture)
    warning = Warning("pump_on_pressure", "recover first", (entry.id,), "40 CFR 82.34")
    store.add_warning(job, warning, entry.id)

    first, second = store.accounts(capture.id)
    assert (first.reader, first.rank, first.text, first.confidence) == ("one", 0, "low side thirty psi", 0.9)
    assert first.detail == {"words": [["low", 0.1, 0.3, 0.95]]}
    assert (second.rank, second.confidence, second.detail) == (1, None, None)
    (shown,) = store.warnings(job)
    assert (shown.warning, shown.entry_id) == (warning, entry.id)


@pytest.mark.parametrize("table", schema.KEPT_TABLES)
def test_nothing_of_the_record_can_be_changed_deleted_or_replaced(tmp_path, table):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
        capture = store.add_capture(job, "typed", text="x")
        store.add_account(capture, "one", 0, "x", 0.5, None)
        entry = store.add_entry(job, an_entry(), capture)
        store.finish(capture, "done")
        store.add_warning(job, Warning("w", "careful"), entry.id)
    stranger = sqlite3.connect(tmp_path / DATABASE)   # a plain connection: the file itself must hold the rule
    columns = [row[1] for row in stranger.execute(f"PRAGMA table_info({table})")]
    before = stranger.execute(f"SELECT * FROM {table}").fetchall()
    assert len(before) == 1
    attempts = [f"UPDATE {table} SET {column} = {column}" for column in columns]
    attempts += [f"DELETE FROM {table}", f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}"]
    for attempt in attempts:
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            stranger.execute(attempt)
    assert stranger.execute(f"SELECT * FROM {table}").fetchall() == before
    stranger.close()


# captures and crashes ------------------------------------------------------------------------------------


def test_a_capture_is_pending_until_it_has_an_outcome(store, job):
    first, second, third = (store.add_capture(job, "typed", text=text) for text in "abc")
    assert store.pending(job) == [first, second, third]
    store.finish(first, "done")
    store.finish(second, "failed", "no sound in it")
    assert store.pending(job) == [third]
    assert store.failures(job) == [(second, "no sound in it")]
    store.finish(second, "done")
    assert store.failures(job) == []


def test_a_process_killed_after_the_capture_leaves_clip_and_capture(tmp_path):
    clip = tmp_path / "clip.wav"
    clip.write_bytes(b"RIFF and so on")
    data = tmp_path / "data"
    script = f"""
import os, signal
from pathlib import Path
from hoodnote.jobs.store import Store
store = Store.open(Path({str(data)!r}))
job = store.create_job("WO-1")
kept = store.keep_file(Path({str(clip)!r}))
store.add_capture(job, "clip", sha256=kept.sha256, original_name="clip.wav")
os.kill(os.getpid(), signal.SIGKILL)
"""
    assert subprocess.run([sys.executable, "-c", script]).returncode == -9
    with Store.open(data) as store:
        (capture,) = store.pending(store.job("WO-1"))
        assert store.media_path(capture.sha256).read_bytes() == b"RIFF and so on"


def test_what_is_added_together_is_kept_whole_or_not_at_all(store, job):
    capture = store.add_capture(job, "typed", text="x")
    with pytest.raises(ZeroDivisionError):
        with store.together():
            store.add_entry(job, an_entry(), capture)
            with store.together():
                store.finish(capture, "done")
            raise ZeroDivisionError
    assert store.entries(job) == []
    assert store.pending(job) == [capture]
    with store.together():
        store.add_entry(job, an_entry(), capture)
        store.finish(capture, "done")
    assert len(store.entries(job)) == 1
    assert store.pending(job) == []


def test_two_processes_append_to_one_job_at_once(tmp_path):
    script = f"""
import sys
from pathlib import Path
from hoodnote.jobs.store import Store
with Store.open(Path({str(tmp_path)!r})) as store:
    try:
        job = store.create_job("WO-1")
    except Exception:
        job = store.job("WO-1")
    for number in range(60):
        capture = store.add_capture(job, "typed", text=f"{{sys.argv[1]}} {{number}}")
        store.finish(capture, "done")
"""
    running = [subprocess.Popen([sys.executable, "-c", script, name], stderr=subprocess.PIPE) for name in ("a", "b")]
    for process in running:
        assert process.communicate(timeout=60)[1] == b""
        assert process.returncode == 0
    with Store.open(tmp_path) as store:
        texts = [capture.text for capture in store.captures(store.job("WO-1"))]
    assert sorted(texts) == sorted(f"{name} {number}" for name in "ab" for number in range(60))
    assert [t for t in texts if t.startswith("a")] == [f"a {number}" for number in range(60)]


# clips and photos ----------------------------------------------------------------------------------------


def test_a_file_is_kept_once_under_its_sha_256(store, tmp_path):
    # FIPS 180-2, appendix B.1: the digest of "abc"
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    clip = tmp_path / "Clip One.WAV"
    clip.write_bytes(b"abc")
    kept = store.keep_file(clip)
    assert kept.sha256 == digest
    assert kept.path == tmp_path / "media" / "ba" / f"{digest}.wav"
    assert store.keep_bytes(b"abc", ".flac") == kept
    assert [p for p in (tmp_path / "media").rglob("*") if p.is_file()] == [kept.path]
    assert stat.S_IMODE(kept.path.stat().st_mode) & 0o077 == 0
    clip.unlink()
    assert store.media_path(digest).read_bytes() == b"abc"


def test_a_kept_file_that_was_altered_is_noticed_and_mended_by_keeping_it_again(store):
    kept = store.keep_bytes(b"abc", ".wav")
    assert store.media_intact(kept.sha256)
    kept.path.write_bytes(b"abd")
    assert not store.media_intact(kept.sha256)
    assert store.keep_bytes(b"abc", ".wav") == kept
    assert store.media_intact(kept.sha256)
    kept.path.unlink()
    assert not store.media_intact(kept.sha256)
    with pytest.raises(HoodnoteError, match="is gone"):
        store.media_path(kept.sha256)


@pytest.mark.parametrize("suffix", ["", ".", "./../../evil", ".wav\x00", "." + "x" * 300])
def test_no_suffix_leads_out_of_the_media_directory(store, tmp_path, suffix):
    kept = store.keep_bytes(b"abc", suffix)
    assert kept.path.resolve().parent == (tmp_path / "media" / "ba").resolve()
    assert kept.path.stem == kept.sha256


def test_files_that_are_none_are_refused_and_leave_nothing(store, tmp_path):
    (tmp_path / "empty.wav").touch()
    os.mkfifo(tmp_path / "pipe")
    attempts = {"missing.wav": "there is no", "empty.wav": "empty", ".": "directory"}
    for name, why in attempts.items():
        with pytest.raises(HoodnoteError, match=why):
            store.keep_file(tmp_path / name)
    with pytest.raises(HoodnoteError, match="not a file"):
        store.keep_file(Path(os.devnull))
    with pytest.raises(HoodnoteError, match="name"):
        store.keep_file(Path("a\x00b.wav"))
    assert not [p for p in tmp_path.rglob("*") if "media" in p.parts and p.is_file()]


def test_a_large_file_is_kept_whole(store, tmp_path):
    data = os.urandom(3 * (1 << 20) + 17)
    (tmp_path / "clip.wav").write_bytes(data)
    kept = store.keep_file(tmp_path / "clip.wav")
    assert kept.sha256 == hashlib.sha256(data).hexdigest()
    assert kept.path.read_bytes() == data


def test_a_name_that_is_no_text_is_kept_readable(store, job):
    name = os.fsdecode(b"clip-\xff.wav")
    capture = store.add_capture(job, "clip", sha256="ab" * 32, original_name=name)
    assert store.captures(job) == [capture]
    assert capture.original_name.startswith("clip-")
    capture.original_name.encode()


# full and read-only disks --------------------------------------------------------------------------------


def test_a_full_database_refuses_in_one_line_and_keeps_what_it_had(tmp_path):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
        pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
        store._connection.execute(f"PRAGMA max_page_count = {pages + 3}")   # SQLite itself then reports a full disk
        kept = []
        with pytest.raises(HoodnoteError, match="no room left"):
            for number in range(1000):
                kept.append(store.add_capture(job, "typed", text="x" * 500 + str(number)))
        assert kept
        assert store.captures(job) == kept
    with Store.open(tmp_path) as store:
        assert store.captures(job) == kept
        store.add_capture(job, "typed", text="room again")


def test_a_full_disk_while_keeping_a_clip_leaves_no_half_file(store, tmp_path, monkeypatch):
    def full(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(HoodnoteError, match="no room left") as refused:
        store.keep_bytes(b"abc", ".wav")
    assert "\n" not in str(refused.value)
    assert not [p for p in (tmp_path / "media").rglob("*") if p.is_file()]
    monkeypatch.undo()
    assert store.keep_bytes(b"abc", ".wav").path.read_bytes() == b"abc"


def test_a_data_directory_below_a_file_is_refused(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(HoodnoteError, match="not a directory"):
        Store.open(tmp_path / "file" / "data")


def test_a_database_held_by_another_program_is_refused_after_a_while(tmp_path, monkeypatch):
    with Store.open(tmp_path) as store:
        store.create_job("WO-1")
    monkeypatch.setattr("hoodnote.jobs.store._WAIT_S", 0.1)
    holder = sqlite3.connect(tmp_path / DATABASE, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        with Store.open(tmp_path) as store:
            with pytest.raises(HoodnoteError, match="another program"):
                store.create_job("WO-2")
    finally:
        holder.close()


# versions of the database --------------------------------------------------------------------------------


def test_a_new_database_carries_its_version_and_the_mark_of_its_kind(tmp_path):
    Store.open(tmp_path).close()
    header = (tmp_path / DATABASE).read_bytes()[:100]
    # SQLite database file format, section 1.3: user version at offset 60, application id at 68, big-endian
    assert int.from_bytes(header[60:64], "big") == len(migrations.STEPS)
    assert int.from_bytes(header[68:72], "big") == schema.APPLICATION_ID
    assert not list(tmp_path.glob("*-version*"))


def connect(path):
    return sqlite3.connect(path, isolation_level=None)


def test_an_older_database_is_backed_up_and_brought_up_to_date(tmp_path):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
    path = tmp_path / DATABASE
    steps = (*migrations.STEPS, lambda c: c.execute("CREATE TABLE further (id INTEGER PRIMARY KEY)"))
    connection = connect(path)
    backup = migrations.migrate(connection, path, steps)
    assert int.from_bytes(path.read_bytes()[60:64], "big") == len(steps)   # an older program must see it without reading the log
    assert connection.execute("PRAGMA user_version").fetchone() == (len(steps),)
    assert connection.execute("SELECT count(*) FROM further").fetchone() == (0,)
    assert migrations.migrate(connection, path, steps) is None   # nothing left to do, no further backup
    connection.close()

    copy = connect(backup)
    assert copy.execute("PRAGMA user_version").fetchone() == (len(migrations.STEPS),)
    assert copy.execute("SELECT work_order FROM jobs").fetchone() == (job.work_order,)
    copy.close()


def test_a_step_that_fails_changes_nothing(tmp_path):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
    path = tmp_path / DATABASE

    def good(connection):
        connection.execute("CREATE TABLE further (id INTEGER PRIMARY KEY)")

    def bad(connection):
        connection.execute("CREATE TABLE further_still (id INTEGER PRIMARY KEY)")
        raise RuntimeError("a step that fails")

    connection = connect(path)
    with pytest.raises(RuntimeError, match="a step that fails"):
        migrations.migrate(connection, path, (*migrations.STEPS, good, bad))
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    connection.close()
    assert not {"further", "further_still"} & tables
    with Store.open(tmp_path) as store:
        assert store.jobs() == [job]


def test_a_newer_database_is_refused_and_not_touched(tmp_path):
    with Store.open(tmp_path) as store:
        store.create_job("WO-1")
    path = tmp_path / DATABASE
    connection = connect(path)
    connection.execute(f"PRAGMA user_version = {len(migrations.STEPS) + 1}")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    before, files = path.read_bytes(), sorted(tmp_path.iterdir())
    with pytest.raises(HoodnoteError, match="update hoodnote"):
        Store.open(tmp_path)
    assert path.read_bytes() == before
    assert sorted(tmp_path.iterdir()) == files


def test_a_newer_version_still_in_the_log_is_noticed_too(tmp_path):
    with Store.open(tmp_path) as store:
        store.create_job("WO-1")
    connection = connect(tmp_path / DATABASE)
    connection.execute("PRAGMA wal_autocheckpoint = 0")
    connection.execute(f"PRAGMA user_version = {len(migrations.STEPS) + 1}")
    assert (tmp_path / f"{DATABASE}-wal").stat().st_size
    with pytest.raises(HoodnoteError, match="update hoodnote"):
        Store.open(tmp_path)
    connection.close()


@pytest.mark.parametrize("version", [0, 1])
def test_another_programs_database_is_refused(tmp_path, version):
    connection = connect(tmp_path / DATABASE)
    connection.execute("CREATE TABLE theirs (id INTEGER PRIMARY KEY)")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.close()
    before = (tmp_path / DATABASE).read_bytes()
    with pytest.raises(HoodnoteError, match="another program"):
        Store.open(tmp_path)
    assert (tmp_path / DATABASE).read_bytes() == before


@pytest.mark.parametrize("damage", ["text", "cut", "scrambled"])
def test_a_damaged_database_is_refused_in_one_line(tmp_path, damage):
    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
        for number in range(300):
            store.add_capture(job, "typed", text=f"statement {number} " + "x" * 200)
    path = tmp_path / DATABASE
    data = path.read_bytes()
    match damage:
        case "text":
            path.write_text("this is no database")
        case "cut":
            path.write_bytes(data[: len(data) // 2])
        case "scrambled":
            middle = len(data) // 2
            path.write_bytes(data[:middle] + b"\xa5" * 8192 + data[middle + 8192:])
    with pytest.raises(HoodnoteError, match="damaged") as refused:
        Store.open(tmp_path)
    assert "\n" not in str(refused.value)
