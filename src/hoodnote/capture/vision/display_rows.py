"""The figures that a photo's display shows: rows of them in its window, each read by the network and, apart from that, by its segments."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoodnote.capture.vision.display_find import Row, find_rows
from hoodnote.capture.vision.display_flat import BESIDE, DIGIT, Flat, contrast, lay_flat, slant
from hoodnote.capture.vision.display_net import DIGIT as NET_DIGIT
from hoodnote.capture.vision.display_net import HEIGHT, LETTER, Strip, as_grey, read_strip
from hoodnote.capture.vision.display_segments import Figures, level_row, read_cells
from hoodnote.capture.vision.display_sight import SIGN_DIGIT, Glance, Sighted, at_a_glance, figures_of, sighted
from hoodnote.capture.vision.display_windows import rows_in, windows
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.rectify import reduced_photo
from hoodnote.capture.vision.signs import signs_in
from hoodnote.capture.vision.threads import at_once

LEAST_DIGIT_PX = 16          # height of a digit in the photo; smaller ones are not read reliably
_SIDE, _SMALL = 1920, 40      # px, longest side of the photo as it is looked at first; digits lower than this there are looked at in full
_CLOSER_ABOVE, _CLOSER_BESIDE = 2.2, 8.0      # digit heights around a figure in which others of the display stand
_MARGIN = 1.0                # of a digit's height: how far beside a figure is looked for more of it
_ROWS = 4                    # rows looked at in a window
_LOOKS = 2                   # windows with a figure that are looked into: a window and its case, say
SURE = 0.9                   # probability from which the network counts
_PARTED = 1.25               # digit heights between two digits of one figure at most


@dataclass(frozen=True, eq=False)
class Shown:
    """One figure on the display. `net`: what the network reads; `figures`: what its segments say, None where no cells fit."""

    flat: Flat
    net: Strip
    figures: Figures | None
    left: float              # px in the flat view
    right: float
    rivals: tuple[str, ...] = ()     # what the network is as sure of when the row is laid flat another way

    @property
    def merit(self) -> float:
        """How well it is read: sure, of several digits, and the same both ways."""
        same = self.figures is not None and self.net.text in self.figures.variants()
        signs = min(sum(c != LETTER for c in self.net.text), 6)
        return (self.net.probability > SURE) * signs ** 0.5 - 0.3 * self.letters + 0.5 * same + 0.1 * self.net.probability

    @property
    def letters(self) -> bool:
        """Does it say letters, however it is laid flat?"""
        return any(LETTER in text for text in (self.net.text, *self.rivals))

    @property
    def row(self) -> Row:
        """The figure's place in the photo."""
        return Row(self.corners(self.left, self.right).astype(np.float64), self.flat.bright, len(self.net.text))

    def corners(self, left: float, right: float) -> np.ndarray:
        top = self.flat.top
        return self.flat.to_photo(np.array([(left, top), (right, top), (right, top + DIGIT), (left, top + DIGIT)])).astype(np.float64)

    @property
    def level(self) -> float:
        """Contrast of its strokes."""
        part = contrast(self.flat)[round(self.flat.top):round(self.flat.top + DIGIT), max(0, round(self.left)):max(1, round(self.right))]
        return float(np.percentile(part, 90)) if part.size else 0.0


def figures_in(photo: Photo, thorough: bool = True) -> list[Shown]:
    """The display's figures, at most three, the upper or left one first. A large photo is looked at as large as its digits need.
    `thorough`: where the network of signs finds none that is sure, rows of strokes are searched for, too, for up to a second."""
    small, scale = reduced_photo(photo, _SIDE)
    signs = sighted(small, _glance(photo), thorough)

    def read_in_full() -> list[Shown]:
        return _figures_in(photo.pixels, [f.grown(1 / scale) for f in signs], thorough)

    if scale == 1 or any(f.height < _SMALL for f in signs):
        return read_in_full()
    found = _figures_in(small, signs, thorough)
    if found and min(s.row.height for s in found) < _SMALL:
        return read_in_full()
    return [replace(s, flat=replace(s.flat, matrix=s.flat.matrix @ np.diag([scale, scale, 1.0]))) for s in found]


def is_sure(figures: Sequence[Shown]) -> bool:
    """Is the network sure of one of them?"""
    return any(s.net.probability > SURE for s in figures)


def large_figures(photo: Photo, but: Sequence[np.ndarray] = ()) -> bool:
    """Are there any that a glance tells, but for those in the middle of the quads `but` (4 x 2, photo pixels)?"""
    import cv2

    scale = reduced_photo(photo, _SIDE)[1]
    middles = [tuple(map(float, f.row.centre / scale)) for f in _glance(photo).large]
    return any(all(cv2.pointPolygonTest(q.astype(np.float32), middle, False) < 0 for q in but) for middle in middles)


