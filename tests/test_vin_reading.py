"""A VIN in a photo: what stands, what is asked and what is offered; barcodes from zxing-cpp's own writer (ISO/IEC 16388, 16022, 18004)."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind
from hoodnote.capture.vision import vin_plates
from hoodnote.capture.vision.vin_codes import VinCode, read_codes, vin_of
from hoodnote.capture.vision.vin_plates import PlateReader
from hoodnote.capture.vision.vin_read import decide, read_vin
from hoodnote.capture.vision.vin_text import Row, VinReading, as_plates, looks_like_vin, not_named_otherwise, read_row, vin_part
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing
from hoodnote.readings.vin import candidates, check_vin, decode, formed
from tests.bench.camera import SEVERITIES, photograph
from tests.bench.plate_render import DEVELOPMENT, SPLITS, barcode, plate, random_plate, random_vin

EXAMPLE = "1G4AH59H45G118341"      # 49 CFR 565.15(c)(5), sample calculation
OTHER = "1J9RP1A36A1644345"        # NHTSA, Outline for New Manufacturer Information


def reading(reader: str, vin: str, confidence: float = 0.9) -> VinReading:
    return VinReading(reader, vin, vin, confidence)


def code(vin: str, corrects: bool) -> VinCode:
    return VinCode(vin, "Data Matrix" if corrects else "Code 39", corrects, np.zeros((4, 2)))


def test_two_readers_with_the_check_digit_right_stand():
    order, question = decide([reading("a", EXAMPLE), reading("b", EXAMPLE)], [])
    assert (order, question) == ([EXAMPLE], None)


def test_one_reader_twice_is_one_reader():
    order, question = decide([reading("a", EXAMPLE), reading("a", EXAMPLE, 0.8)], [])
    assert order == [EXAMPLE] and "only one of the readers" in question


@pytest.mark.parametrize(("sure", "stands"), [((0.95, 0.65), True), ((0.95, 0.55), False), ((0.85, 0.85), False), ((0.95, 0.95, 0.1), True)])
def test_readers_that_agree_must_be_sure(sure, stands):
    order, question = decide([reading(name, EXAMPLE, c) for name, c in zip("abc", sure)], [])
    assert order == [EXAMPLE] and (question is None) is stands


@pytest.mark.parametrize("corrects", [True, False])
def test_a_barcode_confirms_a_reader_and_alone_only_with_error_correction(corrects):
    assert decide([reading("a", EXAMPLE)], [code(EXAMPLE, corrects)]) == ([EXAMPLE], None)
    order, question = decide([], [code(EXAMPLE, corrects)])
    assert order == [EXAMPLE] and (question is None) is corrects


def test_barcode_and_print_that_differ_are_asked_with_both():
    order, question = decide([reading("a", EXAMPLE), reading("b", EXAMPLE)], [code(OTHER, True)])
    assert set(order) == {EXAMPLE, OTHER} and EXAMPLE in question and OTHER in question


def test_a_wrong_check_digit_is_never_taken_however_many_agree():
    wrong = "1G4AH59H45G118347"
    order, question = decide([reading("a", wrong), reading("b", wrong), reading("c", wrong)], [code(wrong, True)])
    assert question is not None and EXAMPLE in order         # 7 for 1 at the end is the sort of thing that is misread


def test_a_vin_without_check_digit_from_elsewhere_is_asked_not_refused():
    foreign = "WAAZZZ11ZXA000001"
    assert check_vin(foreign) is not None
    order, question = decide([reading("a", foreign), reading("b", foreign)], [])
    assert order[0] == foreign and "outside North America" in question


@pytest.mark.parametrize(("printed", "letter"), [("LAB93WEYLWEV29122", "L"), ("VIN JG540JKTDJ3A17969", "D")])
def test_a_check_digit_that_was_read_as_a_letter_proves_nothing(printed, letter):
    """Taken for the figure it looks like, one letter in eleven fits by chance; 49 CFR 565.15(c): the place holds a figure or X."""
    raw = printed.split()[-1]
    vin = raw[:8] + {"L": "1", "D": "0"}[letter] + raw[9:]
    assert check_vin(vin) is None and check_vin(raw) is not None
    order, question = decide([VinReading(name, printed, vin, 1.0) for name in "ab"], [])
    assert order == [vin, raw] and raw in question
    assert decide([VinReading("a", printed, vin, 1.0), VinReading("b", vin, vin, 1.0)], [code(vin, True)])[1] is None      # a barcode holds the figure


def test_a_faint_reading_that_fits_by_chance_comes_after_a_sure_one_from_elsewhere():
    foreign, chance = "K2KCJHRJ3ECD23878", "K2KCJHRY3ECD21878"
    assert check_vin(chance) is None and check_vin(foreign) is not None
    order, question = decide([reading("a", foreign, 0.99), reading("b", chance, 0.4)], [])
    assert order[:2] == [foreign, chance] and question


@settings(deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 16))
def test_every_candidate_has_its_check_digit_and_the_read_one_comes_first(seed, place):
    vin = random_vin(random.Random(seed))
    found = candidates([(vin, 1.0)])
    assert found[0] == (vin, 0.0)
    assert all(check_vin(v) is None for v, _ in found)
    damaged = vin[:place] + ("8" if vin[place] != "8" else "3") + vin[place + 1:]
    assert all(check_vin(v) is None for v, _ in candidates([(damaged, 1.0)]))


def test_two_readings_with_one_error_each_give_the_true_one_first():
    found = candidates([("1G4AH59H45G11834J", 0.5), ("1G4AH59H4SG118341", 0.5)])
    assert found[0][0] == EXAMPLE


@pytest.mark.parametrize(("text", "vin"), [
    ("1G4AH59H45G1I834l", EXAMPLE), ("IG4AH59H45GII834I", EXAMPLE), ("1G4AH59H45G1LB34L", EXAMPLE), ("1G4AH59H4", "1G4AH59H4"),
])
def test_only_letters_that_cannot_stand_there_are_replaced(text, vin):
    if text == "1G4AH59H45G1LB34L":
        assert formed(text) == "1G4AH59H45G1L8341"           # position 13 may hold a letter, 14 and 17 may not: 49 CFR 565.15(d)(3)
    else:
        assert formed(text) == vin


@pytest.mark.parametrize(("row", "like"), [
    ("VIN: 1G4AH59H45G118341", True), ("*1G4AH59H45G118341*", True), ("1G4 AH59H4 5G118341", True), ("V.I.N.1G4AH59H45G118341", True),
    ("REFRIGERANT R-134a CHARGE 0.55 kg", False), ("AMOUNT.500 +/- 20 g .(17.6 oz)", False),
    ("0IL POE 150cc / 5.1 fl. oz.", False), ("VIN 1G4 AH59H4 5G118341", True), ("\\° *1G4AH59H45G118341* ©", True), ("VIN1G4AH59H45G118341", True),
    ("REFRIGERANTR134A0", False), ("LOT 1234 QTY 55 REV AB77", False), ("4471 2290 1188 3021 7", False), ("STANDARDS IN EFFECT ON THE DATE", False),
    ("call 555 0100 or 555 0101 ask for parts", False), (f"PART NO {EXAMPLE}", False), (f"P/N {EXAMPLE} QTY 2", False), (f"LOT NO{EXAMPLE}", False),
    (f"PART 4471 VIN {EXAMPLE}", True), (f"NO {EXAMPLE}", True), (f"VIN: {EXAMPLE} TYPE: PASSENGER CAR", True),
])
def test_what_a_row_of_text_must_be_to_look_like_a_vin(row, like):
    assert (looks_like_vin(row) >= 0.7) is like
    if like:
        assert vin_part(row) == EXAMPLE


@pytest.mark.parametrize(("text", "vin"), [
    (EXAMPLE, EXAMPLE), ("I" + EXAMPLE, EXAMPLE), (f"*{EXAMPLE}*", EXAMPLE), (f"{EXAMPLE},R134A,550", EXAMPLE), ("PART 4471", None),
    (f"{EXAMPLE} {OTHER}", None), ("IG4AH59H45G118341", None),
])
def test_the_vin_in_the_text_of_a_barcode(text, vin):
    assert vin_of(text) == vin


@pytest.mark.parametrize(("print_", "kept"), [(f"PART NO {EXAMPLE}", 0), (f"Part No. {EXAMPLE[:5]}S{EXAMPLE[6:]}", 0), (f"VIN {EXAMPLE}", 1), (f"PART NO {OTHER}", 1)])
def test_a_barcode_of_a_parts_number_is_no_vin_however_long(print_, kept):
    row = Row(np.float32([(0, 0), (400, 0), (400, 20), (0, 20)]), print_, 0.99)
    assert len(not_named_otherwise([code(EXAMPLE, True)], [row])) == kept


@pytest.mark.parametrize("symbology", ["Code39", "DataMatrix", "QRCode"])
def test_barcodes_of_the_writer_are_read(symbology):
    picture = np.asarray(barcode("I" + EXAMPLE if symbology == "Code39" else EXAMPLE, symbology))
    found = read_codes(np.pad(picture, ((60, 60), (60, 60), (0, 0)), constant_values=255))
    assert [c.vin for c in found] == [EXAMPLE] and found[0].corrects is (symbology != "Code39")


def test_make_year_and_plant_of_the_regulations_example():
    told = decode(EXAMPLE, 2027)
    assert told.years == (2005,) and told.likely_year == 2005 and told.plant == "G"       # 49 CFR 565.15, Table VII: 5 is 2005
    assert told.country == "United States" and told.make                                  # SAE J1044's codes as vininfo has them
    late = decode("1J9RP1A36A1644345", 2027)                                              # A is 1980 or 2010, position 7 a letter
    assert late.years == (2010, 1980)
    assert "30 years" in late.in_words()


def test_position_seven_tells_the_cycle_only_for_north_america():
    assert decode("1J9RP1A36A1644345", 2027).likely_year == 2010        # 49 CFR 565.15(d)(1), from memory: a letter in position 7 is 2010 to 2039
    assert decode("1J9RP1336A1644345", 2027).likely_year == 1980
    assert decode("WJ9RP1336A1644345", 2027).likely_year is None


def shot(picture, severity="mild", **how) -> Photo:
    pixels = np.asarray(photograph(picture, SEVERITIES[severity], 3, size=(1280, 960), **how))
    return Photo(pixels, pixels.shape[1], pixels.shape[0])


def test_a_photographed_plate_is_read_and_glare_on_it_never_gives_another_vin():
    picture = plate(DEVELOPMENT.plates[1], EXAMPLE, random.Random(1))
    told = read_vin(shot(picture))
    (field,) = told.fields
    assert field.statement.value == EXAMPLE and field.standing is Standing.AGREED and field.crop[:4] == b"\x89PNG"
    assert told.kind is Kind.VIN
    hidden = read_vin(shot(picture, glare_at=(0.5, 0.5), glare_size=0.2))
    assert not any(f.standing is Standing.AGREED and f.statement.value != EXAMPLE for f in hidden.fields)
    assert hidden.fields or "take it again" in hidden.problem
    lost = read_vin(shot(picture, glare_at=(0.5, 0.5), glare_size=0.6))
    assert not lost.fields and "glare" in lost.problem


@pytest.mark.parametrize("style", DEVELOPMENT.plates, ids=lambda s: f"{s.make} {s.face}")
@pytest.mark.parametrize("vin", [EXAMPLE, OTHER])
def test_the_plate_reader_reads_each_make_of_plate(style, vin):
    """Its own guess is the likeliest sign at each step, so a network that learnt nothing gives no VIN."""
    strip = np.asarray(plate(style, vin, random.Random(2)))[62:158, 50:-50]
    text, sure = PlateReader().read_strip(strip)
    assert vin_part(text) == vin and 0.3 < sure <= 1


def test_a_row_that_the_plate_reader_found_is_not_two_readers():
    """Its reading of the row and its reading again are one voice."""
    pixels = np.asarray(plate(DEVELOPMENT.plates[0], EXAMPLE, random.Random(2)))
    height, width = pixels.shape[:2]
    quad = np.float32([(50, 62), (width - 50, 62), (width - 50, 158), (50, 158)])
    found = as_plates(pixels, [Row(quad, "SMUDGED", 0.2)])
    assert [vin_part(r.text) for r in found] == [EXAMPLE]
    readings = read_row(pixels, found[0], [PlateReader()])
    assert {r.reader for r in readings} == {PlateReader.name}
    assert decide([r for r in readings if len(r.vin) == 17], [])[1] is not None


@pytest.mark.parametrize(("vin", "kept"), [("KU4U7F43DFRC48997", True), ("KWGV3J3ZZCC196587", True), ("2W1DFPYAS0BG16243", False)])
def test_a_letter_in_the_place_of_the_check_digit_is_kept_only_where_there_need_be_no_check_digit(vin, kept):
    """49 CFR 565.15(c) has one in North America, where a VIN begins with 1 to 5 (SAE J1044, from memory); elsewhere a letter may stand there."""
    pixels = np.pad(np.asarray(plate(DEVELOPMENT.plates[0], vin, random.Random(2))), ((60, 60), (60, 60), (0, 0)), constant_values=60)
    [field] = read_vin(Photo(pixels, pixels.shape[1], pixels.shape[0])).fields
    assert field.standing is Standing.UNCONFIRMED
    assert (field.statement.value == vin) is kept and (vin in [v.statement.value for v in field.versions]) is kept


@pytest.mark.parametrize("split", SPLITS)
def test_a_plate_is_drawn_alike_each_time(split):
    """So that whoever runs the benchmark again has the same photos, and one without its characters differs in them alone."""
    first, again, blank = (np.asarray(random_plate(SPLITS[split], 3, empty)[0]).astype(int) for empty in (False, False, True))
    assert (first == again).all() and (first[:8] == blank[:8]).all() and (first != blank).any()


def test_the_plate_reader_sees_nothing_on_bare_metal():
    text, _ = PlateReader().read_strip(np.full((64, 800, 3), 130, np.uint8))
    assert len(text) < 3


def test_damaged_weights_say_what_to_do(monkeypatch):
    monkeypatch.setattr(vin_plates, "_SHA256", "0" * 64)
    vin_plates._weights.cache_clear()
    with pytest.raises(HoodnoteError, match="damaged.*install hoodnote again"):
        PlateReader().read_strip(np.zeros((64, 400, 3), np.uint8))


def test_an_empty_wall_has_no_vin_and_says_what_to_do():
    reading = read_vin(Photo(np.full((480, 640, 3), 90, np.uint8), 640, 480))
    assert reading.fields == () and "take it again" in reading.problem
