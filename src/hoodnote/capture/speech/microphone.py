"""The microphone through PortAudio: blocks of sound as the device gives them, then 16 kHz mono.

The callback of the sound library only copies a block into a queue; everything slow happens where the queue is emptied.
What is lost on the way is counted, never hidden.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.errors import HoodnoteError

_QUEUE_S = 60.0                     # of sound that may wait while the machine is busy elsewhere
_GONE_S = 2.0                       # without a block the device counts as unplugged
_OTHER_RATES = (48_000, 44_100, 32_000, 22_050, 16_000, 11_025, 8_000)
_CLOSE_S = 2.0                      # a driver whose device was pulled out may never come back from closing it
_FULL_SCALE = 0.9985
_NO_LIBRARY = ("the sound library PortAudio is missing; install it (Debian, Ubuntu: apt install libportaudio2) or use "
               "'hoodnote hear' with recordings")


class MicrophoneLost(HoodnoteError):
    """The device stopped giving sound: pulled out, or taken by the system."""


@dataclass(frozen=True)
class Device:
    index: int
    name: str
    channels: int            # inputs
    rate: int                # Hz, its own
    host: str                # the sound system it belongs to
    is_default: bool


def sound_library() -> Any:
    """The module sounddevice. Raises HoodnoteError where PortAudio is not installed."""
    try:
        import sounddevice
    except (OSError, ImportError):
        raise HoodnoteError(_NO_LIBRARY) from None
    return sounddevice


def refresh() -> None:
    """PortAudio looks for devices only when it starts: start it anew. No stream may be open."""
    library = sound_library()
    try:
        library._terminate()
        library._initialize()
    except library.PortAudioError as error:
        raise HoodnoteError(f"the sound system does not start: {_reason(error)}") from None


def devices() -> list[Device]:
    """Everything that can record. Raises HoodnoteError where PortAudio is missing or fails."""
    library = sound_library()
    try:
        default, hosts = library.default.device[0], library.query_hostapis()
        if default is None or default < 0:
            default = next((h["default_input_device"] for h in hosts if h["default_input_device"] >= 0), -1)
        return [Device(i, str(d["name"]), int(d["max_input_channels"]), int(d["default_samplerate"]),
                       str(hosts[d["hostapi"]]["name"]), i == default)
                for i, d in enumerate(library.query_devices()) if d["max_input_channels"] > 0]
    except library.PortAudioError as error:
        raise HoodnoteError(f"the sound system cannot list its devices: {_reason(error)}") from None


def choose(found: list[Device], wanted: str | None) -> Device:
    """By index or part of the name, else the default, else the only one. Raises HoodnoteError that says what there is."""
    if not found:
        raise HoodnoteError("no microphone was found; plug one in and try again, see: hoodnote devices")
    if wanted is None:
        return next((d for d in found if d.is_default), found[0])
    text = wanted.strip().casefold()
    if text.isdigit():
        matches = [d for d in found if d.index == int(text)]
    else:
        matches = [d for d in found if d.name.casefold() == text] or [d for d in found if text and text in d.name.casefold()]
    if len(matches) == 1:
        return matches[0]
    names = "; ".join(f"{d.index} {d.name}" for d in (matches or found))
    raise HoodnoteError(f"{'several microphones match' if matches else 'no microphone is'} {wanted!r}; there {'are' if len(matches or found) > 1 else 'is'}: {names}")


class Microphone:
    """An open input. `read` empties the queue; `dropped` is what the queue could not hold, `overflows` what the driver reports lost.

    Raises HoodnoteError when the device cannot be opened.
    """

    def __init__(self, device: Device, queue_s: float = _QUEUE_S):
        self.device, self.overflows, self.dropped, self.blocks = device, 0, 0, 0
        self._queue_s = queue_s
        self._library = sound_library()
        self._queue: deque[tuple[int, np.ndarray]] = deque()
        self._waiting = 0            # frames in the queue
        self._expected = 0           # number of the next block
        self._ended = False
        self._last = time.monotonic()
        self._stream = self._open()
        self.rate, self.channels = int(self._stream.samplerate), int(self._stream.channels)
        self._converter = Converter(self.rate, self.channels)
        try:
            self._stream.start()
        except self._library.PortAudioError as error:
            self.close()
            raise HoodnoteError(f"the microphone {device.name} does not start: {_reason(error)}") from None

    def _open(self) -> Any:
        """At the device's own rate, else at the first of the common ones that it takes; in stereo, else mono."""
        problem: Exception | None = None
        for rate in dict.fromkeys((self.device.rate, *_OTHER_RATES)):
            for channels in dict.fromkeys((min(2, self.device.channels), 1)):
                try:
                    return self._library.InputStream(device=self.device.index, samplerate=rate, channels=channels, dtype="float32",
                                                     latency="high", callback=self._arrived, finished_callback=self._over)
                except self._library.PortAudioError as error:
                    problem = problem or error
                except ValueError as error:   # the list of devices has changed
                    problem = error
        raise HoodnoteError(f"the microphone {self.device.name} cannot be opened: {_reason(problem)}; "
                            "close what else uses it, or choose another with --device")

    def _arrived(self, data: np.ndarray, frames: int, _time: Any, status: Any) -> None:
        self._last = time.monotonic()
        if status and status.input_overflow:
            self.overflows += 1
        number, self.blocks = self.blocks, self.blocks + 1
        if self._waiting + frames <= self._queue_s * self.rate_now:
            self._waiting += frames
            self._queue.append((number, data.copy()))

    @property
    def rate_now(self) -> float:
        return getattr(self, "rate", self.device.rate)   # blocks may come before the constructor is through

    def _over(self) -> None:
        self._ended = True

    def read(self) -> Sound:
        """All that has come since the last call. Raises MicrophoneLost when the device gives nothing any more."""
        blocks = []
        while self._queue:
            number, block = self._queue.popleft()
            self._waiting -= len(block)
            self.dropped += number - self._expected
            self._expected = number + 1
            blocks.append(block)
        if not blocks:
            if self._ended or time.monotonic() - self._last > _GONE_S:
                raise MicrophoneLost(f"the microphone {self.device.name} gives no sound any more; is it plugged in?")
            return Sound(np.zeros(0, np.float32), 0.0, 0.0)
        return self._converter(np.concatenate(blocks))

    def close(self) -> None:
        """Never hangs: closing runs aside and is left alone when the driver does not answer."""
        def shut() -> None:
            try:
                self._stream.abort(ignore_errors=True)
                self._stream.close(ignore_errors=True)
            except Exception as error:   # noqa: BLE001 - a driver may answer anything once its device is gone
                print(f"closing the microphone: {error}", file=sys.stderr)

        closing = threading.Thread(target=shut, daemon=True)
        closing.start()
        closing.join(_CLOSE_S)

    def __enter__(self) -> Microphone:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True)
