"""Several listeners, one calibrated probability: what was said, how likely each statement of it is right, and whether to ask.

Every candidate is an utterance that either listener heard, or one that sounds much like it; each listener gives its opinion of every
candidate. The opinions are added up with fitted weights to one probability for each meaning; a second fitted curve turns what is
known about a statement into the probability that it is right. A statement is agreed only when that probability reaches the threshold, and
no listener prefers a rival that the others do not rule out. A figure must besides have been understood, in the same words, by the best
listener and another one, the better two must each clearly prefer it, and in loud noise it is asked whatever they say. The weights lie in `decision.toml`, with the command that fits them:
one set for the better two listeners alone, which are asked first, one for all three, where those two leave open what a third may settle.
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files

import numpy as np

from hoodnote.errors import HoodnoteError
from hoodnote.language.confusable import teen_or_tens
from hoodnote.language.numbers import NUMBER_WORDS
from hoodnote.language.walker import NotSayable
from hoodnote.readings.agreement import LEAST_CONFIDENCE, Account, Settled, aligned, meaning
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Answer, Measured, Statement, uncorrected
from hoodnote.statements.parser import parse_spans

_NEITHER = "both together"      # of a version that neither listener put first
_NEAR = 0.02              # share below which a rival is not worth a question
_UNLIKELY = 0.1           # a clip of which nothing reaches this is not understood
_LEAST = -1000.0          # natural log of a candidate that a listener thinks impossible
_CLIP = 12.0              # natural log beyond which a margin or a log odds says no more
# Least probability and clearness at which a third listener is worth its time: on 1320 development clips it settles nothing below, and is asked in a fifth of them.
_WORTH_ASKING = (0.9, 1.3)


@dataclass(frozen=True)
class Candidate:
    """One thing that may have been said. `scores`: a natural log from each listener, comparable within that listener's own;
    `prior`: natural log of its probability before anything is heard."""

    words: tuple[str, ...]
    statements: tuple[Statement, ...]
    scores: tuple[float, ...]
    prior: float = 0.0
    spans: tuple[tuple[int, int], ...] = ()  # of each statement: its first word, and the one after its last


@dataclass(frozen=True)
class Opinions:
    """All that is known of one clip. `rescored`: which listeners were asked about every candidate; the others gave their own list only."""

    accounts: tuple[Account, ...]            # each listener's best, the better listener first
    rescored: tuple[bool, ...]
    candidates: tuple[Candidate, ...]
    swing_db: float = math.inf               # loud over quiet of the clip: little where speech hardly stands out of the noise


@dataclass(frozen=True)
class Weights:
    """The fitted numbers of `decision.toml`."""

    listener: dict[str, float]               # how much a natural log of that listener counts
    bend: dict[str, float]                   # how far behind its best a listener's natural log begins to count less and less
    prior: float                             # how much a natural log of the grammar counts
    unknown: float                           # weight of a listener that no weight was fitted for
    fitted: tuple[str, ...]                  # the listeners that the curve was fitted for, the better one first
    curve: tuple[float, ...]                 # logistic over `features`
    threshold: float                         # least probability of a figure
    threshold_teens: float                   # the same for a statement that holds "fourteen", "forty" and the like: most errors are of this kind
    threshold_words: float                   # the same for one without a figure: steps and points of the circuit are hardly ever mistaken
    clear: float                             # natural log, weighted, by which each of the better two listeners must prefer a figure to its rivals
    clear_teens: float                       # the same for a teen or a whole ten, whose probability must be higher
    threshold_alone: float                   # of a figure that the last of three, whose ears are its own, did not understand
    clear_alone: float
    threshold_words_alone: float             # the same for one without a figure
    noisy_below_db: float                    # a clip whose loud is less than this over its quiet is noisy: no figure of it is taken
    threshold_words_noisy: float             # least probability there of a statement without a figure
    slack: float                             # natural log, weighted, by which a listener may prefer a rival and still be said to agree
    absurd: float                            # a rival this far behind for the other listener is no rival

    def of(self, reader: str) -> float:
        return self.listener.get(reader, self.unknown)

    def noisy(self, opinions: Opinions) -> bool:
        return opinions.swing_db < self.noisy_below_db


@lru_cache(maxsize=1)
def installed() -> dict[str, Weights]:
    """By name of the set, the one for most listeners last. Raises HoodnoteError when the file that belongs to the program is damaged."""
    try:
        data = tomllib.loads(files("hoodnote.readings").joinpath("decision.toml").read_text("utf-8"))
        sets = {name: Weights(**{**one, "fitted": tuple(one["fitted"]), "curve": tuple(one["curve"])}) for name, one in data.items()}
        return dict(sorted(sets.items(), key=lambda item: len(item[1].fitted)))
    except (OSError, KeyError, TypeError, AttributeError, tomllib.TOMLDecodeError) as error:
        raise HoodnoteError(f"readings/decision.toml cannot be used ({error}); install hoodnote again") from None


def weights(readers: Sequence[str] = ()) -> Weights:
    """The set fitted for these listeners; else the largest, whose curve then counts for nothing."""
    sets = installed().values()
    return next((w for w in sets if w.fitted == tuple(readers)), list(sets)[-1])


def _weights_for(opinions: Opinions) -> Weights:
    return weights([a.reader for a in opinions.accounts])


@dataclass(frozen=True)
class Judged:
    """One statement of the best candidate."""

    statement: Statement
    share: float                             # of all candidates' probability, those that hold it
    margins: tuple[float, ...]               # by how much each listener prefers it to the best rival, weighted natural log
    in_best: tuple[bool, ...]                # whether each listener's own best holds it
    probability: float                       # that it is right
    rivals: tuple[tuple[Statement, float], ...]     # what else it may be, with shares, likeliest first
    figure: bool = True                      # whether it is a reading, or its words hold a number
    teens: bool = False                      # whether its words hold a teen or a whole ten
    same_words: bool = False                 # whether the best listener and another one understood it in the same number words


@dataclass(frozen=True)
class Decision:
    """`words`: the likeliest utterance, () when there is none."""

    words: tuple[str, ...]
    statements: tuple[Statement, ...]
    judged: tuple[Judged, ...]
    settled: tuple[Settled, ...]
    accounts: tuple[Account, ...]


def weighted(opinions: Opinions, w: Weights) -> np.ndarray:
    """(candidates, listeners): what each listener's opinion counts, natural logs."""
    readers = [a.reader for a in opinions.accounts]
    raw = np.array([c.scores for c in opinions.candidates], float).reshape(len(opinions.candidates), len(readers))
    out = np.empty_like(raw)
    for i, reader in enumerate(readers):
        behind = raw[:, i] - raw[:, i].max() if np.isfinite(raw[:, i].max()) else np.zeros(len(raw))
        if opinions.rescored[i] and reader in w.bend:
            behind = -w.bend[reader] * np.log1p(-behind / w.bend[reader])
        out[:, i] = (w.of(reader) if opinions.rescored[i] else w.unknown) * behind
    return np.maximum(out, _LEAST)


