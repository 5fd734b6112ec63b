"""From lines to fields, when a field stands and when it is asked, and whole photos through the real readers."""

from __future__ import annotations

import io
from decimal import Decimal

import numpy as np
import pytest
from PIL import Image

from hoodnote.capture.vision import readers as readers_module
from hoodnote.capture.vision.interpret import interpret
from hoodnote.capture.vision.label import decide, read_label
from hoodnote.capture.vision.overlay import overlay
from hoodnote.capture.vision.photo import Photo, load_photo
from hoodnote.capture.vision.readers import NEURAL, TESSERACT, NeuralReader, TesseractReader, TextLine, available_readers
from hoodnote.capture.vision.rectify import View, glare_mask
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing
from hoodnote.resources import folder
from hoodnote.statements.model import Fact, Measured

PAPER = 200
WIDTH, HEIGHT = 1000, 500


def line(text: str, x: int, y: int, confidence: float = 0.98, width: int | None = None) -> TextLine:
    w = width or 20 * len(text)
    return TextLine(text, confidence, np.array([(x, y), (x + w, y), (x + w, y + 44), (x, y + 44)], np.float32))


def label_lines(charge="0.55 ± 0.02 kg (19.4 oz)", refrigerant="R-134a", oil_type="PAG 46", oil="120 mL", confidence=0.98) -> list[TextLine]:
    rows = [("REFRIGERANT", refrigerant), ("CHARGE", charge), ("COMPRESSOR OIL", oil_type), ("OIL AMOUNT", oil)]
    return [x for i, (name, value) in enumerate(rows) for x in (line(name, 40, 60 + 90 * i), line(value, 400, 60 + 90 * i, confidence)) if x.text]


def plain_view() -> tuple[View, Photo]:
    pixels = np.full((HEIGHT, WIDTH, 3), PAPER, np.uint8)
    return View(pixels, np.eye(3)), Photo(pixels, WIDTH, HEIGHT)


def decided(*accounts: tuple[str, list[TextLine]], used=(NEURAL, TESSERACT), view=None, photo=None, prefer="metric"):
    if view is None:
        view, photo = plain_view()
    fields = decide([(name, interpret(lines, prefer)) for name, lines in accounts], used, view, photo)
    return {f.statement.place if isinstance(f.statement, Measured) else f.statement.key: f for f in fields}


def test_two_readers_that_agree_make_a_figure_stand():
    fields = decided((NEURAL, label_lines()), (TESSERACT, label_lines(confidence=0.8)))
    assert fields["label_charge"].statement == Measured("label_charge", Decimal("0.55"), "kg", tolerance=Decimal("0.02"))
    assert fields["label_refrigerant"].statement == Fact("label_refrigerant", "R-134a")
    assert fields["label_oil_type"].statement == Fact("label_oil_type", "PAG 46")
    assert fields["label_oil"].statement == Measured("label_oil", Decimal("120"), "mL")
    assert all(f.standing is Standing.AGREED and f.question is None for f in fields.values())
    assert {v.reader for v in fields["label_oil"].versions} == {NEURAL, TESSERACT}


@pytest.mark.parametrize(("name", "other"), [
    ("label_charge", {"charge": "0.56 ± 0.02 kg"}), ("label_charge", {"charge": "0.55 ± 0.03 kg"}), ("label_refrigerant", {"refrigerant": "R-1234yf"}),
    ("label_oil_type", {"oil_type": "PAG 100"}), ("label_oil", {"oil": "150 mL"}),
])
def test_readers_that_differ_make_a_question_that_names_both(name, other):
    fields = decided((NEURAL, label_lines(charge="0.55 ± 0.02 kg")), (TESSERACT, label_lines(**{"charge": "0.55 ± 0.02 kg"} | other)))
    asked = fields[name]
    assert asked.standing is Standing.UNCONFIRMED
    for version in asked.versions:
        value = version.statement.value
        assert str(value) in asked.question
    assert len({v.statement for v in asked.versions}) == 2
    assert all(f.standing is Standing.AGREED for key, f in fields.items() if key != name)


