"""Photographs: upright, scaled down, nothing of the camera's left; what is no picture is refused in one sentence."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image

from commission.job import photos
from commission.model import InputError

GPS_TAG, ORIENTATION_TAG, MODEL_TAG = 0x8825, 0x0112, 0x0110
"""CIPA DC-008 (Exif 2.32), tables 4 and 15 (from memory); Pillow writes and reads them by these numbers."""


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


def test_position_camera_and_comment_are_gone_and_the_picture_stands_upright() -> None:
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
def test_large_ones_shrink_and_small_ones_stay(width: int, height: int, size: tuple[int, int]) -> None:
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
    ("data", "said"),
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
def test_what_is_no_photograph_is_named_in_one_sentence(data: bytes, said: str, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(data)
    with pytest.raises(InputError, match=said) as error:
        photos.read_photo(path)
    assert str(error.value).startswith("photo.jpg: found")
    assert path.read_bytes() == data


def test_a_folder_and_a_missing_file_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no file"):
        photos.read_photo(tmp_path)
    with pytest.raises(InputError, match="Check the path"):
        photos.read_photo(tmp_path / "none.jpg")


@pytest.mark.parametrize("cut", range(0, 2400, 160))
def test_damaged_bytes_never_escape_as_another_error(cut: int) -> None:
    data = bytearray(camera_jpeg())
    data[cut % len(data) : cut % len(data) + 8] = b"\xff\x00\xd9\xff\xc0\x7f\xff\xff"
    try:
        photos.shrink(bytes(data), "x.jpg")
    except InputError as error:
        assert "x.jpg: found" in str(error)
