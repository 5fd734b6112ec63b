"""Candidate causes, what is for and against each, and the check that would tell most. Guidance, never a verdict."""

from __future__ import annotations

from hoodnote.checks.model import Claim, Ranking
from hoodnote.checks.view import View


def rank(view: View) -> Ranking | None:
    """None where nothing observed speaks of a cause."""
    return None


def claims(view: View, ranking: Ranking | None) -> tuple[Claim, ...]:
    """Every usable conclusion and earlier diagnosis held against the record."""
    return ()
