"""Gauges in a photo: a single one, or a manifold's low and high side, as readings with their limits of error and their questions."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import partial
from typing import TypeVar

import numpy as np

from hoodnote.capture.vision.dial_find import Ellipse, find_dials
from hoodnote.capture.vision.dial_gauge import Figure, Gauge, Unread, read_gauge
from hoodnote.capture.vision.dial_needle import Pointer, find_pointer
from hoodnote.capture.vision.dial_rectify import MIDDLE, FaceView, face_on
from hoodnote.capture.vision.dial_sides import low_and_high
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader, TesseractReader, tesseract_is_installed
from hoodnote.capture.vision.reading import Kind, Mark, PhotoField, PhotoReading
from hoodnote.capture.vision.rectify import sharpness
from hoodnote.capture.vision.signs import SIGNS_READER
from hoodnote.capture.vision.threads import at_once
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Measured
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import UNITS

A = TypeVar("A")
BY_EDGES, BY_PROFILE, OTHER_SCALE, OTHER_UNIT = "pointer by its edges", "pointer by its profile", "the other scale", "another unit"
MOST_GAUGES = 3              # round things looked at; a manifold has two gauges
LEAST_TICKS = 15             # on the strongest ring of a gauge
LEAST_SHARE = 0.45           # of the largest rim: smaller round things are knobs and caps


def looks_like(photo: Photo) -> float:
    """How much the photo looks like one of gauges, 0 to 1, without reading any text."""
    return max(_two_at_once(lambda rim: _looks_like_one(photo, rim), _rims(photo)[:2]), default=0.0)


def _looks_like_one(photo: Photo, rim: Ellipse) -> float:
    view = _view(photo, rim)
    if view is None:
        return 0.0
    if _tick_count(view) < LEAST_TICKS:
        return 0.2
    return 0.5 if isinstance(_pointer(photo, rim, view), str) else 0.9


def _two_at_once(look: Callable[[Ellipse], A], rims: Sequence[Ellipse]) -> list[A]:
    return list(at_once(*(partial(look, r) for r in rims))) if len(rims) == 2 else [look(r) for r in rims]


def _rims(photo: Photo) -> list[Ellipse]:
    return photo.once("round things", lambda: find_dials(photo.pixels))


def _view(photo: Photo, rim: Ellipse) -> FaceView | None:
    return photo.once(f"face within {rim}", lambda: face_on(photo.pixels, rim))


def _pointer(photo: Photo, rim: Ellipse, view: FaceView) -> Pointer | str:
    return photo.once(f"pointer within {rim}", lambda: find_pointer(view))


def read_dials(photo: Photo, place: str | None = None, units: str = "us", readers: Sequence[NeuralReader | TesseractReader] | None = None) -> PhotoReading:
    """Reads up to two pressure gauges. `place` is what a single gauge measures, when a person said so; `units` ("us" or "metric")
    picks the scale where a face has both.

    Raises HoodnoteError for a place that is no pressure or unknown units.
    """
    if units not in ("us", "metric"):
        raise HoodnoteError(f"unit preference {units!r} is not known; use metric or us")
    if place is not None and (place not in PLACES or PLACES[place].group != "pressure"):
        raise HoodnoteError(f"a gauge does not measure {place!r}; name a pressure, such as low_side or high_side")
    reader = next((r for r in readers or () if isinstance(r, NeuralReader)), None) or NeuralReader()
    second = next((r for r in readers or () if isinstance(r, TesseractReader)), None)
    if second is None and readers is None and tesseract_is_installed():
        second = TesseractReader()
    used = (reader.name, SIGNS_READER, *((second.name,) if second else ()), BY_EDGES, BY_PROFILE)
    rims = _rims(photo)
    rims = _apart([r for r in rims if r.radius >= LEAST_SHARE * max(x.radius for x in rims)])[:MOST_GAUGES]

    def read(rim: Ellipse) -> Gauge | Unread | None:
        view = _view(photo, rim)
        return None if view is None else read_gauge(view, rim, _pointer(photo, rim, view), reader, second, units, place is not None)

    found = [x for x in _two_at_once(read, rims[:2]) if x is not None]
    if sum(isinstance(x, Gauge) for x in found) < 2:
        found += [x for x in map(read, rims[2:]) if x is not None]
    asked = [x.asked for x in found if isinstance(x, Unread) and x.asked is not None]
    # beside a pressure gauge, or where one of two goes on below zero, those whose unit is hidden may be asked about
    if any(isinstance(x, Gauge) or x.pressure for x in found) or len(asked) > 1 and any(x.compound for x in asked):
        found = [x.asked if isinstance(x, Unread) and x.asked is not None else x for x in found]
    gauges, failed = [x for x in found if isinstance(x, Gauge)][:2], [x for x in found if isinstance(x, Unread)]
    unread = [x for x in failed if x.sure]
    if not gauges:
        return PhotoReading(Kind.DIAL, (), (), used, _what_to_do(photo, failed), surely=bool(unread))
    fields = _fields(photo, gauges, place, bool(unread))
    warnings = [_sentence(f"A second gauge was not read: {x.reason}") for x in unread[:1]]
    return PhotoReading(Kind.DIAL, tuple(fields), tuple(warnings), used)


def _apart(rims: Sequence[Ellipse]) -> list[Ellipse]:
    """Without those that overlap a likelier one: two gauges stand side by side."""
    out: list[Ellipse] = []
    for rim in rims:
        if all(math.hypot(rim.x - o.x, rim.y - o.y) > 0.8 * (rim.radius + o.radius) for o in out):
            out.append(rim)
    return out


def _what_to_do(photo: Photo, failed: Sequence[Unread]) -> str:
    told = next((x for x in failed if x.sure), None) or next(iter(failed), None)
    if told is not None:
        return _sentence(f"The gauge was not read: {told.reason}")
    if sharpness(photo.pixels) < 15:
        return "No gauge was found and the photo is blurred: hold still, focus on the gauge and take it again."
    return "No gauge was found: fill the picture with the face of the gauge, from the front, and take it again."


def _sentence(text: str) -> str:
    return text if text.endswith(".") else text + "."


def _tick_count(view: FaceView) -> int:
    """Short radial marks on the strongest ring."""
    import cv2

    polar = cv2.cvtColor(view.polar(view.ticks * 1.1), cv2.COLOR_RGB2GRAY).astype(np.float32)
    ring = cv2.blur(polar, (7, 3))[:, int(view.ticks) - 4:int(view.ticks) + 5].mean(axis=1)
    local = cv2.GaussianBlur(np.concatenate([ring[-40:], ring, ring[:40]])[:, None], (0, 0), sigmaX=1, sigmaY=12)[40:-40, 0]
    off = np.abs(ring - local) / (local + 20) > 0.08
    return int((off & ~np.roll(off, 1)).sum())


def _fields(photo: Photo, gauges: Sequence[Gauge], place: str | None, one_is_missing: bool) -> list[PhotoField]:
    if len(gauges) == 1:
        gauge = gauges[0]
        likely = "low_side" if gauge.compound else "high_side"
        doubts = []
        if one_is_missing or place is None:
            doubts = ["whether it is the low or the high side" if not gauge.compound else "whether it is the low side"]
        chosen = place if place is not None and not one_is_missing else likely
        return [_field(photo, gauge, chosen, (), doubts)]
    low, high, doubts = low_and_high(photo.pixels, gauges)
    return [_field(photo, low, "low_side", doubts, ()), _field(photo, high, "high_side", doubts, ())]


def _field(photo: Photo, gauge: Gauge, place: str, doubts: Sequence[str], place_doubts: Sequence[str]) -> PhotoField:
    first = gauge.figures[0]
    if first.vacuum and UNITS[first.unit].quantity not in PLACES[place].quantities:
        place, doubts = "low_side", [*doubts, "it stands below zero, which is no high side"]
    statement = _statement(place, first)
    every = [*gauge.doubts, *doubts]
    versions = [Version(BY_EDGES, _text(first, gauge.pointer.by_edges, gauge), statement, 0.9),
                Version(BY_PROFILE, _text(first, gauge.pointer.by_profile, gauge), statement, 0.9)]
    for other in gauge.figures[1:]:
        if not (other.vacuum and UNITS[other.unit].quantity not in PLACES[place].quantities):
            versions.append(Version(OTHER_SCALE, f"{other.rounded():g} {other.unit}", _statement(place, other), 0.8))
    if not first.vacuum:       # the same figure in every unit that fits, where none was read
        versions += [Version(OTHER_UNIT, f"{statement.value} {u}", replace(statement, unit=u), 0.5) for u in gauge.units[1:]]
    question = None
    if gauge.units:
        also = "".join(f", and {d.rstrip('?')}" for d in every[:1])
        side = f", and say {place_doubts[0]}" if place_doubts else ""
        question = f"The gauge reads {statement.value}, but its unit could not be read{also}: is it {_one_of(_names(gauge))}{side}?"
    elif every or place_doubts:
        told = f"The gauge reads {statement.value} {statement.unit}"
        because = f", but {every[0].rstrip('?')}" if every else ""
        asked = f": say {place_doubts[0]}." if place_doubts and not every else ": what does it read?"
        question = told + because + (f", and say {place_doubts[0]}" if place_doubts and every else "") + asked
    outline = [tuple(float(v) for v in p) for p in gauge.rim.points(np.linspace(0, 2 * np.pi, 48, endpoint=False))]
    corners = _rim_corners(gauge.rim, photo)
    confidence = max(0.5, 0.98 - 10 * first.limit / first.span) if question is None else 0.5
    return PhotoField(statement, Standing.AGREED if question is None else Standing.UNCONFIRMED, round(confidence, 3), tuple(versions),
                      (corners[0][0], corners[0][1], corners[2][0], corners[2][1]), corners, None, question,
                      _limit(first), (Mark(tuple(outline), True, "outline"), _pointer_mark(gauge), *_used_marks(gauge)))


def _names(gauge: Gauge) -> list[str]:
    """The units that fit, as they would be read where the pointer stands."""
    return [gauge.figures[0].unit] if gauge.figures[0].vacuum else list(gauge.units)


def _one_of(names: Sequence[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]


def _statement(place: str, figure: Figure) -> Measured:
    quantum = Decimal(f"{figure.rounding:g}")
    value = (Decimal(str(figure.value)) / quantum).to_integral_value() * quantum
    if figure.vacuum and figure.unit != "inHg":
        value = -value
    return Measured(place, value, figure.unit)


def _text(figure: Figure, angle: float, gauge: Gauge) -> str:
    off = (angle - gauge.pointer.angle + 180) % 360 - 180
    value = figure.value + off * figure.piece.slope * (-1 if figure.vacuum else 1)
    return f"{figure.rounded(value):g} {figure.unit}"


def _limit(figure: Figure) -> float:
    """Two figures of it, rounded up, and no less than half of what the value was rounded to."""
    limit = max(figure.limit, figure.rounding / 2)
    power = 10.0 ** (math.floor(math.log10(limit)) - 1)
    return round(math.ceil(limit / power - 1e-9) * power, 6)


def _rim_corners(rim: Ellipse, photo: Photo) -> tuple[tuple[int, int], ...]:
    points = rim.points(np.linspace(0, 2 * np.pi, 72))
    left, top = (max(0, int(v)) for v in points.min(axis=0))
    right, bottom = min(photo.width, int(points[:, 0].max()) + 1), min(photo.height, int(points[:, 1].max()) + 1)
    return (left, top), (right, top), (right, bottom), (left, bottom)


def _pointer_mark(gauge: Gauge) -> Mark:
    a = math.radians(gauge.pointer.by_edges)
    along, across = np.array([math.sin(a), -math.cos(a)]), np.array([math.cos(a), math.sin(a)])
    start = np.array([MIDDLE, MIDDLE]) + across * gauge.pointer.offset
    ends = gauge.view.to_photo(np.array([start, start + along * gauge.pointer.tip]))
    return Mark(tuple((float(x), float(y)) for x, y in ends), False, "needle")


def _used_marks(gauge: Gauge) -> list[Mark]:
    return [Mark(tuple((float(x), float(y)) for x, y in gauge.view.to_photo(t.quad)), True, "used") for t in gauge.used]
