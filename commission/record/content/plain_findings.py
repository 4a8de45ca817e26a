"""What a finding means to the homeowner, by its id: how it was, how it is, and what mending it would take.

The places {channels}, {seats} and {title} are filled by `findings.py`. A finding without a sentence here is described by
its own title and remedy.
"""

from __future__ import annotations

from typing import NamedTuple


class PlainFinding(NamedTuple):
    """One kind of finding in plain words."""

    was: str
    now: str
    mending: str


PLAIN_FINDINGS: dict[str, PlainFinding] = {
    "wiring.silent": PlainFinding(
        was="No sound came from {channels}.",
        now="No sound comes from {channels}.",
        mending=(
            "Follow the signal from the processor through cable and amplifier to the loudspeaker, and "
            "mend it where it ends, with the amplifier off."
        ),
    ),
    "wiring.swapped": PlainFinding(
        was="Sounds came from the wrong place ({channels}): most likely their cables were exchanged.",
        now="Sounds come from the wrong place ({channels}): most likely their cables are exchanged.",
        mending="Put the cables right at the processor or the amplifier, with the amplifier off.",
    ),
    "measurement.inverted": PlainFinding(
        was=(
            "The measurement itself was upside down, which is no fault of the cinema; each loudspeaker "
            "was judged against the others."
        ),
        now=(
            "The measurement itself is upside down, which is no fault of the cinema; each loudspeaker "
            "is judged against the others."
        ),
        mending="Correct the microphone's cable or input, and measure one loudspeaker again.",
    ),
    "wiring.polarity": PlainFinding(
        was=(
            "The wrong way round, most likely in the wiring: {channels}. Such a loudspeaker pulls when "
            "the others push; voices and music lose their place and sound hollow."
        ),
        now=(
            "The wrong way round, most likely in the wiring: {channels}. Such a loudspeaker pulls when "
            "the others push; voices and music lose their place and sound hollow."
        ),
        mending="Exchange the two wires at one end of the cable, with the amplifier off.",
    ),
    "settings.polarity": PlainFinding(
        was=(
            "Set the wrong way round in the processor: {channels}. Such a loudspeaker pulls when the "
            "others push; voices and music lose their place and sound hollow."
        ),
        now=(
            "Set the wrong way round in the processor: {channels}. Such a loudspeaker pulls when the "
            "others push; voices and music lose their place and sound hollow."
        ),
        mending="Set its polarity to normal in the processor.",
    ),
    "wiring.tweeter": PlainFinding(
        was=(
            "Almost no high tones came from {channels}: most likely the tweeter, the small driver for "
            "them, did not play."
        ),
        now=(
            "Almost no high tones come from {channels}: most likely the tweeter, the small driver for "
            "them, does not play."
        ),
        mending=(
            "Check that nothing covers it, then, with the amplifier off, its connections; if they are "
            "sound, have the tweeter replaced."
        ),
    ),
    "wiring.woofer": PlainFinding(
        was=(
            "Almost no low tones came from {channels}: most likely the woofer, the large driver for "
            "them, did not play."
        ),
        now=(
            "Almost no low tones come from {channels}: most likely the woofer, the large driver for "
            "them, does not play."
        ),
        mending=("Check its connections, with the amplifier off; if they are sound, have the woofer replaced."),
    ),
    "measurement.clipped": PlainFinding(
        was=(
            "Some test recordings were too loud for the measuring input and are left out; that says "
            "nothing about the cinema."
        ),
        now=(
            "Some test recordings were too loud for the measuring input and are left out; that says "
            "nothing about the cinema."
        ),
        mending="Measure these again with the input turned down.",
    ),
    "settings.unit": PlainFinding(
        was="{title}: sounds that belong together came apart.",
        now="{title}: sounds that belong together come apart.",
        mending="Type in the distances that this record proposes under Settings.",
    ),
    "settings.sub-latency": PlainFinding(
        was=("The bass of {channels} came late, after the other loudspeakers, which takes away its punch."),
        now=("The bass of {channels} comes late, after the other loudspeakers, which takes away its punch."),
        mending=(
            "Set its distance or delay so that its sound comes in time, then fine-tune it together with"
            " the front loudspeakers."
        ),
    ),
    "settings.arrival": PlainFinding(
        was="Not heard at the time the distance says, which blurs where sounds come from: {channels}.",
        now="Not heard at the time the distance says, which blurs where sounds come from: {channels}.",
        mending="Measure its distance again and look for a second delay on the way to it.",
    ),
    "settings.reference": PlainFinding(
        was=(
            "All loudspeakers alike were louder or softer than the reference; that may have been the "
            "volume of the day."
        ),
        now=("All loudspeakers alike are louder or softer than the reference; that may be the volume of the day."),
        mending="Set the volume to its reference and read again before any setting is changed.",
    ),
    "settings.trims": PlainFinding(
        was="Too loud or too soft against the rest: {channels}.",
        now="Too loud or too soft against the rest: {channels}.",
        mending="Type in the trims that this record proposes under Settings.",
    ),
    "settings.trim-range": PlainFinding(
        was=("Not to be set right in the processor alone, because its loudness control is at its end: {channels}."),
        now=("Not to be set right in the processor alone, because its loudness control is at its end: {channels}."),
        mending="Change the level control of its amplifier until the processor's own comes off its stop.",
    ),
    "settings.channel-level": PlainFinding(
        was="Louder or softer than the partner, at every seat: {channels}.",
        now="Louder or softer than the partner, at every seat: {channels}.",
        mending="Correct its loudness in the processor.",
    ),
    "measurement.gain": PlainFinding(
        was=("The microphone's sensitivity moved during the measurement ({seats}); loudness there is not judged."),
        now=("The microphone's sensitivity moved during the measurement ({seats}); loudness there is not judged."),
        mending="Measure there again.",
    ),
    "room.null": PlainFinding(
        was="Part of the deep bass was missing ({seats}): there sound waves cancel each other.",
        now="Part of the deep bass is missing ({seats}): there sound waves cancel each other.",
        mending="Move the seat or a subwoofer; turning up the bass cannot fill such a hole.",
    ),
    "room.bass-differs": PlainFinding(
        was=("Deep bass differed from seat to seat by more than it should; farthest from the rest: {seats}."),
        now=("Deep bass differs from seat to seat by more than it should; farthest from the rest: {seats}."),
        mending=(
            "Set the subwoofers against each other for all seats; the rest depends on their number and "
            "places, and on where one sits."
        ),
    ),
    "measurement.noise": PlainFinding(
        was="Some test recordings were made while the room was too noisy, and tell little.",
        now="Some test recordings were made while the room was too noisy, and tell little.",
        mending="Measure these again when it is quiet.",
    ),
}
