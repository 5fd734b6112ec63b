"""Barcodes that hold a VIN: Code 39 (with or without the import prefix), Data Matrix and QR, decoded by zxing-cpp."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.rectify import reduced
from hoodnote.readings.vin import check_vin, permitted

REDUCED_SIDE = 2200          # px; a barcode that fills a tenth of a phone's photo is still told apart at this size
_WHOLE = re.compile(r"(?<![A-Z0-9])[A-HJ-NPR-Z0-9]{17}(?![A-Z0-9])")


@dataclass(frozen=True, eq=False)
class VinCode:
    """`vin` has 17 permitted characters, its check digit right or not. `corrects`: the symbology has error correction of its own
    (ISO/IEC 16022 Data Matrix, ISO/IEC 18004 QR); Code 39 (ISO/IEC 16388) has none. `quad` is 4 x 2 in the photo's pixels."""

    vin: str
    symbology: str
    corrects: bool
    quad: np.ndarray


def read_codes(pixels: np.ndarray) -> list[VinCode]:
    """Codes with a VIN in an RGB uint8 picture, looked for at a reduced size; other codes are passed over."""
    import cv2
    import zxingcpp

    small, scale = reduced(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), REDUCED_SIDE)
    formats = (zxingcpp.BarcodeFormat.Code39, zxingcpp.BarcodeFormat.DataMatrix, zxingcpp.BarcodeFormat.QRCode)
    out = []
    for code in zxingcpp.read_barcodes(small, formats=formats):
        vin = vin_of(code.text)
        if vin is None or not code.valid:
            continue
        p = code.position
        quad = np.float32([(c.x, c.y) for c in (p.top_left, p.top_right, p.bottom_right, p.bottom_left)]) / scale
        corrects = code.format != zxingcpp.BarcodeFormat.Code39
        out.append(VinCode(vin, "Code 39" if not corrects else str(code.format).rpartition(".")[2], corrects, quad))
    return out


def vin_of(text: str) -> str | None:
    """The VIN that the text of a barcode holds: alone, behind the import prefix I, or as one word among others; None for none or several."""
    text = text.strip("* \r\n\t").upper()
    if len(text) == 18 and text[0] == "I" and permitted(text[1:]) == text[1:]:
        return text[1:]
    whole = list(dict.fromkeys(_WHOLE.findall(text)))
    right = [v for v in whole if check_vin(v) is None]
    found = right or whole
    return found[0] if len(found) == 1 else None
