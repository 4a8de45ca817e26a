"""Fields of the Site form for the whole job: names, the room, the processor, the sweep."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import pairwise
from typing import Any

from commission.model import (
    Band,
    DelayRange,
    DelayUnit,
    FilterRanges,
    InputError,
    Job,
    Room,
    Steps,
    Sweep,
    System,
    Target,
)
from commission.model.units import (
    clean_text,
    format_length,
    format_temperature,
    parse_delay,
    parse_length_m,
    parse_number,
    parse_temperature_c,
    without_unit,
)
from commission.steps.levels import CONVENTIONS
from commission.steps.shared.sub_sum import MODES
from commission.steps.shared.unusual import unusual_system
from commission.ui.site.delay_unit import converted_range
from commission.ui.site.field import (
    LENGTH_HINTS,
    Apply,
    Field,
    crossover_field,
    length_text,
    lengths,
    lengths_text,
    parse_crossover,
    plain,
    whole,
    word,
)

UNITS = (("metric", "metres, °C"), ("imperial", "feet and inches, °F"))
DELAY_UNITS = (("ms", "milliseconds"), ("m", "metres"), ("ft", "feet"))
PASSES = (
    ("yes", "yes: their arrivals contain the delays, and show whether these are right"),
    ("no", "no: arrivals show the flight time alone; the processor's delays are not verified"),
)
SWEEP_KINDS = (("yes", "exponential, synchronised"), ("no", "exponential, not synchronised"))


def job_fields(system: System) -> Iterator[Field]:
    """Title, people, temperature, bands, units."""
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
        read=lambda t: format_temperature(parse_temperature_c(t), system.units),
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
    target = _target_text(system.target)
    yield Field(
        key="target",
        label="Target of the bass",
        shown=target.replace("-", "−"),
        typed=target,
        hint="Hz and dB, 20 6; 60 3; 120 0, or -1 dB/oct; empty: none",
        change=lambda s, t: replace(s, target=parse_target(t)),
    )
    yield Field(
        key="units",
        label="Units on screen",
        shown=dict(UNITS)[system.units],
        typed=system.units,
        choices=UNITS,
        change=lambda s, t: replace(s, units="imperial" if t == "imperial" else "metric"),
    )


def _text(name: str) -> Apply:
    return lambda system, text: replace(system, **{name: word(text)})  # type: ignore[arg-type]


def parse_bands(text: str) -> tuple[Band, ...]:
    """Bands in hertz separated by commas: 20-80, 80-300. Raises InputError."""
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


ROOM_EXAMPLES = {"metric": "6.40; 4.70; 2.60", "imperial": "21' 0\"; 15' 5\"; 8' 6\""}


def room_fields(system: System) -> Iterator[Field]:
    """Length, width, height; one field while they are unknown, so that none has to be invented."""
    units = system.units
    if system.room is None:

        def sizes(text: str) -> tuple[float, float, float] | None:
            return lengths(text, "Room", ROOM_EXAMPLES[units], units=units)

        yield Field(
            key="room.size",
            label="Length; width; height",
            shown="",
            typed="",
            hint=ROOM_EXAMPLES[units],
            change=lambda s, t: _with_sides(s, sizes(t)),
            read=lambda t: lengths_text(sizes(t), units),
            unusual=lambda job, t: unusual_system(job, _with_sides(job.system, sizes(t))),
            bare_units=units,
        )
        return
    for name, label in (("length_m", "Length"), ("width_m", "Width"), ("height_m", "Height")):
        shown = format_length(getattr(system.room, name), units)

        def change(s: System, text: str, name: str = name, label: str = label) -> System:
            value = _room_side(parse_length_m(text, label, units=units), label)
            return s if s.room is None else replace(s, room=replace(s.room, **{name: value}))

        def unusual(job: Job, text: str, change: Apply = change) -> str:
            return unusual_system(job, change(job.system, text))

        def read(text: str, label: str = label) -> str:
            return length_text(parse_length_m(text, label, units=units), units)

        yield Field(
            key=f"room.{name}",
            label=label,
            shown=shown,
            typed=shown,
            hint=LENGTH_HINTS[units],
            change=change,
            read=read,
            unusual=unusual,
            bare_units=units,
        )


def _room_side(value_m: float, label: str) -> float:
    if not 0.5 <= value_m <= 100:
        raise InputError(label, f"{value_m:g} m", "a room from 0.5 to 100 m")
    return value_m


def _with_sides(system: System, sides: tuple[float, float, float] | None) -> System:
    if sides is None:
        return system
    length_m, width_m, height_m = (
        _room_side(value_m, label) for value_m, label in zip(sides, ("Length", "Width", "Height"), strict=True)
    )
    return replace(system, room=Room(length_m=length_m, width_m=width_m, height_m=height_m))


def processor_fields(system: System) -> Iterator[Field]:
    """Model, abilities and assumptions of the processor."""
    p = system.processor
    yield _processor_text("model", "Model", p.model)
    yield from _trim_fields(system)
    yield from _delay_fields(p.delay)
    yield from _reference_fields(system)
    yield from _offer_fields(system)
    passes = "yes" if p.sweeps_pass_delays else "no"
    yield Field(
        key="processor.passes",
        label="Sweeps pass its delays",
        shown=passes,
        typed=passes,
        choices=PASSES,
        change=lambda s, t: replace(s, processor=replace(s.processor, sweeps_pass_delays=t == "yes")),
    )


def _processor_text(name: str, label: str, value: str, hint: str = "") -> Field:
    def change(s: System, text: str) -> System:
        return replace(s, processor=replace(s.processor, **{name: word(text)}))  # type: ignore[arg-type]

    return Field(key=f"processor.{name}", label=label, shown=value, typed=value, hint=hint, change=change)


def _number(
    key: str,
    label: str,
    value: float | None,
    unit: str,
    put: Callable[[Any, Any], Any],
    low: float | None = None,
    optional: bool = False,
    delay_unit: DelayUnit | None = None,
) -> Field:
    """A number of the processor; `put(processor, value)` gives the changed one.

    With `delay_unit` the text may have a unit of its own.
    """

    def parse(text: str) -> float:
        if delay_unit is not None:
            return parse_number(parse_delay(text, label, delay_unit), label, low=low)
        return parse_number(without_unit(text, unit), label, low=low)

    def change(s: System, text: str) -> System:
        if optional and not text.strip():
            return replace(s, processor=put(s.processor, None))
        changed = put(s.processor, parse(text))
        if changed.trim_db.min >= changed.trim_db.max or changed.delay.min >= changed.delay.max:
            raise InputError(label, text.strip(), "a range whose lower end is below its upper end")
        return replace(s, processor=changed)

    typed = plain(value)
    hint = "empty: unknown" if optional else ""
    shown = f"{typed} {unit}".replace("-", "−") if typed else ""
    return Field(
        key=f"processor.{key}",
        label=label,
        shown=shown,
        typed=typed,
        change=change,
        hint=hint,
        read=lambda t: f"{plain(parse(t))} {unit}".replace("-", "−"),
    )


def _end(name: str, end: str) -> Callable[[Any, Any], Any]:
    """Set one end of a range of the processor."""
    return lambda processor, value: replace(processor, **{name: replace(getattr(processor, name), **{end: value})})


def _trim_fields(system: System) -> Iterator[Field]:
    trim = system.processor.trim_db
    for end, label in (("min", "Trim from"), ("max", "Trim to"), ("step", "Trim step")):
        low = 0.01 if end == "step" else None
        yield _number(f"trim.{end}", label, getattr(trim, end), "dB", _end("trim_db", end), low)


def _delay_fields(delay: DelayRange) -> Iterator[Field]:
    yield Field(
        key="processor.delay.unit",
        label="Delay is entered in",
        shown=dict(DELAY_UNITS)[delay.unit],
        typed=delay.unit,
        choices=DELAY_UNITS,
        change=_delay_unit,
    )
    for end, label, low in (("min", "Delay from", 0.0), ("max", "Delay to", 0.001), ("step", "Delay step", 0.001)):
        value, put = getattr(delay, end), _end("delay", end)
        yield _number(f"delay.{end}", label, value, delay.unit, put, low, delay_unit=delay.unit)


def _delay_unit(system: System, text: str) -> System:
    unit: DelayUnit = "ms" if text == "ms" else "ft" if text == "ft" else "m"
    return replace(system, processor=replace(system.processor, delay=converted_range(system, unit)))


def _sub_reference_for(system: System, text: str) -> System:
    mode = next((m for m, _ in MODES if m == text), None)
    return replace(system, processor=replace(system.processor, sub_reference_for=mode))


def _reference_fields(system: System) -> Iterator[Field]:
    p = system.processor
    conventions = "; ".join(text for _, text in CONVENTIONS)
    reference = _number(
        "reference", "Reference reading", p.reference_spl_db, "dB(C)", lambda q, v: replace(q, reference_spl_db=v)
    )
    yield replace(reference, hint=conventions)
    yield _processor_text(
        "reference_basis", "Basis of the reference", p.reference_basis, "where it comes from; empty: by convention"
    )
    yield _number(
        "sub-reference",
        "Subwoofers' reference",
        p.sub_reference_spl_db,
        "dB(C)",
        lambda q, v: replace(q, sub_reference_spl_db=v),
        optional=True,
    )
    modes = (("", "not entered"), *MODES)
    yield Field(
        key="processor.sub-reference-for",
        label="Subwoofers add so that",
        shown=dict(modes)[p.sub_reference_for or ""],
        typed=p.sub_reference_for or "",
        choices=modes,
        change=_sub_reference_for,
    )
    yield _number(
        "speed",
        "Assumed speed of sound",
        p.speed_of_sound_m_s,
        "m/s",
        lambda q, v: replace(q, speed_of_sound_m_s=v),
        optional=True,
    )


def _offer_fields(system: System) -> Iterator[Field]:
    """Abilities of the processor besides trims and delays."""
    crossovers = ", ".join(f"{hz:g}" for hz in system.processor.crossovers_hz)

    def put_crossovers(s: System, text: str) -> System:
        parts = [part for part in re.split(r"[,;\s]+", text.strip()) if part]
        found = tuple(parse_number(part, "crossovers", low=20, high=400) for part in parts)
        return replace(s, processor=replace(s.processor, crossovers_hz=found))

    def put_bands(s: System, text: str) -> System:
        return replace(s, processor=replace(s.processor, parametric_bands=whole(text, "parametric bands", 0)))

    yield Field(
        key="processor.crossovers",
        label="Crossovers, Hz",
        shown=crossovers,
        typed=crossovers,
        hint="60, 80, 100, 120",
        change=put_crossovers,
    )
    for name in ("high_pass", "low_pass"):
        title = f"{name.replace('_', '-').capitalize()} filters"

        def put_filter(s: System, text: str, name: str = name) -> System:
            return replace(s, processor=replace(s.processor, **{name: parse_crossover(text)}))  # type: ignore[arg-type]

        yield crossover_field(f"processor.{name}", title, getattr(system.processor, name), put_filter)
    bands = plain(system.processor.parametric_bands)
    yield Field(
        key="processor.parametric",
        label="Parametric bands",
        shown=bands,
        typed=bands,
        hint="how many for each channel; empty: unknown",
        change=put_bands,
    )
    if system.processor.parametric_bands:
        yield from _filter_fields(system.processor.filters)


FILTER_WIDTHS = (
    ("q", "Q: frequency ÷ bandwidth at half the gain in dB"),
    ("pole-q", "Q: frequency ÷ bandwidth 3 dB below a big boost"),
    ("octaves", "octaves: bandwidth at half the gain in dB"),
)


def _filter_fields(ranges: FilterRanges | None) -> Iterator[Field]:
    """The ranges of a parametric filter."""

    def put(system: System, **values: Any) -> System:
        now = system.processor.filters or FilterRanges()
        return replace(system, processor=replace(system.processor, filters=replace(now, **values)))

    def put_steps(name: str, label: str, system: System, text: str) -> System:
        return put(system, **{name: _steps(text, label, positive=name != "gain_db")})

    yield Field(
        key="processor.filters.width",
        label="Width of a filter",
        shown="" if ranges is None else dict(FILTER_WIDTHS)[ranges.width],
        typed="" if ranges is None else ranges.width,
        choices=FILTER_WIDTHS,
        change=lambda s, t: put(s, width=t if t in dict(FILTER_WIDTHS) else "q"),
    )
    for name, label, hint in (
        ("frequency_hz", "Filter frequency, Hz", "20; 250; 1"),
        ("gain_db", "Filter gain, dB", "-12; 6; 0.5"),
        ("widths", "Filter width", "0.5; 10; 0.1"),
    ):
        steps = None if ranges is None else getattr(ranges, name)
        typed = "" if steps is None else f"{steps.min:g}; {steps.max:g}; {steps.step:g}"
        words = "" if steps is None else f"{steps.min:g} to {steps.max:g} in steps of {steps.step:g}"
        yield Field(
            key=f"processor.filters.{name}",
            label=label,
            shown=words.replace("-", "−"),
            typed=typed,
            hint=f"least; largest; step, such as {hint}",
            change=partial(put_steps, name, label),
        )


def _steps(text: str, label: str, *, positive: bool) -> Steps:
    parts = text.split(";")
    if len(parts) != 3:
        raise InputError(label, f"“{clean_text(text)[:30]}”", "three numbers: least; largest; step")
    least, largest = (parse_number(part, label, low=0.01 if positive else None) for part in parts[:2])
    step = parse_number(parts[2], label, low=0.001)
    if not least < largest:
        raise InputError(label, f"“{clean_text(text)[:30]}”", "the least below the largest")
    return Steps(min=least, max=largest, step=step)


def parse_target(text: str) -> Target | None:
    """Points such as "20 6; 60 3; 120 0" (Hz and dB), or a slope such as "-1 dB/oct"; None for an empty text."""
    text = text.strip()
    if not text:
        return None
    points = []
    if ";" not in text and "oct" in text:
        return Target(slope_db_per_octave=parse_number(text.split("dB")[0], "target", low=-20, high=20))
    for part in text.split(";"):
        words = part.split()
        if len(words) != 2:
            raise InputError("target", f"“{clean_text(part.strip())[:20]}”", "points in Hz and dB: 20 6; 60 3; 120 0")
        hz, level = (parse_number(word, "target", low=-60, high=1000) for word in words)
        points.append((hz, level))
    if points[0][0] <= 0 or any(not one[0] < other[0] for one, other in pairwise(points)):
        raise InputError("target", f"“{clean_text(text)[:30]}”", "frequencies above zero that rise")
    return Target(points=tuple(points))


def _target_text(target: Target | None) -> str:
    if target is None:
        return ""
    if not target.points:
        return f"{target.slope_db_per_octave:g} dB/oct"
    return "; ".join(f"{hz:g} {level:g}" for hz, level in target.points)


def sweep_fields(system: System) -> Iterator[Field]:
    """Parameters of the sweep, for raw recordings without a stimulus file."""
    sweep = system.sweep
    numbers = (
        ("start_hz", "From", "Hz", 1.0, 1000.0),
        ("stop_hz", "To", "Hz", 1000.0, 96000.0),
        ("duration_s", "Length", "s", 0.5, 120.0),
        ("rate_hz", "Sample rate", "Hz", 32000.0, 192000.0),
        ("level_dbfs", "Level", "dBFS", -80.0, 0.0),
    )
    for name, label, unit, low, high in numbers:
        typed = plain(None if sweep is None else getattr(sweep, name))
        yield Field(
            key=f"sweep.{name}",
            label=label,
            shown=f"{typed} {unit}" if typed else "",
            typed=typed,
            hint=f"{unit}, as it was played; empty: no sweep is entered",
            change=_sweep_change(name, label, low, high),
        )
    kind = "" if sweep is None else "yes" if sweep.synchronised else "no"
    yield Field(
        key="sweep.synchronised",
        label="Kind",
        shown=dict(SWEEP_KINDS).get(kind, ""),
        typed=kind,
        choices=SWEEP_KINDS,
        change=lambda s, t: replace(s, sweep=replace(s.sweep or Sweep(), synchronised=t == "yes")),
    )


def _sweep_change(name: str, label: str, low: float, high: float) -> Apply:
    def change(s: System, text: str) -> System:
        if not text.strip():
            return replace(s, sweep=None)
        value = parse_number(text, label, low=low, high=high)
        sweep = replace(s.sweep or Sweep(), **{name: int(value) if name == "rate_hz" else value})  # type: ignore[arg-type]
        if not sweep.start_hz < sweep.stop_hz <= sweep.rate_hz / 2:
            raise InputError(label, f"{value:g}", "a sweep that rises and ends below half of its sample rate")
        return replace(s, sweep=sweep)

    return change
