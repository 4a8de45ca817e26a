"""The fields of the Site form: how each is shown, and what typed text makes of the system. No Textual here."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from commission.model import (
    Band,
    Channel,
    InputError,
    Instrument,
    Job,
    Position,
    Room,
    Seat,
    Setting,
    SettingEntered,
    System,
)
from commission.model.units import (
    clean_text,
    format_length,
    format_temperature,
    parse_length_m,
    parse_number,
    parse_temperature_c,
)
from commission.steps.levels import CONVENTIONS

ROLES = (("screen", "screen"), ("surround", "surround"), ("height", "height"), ("sub", "subwoofer"))
Apply = Callable[[System, str], System]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One line of the form."""

    key: str
    label: str
    shown: str
    typed: str
    """The value as it would be typed, to begin with."""
    change: Apply
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    item_id: str | None = None

    @property
    def title(self) -> str:
        """What is asked for."""
        return f"{self.item_id}: {self.label.strip()}" if self.item_id else self.label.strip()

    def apply(self, job: Job, text: str) -> System:
        """The system with this value; raises InputError."""
        return self.change(job.system, text)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingField:
    """One setting of the processor in a round."""

    key: str
    label: str
    shown: str
    typed: str
    channel: str
    make: Callable[[str], Setting]
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()

    @property
    def title(self) -> str:
        """What is asked for."""
        return self.label.strip()

    def apply(self, job: Job, text: str) -> SettingEntered:
        """The event; raises InputError."""
        return SettingEntered(setting=self.make(text))


def fields_of(job: Job, round_id: str) -> Iterator[tuple[str, list[Field | SettingField]]]:
    """Sections with their fields, in the order of the form."""
    system = job.system
    yield "Job", list(_job_fields(system))
    yield "Room", list(_room_fields(system))
    yield "Processor", [*_processor_fields(system), *_list_fields(system)]
    for n, seat in enumerate(system.seats):
        yield f"Seat {seat.id}", list(_seat_fields(system, n, seat))
    for n, channel in enumerate(system.channels):
        yield f"Channel {channel.id}", list(_channel_fields(system, n, channel))
    for n, instrument in enumerate(system.instruments):
        yield f"Instrument: {instrument.kind}", list(_instrument_fields(n, instrument))
    if system.channels:
        yield f"The processor holds, {round_id}", list(_setting_fields(job, round_id))


def _text(name: str) -> Apply:
    return lambda system, text: replace(system, **{name: clean_text(text).strip()})  # type: ignore[arg-type]


def _job_fields(system: System) -> Iterator[Field]:
    for name, label in (("title", "Title"), ("client", "Client"), ("place", "Place"), ("technician", "Technician")):
        value = getattr(system, name)
        yield Field(key=name, label=label, shown=value, typed=value, change=_text(name))
    shown = format_temperature(system.temperature_c, system.units)
    yield Field(
        key="temperature_c",
        label="Air temperature",
        shown=shown,
        typed=shown,
        hint="21.5 or 70 °F",
        change=lambda s, t: replace(s, temperature_c=parse_temperature_c(t)),
    )
    bands = ", ".join(band.label for band in system.bands)
    yield Field(
        key="bands",
        label="Bands for seats, Hz",
        shown=bands,
        typed=bands,
        hint="20-80, 80-300, 300-3000, 3000-16000",
        change=lambda s, t: replace(s, bands=parse_bands(t)),
    )
    yield Field(
        key="units",
        label="Units on screen",
        shown=system.units,
        typed=system.units,
        choices=(("metric", "metres, °C"), ("imperial", "feet and inches, °F")),
        change=lambda s, t: replace(s, units="imperial" if t == "imperial" else "metric"),
    )


def parse_bands(text: str) -> tuple[Band, ...]:
    """Bands in hertz with commas between them: 20-80, 80-300. Raises InputError."""
    bands = []
    for part in (part.strip() for part in text.replace("–", "-").split(",")):
        ends = part.split("-")
        if len(ends) != 2:
            raise InputError("bands", f"“{clean_text(part)[:20]}”", "bands such as 20-80, 80-300, 300-3000")
        low, high = (parse_number(end, "bands", low=10, high=24000) for end in ends)
        if low >= high:
            raise InputError("bands", f"“{clean_text(part)[:20]}”", "the lower end first")
        bands.append(Band(low_hz=low, high_hz=high))
    return tuple(bands)


