"""What is left of the words on a face that lie under its pointer, read where the pointer is painted out: enough to ask, never to take."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np

from hoodnote.capture.vision.dial_needle import Pointer
from hoodnote.capture.vision.dial_rectify import MIDDLE, RIM, FaceView
from hoodnote.capture.vision.dial_text import OTHER_WORDS, UNIT_WORDS
from hoodnote.capture.vision.readers import NeuralReader, cut_out

REACH = 0.56                 # rim radii round the middle that words are looked for in
SIDE = 640                   # px that part is brought to
STROKE = 9                   # px of the view: the pointer is wider, the strokes of letters are not
LIKE = 0.45                  # of the way from the pointer's colour to the paper's
LEAST_SURE = 0.5
# what is left of a unit that is no pressure's: km/h, mph, %, degrees
NO_PRESSURE = re.compile(r"[a-z]{0,2}/?h|k?m/?|%|[°o℃℉]?[cf]|[℃℉°]", re.IGNORECASE)


def words_beneath(view: FaceView, pointer: Pointer, reader: NeuralReader) -> list[str]:
    """Texts near the middle, the likeliest reading of each, as they stand with the pointer painted out."""
    import cv2

    low, high = int(MIDDLE - REACH * RIM), int(MIDDLE + REACH * RIM)
    face = np.ascontiguousarray(view.pixels[low:high, low:high])
    ink, paper = _along(view, pointer), np.median(face.reshape(-1, 3), axis=0)
    off = np.linalg.norm(face.astype(np.float32) - ink, axis=2)
    like = (off < LIKE * np.linalg.norm(paper - ink)).astype(np.uint8)
    wide = cv2.morphologyEx(like, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (STROKE, STROKE)))
    hidden = cv2.dilate(wide, np.ones((5, 5), np.uint8))
    bare = cv2.resize(cv2.inpaint(face, hidden, 3, cv2.INPAINT_TELEA), (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
    quads = [q for q in reader.find_text(bare) if np.hypot(*(q.mean(axis=0) - SIDE / 2)) < 0.85 * SIDE / 2]
    return [text for text, sure in reader.read_short([cut_out(bare, q) for q in quads]) if sure >= LEAST_SURE]


def units_among(words: Sequence[str]) -> set[str]:
    """Pressure units that words found beneath may be, whatever stands beside them."""
    return {unit for unit, pattern in UNIT_WORDS.items() if any(pattern.search(w) for w in words)}


def tells_of_another_quantity(words: list[str]) -> bool:
    return any(OTHER_WORDS.search(w) or NO_PRESSURE.fullmatch(w.strip(" .-_")) for w in words)


def _along(view: FaceView, pointer: Pointer) -> np.ndarray:
    """The pointer's colour."""
    a, out = math.radians(pointer.angle), np.linspace(0.25, 0.6, 60) * view.ticks
    columns, rows = np.rint(MIDDLE + out * math.sin(a)).astype(int), np.rint(MIDDLE - out * math.cos(a)).astype(int)
    return np.median(view.pixels[rows, columns], axis=0)
