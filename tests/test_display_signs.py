"""The networks that find the signs of displays, and the figures made of signs, against displays whose signs' places are known as drawn."""

from __future__ import annotations

import random
from decimal import Decimal

import numpy as np
import pytest
from PIL import Image, ImageDraw

from hoodnote.capture.vision.display_find import Row
from hoodnote.capture.vision.display_flat import lay_flat
from hoodnote.capture.vision.display_net import SIGNS
from hoodnote.capture.vision.display_rows import _look, figures_in, large_figures
from hoodnote.capture.vision.display_sight import at_a_glance, figures_of, sighted
from hoodnote.capture.vision.display_text import words_around
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.signs import Sign, once, signs_in
from tests.bench.camera import engine_bay
from tests.bench.display_render import DEVELOPMENT, Figure, Truth, draw
from tests.bench.label_render import font


def sign(name, x, y=100.0, height=40.0, probability=0.9, lean=0.0):
    return Sign(name, probability, (x, y), (lean * height / 2, -height / 2), False)


class Silent:
    """A text reader that finds none."""

    def find_text(self, pixels):
        return []


def drawn(text, unit, look=0):
    """A display's picture whose digits are 40 px high, and its signs as they were drawn: name, x, y."""
    import cv2

    placed = []
    truth = Truth("", (Figure(text, Decimal(0), unit, unit),))
    face = np.asarray(draw(truth, DEVELOPMENT.segments[0], DEVELOPMENT.looks[look], DEVELOPMENT.layouts[0], DEVELOPMENT.faces[0], random.Random(1), placed))
    share = 40 / (2 * max(-p[4] for p in placed))
    small = cv2.resize(face, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    return face, small, [(p[0], p[1] * share, p[2] * share) for p in placed]


@pytest.mark.parametrize(("text", "look"), [("18.205", 0), ("-40.7", 3), ("9:63", 4)])
def test_each_digit_and_point_is_found_where_it_was_drawn(text, look):
    _, small, placed = drawn(text, "kg", look)
    found = signs_in(small, "digits", 0.5)
    for name, x, y in placed:
        if name in SIGNS:
            assert any(s.name == name and np.hypot(s.at[0] - x, s.at[1] - y) < 8 for s in found), name
    assert all(abs(s.height - 40) < 10 for s in found if s.name.isdigit())
    assert {s.bright for s in found if s.name.isdigit()} == {DEVELOPMENT.looks[look].glows}


@pytest.mark.parametrize("unit", ["kg", "psi", "kPa", "°F", "°C", "V", "micron", "%"])
def test_units_are_found_by_their_lettering(unit):
    face, small, placed = drawn("205", unit)
    [(x, y)] = [(x, y) for text, x, y in placed if text == unit]
    grown = face.shape[0] / small.shape[0]
    found = signs_in(face[::2, ::2], "words", 0.5)
    name = {"°F": "F", "°C": "C"}.get(unit, unit)
    assert any(s.name == name and np.hypot(2 * s.at[0] - x * grown, 2 * s.at[1] - y * grown) < 30 for s in found)


def test_clutter_has_no_figures():
    assert not [f for seed in (5, 6) for f in sighted(engine_bay(1280, 960, np.random.default_rng(seed))) if f.digits > 1 and f.probability > 0.5]


def test_digits_side_by_side_are_a_figure_with_the_point_between_them():
    [figure] = figures_of([sign("8", 128), sign("1", 100), sign(".", 142, 118), sign("2", 156)])
    assert (figure.text, figure.digits) == ("18.2", 3)
    assert figure.probability == pytest.approx(0.9) and figure.height == pytest.approx(40)


def test_digits_that_stand_farther_apart_than_their_pitch_are_two_figures():
    figures = figures_of([sign(c, x) for c, x in zip("36218", (100, 128, 172, 200, 228), strict=True)])
    assert {f.text for f in figures} == {"36", "218"}


def test_rows_above_each_other_are_two_figures():
    figures = figures_of([sign(c, x, y) for c, x, y in (("3", 100, 100), ("6", 128, 100), ("2", 100, 150), ("1", 128, 150))])
    assert {f.text for f in figures} == {"36", "21"}


def test_what_is_seen_at_two_sizes_counts_once_and_as_it_was_seen_best():
    [figure] = figures_of([sign("3", 100), sign("8", 102, probability=0.5), sign("6", 128)])
    assert figure.text == "36"


def test_a_point_hardly_seen_is_none():
    [figure] = figures_of([sign("3", 100), sign(".", 114, 118, probability=0.4), sign("6", 128)])
    assert figure.text == "36"


def test_the_row_lies_tight_on_digits_of_a_turned_and_slanted_figure():
    turn = np.radians(8)
    along, down = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    up = (-down + 0.17 * along) * 20                   # slanted by ten degrees, common practice, no source
    signs = [Sign(c, 0.9, tuple(np.array([300.0, 200.0]) + along * 28 * i), tuple(up), True) for i, c in enumerate("1825")]
    [figure] = figures_of(signs)
    row = figure.row
    assert figure.lean == pytest.approx(0.17, abs=0.01) and row.bright and row.height == pytest.approx(40, abs=0.5)
    across = row.quad[1] - row.quad[0]
    assert np.arctan2(across[1], across[0]) == pytest.approx(turn, abs=0.01)
    assert row.centre == pytest.approx(np.array([300.0, 200.0]) + along * 42, abs=1)


def test_what_was_seen_at_two_sizes_counts_once_as_it_was_seen_most_surely():
    kept = once([sign("psi", 100, probability=0.6), sign("bar", 104, probability=0.8), sign("psi", 160), sign(".", 104, probability=0.7)])
    assert [(s.name, s.at[0]) for s in kept] == [("psi", 160), ("bar", 104), (".", 104)]


def test_letters_as_high_as_the_figures_are_a_unit_too():
    """Drawn at the figures' own height, beyond what the network for words knows in the view that the figures are looked at in."""
    import cv2

    face, _, placed = drawn("205", "kPa")
    photo = cv2.copyMakeBorder(cv2.resize(face, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA), 60, 60, 60, 420, cv2.BORDER_CONSTANT, value=(60, 60, 60))
    [shown] = figures_in(Photo(photo, photo.shape[1], photo.shape[0]))
    size = round(shown.row.height * 1.1)
    image = Image.fromarray(photo)
    ImageDraw.Draw(image).text((photo.shape[1] - 400, 60 + 0.6 * placed[0][2]), "bar", font=font(DEVELOPMENT.faces[0], size), fill=(230, 230, 230), anchor="lm")
    around = words_around(np.asarray(image), [shown.row], shown.level, Silent())
    assert "bar" in {w.unit for w in around.words}


def test_a_figure_whose_neighbours_leave_no_room_is_left_out():
    pixels = np.full((200, 400, 3), 90, np.uint8)
    flat = lay_flat(pixels, Row(np.array([(100.0, 60.0), (300.0, 60.0), (300.0, 120.0), (100.0, 120.0)]), False, 3))
    assert not _look(flat, 250.0, 250.0).text


@pytest.mark.parametrize(("high", "size"), [(44, (4000, 3000)), (160, (4000, 3000)), (44, (1600, 1200))])
def test_figures_are_placed_in_the_photo_whatever_size_it_was_looked_at_in(high, size):
    """Small digits of a large photo are read in full, others in small; either way their places are the photo's own."""
    import cv2

    face, small, placed = drawn("205", "kPa")
    share = high / 40
    small = cv2.resize(face, (round(share * small.shape[1]), round(share * small.shape[0])), interpolation=cv2.INTER_AREA)
    pixels = np.full((size[1], size[0], 3), 60, np.uint8)
    left, top = 300, 260
    pixels[top:top + small.shape[0], left:left + small.shape[1]] = small
    [shown] = figures_in(Photo(pixels, *size))
    digits = [(left + share * x, top + share * y) for name, x, y in placed if name in SIGNS]
    assert shown.net.text == "205" and shown.row.height == pytest.approx(high, rel=0.12)
    assert shown.row.centre == pytest.approx(np.mean(digits, axis=0), abs=0.2 * high)


def test_large_figures_are_told_at_a_glance_and_small_ones_are_not():
    """Lettering that can be read in a picture of 736 px is 13 px high there; a display's figures are larger than what stands beside them."""
    import cv2

    _, small, _ = drawn("205", "kPa")
    for high, told in ((36, True), (12, False)):
        pixels = np.full((960, 1280, 3), 60, np.uint8)
        face = cv2.resize(small, None, fx=high / 40, fy=high / 40, interpolation=cv2.INTER_AREA)
        pixels[100:100 + face.shape[0], 100:100 + face.shape[1]] = face
        assert bool(at_a_glance(pixels).large) is told


@pytest.mark.parametrize(("high", "thorough", "told"), [(44, False, True), (22, False, False), (22, True, True)])
def test_digits_that_leave_no_trace_at_a_glance_are_looked_for_at_the_largest_size_when_asked(high, thorough, told):
    """In a photo of 1920 px those of 22 px are 7 px high at a glance and 11 in the picture between."""
    import cv2

    _, small, _ = drawn("205", "kPa")
    pixels = np.full((1440, 1920, 3), 60, np.uint8)
    face = cv2.resize(small, None, fx=high / 40, fy=high / 40, interpolation=cv2.INTER_AREA)
    pixels[100:100 + face.shape[0], 100:100 + face.shape[1]] = face
    assert ([f.text.replace(".", "") for f in sighted(pixels, thorough=thorough)][:1] == ["205"]) is told


def test_rows_of_strokes_are_searched_only_where_no_figure_is_sure_and_that_is_asked(monkeypatch):
    from hoodnote.capture.vision import display_rows

    searches = []
    monkeypatch.setattr(display_rows, "_searched", lambda pixels: searches.append(1) or [])
    wall = np.random.default_rng(3).normal(90, 4, (480, 640, 3)).astype(np.uint8)
    face, _, _ = drawn("205", "kPa")
    for pixels, thorough, searched in ((wall, False, 0), (face, True, 0), (wall, True, 1)):
        searches.clear()
        figures_in(Photo(pixels, pixels.shape[1], pixels.shape[0]), thorough)
        assert len(searches) == searched


def test_figures_in_the_row_of_a_vin_are_no_display_s():
    face, _, placed = drawn("205", "kPa")
    photo = Photo(face, face.shape[1], face.shape[0])
    everything = np.float32([(0, 0), (face.shape[1], 0), (face.shape[1], face.shape[0]), (0, face.shape[0])])
    assert large_figures(photo) and not large_figures(photo, [everything]) and large_figures(photo, [everything / 50])