def _glance(photo: Photo) -> Glance:
    return photo.once("glance at figures", lambda: at_a_glance(reduced_photo(photo, _SIDE)[0]))


def _figures_in(pixels: np.ndarray, signs: Sequence[Sighted], thorough: bool) -> list[Shown]:
    """`signs`: the figures that the network of signs finds in that picture."""
    figures = [f for f in _closer(pixels, signs) if f.height >= LEAST_DIGIT_PX]
    seen = [s for f in figures if (s := _read_sighted(pixels, f, [o for o in figures if o is not f])) is not None]
    if thorough and not is_sure(seen):
        seen += _searched(pixels)
    found: list[Shown] = []
    for one in sorted(seen, key=lambda s: s.merit, reverse=True):
        same = next((f for f in found if _covers(f, one.row) or _covers(one, f.row)), None)
        if same is None:
            found.append(one)
        elif one.net.probability > SURE and one.net.text not in (same.net.text, *same.rivals) and (
                one.letters or _digits(one.net.text) >= _digits(same.net.text)):
            found[found.index(same)] = replace(same, rivals=(*same.rivals, one.net.text))
    if not found:
        return []
    main = max(found, key=lambda s: s.merit * s.row.height)
    near = [s for s in found if s is main or _belongs(s, main)]
    near.sort(key=lambda s: (round(s.row.centre[1] / main.row.height), s.row.centre[0]))
    return near[:3]


def _closer(pixels: np.ndarray, figures: Sequence[Sighted]) -> Sequence[Sighted]:
    """The figures looked at again at the size that their signs are known best at; as they were where nothing is seen so."""
    if not figures:
        return figures
    main = max(figures, key=lambda f: f.probability * f.digits ** 0.5)
    flat = lay_flat(pixels, main.row, main.lean, _CLOSER_ABOVE, _CLOSER_BESIDE, SIGN_DIGIT)
    found = []
    for sign in signs_in(flat.pixels, "digits"):
        at, top = flat.to_photo(np.array([sign.at, np.add(sign.at, sign.up)])).astype(float)
        found.append(replace(sign, at=tuple(at), up=tuple(top - at)))
    closer = figures_of(found)
    return closer if max((f.digits for f in closer), default=0) >= main.digits else figures


def _read_sighted(pixels: np.ndarray, figure: Sighted, others: Sequence[Sighted]) -> Shown | None:
    """A figure whose place is known, read alone: what stands beside it on its line is kept out."""
    row = figure.row
    ways = [lay_flat(pixels, row, figure.lean), lay_flat(pixels, row, slant(lay_flat(pixels, row))), level_row(pixels, row)]
    looks = [(way, _look(way, *_bounds(way, figure, others))) for way in ways if way is not None]
    flat, net = max(looks, key=lambda look: (look[1].probability > SURE, len(look[1].text), look[1].probability))
    if not _says(net):
        return None
    spots = [x for sign, x in zip(net.text, net.spots, strict=True) if sign not in "-.:"]
    figures = read_cells(flat, spots) if spots else None
    left, right = (figures.left, figures.right) if figures else (net.spots[0] - 0.35 * DIGIT, net.spots[-1] + 0.35 * DIGIT)
    return Shown(flat, net, figures, left, right)


def _bounds(flat: Flat, figure: Sighted, others: Sequence[Sighted]) -> tuple[float | None, float | None]:
    """Columns of the flat view between which the figure stands, halfway to its neighbours' nearest digits; None where it has none."""
    def placed(one: Sighted) -> np.ndarray:
        return flat.to_view(np.array([s.at for s in one.signs]))

    own, left, right = placed(figure), None, None
    for other in map(placed, others):
        if abs(other[:, 1].mean() - own[:, 1].mean()) > 0.6 * DIGIT:
            continue
        if other[:, 0].max() < own[0, 0]:
            left = max(left or 0.0, (other[:, 0].max() + own[0, 0]) / 2)
        elif other[:, 0].min() > own[-1, 0]:
            right = min(right or np.inf, (other[:, 0].min() + own[-1, 0]) / 2)
    return left, right


def _searched(pixels: np.ndarray) -> list[Shown]:
    """Figures in rows of strokes, window by window and then wherever they stand, where no sign was found."""
    def in_windows() -> tuple[list[Shown], bool]:
        seen: list[Shown] = []
        read = 0
        for window in windows(pixels):
            own = shown_in(list(rows_in(pixels, window))[:_ROWS])
            seen += own
            read += any(s.net.probability > SURE for s in own)
            if read == _LOOKS:
                return seen, True
        return seen, False

    def shown_in(rows: Sequence[Row]) -> list[Shown]:
        return [s for row in rows if row.height >= LEAST_DIGIT_PX for s in _read(pixels, row)]

    (seen, enough), anywhere = at_once(in_windows, lambda: shown_in(find_rows(pixels)))
    return seen if enough else seen + anywhere


