"""MPa and kg/cm2, as gauges elsewhere are marked, beside psi. 1 MPa = 145.0377 psi and 1 kgf/cm2 = 14.22334 psi: NIST SP 811 B.9."""

from decimal import Decimal
from pathlib import Path

import pytest

from hoodnote.checks.tables import PRESSURES, Table
from hoodnote.note.words import figure_text
from hoodnote.statements.model import Measured


@pytest.mark.parametrize(("value", "unit", "psi"), [("1.2", "MPa", "174 psi"), ("8", "kg/cm2", "114 psi")])
def test_the_note_gives_both_units(value, unit, psi):
    measured = Measured("high_side", Decimal(value), unit)
    assert figure_text(measured, "metric") == f"{value} {unit} ({psi})"
    assert figure_text(measured, "us") == f"{psi} ({value} {unit})"


@pytest.mark.parametrize(("written", "kpa"), [("1.2 MPa", 1200.0), ("8 kg/cm2", 784.532)])
def test_a_shop_may_write_a_pressure_in_them(written, kpa):
    value = Table(Path("shop.toml"), {"to": written}).amount("to", PRESSURES)
    assert value == pytest.approx(kpa)
