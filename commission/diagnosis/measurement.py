"""Rules about the measurement itself: what must be measured again before anything else is said of the house."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Found, Rule
from commission.model import Verdict
from commission.model.units import counted, listed
from commission.steps.shared.screening import Mistake


def _clipped(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("clipped"):
        places = mistake.evidence
        more = f" and {len(places) - 8} more" if len(places) > 8 else ""
        yield FindingDetails(
            title=f"{counted(len(places), 'recording')} clipped",
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=(listed(list(places[:8])) + more, "more than six times too many samples at the top"),
            alternatives=("the loudspeaker or the amplifier itself clips",),
            confirm="Measure one of them again, 10 dB softer.",
            remedy="Turn the microphone's gain down and measure these again.",
        )


def _seats_exchanged(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("seats-exchanged"):
        seats = listed(mistake.seats)
        yield FindingDetails(
            title=f"recordings of {seats} exchanged",
            seats=mistake.seats,
            evidence=(*mistake.evidence, "no exchange of loudspeakers explains them as well"),
            alternatives=("the positions of these seats were entered the wrong way round",),
            confirm=f"Measure one channel at {mistake.seats[0]} again and compare.",
            remedy=f"Withdraw the recordings of {seats} and import them under the right names, or measure there again.",
        )


def _not_at_its_seat(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("microphone-not-moved"):
        seat = listed(mistake.seats)
        who = f"{len(mistake.channels)} channels" if len(mistake.channels) > 3 else listed(mistake.channels)
        yield FindingDetails(
            title=f"{seat} measured at one place"
            if len(mistake.seats) > 1
            else f"microphone not at {seat}{f' for {who}' if mistake.channels else ''}",
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=mistake.evidence,
            alternatives=("the files of another seat were named for this one",),
            confirm=f"Measure one of these channels at {seat} again and compare.",
            remedy=f"Put the microphone at {seat} and measure {who if mistake.channels else 'all channels'} there again.",
        )


def _wrong_channel(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("wrong-channel"):
        who, seat = listed(mistake.channels), mistake.seats[0]
        yield FindingDetails(
            title=f"recordings of {who} exchanged at {seat}",
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=(*mistake.evidence, "at the other seats they arrive when they should"),
            alternatives=("reflections were taken for the direct sound of both",),
            confirm=f"Measure {mistake.channels[0]} at {seat} again and compare.",
            remedy=f"Import both under the right names, or measure {who} at {seat} again.",
        )


def _clock(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("clock"):
        few = 0 < len(mistake.channels) <= 3
        where = f"{listed(mistake.channels)} at {listed(mistake.seats)}" if few else listed(mistake.seats)
        yield FindingDetails(
            title=f"no common clock: {where}",
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=mistake.evidence,
            alternatives=(
                "recordings were cut or started by hand, each at another moment",
                "the delays in the processor are not those noted",
            ),
            confirm="Measure one channel twice without moving anything: both must arrive at the same time.",
            remedy="Import these recordings as without a common clock, or measure again with a loopback.",
        )


def _references(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("reference"):
        places = mistake.evidence
        more = f" and {len(places) - 8} more" if len(places) > 8 else ""
        yield FindingDetails(
            title=f"levels of {counted(len(places), 'response')} with another reference",
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=(listed(list(places[:8])) + more, mistake.reason),
            alternatives=("the unit in the file's header is wrong",),
            confirm="Look at the header of one of these files.",
            remedy="Export all responses of the round with levels in one unit, and import them again.",
        )


def _same_recording(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("same-recording"):
        yield FindingDetails(
            title=mistake.reason,
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=mistake.evidence,
            alternatives=("the file was copied or named wrongly", "the recorder stored the earlier recording again"),
            confirm="Look up when the files were recorded, and listen to both.",
            remedy=f"Measure {_places(mistake)} again.",
        )


def _places(mistake: Mistake) -> str:
    """Such as "FL at A1 and A2"; every channel where the mistake names none."""
    what = listed(list(mistake.channels)) if mistake.channels else "all channels"
    return f"{what} at {listed(list(mistake.seats))}"


def _interference(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("interference"):
        (channel,), (seat,) = mistake.channels, mistake.seats
        yield FindingDetails(
            title=f"noise in the recording of {channel} at {seat}",
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=mistake.evidence,
            alternatives=(
                "somebody spoke, walked or shut a door during the sweep",
                "an appliance or the ventilation ran only then",
                "the microphone's cable picked up hum",
            ),
            confirm="Listen to the recording, most of all to its end.",
            remedy=f"Measure {channel} at {seat} again when it is quiet.",
        )


def _microphone(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("microphone"):
        (seat,) = mistake.seats
        yield FindingDetails(
            title=f"the microphone read differently at {seat}",
            seats=mistake.seats,
            evidence=mistake.evidence,
            alternatives=(
                "the microphone was covered, or pointed another way than at the other seats",
                "another microphone or calibration was used there",
                f"something stands around {seat} on all sides, such as a high seat back",
            ),
            confirm=f"Look at the microphone at {seat}, then measure one channel there again.",
            remedy=f"Measure all channels at {seat} again, the microphone free and pointing as at the other seats.",
        )


def _gain(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("gain"):
        seats = sorted(mistake.seats)
        yield FindingDetails(
            title=f"gain changed at {listed(seats)}",
            seats=tuple(seats),
            evidence=(
                *mistake.evidence,
                "a room differs from channel to channel; all levels of these seats are corrected by these values",
            ),
            alternatives=("the microphone was turned or covered there", "the master volume was moved"),
            confirm=f"Measure one channel at {seats[0]} and at its neighbour again, one after the other.",
            remedy=f"Measure {listed(seats)} again with the gain of the other seats.",
        )


def _noise(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    silent = found.channels("wiring.silent")
    noisy = {(c, s) for m in e.screening.of("interference") for c in m.channels for s in m.seats}
    nulls = {seat for finding in found if finding.id in ("room.null", "room.row-null") for seat in finding.seats}
    low = {
        place: check.value or 0.0
        for place, cell in e.seats.cells.items()
        for check in cell.checks
        if check.id == "seats.snr" and check.verdict is Verdict.FAIL and place[0] not in silent
        if place not in noisy
        if not (cell.channel.is_sub and place[1] in nulls)  # soft there because of the room
    }
    if low:
        ids, seats = sorted({c for c, _ in low}), sorted({s for _, s in low})
        yield FindingDetails(
            title=f"{counted(len(low), 'response')} near the noise",
            channels=tuple(ids),
            seats=tuple(seats),
            evidence=(
                f"{listed(ids)} at {listed(seats)}: down to {min(low.values()):.0f} dB of signal to noise, "
                f"limit {e.job.limit('seats.snr').lower:.0f} dB",
                f"median {np.median(list(low.values())):.0f} dB",
            ),
            alternatives=(
                "the channel plays too softly, or was muted: then nothing else told of it counts",
                "the microphone's gain is low, so that its input hisses",
            ),
            confirm="Switch the ventilation off and measure one of them again.",
            remedy="Measure again when it is quiet, with a longer sweep or 6 dB louder; sweeps are loud, warn everybody.",
        )


RULES = (
    Rule(
        id="measurement.reference",
        check="seats.snr",
        cause="settings",
        step="seats",
        symptom="responses that cannot be compared",
        look=_references,
        basis="the unit that each file states; common practice",
    ),
    Rule(
        id="measurement.clipped",
        check="seats.clipped",
        cause="electronics",
        step="seats",
        symptom="nonsense curves",
        look=_clipped,
        basis="share of samples at the top six times what is usual; own simulations",
    ),
    Rule(
        id="measurement.seats-exchanged",
        check="distances.place",
        cause="settings",
        step="distances",
        symptom="many channels from the wrong place at two seats",
        look=_seats_exchanged,
        place="seat",
        basis="arrivals fit each other's places, 100 times likelier than any other cause; own simulations",
    ),
    Rule(
        id="measurement.microphone-not-moved",
        check="distances.place",
        cause="settings",
        step="distances",
        symptom="a seat measured at another one",
        look=_not_at_its_seat,
        place="seat",
        basis="arrivals fit another seat, 100 times likelier than any other cause; own simulations",
    ),
    Rule(
        id="measurement.wrong-channel",
        check="distances.place",
        cause="settings",
        step="distances",
        symptom="a channel odd at one seat",
        look=_wrong_channel,
        basis="two arrivals of one seat fit each other's channel, 100 times likelier than any other cause; own simulations",
    ),
    Rule(
        id="measurement.clock",
        check="distances.arrival",
        cause="settings",
        step="distances",
        symptom="arrivals without sense",
        look=_clock,
        place="seat",
        basis="half of the arrivals more than 1 ms, a seat 0.6 ms, a recording 40 ms off; own simulations",
    ),
    Rule(
        id="measurement.same-recording",
        check="seats.level",
        cause="settings",
        step="seats",
        symptom="two recordings read the same",
        look=_same_recording,
        basis="levels of two places alike within 0.3 dB over frequency; determined by simulation",
    ),
    Rule(
        id="measurement.interference",
        check="seats.snr",
        cause="settings",
        step="seats",
        symptom="a band lifted in one recording",
        look=_interference,
        basis="noise 12 dB above that of the other recordings, at less than 12 dB of signal to noise; common practice",
    ),
    Rule(
        id="measurement.microphone",
        place="seat",
        check="seats.direct",
        cause="settings",
        step="seats",
        symptom="one seat dull for every channel",
        look=_microphone,
        basis="3.5 dB and four standard uncertainties on all main channels alike; determined by simulation",
    ),
    Rule(
        id="measurement.gain",
        check="seats.level",
        cause="settings",
        step="seats",
        symptom="a seat low on every channel",
        look=_gain,
        place="seat",
        basis="2 dB and 3.5 standard uncertainties on all main channels and octaves alike; determined by simulation",
    ),
)
"""What spoils recordings, before the other rules."""

LAST = (
    Rule(
        id="measurement.noise",
        check="seats.snr",
        cause="room",
        step="seats",
        symptom="responses near the noise",
        look=_noise,
        basis="less than 30 dB of signal to noise; own simulations",
    ),
)
"""What is no mistake where a loudspeaker is silent: after the rules about wiring."""
