"""The microphone: real PortAudio on a sound card made of a file, the conversion of any format, and what goes wrong with devices."""

from __future__ import annotations

import sys
import time

import numpy as np
import pytest
import soxr

from hoodnote.capture.speech import microphone
from hoodnote.capture.speech.microphone import Converter, Device, Microphone, MicrophoneLost, as_float, choose, devices
from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.capture.speech.tones import RATE, Speaker, seconds, tone
from hoodnote.errors import HoodnoteError
from tests.sound_device import NAME, Paced, sound_card


def chirp(length_s: float, rate: int) -> np.ndarray:
    t = np.arange(round(length_s * rate)) / rate
    return (0.4 * np.sin(2 * np.pi * (200 * t + 300 * t**2 / length_s))).astype(np.float32)


def pitch(samples: np.ndarray, rate: int = SAMPLE_RATE) -> float:
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return float(np.argmax(spectrum)) * rate / len(samples)


# through PortAudio

class Fast(Paced):
    speed = 4.0


@pytest.mark.parametrize("rate, channels", [(8_000, 1), (22_050, 2), (44_100, 2), (48_000, 1)])
def test_stream_of_any_rate_comes_whole_and_in_order(tmp_path, rate, channels):
    sound = chirp(1.5, rate)
    quiet = np.zeros(20 * rate, np.float32)
    samples = np.concatenate([sound, quiet])
    with sound_card(tmp_path, samples if channels == 1 else np.stack([samples, samples], axis=1), rate) as device:
        with Fast(device) as mic:
            assert (mic.rate, mic.channels) == (rate, channels)
            got, give_up = [], time.monotonic() + 10
            while sum(map(len, got)) < 2.2 * SAMPLE_RATE and time.monotonic() < give_up:
                got.append(mic.read().samples)
                time.sleep(0.01)
            assert (mic.dropped, mic.overflows) == (0, 0)
    heard = np.concatenate(got)[:round(1.5 * SAMPLE_RATE)]
    meant = soxr.resample(sound, rate, SAMPLE_RATE)[:len(heard)]
    # the sample clock of the file is exact, so what came can be laid over what was played
    lag = int(np.argmax(np.correlate(heard[:4000], meant[:3000], "valid")))
    part = meant[400:-1200]
    assert np.corrcoef(heard[lag + 400:lag + 400 + len(part)], part)[0, 1] > 0.99


def test_devices_are_listed_and_chosen_by_number_and_by_part_of_the_name(tmp_path):
    with sound_card(tmp_path, np.zeros(100, np.float32)):
        found = devices()
        ours = next(d for d in found if d.name == NAME)
        assert choose(found, "BAYM") == choose(found, str(ours.index)) == ours
        assert choose(found, None).is_default


def test_block_that_finds_the_queue_full_is_counted(tmp_path):
    with sound_card(tmp_path, np.zeros(40 * 48_000, np.float32)) as device:
        with Fast(device, queue_s=0.2) as mic:
            time.sleep(0.5)
            mic.read()
            time.sleep(0.3)
            mic.read()
            assert mic.dropped > 0


def test_device_that_stops_is_told_and_closing_it_does_not_hang(tmp_path, monkeypatch):
    monkeypatch.setattr(microphone, "_GONE_S", 0.3)
    monkeypatch.setattr(microphone, "_CLOSE_S", 0.3)

    class Stops(Fast):
        """Its driver goes to sleep in the middle of a block, as one does whose device was pulled out."""

        def _arrived(self, data, frames, when, status):
            super()._arrived(data, frames, when, status)
            if self.blocks == 10:
                time.sleep(1.0)

    with sound_card(tmp_path, np.zeros(40 * 48_000, np.float32)) as device:
        mic = Stops(device)
        with pytest.raises(MicrophoneLost, match="plugged in"):
            give_up = time.monotonic() + 5
            while time.monotonic() < give_up:
                mic.read()
                time.sleep(0.01)
        begun = time.monotonic()
        mic.close()
        assert time.monotonic() - begun < 0.8
        time.sleep(1.0)        # the driver wakes up before the sound card goes


# devices that cannot be used

def some(index: int, name: str, is_default: bool = False) -> Device:
    return Device(index, name, 2, 48_000, "ALSA", is_default)


