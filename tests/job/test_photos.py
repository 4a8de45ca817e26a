"""Photographs are set upright, scaled down and stripped of camera data; other files are refused in one sentence."""

from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from decoded_here import decode_here
from PIL import Image

from commission.job import photos
from commission.model import InputError

GPS_TAG, ORIENTATION_TAG, MODEL_TAG = 0x8825, 0x0112, 0x0110
"""CIPA DC-008 (Exif 2.32), tables 4 and 15 (from memory); Pillow writes and reads them by these numbers."""


@pytest.fixture
def decoded_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures are decoded in this process."""
    decode_here(monkeypatch, photos)


def camera_jpeg(width: int = 800, height: int = 400) -> bytes:
    """A picture with position, camera name, orientation 6 (turn right by 90°), red at the left and blue at the right."""
    image = Image.new("RGB", (width, height), "red")
    image.paste("blue", (width // 2, 0, width, height))
    exif = Image.Exif()
    exif[ORIENTATION_TAG] = 6
    exif[MODEL_TAG] = "SECRETCAMERA"
    exif.get_ifd(GPS_TAG).update({1: "N", 2: (52.0, 30.0, 0.0), 3: "E", 4: (13.0, 24.0, 0.0)})
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", exif=exif, comment=b"SECRETCOMMENT", quality=95)
    return buffer.getvalue()


def test_position_camera_and_comment_are_removed_and_the_picture_is_upright() -> None:
    original = camera_jpeg()
    assert b"SECRETCAMERA" in original
    assert Image.open(io.BytesIO(original)).getexif().get_ifd(GPS_TAG)
    picture = photos.shrink(original, "rack.jpg")
    assert b"SECRET" not in picture.data
    read = Image.open(io.BytesIO(picture.data))
    assert not dict(read.getexif())
    assert (read.width, read.height) == (400, 800) == (picture.width_px, picture.height_px)
    top, bottom = read.convert("RGB").getpixel((200, 100)), read.convert("RGB").getpixel((200, 700))
    assert isinstance(top, tuple) and isinstance(bottom, tuple)
    assert top[0] > 200 and top[2] < 60, "orientation 6: the left edge becomes the top"
    assert bottom[2] > 200 and bottom[0] < 60


@pytest.mark.parametrize(("width", "height", "size"), [(6400, 3200, (1600, 800)), (300, 200, (300, 200))])
@pytest.mark.usefixtures("decoded_here")
def test_large_pictures_are_scaled_down_and_small_ones_are_kept(
    width: int, height: int, size: tuple[int, int]
) -> None:
    buffer = io.BytesIO()
    Image.new("RGB", (width, height), "green").save(buffer, "JPEG")
    picture = photos.shrink(buffer.getvalue(), "room.jpg")
    assert (picture.width_px, picture.height_px) == size
    assert picture.media_type == "image/jpeg"


def test_png_keeps_its_transparency_and_loses_its_text() -> None:
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_text("Author", "SECRETAUTHOR")
    buffer = io.BytesIO()
    Image.new("RGBA", (20, 10), (255, 0, 0, 0)).save(buffer, "PNG", pnginfo=info)
    picture = photos.shrink(buffer.getvalue(), "menu.png")
    assert picture.media_type == "image/png"
    assert b"SECRET" not in picture.data
    read = Image.open(io.BytesIO(picture.data))
    assert read.mode == "RGBA"
    assert read.getpixel((3, 3)) == (255, 0, 0, 0)


def _bomb(width: int, height: int) -> bytes:
    """A PNG header that claims an enormous picture (ISO/IEC 15948, 11.2.2 IHDR; from memory)."""
    body = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = b"IDAT" + zlib.compress(b"\0" * 10)
    chunks = (body, data, b"IEND")
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(c) - 4) + c + struct.pack(">I", zlib.crc32(c)) for c in chunks
    )


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "an empty file"),
        (b"RIFF....WAVEfmt ", "another kind of file"),
        (b"<svg xmlns='x'/>", "another kind of file"),
        (b"GIF89a\x01\x00\x01\x00\x00\x00\x00;", "another kind of file"),
        (camera_jpeg()[:400], "cannot be read"),
        (_bomb(60000, 60000), "more pixels than any camera"),
        (_bomb(12000, 11000), "12000 × 11000 pixels"),
        (_bomb(100, 100), "cannot be read"),
    ],
)
def test_a_file_that_is_not_a_photograph_is_refused_in_one_sentence(
    data: bytes, message: str, tmp_path: Path
) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(data)
    with pytest.raises(InputError, match=message) as error:
        photos.read_photo(path)
    assert str(error.value).startswith("photo.jpg: found")
    assert path.read_bytes() == data


def test_a_folder_a_pipe_and_a_missing_file_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a folder"):
        photos.read_photo(tmp_path)
    with pytest.raises(InputError, match=r"no such file.*Check the path"):
        photos.read_photo(tmp_path / "none.jpg")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.jpg")
        with pytest.raises(InputError, match="or a device"):  # and does not wait for a writer
            photos.read_photo(tmp_path / "pipe.jpg")


def test_names_are_printed_without_control_characters(tmp_path: Path) -> None:
    for name in ("a\x1b[31mb.jpg", os.fsdecode(b"a\xffb.jpg")):
        try:
            (tmp_path / name).write_bytes(b"no picture")
        except OSError:
            continue  # a file system without such names
        for path in (tmp_path / name, tmp_path / name / "x"):
            with pytest.raises(InputError) as error:
                photos.read_photo(path)
            assert str(error.value).isprintable()


def test_a_file_that_is_too_large_is_not_read_completely(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "LARGEST_BYTES", 1000)
    (tmp_path / "x.jpg").write_bytes(b"\xff\xd8" * 501)
    with pytest.raises(InputError, match="of at most 1 kB"):
        photos.read_photo(tmp_path / "x.jpg")


@pytest.mark.parametrize("orientation", range(1, 10))
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
@pytest.mark.usefixtures("decoded_here")
def test_every_orientation_is_set_upright(orientation: int, kind: str) -> None:
    """CIPA DC-008, 4.6.4 A, Orientation (from memory): which side of the scene row 0 and column 0 of the file are.

    The scene has red at its top left, blue at its top right and green at its bottom left.
    """
    scene = Image.new("RGB", (64, 32), "black")
    for colour, place in (("red", (0, 0)), ("blue", (32, 0)), ("lime", (0, 16))):
        scene.paste(colour, (*place, place[0] + 32, place[1] + 16))
    # (row 0, column 0) of the file: 1 top left, 2 top right, 3 bottom right, 4 bottom left, 5 left top, 6 right top,
    # 7 right bottom, 8 left bottom
    pixels = np.asarray(scene)
    stored = {
        1: pixels,
        2: pixels[:, ::-1],
        3: pixels[::-1, ::-1],
        4: pixels[::-1],
        5: pixels.swapaxes(0, 1),
        6: pixels[:, ::-1].swapaxes(0, 1),
        7: pixels[::-1, ::-1].swapaxes(0, 1),
        8: pixels[::-1].swapaxes(0, 1),
    }.get(orientation, pixels)
    exif = Image.Exif()
    exif[ORIENTATION_TAG] = orientation
    buffer = io.BytesIO()
    options = {"quality": 95, "subsampling": 0} if kind == "JPEG" else {}
    Image.fromarray(np.ascontiguousarray(stored)).save(buffer, kind, exif=exif, **options)
    read = np.asarray(Image.open(io.BytesIO(photos.shrink(buffer.getvalue(), "x").data)), dtype=float)
    assert read.shape == pixels.shape
    middles = np.s_[8::16, 16::32]  # away from the edges of the colours, which JPEG blurs
    assert np.abs(read[middles] - pixels[middles]).max() < 10, "coding loss only"


def _with_chunks(png: bytes, *chunks: tuple[bytes, bytes]) -> bytes:
    """A PNG with more chunks before its pixels."""
    at = png.index(b"IDAT") - 4
    more = b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks)
    return png[:at] + more + png[at:]


def test_no_part_of_a_file_keeps_camera_data() -> None:
    """PNG: tEXt, zTXt, iTXt, eXIf, what follows IEND (ISO/IEC 15948, 11.3); JPEG: XMP in APP1, IPTC in APP13, a second
    picture after the first (from memory)."""
    plain = io.BytesIO()
    Image.new("RGB", (20, 10), "red").save(plain, "PNG")
    exif = Image.Exif()
    exif[MODEL_TAG] = "SECRET"
    chunks = (
        (b"tEXt", b"GPS\0SECRET"),
        (b"zTXt", b"Raw profile type exif\0\0" + zlib.compress(b"SECRET")),
        (b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0<x>SECRET</x>"),
        (b"eXIf", exif.tobytes()[6:]),
    )
    png = _with_chunks(plain.getvalue(), *chunks) + b"SECRET"
    jpeg = camera_jpeg()
    segments = b""
    for mark, data in ((b"\xe1", b"http://ns.adobe.com/xap/1.0/\0SECRET"), (b"\xed", b"Photoshop 3.0\0SECRET")):
        segments += b"\xff" + mark + struct.pack(">H", len(data) + 2) + data
    jpeg = jpeg[:2] + segments + jpeg[2:] + jpeg
    for data, kinds in ((png, [b"IHDR", b"IDAT", b"IEND"]), (jpeg, [])):
        out = photos.shrink(data, "x").data
        assert b"SECRET" not in out
        assert zlib.compress(b"SECRET") not in out
        if kinds:
            assert [out[i : i + 4] for i in _chunk_starts(out)] == kinds
        else:  # no application segment but JFIF's, and no comment (ITU-T T.81, table B.1)
            assert b"\xff\xe0\x00\x10JFIF" in out
            assert not any(
                bytes((0xFF, mark)) in out[: out.index(b"\xff\xda")] for mark in (*range(0xE1, 0xF0), 0xFE)
            )


def _chunk_starts(png: bytes) -> list[int]:
    starts, at = [], 8
    while at < len(png):
        starts.append(at + 4)
        at += 12 + struct.unpack(">I", png[at : at + 4])[0]
    return starts


def test_sixteen_bits_of_gray_keep_their_shades() -> None:
    """65535 is white and 0 black (ISO/IEC 15948, 13.12: scaled by 255/65535)."""
    shades = np.tile(np.linspace(0, 65535, 64).astype(np.uint16), (8, 1))
    buffer = io.BytesIO()
    Image.fromarray(shades).save(buffer, "PNG")
    read = np.asarray(
        Image.open(io.BytesIO(photos.shrink(buffer.getvalue(), "x.png").data)).convert("L"), dtype=float
    )
    assert np.abs(read - shades / 257).max() <= 1.0, "rounding"


@pytest.mark.parametrize("mode", ["P", "RGB", "L"])
@pytest.mark.usefixtures("decoded_here")
def test_a_transparent_colour_stays_transparent(mode: str) -> None:
    """PNG, chunk tRNS (ISO/IEC 15948, 11.3.2.1)."""
    picture = Image.new("RGB", (20, 10), "white")
    picture.paste("black", (0, 0, 10, 10))
    picture = picture.convert(mode)
    buffer = io.BytesIO()
    picture.save(buffer, "PNG", transparency=picture.getpixel((0, 0)))
    read = Image.open(io.BytesIO(photos.shrink(buffer.getvalue(), "x.png").data))
    alpha = [read.convert("RGBA").getpixel(place)[3] for place in ((2, 5), (17, 5))]  # type: ignore[index]
    assert alpha == [0, 255]


def test_a_large_jpeg_is_decoded_small_from_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """The JPEG decoder can scale by halves; 8000 × 6000 pixels would take 144 MB."""
    from PIL import ImageFile

    decoded: list[tuple[int, int]] = []
    load = ImageFile.ImageFile.load
    monkeypatch.setattr(ImageFile.ImageFile, "load", lambda self: decoded.append(self.size) or load(self))  # type: ignore[func-returns-value]
    buffer = io.BytesIO()
    Image.new("RGB", (8000, 6000), "green").save(buffer, "JPEG")
    assert photos.shrink_here(buffer.getvalue(), "x.jpg").width_px == 1600
    assert max(decoded) == (4000, 3000)


@pytest.mark.parametrize("cut", range(0, 2400, 160))
def test_damaged_bytes_never_escape_as_another_error(cut: int) -> None:
    data = bytearray(camera_jpeg())
    data[cut % len(data) : cut % len(data) + 8] = b"\xff\x00\xd9\xff\xc0\x7f\xff\xff"
    try:
        photos.shrink_here(bytes(data), "x.jpg")
    except InputError as error:
        assert "x.jpg: found" in str(error)
