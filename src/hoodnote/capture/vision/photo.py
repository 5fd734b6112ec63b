"""Photos from a phone: opened safely, turned upright, made plain 8-bit RGB."""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageFile, ImageOps, UnidentifiedImageError

from hoodnote.errors import HoodnoteError

MAX_FILE_BYTES = 100_000_000
MAX_PIXELS = 60_000_000          # checked in the header, before anything is decoded; 180 MB once decoded
WORK_PIXELS = 25_000_000         # a larger picture is reduced, which bounds memory and time
_CHECK_PIXELS = 1_000_000        # of a picture that is decoded only to know that it can be
_STRIPE = 256                    # rows
MIN_SIDE = 64
# Phones write two pictures into one JPEG (MPO); the first is the photo, so it is no animation.
_STILL_PICTURES_IN_ONE = {"MPO"}
# What cameras and phones write, and no format that is a program (EPS) or text (PPM, XBM), which takes time without bound.
_FORMATS = ("JPEG", "MPO", "PNG", "WEBP", "TIFF", "GIF", "BMP", "AVIF", "HEIF")
_HEIF_BRANDS = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1"}


@dataclass(frozen=True, eq=False)
class Photo:
    """`pixels` is uint8, height x width x 3, RGB, upright by its EXIF orientation, reduced when larger than WORK_PIXELS; `sha256` is of
    the file as it came. `taken_at` is what the camera's clock said (aware; in this machine's zone where the camera named none)."""

    pixels: np.ndarray
    width: int
    height: int
    sha256: str | None = None
    name: str | None = None
    taken_at: datetime | None = None
    _found: dict[str, Any] = field(default_factory=dict, init=False, compare=False, repr=False)

    def once(self, name: str, find: Callable[[], Any]) -> Any:
        """What `find` gives, looked for once in this photo: the look at what it shows and the reader start from the same."""
        if name not in self._found:
            self._found[name] = find()
        return self._found[name]


def load_photo(path: str | Path) -> Photo:
    """Reads one still photo. Raises HoodnoteError, one line that says what to do, for anything else."""
    path = Path(path)
    image, taken_at, data = _opened(path, WORK_PIXELS)
    pixels = _plain_rgb(image)
    return Photo(pixels, pixels.shape[1], pixels.shape[0], hashlib.sha256(data).hexdigest(), path.name, taken_at)


def refuse_unusable(path: str | Path) -> None:
    """Raises what `load_photo` would. Every byte is decoded, but a JPEG in small: a quarter of the time and little memory."""
    _opened(Path(path), _CHECK_PIXELS)


