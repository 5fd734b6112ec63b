"""The small network that tells phones in what the speech model's encoder hears: trained on this program's language, run by numpy alone.

Layer normalization, then blocks of a convolution along time within each channel and two layers across the channels; it sees
0.6 s either side of a frame and no more, so that it learns sounds rather than sentences. Weights are kept in 16 bits.
Trained by `tests/bench/train_phones.py` on synthetic development voices only.
"""

from __future__ import annotations

import numpy as np

from hoodnote.capture.weights import not_usable, stored_weights

PHONES = ("AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH").split()
UNITS = {phone: unit for unit, phone in enumerate(PHONES, 1)}      # `ctc.BLANK` is "no new phone"
FRAMES_PER_SECOND = 16_000 / 384
_PACKAGE, _FILE, _SHA256 = "hoodnote.capture.speech", "phones.npz", "edd2de118ff009751f2eb25ff22b3d2587a16f221830d57d3d7e12320ba95f32"
_WIDTH = 288                                                    # of the encoder's frames


class PhoneModel:
    """Raises HoodnoteError when the weights are missing, damaged or of another shape."""

    def __init__(self) -> None:
        self._weights = stored_weights(_PACKAGE, _FILE, _SHA256)
        self._blocks = len({name.split(".")[1] for name in self._weights if name.startswith("blocks.")})
        if self._weights["i.weight"].shape[1] != _WIDTH or self._weights["p.weight"].shape[0] != len(PHONES) + 1:
            raise not_usable(_PACKAGE, _FILE, "it belongs to another speech model")

    def logs(self, sound: np.ndarray) -> np.ndarray:
        """sound (frames, 288) of the encoder -> (frames, 40) natural logs of the blank and of each phone."""
        h = self._linear("i", self._normal("n", sound.astype(np.float32)))
        for i in range(self._blocks):
            name = f"blocks.{i}."
            h = h + self._linear(name + "b", _silu(self._linear(name + "a", self._along_time(name + "c", self._normal(name + "n", h)))))
        logits = self._linear("p", self._normal("o", h))
        top = logits.max(axis=1, keepdims=True)
        return logits - top - np.log(np.exp(logits - top).sum(axis=1, keepdims=True))

    def _normal(self, name: str, x: np.ndarray) -> np.ndarray:
        x = x - x.mean(axis=1, keepdims=True)
        return x / np.sqrt(np.mean(x**2, axis=1, keepdims=True) + 1e-5) * self._weights[name + ".weight"] + self._weights[name + ".bias"]

    def _linear(self, name: str, x: np.ndarray) -> np.ndarray:
        return x @ self._weights[name + ".weight"].T + self._weights[name + ".bias"]

    def _along_time(self, name: str, x: np.ndarray) -> np.ndarray:
        kernel = self._weights[name + ".weight"][:, 0]                      # (channels, taps)
        taps = kernel.shape[1]
        padded = np.pad(x, ((taps // 2, taps // 2), (0, 0)))
        return sum(padded[k:k + len(x)] * kernel[:, k] for k in range(taps)) + self._weights[name + ".bias"]


def _silu(x: np.ndarray) -> np.ndarray:
    return x / (1 + np.exp(-np.clip(x, -60, 60)))
