"""The candidate causes on synthetic jobs of known cause: half of them were never used for tuning.

Thresholds are those asked of the product: the true cause first in 75 %, in the first three in 95 %, and no wrong cause above 0.9.
"""

from __future__ import annotations

import pytest

from hoodnote.checks.causes import rank
from hoodnote.checks.view import View
from tests.casebook import AMBIENTS_C, DEVELOPMENT, HELD_OUT, NOTHING, TRUTHS, VEHICLES, cases

_EACH_HALF = 4 * len(TRUTHS)


@pytest.fixture(scope="module", params=[DEVELOPMENT, HELD_OUT])
def ranked(request) -> list[tuple]:
    return [(case, rank(View(case.timeline)).causes) for case in cases(request.param, _EACH_HALF)]


def test_the_halves_share_no_vehicle_and_no_ambient():
    assert not set(VEHICLES[DEVELOPMENT]) & set(VEHICLES[HELD_OUT])
    assert not set(AMBIENTS_C[DEVELOPMENT]) & set(AMBIENTS_C[HELD_OUT])


def test_true_cause_comes_first_in_three_of_four(ranked):
    assert sum(causes[0].id == case.truth for case, causes in ranked) >= 0.75 * len(ranked)


def test_true_cause_is_among_the_first_three(ranked):
    missed = [(case.truth, case.label, [c.id for c in causes[:3]]) for case, causes in ranked if case.truth not in [c.id for c in causes[:3]]]
    assert len(missed) <= 0.05 * len(ranked), missed


def test_no_wrong_cause_is_ever_near_certain(ranked):
    assert not [(case.truth, case.label, c.id) for case, causes in ranked for c in causes if c.id != case.truth and c.probability > 0.9]


def test_where_nothing_is_wrong_nothing_comes_first(ranked):
    sound = [causes[0].id for case, causes in ranked if case.truth == NOTHING]
    assert sound == [NOTHING] * len(sound)


def test_probabilities_are_not_too_sure(ranked):
    # of the cases whose first cause is given more than 0.8, at least that share is right
    sure = [causes[0].id == case.truth for case, causes in ranked if causes[0].probability > 0.8]
    assert sure and sum(sure) >= 0.8 * len(sure)
