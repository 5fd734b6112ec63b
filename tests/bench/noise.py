"""Sounds of a bay, made from a seed: idling engine, fan, air ratchet, compressor, hissing hose; and the room they are in.

The spectra are plausible, not measured (common practice, no source); they exist so that engines can be compared under
the same conditions, never to promise a level of performance beside a real engine.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import fftconvolve

RATE = 16_000


def shop_noise(seconds: float, seed: int, parts: tuple[str, ...] = ("engine", "fan", "ratchet", "compressor", "hiss")) -> np.ndarray:
    """A mix of the named sounds, float32 with a root mean square of 1; the same seed gives the same noise."""
    rng = np.random.default_rng(seed)
    n = max(1, int(seconds * RATE))
    total = np.zeros(n)
    for part in SOUNDS:   # fixed order, so that a part sounds the same whatever is mixed with it
        stream = np.random.default_rng(rng.integers(2**63))
        sound = SOUNDS[part](n, stream)
        if part in parts:
            total += sound * stream.uniform(0.5, 1.0)
    return _unit(total).astype(np.float32)


def add_noise(speech: np.ndarray, noise: np.ndarray, snr_db: float) -> np.ndarray:
    """Speech plus noise at a signal-to-noise ratio taken over the frames that hold speech, kept below full scale."""
    noise = np.resize(noise, len(speech))
    gain = speech_level(speech) / np.sqrt((noise**2).mean()) * 10 ** (-snr_db / 20)
    mixed = speech + gain * noise
    return (mixed / max(1.0, np.abs(mixed).max() / 0.98)).astype(np.float32)


def speech_level(speech: np.ndarray) -> float:
    """Root mean square over the 20 ms frames within 30 dB of the loudest one."""
    step = RATE // 50
    frames = speech[: len(speech) // step * step].reshape(-1, step)
    power = (frames**2).mean(axis=1)
    return float(np.sqrt(power[power > power.max() * 1e-3].mean()))


def in_a_room(speech: np.ndarray, seed: int, decay_s: float = 0.4, direct_to_reverberant_db: float = 8.0) -> np.ndarray:
    """Speech with a diffuse tail that falls 60 dB in `decay_s`, as a microphone at arm's length in a bay hears it."""
    rng = np.random.default_rng(seed)
    n = int(decay_s * RATE)
    tail = rng.normal(size=n) * 10 ** (-3 * np.arange(n) / n)
    tail[: RATE // 200] = 0   # the first reflection comes 5 ms after the direct sound
    tail *= 10 ** (-direct_to_reverberant_db / 20) / np.sqrt((tail**2).sum())
    tail[0] = 1.0
    wet = fftconvolve(speech, tail)[: len(speech)]
    return (wet / max(1.0, np.abs(wet).max() / 0.98)).astype(np.float32)


def _unit(x: np.ndarray) -> np.ndarray:
    return x / max(1e-9, np.sqrt((x**2).mean()))


def _coloured(n: int, rng: np.random.Generator, gain_at_hz) -> np.ndarray:
    """Gaussian noise whose amplitude spectrum is `gain_at_hz(frequencies)`."""
    spectrum = np.fft.rfft(rng.normal(size=n)) * gain_at_hz(np.fft.rfftfreq(n, 1 / RATE))
    return _unit(np.fft.irfft(spectrum, n))


def _engine(n: int, rng: np.random.Generator) -> np.ndarray:
    """Four-cylinder four-stroke: two combustions a turn, 700 to 1600 rpm, speed and strength wandering."""
    t = np.arange(n) / RATE
    firing_hz = 2 * rng.uniform(700, 1600) / 60
    phase = 2 * np.pi * firing_hz * np.cumsum(1 + 0.01 * np.sin(2 * np.pi * rng.uniform(0.3, 0.9) * t)) / RATE
    tone = sum(np.cos(k * phase + rng.uniform(0, 2 * np.pi)) / k for k in range(1, 9))
    pulse = np.clip(np.cos(phase), 0, None) ** 6
    rattle = _coloured(n, rng, lambda f: 1 / (1 + (f / 900.0) ** 2)) * pulse
    return _unit(tone + 2.0 * rattle)


def _fan(n: int, rng: np.random.Generator) -> np.ndarray:
    blades_hz = rng.uniform(150, 300)
    t = np.arange(n) / RATE
    broad = _coloured(n, rng, lambda f: 1 / np.sqrt(1 + (f / 500.0) ** 2))
    return _unit(broad + 0.25 * np.sin(2 * np.pi * blades_hz * t))


def _ratchet(n: int, rng: np.random.Generator) -> np.ndarray:
    """Bursts of 20 to 30 clicks a second, each ringing for some milliseconds, with exhaust air."""
    out = np.zeros(n)
    ring = np.exp(-np.arange(400) / 60.0) * np.sin(2 * np.pi * rng.uniform(1800, 3200) * np.arange(400) / RATE)
    start = rng.integers(0, RATE)
    while start < n:
        length = int(rng.uniform(0.3, 1.2) * RATE)
        clicks = np.zeros(n)
        clicks[start : start + length : int(RATE / rng.uniform(20, 30))] = 1.0
        out += fftconvolve(clicks, ring)[:n]
        stop = min(n, start + length)
        out[start:stop] += 0.08 * rng.normal(size=stop - start)
        start += length + int(rng.uniform(0.5, 2.5) * RATE)
    return _unit(out)


def _compressor(n: int, rng: np.random.Generator) -> np.ndarray:
    """Mains hum and its harmonics with a piston beat."""
    t = np.arange(n) / RATE
    hum = sum(np.sin(2 * np.pi * 60 * k * t + rng.uniform(0, 6)) / k for k in (1, 2, 3, 4, 6))
    beat = 1 + 0.4 * np.sin(2 * np.pi * rng.uniform(8, 15) * t)
    return _unit(hum * beat + 0.3 * _coloured(n, rng, lambda f: 1 / (1 + (f / 400.0) ** 2)))


def _hiss(n: int, rng: np.random.Generator) -> np.ndarray:
    return 0.4 * _coloured(n, rng, lambda f: np.clip(f / 3000.0, 0, 1.5))


SOUNDS = {"engine": _engine, "fan": _fan, "ratchet": _ratchet, "compressor": _compressor, "hiss": _hiss}
