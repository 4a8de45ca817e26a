"""Event bodies to canonical JSON and back, with msgspec: typed, and errors that name the path."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any

import msgspec

from commission.model import EVENT_KINDS, EventBody, InputError, StoreError

_KIND_OF = {body_type: kind for kind, body_type in EVENT_KINDS.items()}


@cache
def _decoder(kind: str) -> msgspec.json.Decoder[Any] | None:
    """Made when a kind is first met: a log holds a few of them, and opening it stands before the first paint."""
    body_type = EVENT_KINDS.get(kind)
    return None if body_type is None else msgspec.json.Decoder(body_type)


def kind_of(body: EventBody) -> str:
    """The kind under which a body is stored."""
    return _KIND_OF[type(body)]


def encode(body: EventBody) -> str:
    """Canonical JSON: keys sorted, no spaces, UTF-8, shortest numbers. Raises InputError on NaN or infinity."""
    _refuse_non_finite(body, kind_of(body))
    try:
        return msgspec.json.encode(body, order="sorted").decode("utf-8")
    except UnicodeEncodeError as error:  # a name of a file or a key that is no text in any encoding
        raise InputError(
            kind_of(body), "a letter that is none", "text", "Type it anew, or rename the file."
        ) from error


def decode(kind: str, text: str, seq: int) -> EventBody:
    """The body of a stored event; raises StoreError naming the event when it does not fit its kind."""
    decoder = _decoder(kind)
    if decoder is None:
        raise StoreError(
            f"Event {seq} is of the unknown kind “{kind[:40]}”: a newer program wrote it. Update this one and try again."
        )
    try:
        body: EventBody = decoder.decode(text)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise StoreError(
            f"Event {seq} ({kind}) cannot be read: {error}. The file is damaged or was edited."
        ) from error
    return body


def _refuse_non_finite(value: object, where: str) -> None:
    """JSON has no NaN, and msgspec would write null in its place: refuse before anything is stored."""
    if isinstance(value, float) and not math.isfinite(value):
        raise InputError(where, str(value), "a finite number")
    if is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            _refuse_non_finite(getattr(value, field.name), f"{where}.{field.name}")
    elif isinstance(value, tuple | list):
        for index, item in enumerate(value):
            _refuse_non_finite(item, f"{where}[{index}]")
