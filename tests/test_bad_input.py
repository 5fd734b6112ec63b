"""Whatever is wrong with what the command is given, or with the disk: status 2, one line that says what to do, the record unharmed."""

from __future__ import annotations

import ctypes
import os
import resource
import sqlite3
import subprocess
import sys
import wave
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from hoodnote.jobs.store import DATABASE, Store
from hoodnote.resources import folder
from hoodnote.statements.model import Measured
from tests.test_vision_photo import png_that_claims

_PR_CAPBSET_DROP, _CAP_DAC_OVERRIDE = 24, 1   # linux/prctl.h, linux/capability.h


def hoodnote(data: Path, *words: object, before=None) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "hoodnote", "--data", str(data), *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, preexec_fn=before, timeout=120)


def assert_refused(done: subprocess.CompletedProcess, *told: str) -> None:
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1 and done.stderr.startswith("hoodnote: "), done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert "unexpected" not in done.stderr   # a refusal that was thought of, not a mistake of ours
    for text in told:
        assert text in done.stderr


def record(data: Path) -> list[str]:
    """Everything the database holds, as SQL."""
    connection = sqlite3.connect(data / DATABASE)
    try:
        return list(connection.iterdump())
    finally:
        connection.close()


def kept_files(data: Path) -> list[Path]:
    return [p for p in (data / "media").rglob("*") if p.is_file()]


@pytest.fixture
def data(tmp_path):
    """A data directory with one job."""
    with Store.open(tmp_path / "data") as store:
        store.add_capture(store.create_job("WO-1042"), "typed", text="something that was there before")
    return tmp_path / "data"


def a_clip(path: Path, seconds=2.0, rate=16_000, channels=1) -> Path:
    noise = np.random.default_rng(7).normal(0, 3000, int(seconds * rate) * channels)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(noise.astype("<i2").tobytes())
    return path


def a_photo(path: Path) -> Path:
    noise = np.random.default_rng(7).integers(0, 255, (900, 1200, 3), dtype=np.uint8)
    Image.fromarray(noise).save(path)
    return path


# jobs ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [
    ("job", "show", "WO-142"), ("job", "set", "WO-142", "complaint=warm"), ("ask", "WO-142"), ("answer", "WO-142", "1", "--drop"),
    ("resume", "WO-142"), ("check", "WO-142"), ("note", "WO-142"), ("hear", "--job", "WO-142", "clip.wav"), ("see", "--job", "WO-142", "label.jpg"),
    ("type", "--job", "WO-142", "low side thirty psi"),
], ids=lambda words: " ".join(words[:2]))
def test_an_unknown_job_names_the_closest(data, words):
    before = record(data)
    assert_refused(hoodnote(data, *words), "no job WO-142", "did you mean WO-1042?")
    assert record(data) == before


def test_without_any_job_the_way_to_open_one_is_told(tmp_path):
    assert_refused(hoodnote(tmp_path / "new", "type", "low side thirty psi"), "hoodnote job new")


def test_words_outside_the_language_are_refused_and_not_recorded(data):
    before = record(data)
    assert_refused(hoodnote(data, "type", "low side banana psi"))
    assert record(data) == before


def test_an_answer_to_no_question_is_refused(data):
    before = record(data)
    assert_refused(hoodnote(data, "answer", "WO-1042", "77", "--drop"), "77")
    assert record(data) == before


# clips and photos ----------------------------------------------------------------------------------------

CLIPS = {
    "missing.wav": None,
    "empty.wav": b"",
    "text.wav": b"this is no recording\n" * 50,
    "header-only.wav": b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x80\x3e\x00\x00\x00\x7d\x00\x00\x02\x00\x10\x00data\x00\x00\x00\x00",
    "picture.wav": b"\x89PNG\r\n\x1a\n" + bytes(500),
}
PHOTOS = {
    "missing.jpg": None,
    "empty.jpg": b"",
    "text.jpg": b"this is no photo\n" * 50,
    "cut.jpg": b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01",
    "sound.png": b"RIFF\x24\x00\x00\x00WAVEfmt ",
}


@pytest.mark.parametrize(("command", "name", "content"), [
    *(("hear", name, content) for name, content in CLIPS.items()), *(("see", name, content) for name, content in PHOTOS.items()),
], ids=lambda value: value if isinstance(value, str) else "")
def test_a_file_that_cannot_be_used_is_refused_and_changes_nothing(data, tmp_path, command, name, content):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    before = record(data)
    assert_refused(hoodnote(data, command, "--job", "WO-1042", tmp_path / name), name)
    assert record(data) == before
    assert kept_files(data) == []


