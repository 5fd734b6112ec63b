"""Gauge faces: geometry against mathematics, units against NIST SP 811, drawn gauges against where their pointer was drawn."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pytest
from PIL import Image, ImageDraw

from hoodnote.capture.vision.dial_beneath import tells_of_another_quantity, words_beneath
from hoodnote.capture.vision.dial_find import Ellipse, find_dials
from hoodnote.capture.vision.dial_gauge import read_gauge
from hoodnote.capture.vision.dial_needle import find_pointer
from hoodnote.capture.vision.dial_read import looks_like, read_dials
from hoodnote.capture.vision.dial_rectify import MIDDLE, RIM, SIDE, FaceView, face_on
from hoodnote.capture.vision.dial_scale import piece_at, rings_of, with_more
from hoodnote.capture.vision.dial_sides import Colour, colours_by
from hoodnote.capture.vision.dial_text import Text, number_in
from hoodnote.capture.vision.dial_units import units_of, units_that_fit
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader
from hoodnote.capture.vision.reading import Kind
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing
from tests.bench.dial_render import RADIUS, draw_face, draw_pointer
from tests.bench.dial_styles import DEVELOPMENT, DEVELOPMENT_FACES
from tests.bench.label_render import font

WIDTH = int(RADIUS * 2.9)
PLAIN, NARROW, NIGHT, CREAM, TURNED = DEVELOPMENT
PSI_AND_BAR, PSI_250, PSI_AND_KPA, _, COMPOUND, RETARDED, UNEVEN_TWO, UNEVEN, MPA_AND_PSI, KG, THREE_RINGS, _ = DEVELOPMENT_FACES


def drawn(face, style, share: float | None, words=None, side: int = 900) -> Image.Image:
    """A gauge seen from the front with its pointer at a share of its sweep; None: no pointer."""
    picture = Image.new("RGB", (WIDTH, WIDTH), (58, 60, 64))
    draw_face(picture, (WIDTH / 2, WIDTH / 2), face, style, words)
    if share is not None:
        layer = Image.new("RGBA", picture.size, (0, 0, 0, 0))
        draw_pointer(layer, (WIDTH / 2, WIDTH / 2), -style.sweep / 2 + style.sweep * share, style)
        picture.paste(layer, (0, 0), layer)
    return picture.resize((side, side), Image.Resampling.LANCZOS)


def slanted(picture: Image.Image, degrees: float) -> Image.Image:
    """The picture turned about its upright axis and seen from twice its width."""
    import cv2

    side = picture.width
    c, s, far = math.cos(math.radians(degrees)), math.sin(math.radians(degrees)), 2.0 * side
    corners = np.float32([(0, 0), (side, 0), (side, side), (0, side)])
    seen = [((x - side / 2) * c * far / (far + (x - side / 2) * s) + side / 2, (y - side / 2) * far / (far + (x - side / 2) * s) + side / 2)
            for x, y in corners]
    matrix = cv2.getPerspectiveTransform(corners, np.float32(seen))
    return Image.fromarray(cv2.warpPerspective(np.asarray(picture), matrix, (side, side), borderMode=cv2.BORDER_REPLICATE))


def photo(picture: Image.Image) -> Photo:
    pixels = np.asarray(picture.convert("RGB"))
    return Photo(pixels, pixels.shape[1], pixels.shape[0])


@pytest.fixture(scope="module")
def reader():
    return [NeuralReader()]


def test_rim_of_a_drawn_ellipse_is_found_where_it_was_drawn():
    import cv2

    pixels = np.full((600, 800, 3), 70, np.uint8)
    cv2.ellipse(pixels, (420, 290), (210, 170), 25, 0, 360, (235, 235, 230), -1, cv2.LINE_AA)
    rim = find_dials(pixels)[0]
    assert (rim.x, rim.y) == pytest.approx((420, 290), abs=2)
    assert sorted((rim.a, rim.b)) == pytest.approx([170, 210], abs=3)


def test_nothing_round_is_no_dial():
    pixels = np.full((600, 800, 3), 70, np.uint8)
    pixels[100:300, 200:600] = 220
    assert find_dials(pixels) == []


@pytest.mark.parametrize("degrees", [0, 20, 30])
def test_middle_is_where_the_ticks_meet_however_it_is_turned(degrees):
    """A perspective view keeps lines lines, so the drawn centre's image is known: here it stays in the picture's middle."""
    picture = slanted(drawn(PSI_AND_BAR, PLAIN, 0.4), degrees)
    rim = find_dials(np.asarray(picture))[0]
    view = face_on(np.asarray(picture), rim)
    middle = view.to_photo(np.array([[MIDDLE, MIDDLE]]))[0]
    assert np.hypot(*(middle - picture.width / 2)) < 0.012 * rim.radius


@pytest.mark.parametrize(("style", "share"), [(PLAIN, 0.15), (NARROW, 0.5), (NIGHT, 0.93), (CREAM, 0.37), (TURNED, 0.71)])
def test_both_ways_find_the_pointer_where_it_was_drawn(style, share):
    picture = np.asarray(drawn(PSI_250, style, share))
    pointer = find_pointer(face_on(picture, find_dials(picture)[0]))
    drawn_at = -style.sweep / 2 + style.sweep * share
    for angle in (pointer.by_edges, pointer.by_profile):
        assert abs((angle - drawn_at + 180) % 360 - 180) < 1.0


def test_no_pointer_is_no_figure(reader):
    reading = read_dials(photo(drawn(PSI_250, PLAIN, None)), "high_side", readers=reader)
    assert reading.fields == () and "pointer" in reading.problem


def text(word: str, degrees: float, radius: float = 0.7) -> Text:
    a = math.radians(degrees)
    x, y = MIDDLE + radius * RIM * math.sin(a), MIDDLE - radius * RIM * math.cos(a)
    return Text(word, 0.99, degrees % 360, radius * RIM, np.float32([(x - 20, y - 10), (x + 20, y - 10), (x + 20, y + 10), (x - 20, y + 10)]))


BLANK = FaceView(np.full((SIDE, SIDE, 3), 200, np.uint8), np.eye(3), 0.9 * RIM, 1.0, 0.0, 1.0)


def test_even_figures_make_a_scale_and_one_misread_figure_is_left_out():
    figures = [text(str(v), -135 + 270 * v / 500) for v in range(0, 501, 50) if v != 300] + [text("308", -135 + 270 * 300 / 500)]
    ring, = rings_of(figures, BLANK)
    piece, place = piece_at(ring, 0.0)
    assert piece.value(place) == pytest.approx(250, abs=1)          # halfway of 270 degrees, by proportion
    assert [t.text for t in ring.stray] == ["308"] and ring.step == 50


def test_figures_below_zero_run_backwards_on_a_compound_scale():
    """ASME B40.100, from memory: a compound gauge has vacuum in inHg to the left of zero, growing away from it."""
    figures = [text(str(v), -80 + 215 * v / 120) for v in range(0, 121, 20)] + [text(str(v), -80 - 55 * v / 30) for v in (10, 20, 30)]
    ring, = rings_of(figures, BLANK)
    piece, place = piece_at(ring, -80 - 55 * 25 / 30)
    assert piece is ring.vacuum and abs(piece.value(place)) == pytest.approx(25, abs=0.3)


def test_a_figure_that_lies_on_the_line_but_fits_no_step_is_left_out():
    """306 for 300, two degrees off: on the line within what a figure's middle may lie off."""
    figures = [text(str(v), -135 + 270 * v / 800) for v in range(0, 801, 100) if v != 300] + [text("306", -135 + 270 * 300 / 800)]
    ring, = rings_of(figures, BLANK)
    assert ring.step == 100 and [t.text for t in ring.stray] == ["306"]