def totals(opinions: Opinions, w: Weights) -> np.ndarray:
    """(candidates,): natural log of the odds of each, but for a constant."""
    return weighted(opinions, w).sum(axis=1) + w.prior * np.array([c.prior for c in opinions.candidates])


def features(share: float, margins: Sequence[float], in_best: Sequence[bool], confidences: Sequence[float]) -> tuple[float, ...]:
    """What the curve is fitted on: the share, the lesser of it and the best listener's confidence, since either alone can be wrong, then
    of each listener how sure it is of itself, by how much it prefers the statement, and whether it understood it by itself. Limited,
    since there are always things that no candidate stands for."""
    likely, sure = _limited(_odds(share), 5.0), [_limited(_odds(c), 4.0) for c in confidences]
    own = [x for s, m, held in zip(sure, margins, in_best) for x in (s, _limited(m, 3.0), float(held))]
    return (1.0, likely, min(likely, sure[0]), *own)


def judge(opinions: Opinions, w: Weights | None = None) -> tuple[Candidate | None, list[Judged]]:
    """The likeliest candidate and each of its statements judged, in the order said."""
    w = w or _weights_for(opinions)
    if not opinions.candidates:
        return None, []
    logs = weighted(opinions, w)
    total = totals(opinions, w)
    shares = np.exp(total - np.logaddexp.reduce(total))
    by_meaning: dict[tuple, float] = {}
    keys = [tuple(map(meaning, c.statements)) for c in opinions.candidates]
    for key, score in zip(keys, total):
        by_meaning[key] = max(by_meaning.get(key, -np.inf), float(score))
    top_key = max(by_meaning, key=lambda k: by_meaning[k])
    members = [i for i, key in enumerate(keys) if key == top_key]
    top = opinions.candidates[max(members, key=lambda i: total[i])]
    holds = [Counter(key) for key in keys]
    judged = []
    for position, statement in enumerate(top.statements):
        key = meaning(statement)
        nth = sum(meaning(s) == key for s in top.statements[:position + 1])
        having = np.array([h[key] >= nth for h in holds])
        share = min(1.0, float(shares[having].sum()))
        margins = tuple(_margin(logs, having, i, w) for i in range(logs.shape[1]))
        in_best = tuple(Counter(map(meaning, a.statements))[key] >= nth for a in opinions.accounts)
        probability = _probability(opinions, w, share, margins, in_best)
        words = top.words[slice(*top.spans[position])] if top.spans else top.words
        judged.append(Judged(statement, share, margins, in_best, probability, _rivals(top, position, opinions.candidates, shares, having),
                             isinstance(uncorrected(statement), Measured | Answer) or not NUMBER_WORDS.isdisjoint(words), teen_or_tens(words),
                             _in_the_same_words(opinions.accounts, key)))
    return top, judged


