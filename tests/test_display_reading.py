"""Digital displays: which figures stand, which are asked about, which are refused; on drawn instruments photographed by the simulated phone."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image, ImageDraw

from hoodnote.capture.vision import display, display_accounts, display_net
from hoodnote.capture.vision.display import looks_like, read_display
from hoodnote.capture.vision.display_segments import PATTERNS, Figures
from hoodnote.capture.vision.display_text import Word
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind, PhotoReading
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing
from hoodnote.units import convert
from tests.bench.camera import SEVERITIES, engine_bay, photograph
from tests.bench.display_render import DEVELOPMENT, Figure, Truth, draw
from tests.bench.label_render import font

LCD, LED = DEVELOPMENT.looks[0], DEVELOPMENT.looks[3]
BESIDE, TOP = DEVELOPMENT.layouts[0], DEVELOPMENT.layouts[1]


def figure(text: str, unit: str, printed: str | None = None, place: str | None = None, word: str | None = None) -> Figure:
    return Figure(text, Decimal(0), unit, printed or unit, place, word)


def face(*figures: Figure, look=LCD, layout=BESIDE, segments=DEVELOPMENT.segments[0]) -> Image.Image:
    return draw(Truth("", figures), segments, look, layout, "DejaVuSans.ttf", random.Random(4))


def photo(picture: Image.Image, seed: int = 3) -> Photo:
    pixels = np.asarray(photograph(picture, SEVERITIES["mild"], seed, (1280, 960)))
    return Photo(pixels, pixels.shape[1], pixels.shape[0])


@cache
def read(text: str, unit: str, printed: str, place: str | None, glowing: bool) -> PhotoReading:
    return read_display(photo(face(figure(text, unit, printed), look=LED if glowing else LCD)), place)


@pytest.mark.parametrize(("text", "unit", "printed", "place", "glowing"), [
    ("18.205", "kg", "kg", "charged", False), ("867", "micron", "micron", "vacuum", True)])
def test_what_is_drawn_is_what_is_read(text, unit, printed, place, glowing):
    reading = read(text, unit, printed, place, glowing)
    assert reading.kind is Kind.DISPLAY and reading.problem is None
    [field] = reading.fields
    assert (field.statement.place, field.statement.value, field.statement.unit) == (place, Decimal(text), unit)
    assert field.standing is Standing.AGREED and field.question is None
    assert {v.reader for v in field.versions} == {"segments", "segment network", "sign network", "neural text reader"}


def test_a_minus_is_never_dropped_unasked():
    [field] = read("-24.6", "C", "°C", "vent", True).fields
    assert field.statement.value == Decimal("-24.6") and field.statement.unit == "C"
    assert field.standing is Standing.AGREED or "-24.6" in field.question


def test_a_figure_without_its_place_is_a_question_unless_its_unit_tells():
    [field] = read("18.205", "kg", "kg", None, False).fields
    assert field.standing is Standing.UNCONFIRMED and "charged" in field.question
    [field] = read("867", "micron", "micron", None, True).fields
    assert field.statement.place == "vacuum" and field.standing is Standing.AGREED


def test_a_place_that_is_not_measured_in_the_unit_shown_is_asked_about():
    [field] = read("867", "micron", "micron", "vent", True).fields
    assert field.standing is Standing.UNCONFIRMED and "vent" in field.question


@pytest.mark.parametrize(("text", "unit", "printed", "place", "said"), [
    ("5", "g", "g", "charged", "lone digit"), ("1:08.5", "oz", "lb:oz", "charged", "colon")])
def test_what_a_missed_neighbour_or_colon_would_change_is_asked(text, unit, printed, place, said):
    [field] = read(text, unit, printed, place, False).fields
    assert field.standing is Standing.UNCONFIRMED and said in field.question


def test_a_point_that_the_segments_leave_open_needs_the_text_readers_word(monkeypatch):
    variants = Figures.variants
    monkeypatch.setattr(Figures, "variants", lambda self: [*variants(self), variants(self)[0].replace(".", "")])
    for printed, standing in (("18.205", Standing.AGREED), ("18205", Standing.UNCONFIRMED), ("", Standing.UNCONFIRMED)):
        monkeypatch.setattr(display_accounts, "optical", lambda *_, said=printed: (said, 0.8))
        [field] = read_display(photo(face(figure("18.205", "kg"))), "charged").fields
        assert field.standing is standing and (standing is Standing.AGREED or "point" in field.question)


def test_low_and_high_are_told_apart_by_their_words():
    two = face(figure("36", "psi", place="low_side", word="LOW"), figure("218", "psi", place="high_side", word="HIGH"), look=LED, layout=TOP)
    fields = {f.statement.place: f for f in read_display(photo(two)).fields}
    assert {p: f.statement.value for p, f in fields.items()} == {"low_side": Decimal(36), "high_side": Decimal(218)}


@pytest.mark.parametrize("text", ["0L", "Err"])
def test_no_figure_is_made_of_letters(text):
    reading = read_display(photo(face(figure(text, "ohm", "V"))), "battery")
    assert not reading.fields and reading.problem


def test_a_half_lit_segment_is_never_taken():
    """A display caught while it changes from 8 to 9: segment e stands at half contrast."""
    both = [np.asarray(face(figure(text, "kg"), segments=DEVELOPMENT.segments[2]), np.float32) for text in ("1.825", "1.925")]
    reading = read_display(photo(Image.fromarray(((both[0] + both[1]) / 2).astype(np.uint8))), "charged")
    assert all(f.standing is Standing.UNCONFIRMED for f in reading.fields)
    assert reading.problem or "1.825" in reading.fields[0].question and "1.925" in reading.fields[0].question


def test_glare_on_a_digit_is_not_read_through():
    pixels = np.asarray(photo(face(figure("1888", "g"))).pixels).copy()
    [field] = read_display(Photo(pixels, 1280, 960), "charged").fields
    left, top, right, bottom = field.box
    height = bottom - top
    pixels[top - 5:top + height // 2, right - height // 2:right + 5] = 255
    reading = read_display(Photo(pixels, 1280, 960), "charged")
    assert all(f.standing is Standing.UNCONFIRMED for f in reading.fields)


def test_a_photo_without_a_display_gives_no_figure():
    pixels = engine_bay(1280, 960, np.random.default_rng(5))
    reading = read_display(Photo(pixels, 1280, 960), "vent")
    assert not reading.fields and reading.problem
    assert looks_like(Photo(pixels, 1280, 960)) < 0.5 < looks_like(photo(face(figure("18.205", "kg"))))


def test_every_digit_has_the_segments_that_displays_use():
    """Lettered a to g clockwise from the top, g in the middle: common practice, no source."""
    digits = {"0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc", "8": "abcdefg", "9": "abcdfg"}
    assert {d: PATTERNS[s] for d, s in digits.items()} == {d: d for d in digits}


def test_pounds_and_ounces_are_ounces_sixteen_to_the_pound():
    """NIST SP 811 B.8: 1 lb = 0.45359237 kg, 1 oz = 0.028349523 kg."""
    assert float(display._value("2:04.5", "lb:oz")) == pytest.approx(convert(2, "lb", "oz") + 4.5, abs=1e-4)
    assert display._value("2:16.0", "lb:oz") is None and display._value("2:04.5", "psi") is None and display._value("204", "lb:oz") is None


@pytest.mark.parametrize(("text", "unit"), [("°F", "F"), ("kPa", "kPa"), ("mV", "mV"), ("lb oz", "lb:oz"), ("MΩ", "?"), ("mA", "?"), ("°C/°F", None), ("HOLD", None)])
def test_units_are_taken_only_as_lettered(text, unit):
    assert Word(text, 1.0, (0, 0, 1, 1), 1.0).unit == unit


def test_unknown_place_or_units_are_refused_in_one_line():
    dark = Photo(np.zeros((96, 96, 3), np.uint8), 96, 96)
    with pytest.raises(HoodnoteError, match="place"):
        read_display(dark, "nowhere")
    with pytest.raises(HoodnoteError, match="units|unit system"):
        read_display(dark, units="metres")
    assert replace(read_display(dark), fields=()).problem


@pytest.mark.parametrize("words", ["REFRIGERANT", "Service manual", "WARNING", "coolant"])
def test_the_network_reads_nothing_in_printed_words(words):
    strip = Image.new("L", (400, display_net.HEIGHT), 30)
    ImageDraw.Draw(strip).text((20, display_net.HEIGHT // 2), words, fill=220, font=font("DejaVuSans-Bold.ttf", 34), anchor="lm")
    read = display_net.read_strip(np.asarray(strip))
    assert not any(c.isdigit() for c in read.text) or read.probability < 0.5


def test_damaged_weights_of_the_network_say_what_to_do(monkeypatch):
    monkeypatch.setattr(display_net, "_SHA256", "0" * 64)
    with pytest.raises(HoodnoteError, match="damaged.*install hoodnote again") as told:
        display_net._Network()
    assert "\n" not in str(told.value)


def test_a_question_about_digits_also_tells_that_the_unit_was_not_read():
    read = SimpleNamespace(text="2.83", shown=SimpleNamespace(figures=None))
    asked = display._question(read, "A", "its unit was not read", None, "clutch_coil")
    assert asked == "Its unit was not read: taken as A. The display reads 2.83 A, but only as a whole: is it right?"
    assert "unit" not in display._question(read, "A", None, None, "clutch_coil")


@pytest.mark.parametrize("sure", [True, False])
def test_a_lone_digit_that_is_not_clear_is_no_figure(monkeypatch, sure):
    """Key caps and price tags look like that."""
    monkeypatch.setattr(display_accounts.Accounts, "sure", sure)
    reading = read_display(photo(face(figure("5", "g"))), "charged")
    assert [f.statement.value for f in reading.fields] == ([Decimal(5)] if sure else [])
    assert sure or "lone digit" in reading.problem


DOUBT = "the unit is hard to read, perhaps %"


@pytest.mark.parametrize(("units", "doubts", "shared", "asked"), [
    (("%", "psi"), (DOUBT, None), ("psi", "psi"), (f"{DOUBT}, and the other figure's is psi", None)),
    (("bar", "micron"), (None, DOUBT), ("bar", "bar"), (None, f"{DOUBT}, and the other figure's is bar")),
    (("inHg", "psi"), (None, None), ("inHg", "psi"), (None, None)),               # a manifold in vacuum on its low side
    (("%", "psi"), (DOUBT, DOUBT), ("%", "psi"), (DOUBT, DOUBT)),                 # nothing to go by
    (("%", "C"), (DOUBT, None), ("%", "C"), (DOUBT, None)),                       # humidity and temperature
    ((None, "kPa"), (None, None), ("kPa", "kPa"), (None, None)),
])
def test_a_doubtful_unit_beside_a_sure_pressure_is_asked_as_that(units, doubts, shared, asked):
    """Both sides of a manifold are shown in one unit (common practice, no source); a person is asked in any case."""
    told = display._shared([(unit, None, doubt) for unit, doubt in zip(units, doubts, strict=True)])
    assert tuple(u for u, _, _ in told) == shared and tuple(d for _, _, d in told) == asked
