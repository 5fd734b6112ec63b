"""Photos for the tests of the phone's page, and readers that say at once what a test gives them."""

from __future__ import annotations

import io
import os
import time
from decimal import Decimal
from pathlib import Path

from PIL import Image

from hoodnote.capture.vision.reading import Kind, PhotoField, PhotoReading
from hoodnote.intake.see import Seen
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Measured

CRASHES = "ends the reader"      # as the comment of a PNG: see `read_or_crash`


def picture(seed: int = 0, form: str = "JPEG", size: tuple[int, int] = (160, 120), **options: object) -> bytes:
    """A plain photo, another one for every seed."""
    out = io.BytesIO()
    Image.new("RGB", size, (seed % 256, seed // 256 % 256, 90)).save(out, form, **options)
    return out.getvalue()


def seen(value: str = "30", problem: str | None = None, standing: Standing = Standing.AGREED) -> Seen:
    """What a reader gives of a dial: the low side at `value` psi, or the problem it had."""
    statement = Measured("low_side", Decimal(value), "psi")
    field = PhotoField(statement, standing, 0.95, (Version("by edges", "as read", statement, 0.9),), (1, 1, 50, 50),
                       ((1, 1), (50, 1), (50, 50), (1, 50)), b"", None if standing is Standing.AGREED else "which is it?", 1.0)
    fields = () if problem else (field,)
    return Seen(PhotoReading(Kind.DIAL, fields, (), ("by edges",), problem), tuple(picture(7, "PNG") for _ in fields),
                picture(9) if fields else None, None)


def read_or_crash(path: Path, kind: Kind | None, place: str | None, units: str) -> Seen:
    """Runs in the process of the readers; one sort of photo ends that process as a lack of memory would."""
    if CRASHES.encode() in path.read_bytes():
        time.sleep(0.3)          # while another photo is being read beside it
        os._exit(9)
    time.sleep(0.5)
    return seen()


def read_nothing(path: Path, kind: Kind | None, place: str | None, units: str) -> Seen:
    """For a process of the readers: after a moment there is nothing to be read."""
    time.sleep(0.3)
    return seen(problem="there is nothing to be read")
