"""The state of the service and what is dangerous in it: warnings in time, and how they were answered.

State that nobody stated, or that stands unconfirmed, is unknown, not safe; a warning then begins with its condition.
"""

from __future__ import annotations

from hoodnote.checks.dangers.answers import Answered, How, answers, standing
from hoodnote.checks.dangers.rules import HAZARDS
from hoodnote.checks.dangers.state import ServiceState, as_done, service_state
from hoodnote.checks.model import Warning
from hoodnote.physics.gauge import USUAL_MANIFOLD, ManifoldGauges
from hoodnote.readings.model import Timeline
from hoodnote.statements.model import Statement

__all__ = ["Answered", "How", "ServiceState", "answers", "became_true", "hazards", "service_state", "standing"]


def hazards(statement: Statement, timeline: Timeline, gauges: ManifoldGauges = USUAL_MANIFOLD) -> list[Warning]:
    """Warnings that `statement`, said after the record `timeline`, calls for now; for a step that is announced, those of the step done."""
    statement = as_done(statement)
    before = service_state(timeline, gauges)
    after = before.after(statement)
    return [h.warning(after if h.on is None else before) for h in HAZARDS if h.raised(statement, before, after)]


def became_true(before: Timeline, after: Timeline, gauges: ManifoldGauges = USUAL_MANIFOLD) -> list[Warning]:
    """Warnings that a change of the record itself calls for: a question answered, something corrected or taken back."""
    was, now = service_state(before, gauges), service_state(after, gauges)
    return [h.warning(now) for h in HAZARDS if h.on is None and h.newly_open(was, now)]
