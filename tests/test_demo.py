"""The demo's job through the real engines, as a new user runs it; then the note is held against what the voices were given."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib

import pytest

from hoodnote.jobs.store import Store
from hoodnote.readings.agreement import same
from hoodnote.readings.model import Standing
from hoodnote.resources import folder
from hoodnote.statements.model import uncorrected
from hoodnote.statements.parser import parse


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    data = tmp_path_factory.mktemp("demo") / "kept"
    done = subprocess.run([sys.executable, "-m", "hoodnote", "demo", "--keep", str(data)], capture_output=True, text=True,
                          timeout=900, env={**os.environ, "HOODNOTE_VOSK_MODEL": ""})
    assert done.returncode == 0, done.stderr
    return data, done


@pytest.fixture(scope="module")
def script():
    return tomllib.loads((folder("sample_media") / "job.toml").read_text("utf-8"))


def test_the_sample_job_is_as_large_as_promised(script):
    clips = [c for c in script["capture"] if "clip" in c]
    assert len(clips) >= 25 and len({c["voice"] for c in clips}) >= 4
    assert len({c["noise"] for c in clips}) >= 2
    assert sum("photo" in c for c in script["capture"]) == 2


def test_nothing_is_printed_on_standard_error(ran):
    assert ran[1].stderr == ""


def test_no_agreed_statement_differs_from_what_was_said(ran, script):
    said = {c["clip"].split("/")[-1]: parse(c["said"].split()) for c in script["capture"] if "clip" in c}
    with Store.open(ran[0]) as store:
        entries = store.entries(store.job(script["work_order"]))
    agreed = [e for e in entries if e.standing is Standing.AGREED and e.origin.medium == "clip"]
    assert len(agreed) >= 25
    for entry in agreed:
        spoken = [uncorrected(s) for s in said[entry.origin.original_name]]
        assert any(same(entry.statement, s) for s in spoken), (entry.origin.original_name, entry.statement)


def test_something_was_honestly_not_agreed_and_is_asked_in_the_note(ran):
    note = json.loads((ran[0] / "note.json").read_text("utf-8"))
    assert note["questions"]
    page = (ran[0] / "note.html").read_text("utf-8")
    assert "<svg" in page and note["work_order"] in page
    for kind in ("md", "txt"):
        assert "WO-1047" in (ran[0] / f"note.{kind}").read_text("utf-8")


def test_running_it_again_over_the_same_folder_is_refused_in_one_line(ran):
    again = subprocess.run([sys.executable, "-m", "hoodnote", "demo", "--keep", str(ran[0])], capture_output=True, text=True, timeout=300)
    assert again.returncode == 2 and len(again.stderr.splitlines()) == 1