def test_a_scale_with_figures_missing_before_its_end_starts_at_its_widest_gap():
    figures = [text(str(v), -135 + 270 * v / 18) for v in (0, 2, 4, 6, 8, 10, 18)]
    ring, = rings_of(figures, BLANK)
    assert ring.stray == () and max(t.number for t in ring.main.texts) == 18


def test_a_scale_that_was_read_in_part_goes_on_by_proportion():
    ring, = rings_of([text(str(v), -135 + 270 * v / 200) for v in (0, 20, 40, 60)], BLANK)
    longer = with_more(ring, [text(str(v), -135 + 270 * v / 200) for v in (160, 180)], BLANK)
    assert piece_at(ring, -135 + 270 * 170 / 200) is None
    piece, place = piece_at(longer, -135 + 270 * 170 / 200)
    assert piece.value(place) == pytest.approx(170, abs=1)           # by proportion


@pytest.mark.parametrize(("word", "share", "other"), [("%", 0.5, True), ("°F", 0.52, True), ("mph", 0.5, True), ("psi", 0.5, False)])
def test_a_word_that_the_pointer_touches_is_read_with_it_painted_out(word, share, other, reader):
    picture = np.asarray(drawn(PSI_250, PLAIN, share, {"psi": word}))
    view = face_on(picture, find_dials(picture)[0])
    words = words_beneath(view, find_pointer(view), reader[0])
    assert tells_of_another_quantity(words) is other


