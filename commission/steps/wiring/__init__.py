"""Wiring: is every channel free of distortion and compression at high level?

The installer records one sweep of each channel at the reference level and one 10 dB louder, at one seat, without moving
the microphone. From the pair: compression by octave (rise minus step, minus the part common to all channels), harmonic
distortion by order (A. Farina, AES preprint 5093, 2000), and rattles: bursts of treble at one exciting frequency in both
recordings. From the responses of Seats: whether a channel also plays from another loudspeaker (`commission.dsp.leakage`).
"""

from __future__ import annotations

from collections.abc import Iterable

from commission.model import (
    Advice,
    Analyses,
    Capture,
    Check,
    CheckLimit,
    Column,
    Job,
    Outcome,
    Step,
    Table,
    Task,
    Verdict,
    table_of,
)
from commission.model.formatting import number
from commission.model.units import listed
from commission.steps.wiring.leakage import ChannelLeakage, OtherSource, leakages
from commission.steps.wiring.noise import ChannelNoise, channel_noises
from commission.steps.wiring.result import (
    ChannelLoad,
    WiringResult,
    drive_name,
    solve,
)

__all__ = [
    "ChannelLeakage",
    "ChannelLoad",
    "ChannelNoise",
    "OtherSource",
    "WiringResult",
    "channel_noises",
    "drive_name",
    "leakages",
    "solve",
]

LOUDER_DB = 10.0

HELP = f"""
1. Microphone on a stand at the reference seat. **Do not touch it between the two levels**, nor its gain; the louder sweep
   must not clip.
2. Record one sweep of each channel at the **reference level**, then the same sweep **{LOUDER_DB:.0f} dB louder**: raise the
   volume, or the level of the player.
   With the laptop's own device `m` plays and records both: the first sweep is soft, none is above −12 dB of full scale,
   and **any key stops the sound**.
3. Import with `i` what another instrument recorded. A mapping names the level in the column `level` (`reference`, `+10`);
   so does a name such as `A2_FL_+10dB.wav`. Give the sweep that was played (`--stimulus`), or its parameters in the job.
   Impulse responses show compression, but no distortion and no rattles.

4. Where a loudspeaker hums or hisses, record 30 seconds at the seat with everything off, and again with the amplifier of
   that channel alone switched on and nothing playing. Import both with kind `noise`: the first with the state
   `everything off`, the second with the channel in the column `channel`. **Switch amplifiers off before you unplug a
   cable.**

**{LOUDER_DB:.0f} dB more is ten times the power. Everybody leaves the room or wears hearing protection.** Start at the
reference level and raise it in steps of 3 dB. Stop where a loudspeaker sounds strained, where the amplifier shows its
limit, or at 95 dB(A) at the seat, and import the level that you reached. A sweep near full scale can destroy tweeters: keep
it 12 dB below full scale.
"""

