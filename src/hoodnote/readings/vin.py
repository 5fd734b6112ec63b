"""Vehicle identification numbers: form and check digit, 49 CFR 565.13 and 565.15(c); what doubtful characters may have been;
what a VIN says of make, model year and plant."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

# 49 CFR 565.15(c)(1), Table III, and (c)(2), Table IV.
_VALUES = {str(d): d for d in range(10)} | dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ", (1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9), strict=True)
)
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
LENGTH = len(_WEIGHTS)
CHECK, _YEAR, _PLANT = 8, 9, 10            # positions 9, 10 and 11, counted from 0
# 49 CFR 565.15(d)(1), Table VII: the codes of 30 model years from 1980, then again
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEAR, YEAR_CYCLE = 1980, 30
# No VIN holds these (49 CFR 565.13(g)): a reader that gives one saw the other.
_NEVER = str.maketrans("IOQ", "100")
# What print and readers take for one another; common practice, no source.
_PAIRS = ("0D", "0C", "0G", "06", "08", "1L", "1T", "17", "1J", "2Z", "38", "3B", "4A", "5S", "56", "6G", "68", "8B", "9G", "89", "8S", "5E",
          "8H", "7Z", "7T", "UV", "VY", "MN", "HN", "HM", "WM", "VW", "KX", "XY", "FP", "EF", "PR", "CG", "DU", "BR", "BE", "RK", "BD", "TY")
_FIGURES = range(13, 17)                     # positions 14 to 17, counted from 0, hold figures
_FIGURE_FOR = {"S": "5", "B": "8", "Z": "2", "G": "6", "D": "0", "L": "1", "A": "4", "T": "7"}
LOOKS_LIKE: Mapping[str, str] = {c: "".join(sorted({p.replace(c, "") for p in _PAIRS if c in p})) for c in _VALUES}


@dataclass(frozen=True)
class VinProblem:
    """`impossible`: no vehicle has this VIN. Otherwise it may be right: vehicles built for other markets carry no check digit."""

    text: str
    impossible: bool


def normal_vin(text: str) -> str:
    """As it is stamped: capitals, without the spaces and dashes people write for reading."""
    return re.sub(r"[\s-]", "", text).upper()


def check_digit(vin: str) -> str:
    """What position 9 must hold, 0 to 9 or X, of a VIN of 17 permitted characters."""
    remainder = sum(_VALUES[c] * weight for c, weight in zip(vin, _WEIGHTS, strict=True)) % 11
    return "X" if remainder == 10 else str(remainder)


def check_vin(text: str) -> VinProblem | None:
    """None when the form and the check digit are right."""
    vin = normal_vin(text)
    if len(vin) != LENGTH:
        return VinProblem(f"a VIN has 17 characters, {vin or 'this'} has {len(vin)}; read it again", True)
    wrong = sorted({c for c in vin if c not in _VALUES})
    if wrong:
        hint = ", I and O are often 1 and 0 misread" if {"I", "O"} & set(wrong) else ""
        return VinProblem(f"{vin} holds {' '.join(wrong)}, which no VIN has{hint}; read it again", True)
    expected = check_digit(vin)
    if vin[CHECK] != expected:
        return VinProblem(
            f"the check digit of VIN {vin} is {vin[CHECK]} and should be {expected}: read it again; "
            "a vehicle built for a market outside North America need not have one",
            False,
        )
    return None


def permitted(text: str) -> str:
    """The characters of `text` that a VIN can hold, I, O and Q taken for the figures they are misread from; the rest is left out."""
    return "".join(c for c in text.upper().translate(_NEVER) if c in _VALUES)


def formed(text: str) -> str:
    """`permitted`, and where only a figure can stand (positions 14 to 17, and 9 but for X: 49 CFR 565.15(d)(3), (c)), a letter of the
    same shape taken for it. Only a text of 17 characters has positions; any other is returned as `permitted` has it."""
    vin = permitted(text)
    if len(vin) != LENGTH:
        return vin
    return "".join(_FIGURE_FOR.get(c, c) if i in _FIGURES or i == CHECK else c for i, c in enumerate(vin))


def candidates(readings: Iterable[tuple[str, float]], most: int = 4) -> list[tuple[str, float]]:
    """The likeliest VINs whose check digit is right, each with its cost, cheapest first, for readings of 17 permitted characters
    with a weight each (0 to 1).

    A character that a reading has costs nothing or little, one that only looks like it costs 3, so a candidate of cost 3 or more has a
    character that nobody read. The search is exact: the cheapest strings for each remainder of the check sum.
    """
    columns = _columns(list(readings))
    if columns is None:
        return []
    found: list[tuple[str, float]] = []
    for digit, own_cost in columns[CHECK]:
        if not digit.isdigit() and digit != "X":
            continue
        wanted = 10 if digit == "X" else int(digit)
        best: dict[int, list[tuple[float, str]]] = {0: [(own_cost, "")]}
        for position, column in enumerate(columns):
            following: dict[int, list[tuple[float, str]]] = {}
            for remainder, ways in best.items():
                for char, cost in ([(digit, 0.0)] if position == CHECK else column):
                    place = (remainder + _VALUES[char] * _WEIGHTS[position]) % 11
                    following.setdefault(place, []).extend((c + cost, text + char) for c, text in ways)
            best = {place: sorted(ways)[:most] for place, ways in following.items()}
        found += [(text, cost) for cost, text in best.get(wanted, ())]
    return sorted(found, key=lambda x: (x[1], x[0]))[:most]


LOOKALIKE_COST = 3.0


def _columns(readings: Sequence[tuple[str, float]]) -> list[list[tuple[str, float]]] | None:
    """For each position the characters it may hold with their costs; None where no reading has 17 characters."""
    whole = [(text, weight) for text, weight in readings if len(text) == LENGTH and weight > 0]
    if not whole:
        return None
    out = []
    for position in range(LENGTH):
        votes: dict[str, float] = {}
        for text, weight in whole:
            votes[text[position]] = votes.get(text[position], 0.0) + weight
        total = sum(votes.values())
        column = {char: 1.0 - share / total for char, share in votes.items()}
        for char in votes:
            for other in LOOKS_LIKE[char]:
                column.setdefault(other, LOOKALIKE_COST + column[char])
        column = {char: cost + LOOKALIKE_COST * _out_of_place(char, position) for char, cost in column.items()}
        out.append(sorted(column.items(), key=lambda x: x[1]))
    return out


def _out_of_place(char: str, position: int) -> bool:
    """Does 49 CFR 565.15(d) keep the character from this position?"""
    return position in _FIGURES and not char.isdigit() or position == _YEAR and char not in _YEAR_CODES


@dataclass(frozen=True)
class Decoded:
    """What a VIN says. `years` newest first: the code comes again after 30 years; `likely_year` is the one that position 7 points to,
    for a North American passenger car or light vehicle (49 CFR 565.15(d)(1)), else None."""

    make: str | None
    country: str | None
    years: tuple[int, ...]
    likely_year: int | None
    plant: str

    def in_words(self) -> str:
        years = " or ".join(map(str, self.years)) or "unknown"
        likely = f", by position 7 {self.likely_year}" if self.likely_year and len(self.years) > 1 else ""
        cycle = f" (the code comes again after {YEAR_CYCLE} years{likely})" if self.years else ""
        return f"make {self.make or 'unknown'}, model year {years}{cycle}, plant code {self.plant}"


def decode(vin: str, newest_year: int) -> Decoded:
    """Make and country from the offline tables of the vininfo package; the year by 49 CFR 565.15, up to `newest_year`.

    `vin` has 17 permitted characters. A code that the tables do not hold is None, never a guess.
    """
    from vininfo import Vin
    from vininfo.common import UnsupportedBrand

    known = Vin(vin)
    make = None if isinstance(known.assembler, UnsupportedBrand) else str(known.manufacturer)
    years = []
    if vin[_YEAR] in _YEAR_CODES:
        first = _FIRST_YEAR + _YEAR_CODES.index(vin[_YEAR])
        years = [y for y in range(first, newest_year + 1, YEAR_CYCLE)][::-1]
    likely = None
    if vin[0] in "12345":
        likely = next((y for y in years if (y >= _FIRST_YEAR + YEAR_CYCLE) is vin[6].isalpha()), None)
    return Decoded(make, known.country or None, tuple(years), likely, vin[_PLANT])
