"""Gauge faces that hide a part of themselves: figures under the pointer, words under a tail, rims round two gauges."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from hoodnote.capture.vision.dial_find import Ellipse, face_rims
from hoodnote.capture.vision.dial_fit import Uneven
from hoodnote.capture.vision.dial_read import read_dials
from hoodnote.capture.vision.dial_scale import piece_at, rings_of, with_more_uneven, with_vacuum
from hoodnote.capture.vision.dial_units import units_of
from hoodnote.capture.vision.readers import NeuralReader
from hoodnote.readings.model import Standing
from tests.test_dial import BLANK, COMPOUND, PLAIN, PSI_250, RETARDED, drawn, photo, text


@pytest.fixture(scope="module")
def reader():
    return [NeuralReader()]


def test_a_scale_that_closes_up_is_found_round_an_even_one():
    """Figures at the square root of their values, a mathematical scale, round four even ones."""
    outer = [text(f"{v:g}", -135 + 270 * (v / 400) ** 0.5, 0.8) for v in (0, 10, 25, 50, 100, 150, 200, 300, 400)]
    inner = [text(str(v), -100 + 2 * v, 0.5) for v in (20, 40, 60, 80)]
    rings = rings_of([*outer, *inner], BLANK)
    assert isinstance(rings[0].main, Uneven) and len(rings[0].main.texts) == 9


def test_the_unit_is_the_outer_scale_s_and_no_inner_one_s_that_closes_up():
    """Three figures of a scale in psi, and six inside it of one that closes up, as those of temperatures do (common practice, no source)."""
    outer = [text(str(v), -135 + 270 * v / 300, 0.8) for v in (100, 200, 300)]
    inner = [text(f"{v:g}", -120 + 240 * (v / 160) ** 1.7, 0.5) for v in (40, 60, 80, 100, 120, 160)]
    rings = rings_of([*outer, *inner], BLANK)
    (ring, unit), = units_of(rings, [*outer, *inner, text("psi", 180, 0.2)])[0]
    assert (ring.radius, unit) == (rings[0].radius, "psi")


def test_below_zero_a_scale_goes_on_by_proportion_a_little_past_its_last_figure():
    """10 and 20 inHg read, 30 under the pointer; ASME B40.100, from memory: vacuum grows away from zero."""
    ring, = rings_of([text(str(v), -80 + 215 * v / 120) for v in range(0, 121, 20)], BLANK)
    ring = with_vacuum(ring, [text(str(v), -80 - 55 * v / 30) for v in (10, 20)])
    piece, place = piece_at(ring, -80 - 55 * 28 / 30)
    assert piece is ring.vacuum and abs(piece.value(place)) == pytest.approx(28, abs=0.3)
    assert piece_at(ring, -80 - 55 * 36 / 30) is None


def test_a_closer_end_past_the_even_figures_is_not_taken_for_a_figure_before_them():
    """A compound scale whose 240 to 400 are unread, so that the gap before 440 is wider than that between the scale's end and its start
    (common practice, no source: figures below zero, even ones, and a closer end)."""
    figures = [text(str(v), -106 + 180 * v / 200) for v in range(0, 201, 40)] + [text(str(v), -106 - 39 * v / 30) for v in (10, 20, 30)]
    ring, = rings_of([*figures, text("440", 150)], BLANK)
    assert ring.compressed is not None and ring.stray == () and [t.text for t in ring.vacuum.texts] == ["10", "20", "30"]
    piece, place = piece_at(ring, 140)
    assert piece is ring.compressed and 200 < piece.value(place) < 440
    assert piece_at(ring, 180) is None


@pytest.mark.parametrize("depth", [20, 26])
def test_a_pointer_over_figures_below_zero_is_never_read_wrongly(depth, reader):
    """The pointer's drawn place, by proportion between the scale's knots; 1 inHg = 0.4911542 psi, NIST SP 811 B.8."""
    share = COMPOUND.share(-depth * 0.4911542)
    field, = read_dials(photo(drawn(COMPOUND, PLAIN, share)), "low_side", readers=reader).fields
    assert field.statement.unit == "inHg" and abs(float(field.statement.value) - depth) <= max(1.5, field.limit)


@pytest.mark.parametrize("share", [COMPOUND.share(-0.1), COMPOUND.share(0.1)])
def test_a_pointer_on_zero_reads_zero_of_the_scale_and_not_of_what_goes_on_below_it(share, reader):
    field, = read_dials(photo(drawn(COMPOUND, PLAIN, share)), "low_side", readers=reader).fields
    assert field.statement.unit == "psi" and abs(float(field.statement.value)) <= field.limit


def test_an_ellipse_round_two_gauges_is_none():
    """Two rims of one size side by side within a less covered one."""
    one, other = Ellipse(200, 220, 120, 112, 0, 0.75), Ellipse(490, 260, 110, 104, 0, 0.6)
    found = face_rims([Ellipse(345, 300, 290, 270, 0, 0.55), one, other])
    assert sorted(e.x for e in found) == [200, 490]


def test_two_gauges_with_hidden_units_are_asked_about_where_one_goes_on_below_zero(reader):
    def side_by_side(*faces):
        sides = [np.asarray(drawn(face, PLAIN, 0.5, {"psi": "", "inHg": ""})) for face in faces]
        return photo(Image.fromarray(np.concatenate(sides, axis=1)))

    fields = read_dials(side_by_side(RETARDED, PSI_250), readers=reader).fields
    assert [f.statement.place for f in fields] == ["low_side", "high_side"]
    assert all(f.standing is Standing.UNCONFIRMED and "unit" in f.question for f in fields)
    assert read_dials(side_by_side(PSI_250, PSI_250), readers=reader).fields == ()


def test_a_scale_that_closes_up_goes_on_with_figures_found_past_its_end():
    """Figures at the square root of their values: a mathematical scale, read up to 200 at first and then at 300."""
    ring, = rings_of([text(f"{v:g}", -135 + 270 * (v / 400) ** 0.5) for v in (0, 10, 25, 50, 100, 150, 200)], BLANK)
    at = -135 + 270 * (250 / 400) ** 0.5
    assert piece_at(ring, at) is None
    piece, place = piece_at(with_more_uneven(ring, [text("300", ring.main.angle(300))]), at)
    assert piece.value(place) == pytest.approx(250, rel=0.02)


def test_refrigerants_signs_tell_that_the_inner_rings_are_of_temperatures():
    """Designations as in ASHRAE 34, from memory; that such gauges have them inside the pressures: common practice, no source."""
    texts = [text(str(v), -135 + 270 * v / 500, 0.8) for v in range(0, 501, 50)] + [text("psi", 180, 0.2)]
    inside = [text(str(v), -100 + v, 0.5) for v in (20, 60)]
    doubts = [units_of(rings_of(found, BLANK), found)[1] for found in (texts, [*texts, *inside], [*texts, *inside, text("R-134a", 180, 0.45)])]
    assert doubts == [[], ["it has a second scale, which could not be read"], []]


@pytest.mark.parametrize(("inside", "other"), [(("TEST", "HAND"), False), (("IOO", "2OO"), True), (("TEST", "1OO", "2OO"), True)])
def test_words_are_no_second_scale_but_letters_like_digits_may_be(inside, other):
    texts = [text(str(v), -135 + 270 * v / 500, 0.8) for v in range(0, 501, 50)] + [text("psi", 180, 0.2)]
    texts += [text(word, -60 + 60 * k, 0.5) for k, word in enumerate(inside)]
    assert (units_of(rings_of(texts, BLANK), texts)[1] == ["it has a second scale, which could not be read"]) is other


def test_a_unit_read_once_on_a_face_with_two_even_scales_is_asked_about():
    """The word psi stands for the inner scale, kg/cm2 for the outer one was not read; 1 kg/cm2 = 14.2233 psi, NIST SP 811 B.8, and the
    inner figures lie a little off their places, so that they do not tell."""
    outer = [text(str(v), -135 + 270 * v / 40, 0.8) for v in range(0, 41, 5)]
    inner = [text(str(v), -135 + 270 * v / (40 * 14.0), 0.5) for v in (200, 400, 500)]
    found = [*outer, *inner, text("psi", 180, 0.2)]
    (ring, unit), = units_of(rings_of(found, BLANK), found)[0]
    assert unit == "psi" and units_of(rings_of(found, BLANK), found)[1] == ["more than one scale could be the one in psi"]
