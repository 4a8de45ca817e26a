"""Fields of the Site form about what the processor holds in a round."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from commission.model import Job, Setting
from commission.model.units import parse_number
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
            yield SettingField(
                key=f"setting.{channel.id}.{name.removesuffix('_db')}",
                label=label,
                shown=plain(value).replace("-", "−"),
                typed=plain(value),
                channel=channel.id,
                make=_number(round_id, channel.id, name, label),
                hint=hint,
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


def _number(round_id: str, channel: str, name: str, label: str) -> Callable[[str], Setting]:
    return lambda text: Setting(round=round_id, channel=channel, **{name: parse_number(text, label)})  # type: ignore[arg-type]


def _polarity(round_id: str, channel: str) -> Callable[[str], Setting]:
    return lambda text: Setting(
        round=round_id, channel=channel, polarity="reversed" if text == "reversed" else "normal"
    )
