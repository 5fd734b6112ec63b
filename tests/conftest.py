"""What the tests of several rooms begin with: an empty record and an open job."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

from hoodnote.jobs.store import Store
from tests.web_served import browser, served  # noqa: F401

# A run that decides about main draws the same examples every time; every other run looks for new ones.
settings.register_profile("same", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("same")


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def job(store):
    return store.create_job("WO-1")
