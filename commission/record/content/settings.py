"""Settings for the trade: as found and as left, everything to enter after a reset, and the proposals."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from commission.dsp.trims import grid_decimals
from commission.model import AS_LEFT, Channel, Filter, Job, Setting, merge_settings
from commission.model.formatting import crossover_text, filter_texts, number
from commission.model.units import clean_text
from commission.record.content.context import FOUND, OPTIONAL, Context, channel_text, only_found, table
from commission.record.content.earlier_visit import quieter_since
from commission.record.content.findings import electronics_open
from commission.record.document import Block, Facts, Heading, Paragraph, PrintedTable, Section
from commission.steps.handover import setting_changes
from commission.steps.handover.settings_sheet import SheetLine, settings_sheet, source_sentence

MENDS = {
    "settings.trims": "trim",
    "settings.unit": "delay",
    "settings.delays-off": "delay",
    "settings.delay-sign": "delay",
    "settings.distance": "delay",
    "settings.sub-latency": "delay",
    "settings.arrival": "delay",
    "settings.polarity": "polarity",
    "settings.bass": "",
}
"""The lines of the settings sheet that correct a finding; "": lines that say so themselves."""
FROM_FOUND = " *"
"""Follows a value as found if none was entered as left."""


def settings_section(context: Context) -> Section:
    """Settings as found and as left, what to enter after a reset, and further proposals."""
    ident, title = context.id("settings"), "Settings"
    proposals = _proposals(context)
    known = {channel.id for channel in context.job.system.channels}
    if not any(round_id in (FOUND, AS_LEFT) and channel in known for round_id, channel in context.job.settings):
        none = Paragraph(text="No setting of the processor was entered.", kind="missing")
        return Section(id=ident, title=title, blocks=(none, *proposals))
    return Section(id=ident, title=title, blocks=(_changes_grid(context),), sections=(_reset(context, proposals),))


def _delay_title(context: Context) -> str:
    delay = context.job.system.processor.delay
    return f"{'Delay' if delay.unit == 'ms' else 'Distance'} [{delay.unit}]"


def _fine(step: float, least: int, values: Iterable[float | None]) -> int:
    """Decimals that show the processor's steps and every noted value exactly."""
    noted = (grid_decimals(abs(value), least) for value in values if value is not None)
    return max(grid_decimals(step, least), *noted, least)


def _decimals(context: Context) -> tuple[int, int]:
    """Decimals of trims and of delays."""
    processor, changes = context.job.system.processor, setting_changes(context.job)
    trims = [trim for c in changes for trim in (c.trim_found_db, c.trim_left_db)]
    delays = [held for c in changes for held in (c.distance_found, c.distance_left)]
    return _fine(processor.trim_db.step, 1, trims), _fine(processor.delay.step, 0, delays)


def _value(value: float | str | None, decimals: int, *, signed: bool = False) -> str:
    return "" if value is None else value if isinstance(value, str) else number(value, decimals, signed=signed)


def _changes_grid(context: Context) -> PrintedTable:
    distance, (trim_fine, fine) = _delay_title(context), _decimals(context)
    trim, polarity = "Trim", "Polarity"
    found, left = context.round(FOUND), context.round(AS_LEFT)
    changes = setting_changes(context.job)

    def word(value: str | None) -> str | None:
        return None if value is None else clean_text(value)

    columns: list[tuple[Heading, list[str]]] = [
        (Heading(title="Channel"), [_named(context, c.channel) for c in changes])
    ]
    for title, unit, places, a, b in (
        (trim, "dB", trim_fine, [c.trim_found_db for c in changes], [c.trim_left_db for c in changes]),
        (distance, "", fine, [c.distance_found for c in changes], [c.distance_left for c in changes]),
        (polarity, "", 0, [word(c.polarity_found) for c in changes], [word(c.polarity_left) for c in changes]),
    ):
        for round_name, values in ((found, a), (left, b)):
            if any(value is not None for value in values):
                texts = [_value(value, places, signed=unit == "dB") or OPTIONAL for value in values]
                numeric = not isinstance(next(v for v in values if v is not None), str)
                columns.append((Heading(title=f"{title}, {round_name}", unit=unit, numeric=numeric), texts))
    if any(c.applied for c in changes):
        ticks = ["✓ yes" if c.applied else "" for c in changes]
        columns.append((Heading(title="Applied"), ticks))
    alone = only_found(context) or not any(c.noted for c in changes)
    return PrintedTable(
        id=context.id("settings-both"),
        title="As found" if alone else "As found and as left",
        headings=tuple(heading for heading, _ in columns),
        rows=tuple(zip(*(cells for _, cells in columns), strict=True)),
        remark="– not entered." if any(OPTIONAL in cells for _, cells in columns) else "",
    )