@pytest.mark.parametrize("command", ["hear", "see"])
def test_a_directory_is_refused(data, tmp_path, command):
    before = record(data)
    assert_refused(hoodnote(data, command, "--job", "WO-1042", tmp_path))
    assert record(data) == before


@pytest.mark.parametrize("name", ["two\nlines.wav", "\x1b[31mred.wav", os.fsdecode(b"no-text-\xff.wav")])
def test_an_odd_file_name_still_gets_one_line(data, name):
    done = hoodnote(data, "hear", "--job", "WO-1042", name)
    assert_refused(done)
    assert done.stderr.removesuffix("\n").isprintable()


def test_one_bad_file_among_several_has_its_line_and_the_status_tells(data, tmp_path):
    (tmp_path / "empty.jpg").touch()
    done = hoodnote(data, "see", "--job", "WO-1042", tmp_path / "empty.jpg", tmp_path / "missing.jpg")
    assert done.returncode == 2
    assert [("empty.jpg" in line, "missing.jpg" in line) for line in done.stderr.splitlines()] == [(True, False), (False, True)]


HEIC = b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(64)      # ISO/IEC 23008-12: a file type box whose major brand is heic
MOST_MB = 900


def test_a_good_photo_among_bad_ones_is_kept_and_memory_is_bounded(data, tmp_path):
    good = folder("sample_media") / "photos" / "synthetic_label_straight.jpg"
    panorama = Image.new("RGB", (14000, 4280), (90, 90, 90))
    panorama.paste(Image.open(good), (6000, 1500))
    panorama.save(tmp_path / "panorama.jpg", quality=80)             # 59.9 megapixels
    (tmp_path / "bomb.png").write_bytes(png_that_claims(40_000, 40_000))
    (tmp_path / "cut.jpg").write_bytes(good.read_bytes()[:-3000])
    Image.new("L", (1, 1)).save(tmp_path / "dot.png")
    frames = [Image.new("L", (200, 200), shade) for shade in (0, 255)]
    frames[0].save(tmp_path / "moving.gif", save_all=True, append_images=frames[1:])
    (tmp_path / "page.jpg").write_bytes(b"%PDF-1.7 and so on")
    (tmp_path / "phone.heic").write_bytes(HEIC)
    (tmp_path / "nothing.jpg").touch()
    told = {"bomb.png": "megapixels", "cut.jpg": "cut short", "dot.png": "1 x 1", "moving.gif": "animation", "page.jpg": "PDF", "phone.heic": "pip install pillow-heif",
            "nothing.jpg": "empty"}
    command = [sys.executable, "-m", "hoodnote", "--data", str(data), "see", "--job", "WO-1042", "--as", "label",
               *(str(tmp_path / name) for name in ("bomb.png", "cut.jpg", "dot.png")), str(good), str(tmp_path / "panorama.jpg"),
               *(str(tmp_path / name) for name in ("moving.gif", "page.jpg", "phone.heic", "nothing.jpg"))]
    with open(tmp_path / "out", "w+") as out, open(tmp_path / "err", "w+") as err:
        process = subprocess.Popen(command, stdout=out, stderr=err, stdin=subprocess.DEVNULL)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    lines = (tmp_path / "err").read_text().splitlines()
    assert process.returncode == 2 and len(lines) == len(told), lines
    assert all(line.startswith(f"hoodnote: {name}") and why in line for line, (name, why) in zip(lines, told.items(), strict=True))
    assert usage.ru_maxrss / 1024 < MOST_MB         # of the largest process; Linux counts in kB, getrusage(2)
    with Store.open(data) as store:
        entries = store.entries(store.job("WO-1042"))
        assert {e.origin.original_name for e in entries if e.origin.medium == "photo"} == {good.name, "panorama.jpg"}
        assert Measured("label_charge", Decimal("0.55"), "kg", tolerance=Decimal("0.02")) in [e.statement for e in entries]
        assert not [c for c in store.pending(store.job("WO-1042")) if c.medium == "photo"]


def test_a_folder_without_photos_is_refused(data, tmp_path):
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "notes.txt").touch()
    assert_refused(hoodnote(data, "see", "--job", "WO-1042", tmp_path / "work"), "there is no photo in the folder")


