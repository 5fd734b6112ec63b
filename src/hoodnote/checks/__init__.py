"""Compares the record of a job with physics and common practice. Knows nothing of speech, photos or the database.

`evaluate` says what the record supports; `implausible` asks about a figure that cannot be; `hazards` warns at once.
Outcomes: within the expected range; outside it by more than twice the standard uncertainty (`hoodnote.physics.uncertain`);
or cannot tell, because the figure is too near the edge or an input is missing or unconfirmed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hoodnote.checks.equipment import Equipment
    from hoodnote.checks.model import Assessment, Finding, Warning
    from hoodnote.checks.view import View
    from hoodnote.readings.model import Timeline
    from hoodnote.statements.model import Statement

_SUBJECTS = ("vehicle", "static_pressure", "electrical", "running", "lines", "charge", "evacuation", "evidence")


def evaluate(timeline: Timeline, equipment: Equipment | None = None, units: str = "us") -> list[Finding]:
    """Findings for what the job touched, by subject. `equipment`: what the shop measures with, where it stated it;
    `units` ("us" or "metric"): which of both figures the texts give first."""
    from hoodnote.checks.wording import habit

    with habit(units):
        return _findings(_view(timeline, equipment))


def assess(timeline: Timeline, equipment: Equipment | None = None, units: str = "us") -> Assessment:
    """Findings, candidate causes, stated conclusions held against the record, before against after, and the ledgers."""
    from hoodnote.checks import causes, comparison, ledger
    from hoodnote.checks.model import Assessment
    from hoodnote.checks.wording import habit

    view = _view(timeline, equipment)
    with habit(units):
        ranking = causes.rank(view)
        return Assessment(tuple(_findings(view)), ranking, causes.claims(view, ranking), comparison.compare(view), ledger.ledgers(view))


def _view(timeline: Timeline, equipment: Equipment | None) -> View:
    from hoodnote.checks.view import View

    return View(timeline) if equipment is None else View(timeline, equipment)


def _findings(view: View) -> list[Finding]:
    from importlib import import_module

    return [f for subject in _SUBJECTS for f in import_module(f"hoodnote.checks.{subject}").check(view)]


def implausible(statement: Statement, timeline: Timeline, units: str = "us", equipment: Equipment | None = None) -> str | None:
    """One sentence why a figure, stated after the record `timeline`, cannot be or needs asking; None when nothing speaks against it."""
    from hoodnote.checks.plausibility import implausible as reason
    from hoodnote.checks.wording import habit

    with habit(units):
        return reason(statement, timeline) if equipment is None else reason(statement, timeline, equipment)


def hazards(statement: Statement, timeline: Timeline, equipment: Equipment | None = None) -> list[Warning]:
    """Warnings that a statement, made after the record `timeline`, calls for at once."""
    from hoodnote.checks.dangers import hazards as warnings

    return warnings(statement, timeline) if equipment is None else warnings(statement, timeline, equipment.gauges)
