"""Sounds of a bay, made from a seed: idling engine, fan, air ratchet, compressor, hissing hose, clutch, music.

The spectra are plausible, not measured (common practice, no source); they exist so that engines can be compared under
the same conditions, never to promise a level of performance beside a real engine.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

RATE = 16_000
BAY = ("engine", "fan", "ratchet", "compressor", "hiss")


def shop_noise(seconds: float, seed: int, parts: tuple[str, ...] = BAY) -> np.ndarray:
    """A mix of the named sounds, float32 with a root mean square of 1; the same seed gives the same noise."""
    rng = np.random.default_rng(seed)
    n = max(1, int(seconds * RATE))
    total = np.zeros(n)
    for part in SOUNDS:   # fixed order, so that a part sounds the same whatever is mixed with it
        stream = np.random.default_rng(rng.integers(2**63))
        if part in parts:
            sound = SOUNDS[part](n, stream)
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


def _clutch(n: int, rng: np.random.Generator) -> np.ndarray:
    """A compressor clutch that pulls in and lets go: a clack, then bearing rattle at the turns of a belt pulley while it is in."""
    out, at = np.zeros(n), int(rng.uniform(0, 0.5) * RATE)
    ring = np.exp(-np.arange(1200) / 150.0) * np.sin(2 * np.pi * rng.uniform(500, 1100) * np.arange(1200) / RATE)
    chatter = _coloured(n, rng, lambda f: (f / 1500.0) / (1 + (f / 1500.0) ** 2))
    turns_hz = rng.uniform(15, 35)
    beat = np.clip(np.sin(2 * np.pi * turns_hz * np.arange(n) / RATE), 0, None) ** 3
    while at < n:
        stop = min(n, at + int(rng.uniform(0.4, 2.0) * RATE))
        for edge, strength in ((at, 3.0), (stop - 1, 1.5)):
            piece = ring[: n - edge]
            out[edge : edge + len(piece)] += strength * piece
        out[at:stop] += (chatter * beat)[at:stop]
        at = stop + int(rng.uniform(0.3, 1.5) * RATE)
    return _unit(out)


def _music(n: int, rng: np.random.Generator) -> np.ndarray:
    """A radio's music: chords of decaying partials over a bass, kick, snare and hat on the beat, through a small loudspeaker."""
    out, beat = np.zeros(n), 60 / rng.uniform(85, 140)
    root_hz = 110 * 2 ** (rng.integers(12) / 12)
    for b in range(int(n / RATE / beat) + 1):
        if b % 4 == 0:
            chord = [0, *((4, 7) if rng.random() < 0.6 else (3, 7))]
            step = rng.choice([0, 5, 7, 9])
        notes = [(root_hz * 2 ** ((step + k) / 12) * 2, 0.25) for k in chord] + [(root_hz * 2 ** (step / 12), 0.4)]
        for hz, strength in notes:
            _put(out, b * beat, strength * _pluck(hz, beat * 1.5, rng))
        t = np.arange(int(0.15 * RATE)) / RATE
        if b % 2 == 0:
            _put(out, b * beat, 1.2 * np.sin(2 * np.pi * 70 * t) * np.exp(-t * 30))
        else:
            _put(out, b * beat, 0.5 * rng.normal(size=len(t)) * np.exp(-t * 35))
        _put(out, (b + 0.5) * beat, 0.15 * rng.normal(size=len(t)) * np.exp(-t * 90))
    return _unit(sosfilt(butter(2, (150, 5000), "bandpass", fs=RATE, output="sos"), out))


def _pluck(hz: float, seconds: float, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(int(seconds * RATE)) / RATE
    return sum(np.sin(2 * np.pi * hz * k * t + rng.uniform(0, 6)) / k * np.exp(-t * (2 + k)) for k in range(1, 7))


def _put(out: np.ndarray, at_s: float, sound: np.ndarray) -> None:
    at = int(at_s * RATE)
    piece = sound[: max(0, len(out) - at)]
    out[at : at + len(piece)] += piece


SOUNDS = {"engine": _engine, "fan": _fan, "ratchet": _ratchet, "compressor": _compressor, "hiss": _hiss, "clutch": _clutch, "music": _music}
