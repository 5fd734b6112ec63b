"""One rectified gauge face to one figure: rings and their units, the pointer, what the two say, and every doubt about it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hoodnote.capture.vision.dial_beneath import tells_of_another_quantity, units_among, words_beneath
from hoodnote.capture.vision.dial_fill import filled
from hoodnote.capture.vision.dial_find import Ellipse
from hoodnote.capture.vision.dial_fit import LEAST_FIGURES, Followed, Piece, Uneven
from hoodnote.capture.vision.dial_needle import Pointer, turned
from hoodnote.capture.vision.dial_rectify import FaceView
from hoodnote.capture.vision.dial_scale import Ring, piece_at, rings_of
from hoodnote.capture.vision.dial_sight import sighted, together
from hoodnote.capture.vision.dial_text import Text, number_in, read_texts
from hoodnote.capture.vision.dial_units import FULL_VACUUM, of_a_refrigerant, units_of, units_that_fit
from hoodnote.capture.vision.readers import NeuralReader, TesseractReader
from hoodnote.capture.vision.rectify import sharpness
from hoodnote.capture.vision.threads import at_once
from hoodnote.units import UNITS

RINGS_AGREE = 0.012          # of the span, on top of the limits of both
WAYS_AGREE = 2.5             # degrees
MOST_UNEVEN = 1.1            # degrees that the figures of an even scale miss their places by
MOST_LIMIT = 0.02            # of the span
AT_THE_STOP, BELOW_THE_STOP = 2.0, -12.0       # degrees from zero a pointer at rest may stand
SURE_RIM = 0.6               # share of it with an edge
STEPS = (1, 2, 5)
MANY_FIGURES = 7
SURE_OF_CURVE = 6            # figures
CURVE_AGREES = 1.3           # degrees between the whole curve and the figures beside the pointer
OUTER_SCALE = 0.6            # of the ticks' radius: an uneven scale further in is not the first one of a face


@dataclass(frozen=True, eq=False)
class Figure:
    """What one ring says. `value` as printed there: a depth below zero where `vacuum`; `limit` and `span` in `unit`."""

    ring: Ring
    piece: Piece
    unit: str
    value: float
    limit: float
    span: float
    vacuum: bool
    rounding: float

    @property
    def kpa(self) -> float:
        return (-self.value if self.vacuum else self.value) * UNITS[self.unit].factor

    def rounded(self, value: float | None = None) -> float:
        return round((self.value if value is None else value) / self.rounding) * self.rounding


@dataclass(frozen=True, eq=False)
class Gauge:
    """`figures`, the one to state first. `top` is the largest pressure on the scale in kPa. `doubts` are questions' beginnings.
    `units`: those that fit, the one in `figures` first, where none was read on the face, or by the network for signs alone."""

    view: FaceView
    rim: Ellipse
    pointer: Pointer
    figures: tuple[Figure, ...]
    compound: bool
    top: float
    used: tuple[Text, ...]
    doubts: tuple[str, ...]
    units: tuple[str, ...] = ()


@dataclass(frozen=True)
class Unread:
    """A gauge that could not be read, and what to do; `sure` that it is a gauge at all. `asked`: what it may be asked about as, where
    something else tells that it is a pressure gauge. `pressure`: a unit of it was read."""

    reason: str
    sure: bool
    asked: Gauge | None = None
    pressure: bool = False


def read_gauge(view: FaceView, rim: Ellipse, pointer: Pointer | str, reader: NeuralReader, second: TesseractReader | None, prefer: str,
               is_pressure: bool = False) -> Gauge | Unread:
    """`pointer`: as `find_pointer` gave it. `prefer`: "us" or "metric", which ring is stated where there are both. `is_pressure`: a person
    said that it is a pressure gauge, so that one whose unit is hidden may be asked about."""
    texts = together(*at_once(lambda: read_texts(view, reader), lambda: sighted(view)))
    rings = rings_of(texts, view)
    if not rings:
        numbers = sum(t.number is not None for t in texts)
        units = any(t.unit for t in texts)
        if sharpness(view.pixels) < 40:
            return Unread("the photo is blurred: hold still, focus on the gauge and take it again", numbers >= 2 or units)
        return Unread("fewer than three figures of the scale could be read: take it again closer, without glare or shadow on the scale",
                      numbers >= 2 and units)
    named, doubts = units_of(rings, texts)
    if named:
        return _gauge(view, rim, pointer, texts, named, doubts, reader, second, prefer)
    unnamed = Unread("no pressure unit was read on the face: take it again closer, straight from the front", False)
    fit = units_that_fit(rings, texts, prefer)
    bare = fit and not isinstance(pointer, str) and not any(t.unit or t.may_be for t in texts)
    if bare:
        beneath = words_beneath(view, pointer, reader)
        likely = [u for u in fit if u in units_among(beneath)]
        fit = likely or ([] if tells_of_another_quantity(beneath) and not of_a_refrigerant(rings, texts) else fit)
    if not fit:
        return unnamed
    guess = _gauge(view, rim, pointer, texts, [(rings[0], fit[0])], [], reader, None, prefer)
    if isinstance(guess, Gauge):
        guess = replace(guess, units=tuple(fit))
    if is_pressure or any(t.unit == "inHg" for t in texts):        # no other quantity goes on in inches of mercury
        return guess
    return replace(unnamed, asked=guess) if isinstance(guess, Gauge) else unnamed


def _gauge(view: FaceView, rim: Ellipse, pointer: Pointer | str, texts: Sequence[Text], named: Sequence[tuple[Ring, str]], doubts: Sequence[str],
           reader: NeuralReader, second: TesseractReader | None, prefer: str) -> Gauge | Unread:
    if isinstance(pointer, str):
        return Unread(pointer + (": take it again" if ":" not in pointer else ""), True, pressure=True)
    named = [(filled(ring, pointer, view, reader), unit) for ring, unit in named]
    compound = any(ring.vacuum is not None for ring, _ in named) or any(t.unit == "inHg" for t in texts)
    if not compound and any(BELOW_THE_STOP < turned(pointer.angle - ring.main.zero) < AT_THE_STOP for ring, _ in named):
        return Unread("the pointer rests at the zero stop: that is zero or less, no reading of a pressure", True, pressure=True)
    figures = [f for ring, unit in named if (f := _figure(ring, unit, pointer, view, texts)) is not None]
    if not figures:
        return Unread("the pointer stands beside the scale, or where none of its figures could be read: take it again", True, pressure=True)
    words = {t.unit for t in texts}
    figures.sort(key=lambda f: (f.unit not in words, f.unit not in (("psi", "inHg") if prefer == "us" else ("kPa", "bar", "MPa", "kg/cm2"))))
    orders = [[f, *(o for o in figures if o is not f)] for f in figures if f.unit in words or f is figures[0]]
    weighed = [(order, _doubts(order, pointer, texts, view, second)) for order in orders[:1]]
    if weighed[0][1]:          # where one scale leaves a doubt, another of the same pressure may leave none
        weighed += [(order, _doubts(order, pointer, texts, view, second)) for order in orders[1:]]
    figures, more = next((w for w in weighed if not w[1]), weighed[0])
    doubts = [*doubts, *more]
    if rim.cover < SURE_RIM:         # then its slant is not sure, nor are angles round it
        doubts.append("its rim shows in parts only")
    top = max(ring.main.value(ring.main.last) * UNITS[unit].factor for ring, unit in named)
    used = tuple(t for f in figures for t in f.piece.texts)
    first = figures[0].unit
    alone = len(figures) == 1 and first in words and all(t.by_signs for t in texts if t.unit == first)
    # the other scale bears the first one out, but bar and kg/cm2 are too alike to name one whose word was not read
    figures = [f for f in figures if f is figures[0] or f.unit in words]
    return Gauge(view, rim, pointer, tuple(figures), compound, top, used, tuple(doubts), (first,) if alone else ())


def _figure(ring: Ring, unit: str, pointer: Pointer, view: FaceView, texts: Sequence[Text]) -> Figure | None:
    at = piece_at(ring, pointer.angle)
    if at is None:
        return None
    piece, place = at
    vacuum = piece is ring.vacuum
    value = abs(piece.value(place)) if vacuum else piece.value(place)
    if value < -AT_THE_STOP * piece.slope:
        return None                       # below zero, where none of this scale's figures could be read
    value = max(value, 0.0)
    if vacuum and unit == "psi" and round(value) == 0:      # on zero no other unit begins yet
        piece, vacuum, value = ring.main, False, 0.0
    own = unit
    if vacuum and unit == "psi":          # below zero a psi scale goes on in inches of mercury
        own = "inHg"
    if piece is ring.compressed:
        division = ring.step
    elif own == "inHg":
        division = 5.0
    else:
        division = ring.step / 2 if vacuum or ring.division is None else ring.division
    error = 0.35 + pointer.difference / 2 + 0.12 * pointer.half_width + 0.3 * min(piece.rms, 1.5) + math.degrees(view.spread / view.ticks) + 0.01 * view.tilt
    slope = abs(piece.slope)
    span = (ring.main.last - ring.main.zero) * ring.main.slope
    if own != unit:
        span = span * UNITS[unit].factor / UNITS[own].factor
    limit = error * slope
    if piece is ring.compressed:          # how it is spaced between its two figures is not known
        limit = max(limit, (piece.last - piece.first) * slope / 8)
    if isinstance(ring.main, Uneven):     # its divisions differ from figure to figure
        division = 2.5 * limit
    return Figure(ring, piece, own, value, limit, span, vacuum, _round_step(division / 5))


def _round_step(most: float) -> float:
    power = 10.0 ** math.floor(math.log10(most) + 1e-9)
    return max(s * power for s in STEPS if s * power <= most * 1.0001)


def _doubts(figures: Sequence[Figure], pointer: Pointer, texts: Sequence[Text], view: FaceView, second: TesseractReader | None) -> list[str]:
    first = figures[0]
    ring, piece = first.ring, first.piece
    out = []
    if pointer.difference > WAYS_AGREE:
        low, high = (first.rounded(abs(piece.value(_near(a, piece, pointer, ring)))) for a in (pointer.by_edges, pointer.by_profile))
        out.append(f"the pointer shows {low:g} or {high:g} {first.unit}, as its edges or its whole are followed")
    if piece is ring.compressed:
        out.append("it stands on the compressed end of the scale, which has too few figures")
    elif first.limit > MOST_LIMIT * first.span:
        out.append("it could not be read closely enough")
    if not first.vacuum and not ring.ticked:
        out.append("the divisions did not bear the figures out")
    if not first.vacuum and len(ring.main.texts) < 4:
        out.append("only three figures of the scale could be read")
    elif sum(not t.by_signs for t in ring.main.texts) < LEAST_FIGURES:
        out.append("most figures of the scale could be read in one way only")
    if piece.rms > MOST_UNEVEN and not isinstance(ring.main, Uneven):
        out.append("the figures of its scale lie unevenly, as on a gauge seen from the side")
    if isinstance(ring.main, Uneven):
        out += _uneven_doubts(first, len(figures) > 1, view)
    if first.vacuum and len(piece.texts) < 2:
        out.append("only one figure below zero could be read")
    deepest = max((t.number or 0.0 for t in piece.texts), default=0.0)
    if first.vacuum and (deepest > FULL_VACUUM[first.unit] or first.unit == "inHg" and not any(t.unit == "inHg" for t in texts)):
        out.append(f"it stands below zero, and {first.unit} is not printed there or does not fit the figures")
    if not any(_inside(f, pointer) for f in figures):
        out.append("the figure on one side of the pointer could not be read")
    if len(ring.stray) >= 2 or ring.stray and len(ring.main.texts) < 6:
        out.append(f'"{ring.stray[0].text}" on the scale does not fit the other figures')
    for other in figures[1:]:
        if abs(other.kpa - first.kpa) > RINGS_AGREE * first.span * UNITS[first.unit].factor + (first.limit * UNITS[first.unit].factor
                                                                                           + other.limit * UNITS[other.unit].factor):
            out.append(f"its two scales read {first.rounded():g} {first.unit} and {other.rounded():g} {other.unit}, which is not one pressure")
    # two scales that bear one another out need no second text reader, nor does a long row of even figures
    few = len(piece.texts) < MANY_FIGURES or isinstance(ring.main, Uneven)
    if second is not None and len(figures) == 1 and few and not out:
        out += _second_reader(first, pointer, view, second)
    return out


def _uneven_doubts(figure: Figure, borne_out: bool, view: FaceView) -> list[str]:
    """`borne_out`: another scale shows the same pressure."""
    out = []
    if len(figure.piece.texts) < SURE_OF_CURVE:
        out.append(f"only {len(figure.piece.texts)} figures of an uneven scale could be read")
    if isinstance(figure.ring.main, Followed):
        out.append("its uneven scale was followed from figure to figure alone")
    elif figure.piece.rms > CURVE_AGREES:
        out.append("the figures beside the pointer do not go with the rest of an uneven scale")
    beside = (a for t in figure.piece.texts if t.sought for a in [figure.ring.main.angle(t.number)])
    if any(figure.piece.first - 0.1 <= a <= figure.piece.last + 0.1 for a in beside):
        out.append("the figure on one side of the pointer could not be read closely")
    if not borne_out and figure.ring.radius < OUTER_SCALE * view.ticks:
        out.append("it is an inner, uneven scale")
    return out


def _inside(figure: Figure, pointer: Pointer) -> bool:
    place = figure.ring.place(pointer.angle)
    return any(figure.piece.first - 1.5 <= p <= figure.piece.last + 1.5 for p in (place, place - 360))


def _near(angle: float, piece: Piece, pointer: Pointer, ring: Ring) -> float:
    at = piece_at(ring, pointer.angle)
    return at[1] + turned(angle - pointer.angle)


def _second_reader(figure: Figure, pointer: Pointer, view: FaceView, second: TesseractReader) -> list[str]:
    """The other text reader on the figures nearest the pointer: it may see nothing, but not something else."""
    near = sorted(figure.piece.texts, key=lambda t: abs(turned(t.angle - pointer.angle)))[:4]
    same, other = 0, []
    for line in second.read(view.pixels, [t.quad for t in near]):
        text = next(t for t in near if t.quad is line.quad)
        number = number_in(line.text)
        if number is not None and number == text.number:
            same += 1
        elif number is not None and line.confidence > 0.8 and not (_only_a_tick_more(line.text, text.text) and figure.ring.ticked
                                                                   and len(figure.piece.texts) >= 6):
            other.append(f"a figure of the scale reads {text.text} or {line.text}")
    if other and same < 2:
        return other[:1]
    if same == 0:
        return ["only one of two text readers could read the figures"]
    return []


def _only_a_tick_more(longer: str, shorter: str) -> bool:
    """A tick beside a figure that bears itself out with many others, taken for one more digit."""
    return len(longer) == len(shorter) + 1 and longer.startswith(shorter)
