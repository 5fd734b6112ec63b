"""The VIN from a windshield plate, a door label or a registration paper: printed characters and barcodes against each other.

It stands only when two of the ways (two text readers, a barcode) gave the same 17 characters and the check digit of 49 CFR 565.15
fits them; everything else is a question with the VINs it may be, the likeliest first.
"""

from __future__ import annotations

import io
import string
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader, Reader, available_readers, cut_out
from hoodnote.capture.vision.reading import Kind, Mark, PhotoField, PhotoReading
from hoodnote.capture.vision.rectify import has_glare, overexposed, sharpness
from hoodnote.capture.vision.vin_codes import VinCode, read_codes
from hoodnote.capture.vision.vin_plates import PlateReader
from hoodnote.capture.vision.vin_text import Row, VinReading, as_plates, not_named_otherwise, read_row, texts_of, vin_rows
from hoodnote.readings.model import Standing, Version
from hoodnote.readings.vin import CHECK, LENGTH, LOOKALIKE_COST, candidates, check_vin, formed
from hoodnote.statements.model import Fact

SEARCH = "check-digit search"
MOST_CANDIDATES = 4
GUESS = 0.45                 # likelihood of a VIN that nobody read and the check digit allows
NORTH_AMERICA = "12345"      # first characters, where every VIN has its check digit (SAE J1044's regions, from memory)
# Of two ways that agree, the less sure and the surer one: on 67 agreed VINs of development photos, all right, it asks about four more.
LEAST_CONFIDENCES = (0.6, 0.9)


def read_vin(photo: Photo, readers: Sequence[Reader] | None = None, rows: Sequence[Row] | None = None,
             codes: Sequence[VinCode] | None = None) -> PhotoReading:
    """Reads the VIN in a photo. `rows` of text and `codes`: those that were found before.

    Raises HoodnoteError when a reader that must be there cannot be used.
    """
    readers = [PlateReader(), *(available_readers() if readers is None else readers)]
    finder = NeuralReader()
    codes = read_codes(photo.pixels) if codes is None else codes
    texts = list(texts_of(photo, finder) if rows is None else rows)
    codes = not_named_otherwise(codes, texts)
    rows = vin_rows(texts) or ([] if codes else _with_more_trouble(photo, texts, finder))
    readings = [(row, reading) for row in rows for reading in read_row(photo.pixels, row, readers, [c.vin for c in codes])]
    used = tuple(dict.fromkeys((*(r.reader for _, r in readings), *(c.symbology for c in codes))))
    whole = [(row, _as_read(r)) for row, r in readings if len(r.vin) == LENGTH]
    if not whole and not codes:
        return PhotoReading(Kind.VIN, (), (), used, _what_to_do(photo, [r for _, r in readings]))
    return PhotoReading(Kind.VIN, (_field(photo, whole, codes),), (), used)


def decide(readings: Sequence[VinReading], codes: Sequence[VinCode]) -> tuple[list[str], str | None]:
    """The VINs it may be, the likeliest first, and the question to a person; None when the first one stands.

    `readings` have 17 characters each.
    """
    voices: dict[str, set[str]] = {}
    for vin, reader in (*((r.vin, r.reader) for r in readings), *((c.vin, c.symbology) for c in codes)):
        voices.setdefault(vin, set()).add(reader)
    right = [vin for vin in voices if check_vin(vin) is None]
    agreed = [vin for vin in right if len(voices[vin]) > 1]
    if len(agreed) == 1 and not any(_is_rival(vin, agreed[0], readings, codes) for vin in right if vin != agreed[0]):
        lettered = _with_a_letter(agreed[0], readings)
        if lettered is not None and not any(c.vin == agreed[0] for c in codes):
            return [agreed[0], lettered], f"The VIN reads {agreed[0]} or, as a vehicle built for another market may have it, {lettered}: which is it?"
        sure = _sureness(agreed[0], readings, codes)
        if all(one >= least for one, least in zip(sorted(sure.values())[-2:], LEAST_CONFIDENCES, strict=True)):
            return agreed, None
        return agreed, f"The VIN is hard to read, perhaps {agreed[0]}: is it right?"
    if any(c.corrects and c.vin in right for c in codes) and len(right) == 1 and not readings:
        return right, None              # the symbol's error correction and the VIN's check digit are two ways of proof
    likely = {vin: _likelihood(vin, readings, codes) for vin in voices}
    likely |= {vin: GUESS for vin, _ in _searched(readings, codes) if vin not in likely and not agreed}
    order = sorted(likely, key=lambda v: -likely[v])[:MOST_CANDIDATES]
    if any(likely[v] > GUESS and v in right for v in order):
        order = [v for v in order if v in voices]
    return order, _question(order, right, voices)


