"""A browser's chunks of sound put in their order, as a session takes a microphone. What a chunk is stands at the head of `ear`."""

from __future__ import annotations

import struct
import threading
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from hoodnote.capture.speech.microphone import Converter, Device, Sound
from hoodnote.capture.speech.recognizer import SAMPLE_RATE

CHUNK = 2048                        # samples, 128 ms
WINDOW = 128                        # chunks that may be under way
_HEADER = struct.Struct("<III")
_OWN_SOUND, _WARNED = 1, 1           # of the flags: the first bit; the others, shifted by so many
_EARLY = 256                        # chunks that may wait for one before them
_AT_ONCE = 8                        # chunks that are judged in one step
_QUIET = 2                          # chunks that are judged together while nobody speaks: of a short word the end comes after that


class SocketSource:
    """The chunks of one stream in their order, as `intake.live.Session` takes a microphone. `begin`: sample of the stream to start at;
    `nudge` tells that something is there to be read, `speaking` whether somebody is in the middle of an utterance."""

    def __init__(self, begin: int, nudge: Callable[[], None], own_sound: Callable[[float], None], speaking: Callable[[], bool] = lambda: True):
        self.device = Device(0, "the browser's microphone", 1, SAMPLE_RATE, "browser", True)
        self.overflows = self.dropped = 0
        self.begin, self.wanted, self.read_to = begin, begin // CHUNK, begin // CHUNK      # wanted: chunk; read_to: chunk
        self.count: int | None = None                     # chunks of the whole stream, once that is known
        self._nudge, self._own_sound, self._speaking = nudge, own_sound, speaking
        self._lock = threading.Lock()
        self._early: dict[int, tuple[int, np.ndarray]] = {}
        self._queue: deque[tuple[int, np.ndarray]] = deque()
        self._moments: deque[tuple[int, datetime, int]] = deque(maxlen=8 * WINDOW)
        self._convert = Converter(SAMPLE_RATE, 1)

    def push(self, data: bytes) -> None:
        """ValueError for what is no chunk."""
        if len(data) != _HEADER.size + 2 * CHUNK:
            raise ValueError(f"a chunk has {_HEADER.size + 2 * CHUNK} bytes, this one {len(data)}")
        number, flags, age_ms = _HEADER.unpack_from(data)
        samples = np.frombuffer(data, "<i2", CHUNK, _HEADER.size)
        with self._lock:
            if number < self.wanted or number >= self.wanted + _EARLY:
                return
            self._early[number] = (flags, samples)
            self._moments.append((number, datetime.now(UTC) - timedelta(milliseconds=age_ms), flags >> _WARNED))
            while self.wanted in self._early:
                flags, samples = self._early.pop(self.wanted)
                skip = max(0, self.begin - self.wanted * CHUNK)
                self._queue.append((flags, samples[skip:]))
                self.wanted += 1
            here = len(self._queue)
        if here >= _QUIET or self._speaking():
            self._nudge()

    @property
    def waiting(self) -> bool:
        return bool(self._queue)

    @property
    def full(self) -> bool:
        """More is here than a browser that keeps to its window sends before it is asked for."""
        return len(self._queue) > 2 * WINDOW

    @property
    def over(self) -> bool:
        return self.count is not None and self.read_to >= self.count

    def said_at(self, sample: int) -> datetime | None:
        """When the browser recorded this sample of the stream, by the server's clock; None when that is no longer known."""
        with self._lock:
            return next((moment for n, moment, _ in self._moments if n == sample // CHUNK), None)

    def warned(self, sample: int) -> int:
        """The last warning that the page showed when it recorded this sample; 0 for none, and when that is no longer known."""
        with self._lock:
            return next((warned for n, _, warned in self._moments if n == sample // CHUNK), 0)

    def read(self) -> Sound:
        with self._lock:
            pieces, own = [], bool(self._queue and self._queue[0][0] & _OWN_SOUND)
            while self._queue and len(pieces) < _AT_ONCE and bool(self._queue[0][0] & _OWN_SOUND) == own:
                pieces.append(self._queue.popleft()[1])
            self.read_to += len(pieces)
        if not pieces:
            return Sound(np.zeros(0, np.float32), 0.0, 0.0)
        if own:
            self._own_sound(sum(map(len, pieces)) / SAMPLE_RATE)
        sounds = [self._convert(piece) for piece in pieces]       # one by one: the clip must not depend on how the network bundled them
        return Sound(np.concatenate([s.samples for s in sounds]), max(s.level for s in sounds), max(s.clipped for s in sounds))

    def close(self) -> None:
        """Nothing to close: the browser keeps its microphone."""
