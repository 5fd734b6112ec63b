"""pocketsphinx as a recognizer: a small acoustic model held to the automaton of the language.

The finite-state search of pocketsphinx gives one hypothesis and no probabilities that mean anything. Both are made here:
a second search over everything that differs from the first hypothesis by one word, and means something else, gives
the runner-up and how far behind it is; a search over bare phones, free of any language, tells how much
better the sound fits no words at all.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis
from hoodnote.capture.speech.voiced import voiced
from hoodnote.language.automaton import WordAutomaton

_FRAMES_PER_S = 100
_SCORE_UNIT = 1024.0       # scores come with their logarithms divided by this
_SILENCES = ("<s>", "</s>", "<sil>", "[NOISE]", "[SPEECH]")
# Beams and word penalty were chosen on the development voices. compallsen: score every sound in every frame;
# scores are relative to the best sound looked at, so without it those of two searches cannot be compared.
_SEARCH = dict(beam=1e-80, pbeam=1e-80, wbeam=1e-60, wip=1e-2, compallsen=True)
_LOUDNESS = 0.1            # root mean square given to the model: 16 bits keep a soft voice apart from silence
_MOST_RIVALS = 2          # each costs a further search
_LANGUAGE, _NEIGHBOURS, _PHONES = "language", "neighbours", "phones"
# Logistic regression on the development voices with and without noise, and on sounds that are no utterance
# (python -m tests.bench.fit_sphinx --count 120).
_WEIGHTS = (-1.628, 1.243, -0.796, -2.583)
LEAST_CONFIDENCE = 0.02    # below it nothing counts as heard


@dataclass(frozen=True)
class Cues:
    """What the confidence of a hypothesis rests on; natural logarithms."""

    margin: float        # how far the best rival of another meaning is behind (none found: capped)
    gap: float           # how much better bare phones fit, per frame
    unsaid: float        # share of the voiced frames that the hypothesis takes for silence

    def features(self) -> tuple[float, ...]:
        return (1.0, math.log1p(max(0.0, self.margin)), self.gap, self.unsaid)


@dataclass
class _Heard:
    """One decoding: the words with frames and acoustic scores, and the score of the whole."""

    words: list[tuple[str, int, int, float]] = field(default_factory=list)
    score: float = -math.inf

    @property
    def text(self) -> tuple[str, ...]:
        return tuple(w[0] for w in self.words)


class SphinxRecognizer:
    """Loads nothing until the first clip.

    automaton: the language; pronunciations: word -> phones of the model; meaning: equal for word sequences that mean
    the same. Defaults: the installed grammars.
    """

    name = "pocketsphinx"

    def __init__(self, automaton: WordAutomaton | None = None, pronunciations: dict[str, list[str]] | None = None,
                 meaning: Callable[[Sequence[str]], Hashable] | None = None):
        self._given = automaton, pronunciations, meaning

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        """See `Recognizer.recognize`. At most three; those after the first differ from it by one word."""
        return [h for h, cues in self.examine(samples, n_best) if h.confidence >= LEAST_CONFIDENCE]

    def examine(self, samples: np.ndarray, n_best: int = 5) -> list[tuple[Hypothesis, Cues]]:
        """All hypotheses, however unlikely, together with what their confidence rests on."""
        samples = np.asarray(samples, np.float32)
        samples = samples - (samples.mean() if len(samples) else 0)
        if voiced(samples) is None:
            return []
        data = (np.clip(samples * (_LOUDNESS / np.sqrt(np.mean(samples**2))), -1, 1) * 32767).astype("<i2").tobytes()
        best = self._decode(_LANGUAGE, data)
        if not best.text or not self._automaton.accepts(best.text):
            return []
        rivals = self._rivals(best, data, min(_MOST_RIVALS, max(1, n_best - 1)))
        phones = self._phone_scores(data)
        margin = best.score - rivals[0].score if rivals else 100.0
        found = [(best, Cues(margin, *self._fit(best, phones, samples)))]
        found += [(rival, Cues(rival.score - best.score, *self._fit(rival, phones, samples))) for rival in rivals]
        found.sort(key=lambda item: -item[0].score)
        return [(self._hypothesis(heard, found[0 if i else 1][0] if len(found) > 1 else None, cues, phones), cues)
                for i, (heard, cues) in enumerate(found[:n_best])]

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
    def _decoder(self):
        import pocketsphinx

        pronunciations = self._given[1]
        if pronunciations is None:
            from hoodnote.language.lexicon import pronunciations as of

            pronunciations = of(self._automaton.labels)
        with tempfile.TemporaryDirectory() as folder:
            dictionary = Path(folder) / "language.dict"
            dictionary.write_text("".join(f"{word}{f'({i + 1})' if i else ''} {phones}\n"
                                          for word, ways in pronunciations.items() for i, phones in enumerate(ways)))
            # no lattice pass: it takes most of the time and, without probabilities on the arcs, changes words for the worse
            decoder = pocketsphinx.Decoder(lm=None, dict=str(dictionary), bestpath=False, loglevel="FATAL", **_SEARCH)
        decoder.add_allphone_file(_PHONES, str(Path(pocketsphinx.get_model_path()) / "en-us" / "en-us-phone.lm.bin"))
        # The minimal automaton, not the JSGF text: pocketsphinx would copy every rule into every place that names it,
        # which takes half a minute for a grammar of this size.
        self._add(decoder, _LANGUAGE, len(self._automaton.arcs), self._automaton.start, self._automaton.finals,
                  ((s, word, t) for s, arcs in enumerate(self._automaton.arcs) for word, t in arcs.items()))
        return decoder

    @staticmethod
    def _add(decoder, name: str, states: int, start: int, finals, arcs) -> None:
        import pocketsphinx

        graph = pocketsphinx.FsgModel(name, decoder.get_logmath(), decoder.config["lw"], states + 1)
        graph.set_start_state(start)
        graph.set_final_state(states)
        ids: dict[str, int] = {}
        for source, word, target in arcs:
            if word not in ids:
                ids[word] = graph.word_add(word)
            graph.trans_add(source, target, 0, ids[word])
        for state in finals:
            graph.null_trans_add(state, states, 0)
        decoder.add_fsg(name, graph)

    def _decode(self, search: str, data: bytes) -> _Heard:
        decoder = self._decoder
        decoder.reinit_feat()   # else the loudness and colour of the last clip would change what is heard of this one
        decoder.activate_search(search)
        decoder.start_utt()
        decoder.process_raw(data, full_utt=True)
        decoder.end_utt()
        hypothesis = decoder.hyp()
        if hypothesis is None:
            return _Heard()
        words = [(s.word.partition("(")[0], s.start_frame, s.end_frame, _log(s.ascore) * _SCORE_UNIT) for s in decoder.seg()
                 if s.word not in _SILENCES and not s.word.startswith("(")]
        return _Heard(words, _log(hypothesis.score) * _SCORE_UNIT)

    def _rivals(self, best: _Heard, data: bytes, count: int) -> list[_Heard]:
        """The likeliest sequences of the language one word away from the best and of another meaning, best first."""
        edits = self._edits(best.text)
        out: list[_Heard] = []
        while edits and len(out) < count:
            states, finals, arcs = _edit_graph(best.text, edits)
            self._add(self._decoder, _NEIGHBOURS, states, 0, finals, arcs)
            rival = self._decode(_NEIGHBOURS, data)
            found = [e for e in edits if e.of(best.text) == rival.text]
            if not found:
                break
            out.append(rival)
            meaning = self._meaning(rival.text)
            edits = [e for e in edits if self._meaning(e.of(best.text)) != meaning]
        return sorted(out, key=lambda h: -h.score)

    def _edits(self, words: tuple[str, ...]) -> list[_Edit]:
        """Every replacement, insertion and removal of one word that stays in the language and changes the meaning."""
        automaton, meaning, out = self._automaton, self._meaning(words), []
        state: int | None = automaton.start
        for at in range(len(words) + 1):
            choices = [_Edit(at, at, (word,)) for word in automaton.arcs[state]]
            if at < len(words):
                choices += [_Edit(at, at + 1, (word,)) for word in automaton.arcs[state] if word != words[at]]
                choices.append(_Edit(at, at + 1, ()))
            for edit in choices:
                changed = edit.of(words)
                if changed and automaton.accepts(changed) and self._meaning(changed) != meaning:
                    out.append(edit)
            if at < len(words):
                state = automaton.arcs[state][words[at]]
        return out

    def _phone_scores(self, data: bytes) -> np.ndarray:
        """Log score a frame of the best sequence of bare phones, cumulated: entry i is the sum before frame i."""
        decoder = self._decoder
        self._decode(_PHONES, data)
        scores = np.zeros(decoder.n_frames() + 1)
        for s in decoder.seg() or ():
            scores[s.start_frame + 1:s.end_frame + 2] = _log(s.ascore) * _SCORE_UNIT / (s.end_frame - s.start_frame + 1)
        return np.cumsum(scores)

    def _fit(self, heard: _Heard, phones: np.ndarray, samples: np.ndarray) -> tuple[float, float]:
        """(gap over all words, share of voiced frames without a word)."""
        gaps = [_gap(word, phones) for word in heard.words]
        frames = [end - start + 1 for _, start, end, _ in heard.words]
        loud = _voiced_frames(samples, len(phones) - 1)
        said = np.zeros(len(loud), bool)
        for _, start, end, _ in heard.words:
            said[start:end + 1] = True
        return float(np.average(gaps, weights=frames)), float((loud & ~said).sum() / max(1, loud.sum()))

    def _hypothesis(self, heard: _Heard, rival: _Heard | None, cues: Cues, phones: np.ndarray) -> Hypothesis:
        """Where the rival differs a word is as sure as the whole; the others surer, by how well they fit the sound."""
        whole = confidence_of(cues)
        doubtful = _differing(heard.text, rival.text) if rival else range(0)
        words = []
        for i, word in enumerate(heard.words):
            fit = math.exp(-max(0.0, _gap(word, phones)))
            words.append(HeardWord(word[0], word[1] / _FRAMES_PER_S, (word[2] + 1) / _FRAMES_PER_S, whole if i in doubtful else 1 - (1 - whole) * (1 - fit)))
        return Hypothesis(tuple(words), heard.score, whole)


def confidence_of(cues: Cues) -> float:
    return 1 / (1 + math.exp(-sum(w * f for w, f in zip(_WEIGHTS, cues.features(), strict=True))))


@dataclass(frozen=True)
class _Edit:
    """words[start:end] replaced by `new`."""

    start: int
    end: int
    new: tuple[str, ...]

    def of(self, words: tuple[str, ...]) -> tuple[str, ...]:
        return words[: self.start] + self.new + words[self.end :]


def _differing(words: tuple[str, ...], other: tuple[str, ...]) -> range:
    """Indices of the words between what both have in common at the beginning and at the end."""
    start = end = 0
    while start < min(len(words), len(other)) and words[start] == other[start]:
        start += 1
    while end < min(len(words), len(other)) - start and words[-1 - end] == other[-1 - end]:
        end += 1
    return range(start, len(words) - end)


def _edit_graph(words: tuple[str, ...], edits: Sequence[_Edit]):
    """(states, finals, arcs) of a graph of exactly the edited sequences: the words, one edit, the rest of the words."""
    after = len(words) + 1          # states 0..len: nothing edited yet; after + i: edited, words from i on to come
    arcs = {(i, word, i + 1) for i, word in enumerate(words)} | {(after + i, word, after + i + 1) for i, word in enumerate(words)}
    finals = {after + len(words)}
    for edit in edits:
        if edit.new:
            arcs.add((edit.start, edit.new[0], after + edit.end))
        elif edit.end < len(words):   # a removal: the word after the removed one comes next
            arcs.add((edit.start, words[edit.end], after + edit.end + 1))
        else:
            finals.add(edit.start)
    return after + len(words) + 1, finals, sorted(arcs)


def _gap(word: tuple[str, int, int, float], phones: np.ndarray) -> float:
    _, start, end, score = word
    return float((phones[end + 1] - phones[start] - score) / (end - start + 1))


def _voiced_frames(samples: np.ndarray, count: int) -> np.ndarray:
    """Which 10 ms frames are within 20 dB of the loud ones."""
    step = len(samples) // count if count else 1
    power = (samples[: step * count].reshape(count, step).astype(np.float64) ** 2).mean(axis=1) if count else np.zeros(0)
    return power > (np.quantile(power, 0.95) * 0.01 if count else 0)


def _log(linear: float) -> float:
    """Natural logarithm of a score that may have run out of the range of a float."""
    return math.log(max(linear, 1e-308))
