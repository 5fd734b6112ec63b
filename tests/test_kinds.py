"""What a photo is told as, by stand-in looks and by whole photos of drawn things; nothing is taken from other things."""

from __future__ import annotations

import random
from types import SimpleNamespace

import numpy as np
import pytest

from hoodnote.capture.vision import dial_read, display, kinds, label, vin_read
from hoodnote.capture.vision.kinds import Look, label_score, read_photo
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind, PhotoReading
from hoodnote.capture.vision.vin_text import Row
from hoodnote.readings.model import Standing
from tests.bench.bench_kinds import page, sticker
from tests.bench.camera import SEVERITIES, photograph
from tests.bench.plate_render import DEVELOPMENT, plate


def as_photo(picture) -> Photo:
    pixels = np.asarray(picture.convert("RGB"))
    return Photo(np.pad(pixels, ((40, 40), (40, 40), (0, 0)), constant_values=70), pixels.shape[1] + 80, pixels.shape[0] + 80)


def looked(dial=0.0, shown=0.0, vin=0.0, label=0.0) -> Look:
    return Look({Kind.DIAL: dial, Kind.DISPLAY: shown, Kind.VIN: vin, Kind.LABEL: label}, (), (), True)


def test_the_likeliest_kind_less_sure_where_another_is_near():
    alone, near = looked(dial=0.9), looked(dial=0.9, label=0.8)
    assert alone.kind is near.kind is Kind.DIAL and near.confidence < alone.confidence == 0.9
    assert looked(dial=0.4, label=0.3).kind is Kind.NONE


# the words are those SAE J639 asks for on the label: refrigerant, charge, oil (from memory)
@pytest.mark.parametrize(("texts", "least", "most"), [
    (["REFRIGERANT R-134a", "CHARGE 0.55 kg", "OIL PAG 46"], 0.9, 1.0), (["KÄLTEMITTEL R-1234yf", "FÜLLMENGE 500 g"], 0.9, 1.0),
    (["REFRIGERANTR-12OIL TYPE MINERAL", "CHARGE 38.1.oz"], 0.95, 1.0), (["KompressorölMineralöl", "R-1234yf 500 g Füllmenge"], 0.95, 1.0),
    (["NOMINAL CHARGE", "LUBRICANT FILL"], 0.5, 0.9), (["R-134a psi", "0 50 100 150"], 0.0, 0.49), (["LOT AR123", "BAR-129 500 g"], 0.0, 0.49), (["COFFEE 500 g"], 0.0, 0.49), (["1G4AH59H45G118341"], 0.0, 0.1), ([], 0.0, 0.0),
])
def test_the_words_of_a_label(texts, least, most):
    assert least <= label_score(texts) <= most


def test_a_plate_is_told_as_a_vin_by_itself():
    reading = read_photo(as_photo(plate(DEVELOPMENT.plates[0], "1G4AH59H45G118341", random.Random(1))))
    assert reading.kind is Kind.VIN and reading.kind_confidence > 0.5


@pytest.mark.parametrize("draw", [page, sticker])
def test_nothing_is_taken_from_other_things(draw):
    reading = read_photo(as_photo(draw(random.Random(5))))
    assert not [f for f in reading.fields if f.standing is not Standing.UNCONFIRMED]
    if not reading.fields:
        assert "take it again" in reading.problem or "photo" in reading.problem


def test_a_person_may_say_what_it_shows(monkeypatch):
    asked = []
    monkeypatch.setattr(dial_read, "read_dials", lambda photo, place, units: asked.append(("dial", place, units)))
    monkeypatch.setattr(display, "read_display", lambda photo, place, units: asked.append(("display", place, units)))
    monkeypatch.setattr(kinds, "look", lambda *given: pytest.fail("no need to look"))
    photo = Photo(np.zeros((80, 80, 3), np.uint8), 80, 80)
    read_photo(photo, Kind.DIAL, "low_side", "metric")
    read_photo(photo, Kind.DISPLAY, "vent", "us")
    assert asked == [("dial", "low_side", "metric"), ("display", "vent", "us")]


def beside_a_display(monkeypatch, likely, module, reader, kind, readable):
    """The kind's own reader finds a figure or none, a display's always does. What is asked whether it shows a display is listed."""
    shown = []
    monkeypatch.setattr(module, reader, lambda *given: PhotoReading(kind, ("a figure",) if readable else (), (), (), None if readable else "dark"))
    monkeypatch.setattr(display, "looks_like", lambda photo, large=False, but=(): shown.append(large) or (0.0 if large else likely))
    monkeypatch.setattr(display, "read_display", lambda *given: PhotoReading(Kind.DISPLAY, ("a figure",), (), ()))
    return shown


@pytest.mark.parametrize("readable", [True, False])
def test_what_is_surely_a_dial_is_looked_at_further_only_when_its_reader_finds_nothing(monkeypatch, readable):
    shown = beside_a_display(monkeypatch, 0.8, dial_read, "read_dials", Kind.DIAL, readable)
    monkeypatch.setattr(dial_read, "looks_like", lambda photo: 0.95)
    reading = read_photo(Photo(np.full((80, 80, 3), 90, np.uint8), 80, 80))
    assert reading.kind is (Kind.DIAL if readable else Kind.DISPLAY) and len(shown) == (0 if readable else 1)


