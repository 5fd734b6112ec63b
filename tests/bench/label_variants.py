"""Labels beyond the plain ones: other languages, tables of front and rear systems, the label of a conversion beside the old one.

Wordings are as people print them, from general knowledge of the languages; those of `HELD_OUT` only ever score.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from decimal import Decimal

from PIL import Image

from tests.bench.label_render import BUILT_IN, DEVELOPMENT, GRAMS, ML, STYLES, Split, Style, Truth, _rounded, _Sheet, invent

BLACK = Style((18, 18, 20), (245, 245, 245), (225, 225, 225))       # white print on black


@dataclass(frozen=True)
class Tongue:
    title: str
    refrigerant: str
    charge: str
    oil: str
    oil_amount: str
    mineral: str
    notice: str


# German, French, Spanish, Italian, Portuguese, Dutch
TONGUES_DEVELOPMENT = (
    Tongue("KLIMAANLAGE", "Kältemittel", "Füllmenge", "Kompressoröl", "Ölmenge", "Mineralöl", "Arbeiten nur durch geschultes Personal."),
    Tongue("CLIMATISATION", "Réfrigérant", "Charge", "Huile", "Quantité d'huile", "minérale", "Avant toute intervention, consulter le manuel."),
    Tongue("AIRE ACONDICIONADO", "Refrigerante", "Carga", "Aceite", "Cantidad de aceite", "mineral", "Servicio sólo por personal cualificado."),
    Tongue("CLIMATIZZATORE", "Refrigerante", "Carica", "Olio", "Quantità olio", "minerale", "Manutenzione solo da personale qualificato."),
    Tongue("AR CONDICIONADO", "Fluido refrigerante", "Carga", "Óleo", "Quantidade de óleo", "mineral", "Assistência só por pessoal qualificado."),
    Tongue("AIRCONDITIONING", "Koudemiddel", "Vulling", "Olie", "Hoeveelheid olie", "mineraal", "Alleen door bevoegd personeel."),
)
TONGUES_HELD_OUT = (
    Tongue("Klimagerät", "Kältemitteltyp", "Kältemittelmenge", "Verdichteröl", "Öl-Füllmenge", "Mineralöl", "System steht unter hohem Druck."),
    Tongue("Système de climatisation", "Fluide frigorigène", "Quantité de fluide", "Lubrifiant", "Volume de lubrifiant", "minérale",
           "Circuit sous haute pression."),
    Tongue("Acondicionador de aire", "Tipo de refrigerante", "Carga de refrigerante", "Lubricante", "Volumen de lubricante", "mineral",
           "Sistema bajo alta presión."),
    Tongue("Aria condizionata", "Fluido refrigerante", "Quantità refrigerante", "Lubrificante", "Quantità lubrificante", "minerale",
           "Circuito ad alta pressione."),
    Tongue("Sistema de ar-condicionado", "Gás refrigerante", "Quantidade de gás", "Lubrificante", "Volume de lubrificante", "mineral",
           "Circuito sob alta pressão."),
    Tongue("Klimaatregeling", "Koelmiddel", "Vulgewicht", "Smeermiddel", "Hoeveelheid smeermiddel", "mineraal", "Systeem onder hoge druk."),
)


@dataclass(frozen=True)
class Drawn:
    """A label with what it says. `also` are the further systems, or the refrigerant before a conversion: then a person must be asked,
    about every field that differs among them, and about every field of a converted system."""

    image: Image.Image
    truth: Truth
    also: tuple[Truth, ...] = ()

    @property
    def converted(self) -> bool:
        return any(t.refrigerant != self.truth.refrigerant for t in self.also)


def _metric(rng: random.Random, truth: Truth) -> Truth:
    """The same label as printed where only metric units are used, with a decimal comma."""
    grams = _rounded(truth.charge * GRAMS[truth.charge_unit], "1")
    tolerance = rng.choice([None, Decimal(20), Decimal(25)])
    if rng.random() < 0.5:
        charge, unit = grams, "g"
        text = f"{grams}{f' ± {tolerance}' if tolerance else ''} g"
    else:
        charge, unit, tolerance = _rounded(grams / 1000, "0.001"), "kg", None if tolerance is None else tolerance / 1000
        text = f"{charge}{f' ± {tolerance:.3f}' if tolerance else ''} kg".replace(".", ",")
        tolerance = None if tolerance is None else Decimal(f"{tolerance:.3f}")
    oil_text = f"{truth.oil} {rng.choice(['ml', 'cm³', 'cc', 'mL'])}"
    return replace(truth, charge=charge, charge_unit=unit, tolerance=tolerance, second_charge=None, second_unit=None, second_oil=None,
                   charge_text=text, oil_text=oil_text)


def _oil_words(truth: Truth, tongue: Tongue) -> str:
    return tongue.mineral if truth.oil_type == "mineral" else truth.oil_type


def listed(t: Truth, tongue: Tongue, style: Style, face: str) -> Image.Image:
    """Names at the left, values in a column."""
    s = _Sheet((1000, 560), style, face)
    s.frame()
    s.text((500, 66), tongue.title, 52, "mm", style.accent, fit=900)
    for i, (name, value) in enumerate(_facts(t, tongue)):
        s.text((40, 160 + i * 84), name, 40, "lm", fit=390)
        s.text((450, 160 + i * 84), value, 46, "lm", fit=510)
    s.text((500, 510), tongue.notice, 28, "mm", fit=900)
    return s.image


def run_on(t: Truth, tongue: Tongue, style: Style, face: str) -> Image.Image:
    """Name and value in one line, in the middle."""
    s = _Sheet((1000, 600), style, face)
    s.frame(8)
    s.text((500, 70), tongue.title, 50, "mm", style.accent, fit=900)
    for i, (name, value) in enumerate(_facts(t, tongue)):
        s.text((500, 165 + i * 86), f"{name}: {value}", 48, "mm", fit=920)
    s.text((500, 540), tongue.notice, 28, "mm", fit=900)
    return s.image


def under_one_another(t: Truth, tongue: Tongue, style: Style, face: str) -> Image.Image:
    """Four cells, the name above its value."""
    s = _Sheet((1100, 520), style, face)
    s.text((550, 50), tongue.title, 46, "mm", style.accent, fit=1000)
    for i, (name, value) in enumerate(_facts(t, tongue)):
        x, y = 40 + (i % 2) * 530, 110 + (i // 2) * 180
        s.draw.rectangle((x - 20, y - 10, x + 500, y + 160), outline=style.ink, width=3)
        s.text((x, y), name, 34, fit=480)
        s.text((x, y + 64), value, 50, fit=480)
    s.text((550, 490), tongue.notice, 26, "mm", fit=1000)
    return s.image


def flush_right(t: Truth, tongue: Tongue, style: Style, face: str) -> Image.Image:
    """Small names at the left, values at the right edge of ruled lines."""
    s = _Sheet((960, 560), style, face)
    s.frame(3)
    s.text((36, 36), tongue.title, 44, fill=style.accent, fit=880)
    for i, (name, value) in enumerate(_facts(t, tongue)):
        s.text((36, 130 + i * 90), name, 34, fit=420)
        s.text((920, 124 + i * 90), value, 46, "ra", fit=440)
        s.rule(192 + i * 90, 1)
    s.text((36, 505), tongue.notice, 26, fit=880)
    return s.image


def _facts(t: Truth, tongue: Tongue) -> list[tuple[str, str]]:
    return [(tongue.refrigerant, t.refrigerant_text), (tongue.charge, t.charge_text), (tongue.oil, _oil_words(t, tongue)), (tongue.oil_amount, t.oil_text)]


FRONT_REAR_DEVELOPMENT = (("FRONT A/C", "FRONT + REAR A/C"), ("FRONT ONLY", "DUAL"), ("VORN", "VORN + HINTEN"))
FRONT_REAR_HELD_OUT = (("Without rear air", "With rear air"), ("AVANT", "AVANT + ARRIÈRE"), ("Front system", "Front and rear"))


def _bigger(rng: random.Random, t: Truth) -> Truth:
    """The same system with rear air: half as much again, printed the same way."""
    factor = Decimal(rng.choice(["1.35", "1.5", "1.65"]))
    charge = _rounded(t.charge * factor, str(Decimal(1).scaleb(t.charge.as_tuple().exponent)))
    oil = _rounded(t.oil * factor / 10, "1") * 10
    second = None if t.second_charge is None else _rounded(charge * GRAMS[t.charge_unit] / GRAMS[t.second_unit], str(Decimal(1).scaleb(t.second_charge.as_tuple().exponent)))
    second_oil = None if t.second_oil is None else _rounded(oil / ML["fl oz"], "0.1")
    return replace(t, charge=charge, oil=oil, second_charge=second, second_oil=second_oil, charge_text=_amount_text(charge, t.charge_unit, t.tolerance, second, t.second_unit),
                   oil_text=f"{oil} mL" + (f" ({second_oil} fl oz)" if second_oil is not None else ""))


def _amount_text(charge: Decimal, unit: str, tolerance: Decimal | None, second: Decimal | None, second_unit: str | None) -> str:
    first = f"{charge} ± {tolerance} {unit}" if tolerance is not None else f"{charge} {unit}"
    return first + (f" ({second} {second_unit})" if second is not None else "")


def systems_in_rows(one: Truth, two: Truth, names: tuple[str, str], style: Style, face: str) -> Image.Image:
    """A row for each system."""
    s = _Sheet((1200, 560), style, face)
    s.frame()
    s.text((600, 60), f"REFRIGERANT {one.refrigerant_text}   OIL {one.oil_type}", 44, "mm", fit=1120)
    for x, name in ((40, "SYSTEM"), (430, "CHARGE"), (850, "OIL AMOUNT")):
        s.text((x, 150), name, 34, "lm")
    s.rule(185)
    for i, (t, name) in enumerate(((one, names[0]), (two, names[1]))):
        y = 250 + i * 100
        s.text((40, y), name, 38, "lm", fit=370)
        s.text((430, y), t.charge_text, 40, "lm", fit=400)
        s.text((850, y), t.oil_text, 40, "lm", fit=310)
        s.rule(y + 50, 1)
    s.text((600, 490), "Serviced by trained persons only.", 28, "mm")
    return s.image


def systems_in_columns(one: Truth, two: Truth, names: tuple[str, str], style: Style, face: str) -> Image.Image:
    """A column for each system."""
    s = _Sheet((1200, 600), style, face)
    s.frame(4)
    s.text((40, 40), f"A/C  {one.refrigerant_text}", 48, fit=600)
    s.text((1160, 44), f"LUBRICANT {one.oil_type}", 40, "ra", fit=520)
    for x, t, name in ((300, one, names[0]), (740, two, names[1])):
        s.text((x, 170), name, 38, fit=410)
        s.text((x, 270), t.charge_text, 40, fit=415)
        s.text((x, 370), t.oil_text, 40, fit=415)
    for y, name in ((275, "CHARGE"), (375, "OIL")):
        s.text((40, y), name, 36, fit=240)
    s.rule(235)
    s.text((600, 530), "See the service manual before opening.", 28, "mm")
    return s.image


def conversion_below(new: Truth, old: Truth, style: Style, face: str) -> Image.Image:
    """The old label with the conversion's own pasted under it."""
    s = _Sheet((1000, 760), style, face)
    s.frame(3)
    s.text((40, 40), f"REFRIGERANT {old.refrigerant_text}", 46, fit=900)
    s.text((40, 120), f"CHARGE {old.charge_text}", 46, fit=900)
    s.text((40, 200), f"OIL {old.oil_type}  {old.oil_text}", 46, fit=900)
    s.draw.rectangle((0, 300, 1000, 760), fill=(176, 214, 236))
    dark = (8, 8, 20)
    s.text((40, 330), f"CONVERTED TO {new.refrigerant_text}", 48, fill=dark, fit=900)
    s.text((40, 430), f"REFRIGERANT CHARGE {new.charge_text}", 44, fill=dark, fit=900)
    s.text((40, 520), f"LUBRICANT {new.oil_type}  {new.oil_text}", 44, fill=dark, fit=900)
    s.text((40, 640), "Barrier hoses and fittings changed.", 30, fill=dark)
    return s.image


