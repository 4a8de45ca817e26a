"""For the trade: site and instruments, limits with their basis, cautions, signatures."""

from __future__ import annotations

from collections.abc import Sequence

from commission import __version__
from commission.dsp.air import speed_of_sound_m_s
from commission.model import Check
from commission.model.formatting import number
from commission.model.units import clean_text, format_length, format_temperature
from commission.record.content.budgets import budgets_section
from commission.record.content.checks import kind_basis, kind_limit, kind_name, kind_uncertainty
from commission.record.content.context import OPTIONAL, Context, capital, channel_text, sentence, table
from commission.record.content.method import method_section
from commission.record.content.steps import attached
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
from commission.steps.handover import CAUTIONS, ROLES, events_since_signature, signatures
from commission.steps.shared.sub_sum import MODES

INSTRUMENTS = {
    "meter": "level meter",
    "microphone": "microphone",
    "calibrator": "calibrator",
    "tape": "tape or laser",
    "thermometer": "thermometer",
}


def site_section(context: Context) -> Section:
    """Names, equipment, and every instrument with its calibration."""
    pairs = tuple((name, value) for name, value in _facts(context) if value)
    ident, method = context.id("site"), method_section(context)
    return Section(
        id=ident,
        title="Site and instruments",
        blocks=(Facts(pairs=pairs), *_instruments(context)),
        sections=() if method is None else (method,),
        new_page=True,
    )


def _facts(context: Context) -> list[tuple[str, str]]:
    job, units = context.job, context.job.system.units
    system, room = job.system, job.system.room
    days = list(dict.fromkeys(context.date(event.at) for event in job.log))
    visit = "" if not days else days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
    size = (
        ""
        if room is None
        else " × ".join(format_length(each, units) for each in (room.length_m, room.width_m, room.height_m))
    )
    reference = system.reference_seat
    return [
        ("For", clean_text(system.client)),
        ("Place", clean_text(system.place)),
        ("Technician", clean_text(system.technician)),
        ("Visit", visit),
        ("Room (length × width × height)", size),
        (
            "Air",
            f"{format_temperature(system.temperature_c, units)}, speed of sound "
            f"{number(speed_of_sound_m_s(system.temperature_c), 1)} m/s",
        ),
        ("Seats", ", ".join(clean_text(seat.id) for seat in system.seats)),
        ("Reference seat", "" if reference is None else clean_text(reference.id)),
        ("Channels", ", ".join(channel_text(channel) for channel in system.channels)),
        *_processor_facts(context),
        ("Computed by", f"commission {__version__}, from a log of {len(job.log)} events"),
    ]


def _processor_facts(context: Context) -> list[tuple[str, str]]:
    processor = context.job.system.processor
    delay, trim, held = processor.delay, processor.trim_db, context.assumed
    speed, sub = processor.speed_of_sound_m_s, processor.sub_reference_spl_db
    level = f"{processor.reference_spl_db:g} dB(C), slow, with the processor's test noise"
    return [
        ("Processor", clean_text(processor.model)),
        (
            "Trim range",
            held(
                f"{number(trim.min, 1, signed=True)} dB to {number(trim.max, 1, signed=True)} dB "
                f"in steps of {trim.step:g} dB"
            ),
        ),
        (
            "Delay range",
            held(f"{delay.min:g} {delay.unit} to {delay.max:g} {delay.unit} in steps of {delay.step:g} {delay.unit}"),
        ),
        ("Assumed speed of sound", "" if speed is None or delay.unit == "ms" else f"{speed:g} m/s"),
        ("Reference level", held(level)),
        ("Reference level of the subwoofers", "" if sub is None else f"{sub:g} dB(C)"),
        (
            "Subwoofers add so that",
            "" if processor.sub_reference_for is None else dict(MODES)[processor.sub_reference_for],
        ),
        (
            "Crossover frequencies",
            ", ".join(f"{hz:g}" for hz in processor.crossovers_hz) + " Hz" if processor.crossovers_hz else "",
        ),
        ("High-pass filters", "" if processor.high_pass is None else processor.high_pass.text),
        ("Low-pass filters", "" if processor.low_pass is None else processor.low_pass.text),
        ("Parametric equaliser bands", "" if processor.parametric_bands is None else str(processor.parametric_bands)),
    ]


