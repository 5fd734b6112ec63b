"""From figures round a face to what an angle means: rings of evenly spaced figures, checked against the ticks.

A ring counts only when at least three figures lie evenly on it; on such a ring the ticks must be even too. Vacuum below zero and
a compressed end are pieces of their own. Where no ring is even, figures that follow one smooth curve make an uneven one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.dial_fit import EVEN_WITHIN, LEAST_FIGURES, Bend, Followed, Piece, Placed, Uneven, bends, even_line
from hoodnote.capture.vision.dial_needle import turned
from hoodnote.capture.vision.dial_rectify import BINS, RIM, STROKES_WITHIN, FaceView
from hoodnote.capture.vision.dial_text import Text, number_in

SAME_RING = 0.085            # of the rim's radius
CLOSER_RING = 0.06
LIKELY_GAP = 0.4             # of the widest gap between figures: it may be the one before the scale
MOST_MISSING, MOST_MISSING_OF_MANY, MANY_ON_THE_LINE = 2.2, 3.4, 5     # places for figures to each one that was read
LEAST_UNEVEN, LEAST_OF_CURVE = 5, 0.6       # figures that make a scale which closes up, and their share of those on its ring
DIVISIONS = (20, 10, 5, 4, 6, 3, 2)
LEAST_FOLLOWED, MOST_FOLLOWED = 6, 0.8      # figures of a scale followed from one to the next, and their share of its ring's
LEAST_ON, LEAP = 4.0, 5.0    # degrees from one to the next, and by how much closer or wider the next stretch may be
STEP_DEGREES = 360 / BINS


@dataclass(frozen=True, eq=False)
class Ring:
    """`main` from zero or the least figure upwards; `vacuum` falls from zero backwards. `division` is the smallest one that the
    ticks bear out, `ticked` whether they do at all; `stray` are sure figures on the ring that do not fit."""

    main: Piece
    vacuum: Piece | None
    radius: float
    step: float
    start: float                 # the angle the gap before the scale ends at, for counting on
    division: float | None
    ticked: bool
    stray: tuple[Text, ...]
    compressed: Piece | None     # from the last even figure to one past it, where the scale goes on more closely
    figures: tuple[Text, ...] = ()       # all of its radius, whether they fit or not

    def place(self, angle: float) -> float:
        """The angle counted on from the scale's start."""
        return self.start + (angle - self.start) % 360


def rings_of(texts: Sequence[Text], view: FaceView) -> list[Ring]:
    """The outermost first."""
    figures = [t for t in texts if t.number is not None and t.radius > 0.22 * RIM]
    clusters = sorted(_by_radius(figures), key=lambda c: -float(np.median([t.radius for t in c])))
    rings, even_further_out = [], False
    for cluster in clusters:
        ring = _ring(cluster, view)
        whole = followed(ring) if ring is not None and not even_further_out else None
        if whole is not None and len(whole.main.texts) >= len(ring.main.texts) + LEAST_FIGURES:      # only a stretch of it is even
            rings.append(_uneven_ring(cluster, view, len(whole.main.texts) - 1) or whole)
            continue
        even_further_out |= ring is not None and len(ring.main.texts) > LEAST_FIGURES and len(ring.stray) < 2
        if not even_further_out:          # within an even scale the rings that close up are of temperatures
            ring = _uneven_ring(cluster, view, LEAST_UNEVEN if ring is None else max(LEAST_UNEVEN, len(ring.main.texts) + 2)) or ring
        rings.append(ring)
    return sorted((r for r in rings if r is not None), key=lambda r: r.radius, reverse=True)


def _by_radius(figures: Sequence[Text]) -> list[list[Text]]:
    left, out = list(figures), []
    while len(left) >= LEAST_FIGURES:
        best: list[Text] = []
        for t in left:
            near = [o for o in left if abs(o.radius - t.radius) < SAME_RING * RIM]
            if len(near) > len(best):
                best = near
        if len(best) < LEAST_FIGURES:
            break
        middle = float(np.median([t.radius for t in best]))        # one that stands between two rings does not join them
        closer = [t for t in best if abs(t.radius - middle) < CLOSER_RING * RIM]
        best = closer if len(closer) >= LEAST_FIGURES else best
        out.append(best)
        left = [t for t in left if not any(t is b for b in best)]
    return out


