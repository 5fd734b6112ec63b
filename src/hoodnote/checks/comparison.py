"""The same readings before and after the work, compared under their conditions."""

from __future__ import annotations

from hoodnote.checks.model import Comparison
from hoodnote.checks.view import View


def compare(view: View) -> tuple[Comparison, ...]:
    return ()
