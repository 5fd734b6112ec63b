"""Label text to figures: masses, volumes, refrigerant and oil designations.

A figure is taken only when its characters parse cleanly. Nothing here turns an O into a 0 or puts a decimal
point back; what looks like a figure and is not one is reported as unclear, for a person to read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from hoodnote.units import UNITS, Quantity

METRIC = frozenset({"kg", "g", "mL"})
PAG_GRADES = ("46", "100", "150")


@dataclass(frozen=True)
class Amount:
    """A mass or volume as printed. `places` is the number of printed decimals, which says how finely it was rounded."""

    value: Decimal
    unit: str                       # id in units.UNITS; "oz" may turn out to be fluid ounces by its place on the label
    tolerance: Decimal | None
    places: int
    start: int
    end: int
    text: str

    @property
    def quantity(self) -> Quantity:
        return UNITS[self.unit].quantity

    @property
    def metric(self) -> bool:
        return self.unit in METRIC

    @property
    def si(self) -> float:
        """kg or L."""
        return float(self.value) * UNITS[self.unit].factor

    @property
    def rounding_si(self) -> float:
        """Half of the last printed digit, kg or L: what the printed figure may have been rounded from."""
        return float(Decimal(5).scaleb(-self.places - 1)) * UNITS[self.unit].factor


class Agreement(StrEnum):
    AGREE = "agree"
    DIFFER = "differ"


def compare(one: Amount, other: Amount) -> Agreement:
    """Two printings of one amount in different units agree when what they were rounded from can be the same.

    Factors: NIST SP 811 (2008) appendix B.8, through `hoodnote.units`.
    """
    apart = abs(one.si - other.si)
    # a millionth of the amount covers the binary representation of the factors
    return Agreement.AGREE if apart <= one.rounding_si + other.rounding_si + 1e-6 * one.si else Agreement.DIFFER


# What a charging machine must hold to, so what the second figure must pin the first to before it counts as proof:
# 15 g, SAE J2788 as printed in 40 CFR 82 subpart B appendix C.
PROOF_KG = 0.015


def proves(one: Amount, other: Amount) -> bool:
    """Does the second unit's figure confirm this one to within a charging machine's accuracy? A bare "1.2 lb" does not, nor one without a
    tolerance a tolerance."""
    told = one.tolerance is None or other.tolerance is not None
    return told and compare(one, other) is Agreement.AGREE and 2 * max(one.rounding_si, other.rounding_si) <= PROOF_KG


_NUMBER = r"(?:\d{1,4}(?:[.,]\d{1,3})?|\.\d{1,3})"
_UNITS = {
    "kg": r"[kK][gG]s?", "g": r"(?:[gG](?:r?|rams?|RAMS?|ramm(?:es?|i|o)?|ramos))", "lb": r"(?:[lLI][bB][sS]?|pounds?)",
    # the small raised 3 of cm³ comes out as some sign or other; it says nothing but the unit
    "fl oz": r"(?:[fF][lL]\.?\s?[oO][zZ]s?)", "oz": r"(?:[oO][zZ][sS]?)", "mL": r"(?:[mM][lLI]|[cC]{2}|[cC]{2}[mM]|[cC](?:[mM]|in)[3³?°®])",
}
_UNIT = "|".join(_UNITS[u] for u in ("kg", "fl oz", "oz", "lb", "mL", "g"))
_VOLUME_UNIT = "|".join(_UNITS[u] for u in ("fl oz", "oz", "mL"))
_UNIT_1, _UNIT_2 = rf"(?:(?P<unit1>{_UNIT})(?![A-Za-z0-9]))?", rf"(?P<unit2>{_UNIT})(?![A-Za-z0-9])"
# Readers take the plus-minus sign for other signs; it is no digit, and a tolerance is held to a share of its figure.
_PLUS_MINUS = r"(?:±|\+\s?[/I1l|7]?\s?[-–—~]|\+|£)"
_GAP = r"(?:\s{0,2}|\s[.·'’])"          # a speck of dirt after the space, none right after the digits
# what may stand right before a figure; anything else may be a digit that was not read
_CLEAN_START = r"(?<![^\s(\[/:=|;‘'’*])(?<!\+/)"
_COMPOUND = re.compile(_CLEAN_START + rf"(?P<a>\d{{1,2}}){_GAP}{_UNITS['lb']}\.?,?\s{{0,2}}(?P<b>{_NUMBER}){_GAP}{_UNITS['oz']}(?![A-Za-z0-9])")
_TOLERATED = re.compile(_CLEAN_START + rf"(?P<a>{_NUMBER}){_GAP}{_UNIT_1}\s?{_PLUS_MINUS}\s?(?P<b>{_NUMBER}){_GAP}{_UNIT_2}")
_RANGE = re.compile(_CLEAN_START + rf"(?P<a>{_NUMBER}){_GAP}{_UNIT_1}\s?(?:-|–|—|~|\bto\b)\s?(?P<b>{_NUMBER}){_GAP}{_UNIT_2}")
_PLAIN = re.compile(_CLEAN_START + rf"(?P<a>{_NUMBER}){_GAP}{_UNIT_2}")
_LOOKS_LIKE_AMOUNT = re.compile(
    r"[\dOoIlSB.,]*\d[\dOoIlSB.,]*\s?(?:[kK][gGqQ9]|[oO0][zZ2]|[lL1I][bB][sS]?|[mM][lLI1|]|[fF][lL1I]|[gG9q])(?![A-Za-z0-9])"
    r"|[OISB][.,]\d+\s?\w+")
MAX_TOLERANCE_SHARE = Decimal("0.15")


def amounts(text: str) -> tuple[list[Amount], list[str]]:
    """Clean masses and volumes in reading order, and bits that look like one but are not clean."""
    left = list(_without_designations(text))
    found: list[Amount] = []
    unclear: list[str] = []
    for pattern, make in ((_COMPOUND, _compound), (_TOLERATED, _tolerated), (_RANGE, _range), (_PLAIN, _plain)):
        for match in pattern.finditer("".join(left)):
            amount = make(match) if not _belongs_to_what_is_before("".join(left), match.start()) else None
            if amount is not None:
                found.append(amount)
            else:
                unclear.append(match[0].strip())
            left[match.start():match.end()] = "|" * (match.end() - match.start())
    unclear += [m[0].strip() for m in _LOOKS_LIKE_AMOUNT.finditer("".join(left))]
    return sorted(found, key=lambda a: a.start), unclear


def _belongs_to_what_is_before(text: str, start: int) -> bool:
    """In "0 .55 kg" the digit next to the figure may be part of it; in "430 #- 25 g" the figure is a tolerance."""
    return bool(re.search(r"\d[^\w\s|]?\s?[^\w\s|]?$|[+±£#]\S{0,2}\s?$|[-–—~]\s?$", text[:start]))


def _unit_of(printed: str) -> str:
    return next(u for u in ("kg", "fl oz", "oz", "lb", "mL", "g") if re.fullmatch(_UNITS[u], printed))


def _decimal(printed: str, unit: str) -> tuple[Decimal, int] | None:
    """A comma is a decimal comma; "055" is not clean. "1,200 g" and "1.200 g" are not either: twelve hundred to some printers, one and
    a fifth to others. Thousands of kg are not meant, whichever sign is printed."""
    thousands = {"kg": "", "g": ".,", "mL": ".,"}.get(unit, ",")
    if re.fullmatch(r"0\d+(?:[.,]\d+)?", printed) or (thousands and re.fullmatch(rf"[1-9]\d{{0,2}}[{thousands}]\d{{3}}", printed)):
        return None
    plain = printed.replace(",", ".")
    return Decimal("0" + plain if plain.startswith(".") else plain), len(plain.partition(".")[2])


def _compound(match: re.Match) -> Amount | None:
    ounces = _decimal(match["b"], "oz")
    if ounces is None or ounces[0] >= 16:
        return None
    value = Decimal(match["a"]) * 16 + ounces[0]
    return Amount(value, "oz", None, ounces[1], match.start(), match.end(), match[0])


def _two(match: re.Match) -> tuple[Decimal, Decimal, str, int] | None:
    """Both figures in the first one's unit, or None."""
    unit_b = _unit_of(match["unit2"])
    unit_a = _unit_of(match["unit1"]) if match["unit1"] else unit_b
    a, b = _decimal(match["a"], unit_a), _decimal(match["b"], unit_b)
    if a is None or b is None:
        return None
    second = b[0]
    if (unit_a, unit_b) == ("kg", "g"):
        second = b[0].scaleb(-3)
    elif unit_a != unit_b:
        return None
    return a[0], second, unit_a, a[1]


