"""Rules about the quiet room and speech: the loudest source, hum of the mains, dialogue that is hard to follow."""

from __future__ import annotations

from collections.abc import Iterator

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import OVERHEAD, FindingDetails, Findings, Rule
from commission.dsp.levels import energy_sum_db
from commission.model import Check, Verdict
from commission.model.formatting import number
from commission.model.noise_states import ELECTRONICS, NEIGHBOURS, OFF, PROJECTOR
from commission.model.units import listed
from commission.steps import dialogue, quiet, wiring
from commission.steps.quiet.result import Noise, QuietResult, nc_check_id
from commission.steps.wiring import ChannelNoise

EQUIPMENT = (ELECTRONICS, PROJECTOR)
"""States whose additional noise comes from equipment."""
QUIETER_HUM_DB = 6.0
"""Hum that is softer by this with everything off comes from equipment (common practice, no source)."""
NOISE, EQUIPMENT_NOISE = "room.noise", "wiring.equipment-noise"
MAINS = "Mains wiring is for a licensed trade. Switch the amplifier off before touching any cable."


def _failed(result: QuietResult, kind: str) -> dict[Noise, Check]:
    """Noises whose check of a kind ("quiet.nc", "quiet.hum") failed, each with that check."""
    return {n: c for n in result.noises for c in n.checks if c.kind == kind and c.verdict is Verdict.FAIL}


def _rating(noise: Noise) -> str:
    return f"NC {noise.nc.value:.0f}" if noise.nc is not None else f"{number(noise.laeq_db, 0)} dB(A)"


def _by_hum(noise: Noise) -> bool:
    """Whether hum contributes half or more of the power in the octave that decides."""
    hz = noise.deciding_hz
    if hz is None or not noise.hum_lines:
        return False
    centre = 31.5 if hz == 31 else hz
    inside = [n.level_db for n in noise.hum_lines if centre / 2**0.5 <= n.frequency_hz < centre * 2**0.5]
    return bool(inside) and energy_sum_db(inside) >= noise.octave_db[hz] - 3.0


def _noise(e: Evidence, found: Findings, equipment: bool) -> Iterator[FindingDetails]:
    """One finding for the worst source of a kind; the other states that fail are listed in its evidence."""
    result = quiet.solve(e.job, e.round, e.analyses)
    failed = _failed(result, "quiet.nc")
    off = [n for n in failed if n.known == OFF]
    if off:  # no source can be identified in a room that is loud by itself
        own = [] if equipment else off
    else:
        # Noise that is as loud with everything off is the building's, whatever else is on.
        sources = [n for n in failed if quiet.is_above_off(n, result.noises)]
        unknown = [n for n in failed if quiet.baseline_of(n, result.noises) is None]
        own = [n for n in (*sources, *unknown) if (n.known in EQUIPMENT) is equipment]
        if found.any("wiring.hum"):
            own = [n for n in own if not _by_hum(n)]  # already reported as one fault
    worst = quiet.loudest(own)
    if worst is None:
        return
    check = failed[worst]
    assert check.limit is not None
    limit = check.limit.high or 0.0
    evidence = [
        f"{_rating(n)} at {n.seat} with {n.state}"
        + (f", decided at {quiet.deciding_text(n)}" if n.nc is not None else "")
        + f"; limit {number(limit, 0)} {check.unit}"
        for n in own
    ]
    base = quiet.baseline_of(worst, result.noises)
    alternatives = []
    if base is not None and base is not worst:
        evidence.append(f"{_rating(base)} with everything off")
    elif base is None:
        alternatives.append("the noise comes from elsewhere: everything off was not measured")
    evidence += _speech(e, worst.state)
    alternatives.append("a sound from outside during the recording, or another source was on")
    seats = tuple(dict.fromkeys(n.seat for n in own))
    top = f"NC {limit:.0f}" if worst.nc is not None else f"{limit:.0f} dB(A)"
    title = f"{_rating(worst)} with {worst.state} (limit {top})"
    yield FindingDetails(
        title=title,
        seats=seats,
        evidence=tuple(evidence),
        alternatives=tuple(alternatives),
        confirm=f"Record 30 seconds with everything off, then with {worst.state} alone, at the same place.",
        remedy=_remedy(worst),
        check=check.id,
    )


