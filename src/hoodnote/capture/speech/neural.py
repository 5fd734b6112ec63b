"""The neural recognizer: a small English speech model that may only write what the language of the bay allows."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from hoodnote.capture.speech.encoded import EncodedClips
from hoodnote.capture.speech.neural_model import SpeechModel
from hoodnote.capture.speech.neural_search import Beam, Search, Tuning, greedy
from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.capture.speech.tokens import Letters, TokenConstraint, pieces
from hoodnote.capture.speech.voiced import Voiced
from hoodnote.capture.weights import stored_weights

_TOKENS_PER_SECOND, _TOKENS_AT_LEAST = 8, 10
_LETTERS_PER_SECOND, _LETTERS_AT_LEAST = 30, 15   # nobody speaks faster
_PACE_SPREAD = 0.3                   # of the log of spoken time over expected time
_FIT = (-4.74, 0.53, 1.33, 1.47)     # constant, log odds of the share, evidence, inside
_NOTHING_HEARD = 0.05                # a best transcript less sure than this is talk or noise pressed into the language
_SEEDS = 6                           # transcripts of one piece that the next one starts from
_COMMON = "hoodnote.capture.speech", "common_tokens.npz", "492d8810c18ed6b3f44f6ef5c3e42160113bc64d87c77b1b2012084b16b95b44"


@dataclass(frozen=True)
class Cues:
    """What the confidence of a transcript rests on."""

    share: float          # of this meaning among all that was considered
    evidence: float       # natural log by which the sound speaks for the transcript over no sound at all, per token
    inside: float         # natural log of the model's mass inside the language, mean over the tokens

    @property
    def confidence(self) -> float:
        """Logistic, fitted on development voices: quiet, noisy and in a room, with talk and bare noise among them."""
        margin = float(np.clip(np.log((self.share + 1e-4) / (1 - self.share + 1e-4)), -5, 5))
        return float(1 / (1 + np.exp(-(_FIT[0] + _FIT[1] * margin + _FIT[2] * self.evidence + _FIT[3] * self.inside))))


class NeuralRecognizer:
    """Loads nothing until the first clip; afterwards the model stays in memory.

    letters: character automaton of every spelling of the language; to_words: its words for such a spelling, None when
    it has no clear meaning; meaning: equal for word sequences that mean the same. Defaults: the installed grammars.
    clips: what the model's encoder hears, shared with other listeners that start from it.
    """

    name = "neural"

    def __init__(self, letters: Letters | None = None, to_words: Callable[[str], list[str] | None] | None = None,
                 meaning: Callable[[Sequence[str]], Hashable] | None = None, tuning: Tuning = Tuning(),
                 clips: EncodedClips | None = None):
        self.clips = clips or EncodedClips()
        self._letters, self._given_to_words, self._given_meaning, self._tuning = letters, to_words, meaning, tuning
        self._scored: tuple[np.ndarray | None, dict[str, float]] = None, {}     # the last sound, and what each text is worth there

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        """See `Recognizer.recognize`. Times of words are estimates: letters spread evenly over the voiced part."""
        return [hypothesis for hypothesis, _ in self.examine(samples, n_best)]

    def examine(self, samples: np.ndarray, n_best: int = 5) -> list[tuple[Hypothesis, Cues]]:
        """The hypotheses together with what their confidence rests on."""
        heard = self.clips.of(samples)
        if heard is None:
            return []
        speech, where, parts, sounds = heard.speech, heard.where, heard.parts, heard.sounds
        limits = [_most_tokens(part) for part in parts]
        beams: list[Beam] = [Beam()]
        for i, (part, sound, limit) in enumerate(zip(parts, sounds, limits)):
            letters = int(where.spoken_s * len(part) / len(speech) * _LETTERS_PER_SECOND) + _LETTERS_AT_LEAST
            beams = self._search.finished(sound, limit, letters, beams[:_SEEDS], last=i == len(parts) - 1)
            if not beams:
                return []
        worded = self._worded(beams, where.spoken_s)
        if not worded:
            return []
        judged = self._judged(worded, where)
        return judged[:n_best] if judged[0][0].confidence >= _NOTHING_HEARD else []

    def score(self, samples: np.ndarray, candidates: Sequence[Sequence[str]]) -> list[float] | None:
        """See `Rescorer.score`: how well each candidate explains the sound, in its likelier spelling. None for a clip heard in pieces."""
        heard = self.clips.of(samples)
        if heard is None or len(heard.sounds) != 1 or not candidates:
            return None
        from hoodnote.capture.speech.spellings import spellings

        both = [spellings(words) for words in candidates]
        first = self._text_scores(heard.sounds[0], both[0])
        style = int(first[1] > first[0])     # a speaker's figures are all written in one way, the one that suits the best candidate
        scores = [first[style], *self._text_scores(heard.sounds[0], [texts[style] for texts in both[1:]])]
        return [score - _haste(words, heard.where.spoken_s) for score, words in zip(scores, candidates)]

    def _text_scores(self, sound: np.ndarray, texts: Sequence[str]) -> list[float]:
        distinct = list(dict.fromkeys(texts))
        tokens = {text: self._writer.tokens(" " + text) for text in distinct}
        known = [text for text in distinct if tokens[text]]
        if not known:
            return [-np.inf] * len(texts)
        if self._scored[0] is not sound:
            self._scored = sound, {}
        scored = self._scored[1]
        new = [text for text in known if text not in scored]
        read = [tokens[text] for text in new]
        unheard = self._search.beside.submit(self._writer.force, self._search.silence, read)
        heard = self._writer.force(self._writer.begin(sound), read)
        scored.update((text, h - self._tuning.prior * u) for text, h, u in zip(new, heard, unheard.result(), strict=True))
        found = {text: scored[text] for text in known}
        return [float(found.get(text, -np.inf)) for text in texts]

    def preparations(self) -> list[Callable[[], object]]:
        """See `Preparing.preparations`: which tokens may follow in each state of the language."""
        return self._search.constraint.preparations()

    def transcribe_free(self, samples: np.ndarray, goes_on: Callable[[str], bool] | None = None) -> str:
        """See `Transcriber.transcribe_free`: as the model hears it, not held to the language."""
        heard = self.clips.of(samples)
        if heard is None:
            return ""
        texts: list[str] = []
        for part, sound in zip(heard.parts, heard.sounds):
            text = greedy(self._model, sound, _most_tokens(part), None if texts else goes_on)[0]
            if text is None:
                return ""
            texts += [text] if text else []
        return " ".join(texts)

    @property
    def _model(self) -> SpeechModel:
        return self.clips.model

    @cached_property
    def _language(self) -> Letters:
        if self._letters is not None:
            return self._letters
        from hoodnote.language.surface import load_surface

        return load_surface().char_automaton

    @cached_property
    def _writer(self) -> SpeechModel:
        """The model with no tokens but those of the language and those that are common in what it hears and expects (`tests/bench/count_tokens.py`): a quarter of
        all. With the others a step takes a quarter longer, and the tokens together lose 3 % of the probability to them."""
        return self._model.among(pieces(self._language, self._model.texts) | common_tokens())

    @cached_property
    def _search(self) -> Search:
        return Search(self._writer, TokenConstraint(self._language, self._writer.texts), self._tuning)

    @cached_property
    def _to_words(self) -> Callable[[str], list[str] | None]:
        if self._given_to_words:
            return self._given_to_words
        from hoodnote.language.surface import to_words

        return to_words

    @cached_property
    def _meaning(self) -> Callable[[Sequence[str]], Hashable]:
        if self._given_meaning:
            return self._given_meaning
        from hoodnote.statements.parser import parse

        return lambda words: tuple(parse(words))

    def _worded(self, beams: list[Beam], spoken_s: float) -> list[tuple[tuple[str, ...], float, Beam]]:
        """(words, score of all their spellings together, best spelling), best first."""
        found: dict[tuple[str, ...], tuple[float, Beam]] = {}
        for beam in beams:
            words = self._said_once(tuple(self._to_words(beam.text.strip()) or ()))
            if words:
                score, best = found.get(words, (-np.inf, beam))
                found[words] = (float(np.logaddexp(score, beam.score)), best)
        return sorted(((words, score - _haste(words, spoken_s), beam) for words, (score, beam) in found.items()),
                      key=lambda item: (-item[1], item[0]))

    def _said_once(self, words: tuple[str, ...]) -> tuple[str, ...]:
        """A whole utterance repeated word for word says no more than once, and small decoders stammer."""
        for size in range(2, len(words) // 2 + 1):
            unit = words[:size]
            if len(words) % size == 0 and unit * (len(words) // size) == words and self._to_words(" ".join(unit)) == list(unit):
                return unit
        return words

    def _judged(self, worded: list[tuple[tuple[str, ...], float, Beam]], where: Voiced) -> list[tuple[Hypothesis, Cues]]:
        total = np.logaddexp.reduce([score for _, score, _ in worded])
        meanings = [self._meaning(words) for words, _, _ in worded]
        shares: dict[Hashable, float] = {}
        for meaning, (_, score, _) in zip(meanings, worded):
            shares[meaning] = shares.get(meaning, 0.0) + float(np.exp(score - total))
        out, most = [], 1.0
        for meaning, (words, score, beam) in zip(meanings, worded):
            tokens = len(beam.marks) + 1
            cues = Cues(min(shares[meaning], 1.0), (beam.heard - beam.prior) / tokens, beam.inside / tokens)
            most = min(most, cues.confidence)   # no transcript is surer than a likelier one
            out.append((Hypothesis(_timed(words, beam, where.start_s, where.end_s), score, most), cues))
        return out


def common_tokens() -> set[int]:
    """Their numbers in the model's vocabulary. Raises HoodnoteError when the file is missing or damaged."""
    return set(stored_weights(*_COMMON)["tokens"].astype(int).tolist())


