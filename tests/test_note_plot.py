"""The saturation plot, read back through its own scales."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import pytest

from hoodnote.note.build import build_note
from hoodnote.statements.model import Fact, Step
from tests.note_samples import METRIC, US, Record, assessed, m, repaired_leak

SVG = "{http://www.w3.org/2000/svg}"


def plot_of(record: Record, job=US, kind: str = "saturation"):
    return next((p for p in build_note(job, record.timeline, assessed(), []).plots if p.kind == kind), None)


class Read:
    """Values of the plot's points, by the numbers printed on its scales and nothing else."""

    def __init__(self, svg: str):
        self.root = ET.fromstring(svg)
        self.bottom, self.left, self.top, self.right = (self._scale(side) for side in ("bottom", "left", "top", "right"))

    def _scale(self, side: str):
        """Value on a scale from a position in the drawing; None where the scale has no numbers."""
        ticks = [e for e in self.root.iter(f"{SVG}text") if e.get("class") == side]
        across = side in ("bottom", "top")
        # the baseline of a number beside its tick lies 3 units below it
        at = [float(e.get("x")) if across else float(e.get("y")) - 3 for e in ticks]
        values = [float(e.text) for e in ticks]
        if not values:
            return None
        assert len(values) >= 3
        log = not across and abs((at[2] - at[1]) / (values[2] - values[1]) / ((at[1] - at[0]) / (values[1] - values[0])) - 1) > 0.1
        scale = [math.log(v) for v in values] if log else values
        slope = (scale[-1] - scale[0]) / (at[-1] - at[0])
        return (lambda position: math.exp(scale[0] + (position - at[0]) * slope)) if log else lambda position: scale[0] + (position - at[0]) * slope

    def marks(self) -> dict[int, tuple[float, float]]:
        """Number -> value on the bottom scale, value on the left scale."""
        found = [e for e in self.root.iter() if e.get("data-reading")]
        return {int(e.get("data-reading")): (self.bottom(float(e.get("data-x"))), self.left(float(e.get("data-y")))) for e in found}

    def curve(self, nth: int = 0) -> list[tuple[float, float]]:
        line = list(self.root.iter(f"{SVG}polyline"))[nth]
        return [(self.bottom(float(x)), self.left(float(y))) for x, y in (p.split(",") for p in line.get("points").split())]


def test_readings_stand_where_they_were_read():
    read = Read(plot_of(repaired_leak()).svg)
    marks = read.marks()
    # engine off: at the ambient temperature
    assert marks[1] == pytest.approx((84, 46), abs=0.5)
    assert marks[2] == pytest.approx((84, 45), abs=0.5)
    # running: R-134a at 35 psig evaporates at 40 F, at 210 psig condenses near 134 F (pressure-temperature charts, from memory)
    assert marks[3] == pytest.approx((40, 35), abs=1.0)
    assert marks[4] == pytest.approx((52, 35), abs=0.7)
    assert marks[5] == pytest.approx((134, 210), abs=1.5)
    assert marks[6] == pytest.approx((112, 210), abs=1.0)


def test_the_curve_goes_through_published_saturation_values():
    # R-134a: 0 C 292.8 kPa, 30 C 770.2 kPa, 50 C 1317.9 kPa absolute (ASHRAE Handbook Fundamentals, from memory)
    record = repaired_leak()
    curve = Read(plot_of(record, METRIC).svg).curve()
    for celsius, kpa in ((0, 292.8), (30, 770.2), (50, 1317.9)):
        below = max(p for p in curve if p[0] <= celsius)
        above = min(p for p in curve if p[0] > celsius)
        between = below[1] + (celsius - below[0]) / (above[0] - below[0]) * (above[1] - below[1])
        assert between == pytest.approx(kpa - 101.325, abs=12)


def test_running_sides_stand_on_the_reference_curve():
    from CoolProp.CoolProp import PropsSI

    marks = Read(plot_of(repaired_leak()).svg).marks()
    for number, psi in ((3, 35), (5, 210)):
        kelvin = PropsSI("T", "P", psi * 6894.757 + 101325, "Q", 1, "R134a")
        assert marks[number][0] == pytest.approx(kelvin * 9 / 5 - 459.67, abs=0.5)


def test_second_scales_agree_with_the_first():
    read = Read(plot_of(repaired_leak()).svg)
    for x in (60.0, 200.0):
        assert read.top(x) == pytest.approx((read.bottom(x) - 32) / 1.8, abs=0.3)
    for y in (40.0, 110.0):
        assert read.right(y) == pytest.approx(read.left(y) * 6.894757, abs=8)


def test_altitude_moves_the_saturation_point():
    # ISO 2533: 83.5 kPa at 1600 m, so a gauge shows 17.8 kPa more at the same absolute pressure
    record = repaired_leak()
    sea = plot_of(record)
    record.entries.insert(10, record.entries.pop(record.add(m("altitude", "1600", "m")) - 1))
    high = plot_of(record)
    assert "sea level assumed" in sea.description and "83.5 kPa" in high.description
    assert Read(high.svg).marks()[3][0] < Read(sea.svg).marks()[3][0] - 2


