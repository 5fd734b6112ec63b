"""Which of a face's scales is in which unit: by the words printed on it and by what the scales' figures are to one another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hoodnote.capture.vision.dial_fit import Uneven
from hoodnote.capture.vision.dial_needle import turned
from hoodnote.capture.vision.dial_rectify import RIM
from hoodnote.capture.vision.dial_scale import SAME_RING, Ring
from hoodnote.capture.vision.dial_text import OTHER_WORDS, REFRIGERANT, Text, a_word
from hoodnote.units import UNITS

PRESSURE_UNITS = ("psi", "bar", "kPa", "MPa", "kg/cm2")
# the largest figure such a gauge has, and the least its largest is: a lost decimal point shows here (common practice, no source)
TOP = {"psi": (30.0, 1000.0), "bar": (2.0, 70.0), "kPa": (150.0, 7000.0), "MPa": (0.2, 7.0), "kg/cm2": (2.0, 70.0)}
# the largest figure such a gauge mostly has, which says what is likeliest where no word was read (common practice, no source)
USUAL_TOP = {"psi": (100.0, 800.0), "bar": (8.0, 60.0), "kPa": (800.0, 6000.0), "MPa": (0.8, 6.0), "kg/cm2": (8.0, 60.0)}
# the deepest figure a scale can have, rounded up
FULL_VACUUM = {"psi": 15.0, "bar": 1.05, "kPa": 105.0, "MPa": 0.105, "kg/cm2": 1.05, "inHg": 30.0}
UNITS_AGREE = 0.025          # by how much two rings' slopes may differ from their units' ratio
HOTTEST = 700.0              # no thermometer of a workshop goes up to it, in any unit (common practice, no source)
DEGREES = ("°", "℉", "℃")


def units_of(rings: Sequence[Ring], texts: Sequence[Text]) -> tuple[list[tuple[Ring, str]], list[str]]:
    """Rings with their units, and doubts. Two rings that show one pressure tell their units by the ratio of their figures;
    a lone ring needs its word, and no other pressure unit's."""
    words = {t.unit for t in texts if t.unit}
    seen = [u for u in PRESSURE_UNITS if u in words]
    doubts = []
    strange = [t.text for t in texts if t.number is None and t.unit is None and OTHER_WORDS.search(t.text)]
    alike = [(one, u, other, v) for i, one in enumerate(rings) for other in rings[i + 1:] for u in PRESSURE_UNITS for v in PRESSURE_UNITS
             if u != v and _may_be_printed(u, v, seen) and _show_one_pressure(one, u, other, v)]
    pairs = [p for p in alike if {p[1], p[3]} <= set(seen)] or alike
    if pairs:
        if not seen:
            doubts.append("the words for its units could not be read")
        ways = {r: {x for one, u, other, v in pairs for ring, x in ((one, u), (other, v)) if ring is r} for r in rings}
        if any(len(w) > 1 for w in ways.values()):
            doubts.append("more than one pair of scales could belong together")
            one, u, other, v = pairs[0]
            return [(one, u), (other, v)], doubts
        return [(r, next(iter(w))) for r, w in ways.items() if w], doubts
    if len(seen) > 1:
        told = [(r, u) for r in rings for u in seen if _told_by_others(r, u, seen, texts)]
        if len(told) == 1:
            return told, doubts
        doubts.append(f"the words {' and '.join(seen)} are on the face, but which scale is which could not be told")
        fit = [u for u in seen if likely_top(rings[0], u)]
        return [(rings[0], u) for u in sorted(fit, key=lambda u: not _usual_top(rings[0], u))[:1]], doubts
    if not seen:
        return [], doubts
    if any(isinstance(r.main, Uneven) for r in rings) and any(mark in t.text for t in texts for mark in DEGREES):
        if len(rings) == 1 or not likely_top(rings[0], seen[0]):
            return [], doubts              # an uneven scale beside a degree sign is one of temperatures
        return [(rings[0], seen[0])], ["one of its scales is of temperatures"]
    if _another_scale(rings, texts):
        doubts.append("it has a second scale, which could not be read")
    strange += [t.text for t in texts if t.may_be and seen[0] not in t.may_be]
    if any(word for word in strange if not any(mark in word for mark in DEGREES)):
        doubts.append(f'"{strange[0]}" stands on the face as well')
    fit = [r for r in rings if likely_top(r, seen[0])]
    if not fit:                            # the unit is another scale's, or a point was lost
        return [], doubts
    # of scales that close up an inner one is of temperatures
    wide = max(fit, key=lambda r: (r is rings[0] or not isinstance(r.main, Uneven), len(r.main.texts), r.radius))
    if any(r is not wide and not _curved(r) for r in fit):
        doubts.append(f"more than one scale could be the one in {seen[0]}")
    elif len(rings) > 1 and not _usual_top(wide, seen[0]):
        doubts.append(f"its figures are unusual for {seen[0]}, which may be its other scale's")
    return [(wide, seen[0])], doubts