def _with_more_trouble(photo: Photo, texts: Sequence[Row], finder: NeuralReader) -> list[Row]:
    found = vin_rows(as_plates(photo.pixels, texts))
    if not found:
        texts = list(texts_of(photo, finder, smoothed=True))
        found = vin_rows(texts) or vin_rows(as_plates(photo.pixels, texts))
    return found


def _as_read(reading: VinReading) -> VinReading:
    """A VIN of another market whose check digit does not fit has none: then a letter that was read in its place is a letter."""
    if reading.vin[0] in NORTH_AMERICA or check_vin(reading.vin) is None:
        return reading
    return replace(reading, vin=_with_a_letter(reading.vin, [reading]) or reading.vin)


def _with_a_letter(vin: str, readings: Sequence[VinReading]) -> str | None:
    """The VIN as a reader has it who read a letter in the place of the check digit: taken for the figure that it looks like, it proves nothing."""
    for r in readings:
        raw = "".join(c for c in r.text.upper() if c in string.ascii_uppercase + string.digits)
        windows = [raw[i:i + LENGTH] for i in range(len(raw) - LENGTH + 1)] if r.vin == vin else []
        near = min(windows, key=lambda w: sum(a != b for a, b in zip(w, vin, strict=True)), default=vin)
        if near[CHECK] != vin[CHECK] and near[CHECK] not in "IOQ":
            return vin[:CHECK] + near[CHECK] + vin[CHECK + 1:]
    return None


def _is_rival(vin: str, agreed: str, readings: Sequence[VinReading], codes: Sequence[VinCode]) -> bool:
    """Another VIN with its check digit right speaks against the agreed one, unless each who gave it gave the agreed one more surely."""
    if any(c.vin == vin for c in codes):
        return True
    for r in readings:
        own = [o.confidence for o in readings if o.reader == r.reader and o.vin == agreed]
        if r.vin == vin and (not own or r.confidence >= max(own)):
            return True
    return False


def _question(order: Sequence[str], right: Sequence[str], voices: dict[str, set[str]]) -> str:
    first = order[0]
    told = " or ".join(order)
    if first not in voices:
        return f"The check digit of the VIN does not fit what was read; it may be {told}: which is it?"
    if first not in right:
        text = check_vin(first).text
        also = f"; or is it {' or '.join(order[1:])}" if len(order) > 1 else ""
        return f"The VIN reads {first}, but {text}{also}: what does the plate say?"
    if len(order) > 1:
        return f"The VIN reads {told}: which is it?"
    return f"The VIN reads {first}, but only one of the readers gave it: is it right?"


def _searched(readings: Sequence[VinReading], codes: Sequence[VinCode]) -> list[tuple[str, float]]:
    weighted = [(formed(r.vin), max(0.05, r.confidence) ** 2) for r in readings] + [(c.vin, 2.0) for c in codes]
    found = candidates(weighted, MOST_CANDIDATES)
    read_by_somebody = [x for x in found if x[1] < LOOKALIKE_COST]
    return read_by_somebody or found


