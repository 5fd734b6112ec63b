"""A figure alone answers the question just asked, or nothing. Listeners are stand-ins that say what the test gives them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest

from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.errors import HoodnoteError
from hoodnote.intake.hear import hear_capture
from hoodnote.intake.questions import answer
from hoodnote.intake.typed import type_text
from hoodnote.jobs.store import Store
from hoodnote.readings.model import Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Answer, Measured, from_json, to_json
from hoodnote.statements.parser import parse


class Says:
    def __init__(self, name: str, text: str):
        self.name, self.text = name, text

    def recognize(self, samples, n_best=5):
        words = tuple(HeardWord(w, i * 0.3, i * 0.3 + 0.3, 0.97) for i, w in enumerate(self.text.split()))
        return [Hypothesis(words, -1.0, 0.97)] if words else []


@pytest.fixture
def bay(tmp_path):
    """hear(first, second, pause): what two listeners make of the next clip, `pause` seconds after the one before."""
    with Store.open(tmp_path / "data") as store:
        job = store.create_job("WO-1")
        added: dict[int, float] = {}             # capture -> seconds since the first

        def hear(first, second=None, pause=20.0, ask_unheard=True):
            capture = store.add_capture(job, "clip", sha256=store.keep_bytes(f"clip {len(added)}".encode(), ".wav").sha256)
            added[capture.id] = max(added.values(), default=0.0) + pause
            return hear_capture(store, job, shifted(capture), np.full(SAMPLE_RATE, 0.01, np.float32),
                                [Says("one", first), Says("two", first if second is None else second)], ask_unheard)

        def shifted(capture):
            return replace(capture, captured_at=capture.captured_at + timedelta(seconds=added[capture.id]))

        def captures(job, ask=store.captures):
            return [shifted(c) for c in ask(job)]

        store.captures = captures
        hear.store, hear.job = store, job
        hear.live = lambda: build(store.entries(job)).live
        yield hear


def test_figure_alone_is_an_answer_and_keeps_its_unit():
    assert parse("fifteen".split()) == [Answer(Decimal(15))]
    assert parse("fifteen p s i".split()) == [Answer(Decimal(15), "psi")]
    assert from_json(to_json(Answer(Decimal("12.6"), "V"))) == Answer(Decimal("12.6"), "V")


@pytest.mark.parametrize("said, kept", [("fifteen", 15), ("fifty", 50), ("fifty p s i", 50)])
def test_figure_picks_the_version_that_has_it(bay, said, kept):
    bay("low side fifteen", "low side fifty")
    bay(said)
    (only,) = bay.live()
    assert (only.entry.statement.place, only.entry.statement.value, only.entry.standing) == ("low_side", kept, Standing.CONFIRMED)


@pytest.mark.parametrize("said", ["sixteen", "fifteen volts", "five"])
def test_figure_of_no_version_answers_nothing_and_is_no_reading(bay, said):
    bay("low side fifteen", "low side fifty")
    bay(said)
    assert not any(x.usable for x in bay.live())
    assert any("15" in x.entry.question and "50" in x.entry.question for x in bay.live())


def test_figure_that_listeners_differ_on_answers_nothing(bay):
    bay("low side fifteen", "low side fifty")
    bay("fifteen", "fifty")
    assert not any(x.usable for x in bay.live())


def test_figure_is_heard_again_after_one_that_was_not_understood(bay):
    bay("low side fifteen", "low side fifty")
    bay("sixteen")
    bay("fifty")
    assert [x.entry.statement.value for x in bay.live() if x.usable] == [50]


def test_figure_without_a_question_is_no_reading(bay):
    taken = bay("thirty")
    assert [e.statement for e in taken.entries] == [None]
    assert not any(x.usable for x in bay.live())


def test_figure_that_both_versions_have_answers_nothing(bay):
    bay("low side thirty", "high side thirty")
    bay("thirty")
    assert not any(x.usable for x in bay.live())


def test_rest_of_a_number_after_a_pause_makes_the_number_doubtful(bay):
    bay("low side thirty")
    bay("five", pause=1.2)
    assert not any(x.usable for x in bay.live())
    assert any("30 psi" in x.entry.question and "5" in x.entry.question for x in bay.live())


def test_rest_of_a_number_makes_it_doubtful_even_when_listeners_differ_on_the_rest(bay):
    bay("low side thirty")
    bay("five", "nine", pause=1.2, ask_unheard=False)
    assert not any(x.usable for x in bay.live())


def test_figure_long_after_a_reading_leaves_it_alone(bay):
    bay("low side thirty")
    bay("five", pause=20.0)
    assert [x.entry.statement.value for x in bay.live() if x.usable] == [30]


def test_rest_of_another_utterance_does_not_answer(bay):
    """"low side, 15 or 50?" - "high side ..." (not understood) "... fifty": the figure belongs to the high side."""
    bay("low side fifteen", "low side fifty")
    bay("", ask_unheard=False)
    bay("fifty", pause=1.2)
    assert not any(x.usable for x in bay.live())


def test_clip_that_nobody_understood_is_no_question_when_the_speaker_is_there(bay):
    taken = bay("", ask_unheard=False)
    assert taken.entries == () and bay.store.pending(bay.job) == []


def test_typed_figure_alone_is_refused_and_answers_a_question(bay):
    with pytest.raises(HoodnoteError, match="a figure alone"):
        type_text(bay.store, bay.job, "30 psi")
    (question,) = bay("low side fifteen", "low side fifty").entries
    with pytest.raises(HoodnoteError, match="no single version"):
        answer(bay.store, bay.job, question.id, text="16")
    (entry,) = answer(bay.store, bay.job, question.id, text="50").entries
    assert isinstance(entry.statement, Measured) and entry.statement.value == 50


def test_several_questions_of_one_clip_are_answered_one_after_the_other(bay):
    bay("low side fifteen high side two twelve", "low side fifty high side two ten")
    bay("two ten")
    bay("fifty")
    assert sorted(x.entry.statement.value for x in bay.live() if x.usable) == [50, 210]


def test_later_question_is_not_answered_by_what_answers_the_one_before_it(bay):
    """The question of another clip is open as well, but it was not just asked."""
    bay("vent fifty", "vent fifteen")
    bay("low side fifteen", "low side fifty")
    bay("second one")
    bay("fifteen")
    assert [x.entry.statement.place for x in bay.live() if x.usable] == ["low_side"]


def test_figure_alone_against_a_reading_is_asked(bay):
    (entry,) = bay("vent thirty", "thirty").entries
    assert entry.standing is Standing.UNCONFIRMED and entry.statement.place == "vent"
    (entry,) = bay("thirty", "vent thirty").entries
    assert entry.standing is Standing.UNCONFIRMED and entry.statement.place == "vent"
    bay("yes")
    assert [x.entry.statement.value for x in bay.live() if x.usable] == [30]


def test_yes_to_two_figures_tells_nothing_and_the_question_stays_before_everybody(bay):
    bay("low side fifteen", "low side fifty")
    bay("yes")
    assert not any(x.usable for x in bay.live())
    bay("read back")
    bay("first one")
    assert [x.entry.statement.value for x in bay.live() if x.usable] == [15]
