"""Two listeners: only equal structured statements are agreed."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import given, strategies as st

from hoodnote.readings.agreement import Account, agree
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Correction, Measured, Step


def psi(place: str, value: str) -> Measured:
    return Measured(place, Decimal(value), "psi")


def account(reader: str, *statements, confidence: float = 0.9) -> Account:
    return Account(reader, "words", statements, confidence)


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


@given(st.lists(_statement, max_size=5), st.lists(_statement, max_size=5))
def test_every_statement_of_both_is_kept_and_agreed_ones_are_in_both(a, b):
    settled = agree(account("a", *a), account("b", *b))
    assert [v.statement for s in settled for v in s.versions if v.reader == "a"] == a
    assert [v.statement for s in settled for v in s.versions if v.reader == "b"] == b
    for s in settled:
        if s.standing is Standing.AGREED:
            assert s.statement in a and s.statement in b
        else:
            assert s.question
