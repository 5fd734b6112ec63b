"""Networks that find, anywhere in a picture, the signs that readings are made of: one segment digits and points of displays, one their
lettered units and words, one the digits, points and units of gauge faces.

Each knows its signs in one range of heights (LEAST to MOST, WORD, PRINTED px), so a photo is shown to them at the sizes that suit. Trained by
`tests/bench/train_signs.py` on scenes of `display_scenes` and `dial_scenes`, drawn in variations of the development styles only; among them
are scenes without a display and words that mean nothing here, in which they must find nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from hoodnote.capture.vision.display_net import SIGNS
from hoodnote.capture.vision.display_words import HELD, HIGH, LOW, UNITS_SHOWN
from hoodnote.capture.vision.threads import loaded_once, threads
from hoodnote.capture.weights import stored_network

if TYPE_CHECKING:
    import onnxruntime

SIGNS_READER = "sign network"
MARKS = ".:"
CLASSES: tuple[str, ...] = (*SIGNS, *UNITS_SHOWN, LOW, HIGH, HELD)
DIAL_CLASSES: tuple[str, ...] = (*"0123456789", ".", "psi", "bar", "kPa", "MPa", "kg/cm2", "inHg", "°")
CLASSES_OF = {"digits": CLASSES, "words": CLASSES, "dials": DIAL_CLASSES}
STEP = 4                      # px of the picture for each place looked at
LEAST, MOST = 17, 54          # px, height of the digits that are found
WORD = (8, 36)                # and of letters
PRINTED = (11, 48)            # and of digits on gauge faces
UP = 16.0                     # px, unit of the vector to a sign's top
AROUND = 61                  # px, side of the square over which light and contrast are evened out
APART = {"digits": (1, 2, 4, 2), "words": (1, 2, 4, 8, 2), "dials": (1, 2, 4, 8, 2)}      # how far apart the taps of the layers in the middle lie
_FILES = {"dials": ("dial_signs.onnx", "95cc2ed8f0e5066e1562b5fdc751a4dba47ede36fe3a204fefb4272b39e2c234"),
          "digits": ("display_signs.onnx", "a9ff9eed69d43d0d2dd187efefc8ac12ae0cc767b7f0e047fa080a6ef1212db2"), "words": ("display_words.onnx", "a42269cb263497a0e0e0e49d981b78601ed5d24a5e1b4d26a9b9e89ac3f92001")}


@dataclass(frozen=True)
class Sign:
    """`name`: of its network's CLASSES_OF. `at`: its middle, `up`: from there to the top of a digit or letter, both x, y in px. `bright`: is it lighter than its
    ground, of digits only?"""

    name: str
    probability: float
    at: tuple[float, float]
    up: tuple[float, float]
    bright: bool

    @cached_property
    def height(self) -> float:
        return 2 * math.hypot(*self.up)


def evened(picture: np.ndarray) -> np.ndarray:
    """uint8 RGB -> float32, each colour about its mean nearby and in shares of its spread there."""
    import cv2

    plain = picture.astype(np.float32)
    mean = cv2.blur(plain, (AROUND, AROUND))
    spread = np.sqrt(np.maximum(cv2.blur(plain * plain, (AROUND, AROUND)) - mean * mean, 0))
    return (plain - mean) / (spread + 6)


def signs_in(picture: np.ndarray, what: str, least: float = 0.3) -> list[Sign]:
    """The signs of an RGB picture, "digits", "words" or "dials", each at least so probable, the most probable first."""
    import cv2

    classes = CLASSES_OF[what]
    out = _network(what).run(None, {"picture": evened(picture)[None]})[0][0]
    logits = out[..., :len(classes)]
    best = 1 / (1 + np.exp(-logits.max(axis=2)))
    peaks = (best >= least) & (best >= cv2.dilate(best, np.ones((3, 3), np.uint8)) - 1e-7)
    found = []
    for y, x in zip(*np.nonzero(peaks), strict=True):
        up_x, up_y, bright = out[y, x, len(classes):]
        dx, dy = (_summit(line) for line in (best[y, max(0, x - 1):x + 2], best[max(0, y - 1):y + 2, x]))
        found.append(Sign(classes[int(logits[y, x].argmax())], float(best[y, x]), ((x + 0.5 + dx) * STEP, (y + 0.5 + dy) * STEP),
                          (float(up_x) * UP, float(up_y) * UP), bool(bright > 0)))
    return sorted(found, key=lambda s: -s.probability)


def scaled(sign: Sign, grown: float) -> Sign:
    """The sign as it stands in a picture so many times as large."""
    return replace(sign, at=(sign.at[0] * grown, sign.at[1] * grown), up=(sign.up[0] * grown, sign.up[1] * grown))


def once(signs: Sequence[Sign]) -> list[Sign]:
    """What was seen at several sizes, once: as it was seen most surely, and those first. Points stand close to digits and are compared among themselves."""
    kept: list[Sign] = []
    for sign in sorted(signs, key=lambda s: -s.probability):
        if not any((k.name in MARKS) == (sign.name in MARKS) and math.dist(k.at, sign.at) < 0.28 * max(k.height, sign.height)
                   for k in kept):
            kept.append(sign)
    return kept


def _summit(values: Sequence[float]) -> float:
    """Where the parabola through three values is highest, from the middle one; 0 at the picture's edge."""
    if len(values) < 3:
        return 0.0
    a, b, c = (float(v) for v in values)
    bend = a - 2 * b + c
    return float(np.clip((a - c) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0


@loaded_once
def _network(what: str) -> onnxruntime.InferenceSession:
    """(1, height, width, 3) -> (1, height / STEP, width / STEP, classes + 3): logits, vector to the top, and whether it is bright."""
    return stored_network("hoodnote.capture.vision", *_FILES[what], threads())
