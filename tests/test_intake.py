"""From captures to entries: what two listeners make of a clip, corrections, control words, answers, crashes. Listeners here are
stand-ins that say what the test gives them; the real ones are proved in their own tests and in the demo's."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np
import pytest
import soundfile

from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.checks import causes
from hoodnote.checks.dangers import How, answers, standing
from hoodnote.cli.show import taken_lines
from hoodnote.errors import HoodnoteError
from hoodnote.intake.hear import hear_capture, hear_clip
from hoodnote.intake.questions import answer
from hoodnote.intake.record import CLAIM, just_asked
from hoodnote.intake.resume import resume
from hoodnote.intake.typed import retype, type_text
from hoodnote.jobs.store import Store
from hoodnote.readings.model import Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Measured, Step


@dataclass
class Listener:
    """Gives the next of its texts for each clip."""

    name: str
    texts: list[str]
    heard: list[int] = field(default_factory=list)

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        self.heard.append(len(samples))
        words = self.texts.pop(0).split()
        if not words:
            return []
        return [Hypothesis(tuple(HeardWord(w, i * 0.3, i * 0.3 + 0.3, 0.9) for i, w in enumerate(words)), -1.0, 0.9)]


@pytest.fixture
def clip(tmp_path):
    path = tmp_path / "clip.wav"
    seconds = np.arange(SAMPLE_RATE) / SAMPLE_RATE
    soundfile.write(path, 0.3 * np.sin(2 * np.pi * 220 * seconds) * (1 + np.sin(20 * seconds)), SAMPLE_RATE)
    return path


def hear(store, job, clip, first: str, second: str):
    return hear_clip(store, job, clip, [Listener("one", [first]), Listener("two", [second])])


def live(store, job):
    return build(store.entries(job)).live


def test_agreed_reading_names_clip_listeners_and_seconds(store, job, clip):
    taken = hear(store, job, clip, "low side thirty p s i high side two ten", "low side thirty p s i high side two hundred ten")
    assert [(e.statement.place, e.statement.value, e.standing) for e in taken.entries] == [
        ("low_side", Decimal(30), Standing.AGREED), ("high_side", Decimal(210), Standing.AGREED)]
    first, second = (e.origin for e in taken.entries)
    assert first.readers == ("one", "two") and first.original_name == "clip.wav"
    assert first.region == pytest.approx((0, 1.8)) and second.region == pytest.approx((1.8, 3.0))
    assert store.media_path(first.sha256).read_bytes() == clip.read_bytes()


def test_difference_is_a_question_and_no_check_sees_it(store, job, clip):
    taken = hear(store, job, clip, "vent fifteen degrees", "vent fifty degrees")
    (entry,) = taken.entries
    assert entry.standing is Standing.UNCONFIRMED and "15" in entry.question and "50" in entry.question
    assert [x.usable for x in live(store, job)] == [False]


def test_nothing_understood_is_a_question_about_the_clip(store, job, clip):
    (entry,) = hear(store, job, clip, "", "").entries
    assert entry.statement is None and "clip.wav" in entry.question


def test_unsettled_control_word_alone_is_a_clip_not_understood(store, job, clip):
    (entry,) = hear(store, job, clip, "no", "").entries
    assert entry.statement is None


def test_unsettled_scratch_that_takes_nothing_back_until_answered(store, job, clip):
    type_text(store, job, "low side thirty psi")
    (question,) = hear(store, job, clip, "scratch that", "").entries
    assert len(live(store, job)) == 2
    answer(store, job, question.id, keep=1)
    assert live(store, job) == ()


def test_scratch_that_takes_back_the_last_statement_only(store, job, clip):
    hear(store, job, clip, "low side thirty high side two ten", "low side thirty high side two ten")
    hear(store, job, clip, "scratch that", "scratch that")
    assert [x.entry.statement.place for x in live(store, job)] == ["low_side"]
    assert len(store.entries(job)) == 3


def test_scratch_that_after_a_plan_takes_the_plan_back_and_no_reading(store, job, clip):
    hear(store, job, clip, "low side thirty p s i", "low side thirty p s i")
    hear(store, job, clip, "about to start the pump", "about to start the pump")
    assert len(build(store.entries(job)).plans) == 1
    hear(store, job, clip, "scratch that", "scratch that")
    assert [x.entry.statement.value for x in live(store, job)] == [Decimal(30)]
    assert build(store.entries(job)).plans == ()


def test_correction_supersedes_the_same_subject_only(store, job, clip):
    hear(store, job, clip, "low side thirty high side two ten", "low side thirty high side two ten")
    hear(store, job, clip, "correction low side thirty five", "correction low side thirty five")
    assert [(x.entry.statement.place, x.entry.statement.value) for x in live(store, job)] == [
        ("low_side", Decimal(35)), ("high_side", Decimal(210))]


def test_doubtful_correction_leaves_what_stands(store, job, clip):
    hear(store, job, clip, "low side thirty", "low side thirty")
    hear(store, job, clip, "correction low side fifty", "correction low side fifteen")
    usable = [x.entry.statement.value for x in live(store, job) if x.usable]
    assert usable == [Decimal(30)] and len(build(store.entries(job)).questions) == 1


def test_yes_confirms_the_question_just_asked_and_no_other(store, job, clip):
    hear(store, job, clip, "low side thirty", "low side thirty")
    hear(store, job, clip, "vent fifteen degrees", "vent fifty degrees")
    hear(store, job, clip, "second one", "second one")
    agreed, answered = live(store, job)
    assert agreed.entry.standing is Standing.AGREED
    assert (answered.entry.standing, answered.entry.statement.value) == (Standing.CONFIRMED, Decimal(50))
    hear(store, job, clip, "yes", "yes")
    assert len(live(store, job)) == 2


def test_impossible_figure_is_asked_even_when_both_heard_it(store, job, clip):
    hear(store, job, clip, "battery ninety volts", "battery ninety volts")
    (question,) = build(store.entries(job)).questions
    assert "90 V" in question.entry.question


def test_of_two_heard_figures_that_cannot_both_be_both_are_asked(store, job, clip):
    type_text(store, job, "engine running")
    hear(store, job, clip, "low side two hundred", "low side two hundred")
    taken = hear(store, job, clip, "high side thirty two", "high side thirty two")
    assert [e.statement.place for e in taken.entries] == ["low_side", "high_side"]
    assert not any(x.usable for x in live(store, job) if isinstance(x.entry.statement, Measured))
    assert len(live(store, job)) == 3


def test_what_a_person_typed_is_not_asked_again_for_a_later_figure(store, job, clip):
    type_text(store, job, "engine running")
    type_text(store, job, "low side 200 psi")
    hear(store, job, clip, "high side thirty two", "high side thirty two")
    assert [x.usable for x in live(store, job) if isinstance(x.entry.statement, Measured)] == [True, False]


def test_impossible_typed_figure_is_asked_and_kept_on_request(store, job):
    (entry,) = type_text(store, job, "humidity 100 percent").entries
    assert entry.standing is Standing.CONFIRMED
    (entry,) = type_text(store, job, "battery 90 volts").entries
    assert entry.standing is Standing.UNCONFIRMED
    answer(store, job, entry.id, keep=1)
    assert [x.usable for x in live(store, job)] == [True, True]


def test_answer_in_words_takes_the_place_of_the_question(store, job, clip):
    type_text(store, job, "engine off")
    (question,) = hear(store, job, clip, "low side forty", "low side fourteen").entries
    type_text(store, job, "engine running")
    answer(store, job, question.id, text="low side 41 psi")
    reading = next(x for x in live(store, job) if isinstance(x.entry.statement, Measured))
    assert (reading.engine, reading.entry.statement.value, reading.entry.standing) == ("off", Decimal(41), Standing.CONFIRMED)


def test_answers_that_fit_nothing_are_refused(store, job, clip):
    (question,) = hear(store, job, clip, "low side forty", "low side fourteen").entries
    for wrong in ({"entry_id": 99, "drop": True}, {"entry_id": question.id, "keep": 3}, {"entry_id": question.id},
                  {"entry_id": question.id, "text": "the moon is blue"}):
        with pytest.raises(HoodnoteError):
            answer(store, job, **wrong)
    assert len(build(store.entries(job)).questions) == 1
    answer(store, job, question.id, drop=True)
    assert live(store, job) == ()


def test_typed_text_outside_the_language_stores_nothing(store, job):
    with pytest.raises(HoodnoteError):
        type_text(store, job, "low side purple")
    assert store.captures(job) == [] and store.entries(job) == []


def test_file_that_is_no_recording_stores_nothing(store, job, tmp_path):
    path = tmp_path / "note.wav"
    path.write_text("not a recording")
    with pytest.raises(HoodnoteError):
        hear_clip(store, job, path, [])
    assert store.captures(job) == []


class Crash(Exception):
    pass


def test_crash_while_hearing_keeps_the_clip_for_resume(store, job, clip):
    class Broken(Listener):
        def recognize(self, samples, n_best=5):
            raise Crash

    with pytest.raises(Crash):
        hear_clip(store, job, clip, [Broken("one", [])])
    assert len(store.pending(job)) == 1
    engines = [Listener("one", ["low side thirty"]), Listener("two", ["low side thirty"])]
    (taken,) = resume(store, job, engines)
    assert taken.entries[0].statement.value == Decimal(30)
    assert store.pending(job) == [] and list(resume(store, job, engines)) == []


def test_crash_while_recording_records_nothing_twice(store, job, clip, monkeypatch):
    words = "low side thirty high side two ten"
    monkeypatch.setattr(Store, "finish", lambda *a, **k: (_ for _ in ()).throw(Crash()))
    with pytest.raises(Crash):
        hear(store, job, clip, words, words)
    monkeypatch.undo()
    assert store.entries(job) == [] and len(store.pending(job)) == 1
    list(resume(store, job, [Listener("one", [words]), Listener("two", [words])]))
    assert len(store.entries(job)) == 2


@pytest.mark.parametrize("transcript", [None, "free note the hose rubs"])
def test_a_clip_that_two_processes_hear_at_once_is_recorded_once(store, job, clip, transcript):
    capture = store.add_capture(job, "clip", sha256=store.keep_file(clip).sha256, original_name="clip.wav")
    both, made = threading.Barrier(2), []

    class AtOnce(Listener):
        def recognize(self, samples, n_best=5):
            both.wait(60)                        # both have begun before either records
            return super().recognize(samples, n_best)

    class Writing(AtOnce):
        def transcribe_free(self, samples, goes_on=None):
            return transcript

    def take(own):
        with Store.open(store.folder) as opened:
            words = ["low side thirty"] if transcript is None else ["free note"]
            made.append(hear_capture(opened, job, capture, np.zeros(16000, np.float32), [own("one", list(words)), Listener("two", words)]))

    threads = [threading.Thread(target=take, args=(AtOnce if transcript is None else Writing,)) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    first, second = sorted(made, key=lambda taken: -len(taken.entries))
    assert len(first.entries) == 1 and second.entries == () and "already" in second.remarks[0]
    assert len(store.entries(job)) == 1 and store.outcome(capture) == ("done", "")
    store.fail(capture, "the other had given it up")
    assert store.outcome(capture) == ("done", "")


def test_typed_text_that_was_taken_meanwhile_is_not_taken_again(store, job):
    capture = store.add_capture(job, "typed", text="vent 52 F")
    assert len(retype(store, job, capture).entries) == 1
    assert retype(store, job, capture).entries == () and len(store.entries(job)) == 1


def test_no_listener_at_all_says_so_and_keeps_the_clip(store, job, clip):
    capture = store.add_capture(job, "clip", sha256=store.keep_file(clip).sha256, original_name="clip.wav")
    with pytest.raises(HoodnoteError, match="engines"):
        hear_capture(store, job, capture, np.zeros(16000, np.float32), [])
    assert len(store.pending(job)) == 1


def said(store, job, clip, *texts):
    """Each text heard alike by both listeners; what was told of the last."""
    return [hear(store, job, clip, text, text) for text in texts][-1].warnings


def test_warning_is_not_told_again_while_it_stays_true_and_is_once_it_came_back(store, job, clip):
    assert "back_feed" in {w.id for w in said(store, job, clip, "engine running", "can valve open", "high valve open")}
    assert said(store, job, clip, "vent forty four degrees", "high valve open") == ()
    assert said(store, job, clip, "high valve shut") == ()
    assert {w.id for w in said(store, job, clip, "high valve open")} == {"back_feed"}


def test_scratch_that_and_a_late_answer_warn_of_what_they_make_true(store, job, clip):
    said(store, job, clip, "engine running", "can valve open", "high valve open", "high valve shut")
    assert {w.id for w in said(store, job, clip, "scratch that")} == {"back_feed"}
    (question,) = hear(store, job, clip, "pump on", "").entries
    taken = answer(store, job, question.id, text="can upside down")
    assert {w.id for w in taken.warnings} == {"liquid_low_side"}
    assert [w.entry_id for w in store.warnings(job) if w.warning.id == "liquid_low_side"] == [taken.entries[-1].id]


def test_answer_does_not_tell_again_what_its_question_told(store, job, clip):
    taken = hear(store, job, clip, "torch on can", "")
    assert [w.id for w in taken.warnings] == ["can_flame"]
    assert answer(store, job, taken.entries[0].id, keep=1).warnings == () and len(store.warnings(job)) == 1
    taken = hear(store, job, clip, "leak test with oxygen", "")
    assert "leak_test_gas" in {w.id for w in taken.warnings}
    assert said(store, job, clip, "yes") == () and live(store, job)[-1].usable


def test_understood_acknowledges_what_was_told_and_leaves_the_question_before_everybody(store, job, clip):
    hear(store, job, clip, "leak test with oxygen", "leak test with shop air")
    (taken,) = [hear(store, job, clip, "understood", "understood")]
    assert taken.warnings == () and just_asked(build(store.entries(job))) is not None
    found = answers(build(store.entries(job)), store.warnings(job))
    assert {a.how for a in found} == {How.ACKNOWLEDGED} and {a.by for a in found} == {taken.entries[0].id}
    assert standing(build(store.entries(job)), store.warnings(job)) == ()


def test_conclusion_that_nothing_bears_is_told_at_once_and_not_kept_as_a_warning(store, job, clip, monkeypatch):
    (warning,) = type_text(store, job, "my conclusion is compressor not pumping").warnings
    assert warning.id == CLAIM and "compressor not pumping" in warning.text and store.warnings(job) == []
    assert any("NOT BORNE OUT" in line for line in taken_lines(type_text(store, job, "my conclusion is compressor not pumping"), job))
    monkeypatch.setattr(causes, "unsupported", lambda statement, timeline, equipment: None)
    assert type_text(store, job, "my conclusion is compressor not pumping").warnings == ()


def test_hazard_is_raised_and_kept_even_when_the_words_are_in_doubt(store, job, clip):
    taken = hear(store, job, clip, "leak test with oxygen", "")
    assert any("oxygen" in w.text.lower() for w in taken.warnings)
    assert [w.warning.id for w in store.warnings(job)] == [w.id for w in taken.warnings]
    assert taken.entries[0].statement == Step("leak_test_oxygen") and taken.entries[0].standing is Standing.UNCONFIRMED


def test_the_shops_own_gauges_count_at_once(store, job):
    """A low side of 48.5 psi is near its limit of 50 for the usual gauge of 1 psi and more (grade B), and not for one good to 0.1 % of 120 psi."""
    def told():
        type_text(store, job, "engine running, source valve open, charging started")
        return [w.id for w in type_text(store, job, "low side 48.5 psi").warnings]

    assert "low_side_limit" in told()
    (store.folder / "shop.toml").write_text('[gauges.low]\ngrade = "4A"\nfrom = "0 psi"\nto = "120 psi"\n')
    type_text(store, job, "low side 30 psi")
    assert "low_side_limit" not in told()