@pytest.mark.parametrize(("words", "other"), [(["h"], True), (["°C"], True), (["m"], True), (["rpm"], True), (["a"], False), (["ps"], False), ([], False)])
def test_what_is_left_of_a_word_tells_of_another_quantity(words, other):
    assert tells_of_another_quantity(words) is other


@pytest.mark.parametrize("values", [(0, 50, 100), (0, 40, 100, 170, 250)])
def test_two_or_uneven_figures_are_no_scale(values):
    angles = {0: -130, 40: -100, 50: -100, 100: 20, 170: 40, 250: 135}
    assert rings_of([text(str(v), angles[v]) for v in values], BLANK) == []


@pytest.mark.parametrize(("printed", "number"), [("250", 250), ("-20", 20), ("2.5", 2.5), ("2,5", 2.5), ("14.", 14), ("120=", 120), ("05", None),
                                                 ("12Q", 120), ("Q2", None),
                                                 ("1.000", None), ("", None), ("8O", None)])
def test_only_clean_figures_count(printed, number):
    assert number_in(printed) == number


@pytest.mark.parametrize(("face", "style", "share", "unit"), [
    (PSI_AND_BAR, PLAIN, 0.63, "psi"), (PSI_AND_KPA, NARROW, 0.22, "psi"), (PSI_250, TURNED, 0.3, "psi"), (COMPOUND, NIGHT, 0.8, "psi"),
    (COMPOUND, PLAIN, 0.08, "inHg")])
def test_a_drawn_gauge_reads_what_its_pointer_was_drawn_at(face, style, share, unit, reader):
    place = "low_side" if face.compound else "high_side"
    reading = read_dials(photo(slanted(drawn(face, style, share), 15)), place, readers=reader)
    field, = reading.fields
    # by proportion between the scale's knots; 1 inHg = 0.4911542 psi, NIST SP 811 B.8 (3.386389 / 6.894757)
    true = face.psi(share) / (1 if unit == "psi" else -0.4911542)
    span = (face.knots[-1][0] - face.knots[0][0]) / (1 if unit == "psi" else 0.4911542)
    assert field.statement.unit == unit and field.statement.place == place
    assert abs(float(field.statement.value) - true) < max(0.01 * span, field.limit)
    assert 0 < field.limit < 0.03 * span
    assert {m.role for m in field.marks} == {"outline", "needle", "used"}


@pytest.mark.parametrize(("face", "style", "share", "unit"), [
    (UNEVEN_TWO, PLAIN, 0.6, "psi"), (UNEVEN, NIGHT, 0.33, "psi"), (MPA_AND_PSI, CREAM, 0.71, "psi"), (KG, PLAIN, 0.42, "kg/cm2"),
    (THREE_RINGS, PLAIN, 0.3, "psi")])