def _instruments(context: Context) -> list[Block]:
    instruments = context.job.system.instruments
    if not instruments:
        return [Paragraph(text="No instrument was entered.", kind="missing")]
    titles = ("Instrument", "Model", "Class", "Serial number", "Calibrated", "Resolution")
    unknown = "not entered"
    rows = []
    for each in instruments:
        step = {"tape": "m", "thermometer": "°C"}.get(each.kind, "dB")
        rows.append(
            (
                INSTRUMENTS[each.kind],
                clean_text(each.model) or unknown,
                str(each.accuracy_class) if each.accuracy_class else OPTIONAL,
                clean_text(each.serial) or unknown,
                context.date(each.calibrated.isoformat()) if each.calibrated else unknown,
                OPTIONAL if each.resolution is None else f"{each.resolution:g} {step}",
            )
        )
    headings = tuple(Heading(title=title) for title in titles)
    blocks: list[Block] = [table(context.id("instruments"), "Instruments", headings, rows)]
    if any(each.calibrated is None for each in instruments if each.kind in ("meter", "microphone", "calibrator")):
        blocks.append(
            Paragraph(
                text=(
                    "A reading is only as good as its instrument: where no calibration is entered, absolute levels "
                    "have no traceable uncertainty. Differences between channels depend on repeatability alone."
                ),
                kind="note",
            )
        )
    return blocks


# --- limits, cautions, signatures -----------------------------------------------------------------------------------


def limits_section(context: Context) -> Section | None:
    """Every limit with its value, basis, largest uncertainty, and where it was applied; None without any."""
    gathered: dict[tuple[str, str, str], tuple[list[Check], dict[str, None]]] = {}
    for step in context.visit.steps:
        for round_id in context.job.rounds:
            for check in context.outcome(step.id, round_id).checks:
                if check.limit is not None:
                    checks, where = gathered.setdefault((step.id, check.limit.basis, check.unit), ([], {}))
                    checks.append(check)
                    where[context.round(round_id)] = None
    if not gathered:
        return None
    titles = {step.id: clean_text(step.title) for step in context.visit.steps}
    rows = tuple(
        (
            capital(kind_name(checks)),
            kind_limit(context, checks),
            kind_uncertainty(context, checks),
            kind_basis(checks),
            f"{titles[step_id]}: {', '.join(where)}",
        )
        for (step_id, _, _), (checks, where) in gathered.items()
    )
    headings = tuple(Heading(title=title) for title in ("Checked", "Limit", "largest U", "Basis", "Where"))
    grid = table(context.id("limits-grid"), "Every limit that was applied", headings, rows)
    rule = Paragraph(
        text=(
            "Each value is checked against its limit with its uncertainty: it passes if value ± 1.645 u is "
            "inside, fails if it is outside, and is unsure between (guard band of JCGM 106 and ISO "
            "14253-1, 5 % risk). Uncertainties are given as U = 2 u (k = 2, about 95 %), the largest of each "
            "kind. Where the limit is a yes or no, there is no uncertainty to state."
        )
    )
    ident, budgets = context.id("limits"), budgets_section(context)
    return Section(
        id=ident,
        title="Limits, uncertainty and basis",
        blocks=(rule, grid),
        sections=() if budgets is None else (budgets,),
    )


def notes_section(context: Context) -> Section | None:
    """Notes and photographs that belong to no step in the record."""
    known = {step.id for step in context.visit.steps} - {"handover"}
    blocks = attached(context, lambda step: step not in known)
    if not blocks:
        return None
    return Section(id=context.id("notes"), title="Notes and photographs", blocks=tuple(blocks))


def cautions_section(context: Context) -> Section:
    """Cautions: listening level and time, licensed trades, local codes."""
    blocks = (
        Paragraph(text="Loud sound damages hearing permanently, and it does so without pain.", kind="caution"),
        Bullets(items=tuple(sentence(clean_text(text)) for text in CAUTIONS)),
    )
    return Section(id=context.id("cautions"), title="Cautions", blocks=blocks)


def signatures_section(context: Context) -> Section:
    """Places for two signatures; filled in if signed on the screen, with the number of events logged since."""
    signed = signatures(context.job)
    blocks: list[Block] = [
        Paragraph(
            text="Signed on the screen or by hand, for the contents of this record and of the log that it names."
        )
    ]
    for role in ROLES:
        later = events_since_signature(context.job, role)
        if later:
            text = (
                (f"{capital(role)}: one event was logged after this signature, so it does not cover it. Sign again.")
                if later == 1
                else (
                    f"{capital(role)}: {later} events were logged after this signature, so it does "
                    "not cover them. Sign again."
                )
            )
            blocks.append(Paragraph(text=text, kind="note"))
    places = tuple(_place(context, role, signed.get(role)) for role in ROLES)
    blocks.append(Signatures(places=places))
    return Section(id=context.id("signatures"), title="Signatures", blocks=tuple(blocks))


def _place(context: Context, role: str, given: Sequence[str] | None) -> SignaturePlace:
    name, day = ("", "") if given is None else (clean_text(given[0]), context.date(given[1]))
    return SignaturePlace(role=capital(role), name=name, date=day)
