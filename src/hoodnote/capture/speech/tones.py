"""Short tones that tell without looking: taken, asked, stop."""

from __future__ import annotations

import numpy as np

from hoodnote.errors import HoodnoteError

RATE = 48_000
_LOUDNESS = 0.25
_EDGE_S = 0.008                      # faded in and out, so that it does not click
# (Hz, seconds) one after the other. Rising: taken; two equal: asked; falling and long: stop.
_MELODIES: dict[str, tuple[tuple[float, float], ...]] = {
    "taken": ((880.0, 0.06), (1320.0, 0.08)),
    "asked": ((660.0, 0.09), (0.0, 0.05), (660.0, 0.09)),
    "stop": ((990.0, 0.12), (660.0, 0.12), (440.0, 0.20)),
}


def tone(name: str) -> np.ndarray:
    """float32, mono, at `RATE`. Raises KeyError for a name that is none of taken, asked, stop."""
    return np.concatenate([_note(hz, seconds) for hz, seconds in _MELODIES[name]])


def seconds(name: str) -> float:
    return sum(length for _, length in _MELODIES[name])


def _note(hz: float, length: float) -> np.ndarray:
    t = np.arange(round(length * RATE)) / RATE
    edge = np.clip(np.minimum(t, length - t) / _EDGE_S, 0, 1)
    return (_LOUDNESS * edge * np.sin(2 * np.pi * hz * t)).astype(np.float32)


class Speaker:
    """Plays tones in the background where there is an output; a missing or broken one is no reason to stop listening."""

    def __init__(self) -> None:
        from hoodnote.capture.speech.microphone import sound_library

        self._library = None
        try:
            library = sound_library()
            library.query_devices(kind="output")
            self._library = library
        except (HoodnoteError, ValueError, OSError):
            pass
        except Exception as error:   # PortAudioError is only known once the library is there
            if type(error).__name__ != "PortAudioError":
                raise

    def play(self, name: str) -> float:
        """Begins to play; the seconds it takes, 0 when nothing sounds."""
        if self._library is None:
            return 0.0
        try:
            self._library.play(tone(name), RATE)
        except (self._library.PortAudioError, ValueError):
            self._library = None
            return 0.0
        return seconds(name)

    def close(self) -> None:
        if self._library is not None:
            self._library.stop(ignore_errors=True)
