"""What was read, drawn over the photo: what stands beside a figure stays to be seen."""

from __future__ import annotations

import io
from decimal import Decimal

import numpy as np
from PIL import Image

from hoodnote.capture.vision.overlay import AGREED_COLOUR, marked_piece, overlay
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind, Mark, PhotoField, PhotoReading
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Measured

WIDTH, HEIGHT = 1600, 1000


def gauge(place: str, value: str, box: tuple[int, int, int, int]) -> PhotoField:
    left, top, right, bottom = box
    quad = (left, top), (right, top), (right, bottom), (left, bottom)
    return PhotoField(Measured(place, Decimal(value), "psi"), Standing.AGREED, 0.9, (), box, quad, b"", marks=(Mark(quad, True, "outline"),))


def drawn_on(*fields: PhotoField, kind: Kind = Kind.DIAL) -> np.ndarray:
    """Where the picture differs from the photo."""
    pixels = np.full((HEIGHT, WIDTH, 3), 128, np.uint8)
    picture = np.asarray(overlay(Photo(pixels, WIDTH, HEIGHT), PhotoReading(kind, fields, (), ())))
    return (picture != pixels).any(axis=2)


def test_the_figure_of_the_left_gauge_is_not_led_across_the_right_one():
    low, high = gauge("low_side", "33", (100, 300, 600, 800)), gauge("high_side", "180", (700, 280, 1200, 780))
    changed = drawn_on(low, high)
    rim = 12                                                   # of the outlines' own lines
    for field in (low, high):
        left, top, right, bottom = field.box
        assert not changed[top + rim:bottom - rim, left + rim:right - rim].any()
    assert changed[800 + rim:, 100:600].any()                  # it stands beneath its own gauge
    assert changed[:, 1200 + rim:].any()                       # the other one's at its right


def test_figures_on_one_line_of_text_each_stand_in_a_column_at_the_right():
    changed = drawn_on(*(gauge("low_side", "33", (100, top, 600, top + 60)) for top in (100, 200, 300)))
    assert all(changed[top:top + 60, 650:].any() for top in (100, 200, 300))


def test_at_the_foot_of_the_photo_the_figure_stands_above_its_gauge():
    changed = drawn_on(gauge("low_side", "33", (100, 490, 600, 990)), gauge("high_side", "180", (700, 490, 1200, 990)))
    assert changed[:470, 100:600].any() and not changed[510:970, 120:580].any()


def test_no_figure_is_put_on_the_print_beneath_a_label_s_field():
    left, right = gauge("low_side", "33", (100, 300, 600, 350)), gauge("high_side", "180", (700, 300, 1200, 350))
    assert not drawn_on(left, right, kind=Kind.LABEL)[370:, :1200].any()


def test_the_piece_of_a_gauge_shows_its_marks_in_their_colour():
    piece = Image.open(io.BytesIO(marked_piece(Photo(np.full((HEIGHT, WIDTH, 3), 128, np.uint8), WIDTH, HEIGHT), gauge("low_side", "33", (100, 300, 600, 800)))))
    assert piece.format == "JPEG" and piece.size == (600, 600)          # with a tenth of its width around it
    assert np.abs(np.asarray(piece).astype(int)[50, 100:500] - AGREED_COLOUR).max() < 40
