"""Vosk as a recognizer: a phrase list bounds what it can say, an acceptor decides what of that is the language."""

from __future__ import annotations

import heapq
import json
import math
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.recognizer import SAMPLE_RATE, HeardWord, Hypothesis
from hoodnote.errors import HoodnoteError

VARIABLE = "HOODNOTE_VOSK_MODEL"
_GARBAGE = "[unk]"             # English models have it: whatever is no word of the phrases
_ALTERNATIVES = 20             # asked of the decoder; those outside the language keep their share of the probability
_MOST_MISSING = 0.3            # share of unknown words above which the model is for another language
_CHUNK = SAMPLE_RATE // 4      # samples; a quarter of a second between partial results


@dataclass(frozen=True)
class Partial:
    """What is heard so far; `hypotheses` is set on the last one only, as `Recognizer.recognize` gives them."""

    text: str
    hypotheses: list[Hypothesis] | None = None


class VoskRecognizer:
    """Hears what the phrases allow with the model in a directory.

    `accepts` takes the words of a whole utterance; what it refuses is never returned. `missing` names the words of the
    language that the model's dictionary lacks: phrases with them are left out, since Vosk would drop only the word
    and hear the rest. Raises HoodnoteError for a directory that is no usable model, or a model for another language.
    """

    name = "vosk"

    def __init__(self, model_dir: Path, phrases: Collection[str], accepts: Callable[[Sequence[str]], bool]):
        import vosk

        check_model(model_dir)
        vosk.SetLogLevel(-1)
        try:
            self._model = vosk.Model(str(model_dir))
        except Exception as error:   # the binding raises nothing narrower
            raise HoodnoteError(f"the speech model {model_dir} cannot be loaded; fetch it again ({error})") from None
        words = {word for phrase in phrases for word in phrase.split()}
        self.missing = tuple(sorted(w for w in words if self._model.vosk_model_find_word(w) < 0))
        if len(self.missing) > _MOST_MISSING * len(words):
            raise HoodnoteError(f"the speech model {model_dir} lacks {len(self.missing)} of {len(words)} words, "
                                f"for instance {', '.join(self.missing[:3])}; take a model for this language")
        lacking = set(self.missing)
        known = [phrase for phrase in phrases if lacking.isdisjoint(phrase.split())]
        if self._model.vosk_model_find_word(_GARBAGE) >= 0:
            known.append(_GARBAGE)
        self._grammar = json.dumps(known, ensure_ascii=False)
        self._accepts = accepts

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        chunks = (samples[i : i + _CHUNK] for i in range(0, len(samples), _CHUNK))
        for partial in self.stream(chunks, n_best):
            if partial.hypotheses is not None:
                return partial.hypotheses
        return []

    def stream(self, chunks: Iterable[np.ndarray], n_best: int = 5) -> Iterator[Partial]:
        """Partial text after every chunk of samples (float32, mono, 16 kHz), then the final hypotheses."""
        import vosk

        decoder = vosk.KaldiRecognizer(self._model, float(SAMPLE_RATE), self._grammar)
        decoder.SetWords(True)
        decoder.SetMaxAlternatives(max(n_best, _ALTERNATIVES))
        pieces: list[list[_Alternative]] = []   # the decoder ends a piece at every long pause
        done: list[str] = []
        for chunk in chunks:
            data = (np.clip(chunk, -1, 1) * 32767).astype("<i2").tobytes()
            if decoder.AcceptWaveform(data):
                pieces.append(_alternatives(decoder.Result()))
                done.extend(h.word for h in pieces[-1][0].words)
                yield Partial(" ".join(done))
            else:
                yield Partial(" ".join([*done, json.loads(decoder.PartialResult())["partial"]]).strip())
        pieces.append(_alternatives(decoder.FinalResult()))
        hypotheses = self._hypotheses(_joined(pieces))[:n_best]
        yield Partial(hypotheses[0].text if hypotheses else "", hypotheses)

    def _hypotheses(self, alternatives: list[_Alternative]) -> list[Hypothesis]:
        top = max(a.score for a in alternatives)
        shares = [math.exp(a.score - top) for a in alternatives]
        total = sum(shares)
        found: dict[tuple[str, ...], Hypothesis] = {}
        for alternative, share in zip(alternatives, shares, strict=True):
            words = tuple(w.word for w in alternative.words)
            if not words or words in found or not self._accepts(words):
                continue
            same = [s for a, s in zip(alternatives, shares, strict=True) if tuple(w.word for w in a.words) == words]
            heard = tuple(_with_confidence(w, alternatives, shares) for w in alternative.words)
            found[words] = Hypothesis(heard, alternative.score, sum(same) / total)
        return list(found.values())


@dataclass(frozen=True)
class _Alternative:
    words: tuple[HeardWord, ...]
    score: float                  # natural logarithm


def _alternatives(result: str) -> list[_Alternative]:
    """Best first; one empty alternative when the decoder heard nothing."""
    out = []
    for item in json.loads(result).get("alternatives", ()):
        words = tuple(HeardWord(w["word"], w["start"], w["end"], 0.0) for w in item.get("result", ()))
        out.append(_Alternative(words, item["confidence"]))
    return out or [_Alternative((), 0.0)]


def _joined(pieces: list[list[_Alternative]]) -> list[_Alternative]:
    """The best concatenations of one alternative of each piece."""
    whole = [_Alternative((), 0.0)]
    for piece in pieces:
        whole = heapq.nlargest(_ALTERNATIVES, (_Alternative(a.words + b.words, a.score + b.score) for a in whole for b in piece),
                               key=lambda x: x.score)
    return whole


def _with_confidence(word: HeardWord, alternatives: list[_Alternative], shares: list[float]) -> HeardWord:
    """Share of the probability of those alternatives that have the same word at that time."""
    having = sum(share for a, share in zip(alternatives, shares, strict=True)
                 if any(w.word == word.word and w.start_s < word.end_s and word.start_s < w.end_s for w in a.words))
    return HeardWord(word.word, word.start_s, word.end_s, min(1.0, having / sum(shares)))


def check_model(folder: Path) -> None:
    """Raises HoodnoteError unless the directory looks like a Vosk model that takes phrases."""
    if not folder.is_dir():
        raise HoodnoteError(f"the speech model {folder} is no directory; name the directory that holds am, conf and graph")
    lacking = [part for part in ("am/final.mdl", "conf/mfcc.conf", "graph") if not (folder / part).exists()]
    if lacking:
        raise HoodnoteError(f"{folder} is no Vosk model: it lacks {', '.join(lacking)}; name the unpacked directory, or fetch one")
    if not (folder / "graph/HCLr.fst").is_file() or not (folder / "graph/Gr.fst").is_file():
        raise HoodnoteError(f"the Vosk model {folder} has a fixed vocabulary graph and takes no phrases; take one of the small models")


def find_model(flag: Path | None, models: Path | None) -> Path | None:
    """The model to use: the flag's, else the environment's, else the first usable `vosk-*` in the models directory.

    Raises HoodnoteError when the directory that was named is no model.
    """
    named = flag or (Path(os.environ[VARIABLE]) if os.environ.get(VARIABLE, "").strip() else None)
    if named is not None:
        named = named.expanduser()
        check_model(named)
        return named
    for folder in sorted(models.glob("vosk-*")) if models is not None and models.is_dir() else ():
        try:
            check_model(folder)
        except HoodnoteError:
            continue
        return folder
    return None
