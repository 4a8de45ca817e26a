"""What a finding means to the homeowner, by its id: what was or is wrong, what it does, and what mending it takes.

Places: {channels} and {seats} are names, {title} the finding's own title. A finding without an entry is described by its
own title and remedy.
"""

from __future__ import annotations

from typing import NamedTuple

SERIOUS = "serious"
CLEAR = "clearly audible"
SLIGHT = "audible to an attentive listener"
UNKNOWN = "not known until it is measured again"
INSTALLER, ANYBODY = "an installer", "you or an installer"


class PlainFinding(NamedTuple):
    """One kind of finding in plain words, each a sentence but for the last two."""

    was: str
    now: str
    notice: str
    """What is heard of it."""
    mending: str
    severity: str
    who: str = INSTALLER


def _measuring(text: str) -> PlainFinding:
    """A mistake of the measurement, which says nothing about the cinema."""
    return PlainFinding(
        was=f"{text} The affected recordings are not used; this is not a fault of the cinema.",
        now=f"{text} The affected recordings are not used; this is not a fault of the cinema.",
        notice="nothing; it concerns the measurement alone.",
        mending="Measure these again.",
        severity=UNKNOWN,
    )


PLAIN_FINDINGS: dict[str, PlainFinding] = {
    "settings.lip-sync": PlainFinding(
        was="Sound and picture were out of step: {title}.",
        now="Sound and picture are out of step: {title}.",
        notice="lips and voices do not match.",
        mending="Set the delay of the sound in processor and source.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "room.seats-off-centre": PlainFinding(
        was="The seats were not in line with the centre of the screen.",
        now="The seats are not in line with the centre of the screen.",
        notice="voices and effects lean to one side of the picture.",
        mending="Move the seats so that their middle faces the centre of the screen.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "room.inside-heads": PlainFinding(
        was="{channels} did not stand outside all seats.",
        now="{channels} do not stand outside all seats.",
        notice="whoever sits at that side hears sounds of one side from the other.",
        mending="Move the loudspeaker outward, or the seats closer together.",
        severity=CLEAR,
    ),
    "room.front-heights": PlainFinding(
        was="{channels} did not hang just ahead of the front row.",
        now="{channels} do not hang just ahead of the front row.",
        notice="sounds from above come from the wrong place in the front row.",
        mending="Hang them just ahead of the front row; that is for a licensed trade.",
        severity=SLIGHT,
    ),
    "room.rear-heights": PlainFinding(
        was="{channels} did not hang just behind the back row.",
        now="{channels} do not hang just behind the back row.",
        notice="sounds from above come from the wrong place in the back row.",
        mending="Hang them just behind the back row; that is for a licensed trade.",
        severity=SLIGHT,
    ),
    "room.sight": PlainFinding(
        was="At {seats}, the head in front was in the way of {channels}.",
        now="At {seats}, the head in front is in the way of {channels}.",
        notice="voices are duller at that seat.",
        mending="Raise the loudspeaker or the seat behind, or lower the seat in front.",
        severity=SLIGHT,
    ),
    "room.reverberation": PlainFinding(
        was="The room was too reverberant.",
        now="The room is too reverberant.",
        notice="voices blur, and loud scenes run together.",
        mending="Add carpet, curtains, upholstered furniture or absorbing panels.",
        severity=CLEAR,
        who="the owner, or a builder",
    ),
    "room.seat-back": PlainFinding(
        was="At {seats}, a seat's back was in the way of {channels}.",
        now="At {seats}, a seat's back is in the way of {channels}.",
        notice="sounds from there are duller at that seat.",
        mending="Raise the loudspeaker, or lower the back of the seat.",
        severity=SLIGHT,
    ),
    "room.obstacle": PlainFinding(
        was="At {seats}, an obstacle was in the way of {channels}.",
        now="At {seats}, an obstacle is in the way of {channels}.",
        notice="sounds from there are duller at that seat.",
        mending="Move the loudspeaker, the seat or the obstacle.",
        severity=SLIGHT,
    ),
    "room.aim": PlainFinding(
        was="{channels} did not point at every seat.",
        now="{channels} do not point at every seat.",
        notice="high tones from there are weaker at the other seats.",
        mending="Turn these loudspeakers toward the middle of the seats.",
        severity=SLIGHT,
    ),
    "room.boomy": PlainFinding(
        was="{seats} heard far more bass than the other seats, near the wall behind.",
        now="{seats} hears far more bass than the other seats, near the wall behind.",
        notice="bass is boomy there and covers voices.",
        mending="Move the seat forward, or put bass absorbers at the wall behind it.",
        severity=SLIGHT,
        who="the owner, or a builder",
    ),
    "room.seat-wall": PlainFinding(
        was="{seats} stood right at a wall.",
        now="{seats} stand right at a wall.",
        notice="bass is boomy and voices sound coloured at that seat.",
        mending="Move the seat away from the wall.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "room.noise": PlainFinding(
        was="The room itself was not quiet: {title}.",
        now="The room itself is not quiet: {title}.",
        notice="quiet scenes and soft dialogue drown in a steady noise.",
        mending="Quieten the source: slower or better mounted ventilation, seals at doors and windows.",
        severity=CLEAR,
        who="the ventilation trade or a builder",
    ),
    "wiring.equipment-noise": PlainFinding(
        was="The equipment was too loud: {title}.",
        now="The equipment is too loud: {title}.",
        notice="fans or hiss are heard in quiet scenes.",
        mending="Move the equipment away from the seats, or clean and slow its fans.",
        severity=CLEAR,
    ),
    "measurement.distortion": PlainFinding(
        was="Nearly all recordings were distorted, likely by the microphone or the player.",
        now="Nearly all recordings are distorted, likely by the microphone or the player.",
        notice="perhaps nothing: it is not known whether the loudspeakers distort.",
        mending="Record all loudspeakers again with less gain at the microphone.",
        severity=UNKNOWN,
    ),
    "wiring.doubled": PlainFinding(
        was="{channels} also came from another loudspeaker, so that its sounds did not stay in their place.",
        now="{channels} also comes from another loudspeaker, so that its sounds do not stay in their place.",
        notice="sounds from there seem to come from between two loudspeakers.",
        mending="Give each loudspeaker its own output, or repair the setting or cable that joins the two.",
        severity=CLEAR,
    ),
    "settings.upmix": PlainFinding(
        was="A surround mode was on: sounds of one loudspeaker also came from others.",
        now="A surround mode is on: sounds of one loudspeaker also come from others.",
        notice="sounds do not stay in their place, and voices seem to come from all around.",
        mending="Switch surround modes and all-channel modes off, then measure again.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "wiring.channel-hum": PlainFinding(
        was="{channels} hummed although nothing was playing.",
        now="{channels} hums although nothing is playing.",
        notice="a low tone in quiet scenes.",
        mending="Remove the ground loop between the devices, or isolate the signal cable.",
        severity=CLEAR,
    ),
    "wiring.channel-noise": PlainFinding(
        was="{channels} made a noise of its own although nothing was playing.",
        now="{channels} makes a noise of its own although nothing is playing.",
        notice="a hiss in quiet scenes.",
        mending="Lower the gain of its amplifier, or replace what hisses.",
        severity=SLIGHT,
    ),
    "wiring.compression": PlainFinding(
        was="{channels} did not get as loud as the others when the volume was raised; likely a limiter or its amplifier.",
        now="{channels} does not get as loud as the others when the volume is raised; likely a limiter or its amplifier.",
        notice="loud scenes lack force from there.",
        mending="Find the limiter or the gain that stops it, or accept that level as the largest.",
        severity=SLIGHT,
    ),
    "wiring.distortion": PlainFinding(
        was="{channels} was distorted; likely its driver or its amplifier.",
        now="{channels} is distorted; likely its driver or its amplifier.",
        notice="voices and music sound harsh or strained from there.",
        mending="Lower the gain before the stage that clips, or replace the driver.",
        severity=CLEAR,
    ),
    "room.rattle": PlainFinding(
        was="Something in the room rattled on a low tone.",
        now="Something in the room rattles on a low tone.",
        notice="a buzz on some bass notes.",
        mending="Find what rattles with a steady low tone, and fasten or damp it.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "wiring.rattle": PlainFinding(
        was="{channels}, or something near it, rattled on a low tone.",
        now="{channels}, or something near it, rattles on a low tone.",
        notice="a buzz on some bass notes.",
        mending="Fasten or damp what rattles; have the driver checked if it is the driver.",
        severity=CLEAR,
    ),
    "wiring.hum": PlainFinding(
        was="Something hummed in quiet scenes: {title}.",
        now="Something hums in quiet scenes: {title}.",
        notice="a low hum in quiet scenes, and when nothing plays.",
        mending="Find the cable that closes a loop between two outlets; mains wiring is for a licensed trade.",
        severity=CLEAR,
    ),
    "room.speech": PlainFinding(
        was="Speech was hard to understand at {seats}.",
        now="Speech is hard to understand at {seats}.",
        notice="you turn the volume up to follow the dialogue.",
        mending="Remove what costs most: noise at its source, reverberation by carpet, curtains or panels.",
        severity=SERIOUS,
    ),
    "wiring.silent": PlainFinding(
        was="No sound came from {channels}.",
        now="No sound comes from {channels}.",
        notice="everything meant for that direction is missing.",
        mending=(
            "Follow the signal from the processor through cable and amplifier to the loudspeaker, with the amplifier "
            "off, and repair what interrupts it."
        ),
        severity=SERIOUS,
    ),
    "wiring.swapped": PlainFinding(
        was="{channels} were most likely connected to each other's outputs, so sounds came from the wrong place.",
        now="{channels} are most likely connected to each other's outputs, so sounds come from the wrong place.",
        notice="a voice or an effect comes from a place where nothing happens on the screen.",
        mending="Exchange the cables at the processor or the amplifier, with the amplifier off.",
        severity=SERIOUS,
    ),
    "wiring.swap-or-files": PlainFinding(
        was=(
            "{channels} were recorded at each other's times: either they were connected to each other's outputs, or two "
            "recordings were exchanged. Which of the two is not known."
        ),
        now=(
            "{channels} were recorded at each other's times: either they are connected to each other's outputs, or two "
            "recordings were exchanged. Which of the two is not known."
        ),
        notice="if the cables are exchanged, sounds come from the wrong place.",
        mending="Listen which of the two plays; then exchange the cables, with the amplifier off, or measure both again.",
        severity=CLEAR,
    ),
    "wiring.polarity": PlainFinding(
        was=(
            "The two wires of {channels} were most likely exchanged: such a loudspeaker pulls when the others push, and "
            "voices and music sound hollow."
        ),
        now=("The two wires of {channels} are most likely exchanged: such a loudspeaker pulls when the others push."),
        notice="voices and music sound hollow and come from no clear place.",
        mending="Exchange the two wires at one end of the cable, with the amplifier off.",
        severity=CLEAR,
    ),
    "wiring.pair-polarity": PlainFinding(
        was="One of {channels} was most likely connected the wrong way round; which one was not determined.",
        now="One of {channels} is most likely connected the wrong way round; which one is not determined.",
        notice="what both play sounds hollow and comes from no clear place.",
        mending="Compare the wires of both at the amplifier and at the loudspeaker, with the amplifier off.",
        severity=CLEAR,
    ),
    "wiring.driver-polarity": PlainFinding(
        was="Inside {channels} one driver was most likely connected the wrong way round.",
        now="Inside {channels} one driver is most likely connected the wrong way round.",
        notice="a part of the sound between its low and its high tones is weak.",
        mending="Have the connections of the drivers inside the loudspeaker checked.",
        severity=CLEAR,
    ),
    "wiring.tweeter": PlainFinding(
        was="Almost no high tones came from {channels}: most likely the small driver for them did not play.",
        now="Almost no high tones come from {channels}: most likely the small driver for them does not play.",
        notice="that side sounds dull.",
        mending=(
            "Check that nothing covers it, then, with the amplifier off, its connections; if they are sound, have the "
            "driver replaced."
        ),
        severity=CLEAR,
    ),
    "wiring.midrange": PlainFinding(
        was="Almost no middle tones came from {channels}: most likely the driver for them did not play.",
        now="Almost no middle tones come from {channels}: most likely the driver for them does not play.",
        notice="voices are weak on that side.",
        mending="Check its connections, with the amplifier off; if they are sound, have the driver replaced.",
        severity=CLEAR,
    ),
    "wiring.woofer": PlainFinding(
        was="Almost no low tones came from {channels}: most likely the large driver for them did not play.",
        now="Almost no low tones come from {channels}: most likely the large driver for them does not play.",
        notice="that side sounds thin.",
        mending="Check its connections, with the amplifier off; if they are sound, have the driver replaced.",
        severity=CLEAR,
    ),
    "wiring.level-lost": PlainFinding(
        was="{channels} had become much quieter since the earlier visit; likely a driver, a cable or an amplifier failed.",
        now="{channels} has become much quieter since the earlier visit; likely a driver, a cable or an amplifier failed.",
        notice="sounds from that direction are weak or missing.",
        mending="Check driver, cable and amplifier, with the amplifier off, before any setting is changed.",
        severity=CLEAR,
    ),
    "settings.polarity": PlainFinding(
        was=(
            "{channels} most likely had the wrong polarity setting in the processor: such a loudspeaker pulls when the "
            "others push, and voices and music sounded hollow."
        ),
        now=(
            "{channels} most likely has the wrong polarity setting in the processor: such a loudspeaker pulls when the "
            "others push."
        ),
        notice="voices and music sound hollow and come from no clear place.",
        mending="Set its polarity to normal in the processor.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.unit": PlainFinding(
        was="Most likely {title}: sounds that belong together arrived one after the other.",
        now="Most likely {title}: sounds that belong together arrive one after the other.",
        notice="sounds blur, and come from the wrong direction.",
        mending="Enter the distances that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.delays-off": PlainFinding(
        was="Most likely the delays of the loudspeakers were switched off, so near ones were heard before far ones.",
        now="Most likely the delays of the loudspeakers are switched off, so near ones are heard before far ones.",
        notice="sounds are drawn to the nearest loudspeaker.",
        mending="Switch the delays on and enter the distances that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.delay-sign": PlainFinding(
        was="Most likely the delays were set the wrong way round: near loudspeakers were heard too early.",
        now="Most likely the delays are set the wrong way round: near loudspeakers are heard too early.",
        notice="sounds are drawn to the nearest loudspeaker.",
        mending="Enter the settings that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.distance": PlainFinding(
        was="The distance setting of {channels} was most likely wrong, so it was heard too early or too late.",
        now="The distance setting of {channels} is most likely wrong, so it is heard too early or too late.",
        notice="it is unclear where sounds come from.",
        mending="Enter the setting that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.not-as-set": PlainFinding(
        was="{channels} changed otherwise than its settings did, likely because a value was typed wrongly.",
        now="{channels} changed otherwise than its settings did, likely because a value was typed wrongly.",
        notice="loudness or timing is not as it was meant to be.",
        mending="Compare the processor with the settings sheet, enter what differs, and measure again.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "settings.swap-or-distance": PlainFinding(
        was=(
            "{channels} were heard at each other's times: either they were connected to each other's outputs, or both of "
            "their distance settings were wrong. Which of the two is not known."
        ),
        now=(
            "{channels} are heard at each other's times: either they are connected to each other's outputs, or both of "
            "their distance settings are wrong. Which of the two is not known."
        ),
        notice="sounds come from the wrong place, or it is blurred where they come from.",
        mending="Listen which of the two loudspeakers plays; then exchange their cables, or correct both settings.",
        severity=CLEAR,
    ),
    "settings.sub-latency": PlainFinding(
        was=(
            "The bass of {channels} did not come together with the other loudspeakers, most likely because its setting "
            "leaves out the delays that loudspeakers have of their own."
        ),
        now=(
            "The bass of {channels} does not come together with the other loudspeakers, most likely because its setting "
            "leaves out the delays that loudspeakers have of their own."
        ),
        notice="the bass has no punch.",
        mending="Enter the setting that this record proposes, then fine-tune it together with the front loudspeakers.",
        severity=CLEAR,
    ),
    "settings.arrival": PlainFinding(
        was="The sound of {channels} did not arrive at the time set for it; its setting or its distance is likely wrong.",
        now="The sound of {channels} does not arrive at the time set for it; its setting or its distance is likely wrong.",
        notice="it is unclear where sounds come from.",
        mending="Measure its distance again and look for a second delay on the way to it.",
        severity=SLIGHT,
    ),
    "settings.reference": PlainFinding(
        was="All loudspeakers together were louder or quieter than the reference, likely because of the volume setting.",
        now="All loudspeakers together are louder or quieter than the reference, likely because of the volume setting.",
        notice="only that the volume differs from the usual one.",
        mending="Set the volume to its reference and read again before any setting is changed.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "settings.dialogue-level": PlainFinding(
        was="Dialogue was quiet: {channels} was too quiet beside the other front ones, likely because of its setting.",
        now="Dialogue is quiet: {channels} is too quiet beside the other front ones, likely because of its setting.",
        notice="voices are hard to follow unless the volume is turned up.",
        mending="Enter the trim that this record proposes for it under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.trims": PlainFinding(
        was="The loudness of {channels} did not fit the others; likely the trims were not set by measurement.",
        now="The loudness of {channels} does not fit the others; likely the trims are not set by measurement.",
        notice="sounds from some directions are too loud or too quiet.",
        mending="Enter the trims that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.trim-range": PlainFinding(
        was=(
            "The trim of {channels} was at the end of its range, likely because the level control of its amplifier is set "
            "too high or too low."
        ),
        now=(
            "The trim of {channels} is at the end of its range, likely because the level control of its amplifier is set "
            "too high or too low."
        ),
        notice="nothing, or a loudspeaker that is too loud or too quiet.",
        mending="Change the level control of its amplifier until the trim is back inside its range.",
        severity=SLIGHT,
    ),
    "settings.channel-level": PlainFinding(
        was="{channels} was louder or quieter than its partner at every seat; the cause is likely its setting.",
        now="{channels} is louder or quieter than its partner at every seat; the cause is likely its setting.",
        notice="sounds lean to one side.",
        mending="Correct its loudness in the processor.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.bass-management": PlainFinding(
        was="{channels} likely played the deep bass itself, which the subwoofers were meant to play.",
        now="{channels} likely plays the deep bass itself, which the subwoofers are meant to play.",
        notice="the bass is boomy at every seat.",
        mending="Set its crossover in the processor.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.bass": PlainFinding(
        was="{channels} did not change as set: likely a setting of the bass was entered differently.",
        now="{channels} did not change as set: likely a setting of the bass is entered differently.",
        notice="the bass differs more from seat to seat than it needs to.",
        mending="Enter its settings again as the settings sheet says, and measure it again.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "room.row-null": PlainFinding(
        was="Part of the deep bass was missing in a row of seats ({seats}): likely sound waves cancelled each other there.",
        now="Part of the deep bass is missing in a row of seats ({seats}): likely sound waves cancel each other there.",
        notice="some bass notes are weak or missing there.",
        mending="Move the row or a subwoofer; turning up the bass cannot fill such a gap.",
        severity=CLEAR,
    ),
    "room.reflection": PlainFinding(
        was="A hard surface likely reflected the sound of {channels} too strongly ({seats}).",
        now="A hard surface likely reflects the sound of {channels} too strongly ({seats}).",
        notice="voices sound coloured or come from no clear place.",
        mending="Put sound-absorbing material or a bookcase where the sound is reflected.",
        severity=SLIGHT,
    ),
    "room.blocked": PlainFinding(
        was="Something was likely in the way between {channels} and one seat ({seats}).",
        now="Something is likely in the way between {channels} and one seat ({seats}).",
        notice="the loudspeaker sounds dull at that seat.",
        mending="Clear the way from the loudspeaker to the ears, or move one of them.",
        severity=SLIGHT,
    ),
    "room.null": PlainFinding(
        was="Part of the deep bass was missing ({seats}): likely sound waves cancelled each other there.",
        now="Part of the deep bass is missing ({seats}): likely sound waves cancel each other there.",
        notice="some bass notes are weak or missing there.",
        mending="Move the seat or a subwoofer; turning up the bass cannot fill such a gap.",
        severity=CLEAR,
    ),
    "room.bass-differs": PlainFinding(
        was="Deep bass differed from seat to seat by more than it should, most at {seats}; likely because of the room.",
        now="Deep bass differs from seat to seat by more than it should, most at {seats}; likely because of the room.",
        notice="the bass is boomy at one seat and thin at another.",
        mending=(
            "Adjust the subwoofers together for all seats; other positions of subwoofers or seats may help more."
        ),
        severity=CLEAR,
    ),
    "measurement.clipped": PlainFinding(
        was="Some recordings were likely too loud for the measuring input and are not used; it is no fault of the cinema.",
        now="Some recordings were likely too loud for the measuring input and are not used; it is no fault of the cinema.",
        notice="nothing; it concerns the measurement alone.",
        mending="Measure these again with the input turned down.",
        severity=UNKNOWN,
    ),
    "measurement.normalised": _measuring(
        "The measurements were stored without their levels, so that loudness could not be compared from them."
    ),
    "measurement.not-played": _measuring(
        "Nothing was recorded of {channels} at {seats}, most likely because it was not played."
    ),
    "measurement.seats-exchanged": PlainFinding(
        was="The measurements of two seats were stored under each other's names: {seats}.",
        now="The measurements of two seats are stored under each other's names: {seats}.",
        notice="nothing: this concerns the measurement, not the cinema.",
        mending="Store them under the right names, or measure there again.",
        severity=UNKNOWN,
    ),
    "measurement.microphone-not-moved": PlainFinding(
        was="A measurement named {seats} was most likely made at another seat.",
        now="A measurement named {seats} was most likely made at another seat.",
        notice="nothing: this concerns the measurement, not the cinema.",
        mending="Measure at {seats} again.",
        severity=UNKNOWN,
    ),
    "measurement.wrong-channel": PlainFinding(
        was="Measurements at {seats} were stored under the wrong loudspeaker: {channels}.",
        now="Measurements at {seats} are stored under the wrong loudspeaker: {channels}.",
        notice="nothing: this concerns the measurement, not the cinema.",
        mending="Store them under the right names, or measure them again.",
        severity=UNKNOWN,
    ),
    "measurement.clock": PlainFinding(
        was="Measurements at {seats} did not share a time base, so their timing is not used.",
        now="Measurements at {seats} do not share a time base, so their timing is not used.",
        notice="nothing: this concerns the measurement, not the cinema.",
        mending="Measure again with a common time base.",
        severity=UNKNOWN,
    ),
    "measurement.gain": PlainFinding(
        was="The microphone's gain likely changed during the measurement ({seats}); loudness there is not checked.",
        now="The microphone's gain likely changed during the measurement ({seats}); loudness there is not checked.",
        notice="nothing; it concerns the measurement alone.",
        mending="Measure there again.",
        severity=UNKNOWN,
    ),
    "measurement.same-recording": _measuring("One recording was likely used twice ({seats})."),
    "measurement.bass-place": PlainFinding(
        was="The deep bass was not as predicted at {seats}, likely because the microphone stood elsewhere than before.",
        now="The deep bass is not as predicted at {seats}, likely because the microphone stood elsewhere than before.",
        notice="nothing certain; it may concern the measurement alone.",
        mending="Measure there again.",
        severity=UNKNOWN,
    ),
    "measurement.reference": _measuring("Some recordings likely had a different reference level."),
    "measurement.microphone": _measuring("The microphone likely measured differently at one seat ({seats})."),
    "measurement.interference": _measuring("Noise likely disturbed some recordings ({seats})."),
    "measurement.noise": PlainFinding(
        was="Some recordings were likely made while the room was too noisy, so they show little.",
        now="Some recordings were likely made while the room was too noisy, so they show little.",
        notice="nothing; it concerns the measurement alone.",
        mending="Measure these again when it is quiet.",
        severity=UNKNOWN,
    ),
}