def _tolerated(match: re.Match) -> Amount | None:
    two = _two(match)
    if two is None or not 0 < two[1] <= two[0] * MAX_TOLERANCE_SHARE:
        return None
    return Amount(two[0], two[2], two[1], two[3], match.start(), match.end(), match[0])


def _range(match: re.Match) -> Amount | None:
    """The range "500-550 g" is stated as 525 with 25 either way."""
    two = _two(match)
    if two is None or not two[0] < two[1] <= two[0] * (1 + 2 * MAX_TOLERANCE_SHARE):
        return None
    return Amount((two[0] + two[1]) / 2, two[2], (two[1] - two[0]) / 2, two[3], match.start(), match.end(), match[0])


def _plain(match: re.Match) -> Amount | None:
    number = _decimal(match["a"], _unit_of(match["unit2"]))
    if number is None or number[0] == 0 or _part_of_pounds_and_ounces(match):
        return None
    return Amount(number[0], _unit_of(match["unit2"]), None, number[1], match.start(), match.end(), match[0])


def _part_of_pounds_and_ounces(match: re.Match) -> bool:
    """One half of "1 lb 3.4 oz" whose other half did not read cleanly: "1 l6 3.4 oz" is no 3.4 oz, "1 lb 3.4 02" no 1 lb."""
    before, after = match.string[:match.start()], match.string[match.end():]
    match _unit_of(match["unit2"]):
        case "oz":
            return bool(re.search(r"\d\s?[^\s/(\d][^\s/(]{0,2}[\s.,]{1,2}$", before))
        case "lb":
            return bool(re.match(r"[\s.,]{0,3}[^\s(/]?\d", after))
    return False