def _in_the_same_words(accounts: Sequence[Account], key: Statement) -> bool:
    """The same figure in other number words, "one eighteen" and "one hundred eighteen", was misheard by one of them."""
    first, *others = (_wordings(account, key) for account in accounts)
    return any(first & other for other in others)


def _wordings(account: Account, key: Statement) -> set[tuple[str, ...]]:
    words = account.text.split()
    try:
        spans = parse_spans(words) if account.statements else []
    except NotSayable:
        return set()
    return {tuple(word for word in words[slice(*span)] if word in NUMBER_WORDS)
            for statement, (_, span) in zip(account.statements, spans) if meaning(statement) == key}


def _fitted(opinions: Opinions, w: Weights) -> bool:
    return tuple(a.reader for a in opinions.accounts) == w.fitted and all(opinions.rescored)


def _probability(opinions: Opinions, w: Weights, share: float, margins: Sequence[float], in_best: Sequence[bool]) -> float:
    """By the curve where it was fitted for these listeners; else what each of those says of itself that put the statement first."""
    confidences = [a.confidence for a in opinions.accounts]
    if _fitted(opinions, w):
        return _logistic(features(share, margins, in_best, confidences), w.curve)
    return 1 - math.prod(1 - c for c, held in zip(confidences, in_best) if held)


def _margin(logs: np.ndarray, having: np.ndarray, listener: int, w: Weights) -> float:
    """By how much a listener prefers the statement to any rival that the others do not rule out."""
    others = np.delete(logs, listener, axis=1)
    possible = (others >= others.max(axis=0) - w.absurd).all(axis=1) if others.shape[1] else np.ones(len(logs), bool)
    rivals = logs[possible & ~having, listener]
    return float(logs[having, listener].max() - rivals.max()) if len(rivals) else _CLIP


def _rivals(top: Candidate, position: int, candidates: Sequence[Candidate], shares: np.ndarray, having: np.ndarray) -> tuple[tuple[Statement, float], ...]:
    found: dict[Statement, float] = {}
    for i in np.flatnonzero(~having):
        for a, b in aligned(top.statements, candidates[i].statements):
            if a == position and b is not None:
                other = candidates[i].statements[b]
                if meaning(other) != meaning(top.statements[position]):
                    found[other] = found.get(other, 0.0) + float(shares[i])
    return tuple(sorted(found.items(), key=lambda item: -item[1])[:3])


