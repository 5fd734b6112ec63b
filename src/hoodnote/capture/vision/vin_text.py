"""Printed, embossed or dotted VINs in a photo: the rows of text that may be one, and what each reader makes of them."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader, Reader, cut_out
from hoodnote.capture.vision.rectify import SEARCH_SIDES, SMALL_PRINT, reduced_photo, text_at
from hoodnote.capture.vision.vin_codes import VinCode
from hoodnote.capture.vision.vin_plates import PlateReader
from hoodnote.readings.vin import LENGTH, check_vin, formed

STRIP_HEIGHT = 64           # px of a row's strip
SLANTS = tuple(i / 10 for i in range(-7, 8))       # of letters, columns a row
MOST_ROWS = 12              # of a photo that are read at all, the longest first: a VIN is a long row
MOST_VINS = 2               # rows that both readers read
LONG_ROW = 5                # times its height: what a row must be that the plate reader looks at unasked
MOST_GROUPS = 4             # that a VIN is set in
SURE_LENGTH = 6             # characters of a row that tells which way is up
SURE_WAY = 0.9              # confidence from which it is not read upside down as well
LEAST_FIGURES = 5           # a VIN has four at its end, its check digit and, mostly, more
# What a part's sticker calls its number; common practice, no source. A VIN never bears such a name.
_OTHER_NAMES = frozenset("PART PARTS PN LOT BATCH ITEM ORDER SKU TEIL TEILE ARTIKEL PIECE PIEZA".split())
_NUMBER = frozenset("NO NR NUM NUMBER NUMMER NUMERO".split())
MOST_MISREAD = 3            # characters of a barcode's text that its print may be read as others
_NAMES = re.compile(r"^(VIN|V1N|FIN|NO|NR|CHASSIS|FAHRGESTELL\w*|FAHRZEUG\w*|VEHICLE|IDENTIFICATION|NUMBER)+(?=$|[A-Z0-9]{15,19}$)")


@dataclass(frozen=True, eq=False)
class Row:
    """`quad` is 4 x 2 in the photo's pixels, along the text, with room at both ends; `text` as `reader` gave it."""

    quad: np.ndarray
    text: str
    confidence: float
    reader: str = NeuralReader.name


@dataclass(frozen=True)
class VinReading:
    """`vin` has the permitted characters of the row, 17 or not; `text` is what the reader gave."""

    reader: str
    text: str
    vin: str
    confidence: float


def texts_of(photo: Photo, finder: NeuralReader, smoothed: bool = False) -> Iterator[Row]:
    """The longest rows of text in the photo, longest for their height first, as the finder's reader reads them, upright; looked for as
    labels are, in a small picture unless its print is small. `smoothed`: with the dots of stamped characters run together."""
    import cv2

    found: list[np.ndarray] = []
    for side in SEARCH_SIDES:
        if smoothed:
            small, scale = reduced_photo(photo, side)
            found = [q / scale for q in finder.find_text(cv2.GaussianBlur(small, (0, 0), side / 400))]
        else:
            found, scale = text_at(photo, side, finder)
        if found and scale * float(np.median([sides(along(q))[1] for q in found])) >= SMALL_PRINT:
            break
    quads = [along(q) for q in found]
    rows = sorted(joined(quads), key=lambda q: sides(q)[0] / max(1.0, sides(q)[1]), reverse=True)
    turned, left = None, [with_room(q) for q in rows[:MOST_ROWS] if sides(q)[0] >= 3 * sides(q)[1]]
    while left:
        pair, left = left[:2], left[2:]          # two at once
        if turned is not None:
            yield from (r for r in _read(photo.pixels, [np.roll(q, -2, axis=0) if turned else q for q in pair], finder) if r.text)
            continue
        plain = _read(photo.pixels, pair, finder)
        doubted = [i for i, row in enumerate(plain) if not row.text or row.confidence <= SURE_WAY]
        other = dict(zip(doubted, _read(photo.pixels, [np.roll(pair[i], -2, axis=0) for i in doubted], finder), strict=True))
        for i, row in enumerate(plain):
            if turned:           # it was read the right way round as well, unless that was sure from the beginning
                row = other.get(i) or _read(photo.pixels, [np.roll(pair[i], -2, axis=0)], finder)[0]
            elif turned is None:
                row, turned = _upright(row, other.get(i))
            if row.text:
                yield row


def _read(pixels: np.ndarray, quads: Sequence[np.ndarray], finder: NeuralReader) -> list[Row]:
    texts = finder.read_strips([cut_out(pixels, q) for q in quads])
    return [Row(q, *found) for q, found in zip(quads, texts, strict=True)]


def vin_rows(rows: Iterable[Row]) -> list[Row]:
    """Those that may be a VIN, the likeliest first."""
    likely = [r for r in rows if looks_like_vin(r.text) > 0]
    return sorted(likely, key=lambda r: (looks_like_vin(r.text), r.confidence), reverse=True)[:MOST_VINS]