def test_one_reader_alone_is_believed_only_on_a_mass_in_two_units():
    fields = decided((NEURAL, label_lines(charge="0.55±0.02 kg (19.4±0.7 oz)")), used=(NEURAL,))
    assert fields["label_charge"].standing is Standing.AGREED
    assert {k for k, f in fields.items() if f.standing is Standing.UNCONFIRMED} == {"label_refrigerant", "label_oil_type", "label_oil"}
    assert "only one text reader" in fields["label_oil"].question

    without = decided((NEURAL, label_lines(charge="0.55 ± 0.02 kg")), used=(NEURAL,))
    assert without["label_charge"].standing is Standing.UNCONFIRMED
    coarse = decided((NEURAL, label_lines(charge="0.55 kg (1.2 lb)")), used=(NEURAL,))
    assert coarse["label_charge"].standing is Standing.UNCONFIRMED


@pytest.mark.parametrize("charge", ["0.99 ± 0.09 kg (34.9 oz)", "0.99 ± 0.09 kg (34.9 ± 0.7 oz)"])
def test_a_tolerance_that_the_other_unit_does_not_bear_out_is_asked(charge):
    # 0.7 oz is 0.02 kg, NIST SP 811 appendix B.8
    field = decided((NEURAL, label_lines(charge=charge)), (TESSERACT, label_lines(charge="blot")))["label_charge"]
    assert field.standing is Standing.UNCONFIRMED and "0.09 kg" in field.question


def test_unit_systems_that_disagree_are_asked_even_when_both_readers_agree():
    fields = decided((NEURAL, label_lines(charge="0.55 kg (21.4 oz)")), (TESSERACT, label_lines(charge="0.55 kg (21.4 oz)")))
    charge = fields["label_charge"]
    assert charge.standing is Standing.UNCONFIRMED
    assert "0.55 kg" in charge.question and "21.4 oz" in charge.question


def test_the_other_reader_seeing_only_the_other_unit_is_no_contradiction():
    fields = decided((NEURAL, label_lines(charge="0.55 kg (19.4 oz)")), (TESSERACT, label_lines(charge="0.S5 kg (19.4 oz)")))
    assert fields["label_charge"].standing is Standing.AGREED
    assert fields["label_charge"].statement.unit == "kg"


@pytest.mark.parametrize("charge", ["55 kg", "5.5 kg", "0.05 kg", "99 oz"])
def test_an_implausible_charge_is_asked(charge):
    fields = decided((NEURAL, label_lines(charge=charge)), (TESSERACT, label_lines(charge=charge)))
    assert fields["label_charge"].standing is Standing.UNCONFIRMED and "plausible" in fields["label_charge"].question


def test_the_shop_may_prefer_us_units():
    plain = label_lines(charge="0.55 kg (19.4 oz)")
    both = decided((NEURAL, plain), (TESSERACT, plain), prefer="us")
    assert (both["label_charge"].statement.value, both["label_charge"].statement.unit) == (Decimal("19.4"), "oz")
    assert both["label_charge"].standing is Standing.AGREED
    with pytest.raises(HoodnoteError, match="metric or us"):
        read_label(plain_view()[1], prefer="imperial")


def test_a_tolerance_is_worth_more_than_the_preferred_unit():
    tight = label_lines(charge="0.55 ± 0.02 kg (19.4 oz)")
    charge = decided((NEURAL, tight), (TESSERACT, tight), prefer="us")["label_charge"].statement
    assert (charge.value, charge.unit, charge.tolerance) == (Decimal("0.55"), "kg", Decimal("0.02"))


def test_what_cannot_be_does_not_count_against_two_readers():
    fields = decided((NEURAL, label_lines()), (NEURAL, label_lines(oil=".120 mL")), (TESSERACT, label_lines()))
    assert fields["label_oil"].standing is Standing.AGREED and fields["label_oil"].statement.value == 120
    longer = decided((NEURAL, label_lines(oil="20 mL")), (NEURAL, label_lines()), (TESSERACT, label_lines(oil="20 mL")))
    assert longer["label_oil"].standing is Standing.UNCONFIRMED
    cut = decided((NEURAL, label_lines(oil="40 mL")), (NEURAL, label_lines(oil="140 mL")), (TESSERACT, label_lines(oil="40 mL")))
    assert cut["label_oil"].standing is Standing.UNCONFIRMED and "140 mL" in cut["label_oil"].question


