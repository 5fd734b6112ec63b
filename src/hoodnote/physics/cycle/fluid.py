"""Refrigerant properties for the cycle model, tabulated once per refrigerant from CoolProp and interpolated linearly.

Units: C, kJ/kg, kPa absolute, kg/m3, kJ/(kg K). Error of the tables against CoolProp, tested: saturation pressure and density
0.05 %, enthalpy 0.1 kJ/kg, superheated density 0.3 %. The pressure term of the subcooled liquid's enthalpy is left out.
"""

from __future__ import annotations

from bisect import bisect_right
from functools import cache
from typing import NamedTuple

from hoodnote.physics.errors import NotModelled, OutOfRange
from hoodnote.physics.refrigerants import refrigerant

COLDEST_C = -65.0
_SAT_STEP_K, _VAPOUR_STEP_K, _SUPERHEAT_STEP_K, _MOST_SUPERHEAT_K = 0.25, 1.0, 2.5, 150.0
_BELOW_CRITICAL_K = 3.0
MODELLED = ("R-134a", "R-1234yf", "R-12", "R-152a")


class Saturation(NamedTuple):
    t: float
    p: float
    h_liquid: float
    h_vapour: float
    d_liquid: float
    d_vapour: float
    s_liquid: float
    s_vapour: float


class Vapour(NamedTuple):
    superheat: float
    h: float
    s: float
    d: float


class Fluid:
    """One pure refrigerant. Inputs off the table are held at its edge, so that a solver can step there and back; the solver refuses
    a solution that lies on an edge."""

    def __init__(self, designation: str):
        from CoolProp.CoolProp import QT_INPUTS, AbstractState, PT_INPUTS, iphase_gas

        state = AbstractState("HEOS", refrigerant(designation).model)
        self.designation = designation
        self.hottest_c = state.T_critical() - 273.15 - _BELOW_CRITICAL_K
        self.molar_mass = state.molar_mass()
        temperatures = [COLDEST_C + _SAT_STEP_K * k for k in range(int((self.hottest_c - COLDEST_C) / _SAT_STEP_K) + 1)]
        rows = []
        for t in temperatures:
            state.update(QT_INPUTS, 0.0, t + 273.15)
            liquid = state.p(), state.hmass(), state.rhomass(), state.smass()
            state.update(QT_INPUTS, 1.0, t + 273.15)
            rows.append((t, liquid[0] / 1e3, liquid[1] / 1e3, state.hmass() / 1e3, liquid[2], state.rhomass(),
                         liquid[3] / 1e3, state.smass() / 1e3))
        self._sat = rows
        self._p = [r[1] for r in rows]
        self._h_liquid = [r[2] for r in rows]
        state.specify_phase(iphase_gas)
        self._vapour = []
        for row in rows[::int(_VAPOUR_STEP_K / _SAT_STEP_K)]:
            line = [(0.0, row[3], row[7], row[5])]
            for k in range(1, int(_MOST_SUPERHEAT_K / _SUPERHEAT_STEP_K) + 1):
                state.update(PT_INPUTS, row[1] * 1e3, row[0] + 273.15 + k * _SUPERHEAT_STEP_K)
                line.append((k * _SUPERHEAT_STEP_K, state.hmass() / 1e3, state.smass() / 1e3, state.rhomass()))
            self._vapour.append(line)

    def saturated(self, t: float) -> Saturation:
        position = min(max((t - COLDEST_C) / _SAT_STEP_K, 0.0), len(self._sat) - 1.001)
        i = int(position)
        f = position - i
        a, b, e = self._sat[i], self._sat[i + 1], 1.0 - f          # written out: the solver spends its time here
        return Saturation(a[0] * e + b[0] * f, a[1] * e + b[1] * f, a[2] * e + b[2] * f, a[3] * e + b[3] * f,
                          a[4] * e + b[4] * f, a[5] * e + b[5] * f, a[6] * e + b[6] * f, a[7] * e + b[7] * f)

    def saturation_kpa(self, t: float) -> float:
        return self._one(self._p, t)

    def liquid_enthalpy(self, t: float) -> float:
        return self._one(self._h_liquid, t)

    def _one(self, column: list[float], t: float) -> float:
        position = min(max((t - COLDEST_C) / _SAT_STEP_K, 0.0), len(column) - 1.001)
        i = int(position)
        return column[i] + (position - i) * (column[i + 1] - column[i])

    def temperature_at(self, p: float) -> float:
        """Saturation temperature at a pressure. Raises OutOfRange off the table."""
        if not self._p[0] <= p < self._p[-1]:
            raise OutOfRange(f"the cycle model has no {self.designation} saturation at {p:.0f} kPa absolute; check the pressure")
        return _between(self._p, p, self._sat)

    def liquid_temperature(self, h: float) -> float:
        """Temperature of liquid with an enthalpy, held at the table's edges."""
        return _between(self._h_liquid, min(max(h, self._h_liquid[0]), self._h_liquid[-1] - 1e-9), self._sat)

    def _row(self, t_sat: float) -> tuple[list, list, float]:
        position = min(max((t_sat - COLDEST_C) / _VAPOUR_STEP_K, 0.0), len(self._vapour) - 1.001)
        i = int(position)
        return self._vapour[i], self._vapour[i + 1], position - i

    def vapour(self, t_sat: float, superheat: float) -> Vapour:
        """Vapour at the pressure of `t_sat`, `superheat` K above it."""
        low, high, f = self._row(t_sat)
        position = max(superheat / _SUPERHEAT_STEP_K, 0.0)
        i = min(int(position), len(low) - 2)
        return _blend(low, high, f, i, position - i)

    def vapour_at(self, t_sat: float, value: float, column: int) -> Vapour:
        """Vapour at the pressure of `t_sat` with an enthalpy (column 1) or entropy (column 2); beyond the table it goes on straight."""
        low, high, f = self._row(t_sat)
        first, last = 0, len(low) - 2
        while first < last:
            middle = (first + last + 1) // 2
            if low[middle][column] + f * (high[middle][column] - low[middle][column]) <= value:
                first = middle
            else:
                last = middle - 1
        a = low[first][column] + f * (high[first][column] - low[first][column])
        b = low[first + 1][column] + f * (high[first + 1][column] - low[first + 1][column])
        return _blend(low, high, f, first, max((value - a) / (b - a), 0.0))


