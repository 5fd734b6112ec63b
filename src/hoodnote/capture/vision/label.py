"""The under-hood refrigerant label: from a photo to statements, each with how sure we are and why.

A figure stands as agreed only when two independent readers gave it, or when the only reader that gave one also
read the label's other unit system and the two agree. Everything else is a question to a person.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.figures import Agreement, amounts, compare, likely_refrigerant, refrigerants
from hoodnote.capture.vision.interpret import CHARGE, FIELD_NAMES, FIELDS, OIL, OIL_TYPE, REFRIGERANT, Account, Sighting, interpret
from hoodnote.capture.vision.label_words import tells_conversion
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind, PhotoField, PhotoReading
from hoodnote.capture.vision.readers import NeuralReader, Reader, TextLine, available_readers
from hoodnote.capture.vision.rectify import (
    TEXT_HEIGHT,
    View,
    bounds,
    covered,
    enhanced,
    flatten,
    overexposed,
    reach_left,
    reach_right,
    read_any_way_round,
    sharpness,
)
from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Standing, Version
from hoodnote.statements.model import Fact, Measured
from hoodnote.units import UNITS, convert

SURE = 0.8                  # below it the better of two agreeing readers was guessing
GLARE_SHARE = 0.01          # of a field's box, its surroundings included
MOST_ASIDE = 8              # lines of text elsewhere in the photo that are looked at
LEAST_TEXT_PX = 12          # height of a line's box in the photo; smaller print is not read reliably
_CUT = "Not all of the label could be laid out flat; its {} was read as {}: is that what it says, and all of it?"


@dataclass(frozen=True)
class _Seen:
    reader: str
    sighting: Sighting


def read_label(photo: Photo, readers: Sequence[Reader] | None = None, prefer: str = "metric") -> PhotoReading:
    """Reads the label in a photo. `prefer` ("metric" or "us") is the unit kept where the label prints both,
    unless only the other carries the tolerance.

    Raises HoodnoteError when no reader can be used or `prefer` is neither.
    """
    if prefer not in ("metric", "us"):
        raise HoodnoteError(f"unit preference {prefer!r} is not known; use metric or us")
    readers = list(available_readers() if readers is None else readers)
    if not readers:
        raise HoodnoteError("no text reader is available; run: pip install rapidocr onnxruntime")
    used = tuple(r.name for r in readers)
    finder = next((r for r in readers if isinstance(r, NeuralReader)), None) or NeuralReader()
    flat = flatten(photo, finder)
    if flat is None or not flat.quads:
        return PhotoReading(Kind.LABEL, (), (), used, _what_to_do(photo, flat.view if flat else None))
    view, quads = flat.view, flat.quads

    first, quads = _with_lost_units(view, quads, flat.lines, finder)
    with ThreadPoolExecutor(len(readers)) as pool:      # the others are programs of their own, which run while the neural one reads on
        others = {r.name: pool.submit(r.read, view.pixels, quads) for r in readers if r is not finder}
        pool.submit(lambda: view.glare)
        roomy = _with_room_on_the_left(view, first, quads, finder) if finder in readers else None
        other = _other_label(photo, flat.aside, finder)
        lines = {r.name: first if r is finder else others[r.name].result() for r in readers}
        accounts = [(name, interpret(found, prefer)) for name, found in lines.items()]
        if roomy is not None:
            accounts.append((finder.name, interpret(roomy, prefer)))
        if unsettled := [field for field in FIELDS if not _settled(accounts, field)]:
            seen = [[a.sightings[field].box for _, a in accounts if field in a.sightings] for field in unsettled]
            second, again = enhanced(view), _worth_a_second_look(lines, quads, seen)
            for reader, found in zip(readers, pool.map(lambda r: r.read(second.pixels, again), readers), strict=True):
                kept = [x for x in lines[reader.name] if not any(x.quad is q for q in again)]
                accounts.append((reader.name, interpret(kept + found, prefer)))

    fields = decide(accounts, used, view, photo, other, any(_runs_off(q, view) for q in flat.quads))
    warnings = _warnings(fields, accounts, used, view)
    found = {_key(f) for f in fields}
    problem = None if {REFRIGERANT, CHARGE} & found else _what_to_do(photo, view)
    return PhotoReading(Kind.LABEL, tuple(fields), tuple(warnings), used, problem)


def decide(accounts: Sequence[tuple[str, Account]], used: Sequence[str], view: View, photo: Photo, other: str | None = None,
           cut: bool = False) -> list[PhotoField]:
    """Fields from the readers' accounts, (reader name, account) each; `used` names every reader that was asked; `other` is what
    another label in the photo says, if there is one; `cut`: print runs off the flat view."""
    fields = [f for f in (_field(name, accounts, used, view, photo) for name in FIELDS) if f is not None]
    return [replace(f, question=f"{f.question} {why}" if f.question else why, standing=Standing.UNCONFIRMED, confidence=min(f.confidence, 0.5))
            if (why := _of_several(f, accounts, other) or (_CUT.format(FIELD_NAMES[_key(f)], stated(f.statement)) if cut else None)) else f for f in fields]


def _of_several(field: PhotoField, accounts: Sequence[tuple[str, Account]], other: str | None) -> str | None:
    """Why a figure, however well it reads, may not be this system's; where its own question names several, only of a label beside this one."""
    name, value = FIELD_NAMES[_key(field)], stated(field.statement)
    if other is not None:
        return f'The {name} reads {value}, and another label beside it reads "{other}": which is true of this system as it is now?'
    if field.question and len({v.statement for v in field.versions if v.statement is not None}) > 1:
        return None
    if (bit := _another(field, accounts)) is not None:
        return f'The label\'s {name} reads {value}, and something like "{bit}" stands on it, too: which is that of this system as it is now?'
    if any(a.converted for _, a in accounts):
        return f"The label tells of a conversion or names several, and one {name} was read, {value}: is it that of this system as it is now?"
    if _key(field) in (CHARGE, OIL) and any(a.systems for _, a in accounts):
        return f"The label tells front and rear systems apart, and one {name} was read, {value}: is it for the system of this vehicle?"
    return None