def _room_fields(system: System) -> Iterator[Field]:
    for name, label in (("length_m", "Length"), ("width_m", "Width"), ("height_m", "Height")):
        shown = format_length(getattr(system.room, name), system.units) if system.room is not None else ""

        def change(s: System, text: str, name: str = name, label: str = label) -> System:
            value = parse_length_m(text, label)
            if not 0.5 <= value <= 100:
                raise InputError(label, f"{value:g} m", "a room from 0.5 to 100 m")
            room = s.room or Room(length_m=value, width_m=value, height_m=min(value, 2.5))
            return replace(s, room=replace(room, **{name: value}))

        yield Field(
            key=f"room.{name}", label=label, shown=shown, typed=shown, hint="3.42, 342 cm, 11' 2 1/2\"", change=change
        )


def _part(name: str, end: str) -> Callable[[Any, Any], Any]:
    """Puts one end of a range of the processor."""
    return lambda processor, value: replace(processor, **{name: replace(getattr(processor, name), **{end: value})})


def _processor_fields(system: System) -> Iterator[Field]:
    p = system.processor

    def number(
        key: str,
        label: str,
        value: float | None,
        put: Callable[[Any, float], Any],
        unit: str = "",
        optional: bool = False,
        low: float | None = None,
    ) -> Field:
        def change(s: System, text: str) -> System:
            if optional and not text.strip():
                return replace(s, processor=put(s.processor, None))  # type: ignore[arg-type]
            changed = put(s.processor, parse_number(text, label, low=low))
            if changed.trim_db.min >= changed.trim_db.max or changed.delay.min >= changed.delay.max:
                raise InputError(label, text.strip(), "a range whose lower end is below its upper end")
            return replace(s, processor=changed)

        typed = "" if value is None else f"{value:g}"
        return Field(
            key=f"processor.{key}",
            label=label,
            shown=f"{typed} {unit}".strip(),
            typed=typed,
            change=change,
            hint="empty: not known" if optional else "",
        )

    yield Field(
        key="processor.model",
        label="Model",
        shown=p.model,
        typed=p.model,
        change=lambda s, t: replace(s, processor=replace(s.processor, model=clean_text(t).strip())),
    )
    for end, label in (("min", "Trim from"), ("max", "Trim to"), ("step", "Trim step")):
        yield number(
            f"trim.{end}",
            label,
            getattr(p.trim_db, end),
            unit="dB",
            low=0.01 if end == "step" else None,
            put=_part("trim_db", end),
        )
    yield Field(
        key="processor.delay.unit",
        label="Delay is entered in",
        shown=p.delay.unit,
        typed=p.delay.unit,
        choices=(("ms", "milliseconds"), ("m", "metres"), ("ft", "feet")),
        change=lambda s, t: replace(s, processor=_part("delay", "unit")(s.processor, t)),
    )
    for end, label in (("max", "Delay to"), ("step", "Delay step")):
        yield number(
            f"delay.{end}", label, getattr(p.delay, end), unit=p.delay.unit, low=0.001, put=_part("delay", end)
        )
    conventions = "; ".join(text for _, text in CONVENTIONS)
    reference = number(
        "reference",
        "Reference reading",
        p.reference_spl_db,
        unit="dB(C)",
        put=lambda q, v: replace(q, reference_spl_db=v),
    )
    yield replace(reference, hint=conventions)
    yield number(
        "sub-reference",
        "Subwoofers' reference",
        p.sub_reference_spl_db,
        unit="dB(C)",
        optional=True,
        put=lambda q, v: replace(q, sub_reference_spl_db=v),
    )
    yield number(
        "speed",
        "Assumed speed of sound",
        p.speed_of_sound_m_s,
        unit="m/s",
        optional=True,
        put=lambda q, v: replace(q, speed_of_sound_m_s=v),
    )


def _list_fields(system: System) -> Iterator[Field]:
    """What the processor offers besides trims and delays."""
    crossovers = ", ".join(f"{hz:g}" for hz in system.processor.crossovers_hz)

    def put_crossovers(s: System, text: str) -> System:
        parts = [part for part in re.split(r"[,;\s]+", text.strip()) if part]
        found = tuple(parse_number(part, "crossovers", low=20, high=400) for part in parts)
        return replace(s, processor=replace(s.processor, crossovers_hz=found))

    yield Field(
        key="processor.crossovers",
        label="Crossovers, Hz",
        shown=crossovers,
        typed=crossovers,
        hint="60, 80, 100, 120",
        change=put_crossovers,
    )
    bands = "" if system.processor.parametric_bands is None else str(system.processor.parametric_bands)
    yield Field(
        key="processor.parametric",
        label="Parametric bands",
        shown=bands,
        typed=bands,
        hint="how many for each channel; empty: not known",
        change=lambda s, t: replace(
            s, processor=replace(s.processor, parametric_bands=_whole(t, "parametric bands", 0))
        ),
    )


