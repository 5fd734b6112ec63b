"""Every page on phone, tablet and desktop, light and dark, by the rules of axe-core (WCAG 2.1 A and AA), and with the keyboard alone."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from starlette.routing import Route

from hoodnote.intake.see import record_seen
from hoodnote.intake.typed import type_text
from hoodnote.note.signing import SIGNED
from hoodnote.readings.model import Entry, Origin, Standing, Version
from hoodnote.statements.typed import parse_text
from hoodnote.web.ear import Bays
from tests import live_engines
from tests.test_live import loud
from tests.web_phone import picture, seen
from tests.web_served import cookie_name, paired

SIZES = {"phone": (390, 844), "tablet": (834, 1112), "desktop": (1440, 900)}
VIN = "1M8GDM9AXKP042788"      # example of 49 CFR 565, from memory
WORDS = ("low side thirty psi", "high side two hundred psi", "refrigerant r one thirty four a")
NO_PAGES = {"/job/{id:int}/events"}                     # streams
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
RUN = """(tags) => axe.run(document, {runOnly: tags}).then(found => found.violations
    .filter(v => v.impact === 'serious' || v.impact === 'critical')
    .map(v => `${v.id}: ${v.nodes.slice(0, 4).map(n => n.target.join(' ') + ' ' + n.any.map(a => a.message).join(' ')).join(' | ')}`))"""
FOCUSABLE = """() => {
    const seen = e => e.checkVisibility({checkVisibilityCSS: true}) && !e.disabled && e.tabIndex >= 0 && !e.closest('[inert]');
    const all = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, audio[controls], [tabindex]')].filter(seen);
    return all.map((e, i) => { e.dataset.tabbed = i; return i; });
}"""
ACTIVE = """() => {
    const e = document.activeElement, style = getComputedStyle(e), around = e.labels && e.labels[0] ? getComputedStyle(e.labels[0]) : style;
    return e.dataset.tabbed === undefined ? null : [Number(e.dataset.tabbed), style.outlineStyle !== 'none' || around.outlineStyle !== 'none', e.outerHTML.slice(0, 120)];
}"""


def axe_source() -> str:
    """Where the setup of the tests puts it, or where AXE says."""
    path = Path(os.environ.get("AXE") or Path(__file__).parents[1] / ".venv-test/node_modules/axe-core/axe.min.js")
    assert path.is_file(), "axe-core is missing: npm install --prefix .venv-test axe-core@4"
    return path.read_text(encoding="utf-8")


def addresses(app, job) -> list[str]:
    """All pages: what answers GET with a whole document."""
    found = []
    for route in app.routes:
        if isinstance(route, Route) and "GET" in route.methods and route.path not in NO_PAGES:
            path = route.path.replace("{id:int}", str(job.id)).replace("{vin}", VIN)
            if not re.search(r"[{.]", path):
                found.append(path)
    return [*dict.fromkeys(found), "/nothing-here"]


def full_job(store):
    """A job with all that a page can show but a hazard: readings, a photo with its overlay and its figure, a question of two versions, a signature.
    Returns the ids of the photo's entry and of the question with it."""
    job = store.create_job("WO-1")
    for words in WORDS:
        type_text(store, job, words)
    photo = store.add_capture(job, "photo", sha256=store.keep_bytes(picture(1), ".jpg").sha256, original_name="IMG_1.jpg")
    (figure,) = record_seen(store, job, photo, seen()).entries
    store.add_act(job, "Bo", "advisor", SIGNED, entry_id=figure.id)
    clip = store.add_capture(job, "clip", sha256=store.keep_bytes(b"RIFF a clip of nothing", ".wav").sha256, original_name="bay.wav")
    versions = tuple(Version(reader, text, parse_text(text)[0], 0.6) for reader, text in (("a", "vent 50 F"), ("b", "vent 15 F")))
    question = store.add_entry(job, Entry(versions[0].statement, Standing.UNCONFIRMED, Origin("clip", clip.id, clip.sha256, "bay.wav", (0.8, 2.4), ("a", "b")),
                                          0.6, versions, question="vent 50 F, or vent 15 F?"), clip)
    store.finish(clip, "done")
    return job, (figure.id, question.id)


@pytest.fixture
def pages(served):
    served.app.state.bays = Bays(served.shop, served.app.state.hub.tell, live_engines.quick, lambda: loud)
    with served.shop.store() as store:
        job, entries = full_job(store)
        dangerous = store.create_job("WO-2")
        assert type_text(store, dangerous, "leak test with oxygen").warnings
    shown = {f"/job/{job.id}/bay": "#choices button:enabled", f"/job/{dangerous.id}/bay": "#hazards #understood:enabled"}
    shown |= {f"/job/{job.id}/camera": "#results img"}
    more = [f"/job/{dangerous.id}/bay", *(f"/job/{job.id}/entry/{number}" for number in entries)]
    context = served.context(None)
    context.add_cookies([{"name": cookie_name(False), "value": paired(served.app, "technician", at_machine=True), "url": served.url}])
    page = context.new_page()

    def visit():
        for path in [*addresses(served.app, job), *more]:
            answer = page.goto(path)
            assert answer.status == (404 if path == "/nothing-here" else 200), path
            if path in shown:
                page.locator(shown[path]).first.wait_for()
            if "<!doctype html" in answer.text()[:50].lower():
                yield path, page
    return visit


def test_axe_finds_no_serious_violation(pages):
    axe, found, seen = axe_source(), [], []
    for path, page in pages():
        seen.append(path)
        page.evaluate(axe)
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            for size, (width, height) in SIZES.items():
                page.set_viewport_size({"width": width, "height": height})
                tags = RULES if scheme == "light" else ["cat.color"]
                found += [f"{path} {size} {scheme}: {told}" for told in page.evaluate(RUN, tags)]
                overflow = page.evaluate("document.documentElement.scrollWidth - innerWidth")
                if overflow > 0:
                    found.append(f"{path} {size}: {overflow} pixels wider than the screen")      # WCAG 2.1, 1.4.10
        page.emulate_media(color_scheme="light")
    assert {"/pair", "/devices", "/nothing-here"} <= set(seen)
    assert not found, "\n".join(found)


def test_everything_is_reached_by_the_keyboard_and_shows_it(pages):
    for path, page in pages():
        wanted = set(page.evaluate(FOCUSABLE))
        reached, unseen = set(), []
        page.evaluate("document.activeElement.blur()")
        for _ in range(2 * len(wanted) + 5):
            page.keyboard.press("Tab")
            active = page.evaluate(ACTIVE)
            if active is not None:
                reached.add(active[0])
                unseen += [] if active[1] else [active[2]]
            if reached >= wanted:
                break
        assert wanted and not wanted - reached, (path, [page.locator(f'[data-tabbed="{i}"]').evaluate("e => e.outerHTML.slice(0, 120)") for i in wanted - reached])
        assert not unseen, (path, unseen)
