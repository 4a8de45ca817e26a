"""Event bodies to canonical JSON and back, with msgspec: typed, and errors that name the path."""

from __future__ import annotations

from functools import cache
from typing import Any

import msgspec

from commission.model import EVENT_KINDS, EventBody, InputError, ReadingEntered, SettingEntered, StoreError
from commission.model.plausible import long_text, problem_of

_KIND_OF = {body_type: kind for kind, body_type in EVENT_KINDS.items()}


@cache
def _decoder(kind: str) -> msgspec.json.Decoder[Any] | None:
    """Made when a kind is first met: a log holds a few of them, and it is opened before the first paint."""
    body_type = EVENT_KINDS.get(kind)
    return None if body_type is None else msgspec.json.Decoder(body_type)


def kind_of(body: EventBody) -> str:
    """The kind under which a body is stored."""
    return _KIND_OF[type(body)]


def encode(body: EventBody) -> str:
    """Canonical JSON: keys sorted, no spaces, UTF-8, shortest numbers.

    Raises InputError for a number that cannot be (JSON has no NaN, and msgspec would write null in its place) and for a
    text that is longer than its field can be.
    """
    problem = problem_of(body) or long_text(body, "")
    if problem is not None:
        mend = "Shorten it." if "characters" in problem.found else ""
        raise InputError(f"{kind_of(body)}.{problem.path.lstrip('.')}", problem.found, problem.expected, mend)
    try:
        return msgspec.json.encode(body, order="sorted").decode("utf-8")
    except UnicodeEncodeError as error:  # a name of a file or a key that is no text in any encoding
        raise InputError(
            kind_of(body), "an invalid character", "text", "Type it again, or rename the file."
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
    except RecursionError as error:
        raise StoreError(f"Event {seq} ({kind}) cannot be read: it is nested too deeply.") from error
    # A reading or setting that cannot be is left out by the fold and named; any other event is none of ours.
    if not isinstance(body, ReadingEntered | SettingEntered) and (problem := problem_of(body)) is not None:
        raise StoreError(
            f"Event {seq} ({kind}) cannot be right: {problem.path} is {problem.found}, expected {problem.expected}. "
            "The file is damaged or was edited."
        )
    return body
