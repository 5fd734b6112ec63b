"""Draws the gauge faces of `dial_styles` and two-gauge manifolds with a known pointer position. The pointer is drawn above the face,
so a slanting view shows parallax."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from tests.bench.camera import engine_bay
from tests.bench.dial_styles import PSI, SPLITS, Face, Ring, Style
from tests.bench.label_render import font

RADIUS = 520                      # px of the face's radius where it is drawn
Placed = tuple[str, float, float, float, float]        # a digit, a point, or a unit: its middle, and from there to the top of a digit or letter


@dataclass(frozen=True)
class Truth:
    place: str | None             # vocabulary id where the gauge's place follows from the picture
    unit: str                     # of the outer ring; inHg below zero on a compound one
    value: float                  # in `unit`; depth for inHg
    span: float                   # of the whole scale, in `unit`
    values: dict[str, float]      # every unit on the face
    compound: bool


def start_of(style: Style) -> float:
    """Where the scale begins, degrees clockwise from the top."""
    return style.gap - style.sweep / 2


def _at(centre: tuple[float, float], angle: float, radius: float) -> tuple[float, float]:
    """`angle` in degrees clockwise from the top, `radius` in face radii."""
    a = math.radians(angle)
    return centre[0] + RADIUS * radius * math.sin(a), centre[1] - RADIUS * radius * math.cos(a)


def _printed(ring: Ring, value: float, point: str) -> str:
    number = abs(value) if ring.unit == "inHg" else value
    return f"{number:g}".replace(".", point)


def draw_face(image: Image.Image, centre: tuple[float, float], face: Face, style: Style, words: dict[str, str] | None = None) -> list[Placed]:
    """`words` replaces a unit's word on the face. Returns what is lettered on it, where."""
    placed: list[Placed] = []
    draw = ImageDraw.Draw(image)
    inks = {"main": style.ink, "second": style.second}

    def disc(radius: float, colour) -> None:
        draw.ellipse((centre[0] - RADIUS * radius, centre[1] - RADIUS * radius, centre[0] + RADIUS * radius, centre[1] + RADIUS * radius), fill=colour)

    disc(style.rim + 0.02, tuple(int(c * 0.6) for c in style.bezel))
    disc(style.rim, style.bezel)
    disc(1.01, tuple(int(c * 0.45) for c in style.bezel))
    disc(1.0, style.paper)
    start = start_of(style)

    def angle_of(psi: float) -> float:
        return start + style.sweep * face.share(psi)

    lowest, highest = face.knots[0][0], face.knots[-1][0]
    if style.band:
        box = tuple(v for s in (-1, 1) for v in (centre[0] + s * RADIUS * 0.97, centre[1] + s * RADIUS * 0.97))
        for low, high, colour in ((0.1, 0.4, (60, 160, 80)), (0.4, 0.7, (235, 190, 50)), (0.7, 1.0, (205, 50, 45))):
            draw.arc(box, start + style.sweep * low - 90, start + style.sweep * high - 90, fill=colour, width=int(RADIUS * 0.035))
    if style.zones:
        box = tuple(v for s in (-1, 1) for v in (centre[0] + s * RADIUS * style.zones[1], centre[1] + s * RADIUS * style.zones[1]))
        for low, high, colour in ((0.0, 0.55, (96, 176, 112)), (0.55, 0.8, (226, 196, 90)), (0.8, 1.0, (206, 92, 84))):
            draw.arc(box, start + style.sweep * low - 90, start + style.sweep * high - 90, fill=colour, width=int(RADIUS * (style.zones[1] - style.zones[0])))
    room: list[tuple[float, float, float]] = []            # x, y and half width of the figures drawn

    def figure(angle: float, ring: Ring, text: str, colour) -> None:
        tall = RADIUS * style.numeral * ring.size
        (x, y), half = _at(centre, angle, ring.numerals), 0.34 * tall * (len(text) + 0.3)
        if style.sparse and any(abs(x - a) < half + c and (style.radial or abs(y - b) < tall) and math.hypot(x - a, y - b) < half + c for a, b, c in room):
            return
        room.append((x, y, half))
        placed.extend(_numeral(image, centre, angle, ring.numerals, text, style, colour, ring.size))

    if face.retard is not None:       # the compressed part: its end alone
        ring = face.rings[0]
        draw.line([_at(centre, angle_of(highest), r) for r in (ring.outer, ring.outer - 0.09)], fill=inks[ring.ink], width=style.ticks[0])
        figure(angle_of(highest), ring, f"{highest:g}", inks[ring.ink])
    for ring in face.rings:
        colour, unit = inks[ring.ink], PSI[ring.unit]
        first = ring.low if ring.low < 0 else 0.0
        last = 0.0 if ring.unit == "inHg" else highest / unit
        if style.arc:
            box = tuple(v for s in (-1, 1) for v in (centre[0] + s * RADIUS * ring.outer, centre[1] + s * RADIUS * ring.outer))
            ends = angle_of(max(first * unit, lowest)), angle_of(last * unit)
            draw.arc(box, ends[0] - 90, ends[1] - 90, fill=colour, width=4)
        length = 0.09 if ring.ink == "main" else 0.06
        for value, rank in _divisions(ring, first, last, lambda v, unit=unit: angle_of(v * unit)):
            if value * unit < lowest - 0.05 or face.retard is not None and value * unit > face.retard + 1e-6:
                continue
            angle, ends = angle_of(value * unit), (ring.outer, ring.outer - length * style.lengths[rank])
            if style.dots and rank < 2:
                x, y = _at(centre, angle, ring.outer - 0.015)
                draw.ellipse((x - style.ticks[1], y - style.ticks[1], x + style.ticks[1], y + style.ticks[1]), fill=colour)
            else:
                draw.line([_at(centre, angle, r) for r in ends], fill=colour, width=style.ticks[0 if rank == 2 else 1])
            if rank == 2 and not (ring.unit == "inHg" and value == 0):
                figure(angle, ring, _printed(ring, value, style.point), colour)
    return placed + _words(image, centre, face, style, inks, {"inHg": "in.Hg", "kg/cm2": "kg/cm²", **dict(style.words), **(words or {})})


