"""Stand-in listeners for another process: what they hear is written in the clip's loudness."""

from __future__ import annotations

import gc
import os
import time
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis

# peak of a clip, in hundredths -> what both listeners hear; None breaks the process
SAYS = {10: "low side thirty p s i", 15: "vent forty four degrees", 20: "stop listening", 25: "start listening", 30: "close job",
        35: "", 40: None, 45: "read back", 50: "high side two ten", 55: "leak test with oxygen", 60: "understood",
        65: "leak test with nitrogen"}

_NUMBERS = ("zero", "twenty one", "twenty two", "twenty three", "twenty four", "twenty five", "twenty six", "twenty seven")


class ByPeak:
    def __init__(self, name: str, slow_s: float = 0.0, other: dict[int, str] | None = None):
        self.name, self._slow_s, self._says = name, slow_s, SAYS | (other or {})

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        peak = 5 * round(20 * float(np.abs(samples).max()))
        text = self._says.get(peak, "")
        if text is None:
            os._exit(1)
        end = time.monotonic() + self._slow_s      # computes: it does not sleep
        while time.monotonic() < end:
            pass
        words = tuple(HeardWord(w, 0.2 * i, 0.2 * i + 0.2, 0.97) for i, w in enumerate(text.split()))
        return [Hypothesis(words, -1.0, 0.97)] if words else []


class Afresh(ByPeak):
    """Hears something else whenever it is given a clip again."""

    heard = 0

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        self.heard += 1
        words = tuple(HeardWord(w, 0.2 * i, 0.2 * i + 0.2, 0.97) for i, w in enumerate(f"low side {_NUMBERS[self.heard]} p s i".split()))
        return [Hypothesis(words, -1.0, 0.97)] if super().recognize(samples) else []


class Following(ByPeak):
    """Also tells, while it hears, how much it has heard."""

    def stream(self, chunks):
        heard = 0
        for chunk in chunks:
            if round(100 * float(np.abs(chunk).max())) == 35:
                raise ValueError("a chunk that the engine cannot take")
            heard += len(chunk)
            yield SoMuch(f"{heard} samples")


@dataclass(frozen=True)
class SoMuch:
    text: str


class WhereKept(ByPeak):
    """Hears something once what is loaded is out of the way of Python's search for garbage."""

    def recognize(self, samples: np.ndarray, n_best: int = 5) -> list[Hypothesis]:
        return super().recognize(samples) if gc.get_freeze_count() > 10_000 else []


def where_kept() -> list[ByPeak]:
    return [WhereKept("one"), WhereKept("two")]


def afresh() -> list[ByPeak]:
    return [Afresh("one"), Afresh("two")]


def streaming() -> list[ByPeak]:
    return [Following("one"), ByPeak("two")]


def quick() -> list[ByPeak]:
    return [ByPeak("one"), ByPeak("two")]


def busy() -> list[ByPeak]:
    return [ByPeak("one", 0.15), ByPeak("two", 0.15)]


def differing() -> list[ByPeak]:
    return [ByPeak("one"), ByPeak("two", other={50: "high side two twelve"})]


def none() -> list[ByPeak]:
    return []


def for_command(model, models) -> list[ByPeak]:
    return quick()
