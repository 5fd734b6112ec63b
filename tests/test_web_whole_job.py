"""A whole job in a real browser with the real listeners and readers: from the form that opens it to the signed note.

The technician's voice is a development voice, from a file that Chromium takes for its microphone; the connection of the bay screen is cut while
the first reading is being spoken.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from datetime import datetime
from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from playwright.sync_api import expect

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.jobs.store import Store
from hoodnote.readings.model import Standing
from hoodnote.readings.timeline import build
from hoodnote.resources import folder
from hoodnote.statements.model import Control, Fact, Measured, Step
from hoodnote.statements.vocabulary import PLACES
from tests.bench.voices import say
from tests.web_served import BROWSER_ARGS, CHROMIUM
from tests.web_wire import Wire

RATE = 48_000                       # of the microphone that the browser is given
PATIENCE = 300_000                  # ms; what never comes is given up
READING, HAZARD, DOUBTFUL = "low side thirty two p s i", "leak test with oxygen", "ambient one hundred forty degrees"
AGAIN = 6
DARK_S = 4                          # the connection is away at least so long, longer than the reading takes


@pytest.fixture
def sounds():
    return {text: say("flite:kal16", text) for text in (READING, HAZARD, DOUBTFUL)}


@pytest.fixture
def microphone(tmp_path, sounds):
    """A file that the browser takes for its microphone."""
    def quiet(seconds):
        return np.zeros(round(seconds * SAMPLE_RATE), np.float32)
    # on a busy machine the browser's microphone may lose a part of what is said; what is not heard whole is said again
    sound = np.concatenate([quiet(3), sounds[READING], quiet(DARK_S), sounds[HAZARD], quiet(2), *[sounds[DOUBTFUL], quiet(5)] * AGAIN])
    path = tmp_path / "microphone.wav"
    soundfile.write(path, np.repeat(sound, RATE // SAMPLE_RATE) * 0.8, RATE, subtype="PCM_16")
    return path


@contextmanager
def shop(data, playwright, microphone):
    """`hoodnote serve` and a browser: `link` pairs the device at the machine, `url`, `context(**options)`."""
    run = subprocess.Popen([sys.executable, "-m", "hoodnote", "--data", str(data), "serve", "--port", "0", "--name", "Ada"],
                           stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"})
    try:
        link = re.search(r"http://127\.0\.0\.1:\d+/pair\S*", run.stdout.readline())[0]
        url = link.partition("/pair")[0]
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=[
            *BROWSER_ARGS, "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream", f"--use-file-for-fake-audio-capture={microphone}%noloop"])
        with ExitStack() as contexts:
            def context(**options):
                new = made.new_context(base_url=url, **options)
                new.set_default_timeout(PATIENCE)
                contexts.callback(new.close)
                return new
            yield SimpleNamespace(url=url, link=link, context=context)
        made.close()
        run.send_signal(signal.SIGINT)
        run.communicate(timeout=60)
    finally:
        run.kill()


def paired(owner, context, role, name):
    """A page of a device that was paired with the code that the owner of the shop's machine made for it."""
    owner.goto("/devices")
    owner.get_by_role("button", name=f"Code for a{'n' if role == 'advisor' else ''} {role}").click()
    code = owner.locator(".code").inner_text()
    page = context.new_page()
    page.goto("/pair")
    page.fill("#code", code)
    page.fill("#name", name)
    page.get_by_role("button", name="Pair").click()
    expect(page.locator(".who")).to_have_text(f"{name}, {role}")
    return page


def answered(bay, data):
    """Both figures as the technician said them, once they stand: the one that cannot easily be is asked, the other may be; what was misheard
    of a part is put away. Entries by place."""
    give_up = time.monotonic() + PATIENCE / 1000
    with Store.open(data) as store:
        while time.monotonic() < give_up:
            asked = bay.locator("#question:visible")        # an answered one is only hidden, with its buttons
            if asked.count():
                entry = asked.get_attribute("data-entry")
                right = asked.locator("#choices button", has_text=re.compile(f"{PLACES['low_side'].name}: 32 psi|{PLACES['ambient'].name}: 140 °F"))
                (right.first if right.count() else asked.locator("#choices button").last).click()
                expect(bay.locator(f'#question[data-entry="{entry}"]:visible')).to_have_count(0)
            live = [x.entry for x in build(store.entries(store.job("WO-1"))).live if x.usable and isinstance(x.entry.statement, Measured)]
            if {(e.statement.place, str(e.statement.value)) for e in live} >= {("low_side", "32"), ("ambient", "140")}:
                return {e.statement.place: e.id for e in live if str(e.statement.value) in ("32", "140")}
            time.sleep(0.2)
    raise AssertionError("the figures never stood")


def held(clip, said, pieces=6):
    """How much of the clip is what was said: the projections on pieces of it, each at the delay where it is highest; 1 for all of it.
    In pieces, since a busy machine makes the browser's microphone drop some milliseconds, and what follows comes earlier."""
    parts = [(part, np.fft.irfft(np.fft.rfft(clip, 2 * len(clip)) * np.conj(np.fft.rfft(part, 2 * len(clip)))).max()) for part in np.array_split(said, pieces)]
    return np.sqrt(sum((both / np.linalg.norm(part)) ** 2 for part, both in parts)) / np.linalg.norm(clip)