def _rows(cluster: Sequence[Text]) -> list[tuple[float, list[Placed]]]:
    """Where the scale may start, after a wide gap, with the figures counted on from there; the widest gap first."""
    angles = sorted(t.angle for t in cluster)
    gaps = [(angles[(i + 1) % len(angles)] - a) % 360 or 360.0 for i, a in enumerate(angles)]
    wide = sorted((i for i, gap in enumerate(gaps) if gap >= LIKELY_GAP * max(gaps)), key=lambda i: -gaps[i])
    begins = [angles[(i + 1) % len(angles)] - min(20.0, gaps[i] / 2) for i in wide]
    return [(start, [(start + (t.angle - start) % 360, float(t.number), t) for t in cluster]) for start in begins]


def _uneven_ring(cluster: Sequence[Text], view: FaceView, least: int) -> Ring | None:
    """The smooth curve that most figures lie on, when it is at least so many and nearly all of them."""
    best: tuple[tuple[int, float], tuple] | None = None
    for start, row in _rows(cluster):
        values = sorted(v for _, v, _ in row)
        top = next((v for v, below in zip(values[::-1], values[-2::-1], strict=False) if v <= 3 * below), values[-1])    # not two figures run together
        for bend in bends(top or 1.0):
            found = even_line([(a, float(bend(v)), t) for a, v, t in row])
            if found is None:
                continue
            zero, per_unit, members = found
            key = len({v for _, v, _ in members}), -float(np.mean([(a - zero - per_unit * v) ** 2 for a, v, _ in members]))
            if best is None or key > best[0]:
                best = key, (start, row, bend, zero, per_unit, members)
    if best is None or best[0][0] < max(least, LEAST_OF_CURVE * len(cluster)):
        return None
    start, row, bend, zero, per_unit, members = best[1]
    knots = sorted((a, v) for a, v, _ in members)
    if any(high[1] <= low[1] for low, high in itertools.pairwise(knots)):
        return None
    radius = float(np.median([t.radius for _, _, t in members]))
    shifted, stretched, ticked, _ = _on_ticks(view, zero, per_unit, np.array([v for _, v in knots]), radius)
    zero, per_unit = (shifted, stretched) if ticked else (zero, per_unit)
    values = [bend.back(v) for _, v in knots]
    first, last = zero + per_unit * knots[0][1], zero + per_unit * knots[-1][1]
    main = Uneven(zero, values[-1] / (last - zero), first, last, tuple(t for _, _, t in members), math.sqrt(-best[0][1]), bend, per_unit, tuple(knots))
    used = {id(t) for t in main.texts}
    stray = tuple(t for a, _, t in row if id(t) not in used and t.confidence > 0.8 and not _run_together(t, main.value(a)))
    return Ring(main, None, radius, min(b - a for a, b in itertools.pairwise(values)), start, None, ticked, stray, None, tuple(cluster))


def _run_together(text: Text, value: float) -> bool:
    """Whether the text is two neighbouring figures found as one, either side of the value where it stands."""
    halves = [(number_in(text.text[:i]), number_in(text.text[i:])) for i in range(1, len(text.text))]
    return any(low is not None and high is not None and low < value < high for low, high in halves)


def _ring(cluster: Sequence[Text], view: FaceView) -> Ring | None:
    best = None
    for start, placed in _rows(cluster):         # where several gaps are as wide, the start with most even figures is right
        found = _stepped(placed)
        # where the line is the same one too, the start with most figures that have a place on the scale
        key = (len(found[2]), -round(_misses(*found[:3]), 2), -_without_place(placed, *found[:3])) if found is not None else None
        if found is not None and (best is None or key > best[0]):
            best = key, start, placed, found
    if best is None:
        return None
    _, start, placed, (zero, per_unit, members, step) = best
    values = sorted({v for _, v, _ in members})
    printed = values[0] + step * np.arange(round((values[-1] - values[0]) / step) + 1)
    zero, per_unit, ticked, z = _on_ticks(view, zero, per_unit, printed, float(np.median([t.radius for _, _, t in members])))
    division = _division(z, zero, per_unit, printed, step) if ticked else None
    main = Piece(zero, 1 / per_unit, zero + per_unit * values[0], zero + per_unit * values[-1], tuple(t for _, _, t in members),
                 _misses(zero, per_unit, members))
    used = {id(t) for _, _, t in members}
    vacuum = _vacuum([p for p in placed if id(p[2]) not in used], main, values)
    used |= {id(t) for t in (vacuum.texts if vacuum else ())}
    rest = [(a, v, t) for a, v, t in placed if id(t) not in used]
    stray = tuple(t for a, _, t in rest if t.confidence > 0.8 and a < main.last - 2)
    beyond = _beyond(rest, main, values[-1])
    return Ring(main, vacuum, float(np.median([t.radius for _, _, t in members])), step, start, division, ticked, stray,
                _compressed(main, _last_of(z, zero, per_unit, values[-1], step, division), beyond), tuple(cluster))


