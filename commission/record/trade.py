"""For the trade: site and instruments, settings, limits with their basis, cautions, signatures."""

from __future__ import annotations

from collections.abc import Sequence

from commission import __version__
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.trims import grid_decimals
from commission.model import AS_LEFT, Channel, Check, Setting
from commission.model.show import number
from commission.model.units import clean_text, format_length, format_temperature
from commission.record.budgets_told import budgets_section
from commission.record.checks import kind_basis, kind_limit, kind_name, kind_uncertainty
from commission.record.document import (
    Block,
    Bullets,
    Facts,
    Grid,
    Heading,
    Paragraph,
    Section,
    SignaturePlace,
    Signatures,
)
from commission.record.outcomes import attached
from commission.record.telling import FOUND, Telling, capital, only_found, sentence, table
from commission.steps.handover import CAUTIONS, ROLES, logged_since, setting_changes, signatures
from commission.steps.settings_sheet import settings_sheet

OPTIONAL = "–"


def site_section(telling: Telling) -> Section:
    """Who, where, which equipment, and every instrument with its calibration."""
    pairs = tuple((telling.say(f"site.{key}"), value) for key, value in _facts(telling) if value)
    return Section(id=telling.id("site"), title=telling.say("site.title"),
                   blocks=(Facts(pairs=pairs), *_instruments(telling)), new_page=True)  # fmt: skip


def _facts(telling: Telling) -> list[tuple[str, str]]:
    job, units = telling.job, telling.job.system.units
    system, processor = job.system, job.system.processor
    room, delay, trim = system.room, processor.delay, processor.trim_db
    days = list(dict.fromkeys(telling.date(event.at) for event in job.log))
    visit = "" if not days else days[0] if len(days) == 1 else telling.say("date.span", first=days[0], last=days[-1])
    size = "" if room is None else " × ".join(format_length(each, units) for each in
                                               (room.length_m, room.width_m, room.height_m))  # fmt: skip
    reference = system.reference_seat
    speed = processor.speed_of_sound_m_s
    sub = processor.sub_reference_spl_db
    return [
        ("client", clean_text(system.client)),
        ("place", clean_text(system.place)),
        ("technician", clean_text(system.technician)),
        ("visit", visit),
        ("room", size),
        ("air", telling.say("site.air_value", temperature=format_temperature(system.temperature_c, units),
                            speed=number(speed_of_sound_m_s(system.temperature_c), 1))),
        ("seats", ", ".join(clean_text(seat.id) for seat in system.seats)),
        ("reference", "" if reference is None else clean_text(reference.id)),
        ("channels", ", ".join(_channel_text(channel) for channel in system.channels)),
        ("processor", clean_text(processor.model)),
        ("trim_range", telling.say("site.range", low=f"{number(trim.min, 1, signed=True)} dB",
                                   high=f"{number(trim.max, 1, signed=True)} dB", step=f"{trim.step:g} dB")),
        ("delay_range", telling.say("site.range", low=f"{delay.min:g} {delay.unit}", high=f"{delay.max:g} {delay.unit}",
                                    step=f"{delay.step:g} {delay.unit}")),
        ("assumed_speed", "" if speed is None or delay.unit == "ms" else f"{speed:g} m/s"),
        ("level", f"{processor.reference_spl_db:g} dB(C)"),
        ("sub_level", "" if sub is None else f"{sub:g} dB(C)"),
        ("crossovers", ", ".join(f"{hz:g}" for hz in processor.crossovers_hz) + " Hz" if processor.crossovers_hz else ""),
        ("bands", "" if processor.parametric_bands is None else str(processor.parametric_bands)),
        ("program", telling.say("site.program_value", version=__version__, events=len(job.log))),
    ]  # fmt: skip


def _channel_text(channel: Channel) -> str:
    own = "" if channel.name in ("", channel.id) else f" ({clean_text(channel.name)})"
    return f"{clean_text(channel.id)}{own}"