def test_uneven_metric_and_many_scales_are_taken(face, style, share, unit, reader):
    """The pointer's drawn place, by the spacing the face was drawn with; 1 kgf/cm2 = 98.0665 kPa, 1 psi = 6.894757 kPa, NIST SP 811 B.9."""
    field, = read_dials(photo(slanted(drawn(face, style, share), 10)), "high_side", readers=reader).fields
    factor = {"psi": 1.0, "kg/cm2": 98.0665 / 6.894757}[unit]
    assert field.standing is Standing.AGREED and field.statement.unit == unit
    assert abs(float(field.statement.value) * factor - face.psi(share)) < 0.01 * face.knots[-1][0]


def test_an_uneven_scale_reads_between_its_figures_by_its_curve():
    """Figures at the square root of their values: a mathematical scale, whose middle is a quarter of its end."""
    figures = [text(f"{v:g}", -135 + 270 * math.sqrt(v / 400)) for v in (0, 10, 25, 50, 100, 150, 200, 300, 400)]
    ring, = rings_of(figures, BLANK)
    piece, place = piece_at(ring, 45.0)
    assert piece.value(place) == pytest.approx(400 * (180 / 270) ** 2, rel=0.01)
    assert piece_at(ring, 178.0) is None                            # no figure beyond


def test_a_misread_figure_of_an_uneven_scale_is_left_out():
    figures = [text(f"{v:g}", -135 + 270 * math.sqrt(v / 400)) for v in (0, 10, 25, 50, 100, 200, 300, 400)] + [text("180", -135 + 270 * math.sqrt(150 / 400))]
    ring, = rings_of(figures, BLANK)
    assert [t.text for t in ring.stray] == ["180"]


def test_an_uneven_scale_beside_a_degree_sign_is_no_pressure(reader):
    picture = drawn(UNEVEN, PLAIN, 0.7)
    assert read_dials(photo(picture), "high_side", readers=reader).fields
    ImageDraw.Draw(picture).text((450, 340), "°F", fill=(18, 18, 20), font=font("DejaVuSans.ttf", 34), anchor="mm")
    assert all(f.standing is Standing.UNCONFIRMED for f in read_dials(photo(picture), "high_side", readers=reader).fields)


def test_metric_states_the_other_scale_of_the_same_pressure(reader):
    picture = photo(drawn(PSI_AND_BAR, PLAIN, 0.5))
    (us,), (metric,) = (read_dials(picture, "high_side", units, reader).fields for units in ("us", "metric"))
    assert (us.statement.unit, metric.statement.unit) == ("psi", "bar")
    assert float(metric.statement.value) * 14.50377 == pytest.approx(float(us.statement.value), abs=6)     # NIST SP 811 B.8
    assert us.standing is metric.standing is Standing.AGREED


def test_a_single_gauge_is_asked_which_side_it_is(reader):
    field, = read_dials(photo(drawn(COMPOUND, PLAIN, 0.6)), readers=reader).fields
    assert field.standing is Standing.UNCONFIRMED and field.statement.place == "low_side" and "low side" in field.question


def manifold(left, right) -> Photo:
    sides = [np.asarray(drawn(face, PLAIN, share)) for face, share in (left, right)]
    return photo(Image.fromarray(np.concatenate(sides, axis=1)))


def test_a_hidden_word_beside_inches_of_mercury_is_asked_about_without_a_person_saying_so(reader):
    """Only a pressure scale goes on in inHg below zero (ASME B40.100, from memory)."""
    picture = photo(drawn(RETARDED, PLAIN, 0.5, {"psi": ""}))
    field, = read_dials(picture, readers=reader).fields
    assert field.standing is Standing.UNCONFIRMED and "unit" in field.question


def test_manifold_sides_are_told_by_scale(reader):
    fields = {f.statement.place: f for f in read_dials(manifold((COMPOUND, 0.5), (PSI_AND_BAR, 0.4)), readers=reader).fields}
    assert float(fields["low_side"].statement.value) == pytest.approx(COMPOUND.psi(0.5), abs=1.4)        # 1 % of the span
    assert float(fields["high_side"].statement.value) == pytest.approx(200, abs=5)
    assert all(f.standing is Standing.AGREED for f in fields.values())