def _divisions(ring: Ring, first: float, last: float, angle_of: Callable[[float], float]) -> list[tuple[float, int]]:
    """Values with a tick from first to last, and what it is: 2 with a figure, 1 halfway, 0 another."""
    if not ring.printed:
        return [(k * ring.step / ring.minor, 2 if k % ring.minor == 0 else 1 if 2 * k % ring.minor == 0 else 0)
                for k in range(math.ceil(first * ring.minor / ring.step - 1e-6), math.floor(last * ring.minor / ring.step + 1e-6) + 1)]
    out = []
    for low, high in itertools.pairwise(ring.printed):
        # where the scale closes up it has fewer divisions
        parts = next(p for p in (10, 5, 4, 2, 1) if p <= ring.minor and (angle_of(high) - angle_of(low)) / p > 1.8 or p == 1)
        out += [(low + (high - low) * k / parts, 2 if k == 0 else 0) for k in range(parts)]
    return [*out, (ring.printed[-1], 2)]


def _lettered(image: Image.Image, at: tuple[float, float], text: str, face: ImageFont.FreeTypeFont, colour, unit: str | None = None) -> list[Placed]:
    ImageDraw.Draw(image).text(at, text, fill=colour, font=face, anchor="mm")
    return _placed(at, text, face, 0.0, unit)


def _placed(at: tuple[float, float], text: str, face: ImageFont.FreeTypeFont, turn: float, unit: str | None = None) -> list[Placed]:
    """The signs of a text turned by so many degrees about its middle; of a unit's word as a whole."""
    _, top, _, bottom = face.getbbox("0", anchor="mm")
    begin, along, up = -face.getlength(text) / 2, np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))]), (top - bottom) / 2
    down = np.array([-along[1], along[0]])
    signs = [(unit, 0.0, (top + bottom) / 2)] if unit else [
        (char, begin + (face.getlength(text[:i]) + face.getlength(text[:i + 1])) / 2, (top + bottom) / 2) for i, char in enumerate(text) if char.isdecimal()] + [
        (".", begin + (face.getlength(text[:i]) + face.getlength(text[:i + 1])) / 2, float(bottom)) for i, char in enumerate(text)
        if char in ".," and text[i + 1:i + 2].isdecimal() and text[i - 1:i].isdecimal()]
    return [(name, *(float(v) for v in np.array(at) + x * along + y * down), *(float(v) for v in up * down)) for name, x, y in signs]


