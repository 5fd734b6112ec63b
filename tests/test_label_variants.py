"""Labels that state more than one of a kind, that are worn, or that speak another language; and the drawn labels and camera themselves."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from PIL import Image

from hoodnote.capture.vision.figures import amounts, oil_types, refrigerants
from hoodnote.capture.vision.interpret import FIELDS, interpret
from hoodnote.capture.vision.kinds import look
from hoodnote.capture.vision.label import _runs_off, decide, read_label
from hoodnote.capture.vision.label_words import tells_conversion, tells_systems, topic
from hoodnote.capture.vision.overlay import offered
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind
from hoodnote.capture.vision.readers import NEURAL, TESSERACT, NeuralReader, TextLine
from hoodnote.capture.vision.rectify import View, covered, reduced
from hoodnote.readings.model import Standing
from hoodnote.statements.model import Fact, Measured
from tests.bench import label_wear
from tests.bench.camera import DEFAULT_SIZE, SEVERITIES, drawn_size, engine_bay, photograph
from tests.bench.label_render import BUILT_IN, HELD_OUT, SPLITS, STYLES, invent, random_label
from tests.bench.label_variants import TONGUES_DEVELOPMENT, TONGUES_HELD_OUT, conversion_below, listed, random_variant
from tests.bench.label_wear import worn
from tests.test_label_reading import line

WIDTH, HEIGHT = 1200, 600


def decided(*accounts: tuple[str, list[TextLine]], other: str | None = None):
    pixels = np.full((HEIGHT, WIDTH, 3), 200, np.uint8)
    fields = decide([(n, interpret(x)) for n, x in accounts], (NEURAL, TESSERACT), View(pixels, np.eye(3)), Photo(pixels, WIDTH, HEIGHT), other)
    return {f.statement.place if isinstance(f.statement, Measured) else f.statement.key: f for f in fields}


def both(lines: list[TextLine]):
    return (NEURAL, lines), (TESSERACT, lines)


def values(field) -> set[str]:
    return {str(v.statement.value) for v in field.versions}


HEAD = [line("REFRIGERANT R-134a", 40, 40), line("OIL PAG 46", 700, 40)]


@pytest.mark.parametrize(("front", "rear"), [
    ("FRONT A/C", "FRONT + REAR A/C"), ("VORN", "VORN + HINTEN"), ("AVANT", "AVANT + ARRIÈRE"), ("Delantero", "Trasero"), ("WITHOUT REAR", "DUAL"),
])
def test_a_row_for_each_system_shows_both_figures_and_asks_which(front, rear):
    lines = [*HEAD, line("CHARGE", 450, 120), line("OIL AMOUNT", 900, 120), line(front, 40, 200), line("0.68 kg (24.0 oz)", 450, 200), line("120 mL", 900, 200),
             line(rear, 40, 290), line("1.13 kg (39.9 oz)", 450, 290), line("180 mL", 900, 290)]
    fields = decided(*both(lines))
    charge, oil = fields["label_charge"], fields["label_oil"]
    assert charge.standing is oil.standing is Standing.UNCONFIRMED
    assert values(charge) == {"0.68", "1.13"} and values(oil) == {"120", "180"}
    assert f'0.68 kg ("{front}") and 1.13 kg ("{rear}")' in charge.question and "24.0" not in charge.question
    assert fields["label_refrigerant"].standing is Standing.AGREED


def test_one_amount_in_two_units_is_offered_once_and_the_picture_names_each_choice():
    """180 mL are 6.09 US fluid ounces of 29.5735 mL (NIST SP 811, B.8)."""
    def lines(rear_oil: str) -> list[TextLine]:
        return [*HEAD, line("CHARGE", 450, 120), line("OIL AMOUNT", 900, 120), line("FRONT", 40, 200), line("0.68 kg", 450, 200), line("120 mL", 900, 200),
                line("FRONT + REAR", 40, 290), line("1.13 kg", 450, 290), line(rear_oil, 900, 290)]

    fields = decided((NEURAL, lines("6.1 fl oz")), (TESSERACT, lines("180 mL")))
    assert len(values(fields["label_oil"])) == 2
    again = decided((NEURAL, lines("6.4 fl oz")), (TESSERACT, lines("180 mL")))
    assert values(again["label_oil"]) == {"120", "6.4", "180"}
    assert offered(fields["label_charge"], Kind.LABEL) == "0.68 kg or 1.13 kg"


def test_a_column_for_each_system_is_told_by_its_heading():
    lines = [*HEAD, line("Front system", 400, 120), line("Front and rear", 800, 120), line("CHARGE", 40, 200), line("0.68 kg", 400, 200), line("1.13 kg", 800, 200)]
    asked = decided(*both(lines))["label_charge"]
    assert '0.68 kg ("Front system") and 1.13 kg ("Front and rear")' in asked.question


def test_columns_read_as_one_line_do_not_make_a_charge_an_oil_amount():
    lines = [*HEAD, line("CHARGE", 450, 120), line("OIL AMOUNT", 900, 120), line("725 ± 25 g (25.6 oz) 190 cc (6.4 fl oz)", 450, 200, width=700)]
    assert decided(*both(lines))["label_charge"].statement.value == 725


def test_when_only_one_of_two_systems_was_read_it_is_not_taken():
    lines = [*HEAD, line("CHARGE", 450, 120), line("FRONT A/C", 40, 200), line("0.68 kg", 450, 200), line("FRONT + REAR A/C", 40, 290), line("l.l3 kg", 450, 290)]
    charge = decided(*both(lines))["label_charge"]
    assert charge.standing is Standing.UNCONFIRMED and "front and rear" in charge.question and "0.68 kg" in charge.question


def test_a_conversion_shows_both_refrigerants_and_takes_no_field():
    lines = [line("REFRIGERANT R-12", 40, 40), line("CHARGE 1.09 kg", 40, 110), line("OIL mineral 220 mL", 40, 180),
             line("CONVERTED TO R-134a", 40, 300), line("CHARGE 0.90 kg", 40, 370), line("OIL PAG 46 220 mL", 40, 440)]
    fields = decided(*both(lines))
    assert all(f.standing is Standing.UNCONFIRMED for f in fields.values()) and set(fields) == set(FIELDS)
    assert values(fields["label_refrigerant"]) == {"R-12", "R-134a"} and "conversion" in fields["label_refrigerant"].question
    assert "1.09 kg (with R-12) and 0.90 kg (with R-134a)" in fields["label_charge"].question
    assert "conversion" in fields["label_oil"].question          # one amount for both: which system it is of is still unknown


def test_an_amount_is_never_told_to_be_of_the_label_above_its_own():
    """The new refrigerant's name stands left of where the amounts begin, the old one's right above them."""
    lines = [line("REFRIGERANT CFC-12 (R-12)", 40, 40), line("CHARGE", 40, 110), line("0.92 kg", 440, 110), line("CONVERTED TO R-134a", 40, 300, width=330),
             line("REFRIGERANT CHARGE", 40, 370, width=330), line("0.95 kg", 480, 370)]
    question = decided(*both(lines))["label_charge"].question
    assert "0.92 kg (with R-12) and 0.95 kg:" in question


def test_amounts_beside_one_another_are_told_by_their_columns():
    lines = [line("REFRIGERANT R-12", 40, 40), line("CONVERTED TO R-134a", 640, 40), line("CHARGE 1.09 kg", 40, 130), line("CHARGE 0.90 kg", 640, 130)]
    assert "1.09 kg (with R-12) and 0.90 kg (with R-134a)" in decided(*both(lines))["label_charge"].question


@pytest.mark.parametrize("seed", [7002, 7014])
def test_both_labels_of_a_conversion_are_reported_whatever_the_camera_did_and_none_is_told_as_the_others(seed):
    label = random_variant(SPLITS["development"], seed)
    pixels = np.asarray(photograph(label.image, SEVERITIES["moderate"], seed))
    reading = read_label(Photo(pixels, pixels.shape[1], pixels.shape[0]))
    fields = {f.statement.place if isinstance(f.statement, Measured) else f.statement.key: f for f in reading.fields}
    assert all(f.standing is Standing.UNCONFIRMED for f in fields.values())
    (old,) = label.also
    assert {v.statement.value for v in fields["label_refrigerant"].versions} == {old.refrigerant, label.truth.refrigerant}
    assert len({v.statement for v in fields["label_charge"].versions}) >= 2
    for charge in (label.truth, old):
        wrong = old if charge is label.truth else label.truth
        printed = [f"{v} {u}" for v, u in ((charge.charge, charge.charge_unit), (charge.second_charge, charge.second_unit)) if v is not None]
        assert not any(re.search(rf"{re.escape(p)}[^:,]*\(with {wrong.refrigerant}\)", fields["label_charge"].question) for p in printed)


@pytest.mark.parametrize("upside_down", [False, True])
def test_a_second_label_elsewhere_in_the_photo_is_told_with_its_refrigerant_and_charge_and_nothing_stands(upside_down):
    rng, face = random.Random(0), SPLITS["development"].faces[0]
    old, new = (next(t for t in (invent(rng) for _ in range(10_000)) if t.refrigerant == name) for name in ("R-12", "R-134a"))
    board = Image.new("RGBA", (2200, 1200), (0, 0, 0, 0))
    board.paste(listed(old, TONGUES_DEVELOPMENT[0], STYLES[0], face), (20, 20))
    second = listed(new, TONGUES_DEVELOPMENT[0], STYLES[1], face).resize((700, 392))
    board.paste(second.rotate(180 if upside_down else 0), (1450, 700))
    pixels = np.asarray(photograph(board, SEVERITIES["mild"], 1))
    reading = read_label(Photo(pixels, pixels.shape[1], pixels.shape[0]))
    assert len(reading.fields) == 4
    for field in reading.fields:
        assert field.standing is Standing.UNCONFIRMED and "another label beside it" in field.question
        assert "134a" in field.question and str(new.charge) in field.question


def test_a_conversion_whose_old_label_is_unreadable_takes_no_field():
    fields = decided(*both([line("CONVERTED TO R-134a", 40, 300), line("CHARGE 0.90 kg", 40, 370)]))
    assert all(f.standing is Standing.UNCONFIRMED for f in fields.values())


def test_a_label_that_names_two_oils_may_be_two_labels_so_that_its_one_charge_is_asked_about():
    """The other label's charge may lie under a reflection."""
    lines = [line("REFRIGERANT R-12", 40, 40), line("CHARGE 1.260 kg", 40, 110), line("OIL mineral", 40, 180)]
    assert decided(*both(lines))["label_charge"].standing is Standing.AGREED
    fields = decided(*both([*lines, line("OIL POE", 640, 180)]))
    assert all(f.standing is Standing.UNCONFIRMED for f in fields.values()) and "1.260 kg" in fields["label_charge"].question


