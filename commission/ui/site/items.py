"""Fields of the Site form for repeated items (seats, channels, instruments); adding and deleting items."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from commission.model import Channel, InputError, Instrument, Job, Obstacle, Position, Seat, System
from commission.model.units import clean_text, format_length, parse_length_m, parse_number
from commission.steps.shared.unusual import unusual_distance, unusual_system
from commission.ui.site.field import (
    LENGTH_HINTS,
    Field,
    crossover_field,
    length_text,
    lengths,
    lengths_text,
    optional_number,
    parse_crossover,
    plain,
    put_item,
    whole,
    word,
)

MOUNTS = (
    ("", "nothing: it stands free"),
    *((each, each) for each in ("front wall", "rear wall", "left wall", "right wall", "ceiling", "floor")),
)
ROLES = (("screen", "screen"), ("surround", "surround"), ("height", "height"), ("sub", "subwoofer"))
_LABEL = re.compile(r"(Tp)?(F|Si|B|)([LRC])([wc])?")
_ROWS = {"F": "front", "Si": "side", "B": "back", "": ""}
_SIDES = {"L": "left", "R": "right", "C": "centre"}
_ROLE_OF_LABEL = (("SUB", "sub"), ("LFE", "sub"), ("TP", "height"), ("F", "screen"))


POSITION_EXAMPLES = {"metric": "-1.45; 0.10; 1.15", "imperial": "-4' 9\"; 0' 4\"; 3' 9\""}


class _Item:
    """Makes the fields of one seat, channel or instrument."""

    def __init__(self, system: System, what: str, n: int, item_id: str) -> None:
        self._system, self._what, self._n, self._id = system, what, n, item_id

    def field(
        self,
        name: str,
        label: str,
        typed: str,
        parse: Callable[[str], object],
        *,
        stored: str = "",
        shown: str | None = None,
        hint: str = "",
        choices: tuple[tuple[str, str], ...] = (),
    ) -> Field:
        """A field that stores `parse(text)` under `stored` (or its own name)."""
        return Field(
            key=f"{self._what}.{self._n}.{name}",
            label=f"  {label}",
            shown=typed if shown is None else shown,
            typed=typed,
            item_id=self._id,
            hint=hint,
            choices=choices,
            change=lambda s, t: put_item(s, self._what, self._n, **{stored or name: parse(t)}),
        )

    def point(
        self, name: str, label: str, position_m: Position | None, hint: str = "", *, needed: bool = False
    ) -> Field:
        """A field for a point, stored under its name with `_m`."""
        units = self._system.units
        shown = typed = ""
        parts: list[str] = []
        if position_m is not None:
            shown = "  ".join(format_length(v, units) for v in position_m)
            parts = [f"{v:.2f}" if units == "metric" else format_length(v, units) for v in position_m]
            typed = "; ".join(parts)
        example = POSITION_EXAMPLES[units]

        def parse(text: str) -> Position | None:
            if needed and not text.strip():
                raise InputError(self._id, "nothing", f"three lengths, such as {example}")
            return lengths(text, self._id, example, units=units, signed="xy", known=(position_m or (), parts))

        field = self.field(
            name,
            label,
            typed,
            parse,
            stored=f"{name}_m",
            shown=shown,
            hint=f"{hint}right of the centre; back from the screen; up   ({example})",
        )
        return replace(field, read=lambda t: lengths_text(parse(t), units), bare_units=units)

    def position(self, label: str, position_m: Position | None) -> Field:
        """A field for its position; an unusual one is questioned."""
        field = self.point("position", label, position_m)

        def unusual(job: Job, text: str) -> str:
            return unusual_system(job, field.change(job.system, text))

        return replace(field, unusual=unusual)


def seat_fields(system: System, n: int, seat: Seat, *, layout: bool) -> Iterator[Field]:
    """Name, position, weight, reference; `layout`: also the height of its back."""
    item = _Item(system, "seats", n, seat.id)
    yield item.field("name", "Name", seat.name, word)
    yield item.position("Ears", seat.position_m)
    if layout:
        yield _back_field(item, system, seat)
    yield item.field("weight", "Weight", plain(seat.weight), lambda t: parse_number(t, "weight", low=0))

    def reference(s: System, text: str) -> System:
        return replace(s, seats=tuple(replace(x, reference=i == n) for i, x in enumerate(s.seats)))

    sentence = "yes" if system.reference_seat is seat else "no"
    yield replace(
        item.field("reference", "Reference seat", sentence, word, choices=(("yes", "yes, this one"),)),
        change=reference,
    )


def _back_field(item: _Item, system: System, seat: Seat) -> Field:
    units = system.units

    def parse(text: str) -> float | None:
        return parse_length_m(text, f"{seat.id} back", units=units) if text.strip() else None

    top = format_length(seat.back_top_m, units) if seat.back_top_m is not None else ""
    hint = f"above the same floor as its ears, {LENGTH_HINTS[units]}; empty: below the ears"
    field = item.field("back", "Top of its back", top, parse, stored="back_top_m", hint=hint)
    return replace(field, read=lambda t: length_text(parse(t) or 0.0, units), bare_units=units)


def channel_fields(system: System, n: int, channel: Channel, *, layout: bool) -> Iterator[Field]:
    """Name, role, position, tape distance, output, crossover; `layout`: also aim and coverage."""
    item = _Item(system, "channels", n, channel.id)
    yield item.field("name", "Name", channel.name, word)
    yield item.field("role", "Role", channel.role, str, shown=dict(ROLES)[channel.role], choices=ROLES)
    yield item.position("Position", channel.position_m)
    if layout and not channel.is_sub:
        yield item.point("aim", "Aimed at", channel.aim_m, "a point on its axis, ")
        yield item.field(
            "coverage",
            "Coverage angle, °",
            plain(channel.coverage_deg),
            optional_number(f"{channel.id} coverage angle", low=10, high=360),
            stored="coverage_deg",
            hint="from edge to edge at −6 dB, from its data sheet; empty: 90° is assumed",
        )
    yield _tape_field(item, system, channel)
    if layout and not channel.is_sub:
        yield from _move_fields(item, n, channel)
    yield item.field(
        "output",
        "Output, from 1",
        plain(channel.output),
        lambda t: whole(t, f"{channel.id} output", 1),
        hint="of the audio device; empty: the channel's position in this list",
    )
    yield item.field(
        "high_pass",
        "High-pass, Hz",
        plain(channel.high_pass_hz),
        optional_number(f"{channel.id} high-pass", low=20, high=400),
        stored="high_pass_hz",
        hint="the crossover set in the processor; empty: full range or unknown",
    )
    if channel.is_sub:
        yield item.field(
            "low_pass_hz",
            "Low-pass, Hz",
            plain(channel.low_pass_hz),
            optional_number(f"{channel.id} low-pass", low=20, high=400),
            hint="that the processor applies to it; empty: none or unknown",
        )
    for name, title, hz in (
        ("high_pass", "High-pass filter", channel.high_pass_hz),
        ("low_pass", "Low-pass filter", channel.low_pass_hz),
    ):
        if hz is not None:
            yield _crossover_filter(n, channel, name, title)


def _crossover_filter(n: int, channel: Channel, name: str, title: str) -> Field:
    """Type and slope of one side of its crossover, if they differ from the processor's."""
    field = crossover_field(
        f"channels.{n}.{name}_filter",
        f"  {title}",
        getattr(channel, name),
        lambda s, t: put_item(s, "channels", n, **{name: parse_crossover(t)}),
        "as entered for the processor",
    )
    return replace(field, item_id=channel.id)


