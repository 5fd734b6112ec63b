"""The command `hoodnote listen` from microphone to screen, and what the screen shows."""

from __future__ import annotations

from dataclasses import replace
from functools import partialmethod

import numpy as np
import pytest
import soxr

from hoodnote.capture.speech import endpoint, microphone
from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.cli import listening
from hoodnote.cli.banner import banner
from hoodnote.cli.listening import Screen, meter
from hoodnote.intake.headline import headline
from hoodnote.cli.main import main
from hoodnote.checks.model import Warning
from hoodnote.intake.live import Session
from hoodnote.intake.record import CLAIM
from hoodnote.intake.typed import type_text
from hoodnote.jobs.store import Store
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.parser import parse
from tests import live_engines
from tests.sound_device import NAME, Paced, sound_card
from tests.test_live import loud, quiet, spoken


class Quick(Paced):
    speed = 4.0


@pytest.fixture
def bay(tmp_path, monkeypatch):
    """Runs `hoodnote listen` on what is said, with the stand-in listeners."""
    monkeypatch.setattr(endpoint, "voice_detector", lambda: loud)
    monkeypatch.setattr(microphone, "Microphone", Quick)
    monkeypatch.setattr(listening, "_engines", live_engines.for_command)
    with Store.open(tmp_path / "data") as store:
        store.create_job("WO-1")

    def run(*hundredths, options=("--plain", "--quiet")):
        sound = soxr.resample(np.concatenate([spoken(*hundredths), quiet(60)]), SAMPLE_RATE, 44_100)
        stereo = np.stack([sound, sound], axis=1)      # what a device of many channels is opened as
        with sound_card(tmp_path, stereo, 44_100):
            return main(["listen", "WO-1", "--device", NAME, *options, "--data", str(tmp_path / "data")])
    return run


def test_command_takes_what_is_said_until_the_job_is_closed(bay, capsys):
    assert bay(10, 35, 50, 30) == 0
    out = capsys.readouterr().out
    assert "low side: 30 psi" in out and "high side: 210 psi" in out and "[listening]" in out
    assert "4 utterances kept, 1 not understood" in out and "lost" not in out


def test_interrupted_command_keeps_what_was_said_and_ends_cleanly(bay, capsys, monkeypatch):
    def step(session, wait_s, steps=[], whole=Session.step):   # noqa: B006
        steps.append(1)
        if session.tally.utterances == 2 and session.ready:
            raise KeyboardInterrupt
        return whole(session, wait_s)

    monkeypatch.setattr(Session, "step", step)
    monkeypatch.setattr(Session, "finish", partialmethod(Session.finish, wait_s=60.0))     # a busy machine is not what is tested here
    assert bay(10, 50) == 0
    out = capsys.readouterr().out
    assert "ending" in out and "2 utterances kept" in out and "high side: 210 psi" in out


@pytest.fixture
def job_and_entry(tmp_path):
    with Store.open(tmp_path / "data") as store:
        job = store.create_job("WO-1")
        yield job, type_text(store, job, "low side 30 psi")


