"""Loading recordings: every encoding a recorder writes comes back as the same sound, and what is no utterance is refused."""

from __future__ import annotations

import struct
import tracemalloc
import wave

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from hoodnote.capture.audio import load_clip
from hoodnote.errors import HoodnoteError


def tone(rate: int, hz: float = 440.0, seconds: float = 1.0, level: float = 0.5) -> np.ndarray:
    return level * np.sin(2 * np.pi * hz * np.arange(int(rate * seconds)) / rate)


def strength_at(samples: np.ndarray, hz: float, rate: int = 16_000) -> float:
    """Amplitude of one frequency, by correlation with it."""
    t = np.arange(len(samples)) / rate
    return 2 * abs(np.mean(samples * np.exp(-2j * np.pi * hz * t)))


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("channels", [1, 2])
def test_wav_encodings_give_the_same_sound(tmp_path, subtype, channels):
    path = tmp_path / "a.wav"
    soundfile.write(path, np.tile(tone(16_000)[:, None], channels), 16_000, subtype=subtype)
    clip = load_clip(path)
    assert clip.samples.dtype == np.float32 and clip.samples.ndim == 1
    assert clip.channels == channels and clip.original_rate == 16_000
    np.testing.assert_allclose(clip.samples, tone(16_000), atol=0.01)


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_any_rate_comes_back_at_16_khz_with_its_tone(tmp_path, rate):
    path = tmp_path / "a.wav"
    soundfile.write(path, tone(rate), rate)
    clip = load_clip(path)
    assert len(clip.samples) == pytest.approx(16_000, abs=2)
    assert clip.seconds == pytest.approx(1.0, abs=0.001)
    assert strength_at(clip.samples, 440) == pytest.approx(0.5, abs=0.01)


def test_resampling_lets_nothing_fold_back(tmp_path):
    """A 12 kHz tone has no place at 16 kHz; unfiltered it would appear at 4 kHz."""
    path = tmp_path / "a.wav"
    soundfile.write(path, tone(48_000, 12_000) + tone(48_000, 1_000, level=0.1), 48_000)
    clip = load_clip(path)
    assert strength_at(clip.samples, 4_000) < 0.001
    assert strength_at(clip.samples, 1_000) == pytest.approx(0.1, abs=0.005)


def test_resampling_against_scipy(tmp_path):
    rng = np.random.default_rng(3)
    slow = np.convolve(rng.normal(size=48_000), np.hanning(64) / 200, "same") * 0.3
    soundfile.write(tmp_path / "a.wav", slow, 48_000, subtype="FLOAT")
    ours = load_clip(tmp_path / "a.wav").samples
    theirs = resample_poly(slow - slow.mean(), 1, 3)
    inner = slice(200, -200)
    assert np.corrcoef(ours[inner], theirs[inner])[0, 1] > 0.999


@pytest.mark.parametrize("suffix", ["flac", "ogg", "mp3"])
def test_packed_formats(tmp_path, suffix):
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, tone(44_100), 44_100)
    clip = load_clip(path)
    assert clip.seconds == pytest.approx(1.0, abs=0.1)
    assert strength_at(clip.samples[2000:14000], 440) == pytest.approx(0.5, abs=0.03)


def test_the_standard_library_agrees_on_16_bit_samples(tmp_path):
    values = (tone(16_000) * 32767).astype("<i2")
    with wave.open(str(tmp_path / "a.wav"), "wb") as file:
        file.setnchannels(1), file.setsampwidth(2), file.setframerate(16_000)
        file.writeframes(values.tobytes())
    np.testing.assert_allclose(load_clip(tmp_path / "a.wav").samples, values / 32768, atol=1e-4)


def test_constant_offset_is_taken_out_and_does_not_hide_silence(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(16_000, level=0.2) + 0.3, 16_000)
    assert abs(load_clip(tmp_path / "a.wav").samples.mean()) < 1e-3
    soundfile.write(tmp_path / "b.wav", np.full(16_000, 0.3), 16_000)
    with pytest.raises(HoodnoteError, match="silent"):
        load_clip(tmp_path / "b.wav")


def test_channels_in_opposite_phase_do_not_cancel(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.stack([tone(16_000), -tone(16_000)], axis=1), 16_000)
    assert strength_at(load_clip(tmp_path / "a.wav").samples, 440) == pytest.approx(0.5, abs=0.01)


def test_clipping_is_counted(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.clip(tone(16_000, level=2.0), -1, 1), 16_000)
    loud = load_clip(tmp_path / "a.wav")
    # A sine of twice full scale lies above it for 1 - 2/pi*asin(1/2) = 2/3 of the time.
    assert loud.clipped_fraction == pytest.approx(2 / 3, abs=0.01) and loud.peak == pytest.approx(1.0, abs=0.001)
    soundfile.write(tmp_path / "b.wav", tone(16_000), 16_000)
    assert load_clip(tmp_path / "b.wav").clipped_fraction == 0


