"""Two independent readers of one capture: where they give the same structured statement it is agreed, everything else is a question."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hoodnote.readings.model import Standing, Version
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Correction, Measured, Statement, subject

# Below this either listener is too unsure for its vote to count. Chosen on the development voices of tests/bench, clean and at
# 15 and 10 dB (300 utterances): at 0.5 one agreed statement in 169 was wrong, at 0.6 none in 148; "fourteen" against "forty" is what goes wrong.
LEAST_CONFIDENCE = 0.6


@dataclass(frozen=True)
class Account:
    """What one reader made of a capture: statements in order, with the reader's confidence in the whole (0 to 1)."""

    reader: str
    text: str
    statements: tuple[Statement, ...]
    confidence: float
    regions: tuple[tuple[float, ...] | None, ...] = ()     # one per statement, when the reader knows


@dataclass(frozen=True)
class Settled:
    statement: Statement | None
    standing: Standing
    confidence: float | None
    versions: tuple[Version, ...]
    question: str | None
    region: tuple[float, ...] | None = None


def agree(first: Account, second: Account | None) -> list[Settled]:
    """Settle two accounts of one capture, in the order of the first (the better) reader.

    Statements are matched in order, equal ones first, then those of one subject. Returns one `Settled` a statement;
    an empty list when neither reader understood anything.
    """
    if second is None:
        return [_alone(first, i, "only one listener was there") for i in range(len(first.statements))]
    out = []
    for i, j in aligned(first.statements, second.statements):
        if i is None:
            out.append(_alone(second, j, f"{first.reader} did not hear it"))
        elif j is None:
            out.append(_alone(first, i, f"{second.reader} did not hear it"))
        else:
            out.append(_settle_pair(first, i, second, j))
    return out


def _version(account: Account, index: int) -> Version:
    return Version(account.reader, account.text, account.statements[index], account.confidence)


def _region(account: Account, index: int) -> tuple[float, ...] | None:
    return account.regions[index] if index < len(account.regions) else None


def _alone(account: Account, index: int, why: str) -> Settled:
    statement = account.statements[index]
    return Settled(statement, Standing.UNCONFIRMED, account.confidence, (_version(account, index),),
                   f"{describe(statement)}? ({why})", _region(account, index))


def _settle_pair(first: Account, i: int, second: Account, j: int) -> Settled:
    a, b = first.statements[i], second.statements[j]
    versions = (_version(first, i), _version(second, j))
    region = _region(first, i) or _region(second, j)
    if not same(a, b):
        return Settled(a, Standing.UNCONFIRMED, min(first.confidence, second.confidence), versions,
                       f"{describe(a)}, or {describe(b)}?", region)
    if min(first.confidence, second.confidence) < LEAST_CONFIDENCE:
        return Settled(a, Standing.UNCONFIRMED, min(first.confidence, second.confidence), versions,
                       f"{describe(a)}? (heard faintly)", region)
    stated = a if _unit_stated(a) else b
    return Settled(stated, Standing.AGREED, 1 - (1 - first.confidence) * (1 - second.confidence), versions, None, region)


def same(a: Statement, b: Statement) -> bool:
    """Equal in all that is said of the subject. A unit that one reader heard and the other filled in is the same unit."""
    return meaning(a) == meaning(b)


def meaning(statement: Statement) -> Statement:
    """The statement without the difference between a unit said and the same unit filled in."""
    if isinstance(statement, Correction):
        return Correction(meaning(statement.statement))
    return replace(statement, unit_stated=True) if isinstance(statement, Measured) else statement


def _unit_stated(statement: Statement) -> bool:
    return meaning(statement) == statement


def _topic(statement: Statement) -> tuple:
    inner = statement.statement if isinstance(statement, Correction) else statement
    return subject(inner)[:2]


def aligned(a: tuple[Statement, ...], b: tuple[Statement, ...]) -> list[tuple[int | None, int | None]]:
    """Cheapest order-preserving alignment: equal 0, same subject 1, other pair 2, one side alone 1.5."""
    cost = [[0.0] * (len(b) + 1) for _ in range(len(a) + 1)]
    move = [[""] * (len(b) + 1) for _ in range(len(a) + 1)]
    for i in range(len(a) + 1):
        for j in range(len(b) + 1):
            options = []
            if i and j:
                pair = 0.0 if same(a[i - 1], b[j - 1]) else 1.0 if _topic(a[i - 1]) == _topic(b[j - 1]) else 2.0
                options.append((cost[i - 1][j - 1] + pair, "pair"))
            if i:
                options.append((cost[i - 1][j] + 1.5, "first"))
            if j:
                options.append((cost[i][j - 1] + 1.5, "second"))
            if options:
                cost[i][j], move[i][j] = min(options, key=lambda o: o[0])
    out: list[tuple[int | None, int | None]] = []
    i, j = len(a), len(b)
    while i or j:
        step = move[i][j]
        out.append((i - 1 if step != "second" else None, j - 1 if step != "first" else None))
        i -= step != "second"
        j -= step != "first"
    return out[::-1]
