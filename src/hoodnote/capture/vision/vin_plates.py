"""A third reader, for rows of VIN characters alone: printed, embossed or stamped in dots. A small network of our own, run by numpy.

Convolutions over a strip of 32 rows, then along it, and for each step of two columns the likelihood of each character and of none.
Trained by `tests/bench/train_plates.py` on drawn rows in typefaces that no held-out style of the bench is set in. Weights are kept in 16 bits.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from hoodnote.capture.ctc import BLANK
from hoodnote.capture.vision.readers import TextLine, cut_out
from hoodnote.capture.weights import stored_weights
from hoodnote.readings.vin import LENGTH

ALPHABET = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789#"      # "#" is any sign that no VIN holds
PLATES = "plate reader"
_FILE, _SHA256 = "plates.npz", "e1024ef4517c64e1c822e3ee39bee832de0e2bb7ba84694908274d50ece5a04a"
_HEIGHT, _WIDEST = 32, 640      # px of the strip as the network sees it
_STRIDES = ((2, 2), (2, 1), (1, 1), (2, 1), (1, 1), (1, 1))
_ADDED = (2, 4)                 # layers whose outcome is added to what went in
_RIVET = 0.8


class PlateReader:
    """A `Reader` of upright rows. Raises HoodnoteError when its weights are missing or damaged."""

    name = PLATES

    def read(self, pixels: np.ndarray, quads: Sequence[np.ndarray]) -> list[TextLine]:
        read = ((self.read_strip(cut_out(pixels, quad)), quad) for quad in quads)
        return [TextLine(text, confidence, quad) for (text, confidence), quad in read if text]

    def read_strip(self, strip: np.ndarray) -> tuple[str, float]:
        """The characters of an RGB uint8 strip, "#" for other signs, and how sure the least sure of the characters is."""
        likely = _likelihoods(_prepared(strip))
        best = likely.argmax(axis=1)
        text, sure = [], []
        for step, unit in enumerate(best):
            new = step == 0 or unit != best[step - 1]
            if unit == BLANK:
                continue
            if new:
                text.append(ALPHABET[unit - 1])
                sure.append(0.0)
            sure[-1] = max(sure[-1], float(likely[step, unit]))
        told = [(c, s) for c, s in zip("".join(text).strip("#"), sure[text[:1] == ["#"]:], strict=False)]
        while len(told) > LENGTH and min(told[0][1], told[-1][1]) < _RIVET:       # a rivet beside the row is read as a doubtful character
            told.pop(0 if told[0][1] < told[-1][1] else -1)
        return "".join(c for c, _ in told), min((s for c, s in told if c != "#"), default=0.0)


def _prepared(strip: np.ndarray) -> np.ndarray:
    """1 x 32 x width float32, of mean 0 and spread 1."""
    import cv2

    grey = cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)
    width = int(np.clip(round(grey.shape[1] * _HEIGHT / grey.shape[0]), 32, _WIDEST))
    grey = cv2.resize(grey, (width, _HEIGHT), interpolation=cv2.INTER_AREA if grey.shape[0] > _HEIGHT else cv2.INTER_CUBIC).astype(np.float32)
    return ((grey - grey.mean()) / (grey.std() + 3))[None]


def _likelihoods(x: np.ndarray) -> np.ndarray:
    """(1, 32, width) -> (width / 2, characters and one), the first of them that there is no new character."""
    weights = _weights()
    for i, stride in enumerate(_STRIDES):
        y = np.maximum(_convolved(x, weights[f"p.{i}.weight"], weights[f"p.{i}.bias"], stride, 0 if i == len(_STRIDES) - 1 else None), 0)
        x = x + y if i in _ADDED else y
    row = x[:, 0].T                                                                      # steps x channels
    for i in range(sum(name.endswith(".c.weight") for name in weights)):
        c, a, b = ((weights[f"rows.{i}.{part}.weight"], weights[f"rows.{i}.{part}.bias"]) for part in "cab")
        reach = c[0].shape[2] // 2
        seen = np.lib.stride_tricks.sliding_window_view(np.pad(row, ((reach, reach), (0, 0))), 2 * reach + 1, axis=0)
        along = np.einsum("tck,ck->tc", seen, c[0][:, 0]) + c[1]
        row = row + np.maximum(along @ a[0][..., 0].T + a[1], 0) @ b[0][..., 0].T + b[1]
    logits = row @ weights["o.weight"][..., 0].T + weights["o.bias"]
    likely = np.exp(logits - logits.max(axis=1, keepdims=True))
    return likely / likely.sum(axis=1, keepdims=True)


def _convolved(x: np.ndarray, kernel: np.ndarray, bias: np.ndarray, stride: tuple[int, int], padding: int | None) -> np.ndarray:
    """Channels x height x width, zeros around by half the kernel unless `padding` says how many."""
    down, along = kernel.shape[2:]
    margins = (padding, padding) if padding is not None else (down // 2, along // 2)
    x = np.pad(x, ((0, 0), *((m, m) for m in margins)))
    seen = np.lib.stride_tricks.sliding_window_view(x, (down, along), axis=(1, 2))[:, ::stride[0], ::stride[1]]
    height, width = seen.shape[1:3]
    columns = seen.transpose(0, 3, 4, 1, 2).reshape(-1, height * width)
    return (kernel.reshape(len(kernel), -1) @ columns + bias[:, None]).reshape(-1, height, width)


@cache
def _weights() -> dict[str, np.ndarray]:
    return stored_weights("hoodnote.capture.vision", _FILE, _SHA256)
