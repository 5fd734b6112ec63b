"""Small pictures of what was read, as data URIs, so that the note stays one file. Re-encoding leaves the camera's metadata behind."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.errors import HoodnoteError
from hoodnote.readings.model import Origin

if TYPE_CHECKING:
    from PIL.Image import Image

_CROP = (360, 240)      # largest width and height, px; a line of print is never as high, a dial is
_PHOTO = (240, 180)
_MARGIN = 0.15          # of the region's size, left around it


def crop(origin: Origin, media: Callable[[str], Path] | None) -> str | None:
    """The piece a figure was read from: as kept beside the photo, else cut from the photo. None when there is none at hand."""
    if media is None or origin.crop_sha256 is None and (origin.sha256 is None or len(origin.region or ()) != 4):
        return None
    if origin.crop_sha256 is not None:
        return _data_uri(media, origin.crop_sha256, _CROP, None)
    return _data_uri(media, origin.sha256, _CROP, origin.region)


def photo(sha256: str, media: Callable[[str], Path] | None) -> str | None:
    return None if media is None else _data_uri(media, sha256, _PHOTO, None)


def _data_uri(media: Callable[[str], Path], sha256: str, largest: tuple[int, int], region: tuple[float, ...] | None) -> str | None:
    from PIL import Image, ImageOps

    try:
        with Image.open(media(sha256)) as opened:
            picture = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, HoodnoteError):
        return None                # the figure and its file's digest still say where it came from
    if region is not None:
        picture = _cut(picture, region)
        if picture is None:
            return None
    picture.thumbnail(largest)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=72, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode("ascii")


def _cut(picture: Image, region: tuple[float, ...]) -> Image | None:
    left, top, right, bottom = region
    dx, dy = (right - left) * _MARGIN, (bottom - top) * _MARGIN
    box = (max(0, int(left - dx)), max(0, int(top - dy)), min(picture.width, int(right + dx) + 1), min(picture.height, int(bottom + dy) + 1))
    return picture.crop(box) if box[2] > box[0] and box[3] > box[1] else None
