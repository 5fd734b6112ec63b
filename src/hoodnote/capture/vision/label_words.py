"""Words of a label, in the languages it may be printed in, to what they are about.

Words as people print them, from general knowledge of the languages: common practice, no source. `rapidfuzz` forgives
misread letters of long words; a short word must be exact, one letter being a third of it.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache

_WORDS = {
    "charge": ("REFRIGERANT CHARGE CHARGING CHARGEWEIGHT KALTEMITTEL KAELTEMITTEL KALTEMITTELFULLMENGE KALTEMITTELMENGE FULLGEWICHT FRIGORIGENE "
               "REFRIGERANTE CARGA CARICA KOUDEMIDDEL KOELMIDDEL VULLING VULGEWICHT"),
    "oil": ("OIL LUBRICANT LUBRICATION HUILE LUBRIFIANT ACEITE LUBRICANTE OLIO LUBRIFICANTE OLEO OL OEL OLMENGE OLSORTE OLTYP OLFULLMENGE "
            "KOMPRESSOROL VERDICHTEROL KALTEMITTELOL KALTEMASCHINENOL SCHMIERMITTEL OLIE COMPRESSOROLIE SMEERMIDDEL"),
    # words that stand by either, and are much like a part of a longer one
    "either": "MENGE FULLMENGE AMOUNT QUANTITY VOLUME QUANTITE QUANTITA CANTIDAD QUANTIDADE HOEVEELHEID",
    "weight": "WEIGHT MASS GEWICHT POIDS MASSE PESO MASSA",
    "other": ("PRESSURE COOLANT BATTERY ENGINE WASHER FUEL BRAKE GVWR DYE DRUCK KUHLMITTEL BATTERIE BREMSE KRAFTSTOFF MOTOR MOTOROL "
              "PRESSION REFROIDISSEMENT MOTEUR FREIN CARBURANT PRESION BATERIA FRENO COMBUSTIBLE PRESSIONE BATTERIA MOTORE FRENI CARBURANTE "
              "PRESSAO BATERIA TRAVAO DRUK KOELVLOEISTOF BRANDSTOF"),
}
_SYSTEMS = ("FRONT VORN VORNE VORDERE VORDERER AVANT DELANTERO DELANTERA ANTERIORE DIANTEIRO DIANTEIRA REAR HINTEN HINTERE HINTERER ARRIERE "
            "TRASERO TRASERA POSTERIORE TRASEIRO TRASEIRA ACHTER DUAL AUXILIARY DOPPELT")
_CONVERSION = ("CONVERTED CONVERSION RETROFIT RETROFITTED UMGERUSTET UMRUSTUNG UMGESTELLT CONVERTI CONVERTIE CONVERTIDO CONVERTIDA "
               "CONVERTITO CONVERSIONE CONVERSAO OMGEBOUWD")
# A longer line is a sentence, where such words have their everyday meaning.
_SHORT_LINE = 6
_BEFORE = re.compile(r"\bAVANT (?=(?:TOUTE?|CHAQUE|DE|LE|LA|OUVERTURE|INTERVENTION)\b)")       # French for "before" as well as "front"
SURE_RATIO, SURER_RATIO = 80, 88


def topic(text: str) -> str | None:
    """What the last telling word of a text is about: "charge", "oil" or "other"."""
    found = [c for c in map(_category, _plain_words(text)) if c not in (None, "either")]
    if not found:
        return None
    if found[-1] == "weight":           # of the charge when it says so, else of some part or of the vehicle
        named = [c for c in found if c != "weight"]
        return named[-1] if named else "other"
    return found[-1]


def tells_systems(text: str) -> bool:
    """Does a short line name the front or the rear system, or that there are two?"""
    words = _BEFORE.sub("", " ".join(_plain_words(text))).split()
    return len(words) <= _SHORT_LINE and any(_is_one_of(w, _SYSTEMS) for w in words)


def tells_conversion(text: str) -> bool:
    return any(_is_one_of(w, _CONVERSION) for w in _plain_words(text))


def _plain_words(text: str) -> list[str]:
    """Capitals without accents, in order; figures and signs dropped."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)).upper()
    return [w for w in ("".join(ch for ch in piece if ch.isalpha()) for piece in re.split(r"[\s/'’+&|:;,()\-–]+", bare)) if len(w) >= 2]


@cache
def _category(word: str) -> str | None:
    best, category = 0.0, None
    for name, words in _WORDS.items():
        score = _likeness(word, words)
        if score > best:
            best, category = score, name
    return category if best >= SURE_RATIO else None


@cache
def _is_one_of(word: str, words: str) -> bool:
    return _likeness(word, words) >= SURER_RATIO


def _likeness(word: str, words: str) -> float:
    """0 to 100, of the likest."""
    from rapidfuzz import fuzz

    return max(100.0 * (word == known) if min(len(word), len(known)) < 5 else fuzz.ratio(word, known) for known in words.split())
