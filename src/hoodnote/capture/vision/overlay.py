"""The photo with what was read drawn on it, for the note."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from hoodnote.capture.vision.label import stated
from hoodnote.capture.vision.reading import PhotoReading
from hoodnote.capture.vision.photo import Photo
from hoodnote.readings.model import Standing

if TYPE_CHECKING:
    from PIL import Image

AGREED_COLOUR, ASKED_COLOUR = (0, 150, 90), (205, 90, 0)


def overlay(photo: Photo, reading: PhotoReading) -> Image.Image:
    """RGB picture of the photo's size: a box and its figure per field; a question mark and a broken box where a person must look."""
    from PIL import Image, ImageDraw, ImageFont

    image = Image.fromarray(photo.pixels).copy()
    draw = ImageDraw.Draw(image)
    size = max(12, max(photo.width, photo.height) // 56)
    font, width = ImageFont.load_default(size), max(2, size // 8)
    column = max((f.box[2] for f in reading.fields), default=0) + size       # figures stand beside the label, not on its print
    free_y = 0
    for field in sorted(reading.fields, key=lambda f: f.box[1] + f.box[3]):
        agreed = field.standing is not Standing.UNCONFIRMED
        colour = AGREED_COLOUR if agreed else ASKED_COLOUR
        for start, end in zip(field.quad, field.quad[1:] + field.quad[:1], strict=True):
            _side(draw, start, end, colour, width, None if agreed else size)     # broken: told apart without colour too
        words = stated(field.statement) + ("" if agreed else " ?")
        box = draw.textbbox((0, 0), words, font=font)
        w, h = box[2] - box[0] + size, box[3] - box[1] + size // 2
        x = min(column, photo.width - w)
        y = min(max(free_y, (field.box[1] + field.box[3] - h) // 2), photo.height - h)
        free_y = y + h + width
        end = max(field.quad, key=lambda corner: corner[0])
        draw.line((*end, x, y + h // 2), fill=colour, width=max(1, width // 2))
        draw.rectangle((x, y, x + w, y + h), fill=(255, 255, 255), outline=colour, width=width)
        draw.text((x + size // 2, y + size // 4 - box[1]), words, fill=(0, 0, 0), font=font)
    return image


def _side(draw, start: tuple[int, int], end: tuple[int, int], colour: tuple[int, int, int], width: int, dash: int | None) -> None:
    length = math.dist(start, end)
    pieces = max(1, round(length / dash)) if dash else 1
    for i in range(0, pieces, 2):
        a, b = (tuple(s + (e - s) * k / pieces for s, e in zip(start, end, strict=True)) for k in (i, i + 1))
        draw.line((*a, *b), fill=colour, width=width)