def test_where_print_runs_off_the_flat_view_nothing_stands():
    """What else the label says may be beyond it."""
    view = View(np.full((HEIGHT, WIDTH, 3), 200, np.uint8), np.eye(3))
    assert [_runs_off(line("OIL POE", x, 40, width=200).quad, view) for x in (0, 20, WIDTH - 220, WIDTH - 200)] == [True, False, False, True]
    told = interpret([line("REFRIGERANT R-12", 40, 40)])
    [whole], [cut] = (decide([(NEURAL, told), (TESSERACT, told)], (NEURAL, TESSERACT), view, Photo(view.pixels, WIDTH, HEIGHT), cut=c) for c in (False, True))
    assert whole.standing is Standing.AGREED
    assert cut.standing is Standing.UNCONFIRMED and "R-12" in cut.question and "laid out flat" in cut.question


def test_a_refrigerant_that_nobody_read_cleanly_is_a_question_and_one_clean_pair_needs_none():
    murky, clean = [line("REFRIGERANT RI34a", 40, 40)], [line("REFRIGERANT R-134a", 40, 40)]
    asked = decided(*both(murky))["label_refrigerant"]
    assert asked.standing is Standing.UNCONFIRMED and asked.statement.value == "R-134a" and "RI34a" in asked.question
    assert decided((NEURAL, murky), *both(clean))["label_refrigerant"].standing is Standing.AGREED
    alone = decided((NEURAL, murky), (TESSERACT, clean))["label_refrigerant"]
    assert alone.standing is Standing.UNCONFIRMED and "only one" in alone.question