def _whole(text: str, where: str, low: int) -> int | None:
    """A whole number, or None for an empty text."""
    if not text.strip():
        return None
    value = parse_number(text, where, low=low, high=256)
    if not value.is_integer():
        raise InputError(where, f"{value:g}", "a whole number")
    return int(value)


def _put(system: System, what: str, n: int, **values: object) -> System:
    items = list(getattr(system, what))
    items[n] = replace(items[n], **values)
    return replace(system, **{what: tuple(items)})  # type: ignore[arg-type]


def parse_position(text: str, where: str) -> Position | None:
    """Three lengths with ; or blanks between them: right, back, up. Empty: none."""
    if not text.strip():
        return None
    parts = [part for part in re.split(r"\s*;\s*", text.strip()) if part]
    if len(parts) == 1:
        parts = text.split()
    if len(parts) != 3:
        raise InputError(where, f"{len(parts)} lengths", "three with ; between them, such as -1.45; 0.10; 1.15")
    x, y, z = (
        parse_length_m(part, f"{where} {axis}", signed=axis != "z") for part, axis in zip(parts, "xyz", strict=True)
    )
    return x, y, z


def _position_field(system: System, what: str, n: int, item: Seat | Channel, label: str) -> Field:
    shown = typed = ""
    if item.position_m is not None:
        shown = "  ".join(format_length(v, system.units) for v in item.position_m)
        typed = "; ".join(f"{v:.2f}" for v in item.position_m)
    return Field(
        key=f"{what}.{n}.position",
        label=label,
        shown=shown,
        typed=typed,
        item_id=item.id,
        hint="right of the centre; back from the screen; up   (-1.45; 0.10; 1.15)",
        change=lambda s, t: _put(s, what, n, position_m=parse_position(t, item.id)),
    )


def _seat_fields(system: System, n: int, seat: Seat) -> Iterator[Field]:
    yield _position_field(system, "seats", n, seat, "  Ears")
    yield Field(
        key=f"seats.{n}.weight",
        label="  Weight",
        shown=f"{seat.weight:g}",
        typed=f"{seat.weight:g}",
        item_id=seat.id,
        change=lambda s, t: _put(s, "seats", n, weight=parse_number(t, "weight", low=0)),
    )

    def reference(s: System, text: str) -> System:
        return replace(s, seats=tuple(replace(x, reference=i == n) for i, x in enumerate(s.seats)))

    word = "yes" if system.reference_seat is seat else "no"
    yield Field(
        key=f"seats.{n}.reference",
        label="  Reference seat",
        shown=word,
        typed=word,
        item_id=seat.id,
        choices=(("yes", "yes, this one"),),
        change=reference,
    )


def _channel_fields(system: System, n: int, channel: Channel) -> Iterator[Field]:
    yield Field(
        key=f"channels.{n}.name",
        label="  Name",
        shown=channel.name,
        typed=channel.name,
        item_id=channel.id,
        change=lambda s, t: _put(s, "channels", n, name=clean_text(t).strip()),
    )
    yield Field(
        key=f"channels.{n}.role",
        label="  Role",
        shown=dict(ROLES)[channel.role],
        typed=channel.role,
        item_id=channel.id,
        choices=ROLES,
        change=lambda s, t: _put(s, "channels", n, role=t),
    )
    yield _position_field(system, "channels", n, channel, "  Position")
    shown = format_length(channel.distance_m, system.units) if channel.distance_m is not None else ""
    yield Field(
        key=f"channels.{n}.distance",
        label="  Tape from reference seat",
        shown=shown,
        typed=shown,
        item_id=channel.id,
        hint="3.42, 342 cm, 11' 2 1/2\"; empty: not taped",
        change=lambda s, t: _put(
            s, "channels", n, distance_m=parse_length_m(t, f"{channel.id} tape") if t.strip() else None
        ),
    )
    output = "" if channel.output is None else str(channel.output)
    yield Field(
        key=f"channels.{n}.output",
        label="  Output, from 1",
        shown=output,
        typed=output,
        item_id=channel.id,
        hint="of the audio device; empty: the channel's place in this list",
        change=lambda s, t: _put(s, "channels", n, output=_whole(t, f"{channel.id} output", 1)),
    )
    crossover = "" if channel.high_pass_hz is None else f"{channel.high_pass_hz:g}"
    yield Field(
        key=f"channels.{n}.high_pass",
        label="  High-pass, Hz",
        shown=crossover,
        typed=crossover,
        item_id=channel.id,
        hint="the crossover the processor holds; empty: full range or not known",
        change=lambda s, t: _put(
            s,
            "channels",
            n,
            high_pass_hz=parse_number(t, f"{channel.id} high-pass", low=20, high=400) if t.strip() else None,
        ),
    )


