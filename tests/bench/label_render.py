"""Draws invented under-hood refrigerant labels with known fields, in several layouts, wordings and fonts.

No layout follows any maker's label; names and numbers are made up. `DEVELOPMENT` layouts and fonts may be
looked at while the reader is written; `HELD_OUT` layouts and fonts only ever score it.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from functools import cache
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

FONT_ROOTS = (Path("/usr/share/fonts/truetype"), Path("/usr/share/fonts"), Path("/Library/Fonts"))
BUILT_IN = "built-in"            # the face inside Pillow: always there

GRAMS = {"g": Decimal(1), "kg": Decimal(1000), "oz": Decimal("28.349523"), "lb": Decimal("453.59237")}   # NIST SP 811 B.8
ML = {"mL": Decimal(1), "cc": Decimal(1), "fl oz": Decimal("29.57353")}                                    # NIST SP 811 B.8


@dataclass(frozen=True)
class Truth:
    """What the label says: the figures as printed."""

    refrigerant: str
    charge: Decimal
    charge_unit: str
    tolerance: Decimal | None
    second_charge: Decimal | None
    second_unit: str | None
    oil_type: str
    oil: Decimal
    oil_unit: str
    second_oil: Decimal | None
    charge_text: str
    oil_text: str
    refrigerant_text: str


def _rounded(value: Decimal, places: str) -> Decimal:
    return value.quantize(Decimal(places), rounding=ROUND_HALF_EVEN)


def invent(rng: random.Random) -> Truth:
    """A label's fields at random, within what passenger vehicles carry (common practice, no source)."""
    refrigerant = rng.choice(["R-134a", "R-134a", "R-1234yf", "R-1234yf", "R-12"])
    printed = {"R-134a": ["R-134a", "R134a", "HFC-134a", "HFC-134a (R-134a)"], "R-1234yf": ["R-1234yf", "R1234yf", "HFO-1234yf"],
               "R-12": ["R-12", "CFC-12 (R-12)"]}[refrigerant]
    oil_type = rng.choice({"R-134a": ["PAG 46", "PAG 100", "PAG 150", "POE"], "R-1234yf": ["PAG 46", "PAG 100", "POE"], "R-12": ["mineral"]}[refrigerant])
    grams = Decimal(rng.randrange(38, 130) * 10 + rng.choice([0, 0, 5]))
    style = rng.choice(["kg+oz", "kg+lb", "g+oz", "g", "kg", "kg+lboz", "oz"])
    tolerance = None
    if style.startswith("kg"):
        charge, unit = _rounded(grams / 1000, rng.choice(["0.01", "0.001"]) if grams % 10 == 0 else "0.001"), "kg"
        tol = Decimal("0.02") if charge.as_tuple().exponent == -2 else Decimal("0.020")
    elif style == "oz":
        charge, unit, tol = _rounded(grams / GRAMS["oz"], "0.1"), "oz", Decimal("0.7")
    else:
        charge, unit, tol = _rounded(grams, "1"), "g", Decimal(rng.choice([20, 25]))
    if rng.random() < 0.5:
        tolerance = tol
    kept = charge * GRAMS[unit]
    second = second_unit = None
    second_text = ""
    if style.endswith("+oz"):
        second, second_unit = _rounded(kept / GRAMS["oz"], "0.1"), "oz"
        second_text = f"{second} oz"
    elif style.endswith("+lb"):
        second, second_unit = _rounded(kept / GRAMS["lb"], "0.01"), "lb"
        second_text = f"{second} lb" + rng.choice(["", "s"])
    elif style.endswith("+lboz"):
        second, second_unit = _rounded(kept / GRAMS["oz"], "0.1"), "oz"
        second_text = f"{second // 16} lb {second % 16} oz"
    pm = rng.choice([" ± ", "±", " +/- "])
    spaced = rng.choice([" ", " ", ""])
    first_text = f"{charge}{pm}{tolerance}{spaced}{unit}" if tolerance is not None else f"{charge}{spaced}{unit}"
    joint = rng.choice([" ({})", " / {}", "  {}"])
    charge_text = first_text + (joint.format(second_text) if second_text else "")
    ml = Decimal(rng.randrange(8, 24) * 10)
    oil_unit = rng.choice(["mL", "mL", "cc"])
    second_oil = _rounded(ml / ML["fl oz"], "0.1") if rng.random() < 0.5 else None
    oil_text = f"{ml}{rng.choice([' ', ' ', ''])}{rng.choice(['mL', 'ml']) if oil_unit == 'mL' else 'cc'}"
    if second_oil is not None:
        oil_text += rng.choice([" ({} fl oz)", " / {} fl. oz."]).format(second_oil)
    return Truth(refrigerant, charge, unit, tolerance, second, second_unit, oil_type, ml, "mL", second_oil, charge_text, oil_text, rng.choice(printed))


