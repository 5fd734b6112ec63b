"""Lines of a flat label, as one reader gave them, to the label's four fields.

What a label must state: refrigerant, charge and oil (SAE J639, from memory). A figure belongs to a field by its
unit and by the nearest word at its left or above it; `rapidfuzz` forgives misread words, never misread figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from hoodnote.capture.vision.figures import Agreement, Amount, Designation, amounts, compare, oil_types, proves, refrigerants
from hoodnote.capture.vision.readers import TextLine
from hoodnote.capture.vision.rectify import bounds
from hoodnote.statements.model import Fact, Measured
from hoodnote.units import Quantity

CHARGE, OIL, REFRIGERANT, OIL_TYPE = "label_charge", "label_oil", "label_refrigerant", "label_oil_type"
FIELDS = (REFRIGERANT, CHARGE, OIL_TYPE, OIL)
FIELD_NAMES = {REFRIGERANT: "refrigerant", CHARGE: "charge", OIL_TYPE: "oil type", OIL: "oil amount"}

# Charge of a passenger vehicle, with rear air too, and the oil in it: common practice, no source.
PLAUSIBLE_SI = {CHARGE: (0.3, 2.5), OIL: (0.03, 0.5)}

_WORDS = {
    "charge": ("REFRIGERANT", "CHARGE", "CHARGING"),
    "oil": ("OIL", "LUBRICANT", "LUBRICATION", "HUILE"),
    "other": ("PRESSURE", "WEIGHT", "COOLANT", "BATTERY", "ENGINE", "WASHER", "FUEL", "BRAKE", "GVWR", "DYE"),
}


@dataclass(frozen=True)
class Sighting:
    """One field as one reader saw it. `box` is left, top, right, bottom in the flat view."""

    statement: Measured | Fact
    confidence: float
    box: tuple[float, float, float, float]
    text: str
    amount: Amount | None = None     # what a measured statement was made of
    proved: bool = False             # the label's other unit system confirms the figure
    plausible: bool = True
    question: str | None = None      # what makes it doubtful in itself


@dataclass(frozen=True)
class Account:
    """One reader's account of a label. `unclear` are bits that look like a figure of the field and are not clean."""

    sightings: dict[str, Sighting]
    unclear: dict[str, tuple[str, ...]]


@dataclass(frozen=True)
class _Row:
    lines: tuple[TextLine, ...]
    text: str
    starts: tuple[int, ...]          # where each line begins in `text`
    top: float
    bottom: float

    def covering(self, start: int, end: int) -> list[TextLine]:
        ends = [*self.starts[1:], len(self.text) + 1]
        return [line for line, a, b in zip(self.lines, self.starts, ends, strict=True) if a < end and start < b]


def interpret(lines: Sequence[TextLine], prefer: str = "metric") -> Account:
    """`prefer` is "metric" or "us": which of two printed units a statement keeps when both or neither have a tolerance."""
    rows = _rows(lines)
    masses: list[tuple[Amount, _Row]] = []
    volumes: list[tuple[Amount, _Row]] = []
    unclear: dict[str, list[str]] = {f: [] for f in FIELDS}
    names: list[tuple[Designation, _Row]] = []
    oils: list[tuple[Designation, _Row]] = []
    oil_by_mass: list[str] = []
    for index, row in enumerate(rows):
        found, odd = amounts(row.text)
        previous = 0
        for amount in found:
            context = _context(rows, index, previous, amount)
            previous = amount.end
            if context == "other":
                continue
            if amount.quantity is Quantity.VOLUME:
                volumes.append((amount, row))
            elif context != "oil":
                masses.append((amount, row))
            else:
                oil_by_mass.append(amount.text.strip())
        oily = _last_word(row.text) == "oil"
        for bit in odd:
            unclear[OIL if oily or bit.lower().rstrip(".").endswith(("ml", "cc", "mi", "m1")) else CHARGE].append(bit)
        designations, odd = refrigerants(row.text)
        names += [(d, row) for d in designations]
        unclear[REFRIGERANT] += odd
        designations, odd = oil_types(row.text)
        oils += [(d, row) for d in designations]
        unclear[OIL_TYPE] += odd
    unclear[OIL] += oil_by_mass
    sightings = {
        REFRIGERANT: _designated(REFRIGERANT, names),
        CHARGE: _amount(CHARGE, masses, prefer),
        OIL_TYPE: _designated(OIL_TYPE, oils),
        OIL: _amount(OIL, volumes, prefer),
    }
    return Account({k: v for k, v in sightings.items() if v is not None}, {k: tuple(dict.fromkeys(v)) for k, v in unclear.items()})


def _rows(lines: Sequence[TextLine]) -> list[_Row]:
    """Lines side by side make a row, left to right; rows run from top to bottom."""
    groups: list[list[tuple[TextLine, tuple]]] = []
    for line in sorted(lines, key=lambda x: float(x.quad[:, 1].mean())):
        box = bounds(line.quad)
        for group in reversed(groups):
            top, bottom = np.mean([b[1] for _, b in group]), np.mean([b[3] for _, b in group])
            shared = min(bottom, box[3]) - max(top, box[1])
            if shared > 0.5 * min(bottom - top, box[3] - box[1]):
                group.append((line, box))
                break
        else:
            groups.append([(line, box)])
    out = []
    for group in groups:
        group.sort(key=lambda pair: pair[1][0])
        text, starts = "", []
        right = group[0][1][2]
        for line, box in group:
            # a wide gap parts two statements: the 12 of R-12 is not continued by the figure in the next column
            wide = box[0] - right > box[3] - box[1]
            text += (" | " if wide else " ") if text else ""
            right = box[2]
            starts.append(len(text))
            text += line.text
        out.append(_Row(tuple(x for x, _ in group), text, tuple(starts), float(np.mean([b[1] for _, b in group])), float(np.mean([b[3] for _, b in group]))))
    return sorted(out, key=lambda r: r.top)


