"""The shop's own gauges, thermometer and circuits: read from files that people edit, refused in one clear line."""

from __future__ import annotations

import re

import pytest

from hoodnote.checks.circuits import FAULTS, usual
from hoodnote.checks.equipment import USUAL, shop_equipment
from hoodnote.errors import HoodnoteError
from hoodnote.jobs.store import Store
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import GaugePressure

VAN = """
id = "van"
[vehicle]
make = "Test Make"
years = "1996 to 2002"
[[point]]
place = "battery"
[[point]]
place = "low_pressure_switch_out"
through = "low-pressure switch"
fault = "open_low_pressure_switch"
opens_below = "{opens}"
closes_above = "40 to 45 psi"
[[point]]
place = "clutch"
"""


def shop(folder, text="", **circuits):
    if text:
        (folder / "shop.toml").write_text(text)
    for name, circuit in circuits.items():
        (folder / "circuits").mkdir(exist_ok=True)
        (folder / "circuits" / f"{name}.toml").write_text(circuit)
    return shop_equipment(folder)


def test_without_files_it_is_as_usual(tmp_path):
    assert shop(tmp_path) == USUAL


def test_gauges_and_thermometer_as_stated(tmp_path):
    stated = shop(tmp_path, '[gauges.low]\ngrade = "1A"\nfrom = "-30 inHg"\nto = "120 psi"\n[gauges.high]\nto = "35 bar"\n'
                            '[thermometer]\nlimit = "1.8 F"\n')
    low, high = stated.gauges.low, stated.gauges.high
    assert low.grade == "1A" and low.start.kpa == pytest.approx(-101.59167) and low.end == GaugePressure.of(120, "psi")  # NIST SP 811
    assert high.end.kpa == 3500 and (high.grade, high.start) == (USUAL.gauges.high.grade, USUAL.gauges.high.start)
    # ASME B40.100 (from memory): grade 1A is off by 1 % of span at most
    assert low.limit_of_error_kpa(GaugePressure(200)) == pytest.approx(0.01 * (101.59167 + 120 * 6.894757))
    assert stated.thermometer_limit_c == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[gauges.low]\ngrade = 1", "gauges.low.grade: write one of 4A"),
        ('[gauges.low]\ngrade = "5A"', "gauges.low.grade: write one of 4A"),
        ('[gauges.low]\nto = "120"', "gauges.low.to: write a figure with psi, bar, kPa, MPa or kg/cm2"),
        ('[gauges.low]\nto = "-40 psi"', "gauges.low.to: the dial ends above"),
        ('[gauges.low]\nfrom = "30 inHg"', 'gauges.low.from: inches .* "-30 inHg"'),
        ('[gauges.middle]\nto = "120 psi"', "gauges.middle: unknown here; write low, high"),
        ('gauges = "1A"', r"gauges: write it as a table of its own, \[gauges\]"),
        ('[thermometer]\nlimit = "0 C"', "thermometer.limit: write how far"),
        ('[thermometer]\nlimit = "1 K"', "thermometer.limit: write a figure with C or F"),
        ('[circuits]\nusual = "van"', "circuits.usual: there is no circuit of the shop"),
        ("[gauges", "is no readable TOML"),
    ],
)
def test_a_bad_file_is_refused_in_one_line(tmp_path, text, says):
    with pytest.raises(HoodnoteError, match=says) as refusal:
        shop(tmp_path, text)
    assert "shop.toml" in str(refusal.value) and "\n" not in str(refusal.value)


def test_a_circuit_of_the_shop(tmp_path):
    van = shop(tmp_path, '[circuits]\nusual = "van"', van=VAN.format(opens="25 to 28 psi"))
    (circuit,) = van.circuits
    assert van.usual_circuit == "van" and circuit.vehicle.make == "test make" and circuit.vehicle.years == (1996, 2002)
    opening = circuit.points[1].openings[0]
    assert opening.by == "low pressure" and opening.opens[0] == pytest.approx(25 * 6.894757)  # NIST SP 811


@pytest.mark.parametrize(
    ("circuit", "says"),
    [
        (VAN.format(opens="28 to 25 psi"), r"van.toml: point 2: opens_below: write the lower figure first"),
        (VAN.format(opens="28 psi"), r"van.toml: point 2: opens_below: write two figures with psi, bar, kPa, MPa or kg/cm2"),
        (VAN.format(opens="50 to 60 psi"), r"point 2: closes_above: a contact that opens below"),
        (VAN.format(opens="25 to 28 psi").replace("closes_above", "closes_below"), "point 2: closes_above: state it beside opens_below"),
        (VAN.format(opens="25 to 28 psi").replace('"clutch"', '"vent"'), "point 3: place: write one of battery"),
        (VAN.format(opens="25 to 28 psi").replace('"clutch"', '"battery"'), "point: battery stands in it twice"),
        (VAN.format(opens="25 to 28 psi").replace("open_low_pressure_switch", "gremlins"), "point 2: fault: write one of wiring"),
        (VAN.format(opens="25 to 28 psi").replace("1996 to 2002", "2002 to 1996"), "vehicle.years: write a year or two"),
        ('id = "van"', "point: write at least two"),
        (VAN.format(opens="25 to 28 psi").replace("make", "maker"), "vehicle.maker: unknown here"),
    ],
)
def test_a_bad_circuit_is_refused_in_one_line(tmp_path, circuit, says):
    with pytest.raises(HoodnoteError, match=says) as refusal:
        shop(tmp_path, van=circuit)
    assert "\n" not in str(refusal.value)


def test_two_circuits_for_one_vehicle_are_refused(tmp_path):
    van = VAN.format(opens="25 to 28 psi")
    with pytest.raises(HoodnoteError, match="id: \"van\" is taken by a.toml"):
        shop(tmp_path, a=van, b=van)
    with pytest.raises(HoodnoteError, match="a.toml is for the same vehicles"):
        shop(tmp_path, a=van, b=van.replace('"van"', '"other"').replace("1996 to 2002", "2000"))
    assert len(shop(tmp_path, a=van, b=van.replace('"van"', '"other"').replace("1996 to 2002", "2003")).circuits) == 2


def test_the_usual_circuit_is_sound():
    points = usual().points
    assert points[0].place == "battery" and points[-1].place == "clutch"
    assert all(PLACES[p.place].group == "circuit" for p in points)
    # every contact of the way to the clutch (battery, fuse, control unit or relay, three switches) has its own kind of fault
    assert {p.fault for p in points} == set(FAULTS)
    # domain knowledge, common practice, no source: a switch for lost charge opens at some 20 to 30 psi
    low = next(o for p in points for o in p.openings if o.by == "low pressure")
    assert [GaugePressure(x).psi for x in low.opens] == pytest.approx([20, 30])


def test_check_and_note_take_the_shops_file(tmp_path, capsys):
    from hoodnote.cli.main import main

    with Store.open(tmp_path):
        pass
    assert main(["--data", str(tmp_path), "job", "new", "WO-1"]) == 0
    assert main(["--data", str(tmp_path), "check", "WO-1"]) == 0
    (tmp_path / "shop.toml").write_text('[gauges.low]\ngrade = "Z"\n')
    for command in ("check", "note"):
        capsys.readouterr()
        assert main(["--data", str(tmp_path), command, "WO-1"]) == 2
        assert re.fullmatch(r"hoodnote: .*shop\.toml: gauges\.low\.grade: write one of [^\n]*\n", capsys.readouterr().err)