def _move_fields(item: _Item, n: int, channel: Channel) -> Iterator[Field]:
    """Its mounting surface, and the space within which it may be moved."""
    yield item.field(
        "mount",
        "Mounted on",
        channel.mount or "",
        lambda text: text or None,
        shown=channel.mount or "",
        choices=MOUNTS,
    )
    for name, other in (("move_from", "move_to"), ("move_to", "move_from")):
        field = item.point(name, f"May {name.replace('_', ' ')}", getattr(channel, f"{name}_m"), "a corner, ")

        def change(s: System, text: str, field: Field = field, name: str = name, other: str = other) -> System:
            """Set one corner of the space; a single corner is used for both."""
            changed = field.change(s, text).channels[n]
            corner = getattr(changed, f"{name}_m")
            opposite = None if corner is None else getattr(changed, f"{other}_m") or corner
            return put_item(s, "channels", n, **{f"{name}_m": corner, f"{other}_m": opposite})

        yield replace(field, change=change)


def obstacle_fields(system: System, n: int, obstacle: Obstacle) -> Iterator[Field]:
    """Fields for two opposite corners."""
    item = _Item(system, "obstacles", n, obstacle.id)
    yield item.point("from", "From", obstacle.from_m, "a corner, ", needed=True)
    yield item.point("to", "To", obstacle.to_m, "the opposite corner, ", needed=True)


def _tape_field(item: _Item, system: System, channel: Channel) -> Field:
    units = system.units

    def parse(text: str) -> float | None:
        return parse_length_m(text, f"{channel.id} tape", units=units) if text.strip() else None

    def unusual(job: Job, text: str) -> str:
        value_m = parse(text)
        return "" if value_m is None else unusual_distance(job, job.current_round, channel, value_m)

    tape = format_length(channel.distance_m, units) if channel.distance_m is not None else ""
    field = item.field(
        "distance",
        "Tape from reference seat",
        tape,
        parse,
        stored="distance_m",
        hint=f"{LENGTH_HINTS[units]}; empty: not taped",
    )
    return replace(field, read=lambda t: length_text(parse(t) or 0.0, units), unusual=unusual, bare_units=units)