@pytest.mark.parametrize(("name", "told", "garbled"), [
    ("label_oil_type", "OIL mineral", "OIL PAG 1Se"), ("label_oil_type", "OIL POE", "OIL PAG I50"), ("label_refrigerant", "REFRIGERANT R-12", "REFRIGERANT RI34a")])
def test_another_one_that_did_not_read_cleanly_is_asked_about(name, told, garbled):
    lines = [line(told, 40, 40), line(garbled, 40, 110)]
    field = decided((NEURAL, lines), (TESSERACT, lines[:1]))[name]
    assert field.standing is Standing.UNCONFIRMED and garbled.split()[-1] in field.question
    assert decided(*both(lines[:1]))[name].standing is Standing.AGREED


@pytest.mark.parametrize(("name", "told", "garbled"), [("label_oil_type", "OIL PAG 150", "OIL PAG 1Se"), ("label_refrigerant", "REFRIGERANT R-134a", "REFRIGERANT RI34a")])
def test_the_same_one_read_badly_by_another_reader_is_no_other(name, told, garbled):
    clean = [line(told, 40, 40)]
    assert decided(*both(clean), (TESSERACT, [line(garbled, 40, 40)]))[name].standing is Standing.AGREED


@pytest.mark.parametrize("reader", [NEURAL, TESSERACT])
@pytest.mark.parametrize(("charge", "stands"), [("0.55 kg", False), ("0.55 kg (19.4 oz)", True), ("0.55 kg (1.2 lb)", False), ("0.55 kg (19.9 oz)", False)])
def test_one_reader_alone_is_agreed_only_with_a_second_figure_on_the_label_and_only_for_the_charge(reader, charge, stands):
    lines = [line("REFRIGERANT R-134a", 40, 40), line(f"CHARGE {charge}", 40, 110), line("OIL PAG 46", 40, 180), line("OIL AMOUNT 120 mL (4.1 fl oz)", 40, 250)]
    fields = decided((reader, lines), (reader, lines))           # the same one twice is still one
    assert {key for key, field in fields.items() if field.standing is Standing.AGREED} == ({"label_charge"} if stands else set())
    assert set(fields) == set(FIELDS)