def test_manifold_the_wrong_way_round_is_asked(reader):
    fields = read_dials(manifold((PSI_AND_BAR, 0.4), (COMPOUND, 0.5)), readers=reader).fields
    assert len(fields) == 2 and all(f.standing is Standing.UNCONFIRMED and "right" in f.question for f in fields)


def with_hoses(pixels: np.ndarray, left, right) -> np.ndarray:
    """Hoses below the two gauges of a picture twice as wide as high."""
    side = pixels.shape[0]
    out = np.concatenate([pixels, np.full((side // 2, 2 * side, 3), 60, np.uint8)])
    for x, colour in ((side // 2, left), (side + side // 2, right)):
        out[side:, x - 40:x + 40] = colour
    return out


BLUE, RED, BLACK = (30, 60, 160), (180, 34, 34), (20, 20, 20)


@pytest.mark.parametrize(("left", "right", "told"), [(BLUE, RED, (Colour.BLUE, Colour.RED)), (RED, BLUE, (Colour.RED, Colour.BLUE)),
                                                     (BLUE, BLUE, None), (BLACK, BLACK, None), (BLUE, BLACK, None)])
def test_colours_say_something_only_where_one_is_blue_and_the_other_red(left, right, told):
    pixels = with_hoses(np.full((400, 800, 3), 200, np.uint8), left, right)
    assert colours_by(pixels, Ellipse(200, 200, 180, 180, 0), Ellipse(600, 200, 180, 180, 0)) == told


@pytest.mark.parametrize(("faces", "left", "right", "asked"), [
    ((PSI_250, PSI_250), BLACK, BLACK, True), ((PSI_250, PSI_250), BLUE, RED, False), ((PSI_250, PSI_250), RED, BLUE, True),
    ((COMPOUND, PSI_AND_BAR), RED, BLUE, True)])
def test_colour_never_tells_the_sides_alone(faces, left, right, asked, reader):
    """Low side blue and left, high side red and right (common practice, no source): alike scales need both, and colours that speak
    against the scales are a question."""
    picture = manifold((faces[0], 0.45), (faces[1], 0.4)).pixels
    fields = read_dials(Photo(with_hoses(picture, left, right), 1800, 1350), readers=reader).fields
    assert [f.statement.place for f in fields] == ["low_side", "high_side"]
    assert all((f.standing is Standing.UNCONFIRMED) is asked for f in fields)


@pytest.mark.parametrize("word", ["°F", "km/h", "mbar", "Torr"])
def test_a_dial_without_a_known_pressure_unit_gives_nothing(word, reader):
    reading = read_dials(photo(drawn(PSI_250, PLAIN, 0.5, {"psi": word})), readers=reader)
    assert reading.fields == () and "unit" in reading.problem


def test_a_hidden_unit_is_a_question_only_where_a_person_said_it_is_a_pressure(reader):
    picture = photo(drawn(PSI_250, TURNED, 0.48))          # the tail lies over the word
    field, = read_dials(picture, "high_side", readers=reader).fields
    assert field.standing is Standing.UNCONFIRMED and "unit" in field.question
    assert read_dials(picture, readers=reader).fields == ()


@pytest.mark.parametrize(("words", "fit"), [((), ["psi", "kPa"]), (("kP",), ["kPa"]), (("°C",), []), (("rpm",), [])])
def test_without_a_unit_word_the_units_that_fit_are_asked(words, fit):
    """Up to 250: psi or kPa, but more than a gauge in bar, MPa or kg/cm2 has (common practice, no source)."""
    texts = [text(str(v), -135 + 270 * v / 250) for v in range(0, 251, 50)] + [text(w, 180, 0.3) for w in words]
    ring, = rings_of(texts, BLANK)
    assert units_of([ring], texts)[0] == [] and units_that_fit([ring], texts, "us") == fit


@pytest.mark.parametrize(("cut", "unit"), [("ps", "psi"), ("g/cm²", "kg/cm2"), ("m²", "kg/cm2"), ("ar", "bar"), ("kP", "kPa")])
def test_a_word_cut_off_is_no_unit_but_may_be_one(cut, unit):
    assert text(cut, 180).unit is None and text(cut, 180).may_be == (unit,)


def test_a_unit_cut_off_is_a_question(reader):
    field, = read_dials(photo(drawn(PSI_250, PLAIN, 0.4, {"psi": "ps"})), "high_side", readers=reader).fields
    assert field.standing is Standing.UNCONFIRMED and "is it psi?" in field.question


def test_a_pointer_on_the_zero_stop_is_no_reading(reader):
    reading = read_dials(photo(drawn(PSI_250, PLAIN, 0.0)), "high_side", readers=reader)
    assert reading.fields == () and "zero" in reading.problem


def test_the_compressed_end_is_a_question(reader):
    field, = read_dials(photo(drawn(RETARDED, PLAIN, 0.94)), "low_side", readers=reader).fields
    assert field.standing is Standing.UNCONFIRMED and "compressed" in field.question


def test_glare_over_the_pointer_is_refused(reader):
    import cv2

    pixels = np.asarray(drawn(PSI_AND_BAR, PLAIN, 0.75)).astype(np.float32)
    spot = np.zeros(pixels.shape[:2], np.float32)
    cv2.circle(spot, (560, 450), 130, 400.0, -1)
    pixels = np.clip(pixels + cv2.GaussianBlur(spot, (0, 0), 25)[..., None], 0, 255).astype(np.uint8)
    reading = read_dials(Photo(pixels, 900, 900), "high_side", readers=reader)
    assert reading.fields == () and "glare" in reading.problem


def test_a_blurred_gauge_says_so(reader):
    import cv2

    pixels = cv2.GaussianBlur(np.asarray(drawn(PSI_250, PLAIN, 0.5)), (0, 0), 12)
    reading = read_dials(Photo(pixels, 900, 900), "high_side", readers=reader)
    assert reading.fields == () and reading.problem.count("\n") == 0 and "blurred" in reading.problem


def test_an_empty_photo_is_no_gauge(reader):
    pixels = np.full((64, 64, 3), 128, np.uint8)
    reading = read_dials(Photo(pixels, 64, 64), readers=reader)
    assert reading.kind is Kind.DIAL and reading.fields == () and "No gauge" in reading.problem
    assert looks_like(Photo(pixels, 64, 64)) == 0


def test_looks_like_tells_a_gauge_from_a_label():
    from tests.bench.label_render import SPLITS, random_label

    label = photo(random_label(SPLITS["development"], 3)[0])
    assert looks_like(photo(drawn(PSI_250, PLAIN, 0.5))) > 0.8
    assert looks_like(label) < 0.3


@pytest.mark.parametrize("place", ["vent", "nowhere"])
def test_a_place_that_is_no_pressure_is_refused_in_one_line(place):
    with pytest.raises(HoodnoteError) as caught:
        read_dials(photo(Image.new("RGB", (80, 80))), place)
    assert "\n" not in str(caught.value)


def test_values_are_rounded_to_a_part_of_the_smallest_division(reader):
    picture = np.asarray(drawn(PSI_AND_BAR, PLAIN, 0.637))
    rim = find_dials(picture)[0]
    view = face_on(picture, rim)
    gauge = read_gauge(view, rim, find_pointer(view), reader[0], None, "us")
    step = gauge.figures[0].rounding
    assert step == 2                                       # divisions of 10 psi were drawn; a fifth of one
    field, = read_dials(photo(Image.fromarray(picture)), "high_side", readers=reader).fields
    assert field.statement.value % Decimal(2) == 0


def test_ellipse_points_lie_on_the_ellipse():
    rim = Ellipse(10, 20, 5, 3, 0.7)
    x, y = (rim.points(np.linspace(0, 6, 9)) - (10, 20)).T
    u, v = x * math.cos(0.7) + y * math.sin(0.7), y * math.cos(0.7) - x * math.sin(0.7)
    assert (u / 5) ** 2 + (v / 3) ** 2 == pytest.approx(np.ones(9))