def _numeral(image: Image.Image, centre, angle: float, radius: float, text: str, style: Style, colour, size: float) -> list[Placed]:
    face, (x, y) = font(style.typeface, int(RADIUS * style.numeral * size * 1.25)), _at(centre, angle, radius)
    if not style.radial:
        return _lettered(image, (x, y), text, face, colour)
    box = face.getbbox(text, anchor="mm")
    patch = Image.new("L", (box[2] - box[0] + 24, box[3] - box[1] + 24), 0)
    ImageDraw.Draw(patch).text((patch.width / 2, patch.height / 2), text, fill=255, font=face, anchor="mm")
    turn = angle if abs(angle) <= 100 else angle + 180
    patch = patch.rotate(-turn, Image.Resampling.BICUBIC, expand=True)
    image.paste(Image.new("RGB", patch.size, colour), (int(x - patch.width / 2), int(y - patch.height / 2)), patch)
    return _placed((x, y), text, face, turn)


def _words(image: Image.Image, centre, face: Face, style: Style, inks, words: dict[str, str]) -> list[Placed]:
    placed: list[Placed] = []
    clear = 0.26 if style.sparse and len(face.rings) > 1 else 1.0          # of an inner scale
    rings = style.fluids and len(face.rings) == 1          # the signs of which stand under the unit
    y = centre[1] + RADIUS * (0.22 if rings else max(-clear, min(style.words_at, clear)))
    for ring in face.rings:
        size = int(RADIUS * style.word * (1 if ring.ink == "main" else 0.85))
        placed += _lettered(image, (centre[0], y), words.get(ring.unit, ring.unit), font(style.typeface, size), inks[ring.ink], ring.unit)
        y += size * 1.25
    if style.clutter and not rings and not any(r.ink == "second" for r in face.rings):
        top = face.knots[-1][0] if face.retard is None else face.retard
        # saturation temperatures of no particular fluid: the spacing only has to be curved
        for k, temperature in enumerate(range(-20, 161, 20)):
            share = face.share(0) + (face.share(top) - face.share(0)) * (k / 9) ** 1.7
            placed += _numeral(image, centre, start_of(style) + style.sweep * share, 0.47, str(temperature), style, style.second, 0.6)
        placed += _lettered(image, (centre[0], centre[1] - RADIUS * 0.25), "°F", font(style.typeface, int(RADIUS * 0.08)), style.second, "°")
    for text, height, below in () if rings else style.legend:
        placed += _lettered(image, (centre[0], centre[1] + RADIUS * below), text, font(style.typeface, int(RADIUS * height)), style.ink)
    return placed + (_temperatures(image, centre, face, style) if rings else [])


def _temperatures(image: Image.Image, centre, face: Face, style: Style) -> list[Placed]:
    """Rings of saturation temperatures of no particular fluids, the signs of which stand at the bottom."""
    top, placed = face.knots[-1][0], []
    for k, (sign, radius) in enumerate(zip(style.fluids, (0.57, 0.46, 0.35), strict=False)):
        colour = style.second if k % 2 == 0 else style.ink
        for n, temperature in enumerate(range(-20, 161, 20)):
            share = face.share(0) + (face.share(top) - face.share(0)) * (n / 9) ** (1.5 + 0.15 * k)
            placed += _numeral(image, centre, start_of(style) + style.sweep * share, radius, str(temperature), style, colour, 0.5)
        placed += _numeral(image, centre, style.gap + 180, radius, sign, replace(style, radial=False), colour, 0.45)
    return placed


