"""The hearing benchmark counts what it says, and its voices and utterances are what they must be."""

from __future__ import annotations

from decimal import Decimal

from hoodnote.readings.agreement import Account
from hoodnote.statements.model import Measured, Step
from tests.bench.bench_hearing import Heard, settle, table
from tests.bench.utterances import Utterance, number, utterances
from tests.bench.voices import DEVELOPMENT, HELD_OUT

THIRTY = Measured("low_side", Decimal(30), "psi")
THIRTEEN = Measured("low_side", Decimal(13), "psi")
OFF = Step("engine_off")


def settled(said, first, second) -> Heard:
    out = Heard("v", "clean", "x", 1.0, statements=len(said))
    settle(out, [Account("a", "", first, 0.9), Account("b", "", second, 0.9)], said)
    return out


def test_agreed_and_right():
    out = settled((THIRTY, OFF), (THIRTY, OFF), (THIRTY, OFF))
    assert (out.agreed_right, out.asked, out.missed, out.silently_wrong) == (2, 0, 0, [])


def test_agreed_and_wrong_is_counted_against_it():
    out = settled((THIRTY,), (THIRTEEN,), (THIRTEEN,))
    assert out.agreed_right == 0 and len(out.silently_wrong) == 1 and "13" in out.silently_wrong[0]


def test_an_invented_statement_is_silently_wrong():
    assert len(settled((THIRTY,), (THIRTY, OFF), (THIRTY, OFF)).silently_wrong) == 1


def test_a_difference_is_a_question():
    out = settled((THIRTY,), (THIRTY,), (THIRTEEN,))
    assert (out.agreed_right, out.asked, out.asked_right, out.missed, out.silently_wrong) == (0, 1, 1, 0, [])


def test_unheard_is_missed():
    out = settled((THIRTY, OFF), (OFF,), (OFF,))
    assert (out.agreed_right, out.asked, out.missed, out.silently_wrong) == (1, 0, 1, [])


def test_the_table_adds_up_over_voices():
    rows = [settled((THIRTY,), (THIRTY,), (THIRTY,)), settled((THIRTY,), (THIRTEEN,), (THIRTEEN,))]
    for row, right in zip(rows, (True, False), strict=True):
        row.exact, row.engine_seconds = {"a": right}, {"a": 0.5}
    last = table(rows, ["a"]).splitlines()[-1]
    assert last == "| all | clean | 2 | 50% | 2 | 50% | 0 | 0 | 1 | 0.50 |"


def test_no_voice_is_both_tuned_on_and_scored():
    assert not {v.partition("@")[0] for v in DEVELOPMENT} & {v.partition("@")[0] for v in HELD_OUT}


def test_utterances_are_of_the_language_distinct_and_repeatable():
    made = utterances(200, 7)
    assert [u.text for u in made] == [u.text for u in utterances(200, 7)]
    assert len({u.text for u in made}) == 200 and all(u.statements for u in made)


def test_figures_are_said_as_they_are_meant():
    class First:   # always the first way of saying it
        choice = staticmethod(lambda ways: ways[0])

    class Last:
        choice = staticmethod(lambda ways: ways[-1])

    assert number(215, First) == "two hundred fifteen" and number(215, Last) == "two fifteen"
    assert number(308, Last) == "three oh eight" and number(1500, Last) == "fifteen hundred"
    assert number(40, First) == "forty" and number(0, First) == "zero"


def test_letters_are_given_to_the_synthesizer_as_letters():
    assert Utterance("low side thirty p s i", ()).spoken == "low side thirty P S I"
    assert Utterance("system has r one thirty four a", ()).spoken == "system has R one thirty four A"
    assert Utterance("recovered half a pound", ()).spoken == "recovered half a pound"