@cache
def _category(word: str) -> str | None:
    from rapidfuzz import fuzz

    if len(word) < 3:
        return None
    best, category = 0.0, None
    for name, words in _WORDS.items():
        for known in words:
            # a short word must be exact: one letter is a third of it
            score = 100.0 * (word == known) if min(len(word), len(known)) < 5 else fuzz.ratio(word, known)
            if score > best:
                best, category = score, name
    return category if best >= 80 else None


def _last_word(text: str) -> str | None:
    found = [c for c in (_category("".join(ch for ch in w if ch.isalpha()).upper()) for w in text.replace("/", " ").split()) if c]
    return found[-1] if found else None


def _context(rows: Sequence[_Row], index: int, previous: int, amount: Amount) -> str | None:
    """What the words at the left, or else above, say the amount is of."""
    row = rows[index]
    if (left := _last_word(row.text[previous:amount.start])) is not None:
        return left
    if previous:                    # the second unit of the amount before it, or its neighbour
        if (left := _last_word(row.text[:amount.start])) is not None:
            return left
    box = _box(row.covering(amount.start, amount.end))
    height = row.bottom - row.top
    for above in reversed(rows[:index]):
        if row.top - above.bottom > 2.5 * height:
            return None
        over = [x.text for x in above.lines if bounds(x.quad)[0] < box[2] and bounds(x.quad)[2] > box[0]]
        if (word := _last_word(" ".join(over))) is not None:
            return word
        if amounts(above.text)[0]:  # a row of figures belongs to its own heading
            return None
    return None


def _box(lines: Sequence[TextLine]) -> tuple[float, float, float, float]:
    boxes = np.array([bounds(x.quad) for x in lines])
    return float(boxes[:, 0].min()), float(boxes[:, 1].min()), float(boxes[:, 2].max()), float(boxes[:, 3].max())


def _designated(field: str, found: list[tuple[Designation, _Row]]) -> Sighting | None:
    if not found:
        return None
    values = list(dict.fromkeys(d.value for d, _ in found))
    graded = [v for v in values if v.startswith("PAG ")]
    if graded:
        values = [v for v in values if v != "PAG"]
    first, row = next((d, r) for d, r in found if d.value == values[0])
    lines = row.covering(first.start, first.end)
    question = None
    if len(values) > 1:
        question = f"The label names {' and '.join(values)}: which is its {FIELD_NAMES[field]}?"
    elif values == ["PAG"]:
        question = "The label says PAG and no grade was read: which grade is it?"
    return Sighting(Fact(field, values[0]), min(x.confidence for x in lines), _box(lines), row.text, question=question)


def _amount(field: str, found: list[tuple[Amount, _Row]], prefer: str) -> Sighting | None:
    if not found:
        return None
    low, high = PLAUSIBLE_SI[field]
    likely = [(a, r) for a, r in found if low <= a.si <= high]
    pool = likely or found
    # a figure that carries the tolerance first, then the preferred system, in printed order; the sort is stable
    pool = sorted(pool, key=lambda pair: (pair[0].tolerance is None, pair[0].metric is not (prefer == "metric")))
    kept, row = pool[0]
    lines = row.covering(kept.start, kept.end)
    question = None
    others = [a for a, _ in pool[1:]]
    differing = [a for a in others if compare(kept, a) is Agreement.DIFFER]
    if differing:
        question = f"The label reads {' and '.join(_printed(a) for a in (kept, *differing))}, which do not agree: which is its {FIELD_NAMES[field]}?"
    elif not likely:
        question = f"The {FIELD_NAMES[field]} reads {_printed(kept)}, which is not plausible: what does the label say?"
    elif doubtful := _unlike_tolerance(kept, others):
        question = doubtful
    proved = any(a.metric is not kept.metric and proves(kept, a) for a in others) and not differing
    statement = Measured(field, kept.value, kept.unit, tolerance=kept.tolerance)
    return Sighting(statement, min(x.confidence for x in lines), _box(lines), row.text, kept, proved, bool(likely), question)


def _unlike_tolerance(kept: Amount, others: Sequence[Amount]) -> str | None:
    """The label's two tolerances must agree too, when both are printed."""
    for other in others:
        if kept.tolerance is not None and other.tolerance is not None and other.unit != kept.unit:
            one, two = replace(kept, value=kept.tolerance), replace(other, value=other.tolerance)
            if compare(one, two) is Agreement.DIFFER:
                return f"The tolerance reads {kept.tolerance} {kept.unit} and {other.tolerance} {other.unit}, which do not agree: which is it?"
    return None


def _printed(amount: Amount) -> str:
    tolerance = f" ± {amount.tolerance}" if amount.tolerance is not None else ""
    ours = f"{amount.value}{tolerance} {amount.unit}"
    if amount.unit in ("kg", "g", "mL"):
        return ours
    si = f"{amount.si:.3f} kg" if amount.quantity is Quantity.MASS else f"{amount.si * 1000:.0f} mL"
    return f"{ours} ({si})"
