"""Beam search of a speech model inside a closed language."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.speech.neural_model import END, SpeechModel
from hoodnote.capture.speech.tokens import TokenConstraint


@dataclass(frozen=True)
class Tuning:
    """Constants of the search, chosen on development voices, never on those that score it."""

    beams: int = 24
    prior: float = 0.4             # share of what the decoder would write without any sound that is taken off its score
    # 10 and 8 find the same best transcript of 120 development clips out of 120, in a quarter more time; 7 and 6 another one in three of them.
    prune: float = 8.0             # a beam this far below the best open one is given up
    finish: float = 6.0            # search on until the best open beam lies this far below the best finished one


@dataclass(frozen=True)
class Beam:
    """A transcript in the making or finished. Natural logs, summed over its tokens and the closing one:

    `heard` of the model given the sound, `prior` of the model without it, `inside` of the mass that stayed in the
    language. `marks` holds, for each token, how many characters the text had after it and its log.
    """

    state: int = TokenConstraint.BEFORE
    text: str = ""
    token: int = END
    marks: tuple[tuple[int, float], ...] = ()
    score: float = 0.0
    heard: float = 0.0
    prior: float = 0.0
    inside: float = 0.0

    def grown(self, token: int, text: str, state: int, heard: float, prior: float, inside: float, tuning: Tuning) -> Beam:
        text = self.text + text
        marks = self.marks if token == END else (*self.marks, (len(text), heard))
        return Beam(state, text, token, marks, self.score + heard - tuning.prior * prior,
                    self.heard + heard, self.prior + prior, self.inside + inside)


def log_softmax(logits: np.ndarray) -> np.ndarray:
    shifted = logits - logits.max(axis=-1, keepdims=True)
    return shifted - np.log(np.exp(shifted).sum(axis=-1, keepdims=True))


class Search:
    """Holds what does not depend on the clip: the model, the language and what the decoder makes of no sound.

    A small decoder has strong expectations of its own, of everyday English. Taking part of what it would write without
    sound off its score leaves more of what it hears.
    """

    def __init__(self, model: SpeechModel, constraint: TokenConstraint, tuning: Tuning = Tuning()):
        self._model, self._constraint, self._tuning = model, constraint, tuning
        self._silence = model.begin(model.encode(np.zeros(16_000, np.float32)))

    def finished(self, sound: np.ndarray, longest: int, letters: int, seeds: Sequence[Beam] = (Beam(),), last: bool = True) -> list[Beam]:
        """All finished beams, best first; several may mean the same.

        longest: most tokens of a transcript; letters: most characters that fit into the time spoken. seeds: what was heard in the piece of the clip before this one.
        last: False when another piece follows, so that the transcript may break off after any word.
        """
        (logits, memory), (prior_logits, prior_memory) = self._model.begin(sound), self._silence
        beams, done = list(seeds), []
        rows = [0] * len(beams)
        logits, prior_logits = logits[rows], prior_logits[rows]
        memory, prior_memory = memory.take(rows), prior_memory.take(rows)
        letters += max(len(beam.text) for beam in seeds)
        for step in range(longest):
            closed, open_ = self._grow(beams, log_softmax(logits), log_softmax(prior_logits), last, step == 0)
            done.extend(closed)
            rows, beams = self._choose(open_, letters)
            best = max((beam.score for beam in done), default=-np.inf)
            if not beams or beams[0].score < best - self._tuning.finish:
                break
            tokens = [beam.token for beam in beams]
            logits, memory = self._model.step(tokens, memory.take(rows))
            prior_logits, prior_memory = self._model.step(tokens, prior_memory.take(rows))
        return sorted(done, key=lambda beam: (-beam.score, beam.text))

    def _grow(self, beams: list[Beam], heard: np.ndarray, prior: np.ndarray, last: bool, first: bool) -> tuple[list[Beam], list[tuple[int, Beam]]]:
        tuning, closed, open_, found = self._tuning, [], [], []
        for row, beam in enumerate(beams):
            ids, targets = self._constraint.allowed(beam.state)
            ends = not first and (self._constraint.ends(beam.state) if last else self._constraint.rests(beam.state))
            kept = heard[row, np.append(ids, END) if ends else ids]
            inside = min(float(np.logaddexp.reduce(kept)), 0.0) if len(kept) else -np.inf
            if ends:
                closed.append(beam.grown(END, "", beam.state, float(heard[row, END]), float(prior[row, END]), inside, tuning))
            gains = beam.score + heard[row, ids] - tuning.prior * prior[row, ids]
            likeliest = np.argsort(-gains, kind="stable")[:2 * tuning.beams]
            found.extend((float(gains[i]), row, int(ids[i]), int(targets[i]), inside) for i in likeliest)
        found.sort(key=lambda item: (-item[0], item[1], item[2]))
        for score, row, token, target, inside in found[:4 * tuning.beams]:
            if score > found[0][0] - tuning.prune:
                open_.append((row, beams[row].grown(token, self._model.texts[token], target, float(heard[row, token]),
                                                    float(prior[row, token]), inside, tuning)))
        return closed, open_

    def _choose(self, open_: list[tuple[int, Beam]], letters: int) -> tuple[list[int], list[Beam]]:
        """The best beams within the length allowed; of those that differ only in capitals or punctuation, one."""
        rows, beams, seen = [], [], set()
        for row, beam in open_:
            key = _plain(beam.text)
            if len(beam.text) > letters or key in seen:
                continue
            seen.add(key)
            rows.append(row)
            beams.append(beam)
            if len(beams) == self._tuning.beams:
                break
        return rows, beams


def greedy(model: SpeechModel, sound: np.ndarray, longest: int) -> tuple[str, float, int]:
    """What the model writes when nothing holds it: (text, its natural log, number of tokens with the closing one)."""
    logits, memory = model.begin(sound)
    tokens, heard = [], 0.0
    for _ in range(longest):
        token = int(logits[0].argmax())
        heard += float(log_softmax(logits)[0, token])
        tokens.append(token)
        if token == END:
            break
        logits, memory = model.step([token], memory)
    return model.decode(tokens), heard, len(tokens)


def _plain(text: str) -> str:
    return "".join(c for c in text.casefold() if c.isalnum() or c in "°%\"-. ").replace(". ", " ").rstrip(" .")