def conversion_beside(new: Truth, old: Truth, style: Style, face: str) -> Image.Image:
    """The conversion's label at the right of the old one."""
    s = _Sheet((1300, 480), style, face)
    s.draw.rectangle((660, 0, 1300, 480), fill=(250, 205, 120))
    for x, t, head, ink in ((30, old, "A/C SYSTEM", style.ink), (690, new, "RETROFIT", (20, 10, 0))):
        s.text((x, 30), head, 40, fill=ink)
        for i, words in enumerate((f"Refrigerant {t.refrigerant_text}", f"Charge {t.charge_text}", f"Oil {t.oil_type}", t.oil_text)):
            s.text((x, 120 + i * 84), words, 42, fill=ink, fit=590)
    return s.image


def random_variant(split: Split, seed: int) -> Drawn:
    """A label of another language (half of them), of front and rear systems, or of a conversion."""
    rng = random.Random(split.first_seed * 7 + seed)
    development = split is DEVELOPMENT
    style, face = rng.choice((*STYLES, BLACK, BLACK)), rng.choice([f for f in split.faces if f != BUILT_IN])     # it lacks accents
    kind = rng.random()
    if kind < 0.5:
        truth = _metric(rng, invent(rng))
        tongue = rng.choice(TONGUES_DEVELOPMENT if development else TONGUES_HELD_OUT)
        return Drawn(rng.choice((listed, run_on) if development else (under_one_another, flush_right))(truth, tongue, style, face), truth)
    if kind < 0.8:
        one = invent(rng)
        one = replace(one, charge_text=_amount_text(one.charge, one.charge_unit, one.tolerance, one.second_charge, one.second_unit))
        two, names = _bigger(rng, one), rng.choice(FRONT_REAR_DEVELOPMENT if development else FRONT_REAR_HELD_OUT)
        return Drawn((systems_in_rows if development else systems_in_columns)(one, two, names, style, face), one, (two,))
    old = next(t for t in (invent(rng) for _ in range(10_000)) if t.refrigerant == "R-12")
    new = next(t for t in (invent(rng) for _ in range(10_000)) if t.refrigerant == "R-134a")
    return Drawn((conversion_below if development else conversion_beside)(new, old, style, face), new, (old,))
