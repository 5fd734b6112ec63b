"""Draws invented VINs on windshield plates, door labels and registration papers, in many styles, with and without barcodes.

No style follows any maker's or state's design. VINs are random characters with the check digit of 49 CFR 565.15, or, for the
part that is said to come from elsewhere, without a right one. `DEVELOPMENT` styles may be looked at while the reader is
written; `HELD_OUT` ones (other typefaces, metals, layouts and words) only ever score it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from hoodnote.readings.vin import check_digit
from tests.bench.label_render import font

_ALL, _DIGITS, _YEARS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789", "0123456789", "ABCDEFGHJKLMNPRSTVWXY123456789"
FOREIGN_SHARE = 0.05          # of the VINs have no right check digit


@dataclass(frozen=True)
class PlateStyle:
    make: str                                   # "printed", "embossed", "dots"
    face: str
    ground: tuple[int, int, int]
    ink: tuple[int, int, int]
    spacing: float                              # between characters, shares of their height
    stars: bool = False
    groups: tuple[int, ...] = (17,)


@dataclass(frozen=True)
class PaperStyle:
    faces: tuple[str, str]
    ground: tuple[int, int, int]
    ink: tuple[int, int, int]
    words: tuple[str, ...]                      # lines about the VIN; "{vin}" stands for it
    code: str | None                            # "Code39", "DataMatrix", "QRCode"
    code_below: bool = True
    prefix: bool = False
    table: bool = False


@dataclass(frozen=True)
class Split:
    plates: tuple[PlateStyle, ...]
    papers: tuple[PaperStyle, ...]
    first_seed: int


@dataclass(frozen=True)
class Truth:
    vin: str
    checked: bool
    code: str | None


DEVELOPMENT = Split(
    (PlateStyle("printed", "DejaVuSansMono-Bold.ttf", (22, 22, 24), (232, 232, 230), 0.06),
     PlateStyle("printed", "LiberationSans-Bold.ttf", (196, 198, 200), (20, 20, 24), 0.10, stars=True),
     PlateStyle("embossed", "LiberationMono-Bold.ttf", (150, 152, 156), (150, 152, 156), 0.08),
     PlateStyle("dots", "DejaVuSans.ttf", (176, 178, 182), (60, 62, 66), 0.14),
     PlateStyle("printed", "DejaVuSansCondensed-Bold.ttf", (30, 34, 44), (214, 214, 206), 0.05, groups=(3, 6, 8))),
    (PaperStyle(("DejaVuSans.ttf", "DejaVuSansMono-Bold.ttf"), (244, 244, 240), (18, 18, 20),
                ("MFD BY INVENTED WORKS", "DATE 08/14", "GVWR 2130 KG 4696 LB", "VIN: {vin}", "TYPE: PASSENGER CAR"), "Code39"),
     PaperStyle(("LiberationSans-Regular.ttf", "LiberationMono-Bold.ttf"), (240, 222, 120), (16, 16, 16),
                ("THIS VEHICLE CONFORMS TO ALL", "STANDARDS IN EFFECT ON THE DATE", "OF MANUFACTURE SHOWN ABOVE", "{vin}"), "DataMatrix"),
     PaperStyle(("LiberationSerif-Regular.ttf", "LiberationSans-Bold.ttf"), (250, 250, 248), (24, 24, 40),
                ("REGISTRATION CERTIFICATE", "Plate no  TST 4417", "Vehicle identification no", "{vin}", "Class  passenger  Fuel  petrol"), None, table=True)),
    0)
HELD_OUT = Split(
    (PlateStyle("printed", "LiberationSansNarrow-Bold.ttf", (16, 18, 16), (240, 240, 236), 0.09),
     PlateStyle("printed", "DejaVuSans-Bold.ttf", (208, 206, 198), (36, 30, 28), 0.07, groups=(9, 8)),
     PlateStyle("embossed", "DejaVuSansCondensed-Bold.ttf", (88, 92, 98), (88, 92, 98), 0.12, stars=True),
     PlateStyle("dots", "LiberationSans-Bold.ttf", (58, 60, 66), (206, 206, 204), 0.16),
     PlateStyle("printed", "LiberationMono-Regular.ttf", (44, 36, 32), (226, 220, 210), 0.04)),
    (PaperStyle(("LiberationSansNarrow-Regular.ttf", "LiberationSansNarrow-Bold.ttf"), (252, 252, 252), (10, 10, 10),
                ("BUILT 11/09", "V.I.N. {vin}", "FRONT 240 KPA 35 PSI", "REAR 240 KPA 35 PSI"), "Code39", code_below=False, prefix=True),
     PaperStyle(("DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf"), (206, 210, 214), (12, 12, 16),
                ("FAHRZEUG NR", "{vin}", "1740 KG", "1- 980 KG", "2- 860 KG"), "QRCode"),
     PaperStyle(("DejaVuSerif.ttf", "DejaVuSansMono.ttf"), (246, 244, 232), (30, 30, 30),
                ("TITLE AND REGISTRATION", "VIN", "{vin}", "Colour  grey", "Weight  3410"), None, table=True)),
    500_000)
SPLITS = {"development": DEVELOPMENT, "heldout": HELD_OUT}


def random_vin(rng: random.Random, checked: bool = True) -> str:
    first = rng.choice("12345" if checked else "JKLSVWYZ")
    body = [first, *(rng.choice(_ALL) for _ in range(7)), "0", rng.choice(_YEARS), *(rng.choice(_ALL) for _ in range(2)),
            *(rng.choice(_DIGITS) for _ in range(5))]
    digit = check_digit("".join(body))
    body[8] = digit if checked else rng.choice([c for c in _ALL if c != digit])
    return "".join(body)


def random_plate(split: Split, seed: int, blank: bool = False) -> tuple[Image.Image, Truth]:
    """`blank`: the same without the VIN's characters."""
    rng = random.Random(split.first_seed + seed)
    checked = rng.random() >= FOREIGN_SHARE
    vin = random_vin(rng, checked)
    if rng.random() < 0.55:
        return plate(rng.choice(split.plates), vin, rng, blank), Truth(vin, checked, None)
    style = rng.choice(split.papers)
    code = style.code if rng.random() < 0.6 else None
    return paper(style, vin, code, rng, blank), Truth(vin, checked, code)


