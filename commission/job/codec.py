"""Converts event bodies to canonical JSON and back with msgspec; errors name the path of a field."""

from __future__ import annotations

from functools import cache
from typing import Any

import msgspec

from commission.model import EVENT_KINDS, EventBody, InputError, ReadingEntered, SettingEntered, StoreError
from commission.model.plausible import long_text, problem_of

_KIND_OF = {body_type: kind for kind, body_type in EVENT_KINDS.items()}


@cache
def _decoder(kind: str) -> msgspec.json.Decoder[Any] | None:
    """The decoder of a kind, made on first use: a log has few kinds, and it is opened before the first paint."""
    body_type = EVENT_KINDS.get(kind)
    return None if body_type is None else msgspec.json.Decoder(body_type)


def kind_of(body: EventBody) -> str:
    """The kind under which a body is stored."""
    return _KIND_OF[type(body)]


def encode(body: EventBody) -> str:
    """Canonical JSON: keys sorted, no spaces, UTF-8, shortest numbers.

    Raises InputError for impossible numbers (JSON has no NaN; msgspec would write null) and for texts that are too
    long.
    """
    problem = problem_of(body) or long_text(body, "")
    if problem is not None:
        mend = "Shorten it." if "characters" in problem.found else ""
        raise InputError(f"{kind_of(body)}.{problem.path.lstrip('.')}", problem.found, problem.expected, mend)
    try:
        return msgspec.json.encode(body, order="sorted").decode("utf-8")
    except UnicodeEncodeError as error:  # the name of a file or a key that no encoding can represent
        raise InputError(
            kind_of(body), "an invalid character", "text", "Type it again, or rename the file."
        ) from error


def decode(kind: str, text: str, seq: int) -> EventBody:
    """The body of a stored event; raises StoreError naming the event if it does not fit its kind."""
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
    except RecursionError as error:
        raise StoreError(f"Event {seq} ({kind}) cannot be read: it is nested too deeply.") from error
    # The fold leaves out and names impossible readings and settings; any other such event is not ours.
    if not isinstance(body, ReadingEntered | SettingEntered) and (problem := problem_of(body)) is not None:
        raise StoreError(
            f"Event {seq} ({kind}) cannot be right: {problem.path} is {problem.found}, expected {problem.expected}. "
            "The file is damaged or was edited."
        )
    return body