def _instruments(telling: Telling) -> list[Block]:
    instruments = telling.job.system.instruments
    if not instruments:
        return [Paragraph(text=telling.say("site.no_instruments"), kind="missing")]
    keys = ("kind", "model", "class", "serial", "calibrated", "resolution")
    unknown = telling.say("site.not_noted")
    rows = []
    for each in instruments:
        step = {"tape": "m", "thermometer": "°C"}.get(each.kind, "dB")
        rows.append((telling.say(f"instruments.{each.kind}"), clean_text(each.model) or unknown,
                     str(each.accuracy_class) if each.accuracy_class else OPTIONAL,
                     clean_text(each.serial) or unknown,
                     telling.date(each.calibrated.isoformat()) if each.calibrated else unknown,
                     OPTIONAL if each.resolution is None else f"{each.resolution:g} {step}"))  # fmt: skip
    headings = tuple(Heading(title=telling.say(f"site.instrument_{key}")) for key in keys)
    blocks: list[Block] = [table(telling.id("instruments"), telling.say("site.instruments"), headings, rows)]
    if any(each.calibrated is None for each in instruments if each.kind in ("meter", "microphone", "calibrator")):
        blocks.append(Paragraph(text=telling.say("site.no_calibration"), kind="note"))
    return blocks


# --- settings -------------------------------------------------------------------------------------------------------


def settings_section(telling: Telling) -> Section:
    """Settings as found and as left, what to type in after a reset, and what the measurements propose beyond."""
    blocks: list[Block] = []
    if not any(place[0] in (FOUND, AS_LEFT) for place in telling.job.settings):
        blocks.append(Paragraph(text=telling.say("settings.none"), kind="missing"))
    else:
        blocks += [_changes_grid(telling), *_reset_grid(telling)]
    blocks += _proposals(telling)
    return Section(id=telling.id("settings"), title=telling.say("settings.title"), blocks=tuple(blocks))


def _delay_title(telling: Telling) -> tuple[str, int]:
    delay = telling.job.system.processor.delay
    key = "settings.delay" if delay.unit == "ms" else "settings.distance"
    return telling.say(key, unit=delay.unit), max(grid_decimals(delay.step, 1), 2)


def _value(value: float | str | None, decimals: int, *, signed: bool = False) -> str:
    return "" if value is None else value if isinstance(value, str) else number(value, decimals, signed=signed)


def _changes_grid(telling: Telling) -> Grid:
    distance, fine = _delay_title(telling)
    trim_fine = grid_decimals(telling.job.system.processor.trim_db.step, 1)
    trim, polarity = telling.say("settings.trim"), telling.say("settings.polarity")
    found, left = telling.round(FOUND), telling.round(AS_LEFT)
    changes = setting_changes(telling.job)

    def word(value: str | None) -> str | None:
        return None if value is None else telling.told(value)

    columns: list[tuple[Heading, list[str]]] = [
        (Heading(title=telling.say("steps.channel")), [_named(telling, c.channel) for c in changes])
    ]
    for title, unit, places, a, b in (
        (trim, "dB", trim_fine, [c.trim_found_db for c in changes], [c.trim_left_db for c in changes]),
        (distance, "", fine, [c.distance_found for c in changes], [c.distance_left for c in changes]),
        (polarity, "", 0, [word(c.polarity_found) for c in changes], [word(c.polarity_left) for c in changes]),
    ):  # fmt: skip
        for round_name, values in ((found, a), (left, b)):
            if any(value is not None for value in values):
                texts = [_value(value, places, signed=unit == "dB") or OPTIONAL for value in values]
                numeric = not isinstance(next(v for v in values if v is not None), str)
                columns.append((Heading(title=f"{title}, {round_name}", unit=unit, numeric=numeric), texts))
    if any(c.applied for c in changes):
        ticks = [telling.say("settings.ticked") if c.applied else "" for c in changes]
        columns.append((Heading(title=telling.say("settings.typed_in")), ticks))
    alone = only_found(telling) or not any(c.noted for c in changes)
    return Grid(id=telling.id("settings-both"),
                title=telling.say("settings.title_found" if alone else "settings.title_both"),
                headings=tuple(heading for heading, _ in columns),
                rows=tuple(zip(*(cells for _, cells in columns), strict=True)),
                remark=telling.say("settings.dash") if any(OPTIONAL in cells for _, cells in columns) else "")  # fmt: skip


