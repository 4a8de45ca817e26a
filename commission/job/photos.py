"""Reads photographs, turns them upright, scales them down, and strips the camera's metadata.

A phone writes where and when a picture was taken into it; a record that is handed on must not reveal them. Only the
pixels are kept. The library is Pillow, run in a child process with limits on time and memory: a small file can claim
many pixels, and a progressive JPEG can draw each of them a thousand times.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from commission.model import InputError
from commission.model.child_process import Decoded, decode_in_child
from commission.model.outside_files import read_outside
from commission.model.pictures import LONGEST_PX
from commission.model.units import clean_text

if TYPE_CHECKING:
    from PIL.Image import Image

LARGEST_BYTES = 50_000_000
LARGEST_PIXELS = 120_000_000
"""More than any camera of today; a small file can claim far more and exhaust the memory."""
LARGEST_PNG_PIXELS = 40_000_000
"""A PNG is decoded at its full size, a JPEG at a fraction of it."""
_QUALITY = 82
_EXPECTED = "a photograph as JPEG or PNG"
_SMALLER = "Save it smaller and attach that."
_ORIENTATION = 0x0112
_UPRIGHT = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}
"""Transpositions that turn a picture upright, by its orientation: CIPA DC-008 (Exif 2.32), 4.6.4 A (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture ready to be stored."""

    data: bytes
    media_type: Literal["image/jpeg", "image/png"]
    width_px: int
    height_px: int


def read_photo(path: Path) -> Picture:
    """The photograph in `path`, upright, at most `LONGEST_PX` long, without any metadata.

    Raises InputError for files that are not JPEG or PNG, damaged, or far too large; the file itself is never changed.
    """
    return shrink(read_outside(path, _EXPECTED, largest_bytes=LARGEST_BYTES), clean_text(path.name))


def shrink(data: bytes, name: str) -> Picture:
    """`read_photo` from bytes; `name` identifies the file in errors."""
    found, (pixels,) = decode_in_child("commission.job.photos:decode_photo", data, name, _EXPECTED)
    return Picture(data=bytes(pixels), **found)


def decode_photo(data: bytes, options: dict[str, Any]) -> Decoded:
    """Decoder of `shrink` in its child process."""
    picture = shrink_here(data, options["where"])
    size = {"width_px": picture.width_px, "height_px": picture.height_px}
    return {"media_type": picture.media_type, **size}, [picture.data]


def shrink_here(data: bytes, name: str) -> Picture:
    """`shrink` without a child process."""
    import warnings

    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore", Image.DecompressionBombWarning
            )  # the size is checked below, before decoding
            image = Image.open(io.BytesIO(data), formats=("JPEG", "PNG"))
        most = LARGEST_PNG_PIXELS if image.format == "PNG" else LARGEST_PIXELS
        if image.width * image.height > most:
            found = f"{image.width} × {image.height} pixels"
            raise InputError(name, found, f"at most {most // 10**6} million", _SMALLER)
        return _stored(_plain(image), "PNG" if image.format == "PNG" else "JPEG")
    except (InputError, MemoryError):
        raise
    except Image.DecompressionBombError as error:
        raise InputError(
            name,
            "more pixels than any camera takes",
            f"at most {LARGEST_PIXELS // 10**6} million",
            "The file is damaged or made to fill the memory; use another.",
        ) from error
    except (
        Exception
    ) as error:  # the decoder raises many kinds of errors on damaged data; all mean the same to the user
        raise InputError(name, _reason(error, data), _EXPECTED, "Open it in a viewer and save it again.") from error


def _plain(image: Image) -> Image:
    """The picture upright and small, as 8-bit RGB, with alpha if a PNG has any.

    Scaled down before it is turned, so that a large JPEG is decoded at a fraction of its size from the start.
    """
    from PIL.Image import Transpose

    orientation = image.getexif().get(_ORIENTATION)
    if image.mode.startswith("I"):  # 16-bit grey, which Pillow would clip at 255
        image = image.convert("I").point(lambda value: value * (1 / 257)).convert("L")
    elif (
        image.mode in ("P", "1") or "transparency" in image.info
    ):  # other modes would take the nearest pixel instead of a mean
        see_through = "transparency" in image.info
        image = image.convert("RGBA" if see_through else "RGB")
    wanted = 2 * LONGEST_PX / max(image.size)  # twice the size leaves enough pixels to average
    image.draft(None, (max(1, int(image.width * wanted)), max(1, int(image.height * wanted))))
    image.thumbnail((LONGEST_PX, LONGEST_PX))
    turn = _UPRIGHT.get(orientation) if isinstance(orientation, int) else None
    upright = image if turn is None else image.transpose(Transpose[turn])
    return upright.convert("RGBA" if upright.mode in ("RGBA", "LA") else "RGB")


def _stored(plain: Image, kind: Literal["JPEG", "PNG"]) -> Picture:
    """The pixels in a new picture without metadata."""
    from PIL import Image

    clean = Image.new(plain.mode, plain.size)
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
