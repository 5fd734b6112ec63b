"""The pages for tests: through a client without a network, or served on a free port to a real browser. Everybody here is paired."""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

from hoodnote.jobs.records import Job
from hoodnote.web.app import make_app
from hoodnote.web.people import csrf_token
from hoodnote.web.safety import cookie_name
from hoodnote.web.serve import listen, server
from hoodnote.web.shop import Shop

BASE = "http://localhost"
NAMES = {"technician": "Ada", "advisor": "Bo"}
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), "chromium")
BROWSER_ARGS = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []


def make_shop(folder: Path, lan: bool = False) -> Shop:
    return Shop(folder / "data", None, folder / "models", lan)


def paired(app: Starlette, role: str, at_machine: bool = False) -> str:
    """What the cookie of a newly paired device holds."""
    people = app.state.people
    return people.pair(people.invite(role, at_machine=at_machine), NAMES[role], "test")


def client_of(app: Starlette, role: str | None = None, at_machine: bool = False, **options: Any) -> TestClient:
    """A browser's like; with the token of its session in its headers, so that a test may post. None: not paired."""
    client = TestClient(app, **{"base_url": BASE, "follow_redirects": False, **options})
    client.headers.update({"origin": BASE, "host": "localhost", "accept": "text/html"})      # a socket of this client is asked by another name
    if role is not None:
        secret = paired(app, role, at_machine)
        client.cookies.set(cookie_name(app.state.shop.lan), secret)
        client.headers["csrf"] = csrf_token(secret)
    return client


@contextmanager
def phone_of(folder: Path) -> Iterator[SimpleNamespace]:
    """A technician's phone and a shop with the job WO-1, whose server has started: `client`, `shop`, `app`, `headers`, `name`."""
    shop = make_shop(folder)
    with shop.store() as store:
        if not store.jobs():
            store.create_job("WO-1")
    app = make_app(shop)
    with client_of(app, "technician") as client:
        yield SimpleNamespace(client=client, shop=shop, app=app, headers={}, name=NAMES["technician"])


@dataclass
class Served:
    """A server on a free port of this machine, and pages of a browser that are paired with it."""

    url: str
    app: Starlette
    browser: Any
    contexts: ExitStack

    @property
    def shop(self) -> Shop:
        return self.app.state.shop

    def new_job(self, work_order: str | None = None) -> Job:
        with self.shop.store() as store:
            return store.create_job(work_order or f"WO-{len(store.jobs()) + 1}")

    def context(self, role: str | None, browser: Any = None, device: str | None = None, **options: Any) -> Any:
        """Of Playwright; `browser`: another one than the common one; `device`: one of Playwright's, for instance "Pixel 7"."""
        if device is not None:
            options = {**self.browser.playwright.devices[device], **options}
        made = (browser or self.browser.made).new_context(base_url=self.url, **options)
        self.contexts.callback(made.close)
        if role is not None:
            made.add_cookies([{"name": cookie_name(self.shop.lan), "value": paired(self.app, role), "url": self.url, "httpOnly": True, "sameSite": "Strict"}])
        return made

    def page(self, role: str | None, **options: Any) -> Any:
        return self.context(role, **options).new_page()


@pytest.fixture(scope="session")
def browser() -> Iterator[SimpleNamespace]:
    """`made`: the browser of the whole session, started when first asked for; `playwright`, to launch another."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=BROWSER_ARGS)
        yield SimpleNamespace(made=made, playwright=playwright)
        made.close()


@contextmanager
def serving(app: Starlette, pem: Path | None = None) -> Iterator[str]:
    """The address under which the application is served by a thread of this process."""
    with listen(0, False) as heard:
        made = server(app, pem)
        thread = threading.Thread(target=made.run, args=([heard],))
        thread.start()
        try:
            give_up = time.monotonic() + 30
            while not made.started:
                assert thread.is_alive() and time.monotonic() < give_up, "the server did not start"
                time.sleep(0.01)
            yield f"{'https' if pem else 'http'}://127.0.0.1:{heard.getsockname()[1]}"
        finally:
            made.should_exit = True
            thread.join(30)


@pytest.fixture
def served(tmp_path: Path, browser: SimpleNamespace) -> Iterator[Served]:
    app = make_app(make_shop(tmp_path))
    with serving(app) as url, ExitStack() as contexts:
        yield Served(url, app, browser, contexts)