def plate(style: PlateStyle, vin: str, rng: random.Random, blank: bool = False) -> Image.Image:
    height = 84
    face = font(style.face, height)
    text = f"*{vin}*" if style.stars else vin
    gaps, at = set(), 0
    for group in style.groups[:-1]:
        at += group
        gaps.add(at + style.stars)
    widths = [face.getlength(c) for c in text]
    advance = [w + style.spacing * height + (0.5 * height if i + 1 in gaps else 0) for i, w in enumerate(widths)]
    image = Image.new("L", (int(sum(advance)) + 2 * height, int(2.6 * height)), 0)
    draw, x = ImageDraw.Draw(image), float(height)
    for char, step in zip(text, advance, strict=True):
        draw.text((x, 1.3 * height), char, fill=255, font=face, anchor="lm")
        x += step
    mask = np.asarray(image, np.float32) / 255 * (not blank)
    if style.make == "dots":
        mask = _dotted(mask, height / 10.5)
    out = np.empty((*mask.shape, 3), np.float32)
    out[:] = style.ground
    out += np.random.default_rng(rng.getrandbits(32)).normal(0, 14, mask.shape)[..., None].astype(np.float32)     # the metal's grain
    if style.make == "embossed":
        raised = np.asarray(Image.fromarray((mask * 255).astype(np.uint8)).filter(ImageFilter.GaussianBlur(2.2)), np.float32)
        slope = np.gradient(raised, axis=0) * 0.8 + np.gradient(raised, axis=1) * 0.6
        out += (-slope * 6 + raised * 0.10)[..., None]
    else:
        out = out * (1 - mask[..., None]) + np.asarray(style.ink, np.float32) * mask[..., None]
    picture = Image.fromarray(np.clip(out, 0, 255).astype(np.uint8))
    draw = ImageDraw.Draw(picture)
    for rivet in (0.35 * height, picture.width - 0.35 * height):
        draw.ellipse((rivet - 14, 1.3 * height - 14, rivet + 14, 1.3 * height + 14), fill=(120, 120, 118), outline=(60, 60, 60), width=3)
    return picture


def _dotted(mask: np.ndarray, pitch: float) -> np.ndarray:
    """Round dots on a square grid, in each cell that the letters cover well."""
    cells = (round(mask.shape[1] / pitch), round(mask.shape[0] / pitch))
    covered = np.asarray(Image.fromarray(mask).resize(cells, Image.Resampling.BOX)) > 0.38
    rows, columns = np.mgrid[0:mask.shape[0], 0:mask.shape[1]]
    down, along = rows / mask.shape[0] * cells[1], columns / mask.shape[1] * cells[0]
    near = np.hypot(down % 1 - 0.5, along % 1 - 0.5) < 0.46
    return (covered[down.astype(int), along.astype(int)] & near).astype(np.float32)


def paper(style: PaperStyle, vin: str, code: str | None, rng: random.Random, blank: bool = False) -> Image.Image:
    plain, strong = font(style.faces[0], 40), font(style.faces[1], 52)
    symbol = barcode(("I" if style.prefix and code == "Code39" else "") + vin, code) if code else None
    width = 1240
    image = Image.new("RGB", (width, 130 + 92 * len(style.words) + (symbol.height + 60 if symbol and code == "Code39" else 0)), style.ground)
    draw, y = ImageDraw.Draw(image), 50
    if symbol is not None and code == "Code39" and not style.code_below:
        image.paste(symbol, (60, y))
        y += symbol.height + 40
    for line in style.words:
        face = strong if "{vin}" in line else plain
        draw.text((60, y), line.format(vin="" if blank else vin), fill=style.ink, font=face)
        if style.table:
            draw.line((40, y + 74, width - 40, y + 74), fill=style.ink, width=2)
        y += 92
    if symbol is not None and code == "Code39" and style.code_below:
        image.paste(symbol, (60, y))
    if symbol is not None and code != "Code39":
        image.paste(symbol, (width - symbol.width - 40, image.height - symbol.height - 40))
    draw.rectangle((12, 12, width - 12, image.height - 12), outline=style.ink, width=4)
    return image


def barcode(text: str, code: str) -> Image.Image:
    """By zxing-cpp's own writer, with its quiet zone."""
    import zxingcpp

    made = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, code))
    picture = Image.fromarray(np.asarray(made.to_image(scale=2 if code == "Code39" else 7)))
    if code == "Code39":
        picture = picture.resize((min(1100, picture.width * 2), 110), Image.Resampling.NEAREST)
    framed = Image.new("RGB", (picture.width + 40, picture.height + 40), (255, 255, 255))
    framed.paste(picture, (20, 20))
    return framed
