"""Figures of a scale that were not found at first, read where the scale says that they stand: those that the pointer needs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from hoodnote.capture.vision.dial_fit import Followed, Uneven
from hoodnote.capture.vision.dial_needle import Pointer, turned
from hoodnote.capture.vision.dial_rectify import MIDDLE, FaceView
from hoodnote.capture.vision.dial_scale import Ring, followed, piece_at, with_more, with_more_uneven, with_vacuum
from hoodnote.capture.vision.dial_text import Text, number_in
from hoodnote.capture.vision.readers import NeuralReader, cut_out

STRETCH, MOST_STRETCHES = 3, 5          # figures looked for at once beyond the last one known, and how often
WIDEST = 345.0               # degrees a scale may run over
# figures below zero that are printed on one scale: inHg, bar or kg/cm2, kPa, MPa (common practice, no source)
BELOW_ZERO = ((5.0, 10.0, 15.0, 20.0, 25.0, 30.0), (0.2, 0.4, 0.5, 0.6, 0.8, 1.0), (20.0, 40.0, 50.0, 60.0, 80.0, 100.0), (0.05, 0.1))
LEAST_APART = 5.0            # degrees between figures of a scale that closes up
DEEPEST = 130.0              # degrees below zero a scale may begin


def filled(ring: Ring, pointer: Pointer, view: FaceView, reader: NeuralReader) -> Ring:
    """The ring with the figures next to the pointer looked for where they should stand, when they were not found before; a scale that ends
    before the pointer is followed to it, a few figures at a time; where no spacing reaches it, from figure to figure."""
    by_figures = followed(ring) if piece_at(ring, pointer.angle) is None else None
    if by_figures is not None and piece_at(by_figures, pointer.angle) is None:
        by_figures = None
    if by_figures is not None and isinstance(ring.main, Uneven):
        return by_figures
    found = _filled(ring, pointer, view, reader)
    return found if by_figures is None or piece_at(found, pointer.angle) is not None else by_figures


def _filled(ring: Ring, pointer: Pointer, view: FaceView, reader: NeuralReader) -> Ring:
    if isinstance(ring.main, Uneven):
        return _filled_uneven(ring, pointer, view, reader)
    if -DEEPEST < turned(pointer.angle - ring.main.zero) < 0:
        below = _filled_below(ring, view, reader)
        at = piece_at(below, pointer.angle)
        if at is not None and at[0] is below.vacuum:
            return below
    tried: set[int] = set()
    for _ in range(MOST_STRETCHES):
        main = ring.main
        value = main.value(ring.place(pointer.angle))
        known = {round(t.number / ring.step) for t in main.texts if t.number is not None}
        lowest, highest, below = min(known), max(known), math.floor(value / ring.step + 1e-6)
        if value < -1e-6 or main.angle((below + 1) * ring.step) > main.zero + WIDEST:
            return ring
        beside = {below - 1, below, below + 1, below + 2}
        beside -= {below - 1} if below in known else set()
        beside -= {below + 2} if below + 1 in known else set()            # the pointer may hide the nearest one
        if below > highest + STRETCH or below + 1 < lowest - STRETCH:
            beside = set(range(highest + 1, highest + 1 + STRETCH)) if below > highest else set(range(lowest - STRETCH, lowest))
        found = _figures_at(ring, [(w * ring.step, main.angle(w * ring.step)) for w in sorted(beside - known - tried) if w >= 0], view, reader)
        tried |= beside
        if not found:
            return ring
        ring = with_more(ring, found, view)
    return ring


def _filled_uneven(ring: Ring, pointer: Pointer, view: FaceView, reader: NeuralReader) -> Ring:
    """A scale that closes up, with figures before its first or past its last one, whichever the pointer needs: round ones are tried where
    its curve has them."""
    main = ring.main
    if piece_at(ring, pointer.angle) is not None or isinstance(main, Followed):
        return ring
    least, most = min(t.number for t in main.texts), max(t.number for t in main.texts)
    step = 10.0 ** math.floor(math.log10(most))
    past = [v for v in sorted({k * s for k in range(1, 41) for s in (step / 10, step / 4, step)}) if most < v <= 2 * most]
    before = [0.0, *(v for v in sorted({k * s for k in range(1, 10) for s in (step / 100, step / 10, step / 4)}) if v < least)]
    known = (main.angle(least), main.angle(most))
    placed = [(v, main.angle(v)) for v in (*before, *past)]
    places = [(v, a) for v, a in placed if a < main.first + WIDEST and all(abs(a - k) > LEAST_APART for k in known)]
    found = _figures_at(ring, places, view, reader)
    return with_more_uneven(ring, found) if found else ring


def _filled_below(ring: Ring, view: FaceView, reader: NeuralReader) -> Ring:
    """The ring with more figures below zero, spaced as one that was read there."""
    main, best = ring.main, (ring.vacuum.texts if ring.vacuum else ())
    for seed in (*best, *ring.stray):
        off = turned(seed.angle - main.zero)
        if not seed.number or not -DEEPEST < off < -3:
            continue
        for printed in (p for p in BELOW_ZERO if seed.number in p):
            places = [(v, main.zero + off / seed.number * v) for v in printed if v != seed.number and off / seed.number * v > -DEEPEST]
            found = (seed, *_figures_at(ring, places, view, reader))
            best = max(best, found, key=len)
    return with_vacuum(ring, best) if len(best) > 1 else ring


def _figures_at(ring: Ring, wanted_at: Sequence[tuple[float, float]], view: FaceView, reader: NeuralReader) -> list[Text]:
    """Those of the values that are printed at their angles."""
    places, strips = [], []
    for wanted, angle in wanted_at:
        like = min(ring.main.texts, key=lambda t: (abs(len(t.text) - len(f"{wanted:g}")), -t.confidence))
        a = math.radians(angle)
        middle = np.array([MIDDLE + ring.radius * math.sin(a), MIDDLE - ring.radius * math.cos(a)])
        side, down = like.quad[1] - like.quad[0], like.quad[3] - like.quad[0]
        along = _tangential(like)
        if along is not None:        # figures turned with the scale
            turn = math.radians(angle - like.angle)
            rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
            side, down = rotation @ side, rotation @ down
        longer = max(1.0, len(f"{wanted:g}") / len(like.text.strip("-–—−_=")))
        side, down = side * 1.15 * longer, down * 1.15
        quad = np.array([middle - side / 2 - down / 2, middle + side / 2 - down / 2, middle + side / 2 + down / 2, middle - side / 2 + down / 2], np.float32)
        places.append((wanted, angle % 360, quad))
        strip = cut_out(view.pixels, quad)
        strips += [strip, strip if along is None else strip[::-1, ::-1]]
    read = reader.read_short(strips)
    out = []
    for (wanted, angle, quad), pair in zip(places, zip(read[::2], read[1::2], strict=True), strict=True):
        text, confidence = max(pair, key=lambda x: x[1])
        number = number_in(text)
        if number is not None and abs(number - wanted) < 1e-6 and confidence >= 0.7:
            out.append(Text(text, confidence, angle, ring.radius, quad, True))
    return out


def _tangential(text: Text) -> float | None:
    side = text.quad[1] - text.quad[0]
    off = (math.degrees(math.atan2(side[1], side[0])) - text.angle + 90) % 180 - 90
    level = (math.degrees(math.atan2(side[1], side[0])) + 90) % 180 - 90
    return off if abs(off) < 2 < abs(level) else None
