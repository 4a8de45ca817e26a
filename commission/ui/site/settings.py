"""Fields of the Site form about what the processor holds in a round."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from commission.model import Job, Setting
from commission.model.units import parse_delay, parse_number, without_unit
from commission.steps.shared.unusual import unusual_setting
from commission.ui.site.field import SettingField, plain

POLARITIES = (("normal", "normal"), ("reversed", "reversed"))


def setting_fields(job: Job, round_id: str) -> Iterator[SettingField]:
    """Trim, delay and polarity of each channel."""
    unit = job.system.processor.delay.unit
    for channel in job.system.channels:
        held = job.setting(round_id, channel.id)
        for name, label, value, hint in (
            ("trim_db", f"{channel.id} trim, dB", held.trim_db, ""),
            (
                "distance",
                f"{channel.id} {'delay' if unit == 'ms' else 'distance'}, {unit}",
                held.distance,
                "as the processor shows it",
            ),
        ):
            make = _number(job, round_id, channel.id, name, label)

            def unusual(job: Job, text: str, make: Callable[[str], Setting] = make) -> str:
                return unusual_setting(job, make(text))

            def read(text: str, make: Callable[[str], Setting] = make, name: str = name) -> str:
                return f"{plain(getattr(make(text), name))} {'dB' if name == 'trim_db' else unit}".replace("-", "−")

            yield SettingField(
                key=f"setting.{channel.id}.{name.removesuffix('_db')}",
                label=label,
                shown=plain(value).replace("-", "−"),
                typed=plain(value),
                channel=channel.id,
                make=make,
                hint=hint,
                read=read,
                unusual=unusual,
                bare_units=None if name == "trim_db" or unit == "ms" else "imperial" if unit == "ft" else "metric",
            )
        yield SettingField(
            key=f"setting.{channel.id}.polarity",
            label=f"{channel.id} polarity",
            shown=held.polarity or "",
            typed=held.polarity or "",
            channel=channel.id,
            choices=POLARITIES,
            make=_polarity(round_id, channel.id),
        )


def _number(job: Job, round_id: str, channel: str, name: str, label: str) -> Callable[[str], Setting]:
    unit = job.system.processor.delay.unit

    def make(text: str) -> Setting:
        if name == "distance":
            return Setting(round=round_id, channel=channel, distance=parse_delay(text, label, unit))
        return Setting(round=round_id, channel=channel, trim_db=parse_number(without_unit(text, "dB"), label))

    return make


def _polarity(round_id: str, channel: str) -> Callable[[str], Setting]:
    return lambda text: Setting(
        round=round_id, channel=channel, polarity="reversed" if text == "reversed" else "normal"
    )
