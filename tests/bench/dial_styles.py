"""Invented gauge faces and the styles they are drawn in; none follows any maker's gauge.

`DEVELOPMENT` styles may be looked at while the reader is written, and so may those drawn by lot; `HELD_OUT` styles (other typefaces,
spans, rings, colours and pointers) only ever score it. Scale conventions (clockwise increase, a gap at the bottom, vacuum in inHg
below zero on a compound gauge) are those of ASME B40.100, from memory.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

# psi per unit, NIST SP 811 B.8 and B.9
PSI = {"psi": 1.0, "bar": 14.503774, "kPa": 0.14503774, "MPa": 145.03774, "kg/cm2": 14.223343, "inHg": 0.49115415}


@dataclass(frozen=True)
class Ring:
    """`outer` is the ticks' outer end, `numerals` where the figures' middles lie, in face radii. `low` is the least value printed.
    `printed` are the figures of an uneven scale, which goes up by no one step."""

    unit: str
    step: float
    minor: int                    # smallest divisions from numeral to numeral
    outer: float
    numerals: float
    low: float = 0.0
    ink: str = "main"             # or "second"
    size: float = 1.0             # of the figures
    printed: tuple[float, ...] = ()


@dataclass(frozen=True)
class Face:
    """`knots` are (psi, share of the sweep); between them the scale is linear."""

    name: str
    knots: tuple[tuple[float, float], ...]
    rings: tuple[Ring, ...]
    retard: float | None = None   # psi from which the scale is compressed

    @property
    def compound(self) -> bool:
        return self.knots[0][0] < 0

    def share(self, psi: float) -> float:
        return float(np.interp(psi, [k[0] for k in self.knots], [k[1] for k in self.knots]))

    def psi(self, share: float) -> float:
        return float(np.interp(share, [k[1] for k in self.knots], [k[0] for k in self.knots]))


@dataclass(frozen=True)
class Style:
    name: str
    typeface: str
    paper: tuple[int, int, int]
    ink: tuple[int, int, int]
    second: tuple[int, int, int]
    pointer: str                  # taper, bar, arrow, leaf, thin, spade, lance, stepped
    pointer_ink: tuple[int, int, int]
    tail: str                     # none, bar, disc
    bezel: tuple[int, int, int]
    sweep: float = 270.0
    numeral: float = 0.115        # height of the type, in radii
    hub: float = 0.08
    reach: float = 0.78
    band: bool = False            # coloured arcs
    clutter: bool = False         # a ring of refrigerant temperatures
    radial: bool = False          # figures turned with the scale
    arc: bool = True              # a line the ticks stand on
    gap: float = 0.0              # degrees clockwise from the bottom, where the scale's gap lies
    ticks: tuple[int, int] = (9, 4)       # px, width of those with a figure and of the others
    words_at: float = 0.26        # radii below the middle
    words: tuple[tuple[str, str], ...] = ()     # (unit, its word) where it is written otherwise
    cap: tuple[int, int, int] = (150, 150, 154)
    sparse: bool = False          # figures that would stand on others are left out
    lengths: tuple[float, float, float] = (0.5, 0.75, 1.0)     # of the ticks: without a figure, halfway, with one
    dots: bool = False            # in place of the ticks without a figure
    zones: tuple[float, float] | None = None    # radii of coloured arcs that reach in under the figures
    fluids: tuple[str, ...] = ()  # rings of refrigerants' temperatures, with their signs
    legend: tuple[tuple[str, float, float], ...] = ()     # other words: text, height in radii, radii below the middle
    word: float = 0.095           # height of the units' type, in radii
    tail_length: float = 0.24
    rim: float = 1.12             # bezel's outer edge, in radii
    screw: bool = False           # a slot across the hub
    point: str = "."              # decimal sign


Inner = tuple[str, float, int]    # unit, step, divisions


def _plain(name: str, top: float, step: float, minor: int, unit: str = "psi", inner: Inner | None = None, third: Inner | None = None) -> Face:
    rings = [Ring(unit, step, minor, 0.93, 0.74)]
    if inner and third:
        rings = [Ring(unit, step, minor, 0.95, 0.79, size=0.85), Ring(*inner, 0.66, 0.555, ink="second", size=0.68), Ring(*third, 0.45, 0.36, size=0.6)]
    elif inner:
        rings.append(Ring(*inner, 0.58, 0.46, ink="second", size=0.78))
    return Face(name, ((0.0, 0.0), (top * PSI[unit], 1.0)), tuple(rings))


def _compound(name: str, top: float, step: float, minor: int, zero: float, retard: tuple[float, float] | None, inner: Inner | None) -> Face:
    knots = [(-30 * PSI["inHg"], 0.0), (0.0, zero), (top, retard[1] if retard else 1.0)]
    if retard:
        knots.append((retard[0], 1.0))
    rings = [Ring("psi", step, minor, 0.93, 0.74, 0.0), Ring("inHg", 10, 5, 0.93, 0.74, -30.0)]
    if inner:
        rings.append(Ring(*inner, 0.58, 0.46, -1.0, ink="second", size=0.78))
    return Face(name, tuple(knots), tuple(rings), top if retard else None)


def _below_zero(name: str, unit: str, low: float, top: float, step: float, minor: int, zero: float) -> Face:
    """A compound gauge whose one unit goes on below zero."""
    return Face(name, ((low * PSI[unit], 0.0), (0.0, zero), (top * PSI[unit], 1.0)), (Ring(unit, step, minor, 0.93, 0.74, low),))


def _uneven(name: str, unit: str, printed: Sequence[float], bend: Callable[[float], float], minor: int,
            inner: tuple[str, Sequence[float]] | None = None) -> Face:
    """A scale that closes up: `bend` says at which share of the sweep a share of the top stands."""
    top = printed[-1] * PSI[unit]
    rings = [Ring(unit, 0.0, minor, 0.93, 0.74, printed=tuple(printed))]
    if inner:
        rings.append(Ring(inner[0], 0.0, 5, 0.58, 0.46, ink="second", size=0.78, printed=tuple(inner[1])))
    return Face(name, tuple((top * k / 400, bend(k / 400)) for k in range(401)), tuple(rings))


DEVELOPMENT_FACES = (
    _plain("0-500 psi, bar", 500, 50, 5, inner=("bar", 5, 5)),
    _plain("0-250 psi", 250, 50, 10),
    _plain("0-120 psi, kPa", 120, 20, 10, inner=("kPa", 100, 5)),
    _plain("0-16 bar, psi", 16, 2, 10, "bar", inner=("psi", 40, 4)),
    _compound("30-0-120 psi, bar", 120, 20, 10, 0.2, None, ("bar", 1, 5)),
    _compound("30-0-120-250 psi", 120, 20, 10, 0.18, (250, 0.88), None),
    _uneven("0-500 psi uneven, bar", "psi", (0, 10, 20, 30, 40, 60, 80, 100, 150, 200, 250, 300, 400, 500), lambda x: x ** 0.6, 10,
            ("bar", (0, 1, 2, 4, 6, 10, 15, 20, 25, 30))),
    _uneven("0-250 psi uneven", "psi", (0, 10, 20, 30, 40, 50, 60, 80, 100, 125, 150, 200, 250), lambda x: math.log1p(6 * x) / math.log1p(6), 10),
    _plain("0-1.6 MPa, psi", 1.6, 0.2, 10, "MPa", inner=("psi", 40, 4)),
    _plain("0-35 kg/cm2", 35, 5, 10, "kg/cm2"),
    _plain("0-300 psi, bar, kPa", 300, 50, 10, inner=("bar", 4, 4), third=("kPa", 500, 5)),
    _below_zero("1-0-10 kg/cm2", "kg/cm2", -1, 10, 1, 5, 0.12),
)
HELD_OUT_FACES = (
    _plain("0-800 psi, bar", 800, 100, 10, inner=("bar", 10, 5)),
    _plain("0-150 psi", 150, 30, 6),
    _plain("0-600 psi, kPa", 600, 100, 10, inner=("kPa", 1000, 10)),
    _plain("0-1000 kPa, psi", 1000, 200, 10, "kPa", inner=("psi", 20, 4)),
    _compound("30-0-150 psi, bar", 150, 30, 6, 0.16, None, ("bar", 2, 5)),
    _compound("30-0-150-350 psi", 150, 25, 5, 0.15, (350, 0.85), None),
    _uneven("0-35 bar uneven", "bar", (0, 1, 2, 3, 4, 5, 7, 10, 15, 20, 25, 30, 35), lambda x: math.log1p(9 * x) / math.log1p(9), 10),
    _uneven("0-800 psi uneven", "psi", (0, 25, 50, 75, 100, 150, 200, 300, 400, 500, 600, 700, 800),
            lambda x: float(np.interp(x, (0, 0.125, 0.25, 0.5, 1), (0, 0.3, 0.48, 0.73, 1))), 5),
    _plain("0-2.5 MPa", 2.5, 0.5, 10, "MPa"),
    _plain("0-40 kg/cm2, psi", 40, 5, 5, "kg/cm2", inner=("psi", 100, 5)),
    _plain("0-400 psi, kg/cm2, MPa", 400, 50, 5, inner=("kg/cm2", 5, 5), third=("MPa", 0.5, 5)),
    _below_zero("0.1-0-1 MPa", "MPa", -0.1, 1, 0.1, 5, 0.14),
)
WHITE, CREAM, BLACK, GREY = (246, 246, 243), (240, 234, 212), (24, 24, 27), (206, 210, 212)
RED, BLUE, GREEN, INK, ORANGE = (190, 30, 34), (28, 66, 150), (20, 110, 60), (18, 18, 20), (228, 110, 24)
DEVELOPMENT = (
    Style("plain", "DejaVuSans.ttf", WHITE, INK, RED, "taper", INK, "bar", (70, 70, 74)),
    Style("narrow", "LiberationSansNarrow-Bold.ttf", WHITE, INK, BLUE, "arrow", (200, 30, 30), "disc", (150, 152, 156), 300, 0.125, band=True),
    Style("night", "LiberationSans-Regular.ttf", BLACK, (240, 240, 236), (240, 200, 60), "bar", (236, 90, 40), "bar", (36, 36, 38), 260, 0.12, arc=False),
    Style("cream", "DejaVuSansCondensed-Bold.ttf", CREAM, INK, GREEN, "leaf", INK, "none", (120, 96, 50), 240, 0.105, 0.1, clutter=True),
    Style("turned", "DejaVuSansCondensed.ttf", WHITE, INK, RED, "taper", INK, "disc", (40, 70, 140), 270, 0.12, 0.07, 0.72, radial=True),
)
HELD_OUT = (
    Style("bold", "LiberationSans-Bold.ttf", WHITE, (24, 40, 96), RED, "bar", INK, "disc", (34, 34, 36), 280, 0.11, 0.09, 0.8),
    Style("serif", "LiberationSerif-Bold.ttf", GREY, INK, BLUE, "taper", RED, "bar", (170, 172, 176), 250, 0.13, 0.06, band=True),
    Style("dark", "DejaVuSans-Bold.ttf", (18, 34, 62), (244, 244, 240), (150, 220, 160), "arrow", (250, 250, 246), "none", (100, 102, 106), 270, 0.1),
    Style("mono", "DejaVuSansMono-Bold.ttf", (252, 244, 206), (30, 30, 30), ORANGE, "taper", INK, "disc", (150, 30, 34), 300, 0.11, 0.1, clutter=True),
    Style("slim", "LiberationSansNarrow-Regular.ttf", WHITE, INK, (90, 40, 120), "leaf", (30, 60, 160), "bar", (200, 200, 204), 270, 0.135, arc=False),
)


# by lot, of none of the held-out typefaces, sweeps and tops
_TYPEFACES = ("DejaVuSans.ttf", "DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf", "DejaVuSerif.ttf", "DejaVuSerifCondensed-Bold.ttf",
              "LiberationSans-Regular.ttf", "LiberationSansNarrow-Bold.ttf", "LiberationSerif-Regular.ttf", "LiberationMono-Bold.ttf",
              "LiberationSans-Italic.ttf")
_LIGHT = (WHITE, CREAM, (222, 224, 222), (250, 236, 190), (214, 226, 232), (236, 214, 196))
_DARK = (BLACK, (44, 46, 50), (14, 40, 30), (58, 20, 24), (30, 30, 70))
_TOPS = {"psi": ((160, 20), (200, 20), (220, 20), (300, 50), (450, 50), (550, 50), (700, 100)), "bar": ((10, 1), (18, 2), (25, 5), (50, 5)),
         "kPa": ((1600, 200), (2000, 200), (4000, 500)), "MPa": ((1.8, 0.2), (3.5, 0.5), (5, 0.5)), "kg/cm2": ((20, 2), (50, 5), (18, 2))}
_CLOSING = (("psi", (0, 10, 20, 40, 60, 80, 100, 150, 200, 300, 450)), ("psi", (0, 20, 40, 60, 80, 100, 140, 180, 220)), ("psi", (0, 50, 100, 200, 300, 450, 700)),
            ("bar", (0, 0.5, 1, 2, 3, 4, 6, 8, 12, 16)), ("kPa", (0, 100, 200, 400, 600, 800, 1000, 1500, 2000, 3000)),
            ("bar", (0, 1, 2, 4, 6, 8, 10, 15, 20, 30, 40)))
_INNER = {"psi": ("bar", "kPa", "kg/cm2", "MPa"), "bar": ("psi", "kPa"), "kPa": ("psi", "bar"), "MPa": ("psi",), "kg/cm2": ("psi",)}
_WORDS = {"psi": ("psi", "PSI", "lb/in\u00b2"), "bar": ("bar", "BAR"), "kPa": ("kPa",), "MPa": ("MPa",), "kg/cm2": ("kg/cm\u00b2",), "inHg": ("in.Hg", "inHg")}


def _round_step(top: float, most: int) -> float:
    power = 10.0 ** math.floor(math.log10(top / most))
    return next(s * power for s in (1, 2, 5, 10) if top / (s * power) <= most)


def drawn_face(rng: random.Random) -> Face:
    unit = rng.choice(("psi", "psi", "psi", "bar", "kPa", "MPa", "kg/cm2"))
    top, step = rng.choice(_TOPS[unit])
    inner = None
    if rng.random() < 0.5:
        other = rng.choice(_INNER[unit])
        inner = (other, _round_step(top * PSI[unit] / PSI[other], 8), rng.choice((4, 5)))
    kind = rng.random()
    if kind < 0.42:
        face = _plain(f"0-{top} {unit}", top, step, rng.choice((4, 5, 10)), unit, inner)
    elif kind < 0.74:
        top, step = rng.choice(((100, 10), (160, 20), (200, 20), (220, 20)))
        retard = (2 * top, rng.choice((0.8, 0.9))) if rng.random() < 0.3 else None
        step *= 2 if retard else 1
        inner = None if retard or rng.random() < 0.4 else rng.choice((("bar", 1, 5), ("bar", 2, 4), ("kg/cm2", 2, 4)))
        face = _compound(f"30-0-{top} psi", top, step, rng.choice((4, 5, 10)), rng.choice((0.13, 0.19, 0.22)), retard, inner)
    elif kind < 0.83:
        unit, low, top, step, zero = rng.choice((("bar", -1, 10, 1, 0.1), ("bar", -1, 18, 2, 0.07), ("kPa", -100, 1600, 200, 0.08),
                                                  ("kg/cm2", -1, 18, 1, 0.11)))
        face = _below_zero(f"{low}-0-{top} {unit}", unit, low, top, step, rng.choice((4, 5, 10)), zero)
    else:
        unit, printed = rng.choice(_CLOSING)
        power, multiple = rng.choice((0.45, 0.55, 0.65, 0.8)), rng.choice((3.0, 5.0, 12.0))
        bend = (lambda x: x ** power) if rng.random() < 0.5 else (lambda x: math.log1p(multiple * x) / math.log1p(multiple))
        face = _uneven(f"0-{printed[-1]} {unit} uneven", unit, printed, bend, rng.choice((5, 10)))
    outside = len(face.rings) == 1 and rng.random() < 0.25          # figures outside the ticks
    grow, rings = rng.uniform(0.96, 1.02), []
    for ring in face.rings:
        outer, numerals = (0.72, 0.86) if outside else (ring.outer * grow, ring.numerals * grow + rng.uniform(-0.01, 0.02))
        rings.append(replace(ring, outer=outer, numerals=numerals))
    if face.compound:           # the figures below zero stand on the same ring
        rings = [replace(r, numerals=rings[0].numerals) if r.ink == "main" else r for r in rings]
    return replace(face, rings=tuple(rings))


_FLUIDS = ("R134a", "R-134a", "R1234yf", "R22", "R-404A", "R410A")
_LEGENDS = ("CL 1.6", "kl. 2.5", "DRY", "A/C", "LOW", "HIGH", "OIL FREE", "TEST ONLY", "GRADE B", "EN 837-1", "1/8 NPT", "50 mm", "No. 4417", "MADE BY HAND")


def drawn_style(rng: random.Random) -> Style:
    dark = rng.random() < 0.3
    paper = rng.choice(_DARK if dark else _LIGHT)
    ink = rng.choice(((240, 240, 236), (224, 214, 180))) if dark else rng.choice((INK, (40, 44, 60), (60, 30, 20)))
    second = rng.choice(((240, 200, 60), (240, 130, 110), (150, 190, 240))) if dark else rng.choice((RED, BLUE, GREEN, (110, 70, 20)))
    pointer_ink = rng.choice(((236, 90, 40), (240, 240, 236), (250, 210, 40))) if dark else rng.choice((INK, INK, (200, 30, 30), (200, 90, 20), (20, 60, 110)))
    words_at = rng.choice((0.24, 0.28, 0.34, 0.42, -0.34, -0.42))
    legend = tuple((rng.choice(_LEGENDS), rng.uniform(0.05, 0.075), -math.copysign(rng.uniform(0.24, 0.44), words_at)) for _ in range(rng.choice((0, 0, 1, 1))))
    inner = rng.uniform(0.55, 0.86)
    return Style("by lot", rng.choice(_TYPEFACES), paper, ink, second,
                 rng.choice(("taper", "bar", "arrow", "leaf", "thin", "spade", "lance", "stepped")), pointer_ink,
                 rng.choice(("none", "bar", "disc")), rng.choice(((70, 70, 74), (24, 24, 24), (150, 152, 156), (214, 214, 216), (176, 140, 60), (40, 90, 60))),
                 rng.choice((225, 240, 260, 265, 270, 270, 285, 295, 300, 310)), rng.uniform(0.08, 0.145), rng.uniform(0.04, 0.17), rng.uniform(0.6, 0.92),
                 rng.random() < 0.2, rng.random() < 0.12, rng.random() < 0.25, rng.random() < 0.7, rng.choice((0, 0, 0, 0, 0, -45, 30, 90)),
                 rng.choice(((9, 4), (12, 5), (7, 3), (14, 4), (8, 8), (6, 6))), words_at,
                 tuple((u, rng.choice(w)) for u, w in _WORDS.items()), rng.choice(((150, 150, 154), (30, 30, 32), (196, 160, 80))), True,
                 rng.choice(((0.5, 0.75, 1.0), (0.5, 0.75, 1.0), (0.35, 0.7, 1.2), (1.0, 1.0, 1.0), (0.7, 0.7, 0.8))), rng.random() < 0.08,
                 (inner, inner + rng.uniform(0.05, 0.25)) if rng.random() < 0.2 else None,
                 tuple(rng.sample(_FLUIDS, rng.choice((1, 2, 3)))) if rng.random() < 0.25 else (), legend, rng.uniform(0.07, 0.115), rng.uniform(0.16, 0.34),
                 rng.choice((1.06, 1.12, 1.12, 1.2, 1.28)), rng.random() < 0.3, "," if rng.random() < 0.1 else ".")


BY_LOT = 300
BY_LOT_STYLES = tuple(drawn_style(random.Random(7000 + k)) for k in range(BY_LOT))
BY_LOT_FACES = tuple(drawn_face(random.Random(8000 + k)) for k in range(BY_LOT))
SPLITS = {"development": (DEVELOPMENT + BY_LOT_STYLES, DEVELOPMENT_FACES + BY_LOT_FACES, 100_000), "heldout": (HELD_OUT, HELD_OUT_FACES, 500_000)}
