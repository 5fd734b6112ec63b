"""Lines of a flat label, as one reader gave them, to the label's four fields.

What a label must state: refrigerant, charge and oil (SAE J639, from memory). A figure belongs to a field by its
unit and by the nearest word at its left or above it. A label may state more than one of a kind: for front and rear
systems, or an old label beside the one of a conversion. Then every one is shown and a person says which.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.figures import Agreement, Amount, Designation, amounts, compare, likely_refrigerant, oil_types, proves, refrigerants
from hoodnote.capture.vision.label_words import tells_conversion, tells_systems, topic
from hoodnote.capture.vision.readers import TextLine
from hoodnote.capture.vision.rectify import bounds
from hoodnote.statements.model import Fact, Measured
from hoodnote.units import Quantity

CHARGE, OIL, REFRIGERANT, OIL_TYPE = "label_charge", "label_oil", "label_refrigerant", "label_oil_type"
FIELDS = (REFRIGERANT, CHARGE, OIL_TYPE, OIL)
FIELD_NAMES = {REFRIGERANT: "refrigerant", CHARGE: "charge", OIL_TYPE: "oil type", OIL: "oil amount"}

# Charge of a passenger vehicle, with rear air too, and the oil in it: common practice, no source.
PLAUSIBLE_SI = {CHARGE: (0.3, 2.5), OIL: (0.03, 0.5)}

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
    others: tuple[Measured | Fact, ...] = ()     # what else the label states of the same field
    guessed: bool = False            # did not read cleanly; counts only where nobody read it cleanly


@dataclass(frozen=True)
class Account:
    """One reader's account of a label. `unclear` are bits that look like a figure of the field and are not clean;
    `systems`: front and rear are told apart somewhere; `converted`: it tells of a conversion or names two refrigerants or oils."""

    sightings: dict[str, Sighting]
    unclear: dict[str, tuple[str, ...]]
    systems: bool = False
    converted: bool = False


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

    def place_of(self, start: int, end: int) -> tuple[float, float]:
        """Left and right end of a piece of the text, letters taken as equally wide: a line may run through several columns."""
        sides = []
        for line, begin in zip(self.lines, self.starts, strict=True):
            if begin < end and start < begin + len(line.text):
                left, _, right, _ = bounds(line.quad)
                step = (right - left) / len(line.text)
                sides += [left + max(0, start - begin) * step, left + min(len(line.text), end - begin) * step]
        return min(sides), max(sides)


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
        oily = topic(row.text) == "oil"
        for bit in odd:
            unclear[OIL if oily or bit.lower().rstrip(".").endswith(("ml", "cc", "mi", "m1")) else CHARGE].append(bit)
        designations, odd = refrigerants(row.text)
        names += [(d, row) for d in designations]
        unclear[REFRIGERANT] += odd
        designations, odd = oil_types(row.text)
        oils += [(d, row) for d in designations]
        unclear[OIL_TYPE] += odd
    unclear[OIL] += oil_by_mass
    named = {OIL_TYPE: _designated(OIL_TYPE, oils), REFRIGERANT: _designated(REFRIGERANT, names) or _guessed_refrigerant(lines)}
    told = _Told(rows, names)
    sightings = {**named, CHARGE: _amount(CHARGE, masses, prefer, told), OIL: _amount(OIL, volumes, prefer, told)}
    systems = any(tells_systems(x.text) for x in lines)
    several = any(sighting is not None and sighting.others for sighting in named.values())
    converted = several or any(tells_conversion(x.text) for x in lines)
    return Account({k: v for k, v in sightings.items() if v is not None}, {k: tuple(dict.fromkeys(v)) for k, v in unclear.items()}, systems, converted)


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


def _context(rows: Sequence[_Row], index: int, previous: int, amount: Amount) -> str | None:
    """What the words at the left, or else above, say the amount is of."""
    row = rows[index]
    if (left := topic(row.text[previous:amount.start])) is not None:
        return left
    if previous:                    # the second unit of the amount before it, or its neighbour
        if (left := topic(row.text[:amount.start])) is not None:
            return left
    box = row.place_of(amount.start, amount.end)
    height = row.bottom - row.top
    for above in reversed(rows[:index]):
        if row.top - above.bottom > 2.5 * height:
            return None
        over = [x.text for x in above.lines if bounds(x.quad)[0] < box[1] and bounds(x.quad)[2] > box[0]]
        if (word := topic(" ".join(over))) is not None:
            return word
        if amounts(above.text)[0]:  # a row of figures belongs to its own heading
            return None
    return None


def _box(lines: Sequence[TextLine]) -> tuple[float, float, float, float]:
    boxes = np.array([bounds(x.quad) for x in lines])
    return float(boxes[:, 0].min()), float(boxes[:, 1].min()), float(boxes[:, 2].max()), float(boxes[:, 3].max())


@dataclass(frozen=True)
class _Told:
    """What a label says its several amounts are of."""

    rows: Sequence[_Row]
    names: Sequence[tuple[Designation, _Row]]

    @property
    def refrigerants(self) -> int:
        return len({d.value for d, _ in self.names})

    def of(self, amount: Amount, row: _Row) -> str | None:
        """The words for the system an amount is of, as printed: at its left, or else the nearest above it; or its refrigerant."""
        for cell in reversed(row.text[:amount.start].split("|")):
            words = cell[:figures[0].start] if (figures := amounts(cell)[0]) else cell
            if tells_systems(words):
                return f'"{words.strip(" :|(")}"'
        place = row.place_of(amount.start, amount.end)
        for above in reversed([r for r in self.rows if r.top < row.top]):
            for line in above.lines:
                left, _, right, _ = bounds(line.quad)
                if left < place[1] and right > place[0] and tells_systems(line.text):
                    return f'"{line.text.strip(" :|")}"'
        return self._refrigerant(amount, row, place)

    def _refrigerant(self, amount: Amount, row: _Row, place: tuple[float, float]) -> str | None:
        if self.refrigerants < 2:
            return None
        here = {d.value for d, r in self.names if r is row and d.end <= amount.start}
        if not here:
            above = [(r.top, d.value) for d, r in self.names if r.top < row.top]
            in_column = [(r.top, d.value) for d, r in self.names if r.top < row.top and _beside(r.place_of(d.start, d.end), place)]
            here = _lowest(in_column)
            if in_column and max(above)[0] > max(in_column)[0]:     # aside stands a name that is nearer: it may head this column as well
                here |= _lowest(above)
        return f"with {here.pop()}" if len(here) == 1 else None


def _lowest(named: Sequence[tuple[float, str]]) -> set[str]:
    return {value for top, value in named if top == max(named)[0]}


def _beside(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Do two pieces of text, left and right end, stand in one column?"""
    return one[0] < other[1] and other[0] < one[1]