def _named(telling: Telling, channel_id: str) -> str:
    channel = telling.job.system.channel(channel_id)
    return clean_text(channel_id) if channel is None else _channel_text(channel)


def _reset_grid(telling: Telling) -> list[Block]:
    """What to type in if the processor is ever reset: as left, and as found where nothing was noted as left."""
    job = telling.job
    distance, fine = _delay_title(telling)
    trim_fine = grid_decimals(job.system.processor.trim_db.step, 1)
    rows, borrowed = [], False
    changed = any(place[0] == AS_LEFT for place in job.settings)

    def held(left: object, found: object, text: str) -> str:
        nonlocal borrowed
        if left is None and found is None:
            return OPTIONAL
        if left is None and changed:
            borrowed = True
            return f"{text} *"
        return text

    for channel in job.system.channels:
        found, left = job.setting(FOUND, channel.id), job.setting(AS_LEFT, channel.id)
        now: Setting = left if changed else found
        trim = now.trim_db if now.trim_db is not None else found.trim_db
        away = now.distance if now.distance is not None else found.distance
        polarity = now.polarity or found.polarity
        rows.append((
            "" if channel.output is None else str(channel.output),
            _named(telling, channel.id),
            held(now.trim_db if changed else trim, found.trim_db, _value(trim, trim_fine, signed=True)),
            held(now.distance if changed else away, found.distance, _value(away, fine)),
            held(now.polarity if changed else polarity, found.polarity, telling.told(polarity or "")),
            OPTIONAL if channel.high_pass_hz is None else f"{channel.high_pass_hz:g}",
        ))  # fmt: skip
    headings = [
        Heading(title=telling.say("settings.output")),
        Heading(title=telling.say("steps.channel")),
        Heading(title=telling.say("settings.trim"), unit="dB", numeric=True),
        Heading(title=distance, numeric=True),
        Heading(title=telling.say("settings.polarity")),
        Heading(title=telling.say("settings.high_pass"), unit="Hz", numeric=True),
    ]
    kept = [i for i in range(len(headings)) if any(row[i] not in ("", OPTIONAL) for row in rows)]
    kept.insert(0, kept.pop(kept.index(1)))  # the channel names the row
    open_places = any(row[i] == OPTIONAL for row in rows for i in kept if i in (2, 3, 4))
    remarks = [
        telling.say(f"settings.{key}") for key, here in (("borrowed", borrowed), ("open", open_places)) if here
    ]
    grid = Grid(id=telling.id("settings-reset"),
                title=telling.say("settings.reset" if changed else "settings.reset_found"),
                headings=tuple(headings[i] for i in kept), rows=tuple(tuple(row[i] for i in kept) for row in rows),
                remark=" ".join(remarks))  # fmt: skip
    return [Paragraph(text=telling.say("settings.reset_how" if changed else "settings.reset_how_found")), grid]


def _proposals(telling: Telling) -> list[Block]:
    """What the measurements propose for channels of which nothing is noted as left."""
    job = telling.job
    noted = {channel for (round_id, channel) in job.settings if round_id == AS_LEFT}
    lines = [
        line for line in settings_sheet(job, telling.visit.analyses) if line.channel not in noted and line.change
    ]
    if not lines:
        return []
    rows = tuple(
        (_named(telling, line.channel), telling.say(f"settings.kind_{line.kind}"),
         _value(telling.told(line.old) if isinstance(line.old, str) else line.old, line.decimals,
                signed=line.kind == "trim") or OPTIONAL,
         _value(telling.told(line.new) if isinstance(line.new, str) else line.new, line.decimals,
                signed=line.kind == "trim"),
         telling.told(line.unit) if line.unit else "")
        for line in lines
    )  # fmt: skip
    headings = (Heading(title=telling.say("steps.channel")), Heading(title=telling.say("settings.what")),
                Heading(title=telling.say("settings.holds"), numeric=True),
                Heading(title=telling.say("settings.proposed"), numeric=True),
                Heading(title=telling.say("settings.unit")))  # fmt: skip
    ident, title = telling.id("settings-proposed"), telling.say("settings.proposals")
    return [table(ident, title, headings, rows, telling.say("settings.proposals_remark"))]


