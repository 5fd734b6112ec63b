"""Speech on its whole way: a browser's microphone, the socket, the listeners, the record. The voice is a development voice."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from decimal import Decimal

import numpy as np
import pytest
import soundfile

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.jobs.store import Store
from hoodnote.statements.model import Measured
from tests.bench.voices import say
from tests.web_served import BROWSER_ARGS, CHROMIUM

RATE = 48_000                       # of the microphone that the browser is given


@pytest.fixture
def microphone(tmp_path):
    """A file that the browser takes for its microphone: quiet, a reading, quiet."""
    quiet = np.zeros(3 * SAMPLE_RATE, np.float32)
    sound = np.concatenate([quiet, say("flite:kal16", "low side thirty two p s i"), quiet])
    path = tmp_path / "microphone.wav"
    soundfile.write(path, np.repeat(sound, RATE // SAMPLE_RATE) * 0.8, RATE, subtype="PCM_16")
    return path


def test_a_reading_spoken_to_the_browser_comes_into_the_record(tmp_path, microphone, browser):
    data = tmp_path / "data"
    with Store.open(data) as store:
        store.create_job("WO-1")
    run = subprocess.Popen([sys.executable, "-m", "hoodnote", "--data", str(data), "serve", "--port", "0", "--name", "Ada"],
                           stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"})
    try:
        link = re.search(r"http://127\.0\.0\.1:\d+/pair\S*", run.stdout.readline())[0]
        hearing = browser.playwright.chromium.launch(executable_path=CHROMIUM, args=[
            *BROWSER_ARGS, "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream", f"--use-file-for-fake-audio-capture={microphone}%noloop"])
        page = hearing.new_page()
        page.goto(link)
        page.click("main form button")
        page.wait_for_load_state()
        page.goto(link.partition("/pair")[0] + "/job/1/bay")
        page.click("#start")
        page.get_by_text("low side", exact=False).first.wait_for(timeout=120_000)      # what was made of it stands on the screen
        shown = page.inner_text("main")
        hearing.close()
        run.send_signal(signal.SIGINT)
        run.communicate(timeout=60)
    finally:
        run.kill()
    assert "32" in shown
    with Store.open(data) as store:
        job = store.job("WO-1")
        (entry,) = [e for e in store.entries(job) if isinstance(e.statement, Measured)]
        assert (entry.statement.place, entry.statement.value, entry.statement.unit) == ("low_side", Decimal(32), "psi")
        (clip,) = [c for c in store.captures(job) if c.medium == "clip"]
        assert store.media_intact(clip.sha256) and store.pending(job) == []
        heard, rate = soundfile.read(store.media_path(clip.sha256))
    assert rate == SAMPLE_RATE and 1.0 < len(heard) / rate < 4.0 and np.abs(heard).max() > 0.1
