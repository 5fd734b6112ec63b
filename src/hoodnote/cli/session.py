"""The record and the job that a subcommand works on."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job, Store

Commands = argparse._SubParsersAction   # argparse has no public name for what add_subparsers returns


@contextmanager
def open_store(args: argparse.Namespace) -> Iterator[Store]:
    from hoodnote.jobs.place import data_dir
    from hoodnote.jobs.store import Store

    with Store.open(data_dir(args.data)) as store:
        yield store


def models_dir(args: argparse.Namespace) -> Path:
    """Where fetched speech models lie: beside the records."""
    from hoodnote.jobs.place import data_dir

    return data_dir(args.data) / "models"


def job_or_newest(store: Store, work_order: str | None) -> Job:
    """The job named, or the newest one, which is then printed: nothing goes to a job that nobody saw."""
    if work_order is not None:
        return store.job(work_order)
    jobs = store.jobs()
    if not jobs:
        raise HoodnoteError("there is no job yet; open one with: hoodnote job new WORK_ORDER")
    print(f"job {jobs[-1].work_order}, the newest (--job names another)")
    return jobs[-1]
