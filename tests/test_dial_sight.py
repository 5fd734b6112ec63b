"""The network that finds the signs of gauge faces, figures made of them, and what they and the text reader's make together."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageFont

from hoodnote.capture.vision.dial_find import find_dials
from hoodnote.capture.vision.dial_fit import Followed
from hoodnote.capture.vision.dial_gauge import read_gauge
from hoodnote.capture.vision.dial_needle import Pointer, find_pointer
from hoodnote.capture.vision.dial_read import read_dials
from hoodnote.capture.vision.dial_rectify import face_on
from hoodnote.capture.vision.dial_scale import followed, piece_at, rings_of
from hoodnote.capture.vision.dial_sight import sighted, together
from hoodnote.capture.vision.dial_units import of_a_refrigerant, units_that_fit
from hoodnote.capture.vision.readers import NeuralReader
from hoodnote.capture.vision.signs import signs_in
from hoodnote.readings.model import Standing
from tests.bench.camera import engine_bay
from tests.bench.dial_render import RADIUS, draw_face
from tests.bench.dial_scenes import scenes
from tests.bench.dial_styles import PSI, Face, Ring
from tests.bench.label_render import font
from tests.test_dial import BLANK, KG, NARROW, NIGHT, PLAIN, PSI_250, PSI_AND_BAR, TURNED, drawn, photo, text


@pytest.fixture(scope="module")
def reader():
    return [NeuralReader()]


def view_of(picture: Image.Image):
    pixels = np.asarray(picture)
    return face_on(pixels, find_dials(pixels)[0])


@pytest.mark.parametrize(("face", "style", "unit"), [(PSI_250, PLAIN, "psi"), (PSI_250, NIGHT, "psi"), (KG, NARROW, "kg/cm2"), (PSI_250, TURNED, "psi")])
def test_every_figure_and_the_unit_are_found_where_they_were_drawn(face, style, unit):
    found = sighted(view_of(drawn(face, style, None)))
    ring = face.rings[0]
    top = face.knots[-1][0] / PSI[ring.unit]
    for value in np.arange(0, top + 1e-6, ring.step):
        angle = -style.sweep / 2 + style.sweep * value / top
        assert any(t.number == value and abs((t.angle - angle + 180) % 360 - 180) < 2 for t in found), value
    assert [t.unit for t in found if t.unit] in ([unit], [] if len(unit) > 3 else [unit])      # a long word may be missed, none is another
    assert sum(t.number is not None for t in found) == round(top / ring.step) + 1


def test_signs_of_a_figure_are_found_where_the_typeface_has_them():
    """Advance widths and digit boxes as FreeType gives them through Pillow."""
    picture = Image.new("RGB", (int(RADIUS * 2.9),) * 2, (58, 60, 64))
    placed = draw_face(picture, (picture.width / 2, picture.height / 2), PSI_AND_BAR, PLAIN)
    face = font(PLAIN.typeface, int(RADIUS * PLAIN.numeral * 1.25))
    assert isinstance(face, ImageFont.FreeTypeFont)
    _, top, _, bottom = face.getbbox("0", anchor="mm")
    outer = [p for p in placed if p[0] == "5" and math.hypot(*p[3:]) == pytest.approx((bottom - top) / 2)]
    assert len(outer) == 6            # 50, 150, 250, 350, 450 and 500
    small = np.asarray(picture.resize((600, 600), Image.Resampling.LANCZOS))
    share = 600 / picture.width
    found = signs_in(small, "dials", 0.4)
    for _, x, y, _, _ in outer:
        assert any(s.name == "5" and math.dist(s.at, (x * share, y * share)) < 4 for s in found)


def test_clutter_has_no_figures():
    view = replace(BLANK, pixels=engine_bay(760, 760, np.random.default_rng(5)))
    assert [t for t in sighted(view) if t.unit or len(t.text) > 1] == []


def test_scenes_name_what_shows_and_leave_out_what_the_pointer_hides():
    from hoodnote.capture.vision.signs import DIAL_CLASSES

    taken = list(scenes(11, ["DejaVuSans.ttf"]))
    assert all(picture.shape == (256, 320, 3) and picture.dtype == np.uint8 for picture, _ in taken)
    marks = [m for _, found in taken for m in found]
    assert marks and all(0 <= m[0] < len(DIAL_CLASSES) and 0 < m[1] < 320 and 0 < m[2] < 256 for m in marks)


def seen(word: str, degrees: float, radius: float = 0.7, confidence: float = 0.9):
    return replace(text(word, degrees, radius), confidence=confidence, by_signs=True)


def test_what_both_read_is_known_in_two_ways_and_two_run_together_are_parted():
    kept = together([text("40", 10), text("6080", 30), text("psi", 180, 0.2)], [seen("40", 10), seen("60", 28), seen("80", 32)])
    assert {(t.text, t.by_signs) for t in kept} == {("40", False), ("60", True), ("80", True), ("psi", False)}


def test_where_they_differ_surely_both_stand():
    kept = together([replace(text("160", 10), confidence=0.99)], [seen("100", 10)])
    assert sorted(t.text for t in kept) == ["100", "160"]


def test_digits_within_a_word_or_of_a_figure_that_was_read_whole_are_no_figures():
    kept = together([text("R-134a", 180, 0.4), replace(text("200", 10), confidence=0.99)], [seen("134", 180, 0.4), seen("0", 10)])
    assert sorted(t.text for t in kept) == ["200", "R-134a"]


CLOSING = (0, 1, 2, 4, 6, 8, 10, 15, 20, 30, 40)


def closing(value: float) -> float:
    """A mathematical scale that closes up: the logarithm of one more than a ninth."""
    return -140 + 280 * math.log1p(value / 9) / math.log1p(40 / 9)


def test_a_scale_is_followed_from_figure_to_figure():
    ring = rings_of([text(str(v), closing(v)) for v in (0, 1, 2, 4)] + [text(str(v), closing(v)) for v in CLOSING[4:]], BLANK)[0]
    whole = followed(ring)
    assert isinstance(whole.main, Followed) and len(whole.main.texts) == len(CLOSING)
    for value in (0.5, 3, 7, 12.5, 25, 35):
        piece, place = piece_at(whole, closing(value))
        assert piece.value(place) == pytest.approx(value, abs=0.01 * 40)


@pytest.mark.parametrize("figures", [(0, 10, 20, 30), (0, 10, 20, 300, 310, 320, 330), (0, 80, 20, 60, 40, 10, 30, 50)])
def test_few_figures_a_leap_or_no_order_are_not_followed(figures):
    cluster = [text(str(v), -130 + 30 * i) for i, v in enumerate(figures)]
    ring = rings_of([text(str(v), -130 + v) for v in (0, 20, 40, 60)], BLANK)[0]
    assert followed(replace(ring, figures=tuple(cluster))) is None


def test_a_figure_from_a_followed_scale_is_always_a_question(reader):
    """Above 80 the drawn scale runs four times as closely as below, which is no spacing the reader knows."""
    face = Face("two stretches", ((0.0, 0.0), (80.0, 0.5), (400.0, 1.0)),
                (Ring("psi", 0.0, 5, 0.93, 0.74, printed=(0, 10, 20, 30, 40, 50, 60, 70, 80, 160, 240, 320, 400)),))
    fields = read_dials(photo(drawn(face, PLAIN, 0.9)), "high_side", readers=reader).fields
    true = face.psi(0.9)
    assert all(f.standing is Standing.UNCONFIRMED and abs(float(f.statement.value) - true) < 0.02 * 400 for f in fields) and fields


def test_a_compressed_end_begins_where_the_last_even_division_is(reader):
    """Printed to 200 in steps of 40, divided evenly to 220, from there closely to 440: common practice, no source."""
    face = Face("30-0-220-440 psi", ((-30 * PSI["inHg"], 0.0), (0.0, 0.2), (220.0, 0.8), (440.0, 1.0)),
                (Ring("psi", 40, 4, 0.93, 0.74, 0.0), Ring("inHg", 10, 5, 0.93, 0.74, -30.0)), 220.0)
    field, = read_dials(photo(drawn(face, PLAIN, 0.9)), "low_side", readers=reader).fields
    assert field.standing is Standing.UNCONFIRMED
    assert float(field.statement.value) == pytest.approx(330, abs=0.01 * 440)


def test_edges_that_pass_beside_the_middle_give_way_to_the_profile():
    assert Pointer(20.0, 31.0, 1.0, 200, 9.0).angle == 31.0
    assert Pointer(20.0, 21.0, 1.0, 200, 9.0).angle == Pointer(20.0, 31.0, 1.0, 200, 1.0).angle - 5 == 20.5


def test_a_face_with_saturation_temperatures_is_of_pressures():
    """An even scale with a curved one inside it, whose degree sign alone was read; two even ones may be a thermometer's."""
    outer = [text(str(v), -135 + 270 * v / 18, 0.8) for v in range(0, 19, 2)]
    curved = [text(str(v), -120 + 240 * (v / 160) ** 1.7, 0.5) for v in (20, 40, 60, 80, 100, 120, 160)]
    even = [text(str(v), -120 + 240 * v / 160, 0.5) for v in range(0, 161, 20)]
    for inner, pressures in ((curved, True), (even, False)):
        texts = [*outer, *inner, text("°F", 0, 0.3)]
        rings = rings_of(texts, BLANK)
        assert of_a_refrigerant(rings, texts) is pressures
        assert bool(units_that_fit(rings, texts, "us")) is pressures


@pytest.mark.parametrize(("alone", "doubts", "units"), [("figures", ("most figures of the scale could be read in one way only",), ()), ("unit", (), ("psi",))])
def test_what_the_network_alone_read_is_a_question(alone, doubts, units, monkeypatch, reader):
    from hoodnote.capture.vision import dial_gauge

    view = view_of(drawn(PSI_250, PLAIN, 0.4))
    pointer = find_pointer(view)
    real = dial_gauge.together

    def less(texts, found):
        return [replace(t, by_signs=True) if (t.number is not None if alone == "figures" else t.unit) else t for t in real(texts, found)]

    rim = find_dials(np.asarray(drawn(PSI_250, PLAIN, 0.4)))[0]
    sure = read_gauge(view, rim, pointer, reader[0], None, "us")
    assert (sure.doubts, sure.units) == ((), ())
    monkeypatch.setattr(dial_gauge, "together", less)
    found = read_gauge(view, rim, pointer, reader[0], None, "us")
    assert (found.doubts, found.units) == (doubts, units)
