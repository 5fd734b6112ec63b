"""The small network that reads a whole row of segment figures at once: no cells, no segments, only what the strip looks like.

Convolutions over a strip of fixed height, then along it only, seeing a digit and a half either side and no more, so that it learns
shapes rather than likely figures; run by numpy alone, weights kept in 16 bits. Trained by `tests/bench/train_display.py` on strips
drawn in variations of the development styles only; it was shown printed words too, in which it must read nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from hoodnote.capture.ctc import BLANK, sequence_logs
from hoodnote.capture.vision.light import lightest
from hoodnote.capture.weights import stored_weights

HEIGHT, DIGIT = 44, 28            # px, of a strip and of a digit in it
LETTER = "x"                      # any letter of segments
SIGNS = "0123456789-.:" + LETTER  # a sign's unit is its place here plus one; BLANK is "no new sign"
_FILE, _SHA256 = "display_net.npz", "19115bf53b149205e99a0639820aaa5d6ee8dd2feccd1fe0deaba574ded723a5"


def as_grey(strip: np.ndarray, bright: bool) -> np.ndarray:
    """uint8 RGB -> uint8 grey in which the figures are lighter than their ground."""
    return lightest(strip) if bright else 255 - np.rint(strip @ np.array([0.299, 0.587, 0.114])).astype(np.uint8)


@dataclass(frozen=True)
class Strip:
    """What a strip says ("" for nothing), how probable the network holds it, and about where each sign stands, in the strip's pixels."""

    text: str
    probability: float
    spots: tuple[float, ...]


def read_strip(grey: np.ndarray) -> Strip:
    """Reads a strip (HEIGHT x width, from `as_grey`). Raises HoodnoteError when the weights are missing or damaged."""
    logs = _network().logs(grey)
    best = logs.argmax(axis=1)
    starts = np.flatnonzero(np.diff(best, prepend=-1) != 0)
    ends = np.append(starts[1:], len(best))
    signs = [(int(best[a]), float(a + b)) for a, b in zip(starts, ends, strict=True) if best[a] != BLANK]       # two pixels a frame
    units = [u for u, _ in signs]
    log = sequence_logs(logs, [units])[0] if units else logs[:, BLANK].sum()
    return Strip("".join(SIGNS[u - 1] for u in units), min(1.0, float(np.exp(log))), tuple(x for _, x in signs))


class _Network:
    def __init__(self) -> None:
        self._weights = stored_weights("hoodnote.capture.vision", _FILE, _SHA256)

    def logs(self, grey: np.ndarray) -> np.ndarray:
        """(HEIGHT, width) -> (width // 2, signs + 1) natural logs of the blank and of each sign."""
        plain = grey.astype(np.float32)
        x = ((plain - plain.mean()) / (plain.std() + 4))[..., None]
        for name, down, across in (("c1", 2, 2), ("c2", 2, 1), ("c3", 2, 1)):
            x = _pooled(np.maximum(self._convolved(name, x), 0), down, across)
        x = np.maximum(self._convolved("c4", x, whole_height=True)[0], 0)
        for i in range(sum(name.startswith("d") and name.endswith("weight") for name in self._weights)):
            x = np.maximum(x + self._along(f"d{i}", x) @ self._weights[f"p{i}.weight"][:, :, 0].T + self._weights[f"p{i}.bias"], 0)
        x = x @ self._weights["o.weight"][:, :, 0].T + self._weights["o.bias"]
        top = x.max(axis=1, keepdims=True)
        return x - top - np.log(np.exp(x - top).sum(axis=1, keepdims=True))

    def _convolved(self, name: str, x: np.ndarray, whole_height: bool = False) -> np.ndarray:
        """x is height x width x channels; the borders are zero, but no border above and below where the kernel is as high as the picture."""
        kernel = self._weights[name + ".weight"]                       # out, in, rows, columns
        rows, columns = kernel.shape[2:]
        border = 0 if whole_height else rows // 2
        padded = np.pad(x, ((border, border), (columns // 2, columns // 2), (0, 0)))
        h, w = padded.shape[0] - rows + 1, x.shape[1]
        patches = np.concatenate([padded[i:i + h, j:j + w] for i in range(rows) for j in range(columns)], axis=2)
        flat = kernel.transpose(2, 3, 1, 0).reshape(-1, kernel.shape[0])
        return (patches.reshape(-1, patches.shape[2]) @ flat).reshape(h, w, -1) + self._weights[name + ".bias"]

    def _along(self, name: str, x: np.ndarray) -> np.ndarray:
        kernel = self._weights[name + ".weight"][:, 0]                 # channels, taps
        taps = kernel.shape[1]
        padded = np.pad(x, ((taps // 2, taps // 2), (0, 0)))
        return sum(padded[k:k + len(x)] * kernel[:, k] for k in range(taps)) + self._weights[name + ".bias"]


def _pooled(x: np.ndarray, down: int, across: int) -> np.ndarray:
    h, w = x.shape[0] // down, x.shape[1] // across
    return x[:h * down, :w * across].reshape(h, down, w, across, -1).max(axis=(1, 3))


@cache
def _network() -> _Network:
    return _Network()