@pytest.mark.parametrize("readable", [True, False])
def test_what_is_surely_a_label_is_looked_at_for_a_display_only_when_its_reader_finds_nothing(monkeypatch, readable):
    shown = beside_a_display(monkeypatch, 0.95, label, "read_label", Kind.LABEL, readable)
    quad = np.float32([(0, 0), (60, 0), (60, 10), (0, 10)])
    # what SAE J639 asks for on the label (from memory)
    rows = [Row(quad, text, 0.99) for text in ("REFRIGERANT R-134a", "CHARGE 0.55 kg", "OIL PAG 46", "never read")]
    taken = []
    monkeypatch.setattr(kinds, "texts_of", lambda *given: (taken.append(row) or row for row in rows))
    monkeypatch.setattr(dial_read, "looks_like", lambda photo: 0.0)
    reading = read_photo(Photo(np.full((80, 80, 3), 90, np.uint8), 80, 80))
    assert reading.kind is (Kind.LABEL if readable else Kind.DISPLAY) and len(shown) == (0 if readable else 1)
    assert len(taken) == 3         # no more than it takes, and once


@pytest.mark.parametrize("readable", [True, False])
@pytest.mark.parametrize("text", ["1G4AH59H45G118342", "1G4AH59H45G11834"])           # by one digit not that of 49 CFR 565.15, and one short
def test_what_likely_is_a_vin_goes_to_its_reader_before_small_figures_are_looked_for(monkeypatch, text, readable):
    shown = beside_a_display(monkeypatch, 0.95, vin_read, "read_vin", Kind.VIN, readable)
    monkeypatch.setattr(vin_read, "read_vin", lambda *given, **named: PhotoReading(Kind.VIN, (doubtful(),) if readable else (), (), ()))
    monkeypatch.setattr(kinds, "texts_of", lambda *given: iter([Row(np.float32([(0, 0), (60, 0), (60, 10), (0, 10)]), text, 0.99)]))
    monkeypatch.setattr(dial_read, "looks_like", lambda photo: 0.0)
    reading = read_photo(Photo(np.full((80, 80, 3), 90, np.uint8), 80, 80))
    assert reading.kind is (Kind.VIN if readable else Kind.DISPLAY)
    assert shown == ([True] if readable else [True, False])
    assert not readable or reading.kind_confidence < 0.9         # nobody has agreed to it


def doubtful() -> SimpleNamespace:
    return SimpleNamespace(standing=Standing.UNCONFIRMED)


def test_a_gauge_that_surely_is_one_is_not_looked_at_further(monkeypatch):
    """It was found by the units on its face; what it lacks is told at once."""
    shown = beside_a_display(monkeypatch, 0.95, dial_read, "read_dials", Kind.DIAL, False)
    monkeypatch.setattr(dial_read, "read_dials", lambda *given: PhotoReading(Kind.DIAL, (), (), (), "the pointer was not found", surely=True))
    monkeypatch.setattr(dial_read, "looks_like", lambda photo: 0.95)
    reading = read_photo(Photo(np.full((80, 80, 3), 90, np.uint8), 80, 80))
    assert reading.problem == "the pointer was not found" and not shown


@pytest.mark.parametrize("readable", [True, False])
def test_small_figures_beside_what_is_likely_a_label_are_looked_for_only_when_its_reader_finds_nothing(monkeypatch, readable):
    shown = beside_a_display(monkeypatch, 0.95, label, "read_label", Kind.LABEL, readable)
    quad = np.float32([(0, 0), (60, 0), (60, 10), (0, 10)])
    rows = [Row(quad, text, 0.99) for text in ("REFRIGERANT R-134a", "CHARGE 0.55 kg")]          # the oil is hidden
    monkeypatch.setattr(kinds, "texts_of", lambda *given: iter(rows))
    monkeypatch.setattr(dial_read, "looks_like", lambda photo: 0.0)
    reading = read_photo(Photo(np.full((80, 80, 3), 90, np.uint8), 80, 80))
    assert reading.kind is (Kind.LABEL if readable else Kind.DISPLAY)
    assert shown == ([True] if readable else [True, False])


def test_no_display_is_likelier_than_what_is_surely_a_label():
    """Else what it shows would have to be looked for beside every label."""
    surest = SimpleNamespace(net=SimpleNamespace(text="123456", probability=1.0), figures=SimpleNamespace(variants=lambda: ["123456"]))
    assert 0.9 < display._likeness(surest) < kinds.SURE_LABEL


def test_an_empty_wall_shows_none_of_them_and_says_what_to_do():
    photo = Photo(np.full((300, 400, 3), 120, np.uint8), 400, 300)
    reading = read_photo(photo)
    assert reading.kind is Kind.NONE and "say which it is" in reading.problem


def test_where_light_has_burnt_out_the_print_that_is_what_is_told():
    picture = plate(DEVELOPMENT.plates[1], "1G4AH59H45G118341", random.Random(1))
    pixels = np.asarray(photograph(picture, SEVERITIES["mild"], 3, size=(1280, 960), glare_at=(0.5, 0.5), glare_size=0.6))
    assert "another angle" in read_photo(Photo(pixels, 1280, 960)).problem


@pytest.mark.parametrize("seed", [17, 33])
def test_a_parts_sticker_with_a_number_as_long_as_a_vin_is_none_of_them(seed):
    reading = read_photo(as_photo(sticker(random.Random(seed))))
    assert reading.kind is Kind.NONE and not reading.fields
