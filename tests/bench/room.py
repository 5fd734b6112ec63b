"""A hard-walled bay and the microphone in it: image sources in a box, and what two ways of wearing a microphone do to the sound.

Image sources after Allen and Berkley, "Image method for efficiently simulating small-room acoustics", J. Acoust. Soc.
Am. 65(4), 1979. Size, absorption and microphones are plausible, not measured (common practice, no source).
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

RATE = 16_000
SOUND_M_PER_S = 343.0


@dataclass(frozen=True)
class Microphone:
    """distance_m: from the mouth; band_hz: where it hears; shelf_db: how much louder the lows are than the highs."""

    distance_m: float
    band_hz: tuple[float, float]
    shelf_db: float


MICROPHONES = {
    "close": Microphone(0.05, (120.0, 7000.0), 4.0),       # on a headset: a nearby mouth lifts the lows
    "arm": Microphone(0.6, (180.0, 7600.0), -2.0),         # a telephone in the hand or clipped to the jacket
}


@dataclass(frozen=True)
class Box:
    """A room with parallel walls; absorption is the share of sound energy that a wall swallows."""

    size_m: tuple[float, float, float]
    absorption: float

    @property
    def eyring_s(self) -> float:
        """Reverberation time, Eyring, "Reverberation time in 'dead' rooms", J. Acoust. Soc. Am. 1, 1930."""
        x, y, z = self.size_m
        return 0.161 * x * y * z / (-2 * (x * y + y * z + x * z) * np.log(1 - self.absorption))


def random_box(rng: np.random.Generator) -> Box:
    """One or two bays with a concrete floor and metal walls, cars and shelves in them: 0.35 to 0.9 s."""
    return Box((rng.uniform(6, 11), rng.uniform(5, 8), rng.uniform(3.2, 4.8)), rng.uniform(0.18, 0.32))


def impulse_response(box: Box, source_m: np.ndarray, ear_m: np.ndarray, seconds: float) -> np.ndarray:
    """Pressure at the ear after a click at the source; the direct sound has a height of 1 and comes first."""
    reach = SOUND_M_PER_S * seconds
    orders = [np.arange(-int(reach / (2 * size)) - 1, int(reach / (2 * size)) + 2) for size in box.size_m]
    reflection = np.sqrt(1 - box.absorption)
    response = np.zeros(int(seconds * RATE) + 1)
    direct = float(np.linalg.norm(source_m - ear_m))
    for flips in itertools.product((0, 1), repeat=3):
        offsets = [(1 - 2 * q) * s + 2 * n * size - e for q, s, n, size, e in zip(flips, source_m, orders, box.size_m, ear_m)]
        bounces = [np.abs(n - q) + np.abs(n) for q, n in zip(flips, orders)]
        distance = np.sqrt(offsets[0][:, None, None] ** 2 + offsets[1][None, :, None] ** 2 + offsets[2][None, None, :] ** 2)
        count = bounces[0][:, None, None] + bounces[1][None, :, None] + bounces[2][None, None, :]
        at = np.rint((distance - direct) / SOUND_M_PER_S * RATE).astype(int)
        near = at < len(response)
        np.add.at(response, at[near], direct / distance[near] * reflection ** count[near])
    # all images in phase would add up to a direct offset that no room has
    return response if len(response) < 64 else np.concatenate([response[:1], sosfilt(butter(2, 60, "highpass", fs=RATE, output="sos"), response[1:])])


@functools.lru_cache(maxsize=64)
def _response(seed: int, microphone: str) -> np.ndarray:
    rng = np.random.default_rng((seed, 0x700A))
    box = random_box(rng)
    ear = np.array([rng.uniform(0.25, 0.75) * size for size in box.size_m[:2]] + [rng.uniform(1.0, 1.6)])
    way = rng.normal(size=3)
    source = ear + way / np.linalg.norm(way) * MICROPHONES[microphone].distance_m
    return impulse_response(box, source, ear, min(0.6, box.eyring_s))


def worn(speech: np.ndarray, seed: int, microphone: str) -> np.ndarray:
    """Speech as a microphone (a name of MICROPHONES) hears it in one of sixteen rooms, kept below full scale."""
    wet = fftconvolve(speech, _response(seed % 16, microphone))[: len(speech)]
    return _below_full_scale(colour(wet, microphone))


def colour(sound: np.ndarray, microphone: str) -> np.ndarray:
    """The microphone's own band and tilt."""
    kind = MICROPHONES[microphone]
    sound = sosfilt(butter(2, kind.band_hz, "bandpass", fs=RATE, output="sos"), sound)
    low = sosfilt(butter(1, 500, "lowpass", fs=RATE, output="sos"), sound)
    return sound + (10 ** (kind.shelf_db / 20) - 1) * low


def _below_full_scale(sound: np.ndarray) -> np.ndarray:
    return (sound / max(1.0, np.abs(sound).max() / 0.98)).astype(np.float32)
