"""What independent readers made of one capture, and which of their statements are about the same thing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Correction, Measured, Statement, subject, uncorrected
from hoodnote.units import UNITS, Quantity, to_si

# Below this a listener is too unsure for its vote to count, where no curve is fitted for the two (`decision`). Chosen on the development voices
# of tests/bench, clean and at 15 and 10 dB (300 utterances): at 0.5 one agreed statement in 169 was wrong, at 0.6 none in 148.
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


def same(a: Statement, b: Statement) -> bool:
    """Equal in all that is said of the subject. A unit that one reader heard and the other filled in is the same unit."""
    return meaning(a) == meaning(b)


def meaning(statement: Statement) -> Statement:
    """The statement without the difference between a unit said and the same unit filled in."""
    if isinstance(statement, Correction):
        return Correction(meaning(statement.statement))
    return replace(statement, unit_stated=True) if isinstance(statement, Measured) else statement


def heard_alike(accounts: Sequence[Account]) -> tuple[Statement, ...]:
    """The statements that the first two readers both have, () when they differ or one heard nothing."""
    heard = [tuple(meaning(s) for s in account.statements) for account in accounts]
    return heard[0] if len(heard) > 1 and heard[0] and heard[0] == heard[1] else ()


def within(a: Measured, a_limit: float | None, b: Measured, b_limit: float | None) -> bool:
    """Do two figures of one place agree within both limits of error? Each limit is in its own figure's unit; None: half of its last digit.

    A vacuum in inHg and a gauge pressure are compared as what they are, below and above the air's; figures that measure different things never agree.
    """
    scale_a, scale_b = _on_one_scale(a), _on_one_scale(b)
    if scale_a[0] is not scale_b[0]:
        return False
    reach = sum(abs(UNITS[m.unit].factor) * (_half_digit(m) if limit is None else max(limit, _half_digit(m))) for m, limit in ((a, a_limit), (b, b_limit)))
    return abs(scale_a[1] - scale_b[1]) <= reach * (1 + 1e-9)


def _on_one_scale(m: Measured) -> tuple[Quantity, float]:
    quantity, value = UNITS[m.unit].quantity, to_si(float(m.value), m.unit)
    return (Quantity.PRESSURE, -value) if m.unit == "inHg" else (quantity, value)


def _half_digit(m: Measured) -> float:
    return 0.5 * 10.0 ** min(0, m.value.as_tuple().exponent)


def _topic(statement: Statement) -> tuple:
    return subject(uncorrected(statement))[:2]


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