def _without_place(placed: Sequence[Placed], zero: float, per_unit: float, members: Sequence[Placed]) -> int:
    """How many figures are neither on the line, nor below its zero, nor the one that ends a scale which closes up."""
    values = sorted({v for _, v, _ in members})
    main = Piece(zero, 1 / per_unit, zero + per_unit * values[0], zero + per_unit * values[-1], (), 0.0)
    used = {id(m[2]) for m in members}
    rest = [p for p in placed if id(p[2]) not in used]
    vacuum = _vacuum(rest, main, values)
    used |= {id(t) for t in (vacuum.texts if vacuum else ())}
    rest = [p for p in rest if id(p[2]) not in used]
    return len(rest) - (_beyond(rest, main, values[-1]) is not None)


def _beyond(rest: Sequence[Placed], main: Piece, last: float) -> Placed | None:
    """The first figure past the end of the even ones."""
    return min(((a, v, t) for a, v, t in rest if a > main.last + 3 and v > last), default=None, key=lambda p: p[0])


def _stepped(placed: Sequence[Placed]) -> tuple[float, float, list[Placed], float] | None:
    """The line that most figures lie on, and the step they go up by; one that lies there but fits no step is a misread one."""
    found = even_line(placed)
    if found is None:
        return None
    zero, per_unit, members = found
    step = _step_of(members)
    if step is None and len(members) > LEAST_FIGURES + 1:
        less = [[m for m in members if m is not out] for out in members]
        fewer = next((m for m in less if _step_of(m) is not None), None)
        again = even_line(fewer) if fewer is not None else None
        if again is None:
            return None
        zero, per_unit, members = again
        step = _step_of(members)
    return (zero, per_unit, members, step) if step is not None else None


def _step_of(members: Sequence[Placed]) -> float | None:
    """None too where most of the figures between the first and the last are missing."""
    values = sorted({v for _, v, _ in members})
    step = _step(values)
    most = MOST_MISSING if len(values) < MANY_ON_THE_LINE else MOST_MISSING_OF_MANY
    return step if step is not None and (values[-1] - values[0]) / step + 1 <= most * len(values) else None


def _misses(zero: float, per_unit: float, members: Sequence[Placed]) -> float:
    return float(np.sqrt(np.mean([(a - zero - per_unit * v) ** 2 for a, v, _ in members])))


def with_more(ring: Ring, found: Sequence[Text], view: FaceView) -> Ring:
    """An even ring with figures that were found where its scale says that they stand."""
    main = ring.main
    texts = (*main.texts, *found)
    values = [float(t.number) for t in texts]
    printed = np.arange(round(min(values) / ring.step), round(max(values) / ring.step) + 1) * ring.step
    zero, per_unit, ticked, _ = _on_ticks(view, main.zero, 1 / main.slope, printed, ring.radius)
    main = replace(main, zero=zero, slope=1 / per_unit, first=zero + per_unit * min(values), last=zero + per_unit * max(values), texts=texts)
    stray = tuple(t for t in ring.stray if t.number is None or abs(main.angle(t.number) - ring.place(t.angle)) > EVEN_WITHIN)
    return replace(ring, main=main, ticked=ring.ticked or ticked, stray=stray)


def with_more_uneven(ring: Ring, found: Sequence[Text]) -> Ring:
    """A ring that closes up with figures beyond those it had, where its curve has them."""
    main = ring.main
    knots = sorted([*main.knots, *((main.angle(t.number), float(main.bend(t.number))) for t in found)])
    return replace(ring, main=replace(main, first=min(main.first, knots[0][0]), last=max(main.last, knots[-1][0]), texts=(*main.texts, *found), knots=tuple(knots)),
                   start=min(ring.start, knots[0][0] - 5))


