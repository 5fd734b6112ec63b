"""The reasoning by itself: against Bayes' theorem, the normal distribution and mutual information, computed by another route."""

from __future__ import annotations

from itertools import permutations
from math import log, log2

import numpy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodnote.checks.causes import network
from hoodnote.checks.causes.network import FLAT, PRIOR_SHARE, TEMPER, Observed
from hoodnote.checks.causes.soft import agreement, certain
from hoodnote.checks.causes.tables import tables

_ALL = list(tables().observables.values())
_DEVICES = st.sampled_from(["orifice tube", "expansion valve", None])


def _seen(name: str, *states: str) -> Observed:
    observable = tables().observables[name]
    return Observed(observable, certain(observable, *states), name, (1,))


@st.composite
def _observations(draw) -> list[Observed]:
    chosen = draw(st.lists(st.sampled_from(_ALL), unique_by=lambda o: o.id, min_size=1, max_size=6))
    return [Observed(o, certain(o, draw(st.sampled_from(o.states))), o.name, (1,)) for o in chosen]


def test_one_observation_follows_bayes_theorem():
    # Bayes' theorem with plain numbers; then the stated share of the prior is mixed in.
    seen = _seen("fan", "not running")
    prior = [float(p) for p in tables().prior(None)]
    chance = [(1 - FLAT) * float(row[1]) + FLAT / 2 for row in seen.observable.likelihood(None)]
    total = sum(p * c for p, c in zip(prior, chance, strict=True))
    by_hand = [(1 - PRIOR_SHARE[0]) * p * c / total + PRIOR_SHARE[0] * p for p, c in zip(prior, chance, strict=True)]
    assert network.posterior(tables(), [seen], None) == pytest.approx(by_hand)


def test_nothing_observed_leaves_the_prior():
    assert network.posterior(tables(), [], None) == pytest.approx(tables().prior(None))


def test_a_reading_between_two_states_weighs_both():
    # law of total probability: the chance of a reading that is one state or the other, half and half, is the mean of both
    table = tables().observables["superheat"]
    both = Observed(table, (0.0, 0.0, 0.5, 0.5, 0.0), "", ())
    single = [network.likelihood(_seen("superheat", s), "expansion valve") for s in ("usual", "high")]
    assert network.likelihood(both, "expansion valve") == pytest.approx((single[0] + single[1]) / 2)


def test_what_is_said_twice_counts_less_than_two_independent_things():
    # superheat and the temperature across the evaporator are one group, the needle is another
    once, again, other = _seen("superheat", "very high"), _seen("suction", "very high"), _seen("needle", "unsteady")
    assert network.exponents([once, again])["evaporator feed"] == pytest.approx(2 ** -TEMPER)
    assert network.exponents([once, other]) == {"evaporator feed": 1.0, "needle": 1.0}


@settings(deadline=None)
@given(_observations(), _DEVICES)
def test_probabilities_sum_to_one_and_none_is_certain_or_impossible(observed, device):
    p = network.posterior(tables(), observed, device)
    assert p.sum() == pytest.approx(1.0) and p.min() > 0 and p.max() < 1 - PRIOR_SHARE[-1] / 2


@settings(deadline=None)
@given(st.sampled_from(_ALL), _DEVICES, st.data())
def test_one_kind_of_evidence_alone_never_makes_a_cause_near_certain(observable, device, data):
    state = data.draw(st.sampled_from(observable.states))
    assert network.posterior(tables(), [Observed(observable, certain(observable, state), "", ())], device).max() < 0.8


@settings(deadline=None)
@given(_observations().filter(lambda o: len(o) < 5))
def test_the_order_of_observations_does_not_matter(observed):
    first = network.posterior(tables(), observed, None)
    for other in permutations(observed):
        assert network.posterior(tables(), list(other), None) == pytest.approx(first)


@settings(deadline=None)
@given(_observations(), st.sampled_from(_ALL), _DEVICES)
def test_an_observation_is_never_expected_to_make_the_causes_less_certain(observed, observable, device):
    # mutual information is not negative and not above either entropy (Cover and Thomas, Elements of Information Theory, from memory)
    p = network.posterior(tables(), observed, device)
    together = network.joint(p, observable, device, observed)
    bits = network.gain(together)
    assert together.sum(axis=1) == pytest.approx(p)
    assert -1e-9 <= bits <= min(network.entropy(p), log2(len(observable.states))) + 1e-9
    about = network.gains_about(together)
    assert about.min() >= -1e-9 and about.max() <= bits + 1e-9


def test_gain_is_the_mutual_information_of_cause_and_state():
    # I(C;S) = sum p(c,s) log2 p(c,s)/(p(c)p(s)), the other way of writing the drop in entropy
    p = tables().prior(None)
    together = network.joint(p, tables().observables["clutch"], None, [])
    rows, columns = together.sum(axis=1), together.sum(axis=0)
    direct = sum(together[c, s] * log2(together[c, s] / (rows[c] * columns[s])) for c in range(len(rows)) for s in range(len(columns)))
    assert network.gain(together) == pytest.approx(direct)


def test_entropy_of_evenly_likely_causes_is_the_log_of_their_number():
    assert network.entropy(numpy.full(8, 1 / 8)) == pytest.approx(3.0)


def test_what_is_already_seen_has_nothing_left_to_gain():
    seen = _seen("fan", "running")
    p = network.posterior(tables(), [seen], None)
    assert network.gain(network.joint(p, seen.observable, None, [seen])) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("distance, share", [(0.0, 0.5), (1.0, 0.841345), (2.0, 0.977250), (3.0, 0.998650)])
def test_agreement_follows_the_normal_distribution(distance, share):
    # standard normal distribution function, NIST/SEMATECH handbook table 1.3.6.7.1 (from memory)
    below, above = agreement(10.0, 2.0, (10.0 + 2.0 * distance,))
    assert below == pytest.approx(share, abs=1e-6) and above == pytest.approx(1 - share, abs=1e-6)


@settings(deadline=None)
@given(st.floats(-50, 50), st.floats(0, 20), st.lists(st.floats(-50, 50), min_size=1, max_size=5, unique=True).map(sorted))
def test_agreement_is_a_distribution_and_a_sure_reading_has_one_state(value, sd, edges):
    shares = agreement(value, sd, tuple(edges))
    assert sum(shares) == pytest.approx(1.0) and min(shares) >= -1e-12
    if sd == 0:
        assert max(shares) == 1.0


def test_log_weights_are_natural_logs_of_likelihood_ratios():
    from hoodnote.checks.causes.ranking import rank
    from hoodnote.checks.view import View
    from tests.checks_records import record, step

    cause = next(c for c in rank(View(record(step("fan_not_running")))).causes if c.id == "condenser_airflow")
    rows, prior, i = network.rows(tables().observables["fan"], None)[:, 1], tables().prior(None), tables().index("condenser_airflow")
    others = (sum(p * r for p, r in zip(prior, rows, strict=True)) - prior[i] * rows[i]) / (1 - prior[i])
    assert cause.supports[0].weight == pytest.approx(log(rows[i] / others))