def _remedy(noise: Noise) -> str:
    if noise.known == OFF:
        return (
            "Find where it comes in (doors, windows, ducts) with everything off; seals and ducts are for the builder."
        )
    if noise.known in EQUIPMENT:
        return f"Move fans away from the seats or into a ventilated rack, clean filters, use a lower speed. {MAINS}"
    if noise.known == NEIGHBOURS:
        return "Seal doors and gaps first; walls and floors are for the builder."
    return (
        f"Lower the speed; larger openings, lined ducts and flexible mounts are for the ventilation trade. {OVERHEAD}"
    )


def _speech(e: Evidence, state: str) -> list[str]:
    """Effect of that noise on speech, if it is outside the limit."""
    result = dialogue.solve(e.job, e.round, e.analyses)
    if result.state != state:
        return []
    failed = [each for each in result.seats if each.check.verdict is Verdict.FAIL and each.sti is not None]
    worst = dialogue.worst_of(failed)
    if worst is None:
        return []
    return [f"speech at {worst.seat}: STI {worst.sti:.2f}, without this noise {worst.sti_without_noise:.2f}"]


def _room(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    yield from _noise(e, found, equipment=False)


def _equipment(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    yield from _noise(e, found, equipment=True)


def _hum(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Hum with the electronics on, absent or 6 dB softer with everything off."""
    result = quiet.solve(e.job, e.round, e.analyses)
    failed = _failed(result, "quiet.hum")
    heard = [n for n in failed if n.known in EQUIPMENT]
    if not heard:
        return
    worst = max(heard, key=lambda n: n.hum_excess_db or 0.0)
    off = quiet.baseline_of(worst, result.noises)
    if off is not None and off.why_no_hum == "" and off.hum_hz is not None:
        if (worst.hum_db or 0.0) - (off.hum_db or 0.0) < QUIETER_HUM_DB:
            return  # it also hums with everything off: the electronics are not the cause
    elsewhere = (
        "a transformer or a motor in the building: not measured with everything off"
        if off is None
        else "a refrigerator or a pump that ran only then: record both states again"
    )
    lines = ", ".join(f"{line.frequency_hz:.0f} Hz {number(line.level_db, 0)} dB" for line in worst.hum_lines[:4])
    yield FindingDetails(
        title=f"hum at {worst.hum_hz:.0f} Hz with {worst.state}",
        seats=(worst.seat,),
        evidence=(
            f"lines: {lines}; the loudest is {number(worst.hum_excess_db, 0)} dB above what is just heard",
            "not found with everything off"
            if off is not None and off.hum_hz is None and not off.why_no_hum
            else f"{number(off.hum_db, 0)} dB with everything off"
            if off is not None and off.hum_db is not None
            else "not determined with everything off",
        ),
        alternatives=(elsewhere, "a transformer that hums by itself, not through the loudspeakers"),
        confirm="Unplug the inputs of the amplifier one by one: hum of a ground loop stops with one of them.",
        remedy=f"Connect all equipment to one outlet circuit, or isolate the signal line that closes the loop. {MAINS}",
        check=failed[worst].id,
    )


def _intelligibility(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Dialogue that is hard to follow, with the main cause; not reported where a finding of noise already is."""
    result = dialogue.solve(e.job, e.round, e.analyses)
    failed = [each for each in result.seats if each.check.verdict is Verdict.FAIL]
    loud = found.any(NOISE, EQUIPMENT_NOISE)
    failed = [each for each in failed if each.cause in ("room", "noise") and not (loud and each.cause == "noise")]
    worst = dialogue.worst_of(failed)
    if worst is None:
        return
    value = worst.sti if worst.sti is not None else worst.sti_without_noise
    limit = e.job.limit("dialogue.sti").lower
    cause = "reverberation" if worst.cause == "room" else f"noise with {worst.noise_state}"
    parts = [f"STI {value:.2f} at {worst.seat}, limit {limit:.2f}"]
    if worst.sti_without_noise is not None:
        parts.append(f"{worst.sti_without_noise:.2f} without noise")
    if worst.gain_room is not None and worst.gain_level is not None:
        parts.append(
            f"{worst.gain_room:.2f} better without reverberation, {worst.gain_level:.2f} with 3 dB more level"
        )
    if worst.c50_db is not None:
        parts.append(f"C50 {number(worst.c50_db, 1)} dB")
    remedies = {
        "room": "Add absorption at the first reflections and behind the seats: carpet, curtains, panels.",
        "noise": "Lower the noise first (Quiet names the source); then raise the centre.",
    }
    yield FindingDetails(
        title=f"dialogue hard to follow at {', '.join(each.seat for each in failed)}: {cause}",
        seats=tuple(each.seat for each in failed),
        evidence=("; ".join(parts),),
        alternatives=(
            "the centre is too soft, or something covers it",
            "the recording itself is unclear: try a film that you know",
        ),
        confirm="Listen to a quiet dialogue at that seat and half a metre from the centre: close by it must be clear.",
        remedy=remedies[worst.cause],
    )


def _failed_channels(e: Evidence, check_id: str) -> list[ChannelNoise]:
    """Channels whose own noise or hum fails."""
    measured = wiring.channel_noises(e.job, e.round, e.analyses).values()
    return [n for n in measured if any(c.id == check_id and c.verdict is Verdict.FAIL for c in n.checks)]


def _channel_hum(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Hum with one amplifier on; one finding for all such channels, since they mostly share the ground loop."""
    failed = _failed_channels(e, "wiring.hum")
    if not failed:
        return
    channels = tuple(each.channel for each in failed)
    without = [c for c, n in wiring.channel_noises(e.job, e.round, e.analyses).items() if n.noise.hum_hz is None]
    unknown = not all(each.baseline_is_off for each in failed)
    yield FindingDetails(
        title=f"hum from {listed(channels)}",
        channels=channels,
        evidence=(
            *(
                f"{each.channel} at {each.noise.seat}: {number(each.noise.hum_hz, 0)} Hz, "
                f"{number(each.noise.hum_excess_db, 0)} dB above what is just heard"
                for each in failed[:4]
            ),
            *((f"no hum from {listed(without)}",) if without else ()),
        ),
        alternatives=(
            *(("hum of the building: not measured with everything off",) if unknown else ()),
            "a transformer that hums by itself, not through the loudspeaker",
        ),
        confirm="Switch the amplifier off, unplug its input, switch it on: if the hum stops, it comes in by that cable.",
        remedy=f"Connect source and amplifier to one outlet circuit, or isolate the signal line. {MAINS}",
    )


def _channel_noise(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Hiss or another noise of one channel, above the noise at the seat without it."""
    for each in _failed_channels(e, "wiring.noise"):
        noise = each.noise
        if each.channel in found.channels("wiring.channel-hum") and _by_hum(noise):
            continue  # already reported as one fault
        yield FindingDetails(
            title=f"{_rating(noise)} at {noise.seat} from {each.channel} alone",
            channels=(each.channel,),
            evidence=(
                f"{_rating(noise)} with {each.channel} on, decided at {quiet.deciding_text(noise)}",
                *((f"{_rating(each.baseline)} with {each.baseline_name}",) if each.baseline is not None else ()),
            ),
            alternatives=(
                "a sound from outside during the recording",
                "the fan of its amplifier, not the loudspeaker",
            ),
            confirm=f"Listen close to {each.channel} with nothing playing. Switch its amplifier off, unplug the input, "
            "switch it on, and listen again.",
            remedy="Lower the gain of its amplifier and raise the level before it, or replace what hisses.",
        )


RULES = (
    Rule(
        id="wiring.channel-hum",
        check="wiring.hum",
        symptom="hum from one loudspeaker",
        look=_channel_hum,
        basis="lines of the mains above the threshold of hearing (ISO 226, from memory), 6 dB above everything off",
    ),
    Rule(
        id="wiring.channel-noise",
        check="wiring.noise",
        symptom="hiss from one loudspeaker",
        look=_channel_noise,
        basis="NC above its limit, guard-banded, and 3 dB above the same seat without the channel; common practice",
    ),
    Rule(
        id="wiring.hum",
        check="quiet.hum",
        symptom="hum",
        look=_hum,
        place="seat",
        explains=("quiet.hum", *map(nc_check_id, EQUIPMENT)),
        basis="lines of the mains above the threshold of hearing (ISO 226, from memory), 6 dB above everything off",
    ),
    Rule(
        id=NOISE,
        check="quiet.nc",
        symptom="the room is not quiet",
        look=_room,
        place="seat",
        explains=("quiet.nc", "dialogue.sti"),
        basis="NC above its limit, guard-banded, and 3 dB above everything off where that was measured; common practice",
    ),
    Rule(
        id=EQUIPMENT_NOISE,
        check="quiet.nc",
        symptom="fans or hiss of the equipment",
        look=_equipment,
        place="seat",
        explains=("quiet.nc", "dialogue.sti"),
        basis="NC above its limit with electronics or projector on, and 3 dB above everything off; common practice",
    ),
    Rule(
        id="room.speech",
        check="dialogue.sti",
        symptom="dialogue is hard to follow",
        look=_intelligibility,
        place="seat",
        basis="STI below 0.60, guard-banded (IEC 60268-16, from memory)",
    ),
)