def _step(values: Sequence[float]) -> float | None:
    """What the figures go up by: their greatest common divisor, when it is a round one."""
    thousandths = [round(v * 1000) for v in values]
    step = math.gcd(*[b - a for a, b in itertools.pairwise(thousandths)])
    if step == 0 or any(t % step for t in thousandths):
        return None
    lead = step / 10 ** math.floor(math.log10(step))
    return step / 1000 if any(abs(lead - k) < 1e-9 for k in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5, 8)) else None


def _vacuum(rest: Sequence[Placed], main: Piece, values: Sequence[float]) -> Piece | None:
    """Figures that rise (in size) backwards from zero: a compound gauge's part below zero."""
    if values[0] > main.slope * 60:      # the figures next to zero are missing, so where zero lies is not sure enough
        return None
    below = [(a, abs(v), t) for a, v, t in rest if a < main.zero - 3 and v != 0]
    best: list = []
    for a, v, _ in below:
        per_unit = (main.zero - a) / v
        members = [p for p in below if abs(main.zero - per_unit * p[1] - p[0]) < EVEN_WITHIN]
        if len({m[1] for m in members}) > len({m[1] for m in best}):
            best = members
    # a lone figure is below zero only when it is one that a full vacuum is printed as: inHg, bar or kg/cm2, kPa, MPa
    if not best or len({v for _, v, _ in best}) < 2 and best[0][1] not in (30, 1, 100, 0.1):
        return None
    return _fallen(main, best)


def _fallen(main: Piece, placed: Sequence[Placed]) -> Piece:
    per_unit = float(np.sum([(main.zero - a) * v for a, v, _ in placed]) / np.sum([v * v for _, v, _ in placed]))
    rms = float(np.sqrt(np.mean([(main.zero - per_unit * v - a) ** 2 for a, v, _ in placed])))
    return Piece(main.zero, 1 / per_unit, min(a for a, _, _ in placed), main.zero, tuple(t for _, _, t in placed), rms)


def with_vacuum(ring: Ring, found: Sequence[Text]) -> Ring:
    """The ring with these figures below zero."""
    placed = [(ring.main.zero + turned(t.angle - ring.main.zero), float(t.number), t) for t in found]
    vacuum = _fallen(ring.main, placed)
    return replace(ring, vacuum=vacuum, start=min(ring.start, vacuum.first - 20), stray=tuple(t for t in ring.stray if not any(t is f for f in found)))


def followed(ring: Ring) -> Ring | None:
    """The ring as one whose figures are followed from one to the next, where nearly all of them rise along it and none leaps."""
    best: list[Placed] = []
    begin = ring.start
    for start, row in _rows(ring.figures):
        rising = _rising(sorted(row, key=lambda p: p[0]))
        if len(rising) > len(best):
            best, begin = rising, start
    if len(best) < LEAST_FOLLOWED or len(best) < MOST_FOLLOWED * len(ring.figures):
        return None
    slopes = [(high[1] - low[1]) / (high[0] - low[0]) for low, high in itertools.pairwise(best)]
    if any(not 1 / LEAP < two / one < LEAP for one, two in itertools.pairwise(slopes)):
        return None
    first, last = best[0][0], best[-1][0]
    slope = (best[-1][1] - best[0][1]) / (last - first)
    main = Followed(first - best[0][1] / slope, slope, first, last, tuple(t for _, _, t in best), 1.0, Bend(1.0), 1 / slope, tuple((a, v) for a, v, _ in best))
    rest = tuple(t for t in ring.figures if not any(t is m for m in main.texts) and t.confidence > 0.8)
    return replace(ring, main=main, vacuum=None, start=begin, division=None, stray=rest, compressed=None)


def _rising(row: Sequence[Placed]) -> list[Placed]:
    """The most of them, in order, each larger and farther on than the one before."""
    rows: list[list[Placed]] = []
    for p in row:
        rows.append(max((r for r in rows if r[-1][1] < p[1] and r[-1][0] < p[0] - LEAST_ON), key=len, default=[]) + [p])
    return max(rows, key=len, default=[])


def _last_of(z: np.ndarray, zero: float, per_unit: float, last: float, step: float, division: float | None) -> float:
    """The value at which the even part ends: past its last figure the divisions may go on as before for less than a step."""
    if division is None:
        return last

    def marks(values: np.ndarray) -> np.ndarray:
        return z[np.rint((zero + per_unit * values) / STEP_DEGREES).astype(int) % BINS]

    before = marks(last - division * np.arange(1, 6))
    band = int(before.mean(axis=0).argmax())
    usual = np.median(before[:, band])
    end = last
    while end + division < last + step - 1e-6 and marks(np.array([end + division]))[0, band] > 0.5 * usual > 0:
        end += division
    return end