def _named(context: Context, channel_id: str) -> str:
    channel = context.job.system.channel(channel_id)
    return clean_text(channel_id) if channel is None else channel_text(channel)


# --- after a reset --------------------------------------------------------------------------------------------------


def _reset(context: Context, proposals: list[Block]) -> Section:
    """The known settings of the processor, the unknown ones, and the proposals."""
    changed = any(place[0] == AS_LEFT for place in context.job.settings)
    grid, from_found = _reset_grid(context, changed)
    source = "These are the settings as found; no change was entered."
    if changed:
        source = "These are the settings as left."
    if from_found:
        source = "These are the settings as left; where none was entered (*), those as found."
    how = [
        source,
        *(
            ["Some of them differ from the proposed settings: see the last table of this section."]
            if proposals
            else []
        ),
        "Start with the master volume low.",
    ]
    blocks = [
        Paragraph(text=" ".join(how)),
        grid,
        Facts(pairs=_with_it(context)),
        *_filters_grid(context),
        Paragraph(text=_not_held(context), kind="note"),
        *proposals,
    ]
    title = f"If the processor is ever reset{'' if changed else ': back to as found'}"
    return Section(id=context.id("settings", "after"), title=title, blocks=tuple(blocks))


def _reset_grid(context: Context, changed: bool) -> tuple[PrintedTable, bool]:
    """The table of settings as left, else as found, and whether any value is from as found."""
    headings = [
        Heading(title="Output"),
        Heading(title="Channel"),
        Heading(title="Trim", unit="dB", numeric=True),
        Heading(title=_delay_title(context), numeric=True),
        Heading(title="Polarity"),
        Heading(title="Crossover"),
    ]
    rows = [_reset_row(context, channel, changed) for channel in context.job.system.channels]
    kept = [i for i in range(len(headings)) if any(row[i] not in ("", OPTIONAL) for row in rows)]
    kept.insert(0, kept.pop(kept.index(1)))  # the channel names the row
    settings = [row[i] for row in rows for i in (2, 3, 4) if i in kept]
    from_found = any(text.endswith(FROM_FOUND) for text in settings)
    remarks = (
        (f"{FROM_FOUND} entered as found, not again as left.".strip(), from_found),
        ("– not entered: look it up in the processor and write it here.", OPTIONAL in settings),
        ("Crossover –: full range, or not entered.", 5 in kept and any(row[5] == OPTIONAL for row in rows)),
    )
    grid = PrintedTable(
        id=context.id("settings-reset"),
        title="What to enter",
        headings=tuple(headings[i] for i in kept),
        rows=tuple(tuple(row[i] for i in kept) for row in rows),
        remark=" ".join(remark for remark, applies in remarks if applies),
    )
    return grid, from_found


def _reset_row(context: Context, channel: Channel, changed: bool) -> tuple[str, ...]:
    found, left = (context.job.setting(each, channel.id) for each in (FOUND, AS_LEFT))
    now: Setting = merge_settings(found, left) if changed else found
    trim_fine, fine = _decimals(context)

    def text(name: str, shown: str) -> str:
        if getattr(now, name) is None:
            return OPTIONAL
        return shown + (FROM_FOUND if changed and getattr(left, name) is None else "")

    return (
        "" if channel.output is None else str(channel.output),
        channel_text(channel),
        text("trim_db", _value(now.trim_db, trim_fine, signed=True)),
        text("distance", _value(now.distance, fine)),
        text("polarity", clean_text(now.polarity or "")),
        clean_text(crossover_text(context.job.system, channel)) or OPTIONAL,
    )


def _filters_grid(context: Context) -> list[Block]:
    """The parametric filters to be set, in the processor's terms."""
    job = context.job
    rows = tuple(
        (channel_text(channel), text)
        for channel in job.system.channels
        for text in filter_texts(_filters_held(job, channel.id), job.system.processor.filters)
    )
    if not rows:
        return []
    headings = (Heading(title="Channel"), Heading(title="Filter"))
    return [table(context.id("settings-filters"), "Parametric filters", headings, rows, "")]