def _another(field: PhotoField, accounts: Sequence[tuple[str, Account]]) -> str | None:
    """What a reader saw that did not read cleanly and may be another refrigerant, or oil of another kind, than the one that was read."""
    key = _key(field)
    if key not in (REFRIGERANT, OIL_TYPE):
        return None
    value = field.statement.value
    bits = dict.fromkeys(bit for _, a in accounts for bit in a.unclear[key])
    if key == REFRIGERANT:
        return next((bit for bit in bits if likely_refrigerant(bit) not in (None, value)), None)
    return None if value.startswith("PAG") else next(iter(bits), None)       # no other oil has grades, which are what reads badly


def _other_label(photo: Photo, aside: Sequence[np.ndarray], finder: NeuralReader) -> str | None:
    """What text away from the label says of a refrigerant, a mass or a conversion: the label of a conversion, or the one before it."""
    tall = [q for q in aside if min(np.linalg.norm(q[1] - q[0]), np.linalg.norm(q[2] - q[1])) >= LEAST_TEXT_PX]
    large = sorted(tall, key=lambda q: float(np.ptp(q[:, 0]) * np.ptp(q[:, 1])), reverse=True)[:MOST_ASIDE]
    telling = [text for text, confidence in read_any_way_round(photo.pixels, large, finder) if confidence > 0.6 and (
        refrigerants(text)[0] or tells_conversion(text) or any(a.unit in ("kg", "g", "oz", "lb") for a in amounts(text)[0]))]
    return '" and "'.join(dict.fromkeys(telling)) or None


def _runs_off(quad: np.ndarray, view: View) -> bool:
    """Does a line of print reach the left or right end of the flat view? Then there is more of the label than was laid out."""
    left, _, right, _ = bounds(quad)
    return left < 1 or right > view.pixels.shape[1] - 2


