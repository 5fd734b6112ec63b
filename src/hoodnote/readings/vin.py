"""Vehicle identification numbers: form and check digit, 49 CFR 565.13 and 565.15(c)."""

from __future__ import annotations

import re
from dataclasses import dataclass

# 49 CFR 565.15(c)(1), Table III, and (c)(2), Table IV.
_VALUES = {str(d): d for d in range(10)} | dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ", (1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9), strict=True)
)
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


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
    if len(vin) != 17:
        return VinProblem(f"a VIN has 17 characters, {vin or 'this'} has {len(vin)}; read it again", True)
    wrong = sorted({c for c in vin if c not in _VALUES})
    if wrong:
        hint = ", I and O are often 1 and 0 misread" if {"I", "O"} & set(wrong) else ""
        return VinProblem(f"{vin} holds {' '.join(wrong)}, which no VIN has{hint}; read it again", True)
    expected = check_digit(vin)
    if vin[8] != expected:
        return VinProblem(
            f"the check digit of VIN {vin} is {vin[8]} and should be {expected}: read it again; "
            "a vehicle built for a market outside North America need not have one",
            False,
        )
    return None
