"""pocketsphinx held to one automaton, and a clip as it heard it there."""

from __future__ import annotations

import math
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.alignment import NotScored, candidate_scores
from hoodnote.capture.speech.senones import PhoneModel, read_senone_scores
from hoodnote.language.automaton import WordAutomaton

_SCORE_UNIT = 1024.0       # scores come with their logarithms divided by this
_SILENCES = ("<s>", "</s>", "<sil>", "[NOISE]", "[SPEECH]")
# Beams and word penalty were chosen on the development voices; wider ones hear no more, and in noise cost three times as much. compallsen: score every sound in every frame;
# scores are relative to the best sound looked at, so without it those of two candidates cannot be compared.
_SEARCH = dict(beam=1e-60, pbeam=1e-60, wbeam=1e-50, maxhmmpf=2000, wip=1e-2, compallsen=True)


@dataclass
class Heard:
    """One decoding: the words with frames and acoustic scores, and the score of the whole; natural logarithms."""

    words: list[tuple[str, int, int, float]] = field(default_factory=list)
    score: float = -math.inf

    @property
    def text(self) -> tuple[str, ...]:
        return tuple(w[0] for w in self.words)


class Search:
    """The search through one automaton. `senones`: what is scored in every frame, beside phones without context; None: every senone of the model.

    model: that of the installed folder; `self.model` is the one in whose numbers the scores are.
    """

    def __init__(self, model: PhoneModel, automaton: WordAutomaton, pronunciations: Mapping[str, Sequence[str]], senones: Iterable[int] | None = None):
        import pocketsphinx

        self._folder = Path(tempfile.mkdtemp(prefix="hoodnote-"))
        weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        self.model, files = model, {}
        if senones is not None:
            self.model = model.part(senones, self._folder)
            files = {"mmap": False, **{name: str(self._folder / name) for name in ("mdef", "sendump")}}
        dictionary = self._folder / "language.dict"
        dictionary.write_text("".join(f"{word}{f'({i + 1})' if i else ''} {phones}\n"
                                      for word in sorted(automaton.labels) for i, phones in enumerate(pronunciations[word])))
        # no lattice pass: it takes most of the time and, without probabilities on the arcs, changes words for the worse
        self._decoder = pocketsphinx.Decoder(lm=None, dict=str(dictionary), bestpath=False, loglevel="FATAL", senlogdir=str(self._folder), **files, **_SEARCH)
        self._hold_to(automaton)

    def _hold_to(self, automaton: WordAutomaton) -> None:
        """The minimal automaton, not the JSGF text: pocketsphinx would copy every rule into every place that names it, which
        takes half a minute for a grammar of this size."""
        import pocketsphinx

        states, ids = len(automaton.arcs), {}
        graph = pocketsphinx.FsgModel("language", self._decoder.get_logmath(), self._decoder.config["lw"], states + 1)
        graph.set_start_state(automaton.start)
        graph.set_final_state(states)
        for source, arcs in enumerate(automaton.arcs):
            for word, target in arcs.items():
                if word not in ids:
                    ids[word] = graph.word_add(word)
                graph.trans_add(source, target, 0, ids[word])
        for state in automaton.finals:
            graph.null_trans_add(state, states, 0)
        self._decoder.add_fsg("language", graph)
        self._decoder.activate_search("language")

    def decode(self, data: bytes) -> tuple[Heard, np.ndarray]:
        """The best path of the automaton, and the (frames, senones) scores it was found with. data: 16 bits at 16 kHz."""
        decoder = self._decoder
        decoder.reinit_feat()   # else the loudness and colour of the last clip would change what is heard of this one
        for old in self._folder.glob("*.sen"):
            old.unlink()
        decoder.start_utt()
        decoder.process_raw(data, full_utt=True)
        decoder.end_utt()
        heard, hypothesis = Heard(), decoder.hyp()
        if hypothesis is not None:
            words = [(s.word.partition("(")[0], s.start_frame, s.end_frame, _log(s.ascore) * _SCORE_UNIT) for s in decoder.seg()
                     if s.word not in _SILENCES and not s.word.startswith("(")]
            heard = Heard(words, _log(hypothesis.score) * _SCORE_UNIT)
        (written,) = self._folder.glob("*.sen")
        decoder.start_utt()     # closes the file of the utterance before
        decoder.end_utt()
        return heard, read_senone_scores(written)


class Sound:
    """One clip as it was heard, and how well any words fit it.

    data: see `Search.decode`. search: gives one that scores whatever the given sentences need, and holds to the same automaton each time.
    """

    def __init__(self, data: bytes, pronunciations: Mapping[str, Sequence[str]], search: Callable[[Sequence[tuple[str, ...]]], Search]):
        self._data, self._pronunciations, self._search = data, pronunciations, search
        self._sentences: list[tuple[str, ...]] = []
        self._listen()

    def _listen(self) -> None:
        search = self._search(self._sentences)
        self._model, (self.heard, self._senones) = search.model, search.decode(self._data)
        self._fits: dict[tuple[str, ...], float] = {}

    def fits(self, candidates: Sequence[tuple[str, ...]]) -> list[float]:
        """Natural log of the best alignment of each with the whole sound, without any word penalty, less that of the best senones."""
        new = [words for words in dict.fromkeys(candidates) if words not in self._fits]
        try:
            self._fits.update(zip(new, candidate_scores(self._model, self._senones, new, self._pronunciations).tolist() if new else ()))
        except NotScored:
            self._sentences += new
            self._listen()          # scores are relative to the best of what is scored: all anew, to be compared
            return self.fits(candidates)
        return [self._fits[words] for words in candidates]

    @property
    def frames(self) -> int:
        return len(self._senones)

    @cached_property
    def phones(self) -> np.ndarray:
        """(frames + 1,) summed from the beginning, natural log: how well the best phone of each frame fits, free of any language."""
        return np.concatenate([[0.0], np.cumsum(self._model.phone_loop(self._senones), dtype=np.float64)])


def _log(linear: float) -> float:
    """Natural logarithm of a score that may have run out of the range of a float."""
    return math.log(max(linear, 1e-308))
