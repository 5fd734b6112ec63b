"""Two listeners that nothing was fitted for and that cannot be asked about each other's words: only equal structured statements are agreed."""

from __future__ import annotations

import math
from collections import Counter
from decimal import Decimal

from hypothesis import given, settings, strategies as st

from hoodnote.readings.agreement import Account
from hoodnote.readings.decision import Candidate, Opinions, decide
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Correction, Measured, Step


def psi(place: str, value: str) -> Measured:
    return Measured(place, Decimal(value), "psi")


def account(reader: str, *statements, confidence: float = 0.9) -> Account:
    return Account(reader, "words", statements, confidence)


def agree(first: Account, second: Account | None):
    accounts = (first,) if second is None else (first, second)
    candidates = tuple(dict.fromkeys(a.statements for a in accounts if a.statements))
    shares = [[math.log(a.confidence if a.statements == c else 0.002) for a in accounts] for c in candidates]
    return list(decide(Opinions(accounts, (False,) * len(accounts), tuple(Candidate((), c, tuple(s)) for c, s in zip(candidates, shares)))).settled)


def test_equal_statements_are_agreed_in_order():
    both = (psi("low_side", "30"), psi("high_side", "210"))
    settled = agree(account("a", *both), account("b", *both))
    assert [s.statement for s in settled] == list(both)
    assert all(s.standing is Standing.AGREED and s.question is None for s in settled)


def test_different_figures_become_one_question_with_both_versions():
    (s,) = agree(account("a", psi("low_side", "15")), account("b", psi("low_side", "50")))
    assert s.standing is Standing.UNCONFIRMED
    assert [v.statement.value for v in s.versions] == [Decimal("15"), Decimal("50")]
    assert "15 psi" in s.question and "50 psi" in s.question


def test_same_figure_in_another_unit_is_no_agreement():
    (s,) = agree(account("a", psi("low_side", "30")), account("b", Measured("low_side", Decimal("30"), "kPa")))
    assert s.standing is Standing.UNCONFIRMED


def test_a_unit_that_only_one_listener_heard_is_no_difference():
    left_out = Measured("low_side", Decimal("30"), "psi", unit_stated=False)
    for a, b in ((left_out, psi("low_side", "30")), (psi("low_side", "30"), left_out), (Correction(left_out), Correction(psi("low_side", "30")))):
        (s,) = agree(account("a", a), account("b", b))
        inner = s.statement.statement if isinstance(s.statement, Correction) else s.statement
        assert s.standing is Standing.AGREED and inner.unit_stated


def test_one_side_alone_is_a_question_and_the_rest_stays_agreed():
    a, b = psi("low_side", "30"), psi("high_side", "210")
    settled = agree(account("a", a, b), account("b", b))
    assert [s.standing for s in settled] == [Standing.UNCONFIRMED, Standing.AGREED]
    settled = agree(account("a", b), account("b", a, b))
    assert [s.standing for s in settled] == [Standing.UNCONFIRMED, Standing.AGREED]


def test_correction_against_plain_reading_is_a_question():
    (s,) = agree(account("a", Correction(psi("low_side", "30"))), account("b", psi("low_side", "30")))
    assert s.standing is Standing.UNCONFIRMED


def test_a_single_listener_never_agrees_with_itself():
    (s,) = agree(account("a", psi("low_side", "30")), None)
    assert s.standing is Standing.UNCONFIRMED and "only one" in s.question


def test_the_same_figure_heard_faintly_by_either_is_asked():
    for a, b in ((0.9, 0.3), (0.3, 0.9)):
        (s,) = agree(account("a", psi("low_side", "30"), confidence=a), account("b", psi("low_side", "30"), confidence=b))
        assert s.standing is Standing.UNCONFIRMED and "faintly" in s.question


def test_nothing_heard_gives_nothing():
    assert agree(account("a"), account("b")) == []


_statement = st.one_of(
    st.builds(psi, st.sampled_from(["low_side", "high_side"]), st.integers(0, 300).map(str)),
    st.sampled_from([Step("engine_off"), Step("replaced", "o_ring"), Step("pump_on")]))


@settings(deadline=None)      # other work on the machine is no failure
@given(st.lists(_statement, max_size=5), st.lists(_statement, max_size=5))
def test_only_what_both_have_is_agreed_and_the_rest_of_the_likelier_is_asked(a, b):
    settled = agree(account("a", *a), account("b", *b))
    agreed = Counter(s.statement for s in settled if s.standing is Standing.AGREED)
    assert agreed <= Counter(a) and agreed <= Counter(b)
    assert all(s.question and s.versions for s in settled if s.standing is not Standing.AGREED)
    made = Counter(s.statement for s in settled)
    assert made >= Counter(a) or made >= Counter(b)
