"""Fields of the Site form for the processor's settings in a round."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Literal

from commission.model import Filter, FilterRanges, InputError, Job, Setting
from commission.model.formatting import filter_texts
from commission.model.units import clean_text, parse_delay, parse_number, without_unit
from commission.steps.shared.unusual import unusual_setting
from commission.ui.site.field import SettingField, plain

POLARITIES = (("normal", "normal"), ("reversed", "reversed"))


def setting_fields(job: Job, round_id: str) -> Iterator[SettingField]:
    """Trim, delay and polarity of each channel, and the filters of subwoofers."""
    unit = job.system.processor.delay.unit
    distance = f"{'delay' if unit == 'ms' else 'distance'}, {unit}"
    for channel in job.system.channels:
        held = job.setting(round_id, channel.id)
        yield _number_field(job, round_id, channel.id, "trim_db", "trim, dB", held.trim_db)
        yield _number_field(job, round_id, channel.id, "distance", distance, held.distance)
        yield SettingField(
            key=f"setting.{channel.id}.polarity",
            label=f"{channel.id} polarity",
            shown=held.polarity or "",
            typed=held.polarity or "",
            channel=channel.id,
            choices=POLARITIES,
            make=_polarity(round_id, channel.id),
        )
        if channel.is_sub and job.system.processor.parametric_bands:
            ranges = job.system.processor.filters
            yield SettingField(
                key=f"setting.{channel.id}.filters",
                label=f"{channel.id} filters",
                shown="" if held.filters is None else ", ".join(filter_texts(held.filters, ranges)) or "none",
                typed="" if held.filters is None else typed_filters(held.filters) or "none",
                channel=channel.id,
                hint=f"{FILTERS_HINT}; none",
                make=_filters(round_id, channel.id),
                read=partial(_filters_text, ranges),
            )


def _number_field(
    job: Job, round_id: str, channel: str, name: Literal["trim_db", "distance"], label: str, value: float | None
) -> SettingField:
    is_trim, unit = name == "trim_db", job.system.processor.delay.unit
    make = _number(job, round_id, channel, name, f"{channel} {label}")
    return SettingField(
        key=f"setting.{channel}.{name.removesuffix('_db')}",
        label=f"{channel} {label}",
        shown=plain(value).replace("-", "−"),
        typed=plain(value),
        channel=channel,
        make=make,
        hint="" if is_trim else "as the processor shows it",
        read=lambda text: f"{plain(getattr(make(text), name))} {'dB' if is_trim else unit}".replace("-", "−"),
        unusual=lambda job, text: unusual_setting(job, make(text)),
        bare_units=None if is_trim or unit == "ms" else "imperial" if unit == "ft" else "metric",
    )


def _number(job: Job, round_id: str, channel: str, name: str, label: str) -> Callable[[str], Setting]:
    unit = job.system.processor.delay.unit

    def make(text: str) -> Setting:
        if name == "distance":
            return Setting(round=round_id, channel=channel, distance=parse_delay(text, label, unit))
        return Setting(round=round_id, channel=channel, trim_db=parse_number(without_unit(text, "dB"), label))

    return make


FILTERS_HINT = "45 -6 4; 63 -3 5 (Hz, dB, width)"


def parse_filters(text: str) -> tuple[Filter, ...]:
    """Filters separated by semicolons, each frequency, gain and width. Raises InputError."""
    if text.strip().casefold() in ("", "none"):
        return ()
    out = []
    for part in text.split(";"):
        words = part.split()
        if len(words) != 3:
            raise InputError("filters", f"“{clean_text(part.strip())[:20]}”", f"three numbers each: {FILTERS_HINT}")
        hz = parse_number(words[0], "filters", low=1, high=20_000)
        gain, width = parse_number(words[1], "filters", low=-60, high=60), parse_number(words[2], "filters", low=0.01)
        out.append(Filter(frequency_hz=hz, gain_db=gain, width=width))
    return tuple(out)


def typed_filters(filters: tuple[Filter, ...]) -> str:
    """The inverse of `parse_filters`."""
    return "; ".join(f"{each.frequency_hz:g} {each.gain_db:g} {each.width:g}" for each in filters)


def _filters_text(ranges: FilterRanges | None, text: str) -> str:
    return ", ".join(filter_texts(parse_filters(text), ranges)) or "none"


def _filters(round_id: str, channel: str) -> Callable[[str], Setting]:
    return lambda text: Setting(round=round_id, channel=channel, filters=parse_filters(text))


def _polarity(round_id: str, channel: str) -> Callable[[str], Setting]:
    return lambda text: Setting(
        round=round_id, channel=channel, polarity="reversed" if text == "reversed" else "normal"
    )