@cache
def _font_path(name: str) -> str | None:
    if Path(name).is_file():
        return name
    for root in FONT_ROOTS:
        hits = sorted(root.rglob(name)) if root.is_dir() else []
        if hits:
            return str(hits[0])
    return None


def font(name: str, size: int) -> ImageFont.FreeTypeFont:
    """Raises FileNotFoundError when the face is not on this machine (Debian: fonts-dejavu, fonts-liberation)."""
    if name == BUILT_IN:
        return ImageFont.load_default(size)
    path = _font_path(name)
    if path is None:
        raise FileNotFoundError(f"the font {name} is not installed (Debian packages fonts-dejavu and fonts-liberation)")
    return ImageFont.truetype(path, size)


@dataclass(frozen=True)
class Style:
    paper: tuple[int, int, int]
    ink: tuple[int, int, int]
    accent: tuple[int, int, int]


STYLES = (
    Style((245, 245, 242), (15, 15, 18), (20, 70, 130)),
    Style((248, 222, 90), (12, 12, 12), (30, 30, 30)),
    Style((225, 228, 230), (25, 28, 40), (110, 20, 20)),
    Style((40, 44, 52), (240, 240, 238), (200, 170, 40)),
    Style((120, 185, 130), (5, 20, 10), (10, 60, 20)),
)


class _Sheet:
    """A label being drawn, 1000 px wide."""

    def __init__(self, size: tuple[int, int], style: Style, face: str):
        self.image = Image.new("RGB", size, style.paper)
        self.draw = ImageDraw.Draw(self.image)
        self.style, self.face = style, face

    def text(self, xy, words, size, anchor="la", fill=None, fit=None):
        f = font(self.face, size)
        while fit and f.getlength(words) > fit and size > 14:
            size -= 2
            f = font(self.face, size)
        self.draw.text(xy, words, font=f, fill=fill or self.style.ink, anchor=anchor)

    def frame(self, width=5):
        w, h = self.image.size
        self.draw.rectangle((8, 8, w - 9, h - 9), outline=self.style.accent, width=width)

    def rule(self, y, width=3):
        self.draw.line((24, y, self.image.width - 24, y), fill=self.style.accent, width=width)


Layout = Callable[[Truth, Style, str, random.Random], Image.Image]
NOTICES = ("Serviced by trained persons only.", "Wear eye protection. System under pressure.", "See the service manual before opening.",
           "Meets SAE J639.", "Do not vent to the air.")


def _oil_words(t: Truth, rng: random.Random) -> str:
    if t.oil_type == "mineral":
        return rng.choice(["MINERAL", "Mineral oil"])
    return rng.choice([t.oil_type, t.oil_type.replace(" ", "-"), t.oil_type.replace(" ", "")]) if t.oil_type != "POE" else "POE"


def rows(t, style, face, rng):
    """Two columns: name, value."""
    s = _Sheet((1000, 560), style, face)
    s.frame()
    s.text((500, 70), "AIR CONDITIONING SYSTEM", 54, "mm", s.style.accent, fit=900)
    s.rule(120)
    for i, (name, value) in enumerate([("REFRIGERANT", t.refrigerant_text), ("CHARGE", t.charge_text), ("COMPRESSOR OIL", _oil_words(t, rng)), ("OIL AMOUNT", t.oil_text)]):
        y = 175 + i * 82
        s.text((40, y), name, 40, "lm", fit=340)
        s.text((400, y), value, 46, "lm", fit=565)
        s.rule(y + 40, 1)
    s.text((500, 515), rng.choice(NOTICES), 28, "mm", fit=900)
    return s.image


def stacked(t, style, face, rng):
    """Centred lines, name and value together."""
    s = _Sheet((1000, 620), style, face)
    s.frame(8)
    s.text((500, 66), rng.choice(["CAUTION", "NOTICE"]), 56, "mm", s.style.accent)
    s.text((500, 140), f"REFRIGERANT TYPE: {t.refrigerant_text}", 50, "mm", fit=930)
    s.text((500, 230), f"SYSTEM CHARGE: {t.charge_text}", 50, "mm", fit=930)
    s.text((500, 320), f"LUBRICANT: {_oil_words(t, rng)}", 50, "mm", fit=930)
    s.text((500, 410), f"OIL QUANTITY: {t.oil_text}", 50, "mm", fit=930)
    s.rule(460)
    s.text((500, 505), rng.choice(NOTICES), 30, "mm", fit=900)
    s.text((500, 560), f"Part {rng.randrange(10000, 99999)}-{rng.choice('ABK')}{rng.randrange(10, 99)}", 26, "mm")
    return s.image


def sentence(t, style, face, rng):
    """Values run together in few lines."""
    s = _Sheet((1000, 430), style, face)
    s.frame(4)
    s.text((40, 40), "A/C REFRIGERANT " + t.refrigerant_text, 52, fit=920)
    s.text((40, 130), "AMOUNT " + t.charge_text, 52, fit=920)
    s.text((40, 220), f"OIL {_oil_words(t, rng)}  {t.oil_text}", 52, fit=920)
    s.text((40, 320), rng.choice(NOTICES) + "  MAX. PRESSURE " + rng.choice(["3.2 MPa", "2.9 MPa"]), 28, fit=920)
    return s.image


