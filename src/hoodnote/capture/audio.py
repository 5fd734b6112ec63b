"""Loads one recorded utterance into the form every recognizer takes: mono float32 at 16 kHz.

Decoding is libsndfile's (WAV, FLAC, OGG, MP3), resampling is libsoxr's. What this module adds is refusing,
before anything large is read, whatever is not one spoken utterance.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.errors import HoodnoteError

LONGEST_S = 120.0
SHORTEST_S = 0.1
LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000   # Hz
_FULL_SCALE = 0.9985                         # at or above it a sample counts as clipped
_SILENCE_RMS = 5e-4                          # -66 dBFS in the loudest tenth of the frames: a muted microphone
_FRAME_S = 0.02
_UNKNOWN_SIZES = (0, 0xFFFFFFFF)             # what a recorder writes that could not come back to fill the header in


@dataclass(frozen=True)
class Clip:
    """One utterance. samples: float32, mono, 16 kHz, between -1 and 1, without constant offset.

    `peak` (0 to 1) and `clipped_fraction` (of all samples) are of the recording as it came.
    """

    samples: np.ndarray
    seconds: float
    original_rate: int
    channels: int
    peak: float
    clipped_fraction: float


def load_clip(path: Path | str) -> Clip:
    """Reads WAV (8 to 32-bit integer, 32 and 64-bit float), FLAC, OGG or MP3 of 8 to 192 kHz.

    Raises HoodnoteError for a file that is missing, empty, not audio, cut off, silent, not finite, shorter than 0.1 s
    or longer than 120 s; at most 120 s of a file are ever in memory.
    """
    import soundfile

    path = Path(path)
    name = path.name
    _refuse_what_is_no_file(path)
    missing = _bytes_missing_from_wav(path)
    if missing:
        raise HoodnoteError(f"{name} is cut off: its header promises {missing} bytes more than there are; copy or record it again")
    try:
        file = soundfile.SoundFile(path)
    except soundfile.LibsndfileError as error:
        raise HoodnoteError(f"{name} is not audio that can be read ({_reason(error)}); "
                            "give a WAV, FLAC, OGG or MP3 file") from None
    with file:
        rate, channels, promised = file.samplerate, file.channels, file.frames
        _refuse_what_is_no_utterance(name, rate, channels, promised)
        is_estimate = file.format in ("OGG", "MPEG", "MP3")   # their lengths come from pages and bit rates
        try:
            data = file.read(int(LONGEST_S * rate) + 1, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError as error:
            raise HoodnoteError(f"{name} is cut off or damaged ({_reason(error)}); copy or record it again") from None
    if len(data) < promised and not is_estimate:
        raise HoodnoteError(f"{name} is cut off: {len(data) / rate:.1f} of {promised / rate:.1f} seconds can be read; "
                            "copy or record it again")
    if len(data) > LONGEST_S * rate:
        raise HoodnoteError(_too_long(name, None))
    if not np.isfinite(data).all():
        raise HoodnoteError(f"{name} holds samples that are not numbers; export it again or record anew")
    return _clip(name, data, rate, channels)


def _refuse_what_is_no_file(path: Path) -> None:
    if path.is_dir():
        raise HoodnoteError(f"{path.name} is a folder; name one recording in it")
    try:
        with path.open("rb") as file:
            first = file.read(1)
    except FileNotFoundError:
        raise HoodnoteError(f"{path} does not exist; check the name") from None
    except OSError as error:
        raise HoodnoteError(f"{path.name} cannot be opened: {error.strerror}") from None
    if not first:
        raise HoodnoteError(f"{path.name} is empty; record it again")


def _bytes_missing_from_wav(path: Path) -> int:
    """How many bytes of sound a RIFF header promises beyond the end of the file; 0 for any other file.

    libsndfile plays what is left of a cut file without a word, and half an utterance is a wrong one.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            return 0
        while len(header := file.read(8)) == 8:
            kind, length = struct.unpack("<4sI", header)
            if kind == b"data":
                return 0 if length in _UNKNOWN_SIZES else max(0, file.tell() + length - size)
            file.seek(length + length % 2, 1)
    return 0


def _refuse_what_is_no_utterance(name: str, rate: int, channels: int, frames: int) -> None:
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise HoodnoteError(f"{name} has {rate} samples a second; record with {LOWEST_RATE} to {HIGHEST_RATE}, best with {SAMPLE_RATE}")
    if channels > 8:
        raise HoodnoteError(f"{name} has {channels} channels; record in mono or stereo")
    if frames > LONGEST_S * rate and frames < 2**62:
        raise HoodnoteError(_too_long(name, frames / rate))


def _too_long(name: str, seconds: float | None) -> str:
    length = "more than two minutes" if seconds is None else f"{seconds / 60:.0f} minutes"
    return f"{name} is {length} long; one recording holds one utterance of at most {LONGEST_S:.0f} seconds, cut it into pieces"


def _reason(error: Exception) -> str:
    text = getattr(error, "error_string", str(error)).rstrip(".")
    return text.removeprefix("Error : ").replace("\n", " ").lower() or "format unknown"


def _clip(name: str, data: np.ndarray, rate: int, channels: int) -> Clip:
    seconds = len(data) / rate
    if seconds < SHORTEST_S:
        raise HoodnoteError(f"{name} lasts {seconds:.2f} seconds, too short for a word; record it again")
    peak = float(np.abs(data).max())
    clipped = float((np.abs(data) >= _FULL_SCALE).mean())
    if peak > 1.0:   # float files may be scaled to anything
        data = data / peak
    mono = _mix_down(data - data.mean(axis=0))
    if _loud_frames_rms(mono, rate) < _SILENCE_RMS:
        raise HoodnoteError(f"{name} is silent; check the microphone and record it again, or type the reading")
    samples = mono
    if rate != SAMPLE_RATE:
        import soxr

        samples = soxr.resample(mono, rate, SAMPLE_RATE, quality="HQ")
    samples = np.clip(samples, -1.0, 1.0).astype(np.float32)
    return Clip(samples, seconds, rate, channels, min(peak, 1.0), clipped)


def _mix_down(data: np.ndarray) -> np.ndarray:
    """Mean of the channels, or the strongest one where they cancel (a microphone wired the wrong way round)."""
    mono = data.mean(axis=1)
    energies = (data**2).mean(axis=0)
    if (mono**2).mean() < 0.1 * energies.max():
        mono = data[:, int(energies.argmax())]
    return mono


def _loud_frames_rms(mono: np.ndarray, rate: int) -> float:
    """Root mean square of the loudest tenth of 20 ms frames."""
    step = max(1, int(_FRAME_S * rate))
    frames = mono[: len(mono) // step * step].reshape(-1, step)
    return float(np.quantile(np.sqrt((frames**2).mean(axis=1)), 0.9))