def _opened(path: Path, most_pixels: int) -> tuple[Image.Image, datetime | None, bytes]:
    """The picture, upright, with at most that many pixels; when it was taken; the file."""
    data = _bytes_of(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")     # our own limit of pixels is lower, and damaged EXIF is nobody's concern
            if _is_heif(data) and find_spec("pillow_heif"):
                import pillow_heif

                pillow_heif.register_heif_opener()
            Image.init()
            ImageFile.LOAD_TRUNCATED_IMAGES = False     # of the whole process: the library that sets PDF pages turns it on
            image = Image.open(io.BytesIO(data), formats=[f for f in _FORMATS if f in Image.OPEN])
            _refuse_unsuitable(image, path)
            taken_at = _taken_at(image)
            image = _upright(_bounded(image, most_pixels))
    except HoodnoteError:
        raise
    except Image.DecompressionBombError:
        most = MAX_PIXELS // 1_000_000
        raise HoodnoteError(f"{path.name} claims to be larger than {most} megapixels; save it smaller and try again") from None
    except UnidentifiedImageError:
        raise HoodnoteError(_unknown_format(data, path)) from None
    except Exception:       # decoders raise OSError, SyntaxError, ValueError, zlib.error and others for a damaged file
        raise HoodnoteError(f"{path.name} is cut short or damaged; copy it from the phone again") from None
    if image.mode == "F":
        raise HoodnoteError(f"{path.name} is a floating-point picture; save it as a JPEG and try again")
    return image, taken_at, data


def _bytes_of(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise HoodnoteError(f"{path} is a folder; name one photo in it")
        if path.exists() and not path.is_file():
            raise HoodnoteError(f"{path} is not a file; name a photo")
        size = path.stat().st_size
        if size == 0:
            raise HoodnoteError(f"{path.name} is empty; copy it from the phone again")
        if size > MAX_FILE_BYTES:
            raise HoodnoteError(f"{path.name} is larger than {MAX_FILE_BYTES // 1_000_000} MB; save it as a JPEG and try again")
        return path.read_bytes()
    except FileNotFoundError:
        raise HoodnoteError(f"there is no photo {path}; check the name") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a usable file name"
        raise HoodnoteError(f"cannot read {str(path)!r}: {reason}") from None


def _refuse_unsuitable(image: Image.Image, path: Path) -> None:
    width, height = image.size
    if width * height > MAX_PIXELS:
        raise HoodnoteError(f"{path.name} has {width * height / 1e6:.0f} megapixels, more than {MAX_PIXELS // 1_000_000}; save it smaller and try again")
    if min(width, height) < MIN_SIDE:
        raise HoodnoteError(f"{path.name} is only {width} x {height} pixels; take the photo closer or send it full size")
    # not `n_frames`, which walks through all of them: a file may hold a million
    if getattr(image, "is_animated", False) and image.format not in _STILL_PICTURES_IN_ONE:
        raise HoodnoteError(f"{path.name} is an animation or has several pages; save one still photo")


def _unknown_format(data: bytes, path: Path) -> str:
    if _is_heif(data):
        return f"{path.name} is a HEIC photo; run: pip install pillow-heif, or set the phone's camera to save JPEG"
    if data[:5] == b"%PDF-":
        return f"{path.name} is a PDF, not a photo; save its page as a picture, or take a photo of it"
    return f"{path.name} is not a photo this can open; give a JPEG, PNG, WebP or TIFF"


def _is_heif(data: bytes) -> bool:
    return data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS


def _bounded(image: Image.Image, most_pixels: int) -> Image.Image:
    """Decoded, with at most that many pixels. A JPEG is decoded small at once, so that its full size is never in memory."""
    factor = (most_pixels / (image.width * image.height)) ** 0.5
    if factor >= 1:
        image.load()
        return image
    size = (max(1, int(image.width * factor)), max(1, int(image.height * factor)))
    exif = image.getexif()
    image.draft(None, size)
    image.load()
    if image.width > size[0]:
        image = image.resize(size, Image.Resampling.BOX)
    image.getexif().update(exif)        # its orientation is still to be applied
    return image


def _taken_at(image: Image.Image) -> datetime | None:
    """DateTimeOriginal with its offset, CIPA DC-008 tags 36867 and 36881; None for none and for nonsense."""
    try:
        exif = image.getexif().get_ifd(0x8769)
        stamp, offset = str(exif[36867]).strip("\0 "), str(exif.get(36881, "")).strip("\0 ")
        try:
            return datetime.strptime(stamp + offset, "%Y:%m:%d %H:%M:%S%z")
        except ValueError:
            return datetime.strptime(stamp, "%Y:%m:%d %H:%M:%S").astimezone()
    except Exception:       # damaged EXIF of any sort: then nobody knows
        return None


def _upright(image: Image.Image) -> Image.Image:
    try:
        ImageOps.exif_transpose(image, in_place=True)       # in place: no second copy where it is upright
        return image
    except Exception:       # damaged EXIF: the picture itself is fine, and the label reader finds its own upright
        return image


def _plain_rgb(image: Image.Image) -> np.ndarray:
    if image.mode.startswith("I"):                          # 16 bits a channel, kept by Pillow in I;16 or I
        values = np.asarray(image).astype(np.int64)
        grey = np.clip(values * 255 // 65535, 0, 255).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2)
    if image.has_transparency_data:
        over = image.convert("RGBA")
        paper = Image.new("RGBA", over.size, (255, 255, 255, 255))
        image = Image.alpha_composite(paper, over)
    image = image if image.mode == "RGB" else image.convert("RGB")
    pixels = np.empty((image.height, image.width, 3), np.uint8)
    for top in range(0, image.height, _STRIPE):         # at once it would be in memory four times over
        bottom = min(top + _STRIPE, image.height)
        pixels[top:bottom] = np.asarray(image.crop((0, top, image.width, bottom)))
    return pixels
