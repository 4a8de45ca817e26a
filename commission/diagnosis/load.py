"""Faults under load: limiters, distortion, rattles of a loudspeaker or of something in the room."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FAULT_MATRIX, FindingDetails, Findings, Rule, caution, signed
from commission.dsp.geometry import mirror_partner
from commission.dsp.leakage import LEAST_SEATS
from commission.model import Channel, Check, Verdict
from commission.model.formatting import number
from commission.model.units import counted, listed
from commission.model.verdict import surely_above
from commission.steps import wiring
from commission.steps.wiring import ChannelLoad, OtherSource, drive_name

ALL_SHARE, LEAST_CHANNELS = 2 / 3, 3
"""Share of distorted channels, and least number, from which a common cause is more likely than many bad loudspeakers
(common practice)."""
SAME_TONE_OCTAVES = 1 / 6
HEAT_DB = 2.0
"""Compression of a healthy loudspeaker by a warm voice coil within seconds (common practice)."""
ALIKE_DB = 0.5
"""Limits within this of each other count as alike: two loudspeakers of one model behave the same (common practice)."""
PREVIEW = "Play the sweep softly first; raise it in steps of 3 dB, with your ears protected."
SHARED = "measurement.distortion"


def _failed(each: ChannelLoad, *kinds: str) -> list[Check]:
    return [check for check in each.checks if check.kind in kinds and check.verdict is Verdict.FAIL]


def _channels(e: Evidence) -> tuple[ChannelLoad, ...]:
    return tuple(wiring.solve(e.job, e.round, e.analyses).channels.values())


def _compression(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Channels whose level rises less than their drive, beyond the compression common to all channels."""
    for each in _channels(e):
        found = each.compression
        if not _failed(each, "wiring.compression") or found.worst_db is None:
            continue
        channel = e.job.system.channel(each.channel)
        is_sub = channel is not None and channel.is_sub
        step_db = each.levels_db[-1] - each.levels_db[0]
        verb = "limited" if is_sub else "compressed"
        octaves = ", ".join(f"{hz} Hz {number(db, 1)} dB" for hz, db in found.by_octave_db.items())
        likely = _likely_limit(found.worst_db, is_sub)
        twin = _twin(e, each, channel)
        yield FindingDetails(
            title=f"{each.channel} {verb} by {number(found.worst_db, 1)} dB when {number(step_db, 0)} dB louder",
            channels=(each.channel,),
            evidence=(
                f"at {found.worst_hz} Hz it rises {number(found.worst_db, 1)} ± {number(2 * found.u_db, 1)} dB less than "
                f"the level, likely {likely}",
                f"compression by octave: {octaves}",
                *(
                    (f"its distortion explains {number(explained_db, 1)} dB of it",)
                    if (explained_db := found.worst_db - (found.unexplained_db or 0.0)) >= 0.1
                    else ()
                ),
                *(
                    (f"{twin} does the same: more likely a property of this model at that level than a fault",)
                    if twin is not None
                    else ()
                ),
            ),
            alternatives=(
                "dynamic range compression or a volume limit of this channel in the processor",
                "the gain of the microphone, or its position, changed between the two recordings of this channel",
            ),
            confirm=f"Record it at steps of 3 dB: a limiter starts at one level, a wrong gain does not. {PREVIEW}",
            remedy=f"Find the limiter or gain that holds it back, or accept that level as its maximum. "
            f"{caution(e, each.channel)}",
        )


def _likely_limit(worst_db: float, is_sub: bool) -> str:
    """The most likely limiting part of a channel."""
    if is_sub:
        return "its limiter, or the limit of its amplifier or driver"
    return (
        "a warm voice coil, or its amplifier or driver near its limit"
        if worst_db <= HEAT_DB
        else ("its amplifier or driver at its limit")
    )


