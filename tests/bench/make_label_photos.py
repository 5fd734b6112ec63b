"""Draws the two label photos of the demonstration: `python -m tests.bench.make_label_photos [FOLDER]`.

The vehicle, the label and the engine bay are invented and drawn by this program; each file says so in its EXIF
description and on the label itself. The second photo is taken at more of an angle, with a reflection that runs
into the oil's lines, so that an honest reader must ask about them.
"""

from __future__ import annotations

import sys
from decimal import Decimal
from pathlib import Path

from PIL import Image

from hoodnote.resources import folder
from tests.bench.camera import SEVERITIES, photograph
from tests.bench.label_render import BUILT_IN, STYLES, Truth, _Sheet

SIZE = (1600, 1200)
DESCRIPTION = "synthetic picture, drawn by a program for hoodnote; no real vehicle or label"
DEMO = Truth("R-134a", Decimal("0.55"), "kg", Decimal("0.02"), Decimal("19.4"), "oz", "PAG 46", Decimal("120"), "mL", Decimal("4.1"),
             "0.55 ± 0.02 kg (19.4 oz)", "120 mL (4.1 fl oz)", "R-134a")


def demo_label() -> Image.Image:
    sheet = _Sheet((1000, 600), STYLES[0], BUILT_IN)
    sheet.frame()
    sheet.text((500, 70), "AIR CONDITIONING SERVICE DATA", 52, "mm", sheet.style.accent, fit=900)
    sheet.rule(120)
    for i, (name, value) in enumerate([("REFRIGERANT", DEMO.refrigerant_text), ("CHARGE", DEMO.charge_text), ("COMPRESSOR OIL", DEMO.oil_type), ("OIL AMOUNT", DEMO.oil_text)]):
        y = 175 + i * 84
        sheet.text((40, y), name, 40, "lm", fit=340)
        sheet.text((400, y), value, 48, "lm", fit=560)
        sheet.rule(y + 42, 1)
    sheet.text((500, 505), "Wear eye protection. System under pressure.", 28, "mm", fit=900)
    sheet.text((500, 555), "Specimen: synthetic picture, no real vehicle", 26, "mm", sheet.style.accent)
    return sheet.image


def demo_photos() -> dict[str, Image.Image]:
    label = demo_label()
    return {
        "synthetic_label_straight.jpg": photograph(label, SEVERITIES["mild"], 41, SIZE, turn_deg=-3),
        "synthetic_label_glare.jpg": photograph(label, SEVERITIES["moderate"], 57, SIZE, glare_at=(0.66, 0.76), glare_size=0.1, turn_deg=9),
    }


def main() -> None:
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else folder("sample_media") / "photos"
    target.mkdir(parents=True, exist_ok=True)
    for name, photo in demo_photos().items():
        exif = Image.Exif()
        exif[0x010E] = DESCRIPTION          # ImageDescription
        exif[0x0131] = "hoodnote tests.bench.make_label_photos"      # Software
        photo.save(target / name, "JPEG", quality=85, exif=exif)
        print(f"{name}: {(target / name).stat().st_size // 1000} kB")


if __name__ == "__main__":
    main()
