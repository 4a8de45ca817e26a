"""Photographs: read, turned upright, scaled down, and stripped of everything that the camera wrote beside the picture.

A phone writes where and when a picture was taken into it; a record that is handed on must not tell. Only the pixels
are kept. The library is Pillow, loaded when a photograph is attached.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from commission.model import InputError

LONGEST_PX = 1600
"""Enough for half a page of A4 at 200 dots per inch."""
LARGEST_BYTES = 50_000_000
LARGEST_PIXELS = 120_000_000
"""More than any camera of today; a small file can claim far more and fill the memory."""
_QUALITY = 82
_EXPECTED = "a photograph as JPEG or PNG"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture ready to be stored."""

    data: bytes
    media_type: Literal["image/jpeg", "image/png"]
    width_px: int
    height_px: int


def read_photo(path: Path) -> Picture:
    """The photograph in `path`, upright, at most `LONGEST_PX` long, without any metadata.

    Raises InputError for what is no JPEG or PNG, is damaged, or is far too large; the file itself is never changed.
    """
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise InputError(str(path), "no file", _EXPECTED)
        if size > LARGEST_BYTES:
            raise InputError(path.name, f"{size / 1e6:.0f} MB", f"at most {LARGEST_BYTES / 1e6:.0f} MB",
                             "Save it smaller and attach that.")  # fmt: skip
        data = path.read_bytes()
    except OSError as error:
        raise InputError(str(path), error.strerror or str(error), _EXPECTED, "Check the path.") from error
    return shrink(data, path.name)


def shrink(data: bytes, name: str) -> Picture:
    """The same from bytes; `name` is for the sentence when something is wrong."""
    import warnings

    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore", Image.DecompressionBombWarning
            )  # the size is checked below, before decoding
            image = Image.open(io.BytesIO(data), formats=("JPEG", "PNG"))
        kind = image.format
        if image.width * image.height > LARGEST_PIXELS:
            raise InputError(name, f"{image.width} × {image.height} pixels", f"at most {LARGEST_PIXELS // 10**6} million",
                             "Save it smaller and attach that.")  # fmt: skip
        upright = ImageOps.exif_transpose(image)
        upright.thumbnail((LONGEST_PX, LONGEST_PX))
    except InputError:
        raise
    except Image.DecompressionBombError as error:
        raise InputError(name, "more pixels than any camera takes", f"at most {LARGEST_PIXELS // 10**6} million",
                         "The file is damaged or made to fill the memory; use another.") from error  # fmt: skip
    except Exception as error:  # the decoder raises many kinds on damaged data; each means the same to the user
        raise InputError(name, _reason(error, data), _EXPECTED, "Open it in a viewer and save it anew.") from error
    keeps_alpha = upright.mode in ("RGBA", "LA", "PA", "P") and kind == "PNG"
    plain = upright.convert("RGBA" if keeps_alpha else "RGB")
    clean = Image.new(plain.mode, plain.size)  # a new picture carries no metadata along
    clean.paste(plain)
    buffer = io.BytesIO()
    if kind == "PNG":
        clean.save(buffer, "PNG", optimize=True)
    else:
        clean.save(buffer, "JPEG", quality=_QUALITY, optimize=True, progressive=False)
    return Picture(
        data=buffer.getvalue(),
        media_type="image/png" if kind == "PNG" else "image/jpeg",
        width_px=clean.width,
        height_px=clean.height,
    )


def _reason(error: Exception, data: bytes) -> str:
    if not data:
        return "an empty file"
    if not data.startswith((b"\xff\xd8", b"\x89PNG")):
        return "another kind of file"
    return f"a picture that cannot be read ({type(error).__name__})"
