"""The command from the outside: what it prints, what it returns, what it leaves in the record."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from hoodnote.cli import jobs, main, writing
from hoodnote.jobs.place import data_dir
from hoodnote.jobs.store import Store


@pytest.fixture
def data(tmp_path):
    return tmp_path / "data"


@pytest.fixture
def run(data, capsys):
    """Runs a command line in this process; returns status, output, errors."""
    def run(*words):
        status = main.main(["--data", str(data), *words])
        return status, *capsys.readouterr()
    return run


@pytest.fixture
def job(run):
    status, out, err = run("job", "new", "WO-1042", "--complaint", "no cold air", "--year", "2008", "--vin", "1G4AH59H45G118341",
                           "--odometer", "112,000 mi", "--refrigerant", "r134a", "--expansion-device", "orifice tube",
                           "--compressor-drive", "belt with clutch", "--ambient", "86F", "--humidity", "45", "--altitude", "1200ft")
    assert (status, err) == (0, "")
    return out


def opened(data):
    return Store.open(data)


def test_a_new_job_records_what_was_given_as_confirmed_by_a_person(job, run, data):
    assert job.startswith("job WO-1042 is open, us units\n")
    with opened(data) as store:
        entries = store.entries(store.job("WO-1042"))
        assert len(entries) == 10
        assert {e.standing.value for e in entries} == {"confirmed"}
        assert {e.origin.medium for e in entries} == {"typed"}
        assert store.pending(store.job("WO-1042")) == []
    status, shown, _ = run("job", "show", "wo-1042")
    assert status == 0
    for text in ("no cold air", "1G4AH59H45G118341", "112,000 mi", "R-134a", "orifice tube", "belt with clutch", "86 °F", "45%", "1200 ft"):
        assert text in shown
    assert "open questions" not in shown


def test_a_new_value_supersedes_and_the_old_one_stays_on_record(job, run, data):
    assert run("job", "set", "WO-1042", "ambient=90F", "label_charge=24oz±1oz")[0] == 0
    with opened(data) as store:
        old, new = [e for e in store.entries(store.job("WO-1042")) if getattr(e.statement, "place", None) == "ambient"]
    assert (str(old.statement.value), str(new.statement.value)) == ("86", "90")
    assert new.supersedes == old.id
    stands, _, gone = run("job", "show", "WO-1042")[1].partition("superseded or settled")
    assert "90 °F" in stands and "86 °F" not in stands
    assert "86 °F" in gone


def test_a_vin_with_a_wrong_check_digit_is_asked_and_can_be_kept_or_set_right(run, data):
    status, out, _ = run("job", "new", "WO-1", "--vin", "1G4AH59H55G118341")
    assert status == 0
    assert "should be 4" in out and "--keep 1" in out
    with opened(data) as store:
        (entry,) = store.entries(store.job("WO-1"))
    assert entry.standing.value == "unconfirmed"
    assert str(entry.id) in run("ask", "WO-1")[1]
    assert run("answer", "WO-1", str(entry.id), "--keep", "1")[0] == 0
    assert "no open question" in run("ask", "WO-1")[1]

    run("job", "new", "WO-2", "--vin", "1G4AH59H55G118341")
    assert run("job", "set", "WO-2", "vin=1G4AH59H45G118341")[0] == 0
    assert "no open question" in run("ask", "WO-2")[1]


def test_a_refused_fact_opens_no_job(run):
    status, out, err = run("job", "new", "WO-1", "--complaint", "warm", "--vin", "123")
    assert (status, out) == (2, "")
    assert "17 characters" in err
    assert "no job yet" in run("job", "list")[1]


def test_jobs_are_listed_with_what_is_open(job, run):
    run("job", "new", "WO-2", "--vin", "1G4AH59H55G118341", "--units", "metric")
    first, second = run("job", "list")[1].splitlines()
    assert first.startswith("WO-1042 ") and "10 entries, 0 open questions" in first
    assert second.startswith("WO-2 ") and "1 entry, 1 open question" in second


def test_typed_words_go_to_the_newest_job_and_that_is_told(job, run, data):
    run("job", "new", "WO-2")
    status, out, err = run("type", "low side thirty psi")
    assert (status, err) == (0, "")
    assert out.splitlines()[0].startswith("job WO-2, the newest")
    assert "low side: 30 psi" in out
    status, out, _ = run("type", "--job", "WO-1042", "low side thirty psi")
    assert "newest" not in out
    with opened(data) as store:
        assert [len(store.entries(j)) for j in store.jobs()] == [11, 1]


def test_a_capture_that_a_crash_left_is_taken_up_again(job, run, data):
    with opened(data) as store:
        store.add_capture(store.job("WO-1042"), "typed", text="low side thirty psi")
        store.add_capture(store.job("WO-1042"), "typed", text="mumble mumble")
    assert "not handled yet" in run("job", "show", "WO-1042")[1]
    status, out, err = run("resume", "WO-1042")
    assert (status, err) == (0, "")
    assert "low side: 30 psi" in out
    assert "typed mumble mumble could not be used" in out
    assert "nothing left" in run("resume", "WO-1042")[1]
    assert "could not be used" in run("job", "show", "WO-1042")[1]


def test_an_altered_clip_is_told(job, run, data):
    with opened(data) as store:
        kept = store.keep_bytes(b"abc", ".wav")
        store.finish(store.add_capture(store.job("WO-1042"), "clip", sha256=kept.sha256, original_name="clip.wav"), "done")
    assert "ALTERED" not in run("job", "show", "WO-1042")[1]
    kept.path.write_bytes(b"xyz")
    assert "ALTERED" in run("job", "show", "WO-1042")[1]


def test_findings_are_worded_as_guidance(job, run):
    for text in ("engine off", "low side seventy psi", "high side seventy psi"):
        assert run("type", text)[0] == 0
    status, out, err = run("check", "WO-1042")
    assert (status, err) == (0, "")
    assert out.splitlines()[-1].startswith("Guidance only")
    assert any(line.startswith(("WITHIN: ", "OUTSIDE: ", "CANNOT TELL: ")) for line in out.splitlines())


@pytest.mark.parametrize(("name", "mark"), [("note.html", "<html"), ("note.md", "#"), ("note.json", "{"), ("note.txt", "WO-1042"), ("note", "<html")])
def test_the_ending_of_the_file_chooses_the_form_of_the_note(job, run, tmp_path, name, mark):
    file = tmp_path / name
    file.write_text("an older note")
    status, out, err = run("note", "WO-1042", "-o", str(file))
    assert (status, err) == (0, "")
    assert str(file) in out
    assert mark in file.read_text(encoding="utf-8")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([name, "data"])   # no temporary file is left


def test_a_note_is_printed_when_no_file_is_named(job, run):
    status, out, _ = run("note", "WO-1042", "--format", "json")
    assert status == 0
    assert "WO-1042" in json.dumps(json.loads(out))


def test_a_note_that_cannot_be_written_leaves_the_older_one(tmp_path, monkeypatch):
    from hoodnote.errors import HoodnoteError

    file = tmp_path / "note.txt"
    file.write_text("an older note")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(HoodnoteError, match="no room left"):
        writing._write_whole(file, "a new note")
    assert file.read_text() == "an older note"
    assert list(tmp_path.iterdir()) == [file]


# the frame -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [(), ("job",), ("frobnicate",), ("job", "new"), ("answer", "WO-1", "x", "--drop"), ("answer", "WO-1", "1"),
                                   ("answer", "WO-1", "1", "words", "--drop"), ("note", "WO-1", "--format", "pdf"),
                                   ("job", "new", "WO-1", "--units", "imperial"), ("job", "set", "WO-1", "ambient")])
def test_a_wrong_command_line_gets_one_line(run, words):
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert err.startswith("hoodnote: ") and err.count("\n") == 1


def test_an_interrupt_returns_130(run, monkeypatch):
    def interrupted(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(jobs, "_list", interrupted)
    assert run("job", "list")[:2] == (130, "")


def test_a_mistake_of_ours_gets_one_line_and_its_traceback_is_in_a_file(run, data, monkeypatch):
    def broken(_):
        raise RuntimeError("first line\nsecond line")

    monkeypatch.setattr(jobs, "_list", broken)
    status, _, err = run("job", "list")
    assert status == 2
    assert err.count("\n") == 1
    assert "RuntimeError: first line second line" in err
    log = data / "errors.log"
    assert str(log) in err
    assert "Traceback" in log.read_text() and "in broken" in log.read_text()


def test_the_data_directory_may_be_named_after_the_command_too(tmp_path, capsys):
    assert main.main(["job", "new", "WO-1", "--data", str(tmp_path / "here")]) == 0
    assert main.main(["--data", str(tmp_path / "here"), "job", "list"]) == 0
    assert "WO-1 " in capsys.readouterr().out


def test_flag_before_environment_before_the_platforms_place(tmp_path, monkeypatch):
    monkeypatch.setenv("HOODNOTE_DATA", str(tmp_path / "environment"))
    assert data_dir(tmp_path / "flag") == tmp_path / "flag"
    assert data_dir() == tmp_path / "environment"
    monkeypatch.setenv("HOODNOTE_DATA", "")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))   # XDG Base Directory Specification
    assert data_dir().name == "hoodnote"
    monkeypatch.chdir(tmp_path)
    assert data_dir(Path("relative")) == tmp_path / "relative"


def test_help_loads_nothing_heavy(tmp_path):
    script = "import sys; from hoodnote.cli.main import build_parser; build_parser().format_help(); print('\\n'.join(sys.modules))"
    loaded = set(subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout.split())
    assert "hoodnote.cli.jobs" in loaded
    heavy = {"numpy", "sqlite_utils", "sqlite3", "CoolProp", "onnxruntime", "cv2", "rapidocr", "vosk", "pocketsphinx", "PIL", "tqdm",
             "rapidfuzz", "jsonschema", "platformdirs", "hoodnote.checks", "hoodnote.jobs.store"}
    assert loaded & heavy == set()


def test_every_command_explains_itself(capsys):
    for words in (["--help"], ["job", "--help"], ["job", "new", "--help"], ["hear", "--help"], ["answer", "--help"], ["note", "--help"]):
        with pytest.raises(SystemExit) as ended:
            main.main(words)
        assert ended.value.code == 0
        assert "usage: hoodnote" in capsys.readouterr().out


def test_a_reader_that_goes_away_is_no_error(job, data):
    command = f'{sys.executable} -m hoodnote --data "{data}" job show WO-1042 | head -c 1'
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, "j", "")


def test_what_can_be_said_is_listed_and_means_what_is_printed(run):
    from hoodnote.cli.tools import _examples
    from hoodnote.statements.describe import describe
    from hoodnote.statements.parser import parse

    examples = _examples()
    assert len(examples) > 100
    assert [(p, m) for p, m in examples if [describe(s) for s in parse(p.split())] != [m]] == []
    status, out, _ = run("phrases", "low", "side")
    assert status == 0
    assert any(line.startswith("low side ") and " psi" in line for line in out.splitlines())
    assert all("low" in line for line in out.splitlines())
    assert "nothing that can be said" in run("phrases", "banana")[1]


@pytest.mark.parametrize(("confidence", "told"), [(None, "(agreed; "), (1.0, "over 99% sure"), (0.995, "over 99% sure"), (0.99, ", 99% sure"), (0.5, ", 50% sure")])
def test_no_figure_is_shown_as_wholly_sure(confidence, told):
    from decimal import Decimal

    from hoodnote.cli.show import entry_line
    from hoodnote.readings.model import Entry, Origin, Standing
    from hoodnote.statements.model import Measured

    origin = Origin("clip", original_name="a\x1b[2Jb.wav", region=(1.21, 2.38), readers=("one", "two"))
    line = entry_line(Entry(Measured("low_side", Decimal("30.50"), "psi"), Standing.AGREED, origin, confidence, id=12))
    assert line.startswith("#12  low side: 30.50 psi  (agreed")
    assert told in line
    assert "heard by one, two in a\\x1b[2Jb.wav 1.2-2.4 s" in line
