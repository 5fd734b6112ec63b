"""The refrigerants a vehicle technician may meet.

Designations and safety classes: ASHRAE Standard 34 (from memory). Compositions are mass fractions, ASHRAE Standard 34
(from memory); they are carried for information only, properties come from CoolProp under `model`.
`model` is None where CoolProp lacks fitted interaction parameters for a pair of the blend: an estimate from mixing
rules is off by 1 to 3 K there, so none is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from hoodnote.physics.errors import UnknownRefrigerant


class SafetyClass(StrEnum):
    A1 = "A1"          # no flame propagation
    A2L = "A2L"        # lower flammability, burns slowly
    A2 = "A2"          # flammable


@dataclass(frozen=True)
class Refrigerant:
    designation: str
    safety: SafetyClass
    model: str | None                                   # CoolProp name; None: no evaluated model at hand
    composition: tuple[tuple[str, float], ...] = ()     # mass fractions of a blend
    critical: tuple[float, float] | None = None         # K and kPa of a modelled blend, as CoolProp finds them in seconds

    @property
    def flammable(self) -> bool:
        return self.safety is not SafetyClass.A1

    @property
    def blend(self) -> bool:
        return bool(self.composition)


_A1, _A2L, _A2 = SafetyClass.A1, SafetyClass.A2L, SafetyClass.A2
_ALL = (
    Refrigerant("R-134a", _A1, "R134a"),
    Refrigerant("R-1234yf", _A2L, "R1234yf"),
    Refrigerant("R-12", _A1, "R12"),
    Refrigerant("R-152a", _A2, "R152A"),
    Refrigerant("R-744", _A1, "CarbonDioxide"),
    Refrigerant("R-500", _A1, "R500.mix", (("R-12", 0.738), ("R-152a", 0.262)), (374.633, 4157.85)),
    Refrigerant("R-420A", _A1, "R420A.mix", (("R-134a", 0.88), ("R-142b", 0.12)), (377.638, 4081.23)),
    Refrigerant("R-444A", _A2L, "R444A.mix", (("R-32", 0.12), ("R-152a", 0.05), ("R-1234ze(E)", 0.83)), (379.567, 4538.04)),
    Refrigerant("R-456A", _A1, "R456A.mix", (("R-32", 0.06), ("R-134a", 0.45), ("R-1234ze(E)", 0.49)), (376.145, 4228.28)),
    Refrigerant("R-401A", _A1, None, (("R-22", 0.53), ("R-152a", 0.13), ("R-124", 0.34))),
    Refrigerant("R-406A", _A2, None, (("R-22", 0.55), ("R-600a", 0.04), ("R-142b", 0.41))),
    Refrigerant("R-409A", _A1, None, (("R-22", 0.60), ("R-124", 0.25), ("R-142b", 0.15))),
    Refrigerant("R-413A", _A2, None, (("R-218", 0.09), ("R-134a", 0.88), ("R-600a", 0.03))),
    Refrigerant("R-414B", _A1, None, (("R-22", 0.50), ("R-124", 0.39), ("R-600a", 0.015), ("R-142b", 0.095))),
    Refrigerant("R-416A", _A1, None, (("R-134a", 0.59), ("R-124", 0.395), ("R-600", 0.015))),
)
REFRIGERANTS: dict[str, Refrigerant] = {r.designation: r for r in _ALL}


def refrigerant(designation: str) -> Refrigerant:
    """Look a refrigerant up by its ASHRAE 34 designation. Raises UnknownRefrigerant."""
    try:
        return REFRIGERANTS[designation]
    except KeyError:
        raise UnknownRefrigerant(f"no property data for refrigerant {designation}; state one of "
                                 f"{', '.join(r.designation for r in _ALL if r.model)}") from None
