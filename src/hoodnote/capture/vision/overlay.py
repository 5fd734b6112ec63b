"""The photo with what was read drawn on it, for the note."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hoodnote.capture.vision.label import stated
from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.reading import Kind, Mark, PhotoField, PhotoReading
from hoodnote.capture.vision.rectify import reduced
from hoodnote.readings.model import Standing

if TYPE_CHECKING:
    from PIL import Image

AGREED_COLOUR, ASKED_COLOUR = (0, 150, 90), (205, 90, 0)
NEEDLE_COLOUR, USED_COLOUR = (225, 0, 120), (0, 110, 215)
_MARKED_PX = 720           # longest side of the piece with its marks


def overlay(photo: Photo, reading: PhotoReading, side: int | None = None) -> Image.Image:
    """RGB picture of the photo's size, or with its longer side at most `side` px: what each field was read by (a box, or its marks)
    and its figure; a question mark and a broken line where a person must look."""
    from PIL import Image, ImageDraw, ImageFont

    pixels, scale = reduced(photo.pixels, side or max(photo.width, photo.height))
    image = Image.fromarray(pixels)
    draw = ImageDraw.Draw(image)
    size = max(12, max(image.size) // 56)
    font, width = ImageFont.load_default(size), max(2, size // 8)
    column = max((f.box[2] * scale for f in reading.fields), default=0) + size       # figures stand beside the label, not on its print
    free_y = 0
    for field in sorted(reading.fields, key=lambda f: f.box[1] + f.box[3]):
        agreed = field.standing is not Standing.UNCONFIRMED
        colour = AGREED_COLOUR if agreed else ASKED_COLOUR
        outline = Mark(field.quad, True, "outline")
        for mark in field.marks if any(m.role == "outline" for m in field.marks) else (*field.marks, outline):
            _draw(draw, _moved(mark, (0, 0), scale), colour, width, None if agreed else size)
        words = stated(field.statement) if agreed else f"{offered(field, reading.kind)} ?"
        box = draw.textbbox((0, 0), words, font=font)
        w, h = box[2] - box[0] + size, box[3] - box[1] + size // 2
        x = min(column, image.width - w)
        y = min(max(free_y, ((field.box[1] + field.box[3]) * scale - h) // 2), image.height - h)
        if reading.kind is Kind.DIAL and any(_beside(field.box, other.box) for other in reading.fields if other is not field):
            # a line to the column would cross the other gauge; beneath a line of print its neighbours would be covered
            left, top, right, bottom = (v * scale for v in field.box)
            x = min(max(0, (left + right - w) / 2), image.width - w)
            y = bottom + width if bottom + width + h <= image.height else max(0, top - width - h)
        else:
            free_y = y + h + width
            end = max(_moved(outline, (0, 0), scale).points, key=lambda corner: corner[0])
            draw.line((*end, x, y + h // 2), fill=colour, width=max(1, width // 2))
        draw.rectangle((x, y, x + w, y + h), fill=(255, 255, 255), outline=colour, width=width)
        draw.text((x + size // 2, y + size // 4 - box[1]), words, fill=(0, 0, 0), font=font)
    return image


def _beside(one: Sequence[float], other: Sequence[float]) -> bool:
    """Does the other box (left, top, right, bottom) stand at the right of this one, at its height?"""
    return other[0] >= one[2] - 0.2 * (one[2] - one[0]) and other[1] < (one[1] + one[3]) / 2 < other[3]


def offered(field: PhotoField, kind: Kind) -> str:
    """What a person is to choose from: of a label that states several, each."""
    if kind is not Kind.LABEL:
        return stated(field.statement)
    return " or ".join(dict.fromkeys(stated(s) for s in (field.statement, *(v.statement for v in field.versions)) if s is not None))


def marked_piece(photo: Photo, field: PhotoField) -> bytes:
    """JPEG of the field's piece of the photo with its marks on it, for a figure that is seen by them rather than by its crop."""
    from PIL import Image, ImageDraw

    left, top, right, bottom = field.box
    margin = max(4, (right - left) // 10)
    left, top, right, bottom = max(0, left - margin), max(0, top - margin), min(photo.width, right + margin), min(photo.height, bottom + margin)
    pixels, scale = reduced(photo.pixels[top:max(bottom, top + 1), left:max(right, left + 1)], _MARKED_PX)
    piece = Image.fromarray(np.ascontiguousarray(pixels))
    agreed = field.standing is not Standing.UNCONFIRMED
    width = max(2, max(piece.size) // 180)
    for mark in field.marks:
        _draw(ImageDraw.Draw(piece), _moved(mark, (left, top), scale), AGREED_COLOUR if agreed else ASKED_COLOUR, width, None if agreed else 8 * width)
    out = io.BytesIO()
    piece.save(out, "JPEG", quality=90, subsampling=0)      # the marks keep their colours; as a PNG it is eight times as large and takes 40 ms
    return out.getvalue()


def _moved(mark: Mark, origin: tuple[float, float], scale: float) -> Mark:
    """In the pixels of a piece of the photo that begins at `origin`, reduced by `scale`."""
    return Mark(tuple(((x - origin[0]) * scale, (y - origin[1]) * scale) for x, y in mark.points), mark.closed, mark.role)


def _draw(draw, mark: Mark, colour: tuple[int, int, int], width: int, dash: int | None) -> None:
    """An outline in the colour of the field's standing, broken where it is asked: told apart without colour too. Needle and used
    figures in their own."""
    own = {"needle": NEEDLE_COLOUR, "used": USED_COLOUR}.get(mark.role)
    points = mark.points + mark.points[:1] if mark.closed else mark.points
    longest = None if own or dash is None or len(points) < 8 else 2         # of an outline of many short sides every other two are drawn
    for i, (start, end) in enumerate(zip(points, points[1:], strict=False)):
        if longest and i // longest % 2:
            continue
        _side(draw, start, end, own or colour, width if mark.role != "used" else max(1, width // 2), None if own or longest else dash)


def _side(draw, start: tuple[float, float], end: tuple[float, float], colour: tuple[int, int, int], width: int, dash: int | None) -> None:
    length = math.dist(start, end)
    pieces = max(1, round(length / dash)) if dash else 1
    for i in range(0, pieces, 2):
        a, b = (tuple(s + (e - s) * k / pieces for s, e in zip(start, end, strict=True)) for k in (i, i + 1))
        draw.line((*a, *b), fill=colour, width=width)