def test_a_whole_job_from_the_form_that_opens_it_to_the_signed_note(tmp_path, browser, microphone, sounds):
    expect.set_options(timeout=PATIENCE)
    data, problems = tmp_path / "data", []
    with shop(data, browser.playwright, microphone) as here:
        owner = here.context().new_page()
        owner.goto(here.link)
        owner.get_by_role("button", name="Pair").click()
        owner.goto("/job/new")
        owner.fill("#work_order", "WO-1")
        owner.get_by_role("button", name="Open the job").click()
        owner.wait_for_url("**/job/1")

        wire = Wire(int(here.url.rpartition(":")[2]))
        bay = owner.context.new_page()
        bay.set_viewport_size({"width": 1024, "height": 700})
        bay.goto(f"http://127.0.0.1:{wire.port}/job/1/bay")
        bay.click("#start")
        expect(bay.locator("#state")).to_contain_text("hearing you")       # the server has the beginning of the reading
        wire.cut()
        expect(bay.locator("#line")).to_contain_text("no connection")
        bo = paired(owner, here.context(viewport={"width": 1000, "height": 800}), "advisor", "Bo")
        bo.on("console", lambda m: problems.append(m.text) if m.type == "error" else None)
        bo.goto("/job/1")
        cy = paired(owner, here.context(), "advisor", "Cy")
        phone = paired(owner, here.context(**browser.playwright.devices["Pixel 7"]), "technician", "Di")
        expect(bay.locator("#line")).to_contain_text(re.compile(rf"no connection: ([{DARK_S}-9]|\d\d) s"))
        wire.mend()

        expect(bay.locator("#hazards")).to_be_visible()
        assert bay.locator("#hazards").bounding_box() == {"x": 0, "y": 0, "width": 1024, "height": 700}
        assert "Oxygen" in bay.locator("#hazard-list").inner_text()
        bay.get_by_role("button", name="Understood").click()
        expect(bay.locator("#hazards")).to_be_hidden()
        reading = answered(bay, data)["low_side"]
        expect(bay.locator("#figure")).to_have_text(re.compile("32 psi|140 °F"))
        bay.close()                                                        # no more is listened to
        expect(bo.locator(".note")).to_contain_text("32 psi")              # without loading it again

        phone.goto("/job/1/camera")
        phone.wait_for_selector("#shoot:enabled", state="attached")
        phone.click("summary")
        phone.select_option("#kind", "label")
        phone.set_input_files("#shoot", folder("sample_media") / "photos" / "synthetic_label_straight.jpg")
        photo = phone.locator("#results article[data-state=done]")
        expect(photo).to_contain_text("R-134a")
        assert photo.locator("img").get_attribute("alt").endswith("with what was read drawn in")

        cy.goto(f"/job/1/entry/{reading}")
        bo.locator(f'.note a.entry[href$="/entry/{reading}"]').first.click()
        bo.locator("#sheet input[name=text]").fill("low side 34 psi")
        bo.get_by_role("button", name="Correct").click()
        bo.wait_for_url("**/job/1")
        expect(bo.locator(".note")).to_contain_text("34 psi")
        cy.locator("input[name=text]").fill("low side 35 psi")
        cy.get_by_role("button", name="Correct").click()
        expect(cy.locator("main")).to_contain_text("What stands now: low side: 34 psi (corrected by Bo)")
        assert "Your own was not recorded" in cy.inner_text("main")

        cy.goto("/job/1/questions")
        while cy.locator("section.question").count():
            cy.get_by_role("button", name="Nothing of it").first.click()
            cy.goto("/job/1/questions")
        bo.goto("/job/1")
        bo.get_by_role("button", name="Sign off as Bo").click()
        expect(bo.locator(".note")).to_contain_text("Signed off")
        assert problems == []
        made = {kind: bo.request.get(f"/job/1/note.{kind}").body() for kind in ("pdf", "txt")}
        wire.cut()

    assert made["pdf"].startswith(b"%PDF-")
    note = re.sub(r"\s+", " ", made["txt"].decode())
    assert "34 psi" in note and "corrected by Bo" in note and "140 F" in note and "confirmed by Ada" in note and "R-134a" in note
    assert "Signed off: by Bo (advisor)" in note and "changed since" not in note and "35 psi" not in note
    with Store.open(data) as store:
        _look_at(store, sounds)


def _look_at(store, sounds):
    job = store.job("WO-1")
    assert store.pending(job) == []
    timeline = build(store.entries(job))
    assert not timeline.questions
    taken = {(x.entry.statement.place, x.entry.statement.value): x.entry.standing for x in timeline.live if isinstance(x.entry.statement, Measured)}
    assert taken["low_side", Decimal(34)] is taken["ambient", Decimal(140)] is Standing.CONFIRMED
    assert Fact("label_refrigerant", "R-134a") in [x.entry.statement for x in timeline.live]
    clips = [c for c in store.captures(job) if c.medium == "clip"]
    assert len(clips) >= 3 and all(store.media_intact(c.sha256) for c in clips)
    assert any(isinstance(e.statement, Step) for c in clips for e in store.entries_of(c))
    (first,) = [c for c in clips if any(isinstance(e.statement, Measured) and e.statement.place == "low_side" for e in store.entries_of(c))]
    (understood,) = [e for e in timeline.entries if e.statement == Control("understood")]
    assert [(a.person, a.what) for a in store.acts(job) if a.entry_id == understood.id] == [("Ada", "understood")]
    # the reading of which the first half was sent before the cut and the second after it: there once, and whole
    told = store.told(first)
    heard, rate = soundfile.read(store.media_path(first.sha256))
    assert rate == SAMPLE_RATE and len(heard) == told["to"] - told["from"]
    assert held(heard, sounds[READING]) > 0.8 > 0.75 > held(heard, sounds[HAZARD])
    assert len(heard) > 0.9 * len(sounds[READING])
    spoken_on = (first.captured_at - datetime.fromisoformat(told["said_at"])).total_seconds()
    assert spoken_on > len(heard) / rate + 1          # its end came when the connection was back