def _between(column: list[float], value: float, rows: list[tuple]) -> float:
    i = min(max(bisect_right(column, value) - 1, 0), len(column) - 2)
    return rows[i][0] + (value - column[i]) / (column[i + 1] - column[i]) * (rows[i + 1][0] - rows[i][0])


def _blend(low: list, high: list, f: float, i: int, g: float) -> Vapour:
    a, b, c, d = low[i], low[i + 1], high[i], high[i + 1]
    wa, wb, wc, wd = (1 - g) * (1 - f), g * (1 - f), (1 - g) * f, g * f
    return Vapour(wa * a[0] + wb * b[0] + wc * c[0] + wd * d[0], wa * a[1] + wb * b[1] + wc * c[1] + wd * d[1],
                  wa * a[2] + wb * b[2] + wc * c[2] + wd * d[2], wa * a[3] + wb * b[3] + wc * c[3] + wd * d[3])


@cache
def fluid(designation: str) -> Fluid:
    """Raises UnknownRefrigerant, NotModelled."""
    known = refrigerant(designation)
    if designation == "R-744":
        raise NotModelled("R-744 runs above its critical pressure: it has no condensing saturation and the cycle model does not cover it; "
                          "go by the service manual's pressures")
    if designation not in MODELLED:
        what = "its dew and bubble temperature differ" if known.blend else "it is not tabulated"
        raise NotModelled(f"the cycle model does not cover {designation} ({what}); go by the maker's pressure table")
    return Fluid(designation)
