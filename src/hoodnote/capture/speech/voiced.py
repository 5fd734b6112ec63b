"""Where in a clip somebody speaks: loudness against the clip's own quiet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hoodnote.capture.speech.recognizer import SAMPLE_RATE

FRAME = SAMPLE_RATE // 50        # 20 ms
_QUIETEST_DBFS = -60.0           # a loudest frame below this is no speech at all
_LEAST_SWING_DB = 6.0            # speech rises and falls; a fan, a pump or hiss does not
_DEEPEST_DB = 40.0               # quiet further below the loudest than this is digital silence and says nothing
_SHARE = 0.3                     # a frame counts as voiced above this part of the way from quiet to loud
_MARGIN_S = 0.3                  # soft beginnings and endings lie outside the loud part


def frame_power(samples: np.ndarray) -> np.ndarray:
    """Mean square of each whole 20 ms frame, float64; full scale 1."""
    frames = samples[:len(samples) // FRAME * FRAME].reshape(-1, FRAME).astype(np.float64)
    return np.mean(frames**2, axis=1)


def loudness_db(samples: np.ndarray) -> np.ndarray:
    """dBFS of each whole 20 ms frame, smoothed over three."""
    power = frame_power(samples)
    if len(power) > 2:
        power = np.convolve(np.pad(power, 1, mode="edge"), np.ones(3) / 3, "valid")
    return 10 * np.log10(power + 1e-12)


@dataclass(frozen=True)
class Voiced:
    """start_s to end_s: the part with speech, a margin included; spoken_s: how much of it is not pauses."""

    start_s: float
    end_s: float
    spoken_s: float


def voiced(samples: np.ndarray) -> Voiced | None:
    """Where somebody speaks in the clip; None when nothing stands out as speech."""
    spoken = _spoken_frames(samples)
    if spoken is None:
        return None
    frame_s = FRAME / SAMPLE_RATE
    return Voiced(max(0.0, spoken[0] * frame_s - _MARGIN_S), min(len(samples) / SAMPLE_RATE, (spoken[-1] + 1) * frame_s + _MARGIN_S),
                  len(spoken) * frame_s)


def speaks_after(samples: np.ndarray, at_s: float) -> bool:
    """Does anything in the clip stand out as speech later than `at_s`?"""
    spoken = _spoken_frames(samples)
    return spoken is not None and (spoken[-1] + 1) * FRAME / SAMPLE_RATE > at_s


def _spoken_frames(samples: np.ndarray) -> np.ndarray | None:
    """Numbers of the frames that stand out as speech; None when none does."""
    loud = loudness_db(samples)
    if len(loud) < 5:
        return None
    quiet, top = np.percentile(loud, (5, 98))
    if top < _QUIETEST_DBFS or top - quiet < _LEAST_SWING_DB:
        return None
    quiet = max(quiet, top - _DEEPEST_DB)
    return np.flatnonzero(loud > quiet + _SHARE * (top - quiet))


def pieces(samples: np.ndarray, shortest_s: float, longest_s: float) -> list[tuple[int, int]]:
    """Sample ranges that cover the clip, none longer than `longest_s`, cut where it is quietest for longest."""
    loud, out, start = loudness_db(samples), [], 0
    while len(samples) - start > longest_s * SAMPLE_RATE:
        first, last = (int((start + s * SAMPLE_RATE) // FRAME) for s in (shortest_s, longest_s))
        window = np.convolve(loud[first:last], np.ones(15) / 15, "same")   # 0.3 s
        cut = (first + int(window[7:-7].argmin()) + 7) * FRAME
        out.append((start, cut))
        start = cut
    return [*out, (start, len(samples))]
