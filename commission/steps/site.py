"""Site: people, place, equipment and instruments, the processor's ranges and its settings as found.

The installer fills in a form once, before anything is touched: later results depend on it. The step only checks that the
other steps have what they need.
"""

from __future__ import annotations

from dataclasses import dataclass

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.delays import SPEEDS_M_S, plausible_speed
from commission.model import Advice, Analyses, Check, CheckLimit, Column, Job, Limit, Outcome, Step, table_of
from commission.model.units import format_length, format_temperature, round_name
from commission.steps.shared.survey import known_distance_m

HELP = """
Fill this in **before you touch a setting**: what you enter now is the state "as found".

- Photograph or copy every setting of the processor first: trims, distances, crossovers, polarity.
- Read the air temperature at ear height; it sets the speed of sound (0.18 % for each kelvin).
- Measure from the floor below the **centre of the screen**: x to the right facing the screen, y toward the rear,
  z up. Measure to the ears, not the cushions: 1.1 m above the riser unless you measure it.
- Enter serial number and calibration date of every instrument. A reading is only as good as its instrument.

**Before you begin:** amplifiers and mains wiring are for licensed trades; local codes decide. Turn the master volume
down before anything is connected or switched.
"""

_ASSUMED = Limit(
    low=SPEEDS_M_S[0],
    high=SPEEDS_M_S[1],
    unit="m/s",
    basis="speed of sound in air from −50 to 85 °C; any other value is in another unit; common practice",
)
_COMPLETE = Limit(low=1.0, high=None, unit="", basis="needed by the other steps")


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """Completed entries, and the first missing one."""
    system = job.system
    items = _items(job, round_id)
    missing = [item for item in items if not item.there]
    checks = [item.check for item in items]
    advice = [
        # Settings can also be entered while reading levels: everything else comes first.
        Advice(text=f"Fill in {item.needs}.", step="site", priority=30 if item.key == "settings" else 5)
        for item in missing
    ]
    main_result = f"missing: {missing[0].needs}" if missing else ""
    own = system.processor.speed_of_sound_m_s
    if own is not None and system.processor.delay.unit != "ms":
        text = "speed of sound that the processor assumes"
        checks.append(Check(id="site.assumed-speed", value=own, unit="m/s", limit=_ASSUMED, text=text))
        if not plausible_speed(own):
            main_result = f"the processor's speed of sound cannot be {own:g} m/s"
            advice.insert(0, Advice(text="Correct the processor's speed of sound, in m/s.", step="site", priority=5))
    lines = (
        *((item.key, item.title, item.value or None) for item in items),
        *((title, title, text) for title, text in _facts(job)),
    )
    table = table_of(
        lines,
        (Column(key="what", title="Item"), lambda each: each[1]),
        (Column(key="value", title="Value"), lambda each: each[2]),
        id="site",
        title="Site",
        key=lambda each: each[0],
    )
    return Outcome(
        step="site",
        round=round_id,
        done=len(items) - len(missing),
        total=len(items),
        checks=tuple(checks),
        tables=(table,),
        main_result=main_result,
        advice=tuple(advice[:1]),
    )


def _facts(job: Job) -> tuple[tuple[str, str | None], ...]:
    """Facts that follow from the form or need no entry: title and text."""
    system = job.system
    return (
        ("Temperature", format_temperature(system.temperature_c, system.units)),
        ("Speed of sound", f"{speed_of_sound_m_s(system.temperature_c):.1f} m/s"),
        ("Limits", job.profile.title),
        ("Reference seat", system.reference_seat.id if system.reference_seat else None),
    )


@dataclass(frozen=True, slots=True)
class _Item:
    """One thing to enter."""

    key: str
    title: str
    value: str
    there: bool
    needs: str

    @property
    def check(self) -> Check:
        why_not = None if self.there else f"not filled in yet: {self.needs}"
        value = 1.0 if self.there else None
        return Check(id=f"site.{self.key}", value=value, unit="", limit=_COMPLETE, why_not=why_not, text=self.title)


def _items(job: Job, round_id: str) -> tuple[_Item, ...]:
    system = job.system
    channels, seats = system.channels, system.seats
    placed = sum(
        known_distance_m(job, channel, round_id) is not None or channel.position_m is not None for channel in channels
    )
    noted = sum(job.setting(round_id, channel.id).trim_db is not None for channel in channels)
    count = len(channels)
    distances = "a position or a tape distance for every channel"
    settings = f"the processor's trims and distances in the round {round_name(round_id)}"
    room, meter = system.room is not None, system.instrument("meter") is not None
    return (
        _Item("title", "Title", system.title, bool(system.title), "a title"),
        _Item("room", "Room", _room_text(job), room, "length, width and height of the room"),
        _Item("seats", "Seats", ", ".join(s.id for s in seats), bool(seats), "at least one seat"),
        _Item("channels", "Channels", ", ".join(c.id for c in channels), bool(channels), "at least one channel"),
        _Item("places", "Positions or distances", f"{placed} of {count}", placed == count > 0, distances),
        _Item("meter", "Level meter", _instrument_text(job, "meter"), meter, "the level meter and its class"),
        _Item("settings", f"Settings {round_name(round_id)}", f"{noted} of {count}", noted == count > 0, settings),
    )


def _room_text(job: Job) -> str:
    room = job.system.room
    if room is None:
        return ""
    sizes = (room.length_m, room.width_m, room.height_m)
    return " × ".join(format_length(size, job.system.units) for size in sizes)


def _instrument_text(job: Job, kind: str) -> str:
    found = next((i for i in job.system.instruments if i.kind == kind), None)
    if found is None:
        return ""
    parts = [found.model or kind, f"class {found.accuracy_class}" if found.accuracy_class else "class unknown"]
    parts += [f"serial {found.serial}"] if found.serial else []
    parts += [f"calibrated {found.calibrated}"] if found.calibrated else []
    return ", ".join(parts)


STEP = Step(
    id="site",
    title="Site",
    question="Who, where, which equipment and instruments; what can the processor set, and what was set as found?",
    help=HELP,
    evaluate=evaluate,
    entry="form",
    limits=(
        CheckLimit(check="site.*", limit=_COMPLETE, applies="one entry of the form: 1 where it is filled in"),
        CheckLimit(
            check="site.assumed-speed",
            limit=_ASSUMED,
            applies="speed of sound that the processor assumes, where entered",
        ),
    ),
)