def test_float_files_of_any_scale_stay_in_range(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(16_000) * 32768, 16_000, subtype="FLOAT")
    assert 0.9 < np.abs(load_clip(tmp_path / "a.wav").samples).max() <= 1.0


def test_missing_empty_folder(tmp_path):
    with pytest.raises(HoodnoteError, match="does not exist"):
        load_clip(tmp_path / "none.wav")
    (tmp_path / "e.wav").touch()
    with pytest.raises(HoodnoteError, match="is empty"):
        load_clip(tmp_path / "e.wav")
    with pytest.raises(HoodnoteError, match="is a folder"):
        load_clip(tmp_path)


@pytest.mark.parametrize("content", [b"low side thirty psi\n" * 50, b"\x89PNG\r\n\x1a\n" + bytes(500), b"RIFF", b"RIFF\x10\0\0\0WAVE"])
def test_what_is_not_audio_is_refused_in_one_line(tmp_path, content):
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    with pytest.raises(HoodnoteError, match="not audio that can be read") as refusal:
        load_clip(path)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_cut_off_files(tmp_path, suffix):
    whole = tmp_path / f"a.{suffix}"
    rng = np.random.default_rng(1)
    soundfile.write(whole, rng.uniform(-0.5, 0.5, 32_000), 16_000)
    cut = tmp_path / f"b.{suffix}"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    with pytest.raises(HoodnoteError, match="cut off"):
        load_clip(cut)


def _wav_header(rate: int, channels: int = 1, data_bytes: int = 32_000) -> bytes:
    return (b"RIFF" + struct.pack("<I", 36 + data_bytes) + b"WAVEfmt "
            + struct.pack("<IHHIIHH", 16, 1, channels, rate, rate * 2 * channels, 2 * channels, 16)
            + b"data" + struct.pack("<I", data_bytes))


def test_a_header_left_open_by_a_streaming_recorder_is_accepted(tmp_path):
    sound = (tone(16_000) * 32767).astype("<i2").tobytes()
    (tmp_path / "a.wav").write_bytes(_wav_header(16_000, data_bytes=0xFFFFFFFF - 36)[:-4] + b"\xff" * 4 + sound)
    assert load_clip(tmp_path / "a.wav").seconds == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("rate", [0, 1, 4_000, 400_000])
def test_impossible_rates(tmp_path, rate):
    (tmp_path / "a.wav").write_bytes(_wav_header(rate) + bytes(32_000))
    with pytest.raises(HoodnoteError, match="not audio that can be read|samples a second"):
        load_clip(tmp_path / "a.wav")


@pytest.mark.parametrize("level", [0.0, 1e-4])
def test_silence(tmp_path, level):
    soundfile.write(tmp_path / "a.wav", tone(16_000, level=level), 16_000)
    with pytest.raises(HoodnoteError, match="silent.*type"):
        load_clip(tmp_path / "a.wav")


def test_a_short_word_in_a_long_silence_is_not_silent(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.concatenate([np.zeros(32_000), tone(16_000, seconds=0.5, level=0.02), np.zeros(8_000)]), 16_000)
    assert load_clip(tmp_path / "a.wav").seconds == pytest.approx(3.0)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_samples_that_are_not_numbers(tmp_path, bad):
    samples = tone(16_000)
    samples[100] = bad
    soundfile.write(tmp_path / "a.wav", samples, 16_000, subtype="FLOAT")
    with pytest.raises(HoodnoteError, match="not numbers"):
        load_clip(tmp_path / "a.wav")


def test_too_short_for_a_word(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(16_000, seconds=0.05), 16_000)
    with pytest.raises(HoodnoteError, match="too short"):
        load_clip(tmp_path / "a.wav")


def test_an_hour_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "hour.wav"
    with path.open("wb") as file:   # sparse: 110 MB on paper
        file.write(_wav_header(16_000, data_bytes=16_000 * 2 * 3600))
        file.truncate(44 + 16_000 * 2 * 3600)
    tracemalloc.start()
    with pytest.raises(HoodnoteError, match="60 minutes long.*120 seconds"):
        load_clip(path)
    assert tracemalloc.get_traced_memory()[1] < 1_000_000
    tracemalloc.stop()


def test_two_minutes_pass_and_a_little_more_does_not(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(8_000, seconds=120), 8_000)
    assert load_clip(tmp_path / "a.wav").seconds == 120
    soundfile.write(tmp_path / "b.wav", tone(8_000, seconds=120.5), 8_000)
    with pytest.raises(HoodnoteError, match="cut it into pieces"):
        load_clip(tmp_path / "b.wav")