def test_another_label_in_the_photo_leaves_nothing_standing():
    fields = decided(*both([*HEAD, line("CHARGE 0.90 kg", 40, 370)]), other="R-12 1.09 kg")
    assert all(f.standing is Standing.UNCONFIRMED and "R-12 1.09 kg" in f.question for f in fields.values())


@pytest.mark.parametrize(("text", "about"), [
    # general knowledge of the languages: common practice, no source
    ("Kältemittel", "charge"), ("Kompressoröl", "oil"), ("Ölmenge", "oil"), ("Kühlmittel", "other"), ("Füllgewicht", "charge"), ("Gewicht", "other"),
    ("Fluide frigorigène", "charge"), ("Huile", "oil"), ("Pression", "other"), ("Carga de refrigerante", "charge"), ("Aceite", "oil"), ("Carica", "charge"),
    ("Olio", "oil"), ("Óleo", "oil"), ("Koudemiddel", "charge"), ("Olie", "oil"), ("CHARGE WEIGHT", "charge"), ("VEHICLE WEIGHT", "other"), ("Motoröl", "other"),
    ("Kaltemitte1", "charge"), ("Menge", None),
])
def test_what_a_word_is_about(text, about):
    assert topic(text) == about


def test_everyday_words_are_no_system_and_no_conversion():
    assert tells_systems("AVANT") and not tells_systems("Avant toute intervention,") and not tells_systems("Avant toute intervention, consulter le manuel du constructeur")
    assert not tells_systems("REFRIGERANT") and tells_conversion("UMGERÜSTET AUF R-134a") and not tells_conversion("SERVICE")