def _with_lost_units(view: View, quads: Sequence[np.ndarray], lines: Sequence[TextLine], finder: NeuralReader) -> tuple[list[TextLine], list[np.ndarray]]:
    """The finder's own reading, and the boxes; those that end in a figure are drawn out to the right, where a unit may stand."""
    short = {id(x.quad) for x in lines if x.text[-1].isdigit()}
    longer = [reach_right(q, quads) for q in quads if id(q) in short]
    kept = [x for x in lines if id(x.quad) not in short]
    return kept + finder.read(view.pixels, longer), [q for q in quads if id(q) not in short] + longer


def _with_room_on_the_left(view: View, lines: Sequence[TextLine], quads: Sequence[np.ndarray], finder: NeuralReader) -> list[TextLine]:
    """The lines again, those that begin with a figure read with room on the left: a box that cut off a first digit
    cuts it off for every reader, so this is the only witness against it."""
    first = [x for x in lines if x.text[0].isdigit() or x.text[0] in ".,"]
    again = finder.read(view.pixels, [reach_left(x.quad, quads) for x in first])
    return [x for x in lines if not any(x is y for y in first)] + again


def _key(field: PhotoField) -> str:
    return field.statement.place if isinstance(field.statement, Measured) else field.statement.key


def _worth_a_second_look(lines: dict[str, list[TextLine]], quads: Sequence[np.ndarray],
                         seen: Sequence[Sequence[tuple[float, ...]]]) -> list[np.ndarray]:
    """Quads where somebody saw what is not settled, each such field's boxes in `seen`; with one that nobody saw, those where somebody saw a
    digit or an oil's name, or read nothing sure."""
    if all(seen):
        return [q for q in quads if any(_meet(bounds(q), box) for boxes in seen for box in boxes)]

    def worth(quad: np.ndarray) -> bool:
        texts = [(x.text, x.confidence) for found in lines.values() for x in found if x.quad is quad]
        return not texts or any(any(c.isdigit() for c in t) or "PAG" in t or "POE" in t or "INERAL" in t.upper() or c < 0.6 for t, c in texts)

    return [q for q in quads if worth(q)]