def draw_pointer(layer: Image.Image, centre, angle: float, style: Style) -> None:
    draw = ImageDraw.Draw(layer)
    a = math.radians(angle)
    along, across = np.array([math.sin(a), -math.cos(a)]), np.array([math.cos(a), math.sin(a)])

    def shape(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        return [tuple(np.array(centre) + RADIUS * (u * along + w * across)) for u, w in points]

    reach, ink = style.reach, (*style.pointer_ink, 255)
    outlines = {
        "taper": [(0, 0.035), (reach, 0.006), (reach, -0.006), (0, -0.035)],
        "bar": [(0, 0.02), (reach - 0.04, 0.02), (reach, 0), (reach - 0.04, -0.02), (0, -0.02)],
        "arrow": [(0, 0.016), (reach - 0.2, 0.016), (reach - 0.2, 0.055), (reach, 0), (reach - 0.2, -0.055), (reach - 0.2, -0.016), (0, -0.016)],
        "thin": [(-0.02, 0.014), (reach, 0.009), (reach, -0.009), (-0.02, -0.014)],
        "spade": [(0, 0.014), (reach - 0.3, 0.014), (reach - 0.2, 0.05), (reach - 0.1, 0.012), (reach, 0), (reach - 0.1, -0.012), (reach - 0.2, -0.05),
                  (reach - 0.3, -0.014), (0, -0.014)],
        "lance": [(0, 0.055), (reach, 0.004), (reach, -0.004), (0, -0.055)],
        "stepped": [(0, 0.035), (reach * 0.6, 0.035), (reach * 0.6, 0.009), (reach, 0.009),
                    (reach, -0.009), (reach * 0.6, -0.009), (reach * 0.6, -0.035), (0, -0.035)],
        "leaf": [(0, 0.012), (reach * 0.55, 0.04), (reach, 0), (reach * 0.55, -0.04), (0, -0.012)],
    }
    draw.polygon(shape(outlines[style.pointer]), fill=ink)
    if style.tail != "none":
        draw.polygon(shape([(0, 0.03), (-style.tail_length, 0.03), (-style.tail_length, -0.03), (0, -0.03)]), fill=ink)
    if style.tail == "disc":
        x, y = shape([(-style.tail_length - 0.02, 0)])[0]
        draw.ellipse((x - RADIUS * 0.07, y - RADIUS * 0.07, x + RADIUS * 0.07, y + RADIUS * 0.07), fill=ink)
    hub = RADIUS * style.hub
    draw.ellipse((centre[0] - hub, centre[1] - hub, centre[0] + hub, centre[1] + hub), fill=ink)
    draw.ellipse((centre[0] - hub * 0.6, centre[1] - hub * 0.6, centre[0] + hub * 0.6, centre[1] + hub * 0.6), fill=(*style.cap, 255))
    if style.screw:
        draw.line([tuple(np.array(centre) + s * hub * 0.5 * np.array([0.8, 0.6])) for s in (-1, 1)], fill=(60, 60, 62, 255), width=max(3, int(hub * 0.2)))


def truth_of(face: Face, psi: float, place: str | None) -> Truth:
    outer = face.rings[0].unit
    values = {r.unit: psi / PSI[r.unit] for r in face.rings}
    unit = "inHg" if psi < 0 and "inHg" in values else outer
    return Truth(place, unit, abs(values[unit]) if unit == "inHg" else values[unit], (face.knots[-1][0] - face.knots[0][0]) / PSI[unit],
                 {u: v for u, v in values.items() if u != "inHg" or psi < 0}, face.compound)


def _projection(tilt: float, towards: float, turn: float, lift: float, width: float, height: float, distance: float) -> np.ndarray:
    """The homography of a plane `lift` px above the picture's, tilted `tilt` degrees and turned `turn`, seen from `distance` px."""
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    t = math.radians(tilt)
    axis = np.array([math.cos(math.radians(towards)), math.sin(math.radians(towards)), 0.0])
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation = (np.eye(3) + math.sin(t) * k + (1 - math.cos(t)) * k @ k) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    origin = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1]])
    plane = np.column_stack([rotation[:, 0], rotation[:, 1], -lift * rotation[:, 2] + (0, 0, distance)])
    camera = np.array([[distance, 0, width / 2], [0, distance, height / 2], [0, 0, 1]])
    return camera @ plane @ origin


def random_scene(split: str, seed: int, manifold: bool, max_tilt: float = 20.0) -> tuple[Image.Image, list[Truth]]:
    """A picture to photograph and what its gauges show; for a manifold the low side first."""
    styles, faces, first = SPLITS[split]
    rng = random.Random(first + seed)
    style = rng.choice(styles)
    if manifold:
        chosen = [rng.choice([f for f in faces if f.compound]), rng.choice([f for f in faces if not f.compound and f.knots[-1][0] > 240])]
        places = ["low_side", "high_side"]
    else:
        chosen, places = [rng.choice(faces)], [None]
    width, height = (int(RADIUS * 5.4), int(RADIUS * 3.9)) if manifold else (int(RADIUS * 2.9), int(RADIUS * 2.9))
    centres = [(RADIUS * 1.45, RADIUS * 1.4), (RADIUS * 3.95, RADIUS * 1.4)] if manifold else [(width / 2, height / 2)]
    noise = np.random.default_rng(first + seed)
    picture = Image.fromarray(engine_bay(width, height, noise))
    pointers = Image.new("RGBA", picture.size, (0, 0, 0, 0))
    truths = []
    if manifold:
        _body(picture, centres)
    for face, centre, place in zip(chosen, centres, places, strict=True):
        share = rng.uniform(0.03, 0.97)
        psi = face.psi(share)
        draw_face(picture, centre, face, style)
        draw_pointer(pointers, centre, start_of(style) + style.sweep * share, style)
        truths.append(truth_of(face, psi, place))
    return _tilted(picture, pointers, centres, rng, max_tilt), truths


