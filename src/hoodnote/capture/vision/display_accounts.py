"""One figure of a display as each way of reading gives it, and what most of them say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hoodnote.capture.vision.display_rows import SURE, Shown
from hoodnote.capture.vision.display_sight import Sighted
from hoodnote.capture.vision.display_text import is_number, optical
from hoodnote.capture.vision.readers import NEURAL, NeuralReader
from hoodnote.capture.vision.signs import SIGNS_READER

SEGMENTS_READER, NETWORK = "segments", "segment network"
SEEN_SURE = 0.5               # probability of its least probable sign from which a figure is seen for sure
_SEGMENTS, _PRINTED = 0.5, 0.6      # weight of the segments' word and of the text reader's, beside the networks' probabilities


@dataclass(frozen=True, eq=False)
class Accounts:
    """`seen`: by the network for signs, None where it sees no figure there; `printed`: the text reader's word and its confidence."""

    shown: Shown
    seen: Sighted | None
    printed: tuple[str, float]

    @property
    def told(self) -> list[tuple[str, str, float]]:
        """Who says what, and how sure it is."""
        out = [(NETWORK, self.shown.net.text, self.shown.net.probability)]
        if self.seen is not None:
            out.append((SIGNS_READER, self.seen.text, self.seen.probability))
        out.append((NEURAL, *self.printed))
        figures = self.shown.figures
        if figures is not None:
            variants = figures.variants()
            text = self.text if self.text in variants else variants[0]
            out.insert(0, (SEGMENTS_READER, text, float(min(_clearness(c.states) for c in figures.cells))))
        return out

    @property
    def text(self) -> str:
        """What has the most weight; the networks' word where nothing else speaks."""
        weights = {self.shown.net.text: self.shown.net.probability}
        if self.seen is not None:
            weights[self.seen.text] = weights.get(self.seen.text, 0.0) + self.seen.probability
        variants = self.shown.figures.variants() if self.shown.figures else []
        for text in variants:
            weights[text] = weights.get(text, 0.0) + _SEGMENTS / len(variants)
        said, sure = self.printed
        if is_number(said):
            weights[said] = weights.get(said, 0.0) + _PRINTED * sure
        # segments alone may give a sign that is no digit
        able = {text: weight for text, weight in weights.items() if is_number(text)} or weights
        return max(able, key=able.__getitem__)

    @property
    def alike(self) -> int:
        """How many ways say the same as `text`."""
        figures = self.shown.figures
        return ((self.shown.net.text == self.text) + (self.seen is not None and self.seen.text == self.text) + (self.printed[0] == self.text)
                + (figures is not None and self.text in figures.variants()))

    @property
    def sure(self) -> bool:
        """Are both networks?"""
        return self.shown.net.probability >= SURE and self.seen is not None and self.seen.probability >= SEEN_SURE

    @property
    def glare(self) -> bool:
        figures = self.shown.figures
        return figures is not None and any(c.hidden for c in figures.cells)


def accounts_of(shown: Shown, seen: Sighted | None, reader: NeuralReader) -> Accounts:
    return Accounts(shown, seen, optical(shown.flat, shown.left, shown.right, reader))


def _clearness(states: Sequence[float]) -> float:
    """1 where every segment is fully lit or dark, 0 where one lies halfway."""
    return min(min(1.0, abs(s - 0.48) / 0.42) for s in states)
