"""A firm's letterhead from TOML: a name, a few lines, a logo beside the file.

    name = "Example & Daughters"
    lines = ["Harbour Lane 3", "post@example.org"]
    logo = "logo.png"

A logo travels inside every record.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from commission.model import InputError
from commission.model.child_process import Decoded, decode_in_child
from commission.model.outside_files import read_outside
from commission.model.toml_text import read_toml
from commission.model.units import clean_text
from commission.record.document import Letterhead

LogoType = Literal["image/png", "image/jpeg"]
LARGEST_LOGO = 2_000_000
"""Size limit of a logo in bytes."""
LARGEST_SIDE_PX = 4000
_EXPECTED_LOGO = "the logo, as PNG or JPEG"

LARGEST_TOML = 100_000
"""Size limit of the TOML file in bytes."""
LONGEST_NAME, LONGEST_LINE, MOST_LINES = 80, 100, 8
_KEYS = ("name", "lines", "logo")


def load_letterhead(path: Path) -> Letterhead:
    """Read a letterhead; raises InputError for any mistake in the file."""
    where = clean_text(str(path))
    data = _toml(path, where)
    for key in data:
        if key not in _KEYS:
            raise InputError(
                f"{where}, {clean_text(key)[:40]}", "a key that no letterhead has", "name, lines or logo"
            )
    name = _text(data.get("name", ""), f"{where}, name", LONGEST_NAME)
    lines = data.get("lines", [])
    if not isinstance(lines, list) or len(lines) > MOST_LINES:
        raise InputError(
            f"{where}, lines", "something else", f'a list of up to {MOST_LINES} texts, such as ["Harbour Lane 3"]'
        )
    kept = tuple(_text(line, f"{where}, lines[{i}]", LONGEST_LINE) for i, line in enumerate(lines))
    logo = data.get("logo")
    if logo is None:
        return Letterhead(name=name, lines=kept)
    if not isinstance(logo, str):
        raise InputError(f"{where}, logo", type(logo).__name__, "the path of a PNG or JPEG file in quotes")
    content, kind = _logo(path.parent / logo)
    return Letterhead(name=name, lines=kept, logo=content, logo_media_type=kind)


def _toml(path: Path, where: str) -> dict[str, object]:
    expected = "a TOML file with name, lines and logo"
    try:
        text = read_outside(path, expected, largest_bytes=LARGEST_TOML, where=where, mend="").decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(where, "text that is not UTF-8", expected) from None
    return read_toml(text, where, expected)


def _text(value: object, where: str, longest: int) -> str:
    if not isinstance(value, str):
        raise InputError(where, type(value).__name__, "text in quotes")
    text = clean_text(value).strip()
    if len(text) > longest:
        raise InputError(where, f"{len(text)} characters", f"no more than {longest}")
    return text


def _logo(path: Path) -> tuple[bytes, LogoType]:
    where = clean_text(str(path))
    content = read_outside(path, _EXPECTED_LOGO, largest_bytes=LARGEST_LOGO, where=where, mend="")
    return _pixels(content, where)


def _pixels(content: bytes, where: str) -> tuple[bytes, LogoType]:
    """The picture encoded again from its pixels, so that the record contains no position, name or comment."""
    kind, (pixels,) = decode_in_child(
        "commission.record.letterhead:decode_logo", content, where, _EXPECTED_LOGO, mend="Save the logo as PNG."
    )
    return bytes(pixels), kind


def check_logo(content: bytes, where: str) -> None:
    """Raise InputError for a picture that is broken, too large, or neither PNG nor JPEG."""
    _pixels(content, where)


def decode_logo(content: bytes, options: dict[str, Any]) -> Decoded:
    """Decode a logo to media type and pixels, in a child process."""
    import io

    from PIL import Image, UnidentifiedImageError

    where, out = options["where"], io.BytesIO()
    try:
        picture = Image.open(io.BytesIO(content), formats=("PNG", "JPEG"))
        if max(picture.size) > LARGEST_SIDE_PX:
            found = f"{picture.width} × {picture.height} pixels"
            raise InputError(where, found, f"at most {LARGEST_SIDE_PX} on a side")
        picture.load()
        if picture.format == "JPEG":
            picture.convert("RGB").save(out, "JPEG", quality=95)
            return "image/jpeg", [out.getvalue()]
        picture.convert("RGBA" if picture.has_transparency_data else "RGB").save(out, "PNG")
        return "image/png", [out.getvalue()]
    except UnidentifiedImageError:
        raise InputError(where, "neither PNG nor JPEG", _EXPECTED_LOGO, "Save the logo as PNG.") from None
    except (InputError, MemoryError):
        raise
    except Exception as error:  # the decoder raises many kinds on damaged data
        raise InputError(where, "a broken picture", "a whole PNG or JPEG file", "Save it again as PNG.") from error