def test_choosing_says_what_there_is():
    two = [some(0, "USB headset"), some(3, "USB camera"), some(4, "Built-in", True)]
    assert choose(two, None).index == 4 and choose(two, "3").index == 3
    with pytest.raises(HoodnoteError, match="several microphones match 'usb'; there are: 0 USB headset; 3 USB camera"):
        choose(two, "usb")
    with pytest.raises(HoodnoteError, match="no microphone is 'bluetooth'; there are: 0 USB headset; 3"):
        choose(two, "bluetooth")
    with pytest.raises(HoodnoteError, match="no microphone was found"):
        choose([], "usb")


def test_missing_sound_library_is_one_line(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(HoodnoteError, match="libportaudio2"):
        devices()
    assert Speaker().play("taken") == 0.0


def test_rate_that_is_refused_gives_way_to_another_and_a_dead_device_to_one_line(monkeypatch):
    library = microphone.sound_library()
    tried = []

    class Stream:
        def __init__(self, samplerate, channels, **_):
            tried.append((samplerate, channels))
            if samplerate != 16_000:
                raise library.PortAudioError("Error opening InputStream: Invalid sample rate", -9997)
            self.samplerate, self.channels = samplerate, channels

        def start(self):
            pass

    monkeypatch.setattr(library, "InputStream", Stream)
    assert Microphone(some(0, "odd")).rate == 16_000 and tried[0] == (48_000, 2)
    monkeypatch.setattr(library, "InputStream", lambda **_: Stream(samplerate=1, channels=1))
    with pytest.raises(HoodnoteError, match="^the microphone odd cannot be opened: Invalid sample rate; "):
        Microphone(some(0, "odd"))


# formats

@pytest.mark.parametrize("kind", ["u1", "<i2", "24 bits", "<i4", "<f4", "<f8"])
def test_every_format_has_full_scale_one(kind):
    wave = 0.5 * np.sin(np.linspace(0, 20, 1000))
    given = {"u1": lambda: np.round(wave * 127 + 128).astype("u1"), "<i2": lambda: np.round(wave * 32767).astype("<i2"),
             "24 bits": lambda: (np.round(wave * 8388607).astype("<i4") << 8), "<i4": lambda: np.round(wave * 2147483647).astype("<i4"),
             "<f4": lambda: wave.astype("<f4"), "<f8": lambda: wave}[kind]()
    assert as_float(given) == pytest.approx(wave, abs=0.01 if kind == "u1" else 1e-4)


def through(samples: np.ndarray, rate: int, block: int = 480) -> np.ndarray:
    converter = Converter(rate, 1 if samples.ndim == 1 else samples.shape[1])
    return np.concatenate([converter(samples[i:i + block]).samples for i in range(0, len(samples), block)])


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000, 96_000])
def test_pitch_is_kept_at_every_rate(rate):
    t = np.arange(2 * rate) / rate
    assert pitch(through((0.3 * np.sin(2 * np.pi * 440 * t)).astype(np.float32), rate)) == pytest.approx(440, abs=2)


def test_constant_offset_goes_and_the_sound_stays():
    t = np.arange(3 * 48_000) / 48_000
    out = through((0.2 * np.sin(2 * np.pi * 300 * t) + 0.4).astype(np.float32), 48_000)[SAMPLE_RATE:]
    assert abs(out.mean()) < 0.005 and np.sqrt(np.mean(out**2)) == pytest.approx(0.2 / np.sqrt(2), rel=0.02)


def test_channels_that_cancel_do_not_silence_the_voice():
    t = np.arange(48_000) / 48_000
    wave = (0.3 * np.sin(2 * np.pi * 300 * t)).astype(np.float32)
    assert np.abs(through(np.stack([wave, -wave], axis=1), 48_000)[8_000:]).max() > 0.25
    assert np.abs(through(np.stack([wave, 0 * wave], axis=1), 48_000)[8_000:]).max() == pytest.approx(0.15, rel=0.05)


def test_clipping_is_counted_and_numbers_that_are_none_do_no_harm():
    sound = Converter(16_000, 1)(np.array([1.0, -1.0, 0.5, np.nan, np.inf, 0.1, 0.0, 0.2], np.float32))
    assert sound.clipped == pytest.approx(3 / 8) and np.isfinite(sound.samples).all()


# tones

def test_tones_are_short_distinct_and_fade():
    kinds = ("taken", "asked", "stop")
    for kind in kinds:
        made = tone(kind)
        assert len(made) / RATE == pytest.approx(seconds(kind), abs=1e-3) and seconds(kind) < 0.5
        assert abs(made[0]) < 0.01 and abs(made[-1]) < 0.01 and np.abs(made).max() <= 0.3
    assert len({(len(tone(k)), round(pitch(tone(k), RATE) / 20)) for k in kinds}) == 3