@pytest.mark.parametrize(("text", "taken"), [
    ("0,550 kg", "0.550"), ("1,050 kg", "1.050"), ("1.050 kg", "1.050"), ("1.200 g", None), ("1,200 g", None), ("1.200 lb", "1.200"), ("550 Gramm", "550"), ("550 grammes", "550"),
    ("550 gramos", "550"), ("120 cm³", "120"), ("120 ccm", "120"),
])
def test_decimal_signs_and_units_of_other_countries(text, taken):
    # decimal sign: either comma or point, ISO 80000-1 7.3.2, from memory; a thousands comma in grams cannot be told from it
    assert [str(a.value) for a in amounts(text)[0]] == ([] if taken is None else [taken])


@pytest.mark.parametrize("text", ["Mineralöl", "huile minérale", "olio minerale", "mineraal", "MINERAL"])
def test_mineral_oil_in_other_languages(text):
    assert [d.value for d in oil_types(text)[0]] == ["mineral"]


def _print_strip() -> tuple[np.ndarray, tuple[float, float, float, float]]:
    from PIL import ImageDraw

    from tests.bench.label_render import font

    strip = Image.new("RGB", (520, 120), (225, 222, 205))
    ImageDraw.Draw(strip).text((110, 36), "0.55 kg (19.4 oz)", fill=(15, 15, 20), font=font(BUILT_IN, 36))
    return np.array(strip), (105.0, 36.0, 420.0, 82.0)


@pytest.mark.parametrize("wear", ["none", "shadow", "speck", "blot", "tear", "dark label", "dark label, blot"])
def test_a_blot_or_a_tear_by_a_figure_is_noticed_and_a_shadow_is_not(wear):
    pixels, box = _print_strip()
    if wear == "shadow":
        pixels[:, 250:] = pixels[:, 250:] * 0.6
    if wear == "speck":
        pixels[50:56, 300:306] = 60
    if wear.startswith("dark label"):
        pixels = 255 - pixels
    if "blot" in wear:
        pixels[42:76, 118:152] = 70 if wear == "blot" else 190
    if wear == "tear":
        pixels[:, :104] = 40
    assert covered(pixels, box) is (wear in ("blot", "tear", "dark label, blot"))


# Through the real readers.


def photo_of(image: Image.Image, severity: str, seed: int, size=(1280, 960)) -> Photo:
    pixels = np.asarray(photograph(image, SEVERITIES[severity], seed, size))
    return Photo(pixels, pixels.shape[1], pixels.shape[0])


def test_a_german_label_and_a_bent_one_read_as_printed():
    truth = random_label(SPLITS["development"], 4)[1]
    plain = listed(truth, TONGUES_DEVELOPMENT[0], STYLES[0], "DejaVuSans.ttf")
    bent = Image.fromarray(np.clip(label_wear._bent(np.array(plain.convert("RGBA"), np.float32), 0.4, np.random.default_rng(3)), 0, 255).astype(np.uint8), "RGBA")
    for image in (plain, bent):
        found = {f.statement.place if isinstance(f.statement, Measured) else f.statement.key: f.statement for f in read_label(photo_of(image, "mild", 5)).fields}
        assert found["label_refrigerant"] == Fact("label_refrigerant", truth.refrigerant)
        assert (found["label_charge"].value, found["label_charge"].unit) == (truth.charge, truth.charge_unit)
        assert found["label_oil_type"] == Fact("label_oil_type", truth.oil_type)


def test_no_row_of_a_bowed_table_is_missed():
    """A long bowed row fills its box badly; were one system's row not seen, the other's figure would stand alone."""
    label = random_variant(SPLITS["development"], 10)
    bowed = label_wear._bent(np.array(label.image.convert("RGBA"), np.float32), 0.6, np.random.default_rng(10))
    opaque = bowed[..., 3:] / 255
    small, _ = reduced(np.clip(bowed[..., :3] * opaque + 40 * (1 - opaque), 0, 255).astype(np.uint8), 900)
    reader = NeuralReader()
    read = " | ".join(x.text for x in reader.read(small, reader.find_text(small)))
    assert [d.value for d in refrigerants(read)[0]] == [label.truth.refrigerant] and [d.value for d in oil_types(read)[0]] == [label.truth.oil_type]
    assert {a.value for a in amounts(read)[0]} >= {t.charge for t in (label.truth, *label.also)}