def _compressed(main: Piece, last: float, beyond: Placed | None) -> Piece | None:
    """`last`: the value from which the scale goes on more closely."""
    if beyond is None:
        return None
    angle, value, text = beyond
    first = main.angle(last)
    if angle - first < 3 or value <= last:
        return None
    slope = (value - last) / (angle - first)
    return Piece(first - last / slope, slope, first, angle, (text,), 1.0)


def _on_ticks(view: FaceView, zero: float, per_unit: float, printed: np.ndarray, radius: float) -> tuple[float, float, bool, np.ndarray]:
    """Zero and degrees a unit moved onto the ticks at the printed values, whether there are such ticks, and how far each angle (rows)
    at each radius (columns) looks like a tick, in standard deviations."""
    strokes = view.strokes
    r = np.arange(strokes.shape[1])
    bands = [r_ for r_ in r[::2] if abs(r_ - radius) < 0.3 * RIM and abs(r_ - radius) > 0.06 * RIM and r_ < STROKES_WITHIN * RIM - 2]
    if not bands:
        return zero, per_unit, False, np.zeros((BINS, 1))
    signal = strokes[:, bands]
    base = signal.mean(axis=0)
    spread = signal.std(axis=0) + 1e-3
    z = (signal - base) / spread
    middle_value = (printed[0] + printed[-1]) / 2
    middle = zero + per_unit * middle_value
    shifts, stretches = np.arange(-10, 11) * 0.25, 1 + np.arange(-6, 7) * 0.0025
    grid = middle + shifts[:, None, None] + per_unit * stretches[None, :, None] * (printed - middle_value)
    response = z[np.rint(grid / STEP_DEGREES).astype(int) % BINS].mean(axis=2)            # shifts x stretches x bands
    # a nearby answer is likelier than a distant one
    pull = 0.25 * (shifts[:, None] / 2.5) ** 2 + 0.25 * ((stretches[None, :] - 1) / 0.015) ** 2
    flat = response.max(axis=2) - pull
    i, j = np.unravel_index(int(flat.argmax()), flat.shape)
    best = float(response[i, j].max())
    if best < 1.0:
        return zero, per_unit, False, z
    per_unit = per_unit * float(stretches[j])
    zero = middle + float(shifts[i]) - per_unit * middle_value
    return zero, per_unit, True, z


def _division(z: np.ndarray, zero: float, per_unit: float, values: np.ndarray, step: float) -> float | None:
    """The smallest division at which ticks stand regularly and between which there are none."""
    for parts in DIVISIONS:
        if per_unit * step / parts < 1.4:
            continue
        fine = np.array([v + step * k / parts for v in values[:-1] for k in range(1, parts)])
        between = np.array([v + step * (k + 0.5) / parts for v in values[:-1] for k in range(parts)])
        on = z[np.rint((zero + per_unit * fine) / STEP_DEGREES).astype(int) % BINS]
        off = z[np.rint((zero + per_unit * between) / STEP_DEGREES).astype(int) % BINS]
        gain = np.percentile(on, 30, axis=0) - off.mean(axis=0)
        if gain.max() > 0.7:
            return step / parts
    return None


def piece_at(ring: Ring, angle: float) -> tuple[Piece, float] | None:
    """The piece an angle lies on and the angle counted on from the scale's start; None outside what its figures reach."""
    place = ring.place(angle)
    past = ring.step / ring.main.slope            # to where the next figure would stand
    if ring.vacuum is not None and place < ring.main.zero:
        below = ring.vacuum
        depths = {t.number or 0.0 for t in below.texts}
        past = min(b - a for a, b in itertools.pairwise(sorted(depths))) / below.slope if len(depths) > 1 else 3.0
        return (below, place) if place > below.first - past else None
    for p in (place, place - 360):
        if ring.compressed is not None and ring.compressed.first + 1 < p <= ring.compressed.last + 2:
            return ring.compressed, p
        if isinstance(ring.main, Uneven):     # between its figures alone
            if ring.main.first - 1 <= p <= ring.main.last + 1:
                return ring.main.near(p), p
        elif ring.main.first - past <= p <= ring.main.last + past:
            return ring.main, p
    return None
