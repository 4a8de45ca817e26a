"""For the trade: site and instruments, limits with their basis, cautions, signatures."""

from __future__ import annotations

from collections.abc import Sequence

from commission import __version__
from commission.dsp.air import speed_of_sound_m_s
from commission.model import Check
from commission.model.show import number
from commission.model.units import clean_text, format_length, format_temperature
from commission.record.budgets_told import budgets_section
from commission.record.checks import kind_basis, kind_limit, kind_name, kind_uncertainty
from commission.record.document import (
    Block,
    Bullets,
    Facts,
    Heading,
    Paragraph,
    Section,
    SignaturePlace,
    Signatures,
)
from commission.record.outcomes import attached
from commission.record.telling import OPTIONAL, Telling, capital, channel_text, sentence, table
from commission.record.trade_method import method_section
from commission.steps.handover import CAUTIONS, ROLES, logged_since, signatures


def site_section(telling: Telling) -> Section:
    """Who, where, which equipment, and every instrument with its calibration."""
    pairs = tuple((telling.say(f"site.{key}"), value) for key, value in _facts(telling) if value)
    ident, method = telling.id("site"), method_section(telling)
    return Section(
        id=ident,
        title=telling.say("site.title"),
        blocks=(Facts(pairs=pairs), *_instruments(telling)),
        sections=() if method is None else (method,),
        new_page=True,
    )


def _facts(telling: Telling) -> list[tuple[str, str]]:
    job, units = telling.job, telling.job.system.units
    system, processor = job.system, job.system.processor
    room, delay, trim = system.room, processor.delay, processor.trim_db
    days = list(dict.fromkeys(telling.date(event.at) for event in job.log))
    visit = "" if not days else days[0] if len(days) == 1 else telling.say("date.span", first=days[0], last=days[-1])
    size = (
        ""
        if room is None
        else " × ".join(format_length(each, units) for each in (room.length_m, room.width_m, room.height_m))
    )
    reference = system.reference_seat
    speed = processor.speed_of_sound_m_s
    level = telling.say("site.level_value", level=f"{processor.reference_spl_db:g} dB(C)")
    held, sub = telling.assumed, processor.sub_reference_spl_db
    return [
        ("client", clean_text(system.client)),
        ("place", clean_text(system.place)),
        ("technician", clean_text(system.technician)),
        ("visit", visit),
        ("room", size),
        (
            "air",
            telling.say(
                "site.air_value",
                temperature=format_temperature(system.temperature_c, units),
                speed=number(speed_of_sound_m_s(system.temperature_c), 1),
            ),
        ),
        ("seats", ", ".join(clean_text(seat.id) for seat in system.seats)),
        ("reference", "" if reference is None else clean_text(reference.id)),
        ("channels", ", ".join(channel_text(channel) for channel in system.channels)),
        ("processor", clean_text(processor.model)),
        (
            "trim_range",
            held(
                telling.say(
                    "site.range",
                    low=f"{number(trim.min, 1, signed=True)} dB",
                    high=f"{number(trim.max, 1, signed=True)} dB",
                    step=f"{trim.step:g} dB",
                )
            ),
        ),
        (
            "delay_range",
            held(
                telling.say(
                    "site.range",
                    low=f"{delay.min:g} {delay.unit}",
                    high=f"{delay.max:g} {delay.unit}",
                    step=f"{delay.step:g} {delay.unit}",
                )
            ),
        ),
        ("assumed_speed", "" if speed is None or delay.unit == "ms" else f"{speed:g} m/s"),
        ("level", held(level)),
        ("sub_level", "" if sub is None else f"{sub:g} dB(C)"),
        (
            "crossovers",
            ", ".join(f"{hz:g}" for hz in processor.crossovers_hz) + " Hz" if processor.crossovers_hz else "",
        ),
        ("bands", "" if processor.parametric_bands is None else str(processor.parametric_bands)),
        ("program", telling.say("site.program_value", version=__version__, events=len(job.log))),
    ]


def _instruments(telling: Telling) -> list[Block]:
    instruments = telling.job.system.instruments
    if not instruments:
        return [Paragraph(text=telling.say("site.no_instruments"), kind="missing")]
    keys = ("kind", "model", "class", "serial", "calibrated", "resolution")
    unknown = telling.say("site.not_noted")
    rows = []
    for each in instruments:
        step = {"tape": "m", "thermometer": "°C"}.get(each.kind, "dB")
        rows.append(
            (
                telling.say(f"instruments.{each.kind}"),
                clean_text(each.model) or unknown,
                str(each.accuracy_class) if each.accuracy_class else OPTIONAL,
                clean_text(each.serial) or unknown,
                telling.date(each.calibrated.isoformat()) if each.calibrated else unknown,
                OPTIONAL if each.resolution is None else f"{each.resolution:g} {step}",
            )
        )
    headings = tuple(Heading(title=telling.say(f"site.instrument_{key}")) for key in keys)
    blocks: list[Block] = [table(telling.id("instruments"), telling.say("site.instruments"), headings, rows)]
    if any(each.calibrated is None for each in instruments if each.kind in ("meter", "microphone", "calibrator")):
        blocks.append(Paragraph(text=telling.say("site.no_calibration"), kind="note"))
    return blocks


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
        (
            capital(kind_name(telling, checks)),
            kind_limit(telling, checks),
            kind_uncertainty(telling, checks),
            kind_basis(telling, checks),
            f"{titles[step_id]}: {', '.join(where)}",
        )
        for (step_id, _, _), (checks, where) in gathered.items()
    )
    headings = tuple(
        Heading(title=telling.say(f"limits.{key}")) for key in ("what", "value", "uncertainty", "basis", "where")
    )
    grid = table(telling.id("limits-grid"), telling.say("limits.grid"), headings, rows)
    rule = Paragraph(text=telling.say("limits.rule"))
    ident, budgets = telling.id("limits"), budgets_section(telling)
    return Section(
        id=ident,
        title=telling.say("limits.title"),
        blocks=(rule, grid),
        sections=() if budgets is None else (budgets,),
    )


def notes_section(telling: Telling) -> Section | None:
    """Notes and photographs of no step that the record shows."""
    known = {step.id for step in telling.visit.steps} - {"handover"}
    blocks = attached(telling, lambda step: step not in known)
    if not blocks:
        return None
    return Section(id=telling.id("notes"), title=telling.say("notes.title"), blocks=tuple(blocks))


def cautions_section(telling: Telling) -> Section:
    """Listening level and time, licensed trades, local codes."""
    blocks = (
        Paragraph(text=telling.say("cautions.intro"), kind="caution"),
        Bullets(items=tuple(sentence(telling.told(text)) for text in CAUTIONS)),
    )
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