def _read(pixels: np.ndarray, row: Row) -> list[Shown]:
    """The figures of a row as it was found and as it is once its edges are moved onto the digits, whichever the network is surer of."""
    flat = lay_flat(pixels, row)
    first = _look(flat)
    if not _says(first) or first.probability < 0.3:
        return []
    upright = lay_flat(pixels, row, slant(flat))
    ways = [(way, _look(way)) for way in (upright, level_row(pixels, row)) if way is not None]
    return list(_shown(*max(ways, key=lambda way: (way[1].probability > SURE, len(way[1].text), way[1].probability))))


def _digits(text: str) -> int:
    return sum(c.isdigit() for c in text)


def _says(strip: Strip) -> bool:
    return any(c.isdigit() or c == LETTER for c in strip.text)


def _look(flat: Flat, left: float | None = None, right: float | None = None) -> Strip:
    """What the network reads of a flat view between two columns, and where, in the view's pixels."""
    import cv2

    share = NET_DIGIT / DIGIT
    width = flat.pixels.shape[1]
    a = max(0, round((BESIDE - _MARGIN) * DIGIT if left is None else left))
    b = min(width, round(width - (BESIDE - _MARGIN) * DIGIT if right is None else right))
    margin = round((HEIGHT / NET_DIGIT - 1) / 2 * DIGIT)
    cut = flat.pixels[round(flat.top) - margin:round(flat.top + DIGIT) + margin, a:b]
    if not cut.size:            # the figure's neighbours leave nothing between them
        return Strip("", 0.0, ())
    strip = cv2.resize(cut, (max(8, round((b - a) * share)), HEIGHT), interpolation=cv2.INTER_AREA)
    read = read_strip(as_grey(strip, flat.bright))
    return Strip(read.text, read.probability, tuple(a + x / share for x in read.spots))


def _shown(flat: Flat, whole: Strip) -> Iterator[Shown]:
    """The figures of a row, of which the network reads `whole`: what stands too far apart is two."""
    groups: list[list[float]] = []
    for sign, x in zip(whole.text, whole.spots, strict=True):
        if groups and x - groups[-1][-1] < _PARTED * DIGIT:
            groups[-1].append(x)
        elif sign not in ".:":
            groups.append([x])
    for i, group in enumerate(groups):
        before = (groups[i - 1][-1] + group[0]) / 2 if i else -np.inf
        after = (groups[i + 1][0] + group[-1]) / 2 if i + 1 < len(groups) else np.inf
        reach = (0.4 + _MARGIN) * DIGIT
        net = whole if len(groups) == 1 and _inside(flat, group) else _look(flat, max(before, group[0] - reach), min(after, group[-1] + reach))
        if not _says(net):
            continue
        spots = [x for sign, x in zip(net.text, net.spots, strict=True) if sign not in "-.:"]
        figures = read_cells(flat, spots)
        left, right = (figures.left, figures.right) if figures else (group[0] - 0.35 * DIGIT, group[-1] + 0.35 * DIGIT)
        yield Shown(flat, net, figures, left, right)


def _inside(flat: Flat, group: Sequence[float]) -> bool:
    """Was a digit's height looked at on either side of the figure?"""
    edge = (BESIDE - _MARGIN) * DIGIT
    return group[0] - edge > (0.3 + _MARGIN) * DIGIT and flat.pixels.shape[1] - edge - group[-1] > (0.3 + _MARGIN) * DIGIT


def _covers(shown: Shown, row: Row) -> bool:
    own = shown.row
    reach = np.abs(row.centre - own.centre)
    return bool(reach[0] < own.width / 2 + 0.2 * own.height and reach[1] < 0.6 * own.height)


def _belongs(one: Shown, main: Shown) -> bool:
    a, b = one.row, main.row
    if a.bright is not b.bright or not 0.6 < a.height / b.height < 1.67:
        return False
    apart = np.abs(a.centre - b.centre)
    stacked = apart[1] < 2.2 * b.height and apart[0] < 0.6 * (a.width + b.width)
    beside = apart[1] < 0.9 * b.height + 0.35 * apart[0] and apart[0] < 0.75 * (a.width + b.width) + 2.5 * b.height
    return bool(stacked or beside) and abs(one.level / max(main.level, 1e-6) - 1) < 0.6
