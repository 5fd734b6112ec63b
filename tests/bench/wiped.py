"""What glare and dirt have taken from a photo, by what is drawn and not by what any reader made of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from tests.bench.camera import Severity

_INK = 12           # grey levels between print and its ground from which it counts


def lost(photographed: Callable[[Severity, bool], np.ndarray], severity: Severity) -> float:
    """Share of the print that shows by less than a fifth of what it does in the same photo without a reflection and smudges.
    `photographed`: uint8 RGB, whole, or blank of what is asked about."""
    ink = []
    for how in (severity, replace(severity, glare=0.0, smudges=0)):
        whole, blank = (photographed(how, blank).astype(np.float32) for blank in (False, True))
        ink.append(cv2.blur(np.abs(whole - blank).mean(axis=2), (5, 5)))
    printed = ink[1] > _INK
    return float((printed & (ink[0] < ink[1] / 5)).sum() / max(1, printed.sum()))
