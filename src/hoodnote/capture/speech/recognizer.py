"""What every recognizer promises, so that they can be exchanged, compared and put side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np

SAMPLE_RATE = 16_000   # Hz, mono; what `Recognizer.recognize` is given


@dataclass(frozen=True)
class HeardWord:
    """One word of the language; times in seconds from the start of the clip, confidence 0 to 1."""

    word: str
    start_s: float
    end_s: float
    confidence: float


@dataclass(frozen=True)
class Hypothesis:
    """One thing the clip may say.

    `score` is a natural logarithm, comparable only within the list it came in; `confidence`, 0 to 1,
    is how sure the engine is that the whole of it is right.
    """

    words: tuple[HeardWord, ...]
    score: float
    confidence: float

    @property
    def text(self) -> str:
        return " ".join(w.word for w in self.words)


class Recognizer(Protocol):
    """Hears utterances of a closed language."""

    name: str

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        """The likeliest word sequences of the language, best first, all distinct.

        samples: float32, mono, 16 kHz, between -1 and 1. An empty list: nothing of the language was heard.
        """
        ...


@runtime_checkable
class Rescorer(Protocol):
    """What a recognizer may offer besides: its opinion of what others have heard."""

    def score(self, samples: np.ndarray, candidates: Sequence[Sequence[str]]) -> list[float] | None:
        """A natural logarithm for each candidate, comparable within one call; the best candidate first, as far as it is known.

        None when this clip cannot be scored. Cheap after `recognize` of the same array; `asks_cheaply = True` marks a listener
        that may be asked about a hundred.
        """
        ...


@runtime_checkable
class Preparing(Protocol):
    """What a recognizer may offer besides: to work out in idle moments what it otherwise does when it first needs it."""

    def preparations(self) -> list[Callable[[], object]]:
        """Short pieces of work, in any order, each of them optional."""
        ...


@runtime_checkable
class NearListener(Protocol):
    """What a recognizer may offer besides: to listen only for what sounds like something that others have heard, which is quicker."""

    def recognize_near(self, samples: np.ndarray, heard: Sequence[Sequence[Hypothesis]], n_best: int = 5) -> list[Hypothesis]:
        """As `Recognizer.recognize`, of what may have been said where this was heard: each of the others' lists, best first."""
        ...


@runtime_checkable
class Transcriber(Protocol):
    """What a recognizer may offer besides: to write down what is no utterance of the language."""

    name: str

    def transcribe_free(self, samples: np.ndarray, goes_on: Callable[[str], bool] | None = None) -> str:
        """samples: float32, mono, 16 kHz. Everyday English, "" when nobody speaks, and as soon as what is written so far makes `goes_on` false.
        Cheap after `recognize` of the same samples."""
        ...


class Heard(Protocol):
    """What a recognizer makes of the sound so far."""

    @property
    def text(self) -> str: ...


@runtime_checkable
class Streamer(Protocol):
    """What a recognizer may offer besides: text while somebody is still speaking. It is shown, and never taken."""

    def stream(self, chunks: Iterable[np.ndarray]) -> Iterator[Heard]:
        """One text after each chunk of samples (float32, mono, 16 kHz), taken from `chunks` only when it is asked for."""
        ...