def _haste(words: Sequence[str], spoken_s: float) -> float:
    """How badly the words fit into the time spoken, as a natural log of odds: too many for it, or too few.

    A word takes about 0.12 s and 0.055 s a letter more at 150 to 165 words a minute (least squares on the
    development voices); the spread allows for people.
    """
    expected_s = 0.2 + sum(0.12 + 0.055 * len(word) for word in words)
    off = abs(np.log(max(spoken_s, 0.1) / expected_s)) / _PACE_SPREAD
    return float(off**2 / 2 if off < 2 else 2 * off - 2)


def _most_tokens(part: np.ndarray) -> int:
    return int(len(part) / SAMPLE_RATE * _TOKENS_PER_SECOND) + _TOKENS_AT_LEAST


def _timed(words: tuple[str, ...], beam: Beam, start_s: float, end_s: float) -> tuple[HeardWord, ...]:
    """Words over the voiced part by their letters; a word's confidence is that of the tokens at its place in the spelling.

    A spelling and its words differ ("30" and "thirty"), so places are matched by share of the whole length.
    """
    letters = np.cumsum([0, *(len(word) for word in words)]) / max(sum(len(word) for word in words), 1)
    ends = np.array([mark[0] for mark in beam.marks]) / len(beam.text)
    logs = np.array([mark[1] for mark in beam.marks])
    starts = np.append(0.0, ends[:-1])
    out = []
    for word, a, b in zip(words, letters, letters[1:]):
        touching = logs[(starts < b) & (ends > a)]
        out.append(HeardWord(word, float(start_s + a * (end_s - start_s)), float(start_s + b * (end_s - start_s)),
                             float(np.exp(touching.mean())) if len(touching) else 0.0))
    return tuple(out)