@dataclass(frozen=True)
class Designation:
    value: str
    start: int
    end: int
    text: str


_REFRIGERANT = re.compile(
    r"(?<![A-Za-z0-9])(?:(?:R|HFC|HFO|CFC)[\s\-–]{0,2})?(?P<yf>1234\s?yf|1234\s?YF)(?![A-Za-z0-9])"
    r"|(?<![A-Za-z0-9])(?:(?:R|HFC)[\s\-–]{0,2})?(?P<a>134\s?[aA]|152\s?[aA])(?![A-Za-z0-9])"
    r"|(?<![A-Za-z0-9])R[\s\-–]{0,2}(?P<co2>744)(?![A-Za-z0-9])"
    # the first characters of R-1234yf are R-12: anything that could go on with a digit is not R-12
    r"|(?<![A-Za-z0-9])(?:R|CFC)[\s\-–]{0,2}(?P<r12>12)(?![A-Za-z0-9]|[\s.·\-–]{0,2}\d)")
_REFRIGERANT_LIKE = re.compile(r"(?<![A-Za-z0-9])(?:R|HFC|HFO|CFC)[\s\-–]{0,2}[\dIlOSB]{2,4}\s?\w{0,3}|(?<!\w)1?[1lI]?[23]4\w{1,3}(?!\w)")
_OIL = re.compile(
    r"(?<![A-Za-z])(?:(?P<pag>PAG)[\s\-–.·:]{0,2}(?:(?:OIL|oil|ISO|VG)[\s\-–]{0,2}){0,2}"
    rf"(?!{_NUMBER}\s?(?:{_VOLUME_UNIT})(?![A-Za-z0-9]))(?P<grade>\d{{2,3}}(?![\dA-Za-z.,]))?(?P<odd>[\dA-Za-z]*)"
    r"|(?P<poe>POE)(?![A-Za-z])|(?P<mineral>(?i:min[eé]ra(?:a?l|le|lis[cs]he?s?))(?:\s?(?i:[öo]e?l))?)(?![A-Za-z]))")


def refrigerants(text: str) -> tuple[list[Designation], list[str]]:
    """Designations (ASHRAE 34) in reading order, and bits that look like one but are not clean."""
    found, spans = [], []
    for m in _REFRIGERANT.finditer(text):
        number = (m["yf"] or m["a"] or m["co2"] or m["r12"]).replace(" ", "").lower()
        found.append(Designation("R-" + number, m.start(), m.end(), m[0]))
        spans.append(m.span())
    rest = _blanked(text, spans)
    return found, [m[0].strip() for m in _REFRIGERANT_LIKE.finditer(rest)]


_MISREAD = str.maketrans("IlL|OoSsBZz", "11110055822")
_LIKELY_REFRIGERANT = tuple((re.compile(pattern), value) for pattern, value in (
    (r"(?:R|HF[CO0])?134[A4Q9]?", "R-134a"), (r"(?:R|HF[CO0])?1234(?:Y?F?|[VYX4]F?)", "R-1234yf"), (r"(?:R|HFC)152[A4]?", "R-152a")))


def likely_refrigerant(bit: str) -> str | None:
    """The one designation that an unclean bit ("RI34a", "HFO-1234") is a misreading of, for a question only; None where it may be
    none or several."""
    letters = re.fullmatch(r"(R|HF[CO0]|)[\-–]?(\S{3,6})", bit.strip(), re.IGNORECASE)
    if letters is None:
        return None
    plain = letters[1].upper() + letters[2].translate(_MISREAD).upper()
    found = {value for pattern, value in _LIKELY_REFRIGERANT if pattern.fullmatch(plain)}
    return found.pop() if len(found) == 1 else None


def oil_types(text: str) -> tuple[list[Designation], list[str]]:
    """Generic oil types; a PAG grade outside the usual ones, or run into other characters, is unclear."""
    found, unclear = [], []
    for m in _OIL.finditer(text):
        if m["mineral"] or m["poe"]:
            found.append(Designation("mineral" if m["mineral"] else "POE", m.start(), m.end(), m[0]))
        elif m["odd"] or (m["grade"] and m["grade"] not in PAG_GRADES):
            unclear.append(m[0].strip())
        elif m["grade"]:
            found.append(Designation(f"PAG {m['grade']}", m.start(), m.end(), m[0]))
        else:
            found.append(Designation("PAG", m.start(), m.end(), m[0].strip()))
    return found, unclear


def _without_designations(text: str) -> str:
    spans = [(d.start, d.end) for d in refrigerants(text)[0]]
    spans += [m.span() for m in _OIL.finditer(text)]
    return _blanked(text, spans)


def _blanked(text: str, spans) -> str:
    out = list(text)
    for a, b in spans:
        out[a:b] = "|" * (b - a)
    return "".join(out)