def test_a_conversion_label_through_the_readers_takes_nothing():
    new, old = (next(t for s in range(200) if (t := random_label(SPLITS["development"], s)[1]).refrigerant == r) for r in ("R-134a", "R-12"))
    reading = read_label(photo_of(conversion_below(new, old, STYLES[0], "DejaVuSans-Bold.ttf"), "mild", 6))
    assert reading.fields and all(f.standing is Standing.UNCONFIRMED for f in reading.fields)
    refrigerant = next(f for f in reading.fields if f.statement == Fact("label_refrigerant", f.statement.value))
    assert {v.statement.value for v in refrigerant.versions} == {"R-12", "R-134a"}


def test_a_label_looks_like_one_and_an_engine_bay_does_not():
    label = photo_of(random_label(SPLITS["development"], 7)[0], "moderate", 8)
    bay = engine_bay(1280, 960, np.random.default_rng(2))
    assert look(label).scores[Kind.LABEL] >= 0.6 > 0.3 >= look(Photo(bay, 1280, 960)).scores[Kind.LABEL]


# The generator and the camera.


def test_every_drawn_label_says_what_sae_j639_asks():
    # SAE J639, from memory: refrigerant, charge, and the oil; here: each drawn truth has all of them in its printed texts
    for split in SPLITS.values():
        for seed in range(40):
            drawn = random_variant(split, seed)
            for truth in (drawn.truth, *drawn.also):
                assert truth.refrigerant_text and truth.oil_type and truth.oil > 0
                assert {a.value for a in amounts(truth.charge_text)[0]} >= {truth.charge}
                assert {a.value for a in amounts(truth.oil_text)[0]} >= {truth.oil}


def test_held_out_labels_share_no_layout_face_or_wording_with_development():
    development = SPLITS["development"]
    assert not {*development.layouts} & {*HELD_OUT.layouts} and not {*development.faces} & {*HELD_OUT.faces}
    for one, other in zip(TONGUES_DEVELOPMENT, TONGUES_HELD_OUT, strict=True):
        assert one.title != other.title and one.charge != other.charge and one.oil != other.oil


def test_the_camera_is_seeded_and_each_severity_is_harsher():
    label = random_label(SPLITS["development"], 1)[0]
    one, two, other = (np.asarray(photograph(label, SEVERITIES["severe"], seed, (800, 600))) for seed in (3, 3, 4))
    assert np.array_equal(one, two) and not np.array_equal(one, other)
    rising = [[getattr(s, name) for s in SEVERITIES.values()] for name in ("tilt", "turn_deg", "blur_px", "noise", "shadow", "dirt", "lens", "hand_px", "focus_px", "dim", "smudges")]
    assert all(row == sorted(row) and row[-1] > row[0] for row in rising)
    sizes = [drawn_size(seed) for seed in range(300)]
    assert min(w for w, _ in sizes) < 700 and max(w for w, _ in sizes) > 3500 and all(640 <= w <= 4000 and h * 4 == w * 3 for w, h in sizes)
    assert photograph(label, SEVERITIES["mild"], 1).size == DEFAULT_SIZE


def test_a_torn_label_shows_the_bay_and_wear_keeps_the_seed():
    label = random_label(SPLITS["development"], 2)[0]
    torn = next(w for seed in range(60) if (w := worn(label, 1.0, seed)).size == label.size and (np.asarray(w)[..., 3] == 0).mean() > 0.01)
    assert np.array_equal(np.asarray(worn(label, 0.5, 9)), np.asarray(worn(label, 0.5, 9)))
    whole = np.asarray(photograph(label, SEVERITIES["mild"], 2, (800, 600)), int)
    assert (np.abs(np.asarray(photograph(torn, SEVERITIES["mild"], 2, (800, 600)), int) - whole).max(axis=2) > 60).mean() > 0.003


def test_invented_figures_are_metric_and_decimal_on_labels_of_other_languages():
    seen = [d.truth for seed in range(60) if not (d := random_variant(SPLITS["development"], seed)).also]
    assert seen and all(t.charge_unit in ("kg", "g") and t.second_charge is None and "." not in t.charge_text for t in seen)
    assert {t.charge_unit for t in seen} == {"kg", "g"}
