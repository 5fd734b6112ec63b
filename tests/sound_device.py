"""A microphone for machines without a sound card: ALSA's `file` device plays raw samples into a real PortAudio stream.

Its `null` slave knows no clock and would deliver an hour in seconds, so the stream is held to the clock where it arrives.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.microphone import Device, Microphone, choose, devices, refresh

NAME = "baymic"
_BASE = "/usr/share/alsa/alsa.conf"


@contextmanager
def sound_card(folder: Path, samples: np.ndarray, rate: int = 48_000) -> Iterator[Device]:
    """PortAudio finds one input, called baymic. samples: (frames,) or (frames, channels), full scale 1.

    The `null` device takes any rate, channels and format, so the device given back tells those of the samples. A `plug` before it
    would hold it to them, but loses frames.
    """
    raw, config = folder / "in.raw", folder / "asound.conf"
    samples.astype("<f4").tofile(raw)
    config.write_text(f"""<{_BASE}>
pcm.{NAME} {{
  type file
  slave.pcm "null"
  file "/dev/null"
  infile "{raw}"
  format "raw"
  hint {{ show on description "Microphone of the test bay" }}
}}
pcm.!default {{ type plug slave.pcm "null" }}
""")
    before = os.environ.get("ALSA_CONFIG_PATH")
    os.environ["ALSA_CONFIG_PATH"] = str(config)
    try:
        refresh()
        yield replace(choose(devices(), NAME), rate=rate, channels=1 if samples.ndim == 1 else samples.shape[1])
    finally:
        if before is None:
            del os.environ["ALSA_CONFIG_PATH"]
        else:
            os.environ["ALSA_CONFIG_PATH"] = before
        refresh()


class Paced(Microphone):
    """Blocks come as fast as a real device gives them, times `speed`."""

    speed = 1.0

    def _arrived(self, data, frames, when, status) -> None:
        now = time.monotonic()
        self._due = max(getattr(self, "_due", now), now - 0.05) + frames / self.device.rate / self.speed
        super()._arrived(data, frames, when, status)
        time.sleep(max(0.0, self._due - time.monotonic()))