LOUD_CAUTION = "Loud: leave the room or protect your ears, and raise the level in steps of 3 dB."


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Each channel at the reference seat, at the reference level and louder."""
    seat = job.system.reference_seat
    if seat is None:
        return ()
    return tuple(
        Capture(
            channel=channel.id,
            seat=seat.id,
            text=f"Microphone on a stand at {seat.id}, untouched between the two levels.\n"
            f"Leave the room, then sweep {channel.name_and_id} softly and {LOUDER_DB:.0f} dB louder.",
            caution=f"The second sweep of each is {LOUDER_DB:.0f} dB louder. Leave the room or protect your ears.",
            levels_db=(0.0, LOUDER_DB),
        )
        for channel in job.system.channels
    )


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """A row for each channel recorded with a sweep or at two levels."""
    result = solve(job, round_id, analyses)
    found = tuple(result.channels.values())
    noises = tuple(channel_noises(job, round_id, analyses).values())
    leaks = tuple(each for each in leakages(job, round_id, analyses).values() if each.compared)
    checks = (
        *(check for each in found for check in each.checks),
        *(each.check for each in leaks),
        *(check for each in noises for check in each.checks),
    )
    return Outcome(
        step="wiring",
        round=round_id,
        done=sum(min(2, len(each.levels_db)) for each in found),
        total=2 * len(job.system.channels),
        checks=checks,
        tables=(*(_tables(result) if found else ()), *_leakage_tables(leaks), *_noise_tables(noises)),
        advice=_advice(job, result),
        main_result="; ".join(filter(None, (_leakage_text(leaks), main_result(checks)))) or _clean_text(found),
        remarks=_remarks(job, result),
        budgets=tuple(
            dict.fromkeys(
                (
                    *(budget for each in found for budget in each.budgets),
                    *(budget for each in noises for budget in each.budgets),
                    *(each.budget for each in leaks if each.budget is not None),
                )
            )
        ),
    )


def distortion_text(each: ChannelLoad, band: str, loud: bool) -> str | None:
    """Text such as "1.2 %" or "< 0.5 %"."""
    found = [d for d in each.distortion if d.band == band and (d.drive_db > 0) is loud and d.percent is not None]
    if not found or found[0].percent is None:
        return None
    return f"< {number(max(0.1, found[0].percent), 1)}" if found[0].at_most else number(found[0].percent, 1)


def _rattle_text(each: ChannelLoad) -> str | None:
    rattle = each.rattle
    if rattle.above_db is None:
        return None
    failed = any(check.id == "wiring.rattle" and check.verdict is Verdict.FAIL for check in each.checks)
    return f"{number(rattle.hz, 0)} Hz" if failed else "none"


def _tables(result: WiringResult) -> tuple[Table, ...]:
    channels = tuple(result.channels.values())
    summary = table_of(
        channels,
        (Column(key="channel", title="Channel"), lambda each: each.channel),
        (Column(key="seat", title="Seat"), lambda each: each.seat),
        (
            Column(key="levels", title="Levels"),
            lambda each: ", ".join(number(db, 0, signed=True) for db in each.levels_db),
        ),
        (Column(key="compression", title="Compr.", unit="dB", decimals=1), lambda each: each.compression.worst_db),
        (Column(key="bass", title="Bass", unit="%"), lambda each: distortion_text(each, "bass", False)),
        (Column(key="mid", title="Mid", unit="%"), lambda each: distortion_text(each, "mid", False)),
        (Column(key="bass-loud", title="Bass, loud", unit="%"), lambda each: distortion_text(each, "bass", True)),
        (Column(key="mid-loud", title="Mid, loud", unit="%"), lambda each: distortion_text(each, "mid", True)),
        (Column(key="rattle", title="Rattle"), _rattle_text),
        id="load",
        title="Channels under load",
        key=lambda each: each.channel,
        check=lambda each: max(each.checks, key=lambda check: check.verdict.severity, default=None),
        remark="Levels in dB re the reference level. Compr.: how much less the worst octave rises than the level. Bass, "
        "Mid: harmonic distortion, orders 2 to 5, 25 to 125 Hz and 200 to 4000 Hz. Rattle: the tone that excites it.",
    )
    octaves = sorted({hz for each in channels for hz in each.compression.by_octave_db})
    if not octaves:
        return (summary,)

    def at(hz: int) -> Column:
        return Column(key=str(hz), title="31.5" if hz == 31 else str(hz), decimals=1, signed=True)

    compression = table_of(
        [each for each in channels if each.compression.by_octave_db],
        (Column(key="channel", title="Channel"), lambda each: each.channel),
        *((at(hz), lambda each, hz=hz: each.compression.by_octave_db.get(hz)) for hz in octaves),
        id="compression",
        title="Compression by octave, Hz; in dB",
        key=lambda each: each.channel,
    )
    return summary, compression


def _leakage_tables(leaks: tuple[ChannelLeakage, ...]) -> tuple[Table, ...]:
    if not leaks:
        return ()
    table = table_of(
        leaks,
        (Column(key="channel", title="Channel"), lambda each: each.channel),
        (Column(key="other", title="Also from"), _others_text),
        (
            Column(key="level", title="Level", unit="dB"),
            lambda each: ", ".join(number(other.level_db, 0, signed=True) for other in each.also) or None,
        ),
        (
            Column(key="below", title="Hidden below", unit="dB", decimals=0, signed=True),
            lambda each: each.below_db,
        ),
        id="leakage",
        title="Channels heard from another loudspeaker",
        key=lambda each: each.channel,
        check=lambda each: each.check,
        remark="From the responses of Seats. Level: relative to that loudspeaker's own channel. Hidden below: the room "
        "hides a second loudspeaker that is softer than this; a measurement at the processor's outputs finds it.",
    )
    return (table,)


def _noise_tables(noises: tuple[ChannelNoise, ...]) -> tuple[Table, ...]:
    if not noises:
        return ()
    table = table_of(
        noises,
        (Column(key="channel", title="Channel"), lambda each: each.channel),
        (Column(key="seat", title="Seat"), lambda each: each.noise.seat),
        (
            Column(key="laeq", title="L_Aeq", unit="dB", decimals=0),
            lambda each: each.noise.laeq_db if each.noise.calibrated else None,
        ),
        (
            Column(key="nc", title="NC", decimals=0),
            lambda each: None if each.noise.nc is None else each.noise.nc.value,
        ),
        (Column(key="hum", title="Hum", unit="Hz", decimals=0), lambda each: each.noise.hum_hz),
        (Column(key="heard", title="Above heard", unit="dB", decimals=0), lambda each: each.noise.hum_excess_db),
        (Column(key="against", title="Compared with"), lambda each: each.baseline_name or None),
        id="noise",
        title="Noise and hum of one channel",
        key=lambda each: each.channel,
        check=lambda each: max(each.checks, key=lambda check: check.verdict.severity),
        remark="With the amplifier of this channel on and nothing playing. Above heard: the loudest line of hum above what "
        "is just heard.",
    )
    return (table,)


def _others_text(each: ChannelLeakage) -> str:
    return ", ".join(other.other if other.certain else f"{other.other}?" for other in each.also) or "none found"


def _leakage_text(leaks: tuple[ChannelLeakage, ...]) -> str:
    """Channels that play from another loudspeaker, as a clause."""
    return ", ".join(
        f"{each.channel} also plays from {each.also[0].other}" for each in leaks if each.check.verdict is Verdict.FAIL
    )


def main_result(checks: Iterable[Check]) -> str:
    """Failed channels with the failed quantities, as a clause."""
    parts = []
    for kind, text in (
        ("wiring.compression", "compressed"),
        ("wiring.distortion", "distorted"),
        ("wiring.distortion-loud", "distorted when loud"),
        ("wiring.rattle", "rattling"),
        ("wiring.noise", "noisy"),
        ("wiring.hum", "humming"),
    ):
        names = [str(check.channel) for check in checks if check.kind == kind and check.verdict is Verdict.FAIL]
        names = list(dict.fromkeys(names))
        if names:
            parts.append(f"{listed(names)} {text}")
    return "; ".join(parts)


def _clean_text(found: tuple[ChannelLoad, ...]) -> str:
    """Channels that pass every check at the raised level, as a clause."""
    clean = [
        each.channel
        for each in found
        if each.levels_db[-1] > 0 and all(check.verdict is Verdict.PASS for check in each.checks)
    ]
    return f"clean when loud: {listed(clean)}" if clean else ""


def _advice(job: Job, result: WiringResult) -> tuple[Advice, ...]:
    pairs = [each for each in result.channels.values() if len(each.levels_db) > 1]
    if pairs or not job.system.channels or not job.responses:
        return ()
    text = f"Record each channel at the reference level and {LOUDER_DB:.0f} dB louder. {LOUD_CAUTION}"
    return (Advice(text=text, step="wiring", priority=75),)


def _remarks(job: Job, result: WiringResult) -> tuple[str, ...]:
    if not result.channels:
        return (
            "Nothing is checked under load yet: distortion and rattles need raw recordings of sweeps, compression needs "
            "two levels.",
            *(f"Not used: {each}." for each in result.problems),
        )
    remarks = []
    others = [c.id for c in job.system.channels if c.id not in result.channels]
    if others:
        remarks.append(f"Not recorded as a sweep at the reference seat: {listed(others)}.")
    shared = result.step_error_db
    if shared is not None and abs(shared) > 0.5:
        step = "" if result.step_db is None else f" instead of {number(result.step_db + 0.0, 0, signed=True)} dB"
        rise = "" if result.step_db is None else f" by {number(result.step_db + shared, 1, signed=True)} dB"
        remarks.append(
            f"All main channels rise{rise}{step}. The volume or the gain was raised by another amount, or dynamic range "
            "compression is switched on. Compression is given without what all channels share."
        )
    for each in result.channels.values():
        if each.rattle.alone is not None:
            hz, above_db = each.rattle.alone
            remarks.append(
                f"{each.channel}: a burst of treble at {number(hz, 0)} Hz ({number(above_db, 0)} dB) in one recording "
                "only. A rattle repeats: record it again."
            )
        for found in each.distortion:
            if found.order is not None and found.percent is not None and found.percent >= 1.0:
                remarks.append(
                    f"{each.channel}, {drive_name(found.drive_db)}, {found.band}: order {found.order} is the strongest at "
                    f"{found.worst_hz} Hz."
                )
    return (*remarks, *(f"Not used: {each}." for each in result.problems))


STEP = Step(
    id="wiring",
    title="Wiring",
    question="Does every channel play from its own loudspeaker alone, and stay clean when it is loud?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="none",
    imports=True,
    limits=(
        CheckLimit(check="wiring.leakage", quantity="wiring.leakage"),
        CheckLimit(check="wiring.leakage.hidden", quantity="wiring.leakage.hidden"),
        CheckLimit(check="wiring.noise", quantity="quiet.nc", applies="of one channel, with its amplifier on"),
        CheckLimit(check="wiring.hum", quantity="quiet.hum", applies="of one channel, with its amplifier on"),
        CheckLimit(check="wiring.compression", quantity="wiring.compression"),
        CheckLimit(check="wiring.distortion.bass", quantity="wiring.distortion.bass"),
        CheckLimit(check="wiring.distortion.mid", quantity="wiring.distortion.mid"),
        CheckLimit(check="wiring.distortion-loud.bass", quantity="wiring.distortion-loud.bass"),
        CheckLimit(check="wiring.distortion-loud.mid", quantity="wiring.distortion-loud.mid"),
        CheckLimit(check="wiring.rattle", quantity="wiring.rattle"),
    ),
)