def as_plates(pixels: np.ndarray, rows: Sequence[Row]) -> list[Row]:
    """The longest rows as the plate reader reads them: it makes out dots and relief that the finder's reader does not."""
    long = [r for r in rows if sides(r.quad)[0] >= LONG_ROW * sides(r.quad)[1]][:MOST_VINS]
    read = [(r, *PlateReader().read_strip(_versions(cut_out(pixels, r.quad))[0])) for r in long]
    return [Row(r.quad, text, confidence, PlateReader.name) for r, text, confidence in read]


def looks_like_vin(text: str) -> float:
    """0 to 1: how much the text of a row looks like a VIN, alone or behind its name."""
    vin = vin_part(text)
    figures = min(sum(c.isdigit() for c in vin), sum(c.isdigit() for c in text))
    if figures < LEAST_FIGURES or vin.isdigit() or sum(c.isdigit() for c in vin[-4:]) < 3:     # its last four are figures
        return 0.0
    if len(vin) != LENGTH:
        return 0.5
    return 1.0 if check_vin(vin) is None else 0.7


def vin_part(text: str) -> str:
    """The characters of a row that may be the VIN, "" where it holds none: one word of 17 characters or nearly so, or two to four
    groups that make 17 and are all there is in the row but for the VIN's name. Words and figures of a sentence never make one, nor does
    the number of a part or a lot."""
    words = _words(text)
    words = [w for i, w in enumerate(words) if len(w) < LENGTH - 2 or not _is_other_number(words[:i])]
    whole = [w for w in words if len(w) == LENGTH]
    if len(whole) == 1:
        return formed(whole[0])
    rest = [w for w in (_NAMES.sub("", w) for w in words) if w]
    groups = [w for w in rest if len(w) > 1]
    in_groups = 1 < len(groups) <= MOST_GROUPS and groups == rest and not any(w.isalpha() and len(w) > 3 for w in groups)
    if in_groups and abs(len("".join(groups)) - LENGTH) <= 1:
        return formed("".join(groups))
    near = [w for w in rest if abs(len(w) - LENGTH) <= 2 and not w.isalpha()]
    return formed(near[0]) if len(near) == 1 and len(rest) <= 3 else ""


def not_named_otherwise(codes: Sequence[VinCode], rows: Iterable[Row]) -> list[VinCode]:
    """The barcodes but those whose text stands in print, too, as the number of a part or a lot."""
    lines = [_words(r.text) for r in rows]
    others = [w[-LENGTH:] for words in lines for i, w in enumerate(words) if len(w) >= LENGTH and _is_other_number(words[:i])]
    return [c for c in codes if not any(sum(a != b for a, b in zip(c.vin, w, strict=True)) <= MOST_MISREAD for w in others)]


def _words(text: str) -> list[str]:
    return [w for w in re.split(r"[^A-Z0-9]+", re.sub(r"V\W?I\W?N(?=\W)", "VIN", re.sub(r"\bP\W?N\b", "PN", text.upper()))) if w]


def _is_other_number(before: Sequence[str]) -> bool:
    """Do the words before it name it as the number of a part or a lot?"""
    name = next((w for w in reversed(before) if w not in _NUMBER), "")
    return name in _OTHER_NAMES


def read_row(pixels: np.ndarray, row: Row, readers: Sequence[Reader], known: Sequence[str] = ()) -> list[VinReading]:
    """Readings of the row until two readers agree on a VIN: as it is and with its dots run together by the plate reader, as it is by the
    other ones, then by all of them with its dots run together and by its relief. A row that says what barcodes said, the VINs `known`, is
    not read again."""
    out = [VinReading(row.reader, row.text, vin_part(row.text), row.confidence)]
    if out[0].vin in known and check_vin(out[0].vin) is None:
        return out
    plain, smooth, relief = _versions(cut_out(pixels, row.quad))
    plates, neural = ([r for r in readers if r.name == name] for name in (PlateReader.name, NeuralReader.name))
    others = [r for r in readers if r not in plates and r not in neural]
    for strips, asked in (([plain], plates), ([smooth], plates), ([plain], others), ([smooth, relief], neural), ([relief], plates), ([smooth, relief], others)):
        sheet, quads = _sheet(strips)
        for reader in asked:
            for line in reader.read(sheet, quads):
                reading = VinReading(reader.name, line.text, vin_part(line.text), line.confidence)
                if reading.vin and reading not in out:
                    out.append(reading)
        if any(check_vin(a.vin) is None and a.vin == b.vin and a.reader != b.reader for a in out for b in out):
            break
    return out