def units_that_fit(rings: Sequence[Ring], texts: Sequence[Text], prefer: str) -> list[str]:
    """Units the outermost scale may be in where no word for one was read, the likeliest first: by its largest figure, by those below zero, and
    by what is left of a word. None where another quantity's word stands there. `prefer`: "us" or "metric"."""
    ring = rings[0]
    strange = [t.text for t in texts if OTHER_WORDS.search(t.text) and not t.may_be and not t.unit]
    if of_a_refrigerant(rings, texts):
        strange = [text for text in strange if not any(mark in text for mark in DEGREES)]
    if strange:
        return []
    cut = {u for t in texts for u in t.may_be}
    fit = [u for u in PRESSURE_UNITS if likely_top(ring, u) and (not cut or u in cut) and _fits_below_zero(ring, u)]
    order = ("psi", "bar", "kPa", "kg/cm2", "MPa") if prefer == "us" else ("bar", "kPa", "MPa", "kg/cm2", "psi")
    return sorted(fit, key=lambda u: (not _usual_top(ring, u), order.index(u)))


def of_a_refrigerant(rings: Sequence[Ring], texts: Sequence[Text]) -> bool:
    """Whether the face has saturation temperatures beside its pressures: scales that close up within an even one or within one that goes
    beyond all temperatures, or a refrigerant's sign."""
    if len(rings) > 1 and rings[0].main.value(rings[0].main.last) > HOTTEST or any(REFRIGERANT.fullmatch(t.text.strip()) and not t.by_signs for t in texts):
        return True
    return not isinstance(rings[0].main, Uneven) and not _curved(rings[0]) and any(isinstance(r.main, Uneven) or _curved(r) for r in rings[1:])


def _fits_below_zero(ring: Ring, unit: str) -> bool:
    if ring.vacuum is None:
        return True
    deepest = max(t.number or 0.0 for t in ring.vacuum.texts)
    # below zero a psi scale goes on in inches of mercury
    full = FULL_VACUUM["inHg" if unit == "psi" else unit]
    return 0.3 * full < deepest <= full


def _may_be_printed(u: str, v: str, seen: Sequence[str]) -> bool:
    """Whether two scales can be in these units by the words on the face, of which one of the two may have escaped the reader; of those
    so alike as bar and kg/cm2, only the one that was read."""
    return (not seen or u in seen or v in seen) and ("kg/cm2" not in (u, v) or "kg/cm2" in seen)


def _told_by_others(ring: Ring, unit: str, seen: Sequence[str], texts: Sequence[Text]) -> bool:
    """Whether figures of another scale, too few to make one, show this ring's pressures in another unit that was read."""
    if not likely_top(ring, unit):
        return False
    others = [t for t in texts if t.number and abs(t.radius - ring.radius) > SAME_RING * RIM and ring.main.first < ring.place(t.angle) <= ring.main.last + 3]
    for v in seen:
        near = [abs(t.number * UNITS[v].factor / (ring.main.value(ring.place(t.angle)) * UNITS[unit].factor) - 1) < 0.06 for t in others]
        if v != unit and sum(near) >= 2 and sum(near) > 0.6 * len(near):
            return True
    return False


def _another_scale(rings: Sequence[Ring], texts: Sequence[Text]) -> bool:
    """Texts round the middle that are on no ring: the unit that was read may be theirs. Temperatures say so themselves."""
    if any(mark in t.text for t in texts for mark in DEGREES) or any(REFRIGERANT.fullmatch(t.text.strip()) for t in texts):
        return False
    return sum(0.3 * RIM < t.radius < RIM and t.unit is None and not a_word(t) and all(abs(t.radius - r.radius) > SAME_RING * RIM for r in rings)
               and (t.radius < rings[0].radius or any(c.isdigit() for c in t.text)) for t in texts) >= 2      # ticks outside figures look like letters


def _curved(ring: Ring) -> bool:
    """As many figures off the even spacing as on it: a ring of temperatures, say."""
    return len(ring.stray) * 2 >= len(ring.main.texts) or ring.main.rms > 1.2


def _usual_top(ring: Ring, unit: str) -> bool:
    low, high = USUAL_TOP[unit]
    return low <= ring.main.value(ring.main.last) * 1.001 <= high * 1.002


def likely_top(ring: Ring, unit: str) -> bool:
    low, high = TOP[unit]
    return low <= ring.main.value(ring.main.last) <= high


def _show_one_pressure(one: Ring, u: str, other: Ring, v: str) -> bool:
    """The figures' ratio is the units', and both have their zero at one place."""
    if not (likely_top(one, u) and likely_top(other, v)):
        return False
    if isinstance(one.main, Uneven) or isinstance(other.main, Uneven):
        return _show_one_curve(one, u, other, v)
    ratio = one.main.slope * UNITS[u].factor / (other.main.slope * UNITS[v].factor)
    apart = abs(turned(one.main.zero - other.main.zero))
    return abs(ratio - 1) < UNITS_AGREE and apart < 4


def _show_one_curve(one: Ring, u: str, other: Ring, v: str) -> bool:
    """Pressures that both scales have at five angles of the stretch they share, which is most of either."""
    turn = 360 * round((other.main.first + other.main.last - one.main.first - one.main.last) / 720)
    first, last = max(one.main.first, other.main.first - turn), min(one.main.last, other.main.last - turn)
    if last - first < 0.6 * (one.main.last - one.main.first):
        return False
    angles = np.linspace(first, last, 5)
    mine, its = (np.array([r.main.value(a) for a in x]) * UNITS[w].factor for r, w, x in ((one, u, angles), (other, v, angles + turn)))
    return bool((np.abs(mine - its) < UNITS_AGREE * mine.max() + 0.02 * mine).all())
