"""Cuts an endless stream of sound into utterances: where speech begins, where it has ended, nothing of it lost.

Whether a frame holds speech is the voice activity model's word (`voice_model`, chosen by `tests.bench.bench_vad`).
What to make of its word frame after frame is decided here.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.capture.speech.voice_model import FRAME, VoiceModel
from hoodnote.capture.speech.voiced import speaks_after

FRAME_S = FRAME / SAMPLE_RATE
LONGEST_S = 30.0                       # a longer utterance is cut at its quietest place
_FULL_SCALE = 0.9985                   # at or above it a sample counts as clipped

Detector = Callable[[np.ndarray], Sequence[float]]   # (frames, FRAME) samples -> for each the probability of speech; keeps state from frame to frame


@dataclass(frozen=True)
class Patience:
    """Chosen on the development voices of tests/bench (python -m tests.bench.bench_vad)."""

    starts: float = 0.5                # probability from which a frame counts as speech while nobody spoke
    goes_on: float = 0.3               # and while somebody speaks
    start_frames: int = 3              # that many of the last four begin an utterance
    before_s: float = 0.45             # kept from before its first frame of speech
    silence_s: float = 0.4             # without speech ends it
    after_s: float = 0.15              # of it stay with the utterance, unless more of it stands out as speech by its loudness
    least_s: float = 0.13              # of speech; less is a knock


@dataclass(frozen=True)
class Utterance:
    """samples: float32, mono, 16 kHz. start_s and end_s: of the whole piece, in seconds since the stream began."""

    samples: np.ndarray
    start_s: float
    end_s: float
    speech_end_s: float                # when its last frame of speech was over
    clipped: float = 0.0               # share of the samples that hit full scale
    cut: bool = False                  # it was longer than 30 s and goes on in the next one

    @property
    def seconds(self) -> float:
        return len(self.samples) / SAMPLE_RATE


class Endpointer:
    """Feed it samples of any number with `push`; it gives the utterances that ended in them, in order.

    Memory is bounded: half a second while nobody speaks, 30 s while somebody does.
    """

    def __init__(self, detector: Detector, patience: Patience = Patience()):
        self._detect, self._patience = detector, patience
        self._rest = np.zeros(0, np.float32)
        self._before: deque[np.ndarray] = deque(maxlen=round(patience.before_s / FRAME_S) + 4)
        self._recent: deque[bool] = deque(maxlen=4)
        self._speech: list[np.ndarray] = []      # frames of the utterance that is being spoken
        self._spoken: list[bool] = []            # which of them hold speech
        self._after = math.ceil(patience.after_s / FRAME_S)
        self._frames = 0
        self._muted_until = 0

    @property
    def speaking(self) -> bool:
        return bool(self._speech)

    @property
    def heard_s(self) -> float:
        """Seconds of sound taken in so far."""
        return self._frames * FRAME_S

    @property
    def current(self) -> list[np.ndarray]:
        """Frames of the utterance that is being spoken; what a listener that hears along may take."""
        return self._speech

    def if_over(self) -> Utterance | None:
        """In a pause of `after_s` and more: the utterance that comes of it, sample for sample, should the pause turn out to be its end
        and be quiet. None while somebody speaks or nobody has spoken."""
        last = self._last_spoken()
        if not self._speech or len(self._speech) < last + 1 + self._after or not self._is_utterance(self._spoken):
            return None
        return self._utterance(self._speech[:last + 1 + self._after], self._frames - len(self._speech), last, cut=False)

    def mute(self, seconds: float) -> None:
        """Our own tone is about to sound: it begins no utterance. The sound itself is kept, so a word spoken over it is not lost."""
        self._muted_until = self._frames + round(seconds / FRAME_S)

    def push(self, samples: np.ndarray) -> list[Utterance]:
        samples = np.concatenate([self._rest, samples.astype(np.float32, copy=False)])
        whole = len(samples) // FRAME * FRAME
        self._rest = samples[whole:].copy()
        if not whole:
            return []
        frames = samples[:whole].reshape(-1, FRAME)
        judged = zip(frames, self._detect(np.clip(frames, -1, 1)), strict=True)
        return [done for frame, probability in judged if (done := self._take(frame.copy(), probability)) is not None]

    def flush(self) -> Utterance | None:
        """The stream is over: what was being said, if anything."""
        done = self._finish(len(self._speech)) if self._speech else None
        self._recent.clear()
        return done

    def _take(self, frame: np.ndarray, probability: float) -> Utterance | None:
        self._frames += 1
        if not self._speech:
            self._wait(frame, self._frames > self._muted_until and probability >= self._patience.starts)
            return None
        self._speech.append(frame)
        self._spoken.append(probability >= self._patience.goes_on)
        silent = len(self._spoken) - 1 - self._last_spoken()
        if silent * FRAME_S >= self._patience.silence_s:
            return self._finish(len(self._speech))
        if len(self._speech) * FRAME_S >= LONGEST_S:
            return self._cut()
        return None

    def _wait(self, frame: np.ndarray, is_speech: bool) -> None:
        self._before.append(frame)
        self._recent.append(is_speech)
        if sum(self._recent) >= self._patience.start_frames:
            self._speech = list(self._before)
            self._spoken = [False] * (len(self._speech) - len(self._recent)) + list(self._recent)
            self._spoken = self._spoken[-len(self._speech):]
            self._before.clear()
            self._recent.clear()

    def _last_spoken(self) -> int:
        return next((i for i in range(len(self._spoken) - 1, -1, -1) if self._spoken[i]), -1)

    def _finish(self, length: int) -> Utterance | None:
        frames, spoken = self._speech[:length], self._spoken[:length]
        last = self._last_spoken()
        self._before.extend(frames[-(self._before.maxlen or 0):])   # what is said next may begin in this silence
        self._speech, self._spoken = [], []
        if not self._is_utterance(spoken):
            return None
        start, short = self._frames - length, last + 1 + self._after
        if short < length and not speaks_after(np.concatenate(frames), short * FRAME_S):
            frames = frames[:short]
        return self._utterance(frames, start, last, cut=False)

    def _is_utterance(self, spoken: list[bool]) -> bool:
        return sum(spoken) * FRAME_S >= self._patience.least_s

    def _cut(self) -> Utterance:
        """The first part up to the quietest third of a second of its second half; the rest goes on."""
        loud = np.array([float(np.mean(f**2)) for f in self._speech])
        smooth = np.convolve(loud, np.ones(11) / 11, "same")
        half = len(loud) // 2
        at = half + int(smooth[half:-11].argmin())
        start = self._frames - len(self._speech)
        first, last = self._speech[:at], next((i for i in range(at - 1, -1, -1) if self._spoken[i]), at - 1)
        self._speech, self._spoken = self._speech[at:], self._spoken[at:]
        return self._utterance(first, start, last, cut=True)

    def _utterance(self, frames: list[np.ndarray], start: int, last: int, cut: bool) -> Utterance:
        samples = np.concatenate(frames)
        clipped = float((np.abs(samples) >= _FULL_SCALE).mean())
        return Utterance(np.clip(samples, -1, 1), start * FRAME_S, (start + len(frames)) * FRAME_S, (start + last + 1) * FRAME_S, clipped, cut)


def voice_detector() -> Detector:
    """The voice activity model for one stream: a few thousandths of one core. Raises HoodnoteError where it is not installed as it should be."""
    return VoiceModel()
