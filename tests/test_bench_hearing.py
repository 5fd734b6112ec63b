"""The hearing benchmark counts what it says, and its voices and utterances are what they must be."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import pytest

from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis
from hoodnote.language.grammar import load
from hoodnote.readings.agreement import Account
from hoodnote.readings.decision import Decision, Opinions
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Control, Measured, Step
from tests.bench import hearing_records
from tests.bench.bench_hearing import report
from tests.bench.hearing_records import clips_of, from_json, gathered_of, read, spoken_clips, watch
from tests.bench.hearing_score import Scored, at_most, count, score, silence_table, speech_table
from tests.bench.scene import NO_SPEECH
from tests.bench.talk import SENTENCES
from tests.bench.utterances import Utterance, figure, number, utterances
from tests.bench.voices import DEVELOPMENT, HELD_OUT, SPLITS, speaker
from tests.test_agreement import agree

THIRTY = Measured("low_side", Decimal(30), "psi")
THIRTEEN = Measured("low_side", Decimal(13), "psi")
OFF = Step("engine_off")


@dataclass(frozen=True)
class Cue:
    margin: float


def settled(said, first, second) -> Scored:
    out = Scored("v", "clean", "x", 1.0, said=len(said))
    count(out, agree(Account("a", "", first, 0.9), Account("b", "", second, 0.9)), said)
    return out


def when_both_say_so(known: Opinions) -> Decision:
    """A decision without any fitted number, so that what is counted here does not move with the fit."""
    first, second = known.accounts
    return Decision(tuple(first.text.split()), first.statements, (), tuple(agree(first, second)), known.accounts)


def record(said: str | None, first: str, second: str, condition: str = "15", voice: str = "v") -> dict:
    heard = [[name, [[[[w, i / 2, i / 2 + 0.5, 0.9] for i, w in enumerate(text.split())], 0.0, 0.9]] if text else []]
             for name, text in (("a", first), ("b", second))]
    candidates = list(dict.fromkeys(text for text in (first, second) if text))
    return {"split": "development", "seed": 1, "index": 0, "condition": condition if said else NO_SPEECH, "voice": voice, "parts": "engine+fan",
            "microphone": "arm", "said": said, "spoken": said, "seconds": 2.0, "cpu_s": 0.2, "wall_s": 0.2, "memory_mb": 300, "cues": {},
            "heard": heard, "rescored": [False, False], "candidates": candidates, "scores": [[0.0, 0.0] for _ in candidates]}


def scored_of(records: list[dict]) -> list[Scored]:
    return [score(r, when_both_say_so) for r in records]


def test_agreed_and_right():
    out = settled((THIRTY, OFF), (THIRTY, OFF), (THIRTY, OFF))
    assert (out.taken_right, out.asked, out.missed, out.silently_wrong) == (2, 0, 0, [])


def test_agreed_and_wrong_is_counted_against_it():
    out = settled((THIRTY,), (THIRTEEN,), (THIRTEEN,))
    assert out.taken_right == 0 and len(out.silently_wrong) == 1 and "13" in out.silently_wrong[0]


def test_an_invented_statement_is_silently_wrong():
    assert len(settled((THIRTY,), (THIRTY, OFF), (THIRTY, OFF)).silently_wrong) == 1


def test_a_difference_is_a_question():
    out = settled((THIRTY,), (THIRTY,), (THIRTEEN,))
    assert (out.taken_right, out.asked, out.asked_right, out.missed, out.silently_wrong) == (0, 1, 1, 0, [])


def test_unheard_is_missed():
    out = settled((THIRTY, OFF), (OFF,), (OFF,))
    assert (out.taken_right, out.asked, out.missed, out.silently_wrong) == (1, 0, 1, [])


def test_an_idle_control_word_is_no_question_but_a_taken_one_counts():
    assert settled((), (Control("yes"),), ()).asked == 0
    assert settled((), (Control("yes"),), (Control("yes"),)).taken == 1
    assert settled((), (Control("withdraw"),), ()).asked == 1


def test_a_planted_wrong_figure_is_counted_from_record_to_report():
    records = [record("low side thirteen", "low side thirty", "low side thirty")] + [record("low side thirteen", "low side thirteen", "low side thirteen")] * 3
    scored = scored_of(records)
    assert [len(s.silently_wrong) for s in scored] == [1, 0, 0, 0]
    last = [line for line in speech_table(scored, lambda s: s.voice, "voice").splitlines()][-1]
    assert last == "| **all** | 15 dB | 4 | 75.0% | 75.0% | 75.0% | 4 | 75.0% | 0 | 0 | 1 | 250.0 of 4 | 751 | 0.10 | 0.10 |"
    text = report(records, when_both_say_so)
    assert "250.0 of 4" in text and f"silently wrong (v, 15, engine+fan, arm): said 'low side thirteen', took {describe(THIRTY)}" in text


def test_how_sure_a_count_makes():
    """None wrong of n: the "rule of three", 3 / n (Hanley and Lippman-Hand, JAMA 249, 1983). None taken tells nothing."""
    assert at_most(0, 600) == pytest.approx(3 / 600, rel=0.01) and at_most(0, 0) == at_most(2, 2) == 1.0
    # 1 of 4: the share at which none or one of four is left to one case in twenty
    share = at_most(1, 4)
    assert (1 - share) ** 4 + 4 * share * (1 - share) ** 3 == pytest.approx(0.05)


def test_voices_and_conditions_are_told_apart_and_add_up():
    records = [record("low side thirty", "low side thirty", "low side thirty", c, v) for c in ("clean", "5") for v in ("one", "two", "two")]
    rows = speech_table(scored_of(records), lambda s: s.voice, "voice").splitlines()[2:]
    assert [re.split(r" *\| *", r)[1:4] for r in rows] == [["one", "clean", "1"], ["two", "clean", "2"], ["**all**", "clean", "3"],
                                                          ["one", "5 dB", "1"], ["two", "5 dB", "2"], ["**all**", "5 dB", "3"]]


def test_whatever_is_taken_while_nobody_speaks_is_wrong():
    quiet, wrong = scored_of([record(None, "", ""), record(None, "engine off", "engine off")])
    assert (quiet.taken, wrong.taken, wrong.silently_wrong != []) == (0, 1, True)
    assert silence_table([quiet, wrong], ["fan", "fan"]).splitlines()[-1].startswith("| **all** | 2 | 0.1 | 1 | 0 |")
    assert "taken from nothing" in report([record(None, "engine off", "engine off")], when_both_say_so)


def test_another_decision_can_be_made_on_a_record():
    one = record("low side thirty", "low side thirty", "low side thirty")
    assert score(one, when_both_say_so).taken_right == 1
    assert score(one, lambda known: Decision((), (), (), (), known.accounts)).missed == 1


def test_a_dump_gives_back_what_was_gathered(tmp_path):
    class Engine:
        name = "a"

        def examine(self, samples, n_best=5):
            words = tuple(HeardWord(w, i * 0.5, i * 0.5 + 0.5, 0.7) for i, w in enumerate("low side thirty".split()))
            return [(Hypothesis(words, -3.5, 0.75), Cue(2.0))]

        def recognize(self, samples, n_best=5):
            return [h for h, _ in self.examine(samples, n_best)]

    engines = [Engine(), Engine()]
    for engine in engines:
        watch(engine)
    kept = gathered_of(np.zeros(16_000, np.float32), engines)
    assert kept["seconds"] == 1.0 and kept["cpu_s"] >= 0 and kept["cues"] == {"a": {"margin": 2.0}}
    path = tmp_path / "dump"
    path.write_text(json.dumps(kept) + "\n" + '{"heard": [["a"')   # the last line was cut off
    (back,) = read(path)
    again = from_json(back)
    assert again.heard == (("a", tuple(engines[0].recognize(None))),) * 2 and again.candidates == (("low", "side", "thirty"),)
    assert again.scores[0] == pytest.approx((math.log(0.75),) * 2, abs=1e-3)


def test_no_speaker_is_both_tuned_on_and_scored():
    assert not set(map(speaker, DEVELOPMENT)) & set(map(speaker, HELD_OUT))
    assert speaker("festival:cmu_us_slt_arctic_hts@0.9") == speaker("flite:slt") and speaker("piper:joe@0.8") == speaker("piper:joe")
    assert speaker("espeak:en-us+f3@165") == speaker("espeak:en-us@150") != speaker("espeak:en-us-nyc+m3@140")


def test_both_sides_have_voices_enough_and_of_several_kinds():
    for voices in SPLITS.values():
        assert len(voices) >= 9 and {v.partition(":")[0] for v in voices} >= {"flite", "festival", "espeak"}


def test_talk_of_one_side_is_not_heard_on_the_other_and_is_no_statement():
    assert not set(SENTENCES["development"]) & set(SENTENCES["heldout"])
    for sentence in (s for split in SENTENCES.values() for s in split):
        assert not load().automaton.accepts(sentence.lower().split())


def test_the_sides_say_different_things_and_every_condition_says_the_same():
    ours, theirs = ({c.said for c in spoken_clips(split, seed, 120, ["clean"])} for split, seed in (("development", 100), ("heldout", 200)))
    assert len({s for s in ours & theirs if any(w in s for w in ("side", "line", "charged"))}) < 4
    clips = list(spoken_clips("heldout", 3, 20, ["clean", "15", "5"]))
    assert len(clips) == 60 and all(len({(c.said, c.voice) for c in clips[i:i + 3]}) == 1 for i in range(0, 60, 3))
    assert {c.voice for c in clips} == set(HELD_OUT)


def test_a_run_cut_short_is_balanced(monkeypatch):
    monkeypatch.setattr(hearing_records, "without_speech", lambda minutes, seed, split: [("fan", np.zeros(8))] * 10)
    clips = clips_of("development", 3, 15, ["clean", "5", NO_SPEECH], 1.0)
    assert len(clips) == 40 and len({(c.condition, c.index) for c in clips}) == 40
    assert Counter(c.condition for c in clips[:20]) == {NO_SPEECH: 5, "clean": 8, "5": 7}


def test_teens_and_whole_tens_come_oftener_than_by_chance_and_equally_often():
    import random

    rng = random.Random(4)
    made = [figure(8, 95, rng) for _ in range(6000)]
    teens, tens = (sum(v in among for v in made) / len(made) for among in (range(13, 20), range(30, 100, 10)))
    # 0.15 by choice and, of the other seven in ten, 7 of 88 figures each
    assert teens == pytest.approx(0.15 + 0.7 * 7 / 88, abs=0.02) and tens == pytest.approx(0.15 + 0.7 * 7 / 88, abs=0.02)
    assert min(made) == 8 and max(made) == 95
    assert {figure(2, 6, rng) for _ in range(200)} == {2, 3, 4, 5, 6}


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