def test_two_charges_two_refrigerants_and_a_bare_pag_are_asked():
    two = [*label_lines(charge="0.55 kg"), line("CHARGE REAR A/C 0.90 kg", 40, 430)]
    assert "0.90 kg" in decided((NEURAL, two), (TESSERACT, two))["label_charge"].question
    retrofit = label_lines(refrigerant="R-12 NOW R-134a")
    assert "R-12 and R-134a" in decided((NEURAL, retrofit), (TESSERACT, retrofit))["label_refrigerant"].question
    bare = label_lines(oil_type="PAG")
    assert decided((NEURAL, bare), (TESSERACT, bare))["label_oil_type"].standing is Standing.UNCONFIRMED


def test_columns_do_not_run_into_one_another():
    row = [line("REFRIGERANT", 40, 60), line("CHARGE", 500, 60), line("R-12", 40, 120), line("1.09 kg", 500, 120),
           line("OIL", 40, 220), line("OIL AMOUNT", 500, 220), line("PAG", 40, 280), line("46", 112, 280), line("120 mL", 500, 280)]
    fields = decided((NEURAL, row), (TESSERACT, row))
    assert {k: str(f.statement.value) for k, f in fields.items()} == {
        "label_refrigerant": "R-12", "label_charge": "1.09", "label_oil_type": "PAG 46", "label_oil": "120"}
    torn = [line("R-12", 400, 60, width=80), line("34yf", 482, 60, width=80)]        # one word in two boxes
    assert "label_refrigerant" not in decided((NEURAL, torn), (TESSERACT, torn))


def test_figures_of_other_things_are_left_alone():
    lines = [*label_lines(), line("VEHICLE WEIGHT 1.5 kg", 40, 430), line("OIL 100 g", 600, 330)]
    charge = decided((NEURAL, lines), (TESSERACT, lines))["label_charge"]
    assert charge.statement.value == Decimal("0.55") and charge.standing is Standing.AGREED


def test_a_low_confidence_agreement_is_asked():
    fields = decided((NEURAL, label_lines(confidence=0.6)), (TESSERACT, label_lines(confidence=0.5)))
    assert all(f.standing is Standing.UNCONFIRMED for f in fields.values())


def test_glare_beside_a_figure_makes_it_doubtful_and_only_it():
    _, photo = plain_view()
    pixels = photo.pixels.copy()
    pixels[300:400, 540:700] = 255                     # touches the oil amount, 400 to 520 wide, from the right
    pixels[330:334, 100:900] = 255                     # a thin bright line is print, not glare
    view, shining = View(pixels, np.eye(3)), Photo(pixels, WIDTH, HEIGHT)
    fields = decided((NEURAL, label_lines()), (TESSERACT, label_lines()), view=view, photo=shining)
    assert fields["label_oil"].standing is Standing.UNCONFIRMED and "Glare" in fields["label_oil"].question
    assert fields["label_charge"].standing is Standing.AGREED
    assert not glare_mask(np.full((200, 200, 3), 255, np.uint8)).any()      # burnt-out paper is reported otherwise


def test_a_figure_cut_by_the_edge_of_the_photo_is_asked():
    view, photo = plain_view()
    lines = [x if x.text != "120 mL" else line("120 mL", 900, 330, width=99) for x in label_lines()]
    assert "edge" in decided((NEURAL, lines), (TESSERACT, lines), view=view, photo=photo)["label_oil"].question


# Whole photos through the real readers.

PHOTOS = folder("sample_media") / "photos"
TRUE = {
    "label_refrigerant": Fact("label_refrigerant", "R-134a"), "label_charge": Measured("label_charge", Decimal("0.55"), "kg", tolerance=Decimal("0.02")),
    "label_oil_type": Fact("label_oil_type", "PAG 46"), "label_oil": Measured("label_oil", Decimal("120"), "mL"),
}


def by_name(reading) -> dict:
    return {f.statement.place if isinstance(f.statement, Measured) else f.statement.key: f for f in reading.fields}


@pytest.fixture(scope="module")
def straight():
    photo = load_photo(PHOTOS / "synthetic_label_straight.jpg")
    return photo, read_label(photo)


def test_a_straight_photo_reads_all_four_fields(straight):
    photo, reading = straight
    assert {k: f.statement for k, f in by_name(reading).items()} == TRUE
    assert reading.problem is None and reading.readers_used == tuple(r.name for r in available_readers())
    assert by_name(reading)["label_charge"].standing is Standing.AGREED
    for field in reading.fields:
        left, top, right, bottom = field.box
        assert 0 <= left < right <= photo.width and 0 <= top < bottom <= photo.height
        assert Image.open(io.BytesIO(field.crop)).format == "PNG"


