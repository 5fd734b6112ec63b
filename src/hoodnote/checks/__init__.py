"""Compares the record of a job with physics and common practice. Knows nothing of speech, photos or the database.

`evaluate` says what the record supports; `implausible` asks about a figure that cannot be; `hazards` warns at once.
Outcomes: within the expected range; outside it by more than the limit of error (see `hoodnote.physics`); or cannot tell,
because the figure is too near the edge or an input is missing or unconfirmed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hoodnote.checks.model import Finding, Warning
    from hoodnote.physics.gauge import ManifoldGauges
    from hoodnote.readings.model import Timeline
    from hoodnote.statements.model import Statement

_SUBJECTS = ("vehicle", "static_pressure", "electrical", "running", "lines", "charge", "evacuation", "evidence")


def evaluate(timeline: Timeline, gauges: ManifoldGauges | None = None, units: str = "us") -> list[Finding]:
    """Findings for what the job touched, by subject. `gauges`: the shop's manifold gauges where it stated them;
    `units` ("us" or "metric"): which of both figures the texts give first."""
    from importlib import import_module

    from hoodnote.checks.view import View
    from hoodnote.checks.wording import habit

    view = View(timeline) if gauges is None else View(timeline, gauges)
    with habit(units):
        return [f for subject in _SUBJECTS for f in import_module(f"hoodnote.checks.{subject}").check(view)]


def implausible(statement: Statement, timeline: Timeline, units: str = "us") -> str | None:
    """One sentence why a figure, stated after the record `timeline`, cannot be or needs asking; None when nothing speaks against it."""
    from hoodnote.checks.plausibility import implausible as reason
    from hoodnote.checks.wording import habit

    with habit(units):
        return reason(statement, timeline)


def hazards(statement: Statement, timeline: Timeline) -> list[Warning]:
    """Warnings that a statement, made after the record `timeline`, calls for at once."""
    from hoodnote.checks.dangers import hazards as warnings

    return warnings(statement, timeline)
