"""Changes the unit of delays: converts the range and the settings noted so far. No Textual here."""

from __future__ import annotations

from dataclasses import replace

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.delays import assumed_speed_m_s, unit_m
from commission.model import DelayRange, DelayUnit, EventBody, Job, Setting, SettingEntered, System, SystemDefined
from commission.model.units import counted

CONVERT, RANGE_ONLY, SAME_NUMBERS, LEAVE = "convert", "range", "same", "leave"
NAMES: dict[DelayUnit, str] = {"ms": "milliseconds", "m": "metres", "ft": "feet"}


def converted_range(system: System, unit: DelayUnit) -> DelayRange:
    """The range in another unit, converted between distance and time by the processor's speed of sound."""
    old = system.processor.delay
    factor = _factor(system, old.unit, unit)
    low, high = round(old.min * factor, 2), round(old.max * factor, 2)
    return DelayRange(unit=unit, min=low, max=high, step=max(round(old.step * factor, 3), 0.001))


def _factor(system: System, old: DelayUnit, new: DelayUnit) -> float:
    processor = system.processor
    speed_m_s = speed_of_sound_m_s(system.temperature_c)
    own_m_s = assumed_speed_m_s("m", processor.speed_of_sound_m_s, speed_m_s)
    metres: dict[DelayUnit, float] = {"ms": own_m_s / 1000, "m": 1.0, "ft": unit_m("ft")}
    return metres[old] / metres[new]


def _noted(job: Job) -> list[Setting]:
    """The settings of all rounds with a delay or distance."""
    return [each for each in job.settings.values() if each.distance is not None]


def unit_question(job: Job, unit: DelayUnit) -> tuple[str, list[tuple[str, str]]]:
    """A question about the unit of the noted values, and its answers: (key, text). The first one is selected."""
    system = job.system
    old = system.processor.delay
    noted = _noted(job)
    held = f", and {counted(len(noted), old.word)} {'is' if len(noted) == 1 else 'are'} noted" if noted else ""
    title = f"The processor's range is {_range_text(old)}{held}. Which is right in {NAMES[unit]}?"
    converted, same = converted_range(system, unit), replace(old, unit=unit)
    example = noted[0] if noted else None
    as_typed = f"; {example.channel} {example.distance:g} {unit}" if example is not None else ""
    options = []
    if example is None or "ms" not in (old.unit, unit):
        text = f"convert: {_range_text(converted)}"
        if example is not None and example.distance is not None:
            value = round(example.distance * _factor(system, old.unit, unit), 2)
            text += f"; {example.channel} {value:g} {unit}"
        options.append((CONVERT, text))
    else:  # one distance does not determine a time, nor one time a distance
        options.append((RANGE_ONLY, f"convert the range: {_range_text(converted)}{as_typed}"))
    options.append((SAME_NUMBERS, f"keep the numbers: {_range_text(same)}{as_typed}"))
    options.append((LEAVE, f"leave it in {NAMES[old.unit]}"))
    return title, options


def unit_events(job: Job, unit: DelayUnit, answer: str) -> tuple[EventBody, ...]:
    """The events to store for an answer; empty if everything stays."""
    system = job.system
    old = system.processor.delay
    if answer == LEAVE:
        return ()
    delay = replace(old, unit=unit) if answer == SAME_NUMBERS else converted_range(system, unit)
    note = f"Delay is entered in {unit}: {_range_text(delay)}"
    defined = SystemDefined(system=replace(system, processor=replace(system.processor, delay=delay)), note=note)
    if answer != CONVERT:
        return (defined,)
    factor = _factor(system, old.unit, unit)
    settings: list[SettingEntered] = []
    for held in _noted(job):
        ticked = job.typed_in.get((held.round, held.channel))
        ticked_value = ticked.distance if ticked is not None else None
        if ticked_value is not None and ticked_value != held.distance:
            settings.append(_converted(held, ticked_value * factor, applied=True))
        if held.distance is not None:
            settings.append(_converted(held, held.distance * factor, applied=ticked_value == held.distance))
    return (defined, *settings)


def _converted(held: Setting, value: float, *, applied: bool) -> SettingEntered:
    new = Setting(round=held.round, channel=held.channel, distance=round(value, 2))
    return SettingEntered(setting=new, applied=applied)


def _range_text(delay: DelayRange) -> str:
    return f"{delay.min:g} to {delay.max:g} {delay.unit}, step {delay.step:g} {delay.unit}"
