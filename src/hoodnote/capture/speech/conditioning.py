"""Sound as an acoustic model expects it: never quieter than a quiet room, and with less of a steady noise."""

from __future__ import annotations

import numpy as np

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.capture.speech.voiced import frame_power

_FLAT_BELOW_HZ = 100.0      # pink noise rises without end towards 0 Hz
_SPEECH_RANGE_DB = 30.0     # frames within this of the loudest count as speech
_WINDOW, _STEP = 512, 128   # samples of a spectrum, and from one to the next
# Of the noise: its power is the quietest seventh of each band, which pauses and gaps between words leave, and that is low by a half.
_NOISE_QUANTILE, _NOISE_GAIN = 0.15, 1.8
_OVER, _LEAST_GAIN = 1.5, 0.15   # noise taken as this much stronger, and no band turned down further: both leave less of a gurgle
_MEMORY = 0.95              # of the last frame's estimate in the next one's (decision-directed)


def with_noise_floor(samples: np.ndarray, below_speech_db: float) -> np.ndarray:
    """The clip with pink noise added that far below the level of its speech; float32, 16 kHz, the same for the same clip.

    Bands and pauses without any energy, as gates, codecs and synthesizers leave them, have logarithms that no recorded speech
    has, and they pull the mean that the model takes off its features.
    """
    power = frame_power(samples)
    if not power.size or not power.max():
        return np.asarray(samples, np.float32)
    speech = np.sqrt(power[power >= power.max() * 10 ** (-_SPEECH_RANGE_DB / 10)].mean())
    return (samples + _pink(len(samples)) * speech * 10 ** (-below_speech_db / 20)).astype(np.float32)


def _pink(count: int) -> np.ndarray:
    """Noise of falling spectrum, root mean square 1; it hangs on nothing but its length."""
    white = np.fft.rfft(np.random.default_rng(count).standard_normal(count))
    shaped = np.fft.irfft(white / np.sqrt(np.maximum(np.fft.rfftfreq(count, 1 / SAMPLE_RATE), _FLAT_BELOW_HZ)), count)
    return shaped / np.sqrt(np.mean(shaped**2))


def swing_db(samples: np.ndarray) -> float:
    """Loud over quiet: the level of the 90th over the 10th percentile of 20 ms frames. 0 for an empty or silent clip."""
    power = frame_power(samples)
    if not power.size or not power.max():
        return 0.0
    loud, quiet = np.quantile(power, (0.9, 0.1))
    return float(10 * np.log10((loud + 1e-12) / (quiet + 1e-12)))


def with_less_noise(samples: np.ndarray) -> np.ndarray:
    """The clip with its steady noise turned down: a Wiener filter whose signal-to-noise ratio follows the last frame's.

    Source: Y. Ephraim and D. Malah, IEEE Trans. ASSP 32 (1984) 1109, the decision-directed estimate (from memory). float32, same length.
    """
    window = np.sqrt(np.hanning(_WINDOW + 1)[:_WINDOW])
    padded = np.pad(samples.astype(np.float64), (_WINDOW, _WINDOW + _STEP))
    starts = np.arange(0, len(padded) - _WINDOW, _STEP)
    spectra = np.fft.rfft(padded[starts[:, None] + np.arange(_WINDOW)] * window)
    power = np.abs(spectra) ** 2
    ratio = power / (_OVER * _NOISE_GAIN * np.quantile(power, _NOISE_QUANTILE, axis=0) + 1e-12)
    gains, before = np.empty_like(power), np.zeros(power.shape[1])
    for t, now in enumerate(ratio):
        prior = _MEMORY * before + (1 - _MEMORY) * np.maximum(now - 1, 0)
        gains[t] = np.maximum(prior / (1 + prior), _LEAST_GAIN)
        before = gains[t] ** 2 * now
    out, weight = np.zeros(len(padded)), np.zeros(len(padded))
    for start, frame in zip(starts, np.fft.irfft(spectra * gains) * window):
        out[start:start + _WINDOW] += frame
        weight[start:start + _WINDOW] += window**2
    return (out / np.maximum(weight, 1e-3))[_WINDOW:_WINDOW + len(samples)].astype(np.float32)
