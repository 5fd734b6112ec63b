"""Refrigerant and oil in and out, per job: sums that close, or by how much they do not."""

from __future__ import annotations

from hoodnote.checks.model import Ledger
from hoodnote.checks.view import View


def ledgers(view: View) -> tuple[Ledger, ...]:
    return ()
