"""pocketsphinx as a recognizer: a small acoustic model held to the automaton of the language, or to that part of it which lies near what
other listeners have heard: a search through the whole takes twice the time, and in noise ends far from what was said more often.

The finite-state search of pocketsphinx gives one hypothesis and no probabilities that mean anything. What else may have been
said is worked out here: utterances that sound much like the hypothesis, each aligned with the whole sound (`alignment`), give the
runner-up and how far behind it is; the best phones of every frame, free of any language, tell how much better the sound
fits no words at all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.alignment import senones_of, senones_within
from hoodnote.capture.speech.conditioning import with_noise_floor
from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.capture.speech.senones import PhoneModel
from hoodnote.capture.speech.sphinx_search import Heard, Search, Sound
from hoodnote.capture.speech.voiced import Voiced, voiced
from hoodnote.language.automaton import WordAutomaton
from hoodnote.language.confusable import Confusables, confusables, differing
from hoodnote.language.numbers import DIGITS, TEENS, TENS

_FRAMES_PER_S = 100
# Quiet around the speech, with a floor of noise: of 54 clean clips of development voices 78 % instead of 56 % are heard exactly, of 128
# figures with teens and whole tens 11 instead of 44 are wrong (a floor at 33 dB: 13), 2 instead of 22 of them by a margin above 15. No change in
# noise of 15 and 5 dB; there a Wiener filter before it (54 and 50 % exact, 6 and 6 %) and British pronunciations gained nothing either.
_FLOOR_DB = 35.0
_QUIET_S = 0.25            # put before and after speech that begins or ends with the clip
_LOUDNESS = 0.1            # root mean square given to the model: 16 bits keep a soft voice apart from silence
_WORD = -30.0              # natural log that a word costs in the search: its word penalty to the power of the language weight
_NUMBERS = DIGITS.keys() | TEENS.keys() | TENS.keys() | {"oh", "hundred", "point", "and"}
_MOST_NEIGHBOURS = 40      # aligned with the sound in search of rivals
# Logistic regression on the development voices with and without noise, and on sounds that are no utterance
# (python -m tests.bench.fit_sphinx --count 108).
_WEIGHTS = (0.449, 1.546, -1.375, -1.515)
LEAST_CONFIDENCE = 0.02    # below it nothing counts as heard


@dataclass(frozen=True)
class Cues:
    """What the confidence of a hypothesis rests on; natural logarithms."""

    margin: float        # how far the best rival of another meaning is behind (none found: capped)
    gap: float           # how much better bare phones fit, per frame
    unsaid: float        # share of the voiced frames that the hypothesis takes for silence

    def features(self) -> tuple[float, ...]:
        return (1.0, math.log1p(max(0.0, self.margin)), self.gap, self.unsaid)


class SphinxRecognizer:
    """Loads nothing until the first clip.

    automaton: the language; pronunciations: word -> phones of the model; meaning: equal for word sequences that mean
    the same. Defaults: the installed grammars.
    """

    name = "pocketsphinx"

    def __init__(self, automaton: WordAutomaton | None = None, pronunciations: dict[str, list[str]] | None = None,
                 meaning: Callable[[Sequence[str]], Hashable] | None = None):
        self._given = automaton, pronunciations, meaning
        self._last: tuple[np.ndarray, Sound] | None = None

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        """See `Recognizer.recognize`. Those after the first differ from what was searched out in one place."""
        return [h for h, cues in self.examine(samples, n_best) if h.confidence >= LEAST_CONFIDENCE]

    def recognize_near(self, samples: np.ndarray, heard: Sequence[Sequence[Hypothesis]], n_best: int = 5) -> list[Hypothesis]:
        """See `NearListener.recognize_near`. Where the others have heard nothing, the whole language is listened for."""
        texts = [[tuple(w.word for w in h.words) for h in hypotheses] for hypotheses in heard if hypotheses]
        near = self._confusables.around(texts, _MOST_NEIGHBOURS) if texts else None
        return [h for h, cues in self.examine(samples, n_best, near) if h.confidence >= LEAST_CONFIDENCE]

    def examine(self, samples: np.ndarray, n_best: int = 5, near: WordAutomaton | None = None) -> list[tuple[Hypothesis, Cues]]:
        """All hypotheses, however unlikely, together with what their confidence rests on. `near`: the part of the language that is searched."""
        samples_given, samples = samples, np.asarray(samples, np.float32)
        samples = samples - (samples.mean() if len(samples) else 0)
        spoken = voiced(samples)
        if spoken is None:
            return []
        clip_s = len(samples) / SAMPLE_RATE
        samples, before_s = with_quiet(samples, spoken)
        sound = Sound(pcm(samples), self._pronunciations, partial(self._search, near))
        self._last = samples_given, sound
        if not sound.heard.text or not self._automaton.accepts(sound.heard.text):
            return []
        found = self._with_rivals(sound, max(1, n_best - 1))
        best, phones = sound.heard, sound.phones
        gap, unsaid = self._fit(best, phones, samples)
        out: list[tuple[Hypothesis, Cues]] = []
        frames = max(1, sum(end - start + 1 for _, start, end, _ in best.words))
        for i, (words, score) in enumerate(found[:n_best]):
            rival = found[1 if i == 0 else 0] if len(found) > 1 else None
            cues = Cues(score - rival[1] if rival else 100.0, gap + (found[0][1] - score) / frames, unsaid)
            hypothesis = self._hypothesis(words, score, best, rival[0] if rival else None, cues, phones)
            out.append((_earlier(hypothesis, before_s, clip_s), cues))
        return out

    def score(self, samples: np.ndarray, candidates: Sequence[Sequence[str]]) -> list[float] | None:
        """See `Rescorer.score`: the best alignment of each candidate with the sound, without any word penalty."""
        if self._last is None or self._last[0] is not samples:
            self.examine(samples, 1)
        if self._last is None or self._last[0] is not samples or not self._last[1].frames:
            return None
        return self._last[1].fits(list(map(tuple, candidates)))

    def _with_rivals(self, sound: Sound, count: int) -> list[tuple[tuple[str, ...], float]]:
        """The best transcript and the likeliest of other meanings that sound like it, best first."""
        near = [sound.heard.text, *self._confusables.neighbours(sound.heard.text, _MOST_NEIGHBOURS)]
        ranked = sorted(((words, score + _WORD * len(words)) for words, score in zip(near, sound.fits(near))), key=lambda x: (-x[1], x[0]))
        out, seen = [], set()
        for words, score in ranked:
            meaning = self._meaning(words)
            if meaning not in seen:
                seen.add(meaning)
                out.append((words, score))
        return out[:count + 1]

    @cached_property
    def _phone_model(self) -> PhoneModel:
        import pocketsphinx

        return PhoneModel(Path(pocketsphinx.get_model_path()) / "en-us" / "en-us")

    @cached_property
    def _pronunciations(self) -> dict[str, list[str]]:
        if self._given[1] is not None:
            return self._given[1]
        from hoodnote.language.lexicon import pronunciations

        return pronunciations(self._automaton.labels)

    @cached_property
    def _confusables(self) -> Confusables:
        if self._given == (None, None, None):
            from hoodnote.language.grammar import load

            return confusables(load())
        return Confusables(self._automaton, self._pronunciations)

    @cached_property
    def _automaton(self) -> WordAutomaton:
        if self._given[0] is not None:
            return self._given[0]
        from hoodnote.language.grammar import load

        return load().automaton

    @cached_property
    def _meaning(self) -> Callable[[Sequence[str]], Hashable]:
        if self._given[2] is not None:
            return self._given[2]
        from hoodnote.statements.parser import parse

        return lambda words: tuple(parse(words))

    @cached_property
    def _whole(self) -> Search:
        """Through the whole language, which takes a second to make."""
        return Search(self._phone_model, self._automaton, self._pronunciations)

    def _search(self, near: WordAutomaton | None, sentences: Sequence[tuple[str, ...]]) -> Search:
        """Through the part of the language, scoring what it and these sentences need, or through the whole."""
        if near is None:
            return self._whole
        model, ways = self._phone_model, self._pronunciations
        # what is found in the end is most often changed in its number words: scored at once, it is not listened for a second time
        numbers = _NUMBERS & ways.keys()
        return Search(model, near, ways, senones_within(model, near, ways, numbers) | senones_of(model, sentences, ways))

    def _fit(self, heard: Heard, phones: np.ndarray, samples: np.ndarray) -> tuple[float, float]:
        """(gap over all words, share of voiced frames without a word)."""
        gaps = [_gap(word, phones) for word in heard.words]
        frames = [end - start + 1 for _, start, end, _ in heard.words]
        loud = _voiced_frames(samples, len(phones) - 1)
        said = np.zeros(len(loud), bool)
        for _, start, end, _ in heard.words:
            said[start:end + 1] = True
        return float(np.average(gaps, weights=frames)), float((loud & ~said).sum() / max(1, loud.sum()))

    def _hypothesis(self, words: tuple[str, ...], score: float, best: Heard, rival: tuple[str, ...] | None, cues: Cues, phones: np.ndarray) -> Hypothesis:
        """Where the rival differs a word is as sure as the whole; the others surer, by how well they fit the sound."""
        whole = confidence_of(cues)
        doubtful = differing(words, rival) if rival else range(0)
        heard = []
        for i, (word, start, end, fit) in enumerate(_placed(words, best, phones)):
            heard.append(HeardWord(word, start / _FRAMES_PER_S, end / _FRAMES_PER_S, whole if i in doubtful else 1 - (1 - whole) * (1 - fit)))
        return Hypothesis(tuple(heard), score, whole)


def with_quiet(samples: np.ndarray, spoken: Voiced) -> tuple[np.ndarray, float]:
    """(the clip with quiet around speech that reaches its edges, seconds of quiet put before it)."""
    before_s = 0.0 if spoken.start_s > 0 else _QUIET_S
    after_s = 0.0 if spoken.end_s < len(samples) / SAMPLE_RATE else _QUIET_S
    return np.pad(samples, (round(before_s * SAMPLE_RATE), round(after_s * SAMPLE_RATE))), before_s


def pcm(samples: np.ndarray) -> bytes:
    """16 bits at the loudness that the model is given, with the floor of noise."""
    samples = with_noise_floor(samples, _FLOOR_DB)
    return (np.clip(samples * (_LOUDNESS / np.sqrt(np.mean(samples**2))), -1, 1) * 32767).astype("<i2").tobytes()


def _earlier(hypothesis: Hypothesis, by_s: float, clip_s: float) -> Hypothesis:
    """With the times of the clip itself, before quiet was put around it."""
    def moved(at_s: float) -> float:
        return min(max(0.0, at_s - by_s), clip_s)

    return replace(hypothesis, words=tuple(replace(w, start_s=moved(w.start_s), end_s=moved(w.end_s)) for w in hypothesis.words))


def _placed(words: tuple[str, ...], best: Heard, phones: np.ndarray) -> list[tuple[str, float, float, float]]:
    """(word, first frame, frame after it, fit 0 to 1) of words that differ from the best path in one place: there the time is shared out."""
    known = [(word[0], word[1], word[2] + 1, math.exp(-max(0.0, _gap(word, phones)))) for word in best.words]
    here, there = differing(words, best.text), differing(best.text, words)
    if not here:
        return [(word, *k[1:]) for word, k in zip(words, [*known[:here.start], *known[there.stop:]])]
    start = known[there.start][1] if there else known[here.start - 1][2] if here.start else known[0][1]
    end = known[there.stop - 1][2] if there else known[there.stop][1] if there.stop < len(known) else known[-1][2]
    step = max(0, end - start) / len(here)
    new = [(words[i], start + k * step, start + (k + 1) * step, 0.0) for k, i in enumerate(here)]
    return [*known[:here.start], *new, *known[there.stop:]]


def confidence_of(cues: Cues) -> float:
    return 1 / (1 + math.exp(-sum(w * f for w, f in zip(_WEIGHTS, cues.features(), strict=True))))


def _gap(word: tuple[str, int, int, float], phones: np.ndarray) -> float:
    _, start, end, score = word
    return float((phones[end + 1] - phones[start] - score) / (end - start + 1))


def _voiced_frames(samples: np.ndarray, count: int) -> np.ndarray:
    """Which 10 ms frames are within 20 dB of the loud ones."""
    step = len(samples) // count if count else 1
    power = (samples[: step * count].reshape(count, step).astype(np.float64) ** 2).mean(axis=1) if count else np.zeros(0)
    return power > (np.quantile(power, 0.95) * 0.01 if count else 0)