def _date(text: str) -> dt.date | None:
    if not text.strip():
        return None
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise InputError("calibrated", f"“{clean_text(text)[:30]}”", "a date such as 2026-03-12") from None


def _accuracy(text: str) -> int | None:
    if text.strip() not in ("", "1", "2"):
        raise InputError("class", f"“{clean_text(text)[:20]}”", "1 or 2 (IEC 61672-1), or nothing")
    return int(text) if text.strip() else None


SUPPORTS = (("hand", "held by hand"), ("stand", "on a stand"))
"""How a meter is held; by hand if nothing is entered."""


def instrument_fields(system: System, n: int, instrument: Instrument) -> Iterator[Field]:
    """Model, serial number, calibration, and accuracy if applicable."""
    item = _Item(system, "instruments", n, instrument.kind)
    yield item.field("model", "Model", instrument.model, word)
    yield item.field("serial", "Serial number", instrument.serial, word)
    yield item.field("calibrated", "Calibrated", str(instrument.calibrated or ""), _date, hint="2026-03-12")
    if instrument.kind in ("meter", "calibrator"):
        yield item.field("accuracy_class", "Class", str(instrument.accuracy_class or ""), _accuracy, hint="1 or 2")
    if instrument.kind == "meter":
        yield item.field("resolution", "Smallest step, dB", plain(instrument.resolution), optional_number("step"))
        yield item.field(
            "support",
            "While reading",
            instrument.support or "",
            lambda text: text or None,
            shown=dict(SUPPORTS)[instrument.support or "hand"],
            choices=SUPPORTS,
        )
    if instrument.kind == "microphone":
        yield item.field(
            "level_offset_db",
            "Level offset, dB",
            plain(instrument.level_offset_db),
            optional_number("offset"),
            hint="added to an imported level to give dB SPL; empty: levels stay relative",
        )
        yield item.field(
            "full_scale_db",
            "Full scale, dB SPL",
            plain(instrument.full_scale_db),
            optional_number("full scale"),
            hint="level of a noise recording with an rms of 1.0 at the gain in use; empty: by a recorded calibrator",
        )
    if instrument.kind in ("meter", "microphone"):
        yield item.field(
            "self_noise_db",
            "Self-noise, dB(A)",
            plain(instrument.self_noise_db),
            optional_number("self-noise"),
            hint="from its data sheet; empty: 30 dB(A) is assumed",
        )


def add_items(system: System, what: str, text: str) -> System:
    """The system with one more seat, channel or instrument for every label, separated by commas or blanks.

    Raises InputError for a label that is taken, with nothing added.
    """
    labels = [part for part in (text.split(",") if "," in text else text.split()) if part.strip()]
    for label in labels or [text]:
        system = add_item(system, what, label)
    return system


def plain_name(label: str) -> str:
    """The meaning of a standard label (IEC 62574), such as "Top front left"; empty for any other."""
    if label.upper().startswith("SUB") and label[3:].isdecimal():
        return f"Subwoofer {label[3:]}"
    found = _LABEL.fullmatch(label)
    if found is None:
        return ""
    top, row, side, wide = found.groups()
    words = ["Top" if top else "", _ROWS[row], _SIDES[side], {"w": "wide", "c": "of centre"}.get(wide or "", "")]
    text = " ".join(word for word in words if word)
    return "Centre" if label == "FC" else text[:1].upper() + text[1:]


def add_item(system: System, what: str, text: str) -> System:
    """The system with one more seat, channel or instrument; raises InputError for a label that is taken."""
    label = word(text)
    if not label or len(label) > 12:
        raise InputError("label", f"“{label[:20]}”", "a short label of up to 12 characters")
    if what == "instruments":
        return replace(system, instruments=(*system.instruments, Instrument(kind=label)))  # type: ignore[arg-type]
    if label in {item.id for item in getattr(system, what)}:
        raise InputError("label", f"“{label}”, which exists already", "a new label")
    if what == "obstacles":
        nowhere = (0.0, 0.0, 0.0)
        return replace(system, obstacles=(*system.obstacles, Obstacle(id=label, from_m=nowhere, to_m=nowhere)))
    if what == "seats":
        return replace(system, seats=(*system.seats, Seat(id=label, reference=not system.seats)))
    role: Any = next((r for start, r in _ROLE_OF_LABEL if label.upper().startswith(start)), "surround")
    return replace(system, channels=(*system.channels, Channel(id=label, name=plain_name(label), role=role)))


def delete_item(system: System, key: str) -> System:
    """The system without the item of a field."""
    what, n, *_ = key.split(".")
    items = list(getattr(system, what))
    del items[int(n)]
    return replace(system, **{what: tuple(items)})  # type: ignore[arg-type]