def test_a_speech_model_that_is_none_is_refused_and_the_clip_is_not_lost(data, tmp_path):
    clip = a_clip(tmp_path / "clip.wav")
    assert_refused(hoodnote(data, "hear", "--job", "WO-1042", "--model", tmp_path / "nowhere", clip))
    assert clip.exists()


def test_a_folder_for_the_note_that_is_missing_is_refused(data, tmp_path):
    assert_refused(hoodnote(data, "note", "WO-1042", "-o", tmp_path / "missing" / "note.html"), str(tmp_path / "missing"))
    assert not (tmp_path / "missing").exists()


# the disk and the database -------------------------------------------------------------------------------


def without_roots_right_to_write_anywhere() -> None:
    """So that the permissions of a directory hold for these tests even where they run as root."""
    if os.geteuid() == 0 and ctypes.CDLL(None, use_errno=True).prctl(_PR_CAPBSET_DROP, _CAP_DAC_OVERRIDE, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl")


@pytest.mark.parametrize("words", [("job", "new", "WO-2"), ("type", "low side thirty psi")])
def test_a_read_only_directory(data, words):
    before = record(data)
    for path in (data / DATABASE, data):
        path.chmod(path.stat().st_mode & ~0o222)
    try:
        assert_refused(hoodnote(data, *words, before=without_roots_right_to_write_anywhere), "may not write", str(data))
    finally:
        for path in (data, data / DATABASE):
            path.chmod(path.stat().st_mode | 0o200)
    assert record(data) == before


def test_a_directory_that_may_not_be_made(tmp_path):
    tmp_path.chmod(0o500)
    try:
        assert_refused(hoodnote(tmp_path / "data", "job", "list", before=without_roots_right_to_write_anywhere), "may not", str(tmp_path / "data"))
    finally:
        tmp_path.chmod(0o700)
    assert not (tmp_path / "data").exists()


def test_a_data_directory_that_is_a_file(tmp_path):
    (tmp_path / "file").touch()
    assert_refused(hoodnote(tmp_path / "file", "job", "list"), str(tmp_path / "file"))
    assert_refused(hoodnote(tmp_path / "file" / "below", "job", "list"), str(tmp_path / "file"))


def no_file_above(size: int):
    """No file may grow beyond: writing fails as on a full disk, without filling one."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def test_a_disk_too_full_for_a_new_job(data):
    before = record(data)
    assert_refused(hoodnote(data, "job", "new", "WO-2", "--complaint", "warm", before=no_file_above(8192)), "no room left")
    assert record(data) == before
    done = hoodnote(data, "job", "new", "WO-2", "--complaint", "warm")
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("command", ["hear", "see"])
def test_a_disk_too_full_for_the_clip_or_the_photo(data, tmp_path, command):
    file = a_clip(tmp_path / "clip.wav", 5.0, 48_000, 2) if command == "hear" else a_photo(tmp_path / "label.png")
    limit = 400_000
    assert file.stat().st_size > 2 * limit
    before = record(data)
    assert_refused(hoodnote(data, command, "--job", "WO-1042", file, before=no_file_above(limit)), "no room left")
    assert record(data) == before
    assert kept_files(data) == []


def test_an_output_that_is_full(data):
    with open("/dev/full", "w") as full:
        done = subprocess.run([sys.executable, "-m", "hoodnote", "--data", str(data), "job", "list"], stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1 and "no room left" in done.stderr


@pytest.mark.parametrize("words", [("job", "list"), ("job", "new", "WO-2"), ("note", "WO-1042"), ("type", "low side thirty psi")])
def test_a_database_of_a_newer_hoodnote_is_not_touched(data, words):
    content = bytearray((data / DATABASE).read_bytes())
    content[60:64] = (999).to_bytes(4, "big")   # user version: SQLite database file format, section 1.3
    (data / DATABASE).write_bytes(content)
    assert_refused(hoodnote(data, *words), "newer hoodnote", "update hoodnote")
    assert (data / DATABASE).read_bytes() == content
    assert [p.name for p in data.iterdir()] == [DATABASE]


@pytest.mark.parametrize("damage", [b"this is no database", b"SQLite format 3\x00" + bytes(50), bytes(4096)], ids=["text", "cut", "zeros"])
def test_a_damaged_database(data, damage):
    (data / DATABASE).write_bytes(damage)
    assert_refused(hoodnote(data, "job", "list"), "damaged", "backup copy")
    assert (data / DATABASE).read_bytes() == damage
