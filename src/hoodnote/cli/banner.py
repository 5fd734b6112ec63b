"""Words in large type for a terminal, to be read from two metres away."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

_HEIGHTS = (22, 18, 15, 12)          # pixels; two pixels are one line of the terminal
_BLOCKS = " ▀▄█"
_PLAIN = " ''#"                      # where the terminal has no block characters


def banner(text: str, columns: int, blocks: bool = True, tallest: int = _HEIGHTS[0]) -> list[str]:
    """The text as lines of blocks, as large as `columns` and `tallest` (pixels) allow, in two parts if need be;
    the text itself where even that is too wide."""
    return _fitting(text, columns, blocks, tallest) or _in_two(text, columns, blocks, tallest) or [text[:columns]]


def _in_two(text: str, columns: int, blocks: bool, tallest: int) -> list[str] | None:
    spaces = [i for i, c in enumerate(text) if c == " "]
    if not spaces:
        return None
    middle = min(spaces, key=lambda i: abs(i - len(text) / 2))
    first, second = (_fitting(part, columns, blocks, tallest) for part in (text[:middle], text[middle + 1:]))
    return [*first, "", *second] if first and second else None


def _fitting(text: str, columns: int, blocks: bool, tallest: int) -> list[str] | None:
    for height in (h for h in _HEIGHTS if h <= tallest):
        pixels = _pixels(text, height)
        if pixels.shape[1] <= columns:
            break
    else:
        return None
    signs = _BLOCKS if blocks else _PLAIN
    if not blocks:                   # a sign for each pixel row would be twice too high: a cell is full when either half is
        pixels = np.repeat(pixels[0::2] | pixels[1::2], 2, axis=0)
    upper, lower = pixels[0::2], pixels[1::2]
    return ["".join(signs[int(a) + 2 * int(b)] for a, b in zip(up, low)).rstrip() for up, low in zip(upper, lower)]


@lru_cache(maxsize=64)
def _pixels(text: str, height: int) -> np.ndarray:
    """True where ink is; an even number of rows."""
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(height)
    left, top, right, bottom = font.getbbox(text)
    image = Image.new("L", (max(1, int(right - left) + 2), max(1, int(bottom - top) + 2)))
    ImageDraw.Draw(image).text((1 - left, 1 - top), text, 255, font)
    ink = np.asarray(image) > 110
    rows, cols = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    if not len(rows):
        return np.zeros((2, 1), bool)
    ink = ink[rows[0]:rows[-1] + 1, cols[0]:cols[-1] + 1]
    return np.pad(ink, ((0, len(ink) % 2), (0, 0)))