def _versions(strip: np.ndarray) -> list[np.ndarray]:
    """The strip upright, then with its dots run together, then by its relief: where it is lighter or darker than the metal around."""
    import cv2

    scale = STRIP_HEIGHT / strip.shape[0]
    strip = cv2.resize(strip, (max(32, round(strip.shape[1] * scale)), STRIP_HEIGHT), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    strip = _unslanted(strip)
    grey = cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)
    smooth = cv2.GaussianBlur(grey, (0, 0), STRIP_HEIGHT / 26)
    level = cv2.GaussianBlur(grey, (0, 0), STRIP_HEIGHT / 5).astype(np.float32)
    relief = cv2.GaussianBlur(np.abs(cv2.GaussianBlur(grey, (0, 0), 1.2).astype(np.float32) - level), (0, 0), 1.5)
    relief = 255 - np.clip(relief * 255 / max(1.0, float(np.percentile(relief, 97))), 0, 255).astype(np.uint8)
    return [strip, *(cv2.cvtColor(g, cv2.COLOR_GRAY2RGB) for g in (smooth, relief))]


def _unslanted(strip: np.ndarray) -> np.ndarray:
    """A view from the side slants the letters; upright ones have their edges in few columns."""
    import cv2

    height, width = strip.shape[:2]
    half = cv2.resize(strip, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    edges = np.abs(cv2.Sobel(cv2.cvtColor(half, cv2.COLOR_RGB2GRAY), cv2.CV_32F, 1, 0, ksize=3))

    def sheared(picture: np.ndarray, slant: float) -> np.ndarray:
        rows = picture.shape[0]
        turn = np.float32([[1, slant, -slant * rows / 2], [0, 1, 0]])
        return cv2.warpAffine(picture, turn, (picture.shape[1], rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    middle = slice(height // 8, height // 2 - height // 8)
    best = max(SLANTS, key=lambda slant: float(sheared(edges, slant)[middle].sum(axis=0).var()))
    return sheared(strip, best) if best else strip


def _sheet(strips: Sequence[np.ndarray]) -> tuple[np.ndarray, list[np.ndarray]]:
    """The strips one under the other, so that a reader takes them in one run, and the quad of each."""
    gap, width = 8, strips[0].shape[1]
    sheet = np.full((len(strips) * (STRIP_HEIGHT + gap), width, 3), 128, np.uint8)
    quads = []
    for i, strip in enumerate(strips):
        top = i * (STRIP_HEIGHT + gap)
        sheet[top:top + STRIP_HEIGHT] = strip
        quads.append(np.float32([(0, top), (width, top), (width, top + STRIP_HEIGHT), (0, top + STRIP_HEIGHT)]))
    return sheet, quads


def _upright(row: Row, other: Row | None) -> tuple[Row, bool | None]:
    """The row the way round that reads better, and whether that is upside down where it is sure and of some length: then it tells it for
    the rows after it. `row`: as it reads in the order of its corners, `other`: upside down, where `row` left a doubt."""
    best, way = row, False
    if other is not None and other.text and (not row.text or other.confidence > row.confidence):
        best, way = other, True
    return best, way if best.text and best.confidence > SURE_WAY and len(best.text) >= SURE_LENGTH else None


def sides(quad: np.ndarray) -> tuple[float, float]:
    """Length along the text and height across it, px."""
    first, second, third, fourth = quad.tolist()
    return (math.dist(first, second) + math.dist(fourth, third)) / 2, (math.dist(first, fourth) + math.dist(second, third)) / 2


def along(quad: np.ndarray) -> np.ndarray:
    """The corners in such an order that the first side is a long one."""
    length, height = sides(quad)
    return quad if length >= height else np.roll(quad, -1, axis=0)


def with_room(quad: np.ndarray) -> np.ndarray:
    """Drawn out at both ends by most of its height: a box readily cuts off the first or the last character."""
    length, height = sides(quad)
    step = (quad[1] - quad[0]) / max(1.0, length) * 0.6 * height
    return np.float32([quad[0] - step, quad[1] + step, quad[2] + step, quad[3] - step])


def joined(quads: Sequence[np.ndarray]) -> list[np.ndarray]:
    """Boxes that follow one another on one line made one: a VIN may be set in groups. Each box alone stays in the list as well."""
    out = list(quads)
    for i, first in enumerate(quads):
        chain = first
        for _ in range(3):
            following = next((q for q in quads if q is not first and _follows(chain, q)), None)
            if following is None:
                break
            chain = np.float32([chain[0], following[1], following[2], chain[3]])
            out.append(chain)
    return out


def _follows(one: np.ndarray, other: np.ndarray) -> bool:
    height, other_height = sides(one)[1], sides(other)[1]
    if not 0.6 < height / max(1.0, other_height) < 1.6:
        return False
    start, end = (other[0] + other[3]) / 2, (one[1] + one[2]) / 2
    direction = (one[1] - one[0]) / max(1.0, float(np.linalg.norm(one[1] - one[0])))
    gap = start - end
    ahead = float(gap @ direction)
    aside = abs(float(gap[0] * direction[1] - gap[1] * direction[0]))
    return -0.5 * height < ahead < 2.5 * height and aside < 0.5 * height
