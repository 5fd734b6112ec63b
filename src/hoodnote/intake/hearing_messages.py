"""What is told to the hearing process and what it tells."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from hoodnote.capture.speech.recognizer import Recognizer
    from hoodnote.checks.model import Finding
    from hoodnote.intake.listening import Gathered
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Capture, Job
    from hoodnote.readings.decision import Decision

    Heard = tuple[Decision, Gathered]


@dataclass(frozen=True)
class Setup:
    """What the hearing process needs to know. `engines` must be importable from another process."""

    data_dir: Path
    engines: Callable[[], Sequence[Recognizer]]
    lexicon: Path | None = None


@dataclass(frozen=True)
class Clip:
    """A kept clip to be heard and recorded; answered by `Result`, then by `Checked` where anything was taken. `heard`: what was heard of it ahead."""

    job: Job
    capture: Capture
    heard: Heard | None = None


@dataclass(frozen=True)
class Wake:
    """Said while paused: float32, 16 kHz. Answered by `Woken`, recorded nowhere."""

    samples: np.ndarray
    units: str


@dataclass(frozen=True)
class SoFar:
    """More of the utterance that is being spoken: float32, 16 kHz. `begins`: its first part; `bay` tells several speakers apart."""

    samples: np.ndarray
    begins: bool
    bay: int = 0


@dataclass(frozen=True)
class Ahead:
    """A whole clip, as it will be kept should it turn out to be one. Answered by `HeardAhead`, recorded nowhere."""

    clip: bytes
    units: str


@dataclass(frozen=True)
class Ready:
    engines: tuple[str, ...]
    streams: bool = False                # can tell what is heard while somebody still speaks


@dataclass(frozen=True)
class Partly:
    """What is heard of it so far; only ever shown."""

    text: str
    bay: int = 0


@dataclass(frozen=True)
class HeardAhead:
    """What was heard of that clip; None where it could not be, or another task came before it was begun. Told to nobody: it may be no clip."""

    sha256: str
    heard: Heard | None


@dataclass(frozen=True)
class Result:
    """What became of a clip; `problem` when nothing did."""

    capture_id: int
    taken: Taken | None
    problem: str | None = None


@dataclass(frozen=True)
class Woken:
    """Answer to `wake`: was it "start listening"?"""

    yes: bool


@dataclass(frozen=True)
class Checked:
    """The checks that the entries of a clip take part in."""

    capture_id: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Broken:
    """The listeners cannot be used at all."""

    problem: str


Task = Clip | Wake | SoFar | Ahead
Message = Broken | Ready | Result | Woken | Checked | Partly | HeardAhead