def _date(text: str) -> dt.date | None:
    if not text.strip():
        return None
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise InputError("calibrated", f"“{clean_text(text)[:30]}”", "a date such as 2026-03-12") from None


def _instrument_fields(n: int, instrument: Instrument) -> Iterator[Field]:
    def field(name: str, label: str, shown: str, parse: Callable[[str], object], hint: str = "") -> Field:
        return Field(
            key=f"instruments.{n}.{name}",
            label=f"  {label}",
            shown=shown,
            typed=shown,
            item_id=instrument.kind,
            hint=hint,
            change=lambda s, t: _put(s, "instruments", n, **{name: parse(t)}),
        )

    def optional_number(label: str) -> Callable[[str], object]:
        return lambda text: parse_number(text, label) if text.strip() else None

    def accuracy(text: str) -> int | None:
        if text.strip() not in ("", "1", "2"):
            raise InputError("class", f"“{clean_text(text)[:20]}”", "1 or 2 (IEC 61672-1), or nothing")
        return int(text) if text.strip() else None

    yield field("model", "Model", instrument.model, lambda t: clean_text(t).strip())
    yield field("serial", "Serial number", instrument.serial, lambda t: clean_text(t).strip())
    yield field("calibrated", "Calibrated", str(instrument.calibrated or ""), _date, "2026-03-12")
    if instrument.kind in ("meter", "calibrator"):
        yield field("accuracy_class", "Class", str(instrument.accuracy_class or ""), accuracy, "1 or 2")
    if instrument.kind == "meter":
        yield field("resolution", "Smallest step, dB", _plain(instrument.resolution), optional_number("step"))
    if instrument.kind == "microphone":
        yield field(
            "level_offset_db",
            "Level offset, dB",
            _plain(instrument.level_offset_db),
            optional_number("offset"),
            "added to an imported level to read in dB SPL; empty: levels stay relative",
        )


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _setting_fields(job: Job, round_id: str) -> Iterator[SettingField]:
    unit = job.system.processor.delay.unit
    for channel in job.system.channels:
        held = job.setting(round_id, channel.id)

        def make(name: str, label: str, channel_id: str = channel.id) -> Callable[[str], Setting]:
            def built(text: str) -> Setting:
                value = text if name == "polarity" else parse_number(text, label)
                return Setting(round=round_id, channel=channel_id, **{name: value})  # type: ignore[arg-type]

            return built

        label = f"{channel.id} trim, dB"
        yield SettingField(
            key=f"setting.{channel.id}.trim",
            label=label,
            shown=_plain(held.trim_db),
            channel=channel.id,
            typed=_plain(held.trim_db),
            make=make("trim_db", label),
        )
        label = f"{channel.id} {'delay' if unit == 'ms' else 'distance'}, {unit}"
        yield SettingField(
            key=f"setting.{channel.id}.distance",
            label=label,
            shown=_plain(held.distance),
            channel=channel.id,
            typed=_plain(held.distance),
            make=make("distance", label),
            hint="as the processor shows it",
        )
        yield SettingField(
            key=f"setting.{channel.id}.polarity",
            label=f"{channel.id} polarity",
            shown=held.polarity or "",
            typed=held.polarity or "",
            channel=channel.id,
            choices=(("normal", "normal"), ("reversed", "reversed")),
            make=make("polarity", ""),
        )


_ROLE_OF_LABEL = (("SUB", "sub"), ("LFE", "sub"), ("TP", "height"), ("F", "screen"))


def add_item(system: System, what: str, text: str) -> System:
    """The system with one more seat, channel or instrument; raises InputError for a label that is taken."""
    label = clean_text(text).strip()
    if not label or len(label) > 12:
        raise InputError("label", f"“{label[:20]}”", "a short label of up to 12 characters")
    if what == "instruments":
        return replace(system, instruments=(*system.instruments, Instrument(kind=label)))  # type: ignore[arg-type]
    if label in {item.id for item in getattr(system, what)}:
        raise InputError("label", f"“{label}”, which exists already", "a new label")
    if what == "seats":
        return replace(system, seats=(*system.seats, Seat(id=label, reference=not system.seats)))
    role: Any = next((r for start, r in _ROLE_OF_LABEL if label.upper().startswith(start)), "surround")
    return replace(system, channels=(*system.channels, Channel(id=label, role=role)))


def delete_item(system: System, key: str) -> System:
    """The system without the item that a field belongs to."""
    what, n, *_ = key.split(".")
    items = list(getattr(system, what))
    del items[int(n)]
    return replace(system, **{what: tuple(items)})  # type: ignore[arg-type]