def decide(opinions: Opinions, w: Weights | None = None) -> Decision:
    """Settle a clip. Nothing is agreed on one listener's word, whatever the probability."""
    w = w or _weights_for(opinions)
    top, judged = judge(opinions, w)
    if top is None:
        return Decision((), (), (), (), opinions.accounts)
    both = sum(bool(a.statements) for a in opinions.accounts) > 1
    # a sound that is none of the language is pressed into it by the lesser listener, and the better one hears nothing
    deaf = _fitted(opinions, w) and not opinions.accounts[0].statements
    if deaf or all(item.probability < _UNLIKELY for item in judged):
        return Decision(top.words, top.statements, tuple(judged), (), opinions.accounts)
    placed = [(float(i), _settle(item, opinions, w, both)) for i, item in enumerate(judged)] + _unheard(top, opinions, w)
    settled = [item for _, item in sorted(placed, key=lambda x: x[0])]
    return Decision(top.words, top.statements, tuple(judged), tuple(settled), opinions.accounts)


def worth_another(made: Decision, opinions: Opinions, w: Weights | None = None) -> bool:
    """May one more listener settle what this decision leaves open? Never a teen or a whole ten, nor what the best listener did not understand,
    nor anything in loud noise, where the last one understands next to nothing."""
    w = w or _weights_for(opinions)
    if w.noisy(opinions):
        return False
    likely, clear = _WORTH_ASKING
    return any(item.probability >= likely and min(item.margins) >= (clear if item.figure else -w.slack)
               and (not item.figure or (item.in_best[0] and not item.teens)) and not _supported(item, opinions, w) for item in made.judged)


def joined(first: Decision, second: Decision) -> Decision:
    """What the better listeners settled stands; of what they left open, what all together settle is settled."""
    found = [s for s in second.settled if s.standing is Standing.AGREED]
    for item in first.settled:
        if item.standing is Standing.AGREED:
            _taken_from(found, item)
    settled = tuple((_taken_from(found, item) or item) if item.standing is Standing.UNCONFIRMED else item for item in first.settled)
    return replace(first, settled=settled, accounts=second.accounts)


def _taken_from(found: list[Settled], item: Settled) -> Settled | None:
    same = next((i for i, s in enumerate(found) if item.statement is not None and meaning(s.statement) == meaning(item.statement)), None)
    return None if same is None else found.pop(same)


def _settle(item: Judged, opinions: Opinions, w: Weights, both: bool) -> Settled:
    versions = _versions(item, opinions)
    region = next((r for r in (_region(a, item.statement) for a in opinions.accounts) if r is not None), None)
    if both and _supported(item, opinions, w):
        return Settled(_fullest(item.statement, opinions), Standing.AGREED, item.probability, versions, None, region)
    first: dict[Statement, Version] = {}      # a choice, so each meaning once
    for version in versions:
        first.setdefault(meaning(version.statement), version)
    versions = tuple(first.values())
    return Settled(item.statement, Standing.UNCONFIRMED, item.probability, versions, _question(item, opinions, w, versions), region)


def _supported(item: Judged, opinions: Opinions, w: Weights) -> bool:
    if any(m < -w.slack for m in item.margins):
        return False
    if _fitted(opinions, w):
        return _sure(item, w, w.noisy(opinions))
    return all(item.in_best) and all(a.confidence >= LEAST_CONFIDENCE for a in opinions.accounts)


def _sure(item: Judged, w: Weights, noisy: bool) -> bool:
    """In loud noise a figure is always asked: listeners that share their ears go wrong together there, however clear it is to both.
    Elsewhere it must be what two understood by themselves: one that only prefers it when asked has not heard it. What the last one,
    whose ears are its own, did not understand must be surer."""
    alone = not item.in_best[-1]
    if not item.figure:
        least = w.threshold_words_alone if alone else w.threshold_words
        return item.probability >= (max(least, w.threshold_words_noisy) if noisy else least)
    if noisy or not (item.in_best[0] and item.same_words):
        return False
    if item.teens:
        least, clear = w.threshold_teens, w.clear_teens
    else:
        least, clear = (w.threshold_alone, w.clear_alone) if alone else (w.threshold, w.clear)
    return item.probability >= least and min(item.margins[:2]) >= clear


