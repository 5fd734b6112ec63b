"""Opening photos: what is refused and in which words, and what is made plain RGB."""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from PIL import GifImagePlugin, Image, ImageFile, TiffImagePlugin

from hoodnote.capture.vision.photo import MAX_PIXELS, WORK_PIXELS, load_photo, refuse_unusable
from hoodnote.capture.vision.rectify import reduced
from hoodnote.errors import HoodnoteError


def gradient(width=120, height=80) -> np.ndarray:
    y, x = np.mgrid[0:height, 0:width]
    return np.stack([x * 255 // width, y * 255 // height, np.full_like(x, 40)], axis=2).astype(np.uint8)


def refused(path) -> str:
    """In the same words whether it is opened or only looked at."""
    with pytest.raises(HoodnoteError) as caught:
        load_photo(path)
    message = str(caught.value)
    with pytest.raises(HoodnoteError) as caught:
        refuse_unusable(path)
    assert str(caught.value) == message
    assert message and "\n" not in message
    return message


def png_that_claims(width: int, height: int) -> bytes:
    """A valid PNG header (PNG specification, third edition, IHDR) with next to no data behind it."""
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b"")


def test_missing_empty_folder_and_renamed_text(tmp_path):
    assert "there is no photo" in refused(tmp_path / "none.jpg")
    (tmp_path / "empty.jpg").write_bytes(b"")
    assert "empty" in refused(tmp_path / "empty.jpg")
    assert "folder" in refused(tmp_path)
    (tmp_path / "words.jpg").write_text("REFRIGERANT R-134a 0.55 kg")
    assert "not a photo" in refused(tmp_path / "words.jpg")
    assert "not a usable file name" in refused("a\0b.jpg")


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_truncated_is_told_from_whole(tmp_path, kind):
    buffer = io.BytesIO()
    noisy = np.random.default_rng(1).integers(0, 255, (300, 400, 3), np.uint8)
    Image.fromarray(noisy).save(buffer, kind)
    (tmp_path / "whole").write_bytes(buffer.getvalue())
    assert load_photo(tmp_path / "whole").pixels.shape == (300, 400, 3)
    (tmp_path / "half").write_bytes(buffer.getvalue()[: len(buffer.getvalue()) // 2])
    assert "cut short or damaged" in refused(tmp_path / "half")


def test_half_a_photo_is_refused_whatever_another_library_has_set(tmp_path, monkeypatch):
    """Libraries that only show pictures tell Pillow, for the whole process, to fill up with grey what is missing."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    buffer = io.BytesIO()
    Image.fromarray(gradient()).save(buffer, "JPEG")
    (tmp_path / "half.jpg").write_bytes(buffer.getvalue()[: len(buffer.getvalue()) // 2])
    assert "cut short or damaged" in refused(tmp_path / "half.jpg")


def test_a_jpeg_without_its_end_is_not_taken_for_whole(tmp_path):
    """The last rows would come out grey, and a figure there would be missed."""
    buffer = io.BytesIO()
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (300, 400, 3), np.uint8)).save(buffer, "JPEG", quality=90)
    (tmp_path / "end.jpg").write_bytes(buffer.getvalue()[:-200])
    assert "cut short or damaged" in refused(tmp_path / "end.jpg")


@pytest.mark.parametrize("progressive", [False, True])
def test_what_a_large_jpeg_lacks_is_noticed_in_small_too(tmp_path, progressive):
    buffer = io.BytesIO()
    coarse = Image.fromarray(np.random.default_rng(2).integers(0, 255, (150, 200, 3), np.uint8))
    coarse.resize((2400, 1800)).save(buffer, "JPEG", quality=85, progressive=progressive)
    data, file = buffer.getvalue(), tmp_path / "large.jpg"
    file.write_bytes(data)
    refuse_unusable(file)
    for kept in (0.1, 0.5, 0.9, 0.99, 0.999):
        file.write_bytes(data[:round(kept * len(data))])
        assert "cut short or damaged" in refused(file)


def test_every_row_of_a_tall_photo_arrives(tmp_path):
    tall = np.random.default_rng(3).integers(0, 255, (700, 90, 3), np.uint8)
    Image.fromarray(tall).save(tmp_path / "tall.png")           # PNG keeps every value
    assert np.array_equal(load_photo(tmp_path / "tall.png").pixels, tall)


@pytest.mark.parametrize(("name", "said"), [("size.jpg", "megapixels"), ("text.png", "damaged")])
def test_a_small_file_that_claims_or_unpacks_to_much_is_refused(tmp_path, name, said):
    Image.fromarray(gradient()).save(tmp_path / "good.jpg")
    jpeg = (tmp_path / "good.jpg").read_bytes()
    frame = jpeg.index(b"\xff\xc0") + 5                      # ITU-T T.81, B.2.2: lines and samples a line of the frame header
    png = png_that_claims(400, 400)
    at = png.index(b"IDAT") - 4
    note = b"zTXtkey\0\0" + zlib.compress(b"\0" * 80_000_000, 9)       # PNG specification, zTXt: compressed text, 80 MB of it
    chunk = struct.pack(">I", len(note) - 4) + note + struct.pack(">I", zlib.crc32(note))
    content = {"size.jpg": jpeg[:frame] + struct.pack(">HH", 65000, 65000) + jpeg[frame + 4:], "text.png": png[:at] + chunk + png[at:]}
    (tmp_path / name).write_bytes(content[name])
    assert said in refused(tmp_path / name)


@pytest.mark.parametrize("side", [8000, 11000, 40000])
def test_too_many_pixels_are_refused_by_the_header_alone(tmp_path, side):
    assert side * side > MAX_PIXELS
    (tmp_path / "bomb.png").write_bytes(png_that_claims(side, side))
    assert "megapixels" in refused(tmp_path / "bomb.png")


def test_heic_says_what_to_do(tmp_path):
    # ISO/IEC 23008-12: a file type box whose major brand is heic
    (tmp_path / "phone.heic").write_bytes(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + b"\0" * 64)
    assert "JPEG" in refused(tmp_path / "phone.heic") and "HEIC" in refused(tmp_path / "phone.heic")


def test_animation_and_pages_are_refused_but_a_single_frame_is_not(tmp_path):
    frames = [Image.fromarray(gradient()), Image.fromarray(gradient()[::-1].copy())]
    frames[0].save(tmp_path / "moving.gif", save_all=True, append_images=frames[1:])
    assert "several pages" in refused(tmp_path / "moving.gif")
    frames[0].save(tmp_path / "pages.tif", save_all=True, append_images=frames[1:])
    assert "several pages" in refused(tmp_path / "pages.tif")
    for name in ("moving.png", "moving.webp"):
        frames[0].save(tmp_path / name, save_all=True, append_images=frames[1:])
        assert "animation" in refused(tmp_path / name)
    frames[0].save(tmp_path / "still.gif")
    assert load_photo(tmp_path / "still.gif").width == 120


def tiff_of_pages(count: int) -> bytes:
    """TIFF 6.0, section 2: a header and a chain of image file directories of five entries each, 12 bytes an entry."""
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in ((256, 200), (257, 200), (258, 8), (259, 1), (273, 8)))
    size = 2 + len(entries) + 4
    pages = (struct.pack("<H", 5) + entries + struct.pack("<I", 8 + (i + 1) * size if i < count - 1 else 0) for i in range(count))
    return b"II*\0" + struct.pack("<I", 8) + b"".join(pages) + bytes(40_000)


def test_pages_without_end_are_refused_without_walking_through_them(tmp_path, monkeypatch):
    for plugin in (TiffImagePlugin.TiffImageFile, GifImagePlugin.GifImageFile):
        monkeypatch.setattr(plugin, "n_frames", property(lambda image: pytest.fail("counts all pages")))
    (tmp_path / "pages.tif").write_bytes(tiff_of_pages(200_000))
    assert "several pages" in refused(tmp_path / "pages.tif")
    frame = b"\x21\xf9\x04\0\x0a\0\0\0\x2c" + struct.pack("<HHHHB", 0, 0, 1, 1, 0) + b"\x02\x02\x44\x01\0"
    head = b"GIF89a" + struct.pack("<HHBBB", 200, 200, 0x80, 0, 0) + b"\0\0\0\xff\xff\xff"         # GIF89a specification, sections 17 to 23
    (tmp_path / "moving.gif").write_bytes(head + frame * 100_000 + b"\x3b")
    assert "several pages" in refused(tmp_path / "moving.gif")


def test_formats_that_are_text_or_a_program_are_not_opened(tmp_path):
    for name, content in (("text.jpg", b"P3 5000 5000 255\n" + b"1 " * 20_000_000), ("raw.jpg", b"P6 200 200 255\n" + bytes(120_000)),
                          ("drawn.jpg", b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 400 400\n%%EndComments\nshowpage\n"),
                          ("bits.png", b"#define a_width 200\n#define a_height 200\nstatic char a_bits[]={0x00,0x01};")):
        (tmp_path / name).write_bytes(content)
        assert "is not a photo this can open" in refused(tmp_path / name)


def test_two_pictures_in_one_jpeg_are_a_phone_photo(tmp_path):
    frames = [Image.fromarray(gradient()), Image.fromarray(gradient(60, 40))]
    frames[0].save(tmp_path / "phone.jpg", "MPO", save_all=True, append_images=frames[1:])
    assert (load_photo(tmp_path / "phone.jpg").width, load_photo(tmp_path / "phone.jpg").height) == (120, 80)


def test_too_small_is_refused(tmp_path):
    Image.new("RGB", (32, 200)).save(tmp_path / "icon.png")
    assert "32 x 200" in refused(tmp_path / "icon.png")


def test_other_colour_modes_become_plain_rgb(tmp_path):
    plain = gradient()
    grey = Image.fromarray(plain).convert("L")
    grey.save(tmp_path / "grey.png")
    assert np.array_equal(load_photo(tmp_path / "grey.png").pixels[..., 1], np.asarray(grey))

    deep = (np.asarray(grey).astype(np.uint16) * 257)        # 0..255 to 0..65535 exactly
    Image.fromarray(deep).save(tmp_path / "deep.png")
    assert np.array_equal(load_photo(tmp_path / "deep.png").pixels[..., 0], np.asarray(grey))

    Image.fromarray(plain).convert("CMYK").save(tmp_path / "ink.tif")
    assert np.abs(load_photo(tmp_path / "ink.tif").pixels.astype(int) - plain).max() <= 2

    for name in ("wide.png", "wide.tif"):                   # 16 bits a channel in three channels
        cv2.imwrite(str(tmp_path / name), plain[..., ::-1].astype(np.uint16) * 257)
        assert np.array_equal(load_photo(tmp_path / name).pixels, plain)

    Image.fromarray(plain).convert("CMYK").save(tmp_path / "ink.jpg", quality=100, subsampling=0)
    assert np.abs(load_photo(tmp_path / "ink.jpg").pixels.astype(int) - plain).mean() <= 2

    clear = np.dstack([plain, np.zeros(plain.shape[:2], np.uint8)])
    Image.fromarray(clear, "RGBA").save(tmp_path / "clear.png")
    assert (load_photo(tmp_path / "clear.png").pixels == 255).all()       # nothing opaque: white paper

    for name in ("grey.png", "deep.png", "ink.tif", "clear.png"):
        pixels = load_photo(tmp_path / name).pixels
        assert pixels.dtype == np.uint8 and pixels.shape == (80, 120, 3) and pixels.flags.c_contiguous


# CIPA DC-008 (Exif 2.32), tag 274: how the stored rows and columns lie in the upright picture
@pytest.mark.parametrize(("orientation", "turned"), [
    (1, lambda a: a), (2, lambda a: a[:, ::-1]), (3, lambda a: a[::-1, ::-1]), (4, lambda a: a[::-1]),
    (5, lambda a: a.transpose(1, 0, 2)), (6, lambda a: np.rot90(a, -1)), (7, lambda a: a[::-1, ::-1].transpose(1, 0, 2)), (8, lambda a: np.rot90(a, 1)),
])
def test_exif_orientation_is_applied(tmp_path, orientation, turned):
    stored = gradient()
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(stored).save(tmp_path / "turned.png", exif=exif)
    photo = load_photo(tmp_path / "turned.png")
    assert np.array_equal(photo.pixels, turned(stored))
    assert (photo.height, photo.width) == photo.pixels.shape[:2]


def test_the_fingerprint_is_of_the_file(tmp_path):
    import hashlib

    Image.fromarray(gradient()).save(tmp_path / "a.jpg")
    assert load_photo(tmp_path / "a.jpg").sha256 == hashlib.sha256((tmp_path / "a.jpg").read_bytes()).hexdigest()


def test_a_panorama_is_reduced_and_still_turned_upright(tmp_path):
    exif = Image.Exif()
    exif[274] = 6                       # stored lying: its left side is the top, CIPA DC-008 tag 274
    stored = Image.new("RGB", (14000, 4200), (250, 250, 250))
    stored.paste((10, 10, 10), (0, 0, 7000, 4200))
    stored.save(tmp_path / "wide.jpg", exif=exif, quality=60)
    photo = load_photo(tmp_path / "wide.jpg")
    assert photo.width * photo.height <= WORK_PIXELS and photo.height > 2.5 * photo.width
    assert photo.pixels[20, photo.width // 2, 0] < 60 and photo.pixels[-20, photo.width // 2, 0] > 200


@pytest.mark.parametrize(("size", "side"), [((4000, 3000), 1920), ((4000, 3000), 736), ((1920, 1440), 736), ((3001, 2003), 1280)])
def test_a_picture_is_reduced_as_by_averaging_what_each_pixel_covers(size, side):
    rng = np.random.default_rng(4)
    coarse = Image.fromarray(rng.integers(0, 255, (60, 80, 3), dtype=np.uint8)).resize(size, Image.Resampling.BICUBIC)
    small, scale = reduced(np.asarray(coarse), side)
    assert small.shape[1] == side and scale == pytest.approx(side / size[0])
    exact = np.asarray(coarse.resize((small.shape[1], small.shape[0]), Image.Resampling.BOX)).astype(int)     # Pillow's own, another program
    assert np.abs(small.astype(int) - exact).mean() < 1.5


def test_a_pdf_with_a_photos_name_and_heic_say_what_to_do(tmp_path):
    (tmp_path / "scan.jpg").write_bytes(b"%PDF-1.4 and so on")          # ISO 32000-1, 7.5.2: the file header
    assert "PDF" in refused(tmp_path / "scan.jpg")
    (tmp_path / "phone.jpg").write_bytes(b"\x00\x00\x00\x18ftypmif1\x00\x00\x00\x00mif1heic" + b"\0" * 64)
    assert "pillow-heif" in refused(tmp_path / "phone.jpg")


def test_exif_that_lies_about_itself_does_not_keep_a_photo_back(tmp_path):
    Image.fromarray(gradient()).save(tmp_path / "lies.jpg", exif=b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + b"\x12\x01\xff\xff" * 6)
    photo = load_photo(tmp_path / "lies.jpg")
    assert (photo.width, photo.height) == (120, 80) and photo.taken_at is None


@pytest.mark.parametrize(("stamp", "year"), [
    # CIPA DC-008 tag 36867; whether a time can be believed is judged where the job is known
    ("2099:01:01 10:00:00", 2099), ("0001:01:01 00:00:00", 1), ("9999:12:31 23:59:59", 9999), ("2026:13:45 99:99:99", None), ("0000:00:00 00:00:00", None), ("\0\1", None),
])
@pytest.mark.parametrize("offset", ["+14:00", "-12:00"])
def test_absurd_dates_and_an_orientation_that_is_none_keep_no_photo_back(tmp_path, stamp, year, offset):
    exif = Image.Exif()
    exif[274] = 99
    exif.get_ifd(0x8769).update({36867: stamp, 36881: offset})
    Image.fromarray(gradient()).save(tmp_path / "dated.jpg", exif=exif)
    photo = load_photo(tmp_path / "dated.jpg")
    assert (photo.width, photo.height) == (120, 80) and (photo.taken_at and photo.taken_at.year) == year
