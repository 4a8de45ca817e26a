"""Site: who, where, which equipment and instruments, what the processor can set, what it holds as found.

The installer fills a form once, before anything is touched: later numbers stand on it. Nothing is judged here but
whether the other steps have what they need.
"""

from __future__ import annotations

from commission.dsp.air import speed_of_sound_m_s
from commission.model import Advice, Analyses, Check, Column, Job, Limit, Outcome, Row, Step, Table, Task
from commission.model.units import format_length, format_temperature

HELP = """
Fill this in **before you touch a setting**: what you note now is what "as found" means.

- Photograph or copy every setting of the processor first: trims, distances, crossovers, polarity.
- Read the air temperature at ear height; it sets the speed of sound (0.18 % for each kelvin).
- Measure from the floor below the **centre of the screen**: x to the right facing the screen, y toward the rear,
  z up. Ears count, not cushions: 1.1 m above the riser unless you measure them.
- Note serial number and calibration date of every instrument. A reading is worth what its instrument is worth.

**Before you begin:** amplifiers and mains wiring are for licensed trades; local codes decide. Turn the master volume
down before anything is connected or switched.
"""

_COMPLETE = Limit(low=1.0, high=None, unit="", basis="what the other steps need")


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """The form is the plan."""
    return ()


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """What is filled in, and the first thing that is missing."""
    system = job.system
    channels, seats = system.channels, system.seats
    placed = [c for c in channels if c.position_m is not None or c.distance_m is not None]
    noted = [c for c in channels if job.setting(round_id, c.id).trim_db is not None]
    items = (
        ("title", "Title", system.title, bool(system.title), "a title"),
        ("room", "Room", _room_text(job), system.room is not None, "length, width and height of the room"),
        ("seats", "Seats", ", ".join(s.id for s in seats), bool(seats), "at least one seat"),
        ("channels", "Channels", ", ".join(c.id for c in channels), bool(channels), "at least one channel"),
        (
            "places",
            "Places or distances",
            f"{len(placed)} of {len(channels)}",
            len(placed) == len(channels) > 0,
            "a position or a tape distance of every channel",
        ),
        (
            "meter",
            "Level meter",
            _instrument_text(job, "meter"),
            system.instrument("meter") is not None,
            "the level meter and its class",
        ),
        (
            "settings",
            f"Settings {round_id}",
            f"{len(noted)} of {len(channels)}",
            len(noted) == len(channels) > 0,
            f"the processor's trims and distances in the round {round_id}",
        ),
    )
    checks = tuple(
        Check(
            id=f"site.{key}",
            value=1.0 if there else None,
            unit="",
            limit=_COMPLETE,
            why_not=None if there else f"not filled in yet: {missing}",
            text=title,
        )
        for key, title, _, there, missing in items
    )
    facts = (
        ("Temperature", format_temperature(system.temperature_c, system.units)),
        ("Speed of sound", f"{speed_of_sound_m_s(system.temperature_c):.1f} m/s"),
        ("Reference seat", system.reference_seat.id if system.reference_seat else None),
    )
    rows = [Row(key=key, cells=(title, text or None)) for key, title, text, _, _ in items]
    rows += [Row(key=title, cells=(title, text)) for title, text in facts]
    missing = [text for *_, there, text in items if not there]
    # Settings are noted while reading levels, too: all else comes first.
    advice = [
        Advice(text=f"Fill in {text}.", step="site", priority=30 if text == items[-1][4] else 5) for text in missing
    ]
    return Outcome(
        step="site",
        round=round_id,
        done=len(items) - len(missing),
        total=len(items),
        checks=checks,
        tables=(
            Table(
                id="site",
                title="Site",
                columns=(Column(key="what", title="What"), Column(key="value", title="Value")),
                rows=tuple(rows),
            ),
        ),
        stands_out=f"missing: {missing[0]}" if missing else "",
        advice=tuple(advice[:1]),
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
    parts = [found.model or kind, f"class {found.accuracy_class}" if found.accuracy_class else "class not noted"]
    parts += [f"serial {found.serial}"] if found.serial else []
    parts += [f"calibrated {found.calibrated}"] if found.calibrated else []
    return ", ".join(parts)


STEP = Step(
    id="site",
    title="Site",
    question="Who, where, which equipment and instruments; what can the processor set, and what was set as found?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="form",
)
