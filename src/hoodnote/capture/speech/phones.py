"""The phone listener: a small network trained for the language of the bay tells phones, a search held to the grammar makes words of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, product

import numpy as np

from hoodnote.capture.speech.encoded import EncodedClips
from hoodnote.capture.ctc import sequence_logs
from hoodnote.capture.speech.phone_model import FRAMES_PER_SECOND, UNITS, PhoneModel
from hoodnote.capture.speech.phone_search import Found, PhoneSearch
from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis

_FIT = (-1.471, 0.790, 0.845)         # constant, log odds of the share, evidence
_CONSIDERED = 24                     # sentences that share the probability among them
_MOST_WAYS = 8                       # pronunciations of one candidate
_NOTHING_HEARD = 0.05                # a best sentence less sure than this is talk or noise pressed into the language
_TWO_WAYS = frozenset({"a"})         # the article, or the letter of a refrigerant's name


@dataclass(frozen=True)
class Cues:
    """What the confidence of a sentence rests on."""

    share: float          # of this meaning among all that was considered
    evidence: float       # natural log, per phone, by which the sentence is less likely than the likeliest phones of any language

    @property
    def confidence(self) -> float:
        """Logistic, fitted on development voices that the network was not trained on, quiet, noisy and with other talk among them."""
        margin = float(np.clip(np.log((self.share + 1e-4) / (1 - self.share + 1e-4)), -5, 5))
        return float(1 / (1 + np.exp(-(_FIT[0] + _FIT[1] * margin + _FIT[2] * self.evidence))))


class PhoneRecognizer:
    """Loads nothing until the first clip. clips: what the speech model's encoder hears, shared with other listeners."""

    name = "phones"
    asks_cheaply = True

    def __init__(self, clips: EncodedClips | None = None):
        self.clips = clips or EncodedClips()
        self._last: tuple[np.ndarray, np.ndarray] | None = None

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        """See `Recognizer.recognize`."""
        return [hypothesis for hypothesis, _ in self.examine(samples, n_best)]

    def examine(self, samples: np.ndarray, n_best: int = 5) -> list[tuple[Hypothesis, Cues]]:
        """The hypotheses together with what their confidence rests on."""
        from hoodnote.statements.parser import parse

        logs = self._logs(samples)
        found = self._search.best(logs, _CONSIDERED) if logs is not None else []
        if not found:
            return []
        scores = np.array([f.score for f in found])
        each = np.exp(scores - np.logaddexp.reduce(scores))
        meanings = [tuple(parse(f.words)) for f in found]
        shares: dict[tuple, float] = {}
        for meaning, share in zip(meanings, each):
            shares[meaning] = shares.get(meaning, 0.0) + float(share)
        free = float(logs.max(axis=1).sum())
        exact = self._sentences(logs, [f.words for f in found[:n_best]])
        out, most = [], 1.0
        for f, meaning, log in zip(found, meanings, exact):
            cues = Cues(min(shares[meaning], 1.0), (log - free) / sum(len(self._ways(word)[0]) for word in f.words))
            most = min(most, cues.confidence)       # no sentence is surer than a likelier one
            out.append((Hypothesis(self._timed(f, samples), f.score, most), cues))
        return out if out[0][0].confidence >= _NOTHING_HEARD else []

    def score(self, samples: np.ndarray, candidates: Sequence[Sequence[str]]) -> list[float] | None:
        """See `Rescorer.score`: exact natural logs over all alignments."""
        logs = self._logs(samples)
        return self._sentences(logs, candidates) if logs is not None and candidates else None

    def _sentences(self, logs: np.ndarray, candidates: Sequence[Sequence[str]]) -> list[float]:
        owners, sequences = [], []
        for i, words in enumerate(candidates):
            for way in islice(product(*(self._ways(word) for word in words)), _MOST_WAYS):
                owners.append(i)
                sequences.append([unit for units in way for unit in units])
        out = np.full(len(candidates), -np.inf)
        np.logaddexp.at(out, owners, sequence_logs(logs, sequences))
        return [float(log) for log in out]

    def _logs(self, samples: np.ndarray) -> np.ndarray | None:
        if self._last is None or self._last[0] is not samples:
            encoded = self.clips.of(samples)
            if encoded is None:
                return None
            self._last = samples, np.concatenate([self._model.logs(sound[0]) for sound in encoded.sounds])
        return self._last[1]

    def _timed(self, found: Found, samples: np.ndarray) -> tuple[HeardWord, ...]:
        where = self.clips.of(samples).where
        ends = [min(where.end_s, where.start_s + (frame + 1) / FRAMES_PER_SECOND) for frame in found.ends]
        return tuple(HeardWord(word, start, end, 1.0) for word, start, end in zip(found.words, [where.start_s, *ends], ends))

    @cached_property
    def _model(self) -> PhoneModel:
        return PhoneModel()

    @cached_property
    def _search(self) -> PhoneSearch:
        from hoodnote.language.grammar import load

        language = load()
        return PhoneSearch(language.automaton.start, language.automaton.arcs, language.probabilities, self._ways)

    def _ways(self, word: str) -> Sequence[tuple[int, ...]]:
        return self._known[word]

    @cached_property
    def _known(self) -> dict[str, list[tuple[int, ...]]]:
        """Units of the pronunciation that the network was trained on, the dictionary's first; of a taught word, every one."""
        from hoodnote.language.grammar import load
        from hoodnote.language.lexicon import pronunciations, sounds_of

        language = load()
        several = _TWO_WAYS | sounds_of(language.taught).keys()
        return {word: [tuple(UNITS[phone] for phone in way.split()) for way in (ways if word in several else ways[:1])]
                for word, ways in pronunciations(language.words).items()}
