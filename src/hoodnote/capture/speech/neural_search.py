"""Beam search of a speech model inside a closed language."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from hoodnote.capture.speech.neural_model import END, SpeechModel
from hoodnote.capture.speech.tokens import TokenConstraint

_LEAST = 1e-30                   # of the model's mass
_HYPHEN = re.compile(r"(?<=[a-z])-(?=[a-z])")
_MARKS = re.compile(r"[^\w°%\"\-. ]|_")


@dataclass(frozen=True)
class Tuning:
    """Constants of the search, chosen on development voices, never on those that score it."""

    beams: int = 24
    prior: float = 0.4             # share of what the decoder would write without any sound that is taken off its score
    # 10 and 8 find the same best transcript of 120 development clips out of 120, with half as many beams again and more; 7 and 6 another one in three of them. Rivals
    # that are given up so early are asked about where they are among the likeliest that sound alike (`intake.listening`): no more is taken than with 8 and 6.
    # Measured from the finished ones, too, the search does not go on to say it all again: the same best transcript of 235 development clips out of 235, a tenth fewer beams.
    prune: float = 6.0             # a beam this far below the best one, open or finished, is given up


@dataclass(eq=False)
class _Reached:
    """A text that a beam has come to: its score there, where it was before, and those that came to the same text with less and ended."""

    score: float
    before: _Reached | None = None
    ended: list[_Reached] = field(default_factory=list)
    known: float | None = None

    def others(self) -> float:
        """Natural log of the probability of all that ended on the way, and of the beam itself, over that of the beam. To be asked for when the search is over."""
        todo = [self]          # by hand: a long transcript goes deeper than Python calls may
        while todo:
            here = todo[-1]
            unknown = [one for one in (here.before, *here.ended) if one is not None and one.known is None]
            if not unknown:
                way = here.before.known if here.before else 0.0
                here.known = float(np.logaddexp.reduce([way, *(one.score + one.known - here.score for one in here.ended)]))
                todo.pop()
            todo += unknown
        return self.known


@dataclass(frozen=True)
class Beam:
    """A transcript in the making or finished. Natural logs, summed over its tokens and the closing one:

    `heard` of the model given the sound, `prior` of the model without it, `inside` of the mass that stayed in the
    language. `marks` holds, for each token, how many characters the text had after it and its log; `reached` what
    has ended in its favour on the way.
    """

    state: int = TokenConstraint.BEFORE
    text: str = ""
    token: int = END
    marks: tuple[tuple[int, float], ...] = ()
    score: float = 0.0
    heard: float = 0.0
    prior: float = 0.0
    inside: float = 0.0
    reached: _Reached | None = None

    def grown(self, token: int, text: str, state: int, heard: float, prior: float, inside: float, tuning: Tuning,
              reached: _Reached | None = None) -> Beam:
        text = self.text + text
        marks = self.marks if token == END else (*self.marks, (len(text), heard))
        return Beam(state, text, token, marks, self.score + heard - tuning.prior * prior,
                    self.heard + heard, self.prior + prior, self.inside + inside, reached or self.reached)

    def with_others(self) -> Beam:
        """With the probability of those that ended in its favour."""
        return replace(self, score=self.score + self.reached.others(), reached=None) if self.reached else self


class _Grown(NamedTuple):
    """One token more for the beam in `row`."""

    row: int
    token: int
    state: int
    heard: float
    prior: float
    inside: float


class Search:
    """Holds what does not depend on the clip: the model, the language and what the decoder makes of no sound.

    A small decoder has strong expectations of its own, of everyday English. Taking part of what it would write without
    sound off its score leaves more of what it hears.
    """

    def __init__(self, model: SpeechModel, constraint: TokenConstraint, tuning: Tuning = Tuning()):
        self._model, self.constraint, self._tuning = model, constraint, tuning
        self.silence = model.begin(model.encode(np.zeros(16_000, np.float32)))
        self.beside = ThreadPoolExecutor(1)      # what needs no sound is worked out beside what does, where a second core is idle

    def finished(self, sound: np.ndarray, longest: int, letters: int, seeds: Sequence[Beam] = (Beam(),), last: bool = True) -> list[Beam]:
        """All finished beams, best first; several may mean the same.

        longest: most tokens of a transcript; letters: most characters that fit into the time spoken. seeds: what was heard in the piece of the clip before this one.
        last: False when another piece follows, so that the transcript may break off after any word.
        """
        (logs, memory), (prior_logs, prior_memory) = self._model.begin(sound), self.silence
        beams, done = list(seeds), []
        rows = [0] * len(beams)
        logs, prior_logs = logs[rows], prior_logs[rows]
        memory, prior_memory = memory.take(rows), prior_memory.take(rows)
        letters += max(len(beam.text) for beam in seeds)
        reached: dict[tuple[int, str], _Reached] = {}
        for step in range(longest):
            closed, grown = self._grow(beams, logs, prior_logs, last, step == 0, max((beam.score for beam in done), default=-np.inf))
            done.extend(closed)
            rows, beams = self._choose(beams, grown, letters, reached)
            if not beams:
                break
            tokens = [beam.token for beam in beams]
            unheard = self.beside.submit(self._model.step, tokens, prior_memory.take(rows))
            logs, memory = self._model.step(tokens, memory.take(rows))
            prior_logs, prior_memory = unheard.result()
        return sorted((beam.with_others() for beam in done), key=lambda beam: (-beam.score, beam.text))

    def _grow(self, beams: list[Beam], logs: np.ndarray, prior_logs: np.ndarray, last: bool, first: bool,
              finished: float) -> tuple[list[Beam], list[_Grown]]:
        """(beams that may end here, tokens that may follow, best first). `finished`: the best score of a beam that has ended before."""
        tuning, closed = self._tuning, []
        allowed = [self.constraint.allowed(beam.state) for beam in beams]
        counts = [len(ids) for ids, _ in allowed]
        ids, targets = (np.concatenate(x) for x in zip(*allowed, strict=True))
        rows = np.repeat(np.arange(len(beams)), counts)
        heard, prior = logs[rows, ids], prior_logs[rows, ids]
        end, prior_end = logs[:, END], prior_logs[:, END]
        ends = [not first and (self.constraint.ends(beam.state) if last else self.constraint.rests(beam.state)) for beam in beams]
        inside = np.bincount(rows, np.exp(heard), len(beams)) + np.where(ends, np.exp(end), 0.0)
        inside = np.minimum(np.log(np.maximum(inside, _LEAST)), 0.0).tolist()
        for row, beam in enumerate(beams):
            if ends[row]:
                closed.append(beam.grown(END, "", beam.state, float(end[row]), float(prior_end[row]), inside[row], tuning))
        gains = np.array([beam.score for beam in beams], np.float32)[rows] + heard - tuning.prior * prior
        if not len(gains):
            return closed, []
        best = max(float(gains.max()), finished, *(beam.score for beam in closed))
        near = np.flatnonzero(gains > best - tuning.prune)
        near = near[np.lexsort((ids[near], rows[near], -gains[near]))[:4 * tuning.beams]]
        return closed, [_Grown(row, token, target, h, p, inside[row]) for row, token, target, h, p in
                        zip(*(x[near].tolist() for x in (rows, ids, targets, heard, prior)), strict=True)]

    def _choose(self, beams: list[Beam], grown: list[_Grown], letters: int,
                reached: dict[tuple[int, str], _Reached]) -> tuple[list[int], list[Beam]]:
        """The best beams within the length allowed; of those that differ only in capitals or punctuation, one. Who comes with less to a text that
        another one has reached, by other tokens or with a hyphen, could only say the rest of it again: it ends here, and counts in what becomes of that one."""
        rows, chosen, seen = [], [], set()
        for way in grown:
            beam, text = beams[way.row], self._model.texts[way.token]
            if len(beam.text) + len(text) > letters:
                continue
            plain = _plain(beam.text + text)
            place = way.state, _HYPHEN.sub(" ", plain)
            here = _Reached(beam.score + way.heard - self._tuning.prior * way.prior, beam.reached)
            best = reached.get(place)
            if best and here.score <= best.score:
                best.ended.append(here)
                continue
            if plain in seen:
                continue
            seen.add(plain)
            reached[place] = here
            rows.append(way.row)
            chosen.append(beam.grown(way.token, text, way.state, way.heard, way.prior, way.inside, self._tuning, here))
            if len(chosen) == self._tuning.beams:
                break
        return rows, chosen


def greedy(model: SpeechModel, sound: np.ndarray, longest: int, goes_on: Callable[[str], bool] | None = None) -> tuple[str | None, float, int]:
    """What the model writes when nothing holds it: (text, its natural log, number of tokens with the closing one). None as soon as `goes_on` is false of it."""
    logs, memory = model.begin(sound)
    tokens, heard = [], 0.0
    for _ in range(longest):
        token = int(logs[0].argmax())
        heard += float(logs[0, token])
        tokens.append(token)
        if token == END:
            break
        if goes_on and not goes_on(model.decode(tokens)):
            return None, heard, len(tokens)
        logs, memory = model.step([token], memory)
    return model.decode(tokens), heard, len(tokens)


def _plain(text: str) -> str:
    return _MARKS.sub("", text.casefold()).replace(". ", " ").rstrip(" .")
