"""One clip, three listeners, one decision: nothing is stored here, and this is the only way from sound to settled statements.

`listen` is what the program does with a clip and what the benchmark scores. `gather` is its part that needs the sound, `decided`
the part that does not, so that a decision can be made again from what was gathered. The last listener, which takes as long as the
others together, is asked only where those leave open what it may settle, and listens for what sounds like something that they heard.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hoodnote.capture.speech.conditioning import swing_db
from hoodnote.capture.speech.recognizer import Hypothesis, NearListener, Preparing, Recognizer, Rescorer, Transcriber
from hoodnote.intake.opening import may_announce, only_opening
from hoodnote.language.confusable import confusables
from hoodnote.language.grammar import load
from hoodnote.language.prior import load_prior
from hoodnote.language.walker import NotSayable
from hoodnote.readings.agreement import Account, heard_alike, meaning
from hoodnote.readings.decision import Candidate, Decision, Opinions, decide, joined, weights, worth_another
from hoodnote.statements.parser import parse_spans

if TYPE_CHECKING:
    import numpy as np

    from hoodnote.statements.model import Statement

_LISTENERS = 3
_N_BEST = 8                    # of each listener
_NEIGHBOURS = 45               # of each of the likeliest utterances, before the cheap listener chooses among them
_MOST = 8                      # candidates that every listener is asked about, and a few more where the listeners' own lists are long
_SOUND_ALIKES = 3              # of those, beside however many that the listeners had themselves: a rival that nobody wrote down is a rival too
_UNITS = "us"                  # where it does not matter which
_UNSEEN = 0.002                # share that a listener who cannot be asked leaves to what is not in its list


@dataclass(frozen=True)
class Gathered:
    """All that was heard of a clip, before anything is decided. `scores`: one row for each candidate, one column for each listener;
    `first`: what the better listeners had by themselves, where one more was asked after them; `swing_db`: loud over quiet of the clip;
    `freely`: what a listener writes that is not held to the language, where the first two do not hear the same; "" where that cannot announce a free note."""

    heard: tuple[tuple[str, tuple[Hypothesis, ...]], ...]
    rescored: tuple[bool, ...]
    candidates: tuple[tuple[str, ...], ...]
    scores: tuple[tuple[float, ...], ...]
    first: Gathered | None = None
    swing_db: float = math.inf
    freely: str | None = None


def listen(engines: Sequence[Recognizer], samples: np.ndarray, units: str = "us") -> tuple[Decision, Gathered]:
    """samples: float32 mono at 16 kHz; units: "us" or "metric", for figures whose unit was not said. At most the first three engines are used."""
    gathered = gather(engines, samples, units)
    return decided(gathered, units), gathered


def decided(gathered: Gathered, units: str = "us", how: Callable[[Opinions], Decision] = decide) -> Decision:
    made = how(opinions(gathered, units))
    return made if gathered.first is None else joined(how(opinions(gathered.first, units)), made)


def gather(engines: Sequence[Recognizer], samples: np.ndarray, units: str = "us") -> Gathered:
    engines = engines[:_LISTENERS]
    better = engines[:-1]
    if tuple(e.name for e in better) != weights([e.name for e in better]).fitted:
        return gather_all(engines, samples)
    first = gather_all(better, samples)
    known = opinions(first, units)
    if not worth_another(decide(known), known):
        return first
    return replace(_with_last(engines, samples, first), first=first)


def gather_all(engines: Sequence[Recognizer], samples: np.ndarray) -> Gathered:
    """Every listener asked, as the weights of them all are fitted on."""
    if len(engines) == _LISTENERS and isinstance(engines[-1], NearListener):
        return _with_last(engines, samples, gather_all(engines[:-1], samples))
    with ThreadPoolExecutor(max(1, len(engines))) as pool:      # the neural networks run beside the other engine's search
        heard = list(pool.map(lambda engine: engine.recognize(samples, _N_BEST), engines))
        writer = next((e for e in engines if isinstance(e, Transcriber)), None)
        accounts = [_account(e.name, found, _UNITS) for e, found in zip(engines, heard)]
        # wanted for a clip that may be a free note; meanwhile the listeners are asked about the candidates
        freely = None
        if writer is not None and not heard_alike(accounts):
            freely = pool.submit(writer.transcribe_free, samples, None if only_opening(accounts) else may_announce)
        gathered = _asked(engines, samples, heard)
        return gathered if freely is None else replace(gathered, freely=freely.result())


def _with_last(engines: Sequence[Recognizer], samples: np.ndarray, first: Gathered) -> Gathered:
    """`first`: what all but the last have heard."""
    heard, last = [found for _, found in first.heard], engines[-1]
    more = last.recognize_near(samples, heard, _N_BEST) if isinstance(last, NearListener) else last.recognize(samples, _N_BEST)
    return replace(_asked(engines, samples, [*heard, more], first), freely=first.freely)


def _asked(engines: Sequence[Recognizer], samples: np.ndarray, heard: Sequence[Sequence[Hypothesis]], first: Gathered | None = None) -> Gathered:
    """`first`: what was gathered of the first listeners. Its candidates stay, with what was said of them: a rival that some were asked
    about is not lost when one more is."""
    found: dict[tuple[str, ...], None] = {}
    for hypotheses in heard:
        found.update(dict.fromkeys(tuple(w.word for w in h.words) for h in hypotheses))
    asked = [_Opinion(engine, samples) for engine in engines]
    if first is not None:
        for opinion, rescored, values in zip(asked, first.rescored, zip(*first.scores)):
            if rescored:
                opinion.scores.update(zip(first.candidates, values))
    candidates = _widened(asked, heard, list(found)) if found and any(o.can_be_asked for o in asked) else list(found)
    candidates = list(dict.fromkeys([*candidates, *(first.candidates if first is not None else ())]))
    for opinion, hypotheses in zip(asked, heard):
        if not opinion.of(candidates):
            opinion.scores = _own_list(hypotheses)
    rows = tuple(tuple(o.scores.get(c, math.log(_UNSEEN)) for o in asked) for c in candidates)
    return Gathered(tuple((e.name, tuple(h)) for e, h in zip(engines, heard)), tuple(o.can_be_asked for o in asked), tuple(candidates), rows,
                    swing_db=swing_db(samples))


class _Opinion:
    """What one listener says of candidates when asked."""

    def __init__(self, engine: Recognizer, samples: np.ndarray):
        self._engine, self._samples = engine, samples
        self.can_be_asked = isinstance(engine, Rescorer)
        self.cheap = getattr(engine, "asks_cheaply", False)
        self.scores: dict[tuple[str, ...], float] = {}

    def of(self, candidates: Sequence[tuple[str, ...]]) -> bool:
        """Each is asked about once; afterwards all of them are in `scores`, else False."""
        new = [c for c in candidates if c not in self.scores]
        if self.can_be_asked and new:
            values = self._engine.score(self._samples, new)
            self.can_be_asked = values is not None
            self.scores.update(zip(new, values or ()))
        return self.can_be_asked


def preparations(engines: Sequence[Recognizer]) -> list[Callable[[], object]]:
    """Short pieces of work for idle moments: what the listeners otherwise work out when they first need it."""
    return [*confusables(load()).preparations(), *(piece for e in engines if isinstance(e, Preparing) for piece in e.preparations())]


def opinions(gathered: Gathered, units: str = "us") -> Opinions:
    accounts = tuple(_account(name, found, units) for name, found in gathered.heard)
    candidates = tuple(
        Candidate(words, tuple(s for s, _ in spans), scores, load_prior().log_probability(words), tuple(span for _, span in spans))
        for words, scores in zip(gathered.candidates, gathered.scores) if (spans := _spans(words, units)))
    return Opinions(accounts, gathered.rescored, candidates, gathered.swing_db)


def _widened(asked: Sequence[_Opinion], heard: Sequence[Sequence[Hypothesis]], found: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """What was heard, and of what sounds like it that which the listener that is asked cheaply (else the last one) finds likeliest."""
    near: dict[tuple[str, ...], None] = {}
    meanings = {words: _statements(words) for words in found}
    firsts = [tuple(w.word for w in h.words) for hypotheses in heard for h in hypotheses[:1]]
    for words in dict.fromkeys(firsts):
        near.update(dict.fromkeys(n for n in confusables(load()).neighbours(words, _NEIGHBOURS) if n not in meanings))
    more = list(near)
    cheap = next((o for o in asked if o.cheap), asked[-1])
    if more and cheap.of([*found, *more]):
        more.sort(key=lambda words: -(cheap.scores[words] - 12.0 * len(words)))
    kept, seen = list(dict.fromkeys(firsts)), {tuple(map(meaning, meanings[words])) for words in firsts}

    def keep(ones: Sequence[tuple[str, ...]], most: int) -> None:
        for words in ones:
            if len(kept) >= most:
                break
            means = tuple(map(meaning, meanings[words] if words in meanings else _statements(words)))
            if means and means not in seen:
                seen.add(means)
                kept.append(words)

    keep(found, _MOST + _N_BEST // 2)
    keep(more, max(_MOST, len(kept) + _SOUND_ALIKES))
    return kept


def _own_list(hypotheses: Sequence[Hypothesis]) -> dict[tuple[str, ...], float]:
    """The opinion of a listener that cannot be asked about others: its confidences, as logs of shares."""
    return {tuple(w.word for w in h.words): math.log(max(h.confidence, _UNSEEN)) for h in reversed(hypotheses)}


def _account(reader: str, found: Sequence[Hypothesis], units: str) -> Account:
    if not found:
        return Account(reader, "", (), 0.0)
    best = found[0]
    spans = parse_spans([w.word for w in best.words], units)
    regions = tuple((best.words[first].start_s, best.words[last - 1].end_s) for _, (first, last) in spans)
    return Account(reader, best.text, tuple(s for s, _ in spans), best.confidence, regions)


def _statements(words: Sequence[str], units: str = "us") -> tuple[Statement, ...]:
    return tuple(statement for statement, _ in _spans(words, units))


def _spans(words: Sequence[str], units: str) -> list[tuple[Statement, tuple[int, int]]]:
    """The meaning and where each statement of it was said, [] for what has none."""
    try:
        return parse_spans(words, units)
    except NotSayable:
        return []
