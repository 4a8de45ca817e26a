"""A letterhead is read completely or refused in one sentence; a record contains only the pixels of a logo."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from decoded_here import decode_here
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from commission.model import InputError
from commission.record import letterhead
from commission.record.letterhead import decode_logo, load_letterhead


@pytest.fixture
def decoded_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Logos are decoded in this process."""
    decode_here(monkeypatch, letterhead)


def png(width: int = 4, height: int = 3) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"".join(b"\0" + b"\x10\x20\x30" * min(width, 4) for _ in range(min(height, 3))))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def write(folder: Path, toml: str, **files: bytes) -> Path:
    for name, content in files.items():
        (folder / name.replace("_", ".")).write_bytes(content)
    path = folder / "letterhead.toml"
    path.write_text(toml, encoding="utf-8")
    return path


def pixels(content: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGBA"))


def test_a_letterhead_has_name_lines_and_logo(tmp_path: Path) -> None:
    toml = 'name = "Harbour Sound"\nlines = ["Quay 3", "a@example.org"]\nlogo = "logo.png"'
    head = load_letterhead(write(tmp_path, toml, logo_png=png()))
    assert (head.name, head.lines, head.logo_media_type) == (
        "Harbour Sound",
        ("Quay 3", "a@example.org"),
        "image/png",
    )
    assert head.logo is not None
    assert np.array_equal(pixels(head.logo), pixels(png()))
    assert load_letterhead(write(tmp_path, "")).logo is None


def test_a_jpeg_is_recognised_by_content_and_loses_its_camera_data(tmp_path: Path) -> None:
    """EXIF tag 0x010F is the maker of the camera (Exif 2.3, 4.6.4; from memory)."""
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "SECRET"
    Image.linear_gradient("L").convert("CMYK").save(out, "JPEG", exif=exif)
    assert b"SECRET" in out.getvalue()
    head = load_letterhead(write(tmp_path, 'logo = "logo.bin"', logo_bin=out.getvalue()))
    assert head.logo is not None
    assert head.logo_media_type == "image/jpeg"
    assert b"SECRET" not in head.logo


@pytest.mark.parametrize("mode", ["1", "L", "P", "RGB", "RGBA", "I;16"])
@pytest.mark.usefixtures("decoded_here")
def test_a_png_of_any_kind_keeps_its_pixels_and_its_transparency(tmp_path: Path, mode: str) -> None:
    out = io.BytesIO()
    picture = Image.linear_gradient("L").resize((16, 16))
    (Image.new(mode, (16, 16), 7) if mode == "I;16" else picture.convert(mode)).save(out, "PNG")
    head = load_letterhead(write(tmp_path, 'logo = "logo.png"', logo_png=out.getvalue()))
    assert head.logo is not None
    assert np.array_equal(pixels(head.logo), pixels(out.getvalue()))


def test_a_transparent_logo_stays_transparent(tmp_path: Path) -> None:
    out = io.BytesIO()
    Image.new("RGBA", (3, 3), (10, 20, 30, 40)).save(out, "PNG")
    head = load_letterhead(write(tmp_path, 'logo = "logo.png"', logo_png=out.getvalue()))
    assert head.logo is not None
    assert pixels(head.logo)[1, 1].tolist() == [10, 20, 30, 40]


def test_only_the_pixels_of_a_png_are_kept_and_it_is_decoded_once(tmp_path: Path) -> None:
    whole = png()
    text = struct.pack(">I", 10) + b"tEXtGPS\0SECRET" + struct.pack(">I", zlib.crc32(b"tEXtGPS\0SECRET"))
    at = whole.index(b"IDAT") - 4
    head = load_letterhead(write(tmp_path, 'logo = "logo.png"', logo_png=whole[:at] + text + whole[at:]))
    assert head.logo is not None
    assert b"SECRET" not in head.logo
    empty = zlib.compress(b"")
    broken = (
        whole[:at] + struct.pack(">I", len(empty)) + b"IDAT" + empty + struct.pack(">I", zlib.crc32(b"IDAT" + empty))
    )
    with pytest.raises(InputError, match="a broken picture"):
        load_letterhead(write(tmp_path, 'logo = "logo.png"', logo_png=broken + whole[-12:]))


@given(content=st.binary(max_size=60))
def test_invalid_files_give_one_sentence(content: bytes) -> None:
    for start in (b"", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff"):
        with pytest.raises(InputError) as caught:
            decode_logo(start + content, {"where": "logo"})
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("toml", "printed"),
    [
        ("name = 3", "name: found int"),
        ('name = "' + "x" * 81 + '"', "81 characters"),
        ('lines = "one"', "lines: found"),
        ("lines = [1]", r"lines\[0\]: found int"),
        ('colour = "red"', "colour: found a key"),
        ("logo = 3", "logo: found int"),
        ('logo = "nowhere.png"', "no such file"),
        ('logo = "."', "a folder"),
        ('logo = "logo.svg"', "neither PNG nor JPEG.*Save the logo as PNG"),
        ('logo = "logo.gif"', "neither PNG nor JPEG"),
        ('logo = "broken.png"', "a broken picture|neither PNG nor JPEG"),
        ('logo = "huge.png"', "9000 × 3 pixels"),
        ("name = ", "invalid TOML"),
    ],
)
@pytest.mark.usefixtures("decoded_here")
def test_messages_name_the_field(tmp_path: Path, toml: str, printed: str) -> None:
    path = write(
        tmp_path, toml, logo_gif=b"GIF89a", logo_svg=b"<svg/>", broken_png=png()[:30], huge_png=png(width=9000)
    )
    with pytest.raises(InputError, match=printed):
        load_letterhead(path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_letterhead(tmp_path / "nowhere.toml")


def test_control_characters_are_removed_from_the_text(tmp_path: Path) -> None:
    assert load_letterhead(write(tmp_path, 'name = "A\\u001b[31m\\u202eB"')).name == "A[31mB"