def _question(item: Judged, opinions: Opinions, w: Weights, versions: Sequence[Version]) -> str:
    if len(versions) > 1 and meaning(versions[0].statement) != meaning(versions[1].statement):
        return f"{describe(versions[0].statement)}, or {describe(versions[1].statement)}?"
    if len(opinions.accounts) < 2:
        return f"{describe(item.statement)}? (only one listener was there)"
    missing = [a.reader for a, held in zip(opinions.accounts, item.in_best) if not held]
    if missing and not any(a.statements for a in opinions.accounts if a.reader in missing):
        return f"{describe(item.statement)}? ({missing[0]} did not hear it)"
    return f"{describe(item.statement)}? ({'loud noise' if w.noisy(opinions) else 'heard faintly'})"


def _versions(item: Judged, opinions: Opinions) -> tuple[Version, ...]:
    """What each listener made of it, the likeliest first, then a rival that neither put first but both find near."""
    own = []
    for account, held in zip(opinions.accounts, item.in_best):
        statement = next((s for s in account.statements if meaning(s) == meaning(item.statement)), None) if held else _counterpart(item, account)
        if statement is not None:
            own.append(Version(account.reader, account.text, statement, account.confidence))
    if not any(meaning(v.statement) == meaning(item.statement) for v in own):
        own.insert(0, Version(_NEITHER, describe(item.statement), item.statement, item.probability))
    share = {meaning(item.statement): item.share, **{meaning(s): p for s, p in item.rivals}}
    own.sort(key=lambda v: -share.get(meaning(v.statement), 0.0))
    if len({meaning(v.statement) for v in own}) == 1 and item.rivals and item.rivals[0][1] >= _NEAR:
        own.append(Version(_NEITHER, describe(item.rivals[0][0]), item.rivals[0][0], item.rivals[0][1]))
    return tuple(own)


def _counterpart(item: Judged, account: Account) -> Statement | None:
    for a, b in aligned((item.statement,), account.statements):
        if a is not None and b is not None and any(meaning(account.statements[b]) == meaning(s) for s, _ in item.rivals):
            return account.statements[b]
    return None


def _unheard(top: Candidate, opinions: Opinions, w: Weights) -> list[tuple[float, Settled]]:
    """What a listener's own best holds beside the best candidate, unless both together all but rule it out: asked about, never taken.
    Each with its place among the statements of the best candidate."""
    left: list[tuple[float, Settled]] = []
    total = totals(opinions, w)
    shares = np.exp(total - np.logaddexp.reduce(total))

    def share_of(statement: Statement) -> float:
        return float(sum(p for c, p in zip(opinions.candidates, shares) if meaning(statement) in map(meaning, c.statements)))

    for account in opinions.accounts:
        place = -0.5
        for a, b in aligned(top.statements, account.statements):
            place = place if a is None else a + 0.5
            if a is None and share_of(account.statements[b]) >= _NEAR and not any(meaning(s.statement) == meaning(account.statements[b]) for _, s in left):
                statement = account.statements[b]
                left.append((place, Settled(statement, Standing.UNCONFIRMED, None, (Version(account.reader, account.text, statement, account.confidence),),
                                            f"{describe(statement)}? (only {account.reader} heard it)", _region(account, statement))))
    return left


def _region(account: Account, statement: Statement) -> tuple[float, ...] | None:
    for own, region in zip(account.statements, account.regions):
        if meaning(own) == meaning(statement):
            return region
    return None


def _fullest(statement: Statement, opinions: Opinions) -> Statement:
    """The same statement with its unit said, where either listener heard the unit."""
    return next((s for a in opinions.accounts for s in a.statements if s == meaning(statement)), statement)


def _limited(value: float, most: float) -> float:
    return float(np.clip(value, -most, most))


def _odds(p: float) -> float:
    return float(np.clip(math.log((p + 1e-6) / (1 - p + 1e-6)), -_CLIP, _CLIP))


def _logistic(found: Sequence[float], curve: Sequence[float]) -> float:
    return 1 / (1 + math.exp(-sum(a * b for a, b in zip(found, curve, strict=True))))
