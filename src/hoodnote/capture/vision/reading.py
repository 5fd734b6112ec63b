"""What a photo was found to say, whatever it shows: statements, how sure, where, and what to draw over the photo."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Fact, Measured

Point = tuple[float, float]


class Kind(StrEnum):
    LABEL = "label"
    DIAL = "dial"
    DISPLAY = "display"
    VIN = "VIN"
    NONE = "none"


@dataclass(frozen=True)
class Mark:
    """A line drawn over the photo, through points in the photo's pixels: an outline, a needle, a box round a numeral."""

    points: tuple[Point, ...]
    closed: bool
    role: str                        # "outline", "needle", "used": what its line looks like


@dataclass(frozen=True)
class PhotoField:
    """One figure or fact. `box` is left, top, right, bottom in the photo's pixels, `quad` the same place's four corners as it lies
    there; `crop` is a PNG of it, None where only its `marks` show what was read. A figure whose place the photo cannot tell (a scale, a
    thermometer, a single dial) carries the likeliest place or the one asked for, and is a question unless the place was given. `limit`:
    limit of error in the statement's unit, None where the printed digits are the figure."""

    statement: Measured | Fact
    standing: Standing
    confidence: float
    versions: tuple[Version, ...]
    box: tuple[int, int, int, int]
    quad: tuple[tuple[int, int], ...]
    crop: bytes | None
    question: str | None = None
    limit: float | None = None
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class PhotoReading:
    """`problem` says in one line what to do when the photo is not good enough; then nothing in it stands. `surely`: and yet the photo shows
    this kind and no other."""

    kind: Kind
    fields: tuple[PhotoField, ...]
    warnings: tuple[str, ...]
    readers_used: tuple[str, ...]
    problem: str | None = None
    kind_confidence: float = 1.0
    surely: bool = False
