"""Photos into the record: what they are read for, photo against voice, the VIN against the job, folders, bad files. The readers here are
stand-ins that say what the test gives them, but for the tests of whole photos; the real ones are proved in their own tests."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys
import termios
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
from PIL import Image

from hoodnote import checks
from hoodnote.capture.vision import kinds
from hoodnote.capture.vision.photo import load_photo
from hoodnote.capture.vision.reading import Kind, Mark, PhotoField, PhotoReading
from hoodnote.checks.equipment import USUAL, shop_equipment
from hoodnote.cli.taking import _photos_in, _place
from hoodnote.errors import HoodnoteError
from hoodnote.intake.questions import answer
from hoodnote.intake.see import see_photo, see_photos
from hoodnote.intake.typed import type_text
from hoodnote.note.layout import place_in_record
from hoodnote.note.words import whence
from hoodnote.readings.agreement import within
from hoodnote.readings.facts import facts_of
from hoodnote.readings.model import Entry, Origin, Standing, Version
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Fact, Measured, Step

EXAMPLE = "1G4AH59H45G118341"      # 49 CFR 565.15(c)(5); model year 2005 by Table VII


def psi(value: str, place: str = "low_side") -> Measured:
    return Measured(place, Decimal(value), "psi")


def png() -> bytes:
    import io

    out = io.BytesIO()
    Image.new("RGB", (40, 20), (200, 200, 200)).save(out, "PNG")
    return out.getvalue()


def seen(statement, standing=Standing.AGREED, limit=1.0, others=(), kind=Kind.DIAL, question=None) -> PhotoReading:
    versions = tuple(Version(reader, "as read", s, 0.9) for reader, s in (("by edges", statement), *(("by light", o) for o in others)))
    made = PhotoField(statement, standing, 0.95, versions, (10, 10, 60, 40), ((10, 10), (60, 10), (60, 40), (10, 40)), png(),
                      question or (None if standing is Standing.AGREED else "which?"), limit,
                      (Mark(((12.0, 12.0), (50.0, 38.0)), False, "needle"),))
    return PhotoReading(kind, (made,), (), ("by edges", "by light"))


@dataclass
class Bay:
    """A job with a photo whose reading the test says."""

    store: object
    job: object
    path: object
    monkeypatch: object
    said_kind: list = field(default_factory=list)

    def see(self, reading: PhotoReading):
        self.monkeypatch.setattr(kinds, "read_photo", lambda photo, kind=None, place=None, units="us": reading)
        return see_photo(self.store, self.job, self.path)

    def heard(self, statement, standing=Standing.AGREED, versions=(), **more) -> Entry:
        capture = self.store.add_capture(self.job, "clip", sha256="a" * 64)
        kept = tuple(Version(f"listener {i}", "words", v, 0.9) for i, v in enumerate(versions or (statement, statement)))
        return self.store.add_entry(self.job, Entry(statement, standing, Origin("clip", capture.id), 0.9, kept, **more), capture)

    @property
    def live(self):
        return build(self.store.entries(self.job)).live

    @property
    def questions(self):
        return build(self.store.entries(self.job)).questions

    def reading(self, place: str):
        return facts_of(build(self.store.entries(self.job))).reading(place)


@pytest.fixture
def bay(store, job, tmp_path, monkeypatch):
    y, x = np.mgrid[0:96, 0:128]
    path = tmp_path / "photo.jpg"
    Image.fromarray(np.stack([x, y, x + y], axis=2).astype(np.uint8)).save(path)
    return Bay(store, job, path, monkeypatch)


def test_a_photo_alone_stands_or_asks_as_its_reader_says(bay):
    taken = bay.see(seen(psi("32")))
    assert [e.standing for e in taken.entries] == [Standing.AGREED]
    assert taken.entries[0].origin.crop_sha256 and bay.store.media_path(taken.picture_sha256).exists()
    assert bay.reading("low_side").entry.statement == psi("32")
    taken = bay.see(seen(psi("33"), Standing.UNCONFIRMED))
    assert taken.entries[0].question == "which?" and bay.reading("low_side").entry.statement == psi("32")


def test_a_heard_figure_in_question_is_answered_by_the_photo_that_bears_one_version(bay):
    asked = bay.heard(psi("15"), Standing.UNCONFIRMED, (psi("15"), psi("50")), question="15 or 50?")
    taken = bay.see(seen(psi("49"), Standing.UNCONFIRMED, limit=1.5))
    assert [(e.standing, e.statement, e.supersedes) for e in taken.entries] == [(Standing.AGREED, psi("50"), asked.id)]
    assert not bay.questions and bay.reading("low_side").entry.statement == psi("50")
    assert {v.reader for v in taken.entries[0].versions} >= {"listener 0", "listener 1", "by edges"}


@pytest.mark.parametrize(("figure", "others", "limit"), [
    ("32", (), 1.5),              # bears neither
    ("49", ("15",), 1.5),         # one way of reading bears either
    ("32", (), 40.0),             # so wide that it bears both
])
def test_a_photo_that_does_not_decide_leaves_one_question_with_all_versions(bay, figure, others, limit):
    bay.heard(psi("15"), Standing.UNCONFIRMED, (psi("15"), psi("50")), question="15 or 50?")
    bay.see(seen(psi(figure), limit=limit, others=[psi(o) for o in others]))
    assert len(bay.questions) == 1 and bay.reading("low_side") is None
    offered = {v.statement for v in bay.questions[0].entry.versions}
    assert offered >= {psi("15"), psi("50"), psi(figure)}


def test_a_heard_figure_that_the_photo_contradicts_is_asked_with_both(bay):
    heard = bay.heard(psi("15"))
    taken = bay.see(seen(psi("50")))
    assert bay.reading("low_side") is None and len(bay.questions) == 1
    question = bay.questions[0].entry
    assert question.supersedes == heard.id and "15 psi" in question.question and "50 psi" in question.question
    assert taken.entries == (question,)
    answer(bay.store, bay.job, question.id, text="fifty")
    assert bay.reading("low_side").entry.statement == psi("50")


def test_a_heard_figure_within_both_limits_makes_a_doubtful_photo_agreed(bay):
    bay.heard(psi("30"))
    taken = bay.see(seen(psi("31"), Standing.UNCONFIRMED, limit=1.0))
    assert taken.entries[0].standing is Standing.AGREED and not bay.questions
    taken = bay.see(seen(psi("80"), Standing.UNCONFIRMED, limit=0.5, others=[psi("30")]))
    assert taken.entries[0].statement == psi("30")


def test_what_was_typed_is_left_alone_and_the_photo_asked(bay):
    type_text(bay.store, bay.job, "low side fifteen psi")
    bay.see(seen(psi("50")))
    assert bay.reading("low_side").entry.statement.value == 15
    assert len(bay.questions) == 1 and "typed" in bay.questions[0].entry.question


def test_another_place_stage_or_engine_state_is_another_reading(bay):
    bay.heard(psi("15"))
    assert bay.see(seen(psi("190", "high_side"))).entries[0].standing is Standing.AGREED
    bay.heard(Step("engine_running"))
    assert bay.see(seen(psi("32"))).entries[0].standing is Standing.AGREED
    assert not bay.questions


def test_a_figure_said_long_ago_is_another_reading(bay):
    from hoodnote.intake.photo_and_voice import settle

    bay.heard(psi("15"))
    timeline = build(bay.store.entries(bay.job))
    given = seen(psi("50")).fields[0]
    from hoodnote.intake.see import _settled

    item = _settled(given)
    now = datetime.now(UTC)
    assert settle(given, item, Origin("photo"), timeline, now + timedelta(hours=1), "us") == item
    assert isinstance(settle(given, item, Origin("photo"), timeline, now, "us"), Entry)


def with_exif(path, moment: str, offset: str | None = None):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = moment
    if offset:
        exif.get_ifd(0x8769)[36881] = offset
    Image.open(path).save(path, exif=exif)


def test_a_photo_from_an_earlier_stage_is_asked_not_put_into_the_later_one(bay):
    taken_at = datetime.now(UTC) - timedelta(seconds=60)
    with_exif(bay.path, f"{taken_at:%Y:%m:%d %H:%M:%S}", "+00:00")
    bay.heard(Step("after_readings"))
    taken = bay.see(seen(psi("32")))
    assert taken.entries[0].standing is Standing.UNCONFIRMED and "before work" in taken.entries[0].question
    assert bay.reading("low_side") is None


# CIPA DC-008 (Exif 2.32), tags 36867 DateTimeOriginal and 36881 OffsetTimeOriginal
@pytest.mark.parametrize(("moment", "offset", "expected"), [
    ("2024:05:06 07:08:09", "+02:00", datetime(2024, 5, 6, 5, 8, 9, tzinfo=UTC)), ("2024:05:06 07:08:09", None, "local"),
    ("0000:00:00 00:00:00", None, None), ("yesterday", None, None), ("2024:13:45 99:00:00", None, None),
])
def test_the_cameras_time(bay, moment, offset, expected):
    with_exif(bay.path, moment, offset)
    told = load_photo(bay.path).taken_at
    assert told == (datetime(2024, 5, 6, 7, 8, 9).astimezone() if expected == "local" else expected)


def test_a_camera_clock_that_cannot_be_gives_way_to_the_arrival_and_is_told(bay):
    with_exif(bay.path, "1980:01:01 00:00:00")
    taken = bay.see(seen(psi("32")))
    kept = datetime.fromisoformat(bay.store.accounts(taken.capture.id)[0].detail["taken_at"])
    assert kept == taken.capture.captured_at and any("1980" in r for r in taken.remarks)
    assert taken.entries[0].origin.taken_at is None


def test_a_camera_clock_that_can_be_is_kept_with_the_reading_and_told_in_the_note(bay):
    moment = datetime.now(UTC) - timedelta(seconds=5)
    with_exif(bay.path, f"{moment:%Y:%m:%d %H:%M:%S}", "+00:00")
    bay.see(seen(psi("32")))
    (entry,) = bay.store.entries(bay.job)
    assert datetime.fromisoformat(entry.origin.taken_at) == moment.replace(microsecond=0)
    assert f"taken {moment.astimezone():%Y-%m-%d %H:%M} by the camera's clock" in place_in_record(whence(entry.origin))


def test_the_shops_gauges_judge_the_version_that_a_photo_bears(bay):
    asked = []
    bay.monkeypatch.setattr(checks, "implausible", lambda statement, timeline, units, equipment: asked.append(equipment))
    (bay.store.folder / "shop.toml").write_text('[gauges.low]\ngrade = "1A"\n')
    bay.heard(psi("15"), Standing.UNCONFIRMED, (psi("15"), psi("50")), question="15 or 50?")
    bay.see(seen(psi("49"), Standing.UNCONFIRMED, limit=1.5))
    assert asked == [shop_equipment(bay.store.folder)] and asked[0] != USUAL


def vin_seen(vin: str, standing=Standing.AGREED, others=()) -> PhotoReading:
    return seen(Fact("vin", vin), standing, None, [Fact("vin", o) for o in others], Kind.VIN)


def test_the_vin_tells_make_and_year_and_a_year_that_does_not_go_with_the_job_is_asked(bay):
    taken = bay.see(vin_seen(EXAMPLE))
    assert taken.entries[0].standing is Standing.AGREED and any("2005" in r and "guidance" in r for r in taken.remarks)
    assert facts_of(build(bay.store.entries(bay.job))).get("vin") == EXAMPLE


def test_a_model_year_against_the_jobs_is_a_question(bay):
    bay.store.add_entry(bay.job, Entry(Fact("model_year", "2008"), Standing.CONFIRMED, Origin("typed")), None)
    taken = bay.see(vin_seen(EXAMPLE))
    assert taken.entries[0].standing is Standing.UNCONFIRMED
    assert "2005" in taken.entries[0].question and "2008" in taken.entries[0].question


def test_the_jobs_vin_is_one_more_account(bay):
    bay.store.add_entry(bay.job, Entry(Fact("vin", EXAMPLE), Standing.CONFIRMED, Origin("typed")), None)
    taken = bay.see(vin_seen("1G4AH59845G118341", Standing.UNCONFIRMED, [EXAMPLE]))
    assert (taken.entries[0].standing, taken.entries[0].statement.value) == (Standing.AGREED, EXAMPLE)
    taken = bay.see(vin_seen("1J9RP1A36A1644345"))
    assert taken.entries[0].standing is Standing.UNCONFIRMED and EXAMPLE in taken.entries[0].question
    assert facts_of(build(bay.store.entries(bay.job))).get("vin") == EXAMPLE


def test_a_photo_of_nothing_known_is_kept_and_says_what_to_do(bay):
    taken = see_photo(bay.store, bay.job, bay.path)
    assert taken.entries[0].statement is None and "say which it is" in taken.entries[0].question
    assert bay.store.media_intact(taken.capture.sha256) and not bay.store.pending(bay.job)


def test_an_unusable_photo_among_others_keeps_no_other_back(bay, tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"%PDF-1.7 renamed")
    (tmp_path / "empty.png").write_bytes(b"")
    came = list(see_photos(bay.store, bay.job, _photos_in(tmp_path), processes=1))
    assert [p.name for p, _ in came] == ["a.jpg", "empty.png", "photo.jpg"]
    assert "PDF" in str(came[0][1]) and isinstance(came[1][1], HoodnoteError)
    assert came[2][1].entries[0].question and len(bay.store.captures(bay.job)) == 1


def test_the_bar_makes_way_for_what_is_told(tmp_path):
    """On a terminal: a bar and a line of text never stand on one line."""
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / "photos").mkdir(exist_ok=True)
        (tmp_path / "photos" / name).write_bytes(b"%PDF-1.7 renamed")
    command = [sys.executable, "-m", "hoodnote", "--data", str(tmp_path / "data")]
    subprocess.run([*command, "job", "new", "WO-7", "--complaint", "no cold air", "--units", "us"], check=True, capture_output=True)
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (30, 80))
    with subprocess.Popen([*command, "see", str(tmp_path / "photos")], stdin=subprocess.DEVNULL, stdout=theirs, stderr=theirs) as running:
        os.close(theirs)
        told = b""
        with contextlib.suppress(OSError):          # how Linux says that the other end was closed
            while piece := os.read(ours, 65536):
                told += piece
    os.close(ours)
    assert running.returncode == 2
    shown = []
    for row in told.decode().split("\n"):
        line = ""
        for over in row.split("\r"):               # what a terminal shows after each return to the row's start
            line = over + line[len(over):]
            shown.append(line.strip())
    assert any("0/2" in line for line in shown) and sum(line.startswith("hoodnote: ") for line in shown) >= 2
    assert not [line for line in shown if "file" in line and "hoodnote: " in line and "|" in line]


def test_folders_and_places_by_name(tmp_path):
    with pytest.raises(HoodnoteError, match="no photo in the folder"):
        _photos_in(tmp_path)
    assert _place("low side") == _place("low_side") == "low_side" and _place("Centre vent air") == "vent"
    with pytest.raises(HoodnoteError, match="did you mean low side"):
        _place("low sied")


# 14.5 psi is 99.97 kPa, 2 inHg of vacuum is -6.77 kPa: NIST SP 811, appendix B.8
@pytest.mark.parametrize(("a", "a_limit", "b", "same"), [
    (psi("30"), None, psi("30"), True), (psi("30"), None, psi("31"), True), (psi("30"), None, psi("32"), False), (psi("30"), 1.5, psi("32"), True),
    (psi("14.5"), None, Measured("low_side", Decimal("1.0"), "bar"), True), (psi("14.5"), None, Measured("low_side", Decimal("1.1"), "bar"), False),
    (psi("-1"), None, Measured("low_side", Decimal(2), "inHg"), True), (psi("2"), None, Measured("low_side", Decimal(2), "inHg"), False),
    (Measured("vent", Decimal(40), "F"), None, Measured("vent", Decimal("4.4"), "C"), True),
    (Measured("vent", Decimal(50), "F"), None, Measured("vent", Decimal("4.4"), "C"), False),
])
def test_figures_agree_within_both_limits_whatever_their_units(a, a_limit, b, same):
    assert within(a, a_limit, b, None) is same and within(b, None, a, a_limit) is same


def test_a_temperature_never_agrees_with_a_pressure_however_wide_the_limits():
    assert not within(psi("30"), 100.0, Measured("vent", Decimal(30), "F"), 100.0)


def test_a_display_is_always_asked_about(bay):
    (entry,) = bay.see(seen(psi("32"), kind=Kind.DISPLAY)).entries
    assert entry.standing is Standing.UNCONFIRMED and "32 psi" in entry.question
    assert bay.reading("low_side") is None