def _meet(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _settled(accounts: Sequence[tuple[str, Account]], field: str) -> bool:
    seen = [a.sightings.get(field) for _, a in accounts]
    if len(seen) == 1:
        return seen[0] is not None and seen[0].question is None
    return all(s is not None and s.question is None and _same(s, seen[0]) for s in seen)


def _same(one: Sighting, other: Sighting) -> bool:
    """The same statement; 0.66 kg and 0.660 kg are the same figure."""
    return one.statement == other.statement


def _field(name: str, accounts: Sequence[tuple[str, Account]], used: Sequence[str], view: View, photo: Photo) -> PhotoField | None:
    seen = [_Seen(reader, a.sightings[name]) for reader, a in accounts if name in a.sightings]
    seen = [s for s in seen if not s.sighting.guessed] or seen
    if not seen:
        return None
    groups: list[list[_Seen]] = []
    for s in seen:
        for group in groups:
            if _same(group[0].sighting, s.sighting):
                group.append(s)
                break
        else:
            groups.append([s])
    groups.sort(key=lambda g: (len({s.reader for s in g}), sum(s.sighting.confidence for s in g)), reverse=True)
    best = groups[0]
    chosen = max(best, key=lambda s: s.sighting.confidence).sighting
    question = _question(name, groups, used, view, photo, chosen)
    versions = {}
    for s in sorted(seen, key=lambda s: s.sighting.confidence, reverse=True):
        shown = Version(s.reader, s.sighting.text, s.sighting.statement, round(s.sighting.confidence, 3))
        versions.setdefault((s.reader, s.sighting.statement), shown)
        for other in s.sighting.others:
            if not any(_one_amount(other, v.statement) for v in versions.values()):
                versions.setdefault((s.reader, other), replace(shown, statement=other))
    by_reader = {}
    for s in best:
        by_reader[s.reader] = max(by_reader.get(s.reader, 0.0), s.sighting.confidence)
    confidence = 1 - float(np.prod([1 - c for c in by_reader.values()]))        # independent readers
    confidence = confidence if question is None else min(confidence, 0.5)
    standing = Standing.AGREED if question is None else Standing.UNCONFIRMED
    return PhotoField(chosen.statement, standing, round(min(confidence, 0.999), 3), tuple(versions.values()),
                      _photo_box(view, chosen.box, photo), _photo_quad(view, chosen.box), _crop(view, chosen.box), question)


def _one_amount(one: Measured | Fact, other: Measured | Fact) -> bool:
    """Are they one amount in two units, to half a unit of their last places? It is no other choice then."""
    if not (isinstance(one, Measured) and isinstance(other, Measured)) or one.unit == other.unit or UNITS[one.unit].quantity is not UNITS[other.unit].quantity:
        return False
    halves = [convert(0.5 * 10.0 ** m.value.as_tuple().exponent, m.unit, other.unit) for m in (one, other)]
    return abs(convert(float(one.value), one.unit, other.unit) - float(other.value)) <= sum(halves)


def _question(name: str, groups: list[list[_Seen]], used: Sequence[str], view: View, photo: Photo, chosen: Sighting) -> str | None:
    """Why a person must look, or None when the figure stands by itself."""
    what, best = FIELD_NAMES[name], groups[0]
    value = stated(chosen.statement)
    doubts = [s.sighting.question for s in best if s.sighting.question]
    if doubts:
        return doubts[0]
    rivals = [g for g in groups[1:] if _is_rival(g, best)]
    if rivals:
        return f"The {what} reads {' or '.join([value, *(stated(g[0].sighting.statement) for g in rivals)])}: which is it?"
    if _glare_near(view, chosen.box):
        return f"Glare lies by the {what}, read as {value}: is that what the label says?"
    if covered(view.pixels, chosen.box):
        return f"Something covers the label by the {what}, read as {value}, or it is torn there: is that what the label says?"
    if _at_the_edge(view, chosen.box, photo):
        return f"The {what}, read as {value}, is cut by the edge of the photo: is that what the label says?"
    readers = {s.reader for s in best}
    if max(s.sighting.confidence for s in best) < SURE:
        return f"The {what} is hard to read, perhaps {value}: what does the label say?"
    if len(readers) >= 2:
        return None
    if name == CHARGE and any(s.sighting.proved for s in best):
        return None
    why = "only one text reader is installed" if len(used) == 1 else "only one of two readers could read it"
    return f"The {what} reads {value}, but {why}: is it right?"


def _is_rival(group: list[_Seen], best: list[_Seen]) -> bool:
    """A different figure counts against the best one unless its reader also gave the best one with more confidence.

    The same amount in the label's other unit does not differ, and what cannot be does not count against two readers.
    """
    kept = best[0].sighting.amount
    agreed = len({s.reader for s in best}) > 1
    for s in group:
        if agreed and best[0].sighting.plausible and not s.sighting.plausible:
            continue
        other = s.sighting.amount
        if kept and other and kept.metric is not other.metric and compare(kept, other) is Agreement.AGREE:
            continue
        own = [b.sighting.confidence for b in best if b.reader == s.reader]
        if not own or s.sighting.confidence > max(own):
            return True
        if s.reader == NeuralReader.name and s.sighting.confidence > 0.6:
            return True
    return False


def _glare_near(view: View, box: tuple[float, float, float, float]) -> bool:
    margin = TEXT_HEIGHT / 2
    left, top, right, bottom = (int(v) for v in (box[0] - margin, box[1] - margin / 2, box[2] + margin, box[3] + margin / 2))
    part = view.glare[max(0, top):max(0, bottom), max(0, left):max(0, right)]
    return bool(part.size) and float(part.mean()) > GLARE_SHARE


def _at_the_edge(view: View, box: tuple[float, float, float, float], photo: Photo) -> bool:
    left, top, right, bottom = _raw_photo_box(view, box)
    return left < 2 or top < 2 or right > photo.width - 3 or bottom > photo.height - 3


def _corners_in_photo(view: View, box: tuple[float, float, float, float]) -> np.ndarray:
    left, top, right, bottom = box
    return view.to_photo(np.array([(left, top), (right, top), (right, bottom), (left, bottom)]))


def _raw_photo_box(view: View, box: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    points = _corners_in_photo(view, box)
    return float(points[:, 0].min()), float(points[:, 1].min()), float(points[:, 0].max()), float(points[:, 1].max())


def _photo_quad(view: View, box: tuple[float, float, float, float]) -> tuple[tuple[int, int], ...]:
    return tuple((int(x), int(y)) for x, y in np.rint(_corners_in_photo(view, box)))


def _photo_box(view: View, box: tuple[float, float, float, float], photo: Photo) -> tuple[int, int, int, int]:
    left, top, right, bottom = _raw_photo_box(view, box)
    return max(0, int(left)), max(0, int(top)), min(photo.width, int(right) + 1), min(photo.height, int(bottom) + 1)


def _crop(view: View, box: tuple[float, float, float, float]) -> bytes:
    from PIL import Image

    margin = TEXT_HEIGHT // 4
    height, width = view.pixels.shape[:2]
    left, top = max(0, int(box[0]) - margin), max(0, int(box[1]) - margin)
    right, bottom = min(width, int(box[2]) + margin + 1), min(height, int(box[3]) + margin + 1)
    out = io.BytesIO()
    Image.fromarray(view.pixels[top:max(bottom, top + 1), left:max(right, left + 1)]).save(out, "PNG", compress_level=2)       # a quarter of the time for a few kB
    return out.getvalue()


def stated(statement: Measured | Fact) -> str:
    """A field's value as a person writes it: "0.55 ± 0.02 kg", "R-134a"."""
    if isinstance(statement, Fact):
        return statement.value
    tolerance = f" ± {statement.tolerance}" if statement.tolerance is not None else ""
    return f"{statement.value}{tolerance} {statement.unit}"


def _warnings(fields: Sequence[PhotoField], accounts: Sequence[tuple[str, Account]], used: Sequence[str], view: View) -> list[str]:
    out = []
    if len(used) == 1:
        out.append(f"Only the {used[0]} was available: figures without a second unit on the label stay unconfirmed.")
    found = {_key(f) for f in fields}
    for name in FIELDS:
        if name in found:
            continue
        bits = list(dict.fromkeys(bit for _, a in accounts for bit in a.unclear[name]))
        seen = f' (something like "{bits[0]}" is there)' if bits else ""
        out.append(f"The {FIELD_NAMES[name]} was not read{seen}: look at the label and say it.")
    if view.glare.mean() > 0.02:
        out.append("There is glare on the label: a photo from another angle may read better.")
    if overexposed(view.pixels):
        out.append("The photo is overexposed, so glare cannot be told from paper: check the figures against the label.")
    return out


def _what_to_do(photo: Photo, view: View | None) -> str:
    if view is None:
        if sharpness(photo.pixels) < 15:
            return "No text was found and the photo is blurred: hold still, focus on the label and take it again."
        return "No text was found: fill the picture with the label and take it again."
    if view.glare.mean() > 0.02:
        return "There is glare on the figures: take the photo again from another angle."
    if overexposed(view.pixels):
        return "The label is overexposed: take the photo again with less light."
    # the flat view is scaled to a set height of text, so its scale tells the height in the photo
    scale = float(np.sqrt(abs(np.linalg.det(view.matrix[:2, :2]))))
    if TEXT_HEIGHT / max(scale, 1e-6) < LEAST_TEXT_PX:
        return "The print is too small: take the photo again closer."
    if sharpness(view.pixels) < 60:
        return "The label is blurred: hold still, focus on it and take the photo again."
    return "No refrigerant or charge was found in the text: photograph the under-hood refrigerant label, filling the picture with it."
