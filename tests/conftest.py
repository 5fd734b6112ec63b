"""What the tests of several rooms begin with: an empty record and an open job."""

from __future__ import annotations

import pytest

from hoodnote.jobs.store import Store


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def job(store):
    return store.create_job("WO-1")