def test_the_overlay_marks_the_fields_and_nothing_else(straight):
    photo, reading = straight
    drawn = np.asarray(overlay(photo, reading)).astype(int)
    assert drawn.shape == photo.pixels.shape
    changed = np.abs(drawn - photo.pixels).sum(axis=2) > 0
    assert changed.any() and changed.mean() < 0.1


def test_a_photo_with_glare_asks_and_is_never_silently_wrong():
    reading = read_label(load_photo(PHOTOS / "synthetic_label_glare.jpg"))
    fields = by_name(reading)
    agreed = {k for k, f in fields.items() if f.standing is Standing.AGREED}
    assert agreed < set(TRUE)
    assert all(fields[k].statement == TRUE[k] for k in agreed)
    assert any("glare" in w.lower() for w in reading.warnings)


@pytest.mark.parametrize("quarter_turns", [1, 2])
def test_a_turned_photo_reads_the_same(quarter_turns):
    pixels = np.ascontiguousarray(np.rot90(load_photo(PHOTOS / "synthetic_label_straight.jpg").pixels, quarter_turns))
    reading = read_label(Photo(pixels, pixels.shape[1], pixels.shape[0]), [NeuralReader()])
    assert {k: f.statement for k, f in by_name(reading).items()} == TRUE
    assert "Only the" in reading.warnings[0]


def test_photos_without_a_label_say_what_to_do():
    blank = np.full((480, 640, 3), 90, np.uint8)
    reading = read_label(Photo(blank, 640, 480), [NeuralReader()])
    assert not reading.fields and reading.problem and "\n" not in reading.problem
    from PIL import ImageDraw, ImageFont

    sign = Image.new("RGB", (900, 400), (230, 230, 230))
    ImageDraw.Draw(sign).text((60, 120), "CAR PARK LEVEL 3\nEXIT ON THE LEFT", fill=(0, 0, 0), font=ImageFont.load_default(60))
    reading = read_label(Photo(np.asarray(sign), 900, 400), [NeuralReader()])
    assert not reading.fields and "label" in reading.problem


def test_the_neural_reader_starts_without_any_network(monkeypatch):
    import socket

    def refuse(*args, **kwargs):
        raise AssertionError("the reader tried to reach the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    readers_module._neural_engine.cache_clear()
    readers_module._recognizer.cache_clear()
    assert NeuralReader().read_strip(strip_of("CHARGE 550 g"))[0] == "CHARGE 550 g"


def strip_of(text: str) -> np.ndarray:
    from PIL import ImageDraw, ImageFont

    font = ImageFont.load_default(34)
    strip = Image.new("RGB", (20 + round(font.getlength(text)), 48), (240, 240, 240))
    ImageDraw.Draw(strip).text((10, 4), text, fill=(0, 0, 0), font=font)
    return np.asarray(strip)


def test_strips_read_together_say_what_each_says_alone():
    texts = ["REFRIGERANT CHARGE 0.55 kg", "R-134a", "120 mL", "COMPRESSOR OIL PAG 46", "19.4 oz", "550 g"]
    strips = [strip_of(text) for text in texts]
    reader = NeuralReader()
    for read in (reader.read_strips, reader.read_short):
        together = read([*strips, np.full((48, 200, 3), 240, np.uint8)])
        assert together == [read([strip])[0] for strip in strips] + [("", 0.0)]
        assert [text.replace(" ", "") for text, _ in together[:-1]] == [text.replace(" ", "") for text in texts]
    assert reader.read_strips([]) == []


def test_without_the_program_tesseract_is_left_out_and_a_crash_says_nothing(monkeypatch):
    readers_module.tesseract_is_installed.cache_clear()
    monkeypatch.setattr(readers_module.shutil, "which", lambda name: None)
    assert [r.name for r in available_readers()] == [NEURAL]
    readers_module.tesseract_is_installed.cache_clear()
    import pytesseract

    def broken(*args, **kwargs):
        raise pytesseract.TesseractError(1, "gone")

    monkeypatch.setattr(pytesseract, "image_to_data", broken)
    assert TesseractReader().read(np.zeros((50, 50, 3), np.uint8), [line("x", 0, 0).quad]) == []
