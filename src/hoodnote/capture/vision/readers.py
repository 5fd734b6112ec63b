"""Optical character readers behind one protocol: a neural one that is always there, Tesseract where its program is.

Both work on the machine alone; the neural reader's models come inside its package and are named by path, so
that nothing is ever fetched.
"""

from __future__ import annotations

import copy
import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Protocol

import numpy as np

from hoodnote.capture.vision.threads import at_once, loaded_once, pool, threads
from hoodnote.errors import HoodnoteError

SHORT_TEXT = [3, 48, 128]       # least input of the network for a figure or a unit; its own is made for whole lines and takes twice the time
DETECTION_SIDE = 1280           # px; the longest side text is looked for at
WORTH_TWO_RUNS = 6              # strips for Tesseract, each of which takes it a quarter of the time that it takes to start
NEURAL, TESSERACT = "neural text reader", "tesseract"


@dataclass(frozen=True)
class TextLine:
    """`quad` is 4 x 2 float, corners clockwise from the text's own top left, in pixels of the picture that was read."""

    text: str
    confidence: float           # 0 to 1
    quad: np.ndarray


class Reader(Protocol):
    name: str

    def read(self, pixels: np.ndarray, quads: Sequence[np.ndarray]) -> list[TextLine]:
        """What stands in each quad of an RGB uint8 picture, upright text assumed. A quad that says nothing is left out."""


class NeuralReader:
    """PP-OCR networks in ONNX Runtime through the `rapidocr` package; also the one that finds where text is."""

    name = NEURAL

    def find_text(self, pixels: np.ndarray) -> list[np.ndarray]:
        """Quads of text, 4 x 2, clockwise from the corner nearest the picture's top left; unread."""
        found = _neural_engine(threads())(_bgr(pixels), use_det=True, use_cls=False, use_rec=False)
        return [] if getattr(found, "boxes", None) is None else [np.asarray(q, np.float32) for q in found.boxes]

    def read(self, pixels: np.ndarray, quads: Sequence[np.ndarray]) -> list[TextLine]:
        read = zip(self.read_strips([cut_out(pixels, quad) for quad in quads]), quads, strict=True)
        return [TextLine(text, confidence, quad) for (text, confidence), quad in read if text]

    def read_strips(self, strips: Sequence[np.ndarray], short: bool = False) -> list[tuple[str, float]]:
        """What stands in each RGB strip, a line of upright text, with how sure, 0 to 1; upside-down text gives a low confidence. Each is
        read by itself, so that what it says does not hang on what else is read. `short`: they hold a figure or a unit."""
        if not strips:
            return []
        recognizer = _recognizer(short)         # one thread for each strip: half the processor time
        if len(strips) == 1:
            return [_recognized(recognizer, strips[0])]
        return list(pool().map(lambda strip: _recognized(recognizer, strip), strips))

    def read_short(self, strips: Sequence[np.ndarray]) -> list[tuple[str, float]]:
        """What stands in each RGB strip of a figure or a unit, with how sure. Quicker than `read_strips`."""
        return self.read_strips(strips, short=True)

    def read_strip(self, strip: np.ndarray) -> tuple[str, float]:
        """One line of upright text."""
        return self.read_strips([strip])[0]


class TesseractReader:
    """The `tesseract` program through pytesseract, on one strip of text after the other in a single run, in two where there are many."""

    name = TESSERACT

    def read(self, pixels: np.ndarray, quads: Sequence[np.ndarray]) -> list[TextLine]:
        def run(numbers: Sequence[int]) -> list[TextLine]:
            lines = self._lines([_for_tesseract(cut_out(pixels, quads[i])) for i in numbers])
            return [TextLine(text, confidence, quads[numbers[strip]]) for strip, text, confidence in lines]

        numbers = range(len(quads))
        if len(quads) < WORTH_TWO_RUNS:
            return run(numbers) if len(quads) else []
        return [line for half in at_once(lambda: run(numbers[::2]), lambda: run(numbers[1::2])) for line in half]

    def _lines(self, strips: Sequence[np.ndarray]) -> list[tuple[int, str, float]]:
        """Number, text and confidence of each strip in which something was read."""
        import pytesseract
        from PIL import Image

        os.environ.setdefault("OMP_THREAD_LIMIT", "1")      # its threads wait busily for one another: two are slower than one
        pages = [Image.fromarray(strip) for strip in strips]
        with tempfile.TemporaryDirectory(prefix="hoodnote-") as folder:
            sheet = os.path.join(folder, "strips.tif")
            pages[0].save(sheet, save_all=True, append_images=pages[1:])
            try:        # page mode 7: each page is one line of text
                data = pytesseract.image_to_data(sheet, lang="eng", config="--oem 1 --psm 7", output_type=pytesseract.Output.DICT, timeout=60)
            except (pytesseract.TesseractError, RuntimeError, OSError):     # crashed, timed out or went away: this reader has nothing to say
                return []
        words: dict[int, list[tuple[str, float]]] = {}
        for page, text, confidence in zip(data["page_num"], data["text"], data["conf"], strict=True):
            if text.strip() and float(confidence) >= 0:
                words.setdefault(int(page) - 1, []).append((text.strip(), float(confidence) / 100))
        out = []
        for strip, found in sorted(words.items()):
            # a line is as doubtful as its most doubtful word that holds a digit
            doubts = [c for text, c in found if any(ch.isdigit() for ch in text)] or [c for _, c in found]
            out.append((strip, " ".join(text for text, _ in found), min(doubts)))
        return out