def _twin(e: Evidence, each: ChannelLoad, channel: Channel | None) -> str | None:
    """The mirror partner, if it is compressed alike."""
    partner = None if channel is None else mirror_partner(channel.id)
    for other in _channels(e):
        if other.channel == partner and _failed(other, "wiring.compression"):
            own_db, its_db = each.compression.worst_db or 0.0, other.compression.worst_db or 0.0
            return other.channel if abs(own_db - its_db) <= ALIKE_DB else None
    return None


def _distorted(e: Evidence) -> list[ChannelLoad]:
    return [each for each in _channels(e) if _failed(each, "wiring.distortion", "wiring.distortion-loud")]


def _is_shared(e: Evidence) -> bool:
    """Whether nearly all channels are distorted."""
    measured = [each for each in _channels(e) if any(found.percent is not None for found in each.distortion)]
    return len(measured) >= LEAST_CHANNELS and len(_distorted(e)) >= ALL_SHARE * len(measured)


def _shared_distortion(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Distortion in nearly all recordings, more likely from the microphone or the player."""
    if not _is_shared(e):
        return
    distorted = _distorted(e)
    most = max((found.percent or 0.0) for each in distorted for found in each.distortion)
    yield FindingDetails(
        title=f"{len(distorted)} channels distorted alike",
        channels=tuple(each.channel for each in distorted),
        evidence=(f"harmonics of up to {number(most, 0)} % in {len(distorted)} channels",),
        alternatives=("the loudspeakers are too small for this level", "the amplifier that all of them share"),
        confirm="Record one channel again with 10 dB less gain at the microphone: distortion of the microphone disappears.",
        remedy="Lower the gain of the microphone, or the level of the player, and record all channels again.",
        check=_failed(distorted[0], "wiring.distortion", "wiring.distortion-loud")[0].kind,
    )


def _distortion(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Harmonics above the limit in a few channels; checked at the reference level, then at the raised one."""
    if _is_shared(e):
        return
    for each in _distorted(e):
        checks = _failed(each, "wiring.distortion") or _failed(each, "wiring.distortion-loud")
        bands = {check.id.rpartition(".")[2] for check in checks}
        loud = checks[0].kind.endswith("-loud")
        found = [d for d in each.distortion if d.band in bands and (d.drive_db > 0) is loud and d.percent is not None]
        worst = max(found, key=lambda d: d.percent or 0.0)
        level = drive_name(worst.drive_db)
        yield FindingDetails(
            title=f"{each.channel} distorted" + (" when loud" if loud else ""),
            channels=(each.channel,),
            evidence=tuple(
                f"{number(d.percent, 1)} % at {d.worst_hz} Hz, {level}"
                + (f", order {d.order} strongest" if d.order else "")
                + f" (limit {number(check.limit.upper, 0)} %)"
                for d in found
                for check in checks
                if check.limit is not None and check.id.endswith(f".{d.band}")
            ),
            alternatives=(
                "its driver is damaged, or is driven below what it can play: a high-pass is missing",
                "its amplifier or the processor's output clips",
                "the microphone was too near to it: its own distortion rises with the level",
            ),
            confirm="Exchange it with its partner at the amplifier: distortion that stays with the loudspeaker is its own. "
            f"{caution(e, each.channel)} {PREVIEW}",
            remedy=f"Lower the gain before the stage that clips, or have the driver checked. {caution(e, each.channel)}",
            check=checks[0].kind,
        )


def _tones(e: Evidence) -> list[tuple[ChannelLoad, float]]:
    return [
        (each, each.rattle.hz)
        for each in _channels(e)
        if _failed(each, "wiring.rattle") and each.rattle.hz is not None
    ]


def _near(hz: float, other_hz: float) -> bool:
    return abs(math.log2(hz / other_hz)) <= SAME_TONE_OCTAVES


def _room_rattle(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Something in the room that rattles at the same tone whichever loudspeaker plays it."""
    left = _tones(e)
    while left:
        hz = left[0][1]
        same = [each for each, tone in left if _near(tone, hz)]
        left = [pair for pair in left if not _near(pair[1], hz)]
        if len(same) > 1:
            names = tuple(each.channel for each in same)
            yield FindingDetails(
                title=f"something rattles at {number(hz, 0)} Hz",
                channels=names,
                evidence=(
                    f"bursts of treble while {number(hz, 0)} Hz is played by {listed(names)}, in both recordings of each",
                ),
                alternatives=("a subwoofer that plays the bass of all of them rattles by itself",),
                confirm=f"Play a tone of {number(hz, 0)} Hz, walk through the room and touch what may rattle: doors, "
                "lamps, grilles, shelves.",
                remedy="Fasten or damp what rattles; what hangs overhead is for a licensed trade.",
            )


def _rattle(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """A rattle with one loudspeaker only."""
    named = found.channels("room.rattle")
    for each, hz in _tones(e):
        if each.channel in named:
            continue
        yield FindingDetails(
            title=f"{each.channel} rattles at {number(hz, 0)} Hz",
            channels=(each.channel,),
            evidence=(
                f"bursts of treble {signed(each.rattle.above_db or 0.0, 0)} dB while {number(hz, 0)} Hz is played, in "
                f"{each.rattle.recordings} recordings",
            ),
            alternatives=(
                "something near it rattles: a grille, a shelf, a lamp, a door",
                "its driver reaches the end of its travel, or its coil rubs",
            ),
            confirm=f"Play a tone of {number(hz, 0)} Hz on it alone, and touch grille, cabinet and what is near. {PREVIEW}",
            remedy=f"Fasten or damp what rattles; have the driver checked if it is the driver. {caution(e, each.channel)}",
        )


@dataclass(frozen=True)
class _Leak:
    """A channel that also plays from another loudspeaker."""

    channel: str
    other: OtherSource


def _leaks(e: Evidence, found: Findings) -> list[_Leak]:
    """Channels whose check fails, if louder than the limit; at one or two seats, also those confirmed by the meter.

    A swapped channel sounds from another place, and may seem to contain the mirror image of that loudspeaker.
    """
    limit_db, swapped = e.job.limit("wiring.leakage").upper, found.channels("wiring.swapped")
    return [
        _Leak(each.channel, other)
        for each in wiring.leakages(e.job, e.round, e.analyses).values()
        for other in each.also
        if other.level_db > limit_db
        and each.channel not in swapped
        and (
            other.certain
            if each.check.verdict is Verdict.FAIL
            else other.seats <= LEAST_SEATS and _makes_louder(e, each.channel, other)
        )
    ]


def _added_db(other: OtherSource) -> float:
    """Increase of a channel's level if it also plays from another loudspeaker, equally loud there: sum of powers."""
    return 10 * math.log10(1 + 10 ** (other.level_db / 10))


def _makes_louder(e: Evidence, channel: str, other: OtherSource) -> bool:
    """Whether the meter reads a channel louder by the contribution of the other loudspeaker.

    A room that mirrors the two causes the same common sound at one or two seats, but makes neither louder.
    """
    read = e.levels.channels.get(channel)
    if read is None or read.match.value is None or not surely_above(read.match.value, 0.0, read.u_db):
        return False
    share = 1 - 10 ** (-_added_db(other) / 10)  # relative to the power of the other one
    return abs(read.match.value - _added_db(other)) <= 2 * math.hypot(read.u_db, share * other.u_db)


def _joined_text(each: _Leak) -> str:
    other = each.other
    return (
        f"the response of {other.other} is contained in that of {each.channel} at {counted(other.seats, 'seat')}, "
        f"{signed(other.level_db, 0)} ± {number(2 * other.u_db, 0)} dB relative to its own channel"
        + (f", {number(1000 * other.lag_s, 1)} ms later" if other.lag_s >= 0.001 else "")
    )


COMMON_SOUND = (
    f"sound common to two channels at all seats, 5 times above chance and louder than −20 dB; {FAULT_MATRIX}"
)
LISTEN = "Play soft noise on {0} alone, all surround modes off, and listen at {1}."


def _doubled(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """One channel that also plays from one other loudspeaker."""
    joined = _leaks(e, found)
    if len(joined) != 1:
        return
    (each,) = joined
    missing = listed(wiring.leakages(e.job, e.round, e.analyses)[each.channel].not_compared)
    likely = not each.other.certain
    louder = (
        f"the meter reads {each.channel} louder than the others, by as much as {each.other.other} adds: "
        f"{_added_db(each.other):.1f} dB"
    )
    further = f"whether it plays from {missing}, too, is not determined: too few seats are 0.35 m nearer to one"
    yield FindingDetails(
        title=f"{each.channel} {'likely ' if likely else ''}also plays from {each.other.other}",
        channels=(each.channel,),
        evidence=(_joined_text(each), *((louder,) if likely else ()), *((further,) if missing else ())),
        alternatives=(
            *(("its trim is too high, and the room mirrors the two loudspeakers at the seats",) if likely else ()),
            "a surround mode was on, or one channel was sent to both in the player",
            f"the inputs of the amplifiers of {each.channel} and {each.other.other} are joined",
        ),
        confirm=LISTEN.format(each.channel, each.other.other),
        remedy=f"{'Switch surround modes off and measure again. ' if missing else ''}"
        "Give each loudspeaker its own output; look for a copied output in the processor first. "
        f"{caution(e, each.channel, each.other.other)}",
    )


def _upmix(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Several channels, or one in several loudspeakers: a mode of the processor rather than cables."""
    joined = _leaks(e, found)
    if len(joined) < 2:  # one channel in one other loudspeaker is typical of a single cable
        return
    channels = tuple(dict.fromkeys(each.channel for each in joined))
    others = tuple(dict.fromkeys(each.other.other for each in joined))
    verb = "plays" if len(channels) == 1 else "play"
    yield FindingDetails(
        title=f"{listed(channels)} also {verb} from {listed(others)}",
        channels=channels,
        evidence=tuple(_joined_text(each) for each in joined[:6]),
        alternatives=("several outputs are joined by cable or copied in the processor",),
        confirm=LISTEN.format(channels[0], others[0]),
        remedy="Switch surround modes and all-channel modes off in the processor and in the player, then measure again.",
    )


RULES = (
    Rule(
        id="settings.upmix",
        check="wiring.leakage",
        symptom="sounds do not stay in their place",
        look=_upmix,
        explains=("wiring.leakage",),
        basis=COMMON_SOUND,
    ),
    Rule(
        id="wiring.doubled",
        check="wiring.leakage",
        symptom="two loudspeakers play one channel",
        look=_doubled,
        explains=("wiring.leakage",),
        basis=COMMON_SOUND,
    ),
    Rule(
        id=SHARED,
        own_cause="electronics",
        check="wiring.distortion",
        symptom="all recordings are distorted",
        look=_shared_distortion,
        explains=("wiring.distortion", "wiring.distortion-loud"),
        basis="two thirds of the measured channels above their limit; common practice",
    ),
    Rule(
        id="wiring.compression",
        check="wiring.compression",
        symptom="strained when loud",
        look=_compression,
        basis="less than 9.5 dB more for 10 dB more level, guard-banded, minus what all channels share; common practice",
    ),
    Rule(
        id="wiring.distortion",
        check="wiring.distortion",
        symptom="harsh",
        look=_distortion,
        explains=("wiring.distortion", "wiring.distortion-loud"),
        basis="harmonics above 3 % in the middle or 10 % in the bass, 10 dB above the floor; common practice",
    ),
    Rule(
        id="room.rattle",
        check="wiring.rattle",
        symptom="buzz on some notes, from several loudspeakers",
        look=_room_rattle,
        basis="bursts of treble at one tone in two recordings of each of two channels; common practice",
    ),
    Rule(
        id="wiring.rattle",
        check="wiring.rattle",
        symptom="buzz on some notes",
        look=_rattle,
        basis="bursts of treble 6 dB above their neighbours at one tone in two recordings; common practice",
    ),
)