# --- limits, cautions, signatures -----------------------------------------------------------------------------------


def limits_section(telling: Telling) -> Section | None:
    """Every limit with its value, its basis, the largest uncertainty, and where it was held against; None without any."""
    gathered: dict[tuple[str, str, str], tuple[list[Check], dict[str, None]]] = {}
    for step in telling.visit.steps:
        for round_id in telling.job.rounds:
            for check in telling.outcome(step.id, round_id).checks:
                if check.limit is not None:
                    checks, where = gathered.setdefault((step.id, check.limit.basis, check.unit), ([], {}))
                    checks.append(check)
                    where[telling.round(round_id)] = None
    if not gathered:
        return None
    titles = {step.id: telling.told(step.title) for step in telling.visit.steps}
    rows = tuple(
        (capital(kind_name(telling, checks)), kind_limit(telling, checks), kind_uncertainty(telling, checks),
         kind_basis(telling, checks), f"{titles[step_id]}: {', '.join(where)}")
        for (step_id, _, _), (checks, where) in gathered.items()
    )  # fmt: skip
    headings = tuple(Heading(title=telling.say(f"limits.{key}"))
                     for key in ("what", "value", "uncertainty", "basis", "where"))  # fmt: skip
    grid = table(telling.id("limits-grid"), telling.say("limits.grid"), headings, rows)
    rule = Paragraph(text=telling.say("limits.rule"))
    ident, budgets = telling.id("limits"), budgets_section(telling)
    return Section(id=ident, title=telling.say("limits.title"), blocks=(rule, grid),
                   sections=() if budgets is None else (budgets,))  # fmt: skip


def notes_section(telling: Telling) -> Section | None:
    """Notes and photographs of no step that the record shows."""
    known = {step.id for step in telling.visit.steps} - {"handover"}
    blocks = attached(telling, lambda step: step not in known)
    if not blocks:
        return None
    return Section(id=telling.id("notes"), title=telling.say("notes.title"), blocks=tuple(blocks))


def cautions_section(telling: Telling) -> Section:
    """Listening level and time, licensed trades, local codes."""
    blocks = (Paragraph(text=telling.say("cautions.intro"), kind="caution"),
              Bullets(items=tuple(sentence(telling.told(text)) for text in CAUTIONS)))  # fmt: skip
    return Section(id=telling.id("cautions"), title=telling.say("cautions.title"), blocks=blocks)


def signatures_section(telling: Telling) -> Section:
    """Places for two signatures; filled in where they were given on the screen, with what the log went on with since."""
    signed = signatures(telling.job)
    blocks: list[Block] = [Paragraph(text=telling.say("signatures.statement"))]
    for role in ROLES:
        later = logged_since(telling.job, role)
        if later:
            text = telling.say("signatures.later", later, role=telling.say(f"signatures.{role}"))
            blocks.append(Paragraph(text=text, kind="note"))
    places = tuple(_place(telling, role, signed.get(role)) for role in ROLES)
    name, date, sign = (telling.say(f"signatures.{key}") for key in ("name", "date", "sign"))
    blocks.append(Signatures(places=places, name_label=name, date_label=date, sign_label=sign))
    return Section(id=telling.id("signatures"), title=telling.say("signatures.title"), blocks=tuple(blocks))


def _place(telling: Telling, role: str, given: Sequence[str] | None) -> SignaturePlace:
    name, day = ("", "") if given is None else (clean_text(given[0]), telling.date(given[1]))
    return SignaturePlace(role=telling.say(f"signatures.{role}"), name=name, date=day)
