"""The pressure-enthalpy sketch and the hold-test curve, read back through their own scales."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from decimal import Decimal
from importlib.resources import files

import numpy as np
import pytest

from hoodnote.checks.equipment import Equipment
from hoodnote.note.build import build_note
from hoodnote.note.plots import axes
from hoodnote.physics.gauge import USUAL_MANIFOLD
from hoodnote.statements.model import Fact, Step
from tests.note_samples import METRIC, US, Record, assessed, m, repaired_leak
from tests.test_note_plot import SVG, Read, bars, plot_of

KPA, BTU_LB, MICRON_PA = 101.325, 2.326, 0.1333224       # standard atmosphere; SP 811 appendix B, International Table Btu and 1e-3 Torr


def running(refrigerant: str = "R-134a", **readings: tuple[str, str]) -> Record:
    record = Record()
    record.add(Fact("refrigerant", refrigerant))
    record.add(Step("engine_running"))
    for place, (value, unit) in readings.items():
        record.add(m(place, value, unit))
    return record


def cycle_of(record: Record, job=METRIC):
    return plot_of(record, job, "pressure-enthalpy")


def gauge(absolute_kpa: float) -> tuple[str, str]:
    return f"{absolute_kpa - KPA:.3f}", "kPa"


class TestCycle:
    # Cengel and Boles, Thermodynamics, the example of an ideal R-134a cycle from 0.14 to 0.8 MPa (from memory), enthalpy from
    # saturated liquid at -40 C: h1 = 239.2 at -18.8 C, h2 = 275.4, h3 = h4 = 95.5 kJ/kg
    def test_the_textbook_cycle(self):
        read = Read(cycle_of(running(low_side=gauge(140), high_side=gauge(800), suction_line=("-18.7", "C"))).svg)
        expected = {1: (239.2, 140), 2: (275.4, 800), 3: (95.5, 800), 4: (95.5, 140)}
        for number, (kj_kg, kpa) in read.marks().items():
            assert kj_kg == pytest.approx(expected[number][0], abs=1.0)
            assert kpa == pytest.approx(expected[number][1], rel=0.01)

    # R-134a at 0.8 MPa and 60 C: 296.8 kJ/kg (the same book, superheated vapour, from memory)
    def test_a_superheated_state(self):
        read = Read(cycle_of(running(low_side=gauge(140), high_side=gauge(800), discharge_line=("60", "C"))).svg)
        assert read.marks()[2][0] == pytest.approx(296.8, abs=1.0)

    # saturated R-134a: 0 C 292.8 kPa, 51.9 and 250.5 kJ/kg; 40 C 1017 kPa, 108.3 and 271.3 kJ/kg above -40 C (ASHRAE Handbook
    # Fundamentals, from memory)
    def test_the_dome(self):
        dome = Read(cycle_of(running(low_side=gauge(200), high_side=gauge(1500), suction_line=("10", "C"))).svg).curve()
        top = max(range(len(dome)), key=lambda i: dome[i][1])
        for kpa, liquid, vapour in ((292.8, 51.9, 250.5), (1017, 108.3, 271.3)):
            for side, kj_kg in ((dome[:top], liquid), (dome[top:][::-1], vapour)):
                assert float(np.interp(math.log(kpa), [math.log(p) for _, p in side], [h for h, _ in side])) == pytest.approx(kj_kg, abs=1.5)

    def test_against_independent_equations(self):
        """Vapour enthalpies: the difference of two states through ideal-gas heat and a cubic equation of state."""
        import thermo

        record = running(low_side=gauge(250), high_side=gauge(1200), suction_line=("15", "C"), discharge_line=("75", "C"))
        drawn, expected = Read(cycle_of(record).svg).marks(), {}
        for number, (p, t) in {1: (250e3, 15.0), 2: (1200e3, 75.0)}.items():
            expected[number] = thermo.Chemical("1,1,1,2-tetrafluoroethane", T=t + 273.15, P=p).H / 1e3
        assert drawn[2][0] - drawn[1][0] == pytest.approx(expected[2] - expected[1], rel=0.06)

    def test_both_scales_agree(self):
        metric = Read(cycle_of(running(low_side=gauge(200), high_side=gauge(1500), suction_line=("10", "C"))).svg)
        for x in (100.0, 250.0):
            assert metric.top(x) * BTU_LB == pytest.approx(metric.bottom(x), abs=1.0)
        for y in (40.0, 100.0):
            assert metric.right(y) * 6.894757 == pytest.approx(metric.left(y), rel=0.01)

    def test_what_was_read_is_solid_and_what_is_assumed_is_dashed_and_said(self):
        plot = cycle_of(running(low_side=("30", "psi"), high_side=("200", "psi"), suction_line=("55", "F"), liquid_line=("110", "F")), US)
        root = ET.fromstring(plot.svg)
        dashed = {int(e.get("data-reading")) for e in root.iter() if e.get("data-reading") and e.get("stroke-dasharray")}
        assert dashed == {2}
        sides = [e.get("stroke-dasharray") for e in root.iter(f"{SVG}polyline") if e.get("class") == "cycle"]
        assert [bool(s) for s in sides] == [True, True, False, False]      # both that end at the compressor's outlet
        assert "2: before, compressor outlet: 200 psi; discharge line not read, assumed ideal compression." in plot.description
        assert "1: before, compressor inlet: 30 psi, suction line 55 °F." in plot.description

    @pytest.mark.parametrize("place, value, said", [
        ("suction_line", "-30", "suction line not above saturation"), ("liquid_line", "70", "liquid line not below saturation"),
        ("discharge_line", "20", "discharge line not above saturation")])
    def test_a_line_whose_state_its_temperature_does_not_tell_is_assumed_and_said(self, place, value, said):
        lines = {"suction_line": ("15", "C"), "liquid_line": ("40", "C"), place: (value, "C")}
        plot = cycle_of(running(low_side=("200", "kPa"), high_side=("1400", "kPa"), **lines))
        assert f"{said}, so its state is not known" in plot.description

    def test_before_and_after_are_told_apart_without_colour(self):
        record = running(low_side=("18", "psi"), high_side=("120", "psi"), suction_line=("60", "F"), discharge_line=("150", "F"),
                         liquid_line=("80", "F"))
        record.add(m("charged", "19", "oz"))
        record.add(Step("after_readings"))
        for place, value, unit in (("low_side", "32", "psi"), ("high_side", "200", "psi"), ("suction_line", "60", "F"),
                                   ("discharge_line", "160", "F"), ("liquid_line", "105", "F")):
            record.add(m(place, value, unit))
        marks = {int(e.get("data-reading")): e.get("fill") for e in ET.fromstring(cycle_of(record, US).svg).iter() if e.get("data-reading")}
        assert len(marks) == 8 and {marks[n] for n in (1, 2, 3, 4)} == {"#fff"} and "#fff" not in {marks[n] for n in (5, 6, 7, 8)}

    def test_carbon_dioxide_above_its_critical_point_needs_the_coolers_outlet(self):
        # critical pressure 73.8 bar (NIST Chemistry WebBook)
        given = {"low_side": ("35", "bar"), "high_side": ("100", "bar"), "suction_line": ("20", "C")}
        assert cycle_of(running("R-744", **given)) is None
        plot = cycle_of(running("R-744", **given, liquid_line=("40", "C")))
        assert "gas cooler outlet: 100 bar, liquid line 40 °C" in plot.description and "assumed saturated liquid" not in plot.description
        assert Read(plot.svg).marks()[3][1] == pytest.approx(10000 + KPA, rel=0.02)

    @pytest.mark.parametrize("record", [
        running(low_side=("30", "psi"), suction_line=("60", "F")), running(low_side=("100", "psi"), high_side=("90", "psi")),
        running(low_side=("30", "psi"), high_side=("200", "psi")),
        running("R-456A", low_side=("30", "psi"), high_side=("200", "psi")), Record()], ids=["one side", "equal", "no line", "blend", "nothing"])
    def test_nothing_is_drawn_of_what_the_readings_do_not_allow(self, record):
        assert cycle_of(record) is None

    def test_a_questioned_reading_is_not_drawn(self):
        record = running(low_side=("30", "psi"), high_side=("200", "psi"), suction_line=("55", "F"), liquid_line=("100", "F"))
        record.ask(m("suction_line", "65", "F"), m("suction_line", "75", "F"))
        plot = cycle_of(record)
        assert "suction line not read" in plot.description and "65" not in plot.description
        record.ask(m("high_side", "290", "psi"), m("high_side", "219", "psi"))
        assert cycle_of(record) is None

    def test_altitude_moves_the_pressures(self):
        # ISO 2533: 83.5 kPa at 1600 m
        record = running(low_side=("200", "kPa"), high_side=("1400", "kPa"), suction_line=("15", "C"))
        record.entries.insert(0, record.entries.pop(record.add(m("altitude", "1600", "m")) - 1))
        assert Read(cycle_of(record).svg).marks()[1][1] == pytest.approx(283.5, rel=0.01)

    @pytest.mark.parametrize("refrigerant, low, high", [("R-134a", "5", "60"), ("R-1234yf", "35", "350"), ("R-12", "-5", "450"),
                                                        ("R-152a", "20", "280")])
    def test_it_stands_up_to_odd_pressures(self, refrigerant, low, high):
        plot = cycle_of(running(refrigerant, low_side=(low, "psi"), high_side=(high, "psi"), suction_line=("75", "F")))
        assert len(Read(plot.svg).marks()) == 4


def hold(*points: tuple[float, float], started: bool = True) -> Record:
    record = Record()
    record.add(Step("pump_on"))
    record.add(m("vacuum", "390", "micron", at_minute=Decimal(30)))
    if started:
        record.add(Step("hold_started"))
    for minute, micron in points:
        record.add(m("vacuum", f"{micron:.0f}", "micron", at_minute=Decimal(str(minute))))
    return record


def hold_of(record: Record):
    return plot_of(record, US, "hold-test")


MINUTES = (0, 2, 4, 6, 10, 15, 20)


class TestHold:
    def test_readings_stand_where_they_were_read(self):
        given = [(t, 400 + 12 * t) for t in MINUTES]
        read = Read(hold_of(hold(*given)).svg)
        assert list(read.marks().values()) == [pytest.approx(p, abs=3) for p in given]
        assert read.right(60.0) == pytest.approx(read.left(60.0) * MICRON_PA, rel=0.03)

    # shapes made with the formulas themselves: a leak rises straight, drying levels exponentially
    @pytest.mark.parametrize("shape, at", [("straight", lambda t: 400 + 40 * t), ("levelling off", lambda t: 1200 - 800 * math.exp(-t / 4))])
    def test_the_better_fit_is_drawn_through_them_and_named_with_its_weight(self, shape, at):
        plot = hold_of(hold(*((t, at(t)) for t in MINUTES)))
        curve = Read(plot.svg).curve()
        for t in (1, 5, 12, 18):
            assert float(np.interp(t, *zip(*curve, strict=True))) == pytest.approx(at(t), rel=0.04)
        assert re.search(rf"hold test: .*, {shape}, (over )?\d\d%", plot.description)

    def test_bars_are_the_gauges_scatter_doubled(self):
        read = Read(hold_of(hold(*((t, 1000.0) for t in MINUTES))).svg)
        found = bars(read)
        assert len(found) == len(MINUTES)
        # 2 % of 1000 micron and 5 micron, k = 2 (common practice, no source)
        assert all(abs(read.left(b[1]) - read.left(b[3])) == pytest.approx(2 * 2 * math.hypot(20, 5), abs=6) for b in found)

    def test_two_readings_are_drawn_without_a_shape(self):
        plot = hold_of(hold((0, 400), (10, 700)))
        assert "too few readings" in plot.description and 'class="fit"' not in plot.svg
        assert hold_of(hold((10, 700))) is None

    def test_a_dial_gauge_draws_nothing(self):
        record = Record()
        record.add(Step("hold_started"))
        for minute in (0, 5, 10):
            record.add(m("low_side", "29", "inHg", at_minute=Decimal(minute)))
        assert hold_of(record) is None

    def test_nothing_while_a_vacuum_reading_is_in_question(self):
        record = hold(*((t, 400 + 12 * t) for t in MINUTES))
        record.ask(m("vacuum", "777", "micron", at_minute=Decimal(25)), m("vacuum", "888", "micron", at_minute=Decimal(25)))
        assert hold_of(record) is None


def test_text_is_7_points_high_where_a_plot_fills_half_an_a4_page():
    css = files("hoodnote.note").joinpath("note.css").read_text("utf-8")
    margin = float(re.search(r"@page \{ margin: [\d.]+mm ([\d.]+)mm", css)[1])
    gap = float(re.search(r"\.plots > div \{ column-gap: ([\d.]+)mm", css)[1])
    points = (210 - 2 * margin - gap) / 2 / 25.4 * 72               # ISO 216: 210 mm
    svgs = [p.svg for p in build_note(US, repaired_leak().timeline, assessed(), []).plots]
    assert svgs
    for svg in svgs:
        width = float(re.search(r'viewBox="0 0 ([\d.]+)', svg)[1])
        sizes = [float(x) for x in re.findall(r'font-size="([\d.]+)"', svg)]
        assert min(sizes) * points / width >= 7


def test_the_shops_own_gauges_make_the_bars():
    low, high = USUAL_MANIFOLD.low, USUAL_MANIFOLD.high
    fine = Equipment(gauges=type(USUAL_MANIFOLD)(type(low)(low.name, low.start, low.end, "4A"), high))
    record = running(low_side=("30", "psi"))
    usual, better = (Read(next(p for p in build_note(US, record.timeline, assessed(), [], equipment=e).plots).svg) for e in (Equipment(), fine))
    # grade 4A is 0.1 % of span, B is 2 % in the middle (ASME B40.100, from memory)
    heights = [max(abs(r.left(b[1]) - r.left(b[3])) for b in bars(r) if b[0] == b[2]) for r in (usual, better)]
    assert heights[1] < heights[0] / 4


@pytest.mark.parametrize("log", [False, True])
@pytest.mark.parametrize("low, high", [(0.7, 13.0), (120.0, 2600.0), (3.0, 4.0), (50.0, 51000.0)])
def test_scales_have_round_numbers_inside_the_window_in_order(log, low, high):
    axis = axes.Axis(low, high, "x", axes.Printed("u"), log=log)
    ticks = list(axis.round_numbers(axis.first))
    values = [v for _, v in ticks]
    assert values == sorted(values) and all(low <= v <= high for v in values)
    assert all(float(text) == pytest.approx(v) for text, v in ticks)
    assert len(values) >= 3
    frame = axes.Frame(axis, axis)
    assert frame.x(low) == axes.LEFT and frame.x(high) == pytest.approx(axes.WIDTH - axes.RIGHT)
    assert frame.y(low) == axes.TOP + axes.PLOT_HEIGHT and frame.y(high) == pytest.approx(axes.TOP)


def test_legend_lines_fit_the_drawing():
    """Widths of Arial's letters: 0.556 em for most lower-case ones (Adobe font metrics of Helvetica), less on average."""
    widths = (dict.fromkeys("abdeghnopqu", 0.556) | dict.fromkeys("ckxvyzs", 0.5) | dict.fromkeys(" ,.:ft/", 0.278) | dict.fromkeys("ijl", 0.222)
              | {"m": 0.833, "w": 0.722, "r": 0.333})
    for plot in build_note(US, repaired_leak().timeline, assessed(), []).plots:
        for e in ET.fromstring(plot.svg).iter(f"{SVG}text"):
            if float(e.get("x") or 0) == axes.LEFT - 6:
                assert axes.LEFT - 6 + sum(widths.get(c, 0.58) for c in e.text) * axes.FONT < axes.WIDTH, e.text