def test_large_type_shows_place_and_figure_and_the_meter_stays_on_the_last_line(job_and_entry, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    job, taken = job_and_entry
    screen = Screen(job, plain=False, quiet=True)
    screen.level("listening", 0.1, 2)
    screen.taken(taken)
    out = capsys.readouterr().out
    assert out.startswith("\r\x1b[KLISTENING") and "-20 dB" in out and "2 waiting" in out
    rows = [x for x in out.splitlines() if set(x.replace("\r\x1b[K", "")) & set("█▀▄#'")]
    assert len(rows) >= 12 and max(map(len, rows)) < 100       # two lines of large type
    assert "#1  low side: 30 psi  (confirmed; typed)" in out


def test_what_is_heard_so_far_stands_behind_the_meter_and_goes(job_and_entry, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "90")
    monkeypatch.setenv("NO_COLOR", "1")
    screen = Screen(job_and_entry[0], plain=False, quiet=True)
    screen.partly("vent forty four degrees fahrenheit low side thirty")
    screen.level("hearing you", 0.1, 0)
    shown = capsys.readouterr().out
    assert shown.rstrip().endswith("low side thirty") and len(shown.replace("\r\x1b[K", "")) < 90
    screen.partly("")
    screen.level("hearing you", 0.1, 0)
    assert "thirty" not in capsys.readouterr().out


@pytest.mark.parametrize("plain", [True, False])
def test_standing_warnings_stay_below_the_answers(job_and_entry, capsys, monkeypatch, plain):
    monkeypatch.setenv("NO_COLOR", "1")
    screen = Screen(job_and_entry[0], plain=plain, quiet=True)
    stands = (Warning("can_flame", "A flame on a can."), Warning("back_feed", "The can can burst."))
    screen.standing(stands, frozenset(("back_feed",)))
    assert capsys.readouterr().out.replace("\r\x1b[K", "") == "STILL TRUE, WARNING: A flame on a can.\n"       # the other was told a line above
    screen.standing(stands, frozenset())
    assert ("STILL TRUE, WARNING: The can can burst." in capsys.readouterr().out) is not plain
    screen.standing((), frozenset())
    screen.standing((), frozenset())
    assert capsys.readouterr().out.count("no warning stands any more") == 1


def test_claim_that_is_not_borne_out_is_told_without_stop(job_and_entry, capsys, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    screen = Screen(job_and_entry[0], plain=False, quiet=True)
    screen.taken(replace(job_and_entry[1], entries=(), warnings=(Warning(CLAIM, "The ratio was not measured."),)))
    out = capsys.readouterr().out
    assert "NOT BORNE OUT: The ratio was not measured." in out and "understood" not in out and "█" not in out
    screen.taken(replace(job_and_entry[1], entries=(), warnings=(Warning("can_flame", "A flame on a can."),)))
    out = capsys.readouterr().out
    assert "WARNING: A flame on a can." in out and '"understood"' in out


def test_question_shows_its_figures_in_large_type(job_and_entry):
    entry = replace(job_and_entry[1].entries[0], standing=Standing.UNCONFIRMED, question="15, or 50?",
                    versions=tuple(Version("x", "", parse(f"vent {n} degrees fahrenheit".split())[0]) for n in ("fifteen", "fifty")))
    assert headline(entry) == ["centre vent air", "15 or 50 °F?"]
    assert headline(replace(entry, versions=(), statement=None)) == ["say again"]
    assert headline(job_and_entry[1].entries[0]) == ["low side", "30 psi"]


@pytest.mark.parametrize("text", ["30 psi", "44.5 °F", "low side"])
@pytest.mark.parametrize("columns", [79, 60])
def test_banner_fits_and_is_tall(text, columns):
    for blocks in (True, False):
        rows = banner(text, columns, blocks)
        assert 5 <= len(rows) <= 14 and max(map(len, rows)) <= columns
        assert blocks or set("".join(rows)) <= set(" #")


def test_banner_of_a_long_name_is_in_two_parts():
    rows = banner("relative humidity", 79, tallest=15)
    assert rows.count("") == 1 and len(rows) >= 11 and max(map(len, rows)) <= 79


def test_banner_falls_back_to_the_text_and_figures_differ():
    assert banner("test light proved on a known good supply", 40) == ["test light proved on a known good supply"]
    assert len({tuple(banner(str(n), 79)) for n in range(100)}) == 100


@pytest.mark.parametrize("level, db", [(1.0, 0), (0.1, -20), (0.001, -60), (0.0, -60)])
def test_meter(level, db):
    bar, shown = meter(level, blocks=False)
    assert shown == pytest.approx(db) and bar.count("#") == round(30 * (1 + db / 60)) and len(bar) == 30
