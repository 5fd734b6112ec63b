"""Which recognizers listen here: three that fail in different ways, the better ones first."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from hoodnote.capture.speech.recognizer import Recognizer
from hoodnote.errors import HoodnoteError


def best_three(model_dir: Path | None = None, models: Path | None = None) -> list[Recognizer]:
    """The phone listener, the neural engine, and Vosk when a model for it is found, else pocketsphinx.

    model_dir: a Vosk model named by the user; models: where fetched models lie.
    An engine that is not installed is left out, so the list may hold one or none; `survey` says why.
    Nothing heavy but the Vosk model is loaded before the first clip. Raises HoodnoteError when the model
    that the user named cannot be used.
    """
    engines: list[Recognizer] = []
    model = _model(model_dir, models)
    if model is not None and _lacking_package("vosk") is None:
        engines.append(_vosk(model))
    if _neural_lacking() is None:
        from hoodnote.capture.speech.encoded import EncodedClips
        from hoodnote.capture.speech.neural import NeuralRecognizer
        from hoodnote.capture.speech.phones import PhoneRecognizer

        clips = EncodedClips()
        engines = [PhoneRecognizer(clips), NeuralRecognizer(clips=clips), *engines]
    if len(engines) < 3 and _lacking_package("pocketsphinx") is None:
        from hoodnote.capture.speech.sphinx import SphinxRecognizer

        engines.append(SphinxRecognizer())
    return engines


def survey(model_dir: Path | None = None, models: Path | None = None) -> list[tuple[str, str | None]]:
    """(engine, what it lacks) for every engine this program knows; None where it is ready."""
    return [("vosk", _lacking_package("vosk") or _vosk_lacking(model_dir, models)), ("neural", _neural_lacking()),
            ("pocketsphinx", _lacking_package("pocketsphinx"))]


def _vosk(model: Path) -> Recognizer:
    from hoodnote.capture.speech.vosk_engine import VoskRecognizer
    from hoodnote.language.grammar import load

    language = load()
    return VoskRecognizer(model, language.phrases(), language.automaton.accepts)


def _model(model_dir: Path | None, models: Path | None) -> Path | None:
    from hoodnote.capture.speech.vosk_engine import find_model

    return find_model(model_dir, models)


def _vosk_lacking(model_dir: Path | None, models: Path | None) -> str | None:
    try:
        model = _model(model_dir, models)
        if model is None:
            return "no model; fetch one with: hoodnote model fetch"
        missing = _vosk(model).missing
    except HoodnoteError as error:
        return str(error)
    return f"ready, but its model lacks the words {', '.join(missing)}" if missing else None


def _neural_lacking() -> str | None:
    from hoodnote.capture.speech.neural_model import model_folder

    try:
        model_folder()
    except HoodnoteError as error:
        return str(error)
    return _lacking_package("onnxruntime")


def _lacking_package(name: str) -> str | None:
    return None if importlib.util.find_spec(name) else f"install it with: pip install {name}"