def _designated(field: str, found: list[tuple[Designation, _Row]]) -> Sighting | None:
    if not found:
        return None
    values = list(dict.fromkeys(d.value for d, _ in found))
    graded = [v for v in values if v.startswith("PAG ")]
    if graded:
        values = [v for v in values if v != "PAG"]
    first, row = next((d, r) for d, r in found if d.value == values[0])
    lines = row.covering(first.start, first.end)
    question, box = None, _box(lines)
    if len(values) > 1:
        why = ", as after a conversion" if field == REFRIGERANT else ""
        question = f"The label names {' and '.join(values)}{why}: which is the {FIELD_NAMES[field]} of this system as it is now?"
        box = _box([x for value in values for d, r in found if d.value == value for x in r.covering(d.start, d.end)])
    elif values == ["PAG"]:
        question = "The label says PAG and no grade was read: which grade is it?"
    return Sighting(Fact(field, values[0]), min(x.confidence for x in lines), box, row.text, question=question,
                    others=tuple(Fact(field, value) for value in values[1:]))


def _guessed_refrigerant(lines: Sequence[TextLine]) -> Sighting | None:
    """What a designation that did not read cleanly probably is: a question, never more."""
    for line in lines:
        for bit in refrigerants(line.text)[1]:
            if (value := likely_refrigerant(bit)) is not None:
                question = f'The refrigerant is hard to read ("{bit}"), perhaps {value}: what does the label say?'
                return Sighting(Fact(REFRIGERANT, value), 0.5 * line.confidence, _box([line]), line.text, question=question, guessed=True)
    return None


def _amount(field: str, found: list[tuple[Amount, _Row]], prefer: str, told: _Told) -> Sighting | None:
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
    several = _different(pool)
    if len(several) > 1:
        question, lines = _which(field, several, told), [x for a, r in several for x in r.covering(a.start, a.end)]
    elif not likely:
        question = f"The {FIELD_NAMES[field]} reads {_printed(kept)}, which is not plausible: what does the label say?"
    elif doubtful := _unlike_tolerance(kept, others):
        question = doubtful
    proved = any(a.metric is not kept.metric and proves(kept, a) for a in others) and len(several) == 1
    stated = [Measured(field, a.value, a.unit, tolerance=a.tolerance) for a, _ in several]
    return Sighting(stated[0], min(x.confidence for x in lines), _box(lines), row.text, kept, proved, bool(likely), question, tuple(stated[1:]))


def _different(pool: Sequence[tuple[Amount, _Row]]) -> list[tuple[Amount, _Row]]:
    """Those that are not another printing of one before them."""
    out: list[tuple[Amount, _Row]] = []
    for amount, row in pool:
        if all(compare(a, amount) is Agreement.DIFFER for a, _ in out):
            out.append((amount, row))
    return out


def _which(field: str, several: Sequence[tuple[Amount, _Row]], told: _Told) -> str:
    """What to ask about amounts that differ. Told to be of different systems, none of them is wrong."""
    whose = [told.of(a, r) for a, r in several]
    printed = " and ".join(f"{_printed(a)}{f' ({w})' if w else ''}" for (a, _), w in zip(several, whose, strict=True))
    if len(set(whose)) > 1 or told.refrigerants > 1:
        return f"The label gives more than one {FIELD_NAMES[field]}, {printed}: which is for the system of this vehicle?"
    return f"The label reads {printed}, which do not agree: which is its {FIELD_NAMES[field]}?"


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