class Sound:
    """samples: float32, mono, 16 kHz; level: root mean square of what came, full scale 1; clipped: share of it at full scale."""

    samples: np.ndarray
    level: float
    clipped: float


class Converter:
    """A stream of blocks of any rate, number of channels and sample format to 16 kHz mono without constant offset; keeps state."""

    def __init__(self, rate: int, channels: int):
        import soxr

        self._rate, self._channels = rate, channels
        self._resampler = None if rate == SAMPLE_RATE else soxr.ResampleStream(rate, SAMPLE_RATE, 1, dtype="float32", quality="HQ")
        self._offset: np.ndarray | None = None
        self._energy = np.zeros(channels + 1)     # of each channel and of their mean, the last seconds

    def __call__(self, block: np.ndarray) -> Sound:
        """block: (frames, channels), float or integer."""
        data = as_float(block).reshape(-1, self._channels)
        if not len(data):
            return Sound(np.zeros(0, np.float32), 0.0, 0.0)
        clipped = float((np.abs(data) >= _FULL_SCALE).mean())
        mono = self._mono(data - self._moving_offset(data))
        level = float(np.sqrt(np.mean(mono**2)))
        if self._resampler is not None:
            mono = self._resampler.resample_chunk(mono)
        return Sound(mono.astype(np.float32, copy=False), level, clipped)

    def _moving_offset(self, data: np.ndarray) -> np.ndarray:
        now = data.mean(axis=0)
        if self._offset is None:
            self._offset = now
        share = min(1.0, len(data) / (2.0 * self._rate))   # follows within two seconds: far below any voice
        self._offset = self._offset + share * (now - self._offset)
        return self._offset.astype(np.float32)

    def _mono(self, data: np.ndarray) -> np.ndarray:
        """Mean of the channels, or the strongest where they cancel (a microphone wired the wrong way round)."""
        if self._channels == 1:
            return data[:, 0]
        mean = data.mean(axis=1)
        share = min(1.0, len(data) / (1.0 * self._rate))
        self._energy += share * (np.append((data**2).mean(axis=0), (mean**2).mean()) - self._energy)
        strongest = int(self._energy[:-1].argmax())
        return data[:, strongest] if self._energy[-1] < 0.1 * self._energy[strongest] else mean


def as_float(block: np.ndarray) -> np.ndarray:
    """Full scale 1, float32, all of it finite. Integers of 8 to 32 bits; 24 bits come left-aligned in 32."""
    if np.issubdtype(block.dtype, np.floating):
        return np.nan_to_num(block.astype(np.float32, copy=False), nan=0.0, posinf=1.0, neginf=-1.0)
    if block.dtype == np.uint8:
        return (block.astype(np.float32) - 128) / 128
    return block.astype(np.float32) * np.float32(2.0 ** (1 - 8 * block.dtype.itemsize))


def _reason(error: Exception | None) -> str:
    return str(error).split("[PaErrorCode")[0].strip().removeprefix("Error opening InputStream: ") or type(error).__name__