def _filters_held(job: Job, channel: str) -> tuple[Filter, ...]:
    left, found = job.setting(AS_LEFT, channel).filters, job.setting(FOUND, channel).filters
    return (found if left is None else left) or ()


def _with_it(context: Context) -> tuple[tuple[str, str], ...]:
    """The basis of the values in the table: units and steps, the speed of sound, the reference level."""
    processor = context.job.system.processor
    trim, delay, speed = processor.trim_db, processor.delay, processor.speed_of_sound_m_s

    def steps(unit: str, step: float) -> str:
        return context.assumed(f"in {unit}, steps of {step:g} {unit}")

    pairs = [
        ("Trim", steps("dB", trim.step)),
        (delay.word.capitalize(), steps(delay.unit, delay.step)),
    ]
    if delay.unit != "ms":
        held = "unknown" if speed is None else f"{speed:g} m/s"
        pairs.append(("Assumed speed of sound", held))
    level = f"{processor.reference_spl_db:g} dB(C)"
    pairs.append(("Reference level", context.assumed(f"{level}, slow, with the processor's test noise")))
    return tuple(pairs)


def _not_held(context: Context) -> str:
    """Settings of a processor that are not in this record."""
    system = context.job.system
    noted = any(crossover_text(system, channel) for channel in system.channels)
    filters = any(setting.filters is not None for setting in context.job.settings.values())
    what = [
        *(() if noted else ("the crossover of each loudspeaker",)),
        *(() if filters else ("the bands of the equaliser",)),
        "what else the processor keeps (inputs, outputs, names, volume limits)",
    ]
    return f"This record does not contain {context.listed(what)}. Save them in the processor, or write them here by hand."


# --- proposals ------------------------------------------------------------------------------------------------------


def _why_not(line: SheetLine, quieter: Collection[str], faulty: Collection[str]) -> str:
    """A sentence in place of a proposal if something must be repaired first: no setting makes up for a fault."""
    if line.why:
        return clean_text(line.why)
    if line.channel in faulty:
        return "after the repair"
    return "find the cause first" if line.kind == "trim" and line.channel in quieter else ""


def _new(line: SheetLine, quieter: Collection[str], faulty: Collection[str]) -> str:
    if line.new is not None and line.why:
        return f"{clean_text(line.text(line.new))}, enter again"
    return _why_not(line, quieter, faulty) or clean_text(line.text(line.new))


def _proposals(context: Context) -> list[Block]:
    """Proposals for channels without noted settings as left, or with an open fault."""
    job = context.job
    noted = {channel for (round_id, channel) in job.settings if round_id == AS_LEFT}
    quieter, faulty = quieter_since(context), electronics_open(context)
    lines = [
        line
        for line in context.visit.settings_sheet()
        if line.channel not in noted and (line.change or _why_not(line, quieter, faulty))
    ]
    lines += _still_wrong(context, noted)
    if not lines:
        return []
    rows = tuple(
        (
            _named(context, line.channel),
            line.kind,
            clean_text(line.text(line.old)) if line.old is not None else OPTIONAL,
            _new(line, quieter, faulty),
            clean_text(line.unit) if line.unit else "",
        )
        for line in lines
    )
    headings = (
        Heading(title="Channel"),
        Heading(title="Setting"),
        Heading(title="Current", numeric=True),
        Heading(title="New", numeric=True),
        Heading(title="Unit"),
    )
    ident, title = context.id("settings-proposed"), "Proposed settings"
    remark = f"Calculated from: {source_sentence(lines)}. Not yet ticked as applied: enter these, then measure again."
    return [table(ident, title, headings, rows, remark)]


def _still_wrong(context: Context, noted: set[str]) -> list[SheetLine]:
    """Lines of a sheet calculated from the round as left, for settings that a finding as left calls wrong."""
    if context.after != AS_LEFT or not noted:
        return []
    wrong = {
        (channel, MENDS[finding.id])
        for finding in context.visit.findings(AS_LEFT)
        if finding.id in MENDS
        for channel in finding.channels
    }
    sheet = settings_sheet(context.job, context.visit.analyses, AS_LEFT) if wrong else ()
    return [
        line
        for line in sheet
        if line.change and line.channel in noted and {(line.channel, line.kind), (line.channel, "")} & wrong
    ]
