"""What a check says: expected, measured, uncertainty, outcome, why, and what it stands on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    WITHIN = "within"
    OUTSIDE = "outside"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class Finding:
    """One check's result. Texts carry units; `basis` holds entry ids; `source` names the standard, or `common practice, no source`."""

    check: str                       # id, e.g. "static_pressure"
    title: str                       # e.g. "Static pressure against ambient"
    stage: str                       # before, during, after, or "" for the whole job
    expected: str
    measured: str
    uncertainty: str
    outcome: Outcome
    why: str                         # one sentence
    basis: tuple[int, ...] = ()
    missing: tuple[str, ...] = ()    # what would let it decide
    source: str = ""
    margin_sd: float | None = None   # standard deviations from the nearest edge of what is expected: inside above 0, outside below


@dataclass(frozen=True)
class Evidence:
    """What one observation says about one cause."""

    text: str                        # "superheat at the evaporator outlet 14 K, more than expected"
    basis: tuple[int, ...]           # entry ids
    weight: float                    # natural log of how much likelier it is under this cause than under the others: for above 0


@dataclass(frozen=True)
class Cause:
    """One candidate explanation. Guidance from the readings given, no verdict on a part."""

    id: str
    name: str                        # "low refrigerant charge"
    probability: float               # of this cause among all that are considered
    supports: tuple[Evidence, ...]
    contradicts: tuple[Evidence, ...]
    missing: tuple[str, ...]         # what has not been observed and would tell most about it
    confirm: str                     # what would confirm it
    source: str


@dataclass(frozen=True)
class NextCheck:
    """A check not made yet, and what it is worth."""

    id: str
    text: str                        # "read the liquid line temperature at the condenser outlet"
    why: str
    gain_bits: float                 # expected drop in uncertainty over the causes
    minutes: float                   # usual effort
    caution: str = ""


@dataclass(frozen=True)
class Ranking:
    causes: tuple[Cause, ...]        # most probable first; probabilities sum to 1
    next_checks: tuple[NextCheck, ...]
    limits: tuple[str, ...]          # under what conditions the ranking holds, and what of them is not known


class Support(StrEnum):
    """How far the record bears a statement about a cause."""

    SUPPORTED = "supported"
    NOT_SUPPORTED = "not supported"
    CONTRADICTED = "contradicted"


@dataclass(frozen=True)
class Claim:
    """A conclusion somebody stated, held against the record: the technician's own or an earlier shop's."""

    entry: int
    by: str                          # key of the fact: "conclusion" or "earlier_diagnosis"
    text: str
    support: Support
    supports: tuple[Evidence, ...]
    contradicts: tuple[Evidence, ...]
    missing: tuple[str, ...]         # what would have to be on record first
    source: str


@dataclass(frozen=True)
class Comparison:
    """One quantity before and after the work."""

    id: str
    title: str
    before: str
    after: str
    change: str                      # with its uncertainty
    comparable: bool                 # were both taken under like conditions?
    outcome: str                     # "proved better", "proved worse", "no change beyond error", "not comparable"
    why: str
    basis: tuple[int, ...]


@dataclass(frozen=True)
class LedgerLine:
    what: str                        # "recovered", "charged: 2 cans of 340 g less 60 g left"
    amount: str                      # "510 g (18.0 oz)"
    limit: str                       # "±15 g"
    basis: tuple[int, ...]


@dataclass(frozen=True)
class Ledger:
    """Amounts that must close: what went in, out, and what the sum says."""

    id: str                          # "refrigerant", "oil", "cylinder ID"
    title: str
    lines: tuple[LedgerLine, ...]
    total: str                       # "in the system 540 g (19.0 oz), 98 % of the label"
    closes: bool | None              # None: cannot tell
    why: str                         # by how much it does not close, or what is missing
    source: str


@dataclass(frozen=True)
class Assessment:
    """Everything the record of a job supports."""

    findings: tuple[Finding, ...]
    ranking: Ranking | None          # None where nothing observed speaks of a cause
    claims: tuple[Claim, ...]
    comparisons: tuple[Comparison, ...]
    ledgers: tuple[Ledger, ...]


@dataclass(frozen=True)
class Warning:
    """A hazard or an impossibility to tell the technician at once: what can happen, what to do now."""

    id: str
    text: str
    basis: tuple[int, ...] = ()
    source: str = ""