def _body(picture: Image.Image, centres) -> None:
    draw = ImageDraw.Draw(picture)
    left, right, y = centres[0][0], centres[1][0], centres[0][1] + RADIUS * 1.5
    metal = (136, 140, 146)
    for x, colour in ((left, (30, 60, 160)), ((left + right) / 2, (210, 180, 40)), (right, (180, 34, 34))):
        draw.line((x, y, x + RADIUS * 0.1, picture.height), fill=colour, width=int(RADIUS * 0.24))
    draw.rectangle((left - RADIUS * 0.8, y - RADIUS * 0.3, right + RADIUS * 0.8, y + RADIUS * 0.35), fill=metal)
    for x in (left, right):
        draw.rectangle((x - RADIUS * 0.2, centres[0][1] + RADIUS, x + RADIUS * 0.2, y), fill=metal)
    for x, colour in ((left - RADIUS * 0.9, (30, 60, 160)), (right + RADIUS * 0.9, (180, 34, 34))):
        draw.rectangle((x - RADIUS * 0.22, y - RADIUS * 0.35, x + RADIUS * 0.22, y + RADIUS * 0.4), fill=colour)


def _tilted(picture: Image.Image, pointers: Image.Image, centres, rng: random.Random, max_tilt: float) -> Image.Image:
    import cv2

    width, height = picture.size
    tilt, towards, turn = rng.uniform(0, max_tilt), rng.uniform(0, 360), rng.gauss(0, 5)
    distance = rng.uniform(5.0, 9.0) * max(width, height) / 2
    shadow = Image.new("RGBA", pointers.size)
    shadow.putalpha(pointers.getchannel("A").point(lambda a: int(a * 0.35)).filter(ImageFilter.GaussianBlur(RADIUS * 0.008)))
    out = np.asarray(picture)
    for layer, lift in ((shadow, 0.0), (pointers, RADIUS * rng.uniform(0.02, 0.05))):
        matrix = _projection(tilt, towards, turn, lift, width, height, distance)
        if lift == 0.0:
            offset = np.array([[1, 0, RADIUS * 0.015], [0, 1, RADIUS * 0.02], [0, 0, 1]])
            out = cv2.warpPerspective(out, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
            matrix = matrix @ offset
        cover = cv2.warpPerspective(np.asarray(layer), matrix, (width, height), flags=cv2.INTER_LINEAR)
        alpha = cover[..., 3:].astype(np.float32) / 255
        out = (out * (1 - alpha) + cover[..., :3] * alpha).astype(np.uint8)
    return Image.fromarray(_reflections(out, centres, rng))


def _reflections(pixels: np.ndarray, centres, rng: random.Random) -> np.ndarray:
    """Weak streaks of light on the glass."""
    import cv2

    veil = np.zeros(pixels.shape[:2], np.float32)
    for x, y in centres:
        if rng.random() < 0.4:
            angle, reach, offset = rng.uniform(0, 360), RADIUS * 0.9, rng.uniform(-0.5, 0.5) * RADIUS
            a = math.radians(angle)
            middle = np.array([x - offset * math.sin(a), y + offset * math.cos(a)])
            ends = [tuple(int(v) for v in middle + s * reach * np.array([math.cos(a), math.sin(a)])) for s in (-1, 1)]
            cv2.line(veil, ends[0], ends[1], rng.uniform(20, 60), int(RADIUS * rng.uniform(0.05, 0.3)), cv2.LINE_AA)
    veil = cv2.GaussianBlur(veil, (0, 0), RADIUS * 0.03)
    return np.clip(pixels + veil[..., None], 0, 255).astype(np.uint8)
