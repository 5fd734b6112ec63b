"""The job note as a tree of ready texts: what is said is decided here, how it looks is left to the formats.

Every usable statement appears as a `Stated`. What nobody confirmed appears only as a `Question` and as a line of `sources`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Whence:
    """Where a statement came from, in words that help to find it again."""

    medium: str                       # "clip", "photo" or "typed"
    name: str | None                  # the file's name as it was taken in
    sha256: str | None
    region: str | None                # "0.8 to 2.4 s" or "pixels 120, 80 to 400, 130"
    readers: tuple[str, ...]
    taken_at: str | None = None       # of a photo, by the camera's clock: "2026-05-06 14:03"


@dataclass(frozen=True)
class Stated:
    """One usable statement. `value` and `unit` are None where it is no figure."""

    entry: int
    subject: str                      # "low side"
    text: str                         # "30 psi (207 kPa)", "power", "R-134a"
    remark: str                       # "unit not said (psi assumed)", "at 10 min", or ""
    value: str | None                 # the digits as given
    unit: str | None                  # id in units.UNITS
    unit_said: bool
    stage: str                        # before, during, after
    engine: str | None                # off, running
    at_minute: str | None
    tolerance: str | None
    standing: str                     # agreed or confirmed
    confidence: float | None
    whence: Whence

    @property
    def full(self) -> str:
        return f"{self.text}, {self.remark}" if self.remark else self.text


@dataclass(frozen=True)
class Field:
    """A line of the header or of the refrigerant balance."""

    label: str
    text: str                         # empty where nothing usable is known
    stated: tuple[Stated, ...] = ()
    questions: tuple[int, ...] = ()   # numbers of the open questions about it


@dataclass(frozen=True)
class Cell:
    stated: tuple[Stated, ...] = ()   # the last one first
    questions: tuple[int, ...] = ()


@dataclass(frozen=True)
class Row:
    group: str                        # "engine off", "engine running", "conditions", ...
    label: str
    cells: tuple[Cell, ...]           # one a column
    findings: tuple[int, ...]         # numbers of the findings that stand on it


@dataclass(frozen=True)
class Table:
    columns: tuple[str, ...]          # stages
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class FindingLine:
    number: int
    check: str
    title: str
    stage: str
    expected: str
    measured: str
    uncertainty: str
    outcome: str                      # within, outside, cannot tell
    why: str
    missing: tuple[str, ...]
    source: str
    basis: tuple[int, ...]
    margin_sd: float | None = None    # standard deviations from the nearest edge of what is expected: inside above 0, outside below
    questions: tuple[int, ...] = ()   # open questions that took its ground away


@dataclass(frozen=True)
class EvidenceLine:
    text: str
    strength: str                     # weak, moderate, strong, very strong
    basis: tuple[int, ...]


@dataclass(frozen=True)
class CauseLine:
    id: str
    name: str
    chance: str                       # "likely, about 70%"
    probability: float
    supports: tuple[EvidenceLine, ...]
    contradicts: tuple[EvidenceLine, ...]
    missing: tuple[str, ...]
    confirm: str
    source: str


@dataclass(frozen=True)
class CheckLine:
    """A check not made yet."""

    id: str
    text: str
    why: str
    gain_bits: float
    minutes: float
    caution: str


@dataclass(frozen=True)
class Reasoning:
    """Candidate causes and what to look at next: guidance from the readings given, never a verdict."""

    causes: tuple[CauseLine, ...]     # most probable first
    next_checks: tuple[CheckLine, ...]
    limits: tuple[str, ...]


@dataclass(frozen=True)
class ClaimLine:
    """A conclusion that somebody stated, held against the record."""

    entry: int
    by: str                           # "technician's conclusion"
    text: str
    support: str                      # supported, not supported, contradicted
    supports: tuple[EvidenceLine, ...]
    contradicts: tuple[EvidenceLine, ...]
    missing: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class ComparisonLine:
    id: str
    title: str
    before: str
    after: str
    change: str
    comparable: bool
    outcome: str
    why: str
    basis: tuple[int, ...]


@dataclass(frozen=True)
class LedgerEntry:
    what: str
    amount: str
    limit: str
    basis: tuple[int, ...]


@dataclass(frozen=True)
class LedgerTable:
    id: str
    title: str
    lines: tuple[LedgerEntry, ...]
    total: str
    closes: bool | None               # None: cannot tell
    why: str
    source: str


@dataclass(frozen=True)
class WorkLine:
    stage: str
    text: str
    stated: Stated


@dataclass(frozen=True)
class VacuumLine:
    phase: str                        # "pump" or "hold test"
    text: str
    stated: Stated


@dataclass(frozen=True)
class Heard:
    """One reader's account of what is in question."""

    reader: str
    words: str
    meaning: str
    confidence: float | None


@dataclass(frozen=True)
class Question:
    number: int
    entry: int
    about: str                        # without a figure: "high side, engine running, after the work"
    why: str                          # "accounts differ", ...; without a figure
    text: str
    versions: tuple[Heard, ...]
    whence: Whence
    crop: str | None = None           # data URI
    warnings: tuple[str, ...] = ()    # warnings given on what is in question


@dataclass(frozen=True)
class FreeLine:
    """A free note: a transcript that nobody checked."""

    entry: int
    text: str                         # empty where nothing could be transcribed
    whence: Whence
    recorded_at: str


@dataclass(frozen=True)
class Caution:
    text: str
    when: str                         # "" for a standing caution
    source: str = ""
    answered: str = ""                # how a warning was answered


@dataclass(frozen=True)
class Source:
    """Where one entry of the record came from; superseded ones included."""

    entry: int
    what: str
    standing: str                     # agreed, confirmed, unconfirmed, superseded, taken back
    became: str                       # "replaced by entry 12", "question 2", or ""
    confidence: float | None
    heard: tuple[Heard, ...]
    whence: Whence
    recorded_at: str
    crop: str | None = None           # data URI
    warnings: tuple[str, ...] = ()    # warnings given on a figure that no longer stands
    by: str = ""                      # who confirmed, corrected or dropped it in the pages, and when


@dataclass(frozen=True)
class Photo:
    name: str
    sha256: str
    image: str | None                 # data URI of a small picture; None when the file is not at hand


@dataclass(frozen=True)
class Plot:
    kind: str                         # saturation, pressure-enthalpy, hold-test
    svg: str
    title: str
    description: str                  # what a person who cannot see it needs
    caption: str


@dataclass(frozen=True)
class Note:
    work_order: str
    opened_at: str                    # ISO 8601
    date: str                         # as printed
    units: str                        # us or metric
    header: tuple[Field, ...]
    summary: tuple[Field, ...]        # the five lines
    claims: tuple[ClaimLine, ...]
    findings: tuple[FindingLine, ...]
    work: tuple[WorkLine, ...]
    readings: Table
    balance: tuple[Field, ...]        # amounts that no ledger holds
    ledgers: tuple[LedgerTable, ...]
    circuit: Table
    vacuum: tuple[VacuumLine, ...]
    remarks: tuple[Stated, ...]       # confirmed statements that no other section holds
    free_notes: tuple[FreeLine, ...]
    questions: tuple[Question, ...]
    cautions: tuple[Caution, ...]
    reasoning: Reasoning | None       # None where nothing observed speaks of a cause
    comparisons: tuple[ComparisonLine, ...]
    plots: tuple[Plot, ...]
    photos: tuple[Photo, ...]
    sources: tuple[Source, ...]