def side_bar(t, style, face, rng):
    """A dark bar with the refrigerant, the rest at its right."""
    s = _Sheet((1000, 500), style, face)
    s.draw.rectangle((0, 0, 330, 500), fill=s.style.accent)
    light = (250, 250, 250)
    s.text((165, 120), "REFRIGERANT", 40, "mm", light, fit=300)
    s.text((165, 240), t.refrigerant_text, 66, "mm", light, fit=305)
    s.text((165, 380), "12 V", 40, "mm", light)
    s.text((365, 60), "CHARGE AMOUNT", 36, fit=600)
    s.text((365, 110), t.charge_text, 52, fit=605)
    s.text((365, 220), "OIL TYPE", 36, fit=600)
    s.text((365, 268), _oil_words(t, rng), 52, fit=600)
    s.text((365, 360), "OIL VOLUME", 36, fit=600)
    s.text((365, 408), t.oil_text, 52, fit=600)
    return s.image


def columns(t, style, face, rng):
    """Headings across, values underneath."""
    s = _Sheet((1100, 420), style, face)
    s.frame()
    s.text((550, 56), "A/C SYSTEM DATA", 48, "mm", s.style.accent)
    for x, name, value in [(40, "REFRIGERANT", t.refrigerant_text), (400, "CHARGE QTY", t.charge_text)]:
        s.text((x, 105), name, 32, fit=330)
        s.text((x, 150), value, 48, fit=330 if x == 40 else 660)
    s.rule(225, 2)
    for x, name, value in [(40, "COMPRESSOR OIL", _oil_words(t, rng)), (400, "OIL QTY", t.oil_text)]:
        s.text((x, 240), name, 32, fit=330)
        s.text((x, 285), value, 48, fit=330 if x == 40 else 660)
    s.text((550, 380), rng.choice(NOTICES), 26, "mm")
    return s.image


def bilingual(t, style, face, rng):
    """Two languages, values at the right edge."""
    s = _Sheet((1000, 600), style, face)
    s.frame(3)
    s.text((40, 40), "AIR CONDITIONER / CLIMATISEUR", 42, fill=s.style.accent, fit=900)
    for i, (name, value) in enumerate([("Refrigerant / Réfrigérant", t.refrigerant_text), ("Refrigerant charge / Charge", t.charge_text),
                                       ("Compressor oil / Huile", _oil_words(t, rng)), ("Oil amount / Quantité d'huile", t.oil_text)]):
        y = 140 + i * 100
        s.text((40, y), name, 28)
        s.text((960, y + 32), value, 46, "ra", fit=900)
        s.rule(y + 90, 1)
    s.text((40, 550), rng.choice(NOTICES), 24)
    return s.image


def quarters(t, style, face, rng):
    """Four boxes."""
    s = _Sheet((1100, 640), style, face)
    cells = [("REFRIGERANT", t.refrigerant_text), ("NOMINAL CHARGE", t.charge_text), ("LUBRICANT", _oil_words(t, rng)), ("LUBRICANT FILL", t.oil_text)]
    for i, (name, value) in enumerate(cells):
        x, y = 20 + (i % 2) * 530, 110 + (i // 2) * 220
        s.draw.rectangle((x, y, x + 520, y + 205), outline=s.style.ink, width=4)
        s.draw.rectangle((x, y, x + 520, y + 58), fill=s.style.ink)
        s.text((x + 260, y + 30), name, 36, "mm", s.style.paper, fit=480)
        s.text((x + 260, y + 130), value, 56, "mm", fit=490)
    s.text((550, 60), "CLIMATE SYSTEM SERVICE DATA", 46, "mm", s.style.accent)
    s.text((550, 595), rng.choice(NOTICES), 28, "mm")
    return s.image


@dataclass(frozen=True)
class Split:
    layouts: tuple[Layout, ...]
    faces: tuple[str, ...]
    first_seed: int


DEVELOPMENT = Split((rows, stacked, sentence, side_bar), ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSansCondensed-Bold.ttf", "DejaVuSansMono-Bold.ttf", BUILT_IN), 1_000)
HELD_OUT = Split((columns, bilingual, quarters), ("LiberationSans-Regular.ttf", "LiberationSans-Bold.ttf", "LiberationSansNarrow-Bold.ttf", "LiberationSerif-Bold.ttf"), 900_000)
SPLITS = {"development": DEVELOPMENT, "heldout": HELD_OUT}


def random_label(split: Split, seed: int) -> tuple[Image.Image, Truth]:
    rng = random.Random(split.first_seed + seed)
    truth = invent(rng)
    return rng.choice(split.layouts)(truth, rng.choice(STYLES), rng.choice(split.faces), rng), truth