BAR = re.compile(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)M")


def bars(read: Read) -> list[tuple[float, float, float, float]]:
    found = [BAR.match(e.get("d")) for e in read.root.iter(f"{SVG}path") if e.get("class") == "bar"]
    return [tuple(float(x) for x in b.groups()) for b in found]


def test_bars_show_the_expanded_uncertainty():
    # the usual low-side gauge: grade B, 3 % of span in the first quarter, 2 % in the middle half (ASME B40.100, from memory);
    # a limit a counts as a / sqrt(3), expanded with k = 2 (JCGM 100:2008, 4.3.7 and 6.2.1)
    read = Read(plot_of(repaired_leak()).svg)
    upright = [b for b in bars(read) if b[0] == b[2]]
    low = next(b for b in upright if read.bottom(b[0]) == pytest.approx(40, abs=1))
    span = 120 + 30 * 3.386389 / 6.894757
    assert abs(read.left(low[3]) - read.left(low[1])) == pytest.approx(2 * 2 / 3 ** 0.5 * 0.02 * span, abs=0.7)


def test_a_saturation_temperature_is_as_sure_as_the_gauge_and_the_weather_let_it_be():
    from CoolProp.CoolProp import PropsSI

    # from both ends of the pressure's own uncertainty: low side 35 psi, gauge limit 2 % of span, air pressure 2 kPa
    read = Read(plot_of(repaired_leak()).svg)
    limit = 0.02 * (120 * 6.894757 + 30 * 3.386389)
    sure = 2 * ((limit ** 2 + 2.0 ** 2) / 3) ** 0.5
    ends = [PropsSI("T", "P", (35 * 6.894757 + 101.325 + s) * 1e3, "Q", 1, "R134a") * 1.8 - 459.67 for s in (-sure, sure)]
    level = next(b for b in bars(read) if b[1] == b[3] and read.left(b[1]) == pytest.approx(35, abs=0.5) and (read.bottom(b[0]) + read.bottom(b[2])) / 2 < 45)
    assert (read.bottom(level[0]), read.bottom(level[2])) == pytest.approx(ends, abs=0.6)


def test_shapes_and_fill_tell_without_colour():
    svg = plot_of(repaired_leak()).svg
    marks = [e for e in ET.fromstring(svg).iter() if e.get("data-reading")]
    shapes = {(e.tag, re.sub(r"M[\d. ]+", "", e.get("d") or ""), e.get("fill") == "#fff") for e in marks}
    assert len(shapes) == 5      # static, low side, suction line, high side, liquid line


def test_says_in_words_what_it_shows():
    plot = plot_of(repaired_leak())
    root = ET.fromstring(plot.svg)
    assert root.find(f"{SVG}title").text == plot.title
    assert root.get("aria-label") == root.find(f"{SVG}desc").text == plot.description
    assert "before, engine off, low side 46 psi" in plot.description and re.search(r"superheat 1[12] ± 5 °F", plot.description)


def _without(record: Record, *numbers: int) -> Record:
    record.entries = [e for e in record.entries if e.id not in numbers]
    return record


@pytest.mark.parametrize("make", [
    lambda: _without(repaired_leak(), 8),                                          # no refrigerant
    lambda: Record(),
])
def test_no_plot_without_a_refrigerant(make):
    assert plot_of(make()) is None


def test_no_plot_while_the_refrigerant_is_in_doubt_or_stated_twice():
    record = repaired_leak()
    record.ask(Fact("refrigerant", "R-1234yf"), Fact("refrigerant", "R-134a"))
    assert plot_of(record) is None
    record = repaired_leak()
    record.add(Fact("refrigerant", "R-12"))
    assert plot_of(record) is None


def test_a_questioned_reading_is_not_drawn():
    record = repaired_leak()
    record.ask(m("high_side", "290", "psi"), m("high_side", "219", "psi"))
    description = plot_of(record).description
    assert "high side 210" not in description and "condensing" not in description and "evaporating" in description


def test_above_the_critical_point_there_is_no_saturation():
    record = Record()
    record.add(Fact("refrigerant", "R-744"))
    record.add(Step("engine_running"))
    record.add(m("high_side", "100", "bar"))         # critical pressure 73.8 bar (NIST Chemistry WebBook)
    assert plot_of(record) is None


def test_a_blend_shows_dew_and_bubble():
    record = Record()
    record.add(Fact("refrigerant", "R-456A"))
    record.add(Step("engine_running"))
    record.add(m("low_side", "30", "psi"))
    svg = plot_of(record).svg
    assert svg.count('class="saturation"') == 2 and "R-456A dew" in svg and "R-456A bubble" in svg
