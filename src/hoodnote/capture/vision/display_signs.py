"""Two networks that find, anywhere in a picture, the signs that displays are made of: one segment digits and points, the other lettered
units and words.

Each knows its signs in one range of heights (LEAST to MOST, WORD px), so a photo is shown to them at several sizes. Run by numpy alone,
weights kept in 16 bits. Trained by `tests/bench/train_signs.py` on scenes of `display_scenes`, drawn in variations of the development
styles only; among them are scenes without a display and words that mean nothing here, in which they must find nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from hoodnote.capture.vision.display_net import SIGNS
from hoodnote.capture.vision.display_words import HELD, HIGH, LOW, UNITS_SHOWN
from hoodnote.capture.weights import stored_weights

CLASSES: tuple[str, ...] = (*SIGNS, *UNITS_SHOWN, LOW, HIGH, HELD)
STEP = 4                      # px of the picture for each place looked at
LEAST, MOST = 17, 54          # px, height of the digits that are found
WORD = (8, 36)                # and of letters
UP = 16.0                     # px, unit of the vector to a sign's top
AROUND = 61                  # px, side of the square over which light and contrast are evened out
APART = {"digits": (1, 2, 4, 2), "words": (1, 2, 4, 8, 2)}      # how far apart the taps of the layers in the middle lie
_FILES = {"digits": ("display_signs.npz", "01680743c57dd98cf7a37252c7c0b5c2689f9ce451984150d70dbbe7e4c53fca"), "words": ("display_words.npz", "6d1aaf380c726ea8b7dfab530c532021a56885be655dd1504a67f31450a5285f")}


@dataclass(frozen=True)
class Sign:
    """`name`: of CLASSES. `at`: its middle, `up`: from there to the top of a digit or letter, both x, y in px. `bright`: is it lighter than its
    ground, of digits only?"""

    name: str
    probability: float
    at: tuple[float, float]
    up: tuple[float, float]
    bright: bool

    @property
    def height(self) -> float:
        return 2 * float(np.hypot(*self.up))


def evened(picture: np.ndarray) -> np.ndarray:
    """uint8 RGB -> float32, each colour about its mean nearby and in shares of its spread there."""
    import cv2

    plain = picture.astype(np.float32)
    mean = cv2.blur(plain, (AROUND, AROUND))
    spread = np.sqrt(np.maximum(cv2.blur(plain * plain, (AROUND, AROUND)) - mean * mean, 0))
    return (plain - mean) / (spread + 6)


def signs_in(picture: np.ndarray, what: str, least: float = 0.3) -> list[Sign]:
    """The signs of an RGB picture, "digits" or "words", each at least so probable, the most probable first."""
    import cv2

    out = _network(what).maps(evened(picture))
    heat = 1 / (1 + np.exp(-out[..., :len(CLASSES)]))
    best = np.ascontiguousarray(heat.max(axis=2))
    peaks = (best >= least) & (best >= cv2.dilate(best, np.ones((3, 3), np.uint8)) - 1e-7)
    found = []
    for y, x in zip(*np.nonzero(peaks), strict=True):
        up_x, up_y, bright = out[y, x, len(CLASSES):]
        dx, dy = (_summit(line) for line in (best[y, max(0, x - 1):x + 2], best[max(0, y - 1):y + 2, x]))
        found.append(Sign(CLASSES[int(heat[y, x].argmax())], float(best[y, x]), ((x + 0.5 + dx) * STEP, (y + 0.5 + dy) * STEP),
                          (float(up_x) * UP, float(up_y) * UP), bool(bright > 0)))
    return sorted(found, key=lambda s: -s.probability)


def _summit(values: Sequence[float]) -> float:
    """Where the parabola through three values is highest, from the middle one; 0 at the picture's edge."""
    if len(values) < 3:
        return 0.0
    a, b, c = (float(v) for v in values)
    bend = a - 2 * b + c
    return float(np.clip((a - c) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0


class _Network:
    def __init__(self, what: str) -> None:
        self._weights, self._apart = stored_weights("hoodnote.capture.vision", *_FILES[what]), APART[what]

    def maps(self, x: np.ndarray) -> np.ndarray:
        """(height, width, 3) -> (height / STEP, width / STEP, classes + 3): logits, vector to the top, and whether it is bright."""
        x = np.maximum(self._convolved("c1", x, step=2), 0)
        x = np.maximum(self._convolved("c2", x, step=2), 0)
        x = np.maximum(self._convolved("c3", x), 0)
        for i, apart in enumerate(self._apart):
            x = np.maximum(x + self._convolved(f"r{i}", x, apart=apart), 0)
        x = np.maximum(self._convolved("h", x), 0)
        return self._convolved("o", x)

    def _convolved(self, name: str, x: np.ndarray, step: int = 1, apart: int = 1) -> np.ndarray:
        """x is height x width x channels, zero beyond its borders; `step` over the picture, `apart` the kernel's taps."""
        kernel = self._weights[name + ".weight"]                       # out, in, rows, columns
        taps = kernel.shape[2]
        edge = taps // 2 * apart
        padded = np.pad(x, ((edge, edge), (edge, edge), (0, 0))) if edge else x
        h, w = -(-x.shape[0] // step), -(-x.shape[1] // step)
        patches = np.concatenate([padded[i * apart:i * apart + (h - 1) * step + 1:step, j * apart:j * apart + (w - 1) * step + 1:step]
                                  for i in range(taps) for j in range(taps)], axis=2)
        flat = kernel.transpose(2, 3, 1, 0).reshape(-1, kernel.shape[0])
        return (patches.reshape(-1, patches.shape[2]) @ flat).reshape(h, w, -1) + self._weights[name + ".bias"]


@cache
def _network(what: str) -> _Network:
    return _Network(what)