def _likelihood(vin: str, readings: Sequence[VinReading], codes: Sequence[VinCode]) -> float:
    """For the order of a question only: each reader's surest word for it, and more where the check digit is right. In North America a
    VIN without its check digit cannot be, so it comes after what the search found."""
    sure = sum(_sureness(vin, readings, codes).values())
    if check_vin(vin) is None:
        return sure + 0.5
    return sure * (0.1 if vin[0] in NORTH_AMERICA else 1.0)


def _sureness(vin: str, readings: Sequence[VinReading], codes: Sequence[VinCode]) -> dict[str, float]:
    """Each way's surest word for it."""
    sure = {c.symbology: 1.0 for c in codes if c.vin == vin}
    for r in readings:
        if r.vin == vin:
            sure[r.reader] = max(sure.get(r.reader, 0.0), r.confidence)
    return sure


def _field(photo: Photo, whole: Sequence[tuple[Row, VinReading]], codes: Sequence[VinCode]) -> PhotoField:
    readings = [r for _, r in whole]
    order, question = decide(readings, codes)
    first = order[0]
    row = next((row for row, r in whole if r.vin == first), whole[0][0] if whole else None)
    quad = np.asarray(row.quad if row is not None else codes[0].quad)
    if question is None and _at_the_edge(quad, photo):
        question = f"The VIN, read as {first}, is cut by the edge of the photo: is it right?"
    versions = [Version(r.reader, r.text, Fact("vin", r.vin), round(r.confidence, 3)) for r in sorted(readings, key=lambda r: -r.confidence)]
    versions += [Version(c.symbology, c.vin, Fact("vin", c.vin), 0.99) for c in codes]
    versions += [Version(SEARCH, vin, Fact("vin", vin)) for vin in order if not any(v.statement.value == vin for v in versions)]
    versions = [v for v in versions if v.statement.value in order]
    versions.sort(key=lambda v: order.index(v.statement.value))
    agreed = question is None
    marks = tuple(Mark(tuple((float(x), float(y)) for x, y in c.quad), True, "used") for c in codes)
    left, top = (max(0, int(v)) for v in quad.min(axis=0))
    right, bottom = min(photo.width, int(quad[:, 0].max()) + 1), min(photo.height, int(quad[:, 1].max()) + 1)
    return PhotoField(Fact("vin", first), Standing.AGREED if agreed else Standing.UNCONFIRMED, 0.99 if agreed else 0.5,
                      tuple({(v.reader, v.statement): v for v in reversed(versions)}.values())[::-1], (left, top, right, bottom),
                      tuple((int(x), int(y)) for x, y in np.rint(quad)), _crop(photo, quad), question, None, marks)


def _at_the_edge(quad: np.ndarray, photo: Photo) -> bool:
    """The row's box has room at both ends, so a box that reaches the edge may have lost a character there."""
    inner = quad.mean(axis=0) + (quad - quad.mean(axis=0)) * 0.93
    return bool((inner < 1).any() or (inner[:, 0] > photo.width - 2).any() or (inner[:, 1] > photo.height - 2).any())


def _crop(photo: Photo, quad: np.ndarray) -> bytes:
    from PIL import Image

    strip = Image.fromarray(cut_out(photo.pixels, quad))
    strip.thumbnail((1000, 400))
    out = io.BytesIO()
    strip.save(out, "PNG", compress_level=2)
    return out.getvalue()


def _what_to_do(photo: Photo, readings: Sequence[VinReading]) -> str:
    if readings:
        best = max(readings, key=lambda r: r.confidence)
        return f"{len(best.vin)} characters were read of the VIN's 17 ({best.text}): hold the whole VIN in the picture, without glare, and take it again."
    if overexposed(photo.pixels):
        return "The photo is overexposed: take it again with less light."
    if has_glare(photo):
        return "No VIN was found, and light has burnt out a part of the photo: take it again from another angle, without glare on the VIN."
    if sharpness(photo.pixels) < 15:
        return "No VIN was found and the photo is blurred: hold still, focus on the VIN and take it again."
    return "No VIN was found: fill the picture with the plate or its line on the label and take it again."