def cut_out(pixels: np.ndarray, quad: np.ndarray) -> np.ndarray:
    """The quad's content as an upright rectangle."""
    import cv2

    quad = np.asarray(quad, np.float32)
    width = int(max(8, np.linalg.norm(quad[1] - quad[0]), np.linalg.norm(quad[2] - quad[3])))
    height = int(max(8, np.linalg.norm(quad[3] - quad[0]), np.linalg.norm(quad[2] - quad[1])))
    matrix = cv2.getPerspectiveTransform(quad, np.float32([(0, 0), (width, 0), (width, height), (0, height)]))
    return cv2.warpPerspective(pixels, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def available_readers() -> list[Reader]:
    """The neural reader first, always; Tesseract when its program and English data are installed."""
    readers: list[Reader] = [NeuralReader()]
    if tesseract_is_installed():
        readers.append(TesseractReader())
    return readers


@cache
def tesseract_is_installed() -> bool:
    if shutil.which("tesseract") is None or find_spec("pytesseract") is None:
        return False
    import pytesseract

    try:
        return "eng" in pytesseract.get_languages()
    except (pytesseract.TesseractError, OSError, RuntimeError):
        return False


def _bgr(pixels: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(pixels[..., ::-1])


STRIP_HEIGHT = 48       # px; capitals come out near 30, which Tesseract's network was trained on


def _for_tesseract(strip: np.ndarray) -> np.ndarray:
    """Grey, dark on light, with the light evened out: a shadow's edge across a word upsets Tesseract."""
    import cv2

    grey = cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)
    grey = cv2.resize(grey, (max(8, round(grey.shape[1] * STRIP_HEIGHT / grey.shape[0])), STRIP_HEIGHT), interpolation=cv2.INTER_CUBIC)
    if np.median(grey) < (int(grey.min()) + int(grey.max())) / 2:
        grey = 255 - grey
    paper = cv2.dilate(cv2.medianBlur(grey, 3), np.ones((STRIP_HEIGHT // 3, STRIP_HEIGHT // 3), np.uint8))
    paper = cv2.GaussianBlur(paper, (0, 0), STRIP_HEIGHT / 8).astype(np.float32)
    even = grey / np.maximum(paper, 1)
    low = np.percentile(even, 2)
    even = np.clip((even - low) / max(1e-3, 1 - low), 0, 1)
    return cv2.copyMakeBorder((even * 255).astype(np.uint8), 12, 12, 20, 20, cv2.BORDER_CONSTANT, value=255)


def _recognized(recognizer, strip: np.ndarray) -> tuple[str, float]:
    from rapidocr.ch_ppocr_rec.typings import TextRecInput

    read = recognizer(TextRecInput(img=[_bgr(strip)]))
    text = read.txts[0].strip()
    return (text, float(read.scores[0])) if text else ("", 0.0)


@loaded_once
def _recognizer(short: bool):
    engine = _neural_engine(1)
    if engine.text_rec is None:          # it loads its networks one by one, as they are asked for
        engine(np.full((48, 128, 3), 255, np.uint8), use_det=False, use_cls=False, use_rec=True)
    if not short:
        return engine.text_rec
    recognizer = copy.copy(engine.text_rec)
    recognizer.rec_image_shape = SHORT_TEXT
    return recognizer


@loaded_once
def _neural_engine(threads: int):
    import logging

    try:
        import rapidocr
        from rapidocr import RapidOCR
    except ImportError:
        raise HoodnoteError("the text reader is not installed; run: pip install rapidocr onnxruntime") from None
    folder = Path(rapidocr.__file__).parent / "models"
    models = {}
    for part, mark in (("Det", "_det_"), ("Cls", "_cls_"), ("Rec", "_rec_")):
        hits = sorted(p for p in folder.glob("*.onnx") if mark in p.name)
        if not hits:
            raise HoodnoteError("the text reader's models are missing from its package; run: pip install --force-reinstall rapidocr")
        models[f"{part}.model_path"] = str(hits[0])
    engine = RapidOCR(params={
        **models,
        "Global.log_level": "error",
        "EngineConfig.onnxruntime.intra_op_num_threads": threads,
        "Det.limit_type": "max", "Det.limit_side_len": DETECTION_SIDE,
        "Det.score_mode": "slow",       # judged inside its outline: a bowed line fills its box badly and would be dropped
    })
    logging.getLogger("RapidOCR").setLevel(logging.ERROR)
    return engine
