"""Listeners' opinions of the same candidates make one decision; figures here are worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis
from hoodnote.intake.listening import gather_all, listen
from hoodnote.readings import decision
from hoodnote.readings.agreement import Account, meaning
from hoodnote.readings.decision import Candidate, Opinions, Weights, decide, joined, judge, worth_another
from hoodnote.readings.model import Standing
from hoodnote.statements.parser import parse

WEIGHTS = Weights(listener={"a": 1.0, "b": 0.1}, bend={}, prior=0.0, unknown=1.0, fitted=("a", "b"), curve=(0.0, 1.0, *(0.0,) * 7),
                  threshold=0.95, threshold_teens=0.95, threshold_words=0.95, clear=0.0, clear_teens=0.0,
                  threshold_alone=0.95, clear_alone=0.0, threshold_words_alone=0.95, noisy_below_db=17.0, threshold_words_noisy=0.95,
                  slack=0.5, absurd=6.0)


def opinions(*rows: tuple[str, float, float], best: tuple[str, str] | None = None, confidence=(0.9, 0.9), readers=("a", "b"), rescored=(True, True)) -> Opinions:
    candidates = tuple(Candidate(tuple(text.split()), tuple(parse(text.split())), scores) for text, *scores in
                       ((text, a, b) for text, a, b in rows))
    candidates = tuple(replace(c, scores=tuple(c.scores)) for c in candidates)
    texts = best or (rows[0][0], rows[0][0])
    accounts = tuple(Account(reader, text, tuple(parse(text.split())) if text else (), c) for reader, text, c in zip(readers, texts, confidence))
    return Opinions(accounts, rescored, candidates)


def test_what_both_prefer_clearly_is_agreed():
    made = decide(opinions(("vent thirty", 0, 0), ("vent thirteen", -5, -60)), WEIGHTS)
    (settled,) = made.settled
    assert settled.standing is Standing.AGREED and settled.question is None and made.words == ("vent", "thirty")
    # 1 / (1 + exp(-(5 + 6)))  for the share; the curve takes its log odds, at most 5
    assert settled.confidence == pytest.approx(1 / (1 + math.exp(-5)))


def test_the_share_of_a_statement_is_that_of_all_candidates_that_hold_it():
    _, (low, high) = judge(opinions(("low side thirty high side two ten", 0, 0), ("low side thirty high side two twenty", -1, 0), ("low side fifty high side two ten", -2, 0)), WEIGHTS)
    total = 1 + math.exp(-1) + math.exp(-2)
    assert low.share == pytest.approx((1 + math.exp(-1)) / total)
    assert high.share == pytest.approx((1 + math.exp(-2)) / total)
    assert low.margins == pytest.approx((2.0, 0.0)) and high.margins == pytest.approx((1.0, 0.0))


def test_a_listener_that_prefers_the_rival_makes_a_question_of_two():
    heard = opinions(("vent thirty", 0, -60), ("vent thirteen", -12, 0), best=("vent thirty", "vent thirteen"))
    heard = replace(heard, candidates=tuple(replace(c, scores=(c.scores[0] / 3, c.scores[1] / 2)) for c in heard.candidates))
    (settled,) = decide(heard, WEIGHTS).settled
    assert settled.standing is Standing.UNCONFIRMED
    assert [str(v.statement.value) for v in settled.versions] == ["30", "13"] and "30" in settled.question and "13" in settled.question


def test_a_likely_rival_that_neither_put_first_is_offered():
    (settled,) = decide(opinions(("vent thirty", 0, 0), ("vent thirteen", -1, 0)), WEIGHTS).settled
    assert settled.standing is Standing.UNCONFIRMED
    assert [str(v.statement.value) for v in settled.versions] == ["30", "13"] and "30" in settled.question and "13" in settled.question


def test_only_the_doubtful_statement_of_a_breath_is_asked():
    made = decide(opinions(("low side thirty high side two ten", 0, 0), ("low side thirteen high side two ten", -1, 0)), WEIGHTS)
    assert [s.standing for s in made.settled] == [Standing.UNCONFIRMED, Standing.AGREED]


def test_a_rival_that_the_other_listener_rules_out_is_no_rival():
    near = opinions(("vent thirty", 0, 0), ("humidity thirty percent", -20, 40))
    (settled,) = decide(near, WEIGHTS).settled
    assert settled.standing is Standing.AGREED
    (settled,) = decide(near, replace(WEIGHTS, absurd=30.0)).settled
    assert settled.standing is Standing.UNCONFIRMED


def test_one_listener_alone_is_always_asked():
    heard = opinions(("vent thirty", 0, 0), ("vent thirteen", -30, -300))
    alone = Opinions(heard.accounts[:1], (True,), tuple(replace(c, scores=c.scores[:1]) for c in heard.candidates))
    (settled,) = decide(alone, WEIGHTS).settled
    assert settled.standing is Standing.UNCONFIRMED and "only one" in settled.question
    deaf = opinions(("vent thirty", 0, 0), ("vent thirteen", -30, -300), best=("vent thirty", ""), confidence=(0.99, 0.0))
    (settled,) = decide(deaf, WEIGHTS).settled
    assert settled.standing is Standing.UNCONFIRMED and "b did not hear it" in settled.question


def test_listeners_without_a_fitted_curve_must_both_have_said_so_and_be_sure():
    def standing(**changed) -> Standing:
        (settled,) = decide(opinions(("vent thirty", 0, 0), ("vent thirteen", -4, -4), readers=("a", "other"), **changed), WEIGHTS).settled
        return settled.standing

    assert standing() is Standing.AGREED
    assert standing(confidence=(0.9, 0.5)) is Standing.UNCONFIRMED
    assert standing(best=("vent thirty", "vent thirteen")) is Standing.UNCONFIRMED
    assert standing(rescored=(True, False)) is Standing.AGREED


def test_what_one_heard_beside_it_is_asked_while_it_is_possible():
    rows = (("vent thirty", 0, 0), ("vent thirty engine off", -1, 0))
    made = decide(opinions(*rows, best=("vent thirty", "vent thirty engine off")), WEIGHTS)
    assert [s.standing for s in made.settled] == [Standing.AGREED, Standing.UNCONFIRMED] and "only b heard it" in made.settled[1].question
    ruled_out = (rows[0], (rows[1][0], -20, 0))
    assert len(decide(opinions(*ruled_out, best=("vent thirty", "vent thirty engine off")), WEIGHTS).settled) == 1


def test_the_prior_decides_between_what_sounds_alike():
    heard = opinions(("vent thirty", 0, 0), ("vent thirteen", 0, 0))
    biased = replace(heard, candidates=(heard.candidates[0], replace(heard.candidates[1], prior=2.0)))
    top, _ = judge(biased, replace(WEIGHTS, prior=0.5))
    assert top.words == ("vent", "thirteen")


def test_a_unit_heard_by_one_is_kept():
    heard = opinions(("low side thirty", 0, 0), ("low side thirty p s i", 0, 0), ("low side fifty", -9, -90), best=("low side thirty", "low side thirty p s i"))
    (settled,) = decide(heard, WEIGHTS).settled
    assert settled.standing is Standing.AGREED and settled.statement.unit_stated


@pytest.mark.parametrize(("second", "standing"), [("high side two fifteen", Standing.UNCONFIRMED), ("high side is two hundred fifteen p s i", Standing.AGREED)])
def test_a_figure_that_two_understood_in_different_number_words_is_asked(second, standing):
    heard = opinions(("high side two hundred fifteen", 0, 0), ("low side thirty", -9, -90), best=("high side two hundred fifteen", second))
    (settled,) = decide(heard, WEIGHTS).settled
    assert settled.standing is standing


@pytest.mark.parametrize(("text", "rival", "kind"), [("vent forty two", "vent fifty two", "clear"), ("vent forty", "vent fourteen", "clear_teens")])
def test_a_figure_must_be_clear_to_each_of_the_better_two(text, rival, kind):
    heard = opinions((text, 0, 0), (rival, -5, -30))         # weighted: by 5 to the one, by 3 to the other
    standings = [decide(heard, replace(WEIGHTS, **{kind: clear})).settled[0].standing for clear in (2.9, 3.1)]
    assert standings == [Standing.AGREED, Standing.UNCONFIRMED]


@pytest.mark.parametrize(("text", "rival"), [("vent forty two", "vent fifty two"), ("model year two thousand three", "model year two thousand")])
def test_in_loud_noise_a_figure_is_asked_however_clear(text, rival):
    heard = opinions((text, 0, 0), (rival, -90, -900))
    made = [decide(replace(heard, swing_db=swing), WEIGHTS).settled[0] for swing in (10.0, 18.0, math.inf)]
    assert [s.standing for s in made] == [Standing.UNCONFIRMED, Standing.AGREED, Standing.AGREED] and "loud noise" in made[0].question


@pytest.mark.parametrize(("noisy", "standing"), [(0.95, Standing.AGREED), (0.999, Standing.UNCONFIRMED)])
def test_in_loud_noise_a_statement_without_a_figure_must_be_likelier(noisy, standing):
    heard = opinions(("fuse is blown", 0, 0), ("fuse is good", -5, -60))
    made = [decide(replace(heard, swing_db=swing), replace(WEIGHTS, threshold_words_noisy=noisy)).settled[0].standing for swing in (10.0, 18.0)]
    assert made == [standing, Standing.AGREED]


def test_two_of_three_are_enough_and_the_first_must_be_among_them():
    weights = replace(WEIGHTS, listener={"a": 1.0, "b": 1.0, "c": 1.0}, fitted=("a", "b", "c"), curve=(0.0, 1.0, *(0.0,) * 10))

    def standing(*best: str) -> Standing:
        candidates = (Candidate(("vent", "fifty", "two"), tuple(parse(["vent", "fifty", "two"])), (0.0, 0.0, 0.0)),
                      Candidate(("vent", "sixty", "two"), tuple(parse(["vent", "sixty", "two"])), (-6.0, -6.0, 0.0)))
        accounts = tuple(Account(reader, text, tuple(parse(text.split())) if text else (), 0.9) for reader, text in zip("abc", best))
        return decide(Opinions(accounts, (True, True, True), candidates), weights).settled[0].standing

    assert standing("vent fifty two", "vent fifty two", "") is Standing.AGREED
    assert standing("vent fifty two", "", "vent fifty two") is Standing.AGREED
    assert standing("vent sixty two", "vent fifty two", "vent fifty two") is Standing.UNCONFIRMED
    assert standing("vent fifty two", "", "") is Standing.UNCONFIRMED


def test_a_bent_score_counts_less_the_further_behind_it_is():
    heard = opinions(("vent fifty two", 0, 0), ("vent sixty two", -10, 0))
    bent = decision.weighted(heard, replace(WEIGHTS, bend={"a": 5.0}))
    assert bent[:, 0] == pytest.approx([0.0, -5 * math.log(3)])     # 5 log(1 + 10 / 5)


def test_nothing_heard_decides_nothing():
    made = decide(Opinions((Account("a", "", (), 0.0), Account("b", "", (), 0.0)), (True, True), ()), WEIGHTS)
    assert made.settled == () and made.words == ()


def test_a_sound_that_nothing_explains_is_not_understood():
    deaf = opinions(("vent thirty", 0, 0), ("vent thirteen", -9, -90), best=("", "vent thirty"), confidence=(0.0, 0.4))
    assert decide(deaf, WEIGHTS).settled == () and decide(deaf, replace(WEIGHTS, fitted=())).settled != ()
    deaf = opinions(("vent thirty", 0, 0), ("vent thirteen", 0, 0), best=("vent thirty", "vent thirty"), confidence=(0.001, 0.4))
    made = decide(deaf, replace(WEIGHTS, curve=(0.0, 0.0, 0.0, 1.0, *(0.0,) * 5)))      # the first listener's confidence alone: log odds of -4 and less
    assert made.settled == () and made.words


_TEXTS = ("vent thirty", "vent thirteen", "low side fifty high side two ten", "low side fifteen high side two ten", "engine off", "low side fifty", "engine off vent thirty")
_rows = st.lists(st.tuples(st.sampled_from(_TEXTS), st.floats(-30, 0), st.floats(-300, 0)), min_size=1, max_size=6, unique_by=lambda r: r[0])


@settings(deadline=None)      # other work on the machine is no failure
@given(_rows, st.sampled_from(_TEXTS), st.sampled_from(_TEXTS), st.floats(0, 1), st.floats(0, 1))
def test_nothing_is_agreed_below_the_threshold_or_against_a_listener(rows, first, second, a, b):
    heard = opinions(*rows, best=(first, second), confidence=(a, b))
    made = decide(heard, WEIGHTS)
    judged = {meaning(j.statement): j for j in made.judged}
    for settled in made.settled:
        assert settled.confidence is None or 0 <= settled.confidence <= 1
        if settled.standing is Standing.AGREED:
            found = judged[meaning(settled.statement)]
            assert found.probability >= WEIGHTS.threshold and min(found.margins) >= -WEIGHTS.slack
        else:
            assert settled.question and settled.versions


def test_the_installed_weights_fit_the_features():
    w = decision.weights()
    assert len(w.curve) == len(decision.features(0.5, (0.0,) * 3, (True,) * 3, (0.5,) * 3)) and 0.5 < w.threshold < 1
    assert set(w.fitted) == set(w.listener) and all(v > 0 for v in w.listener.values())


def test_a_teen_or_a_whole_ten_needs_more_than_another_figure():
    strict = replace(WEIGHTS, threshold=0.9, threshold_teens=0.999)
    (plain,) = decide(opinions(("vent forty two", 0, 0), ("vent forty three", -5, -60)), strict).settled
    (teen,) = decide(opinions(("vent forty", 0, 0), ("vent forty three", -5, -60)), strict).settled
    assert (plain.standing, teen.standing) == (Standing.AGREED, Standing.UNCONFIRMED)


def test_only_the_statement_that_holds_the_teen_needs_more():
    strict = replace(WEIGHTS, threshold=0.9, threshold_teens=0.999)
    both = "vent forty two suction line fifty"
    rows = [("vent forty two suction line fifty", 0, 0), ("vent forty three suction line fifty one", -5, -60)]
    spanned = opinions(*((text, a, b) for text, a, b in rows), best=(both, both))
    spanned = replace(spanned, candidates=tuple(replace(c, spans=((0, 3), (3, 6))) for c in spanned.candidates))
    assert [s.standing for s in decide(spanned, strict).settled] == [Standing.AGREED, Standing.UNCONFIRMED]


def test_a_step_without_a_figure_needs_less():
    strict = replace(WEIGHTS, threshold=0.999, threshold_words=0.9)
    (step,) = decide(opinions(("engine off", 0, 0), ("pump off", -5, -60)), strict).settled
    (figure,) = decide(opinions(("vent forty two", 0, 0), ("vent forty three", -5, -60)), strict).settled
    assert (step.standing, figure.standing) == (Standing.AGREED, Standing.UNCONFIRMED)


def test_a_figure_is_agreed_only_when_both_listeners_understood_it_by_themselves():
    rows = (("vent forty two", 0, 0), ("vent fifty seven", -9, -60))
    (asked,) = decide(opinions(*rows, best=("vent forty two", "vent fifty seven")), WEIGHTS).settled
    (agreed,) = decide(opinions(*rows), WEIGHTS).settled
    assert (asked.standing, agreed.standing) == (Standing.UNCONFIRMED, Standing.AGREED)


def test_a_teen_must_be_clear_to_each_listener():
    strict = replace(WEIGHTS, clear_teens=1.0)
    for second, standing in ((-5, Standing.UNCONFIRMED), (-60, Standing.AGREED)):       # the second listener counts a tenth
        (settled,) = decide(opinions(("vent forty", 0, 0), ("vent fourteen", -5, second)), strict).settled
        assert settled.standing is standing


def test_what_the_independent_listener_did_not_understand_must_be_surer():
    weights = replace(WEIGHTS, listener={"a": 1.0, "b": 1.0, "c": 1.0}, fitted=("a", "b", "c"), curve=(0.0, 1.0, *(0.0,) * 10))
    rows = (("vent fifty two", (0.0, 0.0, 0.0)), ("vent sixty two", (-2.0, -2.0, 0.0)))         # 4 by the share: 98.2 %

    def standing(third: str, **stricter) -> Standing:
        candidates = tuple(Candidate(tuple(text.split()), tuple(parse(text.split())), scores) for text, scores in rows)
        texts = ("vent fifty two", "vent fifty two", third)
        accounts = tuple(Account(reader, text, tuple(parse(text.split())) if text else (), 0.9) for reader, text in zip("abc", texts))
        return decide(Opinions(accounts, (True, True, True), candidates), replace(weights, **stricter)).settled[0].standing

    for stricter in ({"threshold_alone": 0.99}, {"clear_alone": 2.5}):
        assert (standing("vent fifty two", **stricter), standing("", **stricter)) == (Standing.AGREED, Standing.UNCONFIRMED)


def test_a_fact_with_a_number_in_it_is_a_figure():
    strict = replace(WEIGHTS, threshold=0.999, threshold_words=0.9)
    (year,) = decide(opinions(("model year two thousand three", 0, 0), ("model year two thousand", -5, -60)), strict).settled
    (device,) = decide(opinions(("expansion device is orifice tube", 0, 0), ("expansion device is expansion valve", -5, -60)), strict).settled
    assert (year.standing, device.standing) == (Standing.UNCONFIRMED, Standing.AGREED)


def _third_is_worth(text: str, rival: str, behind: float, best: tuple[str, str] | None = None) -> bool:
    heard = opinions((text, 0, 0), (rival, -behind, -10 * behind), best=best)       # weighted: as far behind for both
    strict = replace(WEIGHTS, clear=2.0, clear_teens=2.0)
    return worth_another(decide(heard, strict), heard, strict)


def test_another_listener_is_asked_only_where_it_may_settle_something():
    assert not _third_is_worth("vent forty two", "vent fifty two", 5.0)           # settled already
    assert _third_is_worth("vent forty two", "vent fifty two", 1.6)
    assert not _third_is_worth("vent forty two", "vent fifty two", 1.2)           # nor clear enough for three
    assert not _third_is_worth("vent forty", "vent fourteen", 1.6)                # a whole ten
    assert not _third_is_worth("vent forty two", "vent fifty two", 1.6, best=("vent fifty two", "vent forty two"))


def test_what_the_better_two_settled_stands_and_all_settle_some_of_the_rest():
    two = "vent forty two suction line fifty two"
    rows = ((two, 0, 0), ("vent forty two suction line fifty three", -1, -10), ("vent forty three suction line fifty two", -9, -90))
    first = decide(opinions(*rows, best=(two, two)), replace(WEIGHTS, clear=2.0))
    assert [s.standing for s in first.settled] == [Standing.AGREED, Standing.UNCONFIRMED]
    later = decide(opinions(rows[0], (rows[1][0], -9, -90), rows[2], best=(two, two)), WEIGHTS)
    assert [s.standing for s in joined(first, later).settled] == [Standing.AGREED, Standing.AGREED]
    other = decide(opinions(("vent sixty two suction line fifty three", 0, 0), ("engine off", -30, -300)), WEIGHTS)
    assert joined(first, other).settled == first.settled      # what was settled is not unsettled, and nothing else is added


def test_the_better_two_have_weights_of_their_own():
    pair, together = (decision.weights(readers) for readers in (("phones", "neural"), ("phones", "neural", "pocketsphinx")))
    assert pair.fitted == together.fitted[:2] and pair.clear >= together.clear and pair.threshold >= together.threshold
    assert len(pair.curve) == len(decision.features(0.5, (0.0,) * 2, (True,) * 2, (0.5,) * 2))
    assert decision.weights(("others",)) is together


class _Listener:
    def __init__(self, name: str, text: str, rival: str, behind: float):
        self.name, self.texts, self.behind, self.calls = name, (text, rival), behind, 0

    def recognize(self, samples, n_best):
        self.calls += 1
        return [Hypothesis(tuple(HeardWord(w, 0.0, 1.0, 0.9) for w in text.split()), 0.0, c) for text, c in zip(self.texts, (0.97, 0.03))]

    def score(self, samples, candidates):
        return [0.0 if " ".join(c) == self.texts[0] else -self.behind for c in candidates]


def _sound(quiet: float) -> np.ndarray:
    """Half a second of noise at full level, half a second at `quiet` of it."""
    noise = np.random.default_rng(0).standard_normal(16_000).astype(np.float32)
    return noise * np.repeat([0.1, 0.1 * quiet], 8000).astype(np.float32)


@pytest.mark.parametrize(("behind", "quiet", "asked"), [((40.0, 40.0), 0.01, 0), ((14.0, 3.6), 0.01, 1), ((14.0, 3.6), 0.5, 0), ((1.0, 1.0), 0.01, 0)])
def test_the_last_listener_hears_a_clip_only_when_the_better_two_leave_it_nearly_settled(behind, quiet, asked):
    texts = ("vent forty two", "vent fifty two")
    engines = [_Listener(name, *texts, b) for name, b in zip(("phones", "neural", "pocketsphinx"), (*behind, 40.0))]
    made, gathered = listen(engines, _sound(quiet))
    assert engines[2].calls == asked and (gathered.first is not None) == bool(asked)
    assert len(made.accounts) == 2 + asked
    if behind != (14.0, 3.6):
        assert made.settled[0].standing is (Standing.UNCONFIRMED if behind[0] == 1.0 else Standing.AGREED)


class _Near(_Listener):
    def recognize_near(self, samples, heard, n_best):
        self.told = [[h.text for h in hypotheses] for hypotheses in heard]
        return self.recognize(samples, n_best)


@pytest.mark.parametrize("ask", [listen, lambda engines, samples: (None, gather_all(engines, samples))])
def test_the_last_listener_is_told_what_the_better_two_heard(ask):
    engines = [_Near(name, "vent forty two", "vent fifty two", b) for name, b in (("phones", 14.0), ("neural", 3.6), ("pocketsphinx", 40.0))]
    _, gathered = ask(engines, _sound(0.01))
    assert engines[2].told == [["vent forty two", "vent fifty two"]] * 2 and not any(hasattr(e, "told") for e in engines[:2])
    assert [name for name, _ in gathered.heard] == ["phones", "neural", "pocketsphinx"]


class _Crowd(_Listener):
    """Hears eight more things, of other meanings, beside the two."""

    def recognize(self, samples, n_best):
        more = [f"low side thirty {n}" for n in "one two three four five six seven eight".split()]
        return super().recognize(samples, n_best) + [Hypothesis(tuple(HeardWord(w, 0.0, 1.0, 0.1) for w in text.split()), -1.0, 0.01) for text in more]


def test_a_rival_of_the_better_two_is_still_one_when_the_last_is_asked():
    engines = [_Listener(name, "vent forty two", "vent fifty two", b) for name, b in (("phones", 14.0), ("neural", 3.6))]
    _, gathered = listen([*engines, _Crowd("pocketsphinx", "vent forty two", "vent fifty two", 40.0)], _sound(0.01))
    assert gathered.first is not None
    assert set(gathered.first.candidates) <= set(gathered.candidates) and len(set(gathered.candidates)) == len(gathered.candidates)
    assert "low side thirty one".split() in [list(c) for c in gathered.candidates]


def test_what_nobody_wrote_down_but_sounds_alike_is_asked_about_however_much_was_written_down():
    engines = [_Crowd(name, "vent fifteen", "vent sixteen", 14.0) for name in ("phones", "neural")]
    _, gathered = listen(engines, _sound(0.01))
    written = {tuple(w.word for w in h.words) for _, heard in gathered.heard for h in heard}
    assert len(written) >= 10
    assert [c for c in gathered.candidates if c not in written and c[0] == "vent"]
