"""The meaning of a finding for the homeowner, by its id: what was or is wrong, its effect, and what mending it takes.

Places: {channels} and {seats} are names, {title} the finding's own title. A finding without an entry is described by its
own title and remedy.
"""

from __future__ import annotations

import re
from typing import NamedTuple

SERIOUS = "serious"
CLEAR = "clearly audible"
SLIGHT = "audible to an attentive listener"
UNKNOWN = "not known until it is measured again"
INSTALLER, ANYBODY = "an installer", "you or an installer"

_FORMS = r"\[([^\]]*)\]"


class PlainFinding(NamedTuple):
    """One kind of finding in plain words, each a sentence except the last two."""

    text: str
    """What is wrong; words that depend on tense are in brackets, the past first, then as many for several channels if these
    differ: "[was|is]", "[was|is|were|are]"."""
    notice: str
    """Its audible effect."""
    mending: str
    severity: str
    who: str = INSTALLER

    def sentence(self, *, past: bool, several: bool) -> str:
        """What was or is wrong with one channel or several."""

        def form(match: re.Match[str]) -> str:
            forms = match[1].split("|")
            return forms[(0 if past else 1) + (2 if several and len(forms) == 4 else 0)]

        return re.sub(_FORMS, form, self.text)


def _measuring(text: str, mending: str = "Measure these again.", *, in_part: bool = False) -> PlainFinding:
    """A mistake of the measurement, which says nothing about the cinema; `in_part`: the recordings are still used."""
    use = "" if in_part else " The affected recordings are not used; this is not a fault of the cinema."
    return PlainFinding(
        text=text + use, notice="nothing; it concerns the measurement alone.", mending=mending, severity=UNKNOWN
    )


PLAIN_FINDINGS: dict[str, PlainFinding] = {
    "settings.lip-sync": PlainFinding(
        text="Sound and picture [were|are] likely out of step: {title}.",
        notice="lips and voices do not match.",
        mending="Set the delay of the sound in processor and source.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "room.seats-off-centre": PlainFinding(
        text="By the entered positions, the seats [were|are] not in line with the centre of the screen.",
        notice="voices and effects lean to one side of the picture.",
        mending="Move the seats so that their middle faces the centre of the screen.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "room.inside-heads": PlainFinding(
        text="By the entered positions, {channels} [did|does|did|do] not stand outside all seats.",
        notice="whoever sits at that side hears sounds of one side from the other.",
        mending="Move the loudspeaker outward, or the seats closer together.",
        severity=CLEAR,
    ),
    "room.front-heights": PlainFinding(
        text="By the entered positions, {channels} [did|does|did|do] not hang just ahead of the front row.",
        notice="sounds from above come from the wrong place in the front row.",
        mending="Hang them just ahead of the front row; that is for a licensed trade.",
        severity=SLIGHT,
    ),
    "room.rear-heights": PlainFinding(
        text="By the entered positions, {channels} [did|does|did|do] not hang just behind the back row.",
        notice="sounds from above come from the wrong place in the back row.",
        mending="Hang them just behind the back row; that is for a licensed trade.",
        severity=SLIGHT,
    ),
    "room.sight": PlainFinding(
        text="By the entered positions, the head in front [was|is] in the way of {channels} at {seats}.",
        notice="voices are duller at that seat.",
        mending="Raise the loudspeaker or the seat behind, or lower the seat in front.",
        severity=SLIGHT,
    ),
    "room.reverberation": PlainFinding(
        text="The room [was|is] likely too reverberant.",
        notice="voices blur, and loud scenes run together.",
        mending="Add carpet, curtains, upholstered furniture or absorbing panels.",
        severity=CLEAR,
        who="the owner, or a builder",
    ),
    "room.bass-decay": PlainFinding(
        text="Bass likely [rang|rings] in the room for too long.",
        notice="bass notes run together and boom.",
        mending="Add absorbers for the bass.",
        severity=CLEAR,
        who="a builder",
    ),
    "room.seat-back": PlainFinding(
        text="By the entered positions, a seat's back [was|is] in the way of {channels} at {seats}.",
        notice="sounds from there are duller at that seat.",
        mending="Raise the loudspeaker, or lower the back of the seat.",
        severity=SLIGHT,
    ),
    "room.obstacle": PlainFinding(
        text="By the entered positions, an obstacle [was|is] in the way of {channels} at {seats}.",
        notice="sounds from there are duller at that seat.",
        mending="Move the loudspeaker, the seat or the obstacle.",
        severity=SLIGHT,
    ),
    "room.aim": PlainFinding(
        text="By the entered positions, {channels} [did|does|did|do] not point at every seat.",
        notice="high tones from there are weaker at the other seats.",
        mending="Turn these loudspeakers toward the middle of the seats.",
        severity=SLIGHT,
    ),
    "room.direction": PlainFinding(
        text=(
            "By the entered positions, {channels} [was|is|were|are] outside the directions that the standard gives, seen "
            "from some seats."
        ),
        notice="sounds come from other directions there than they were mixed for.",
        mending="Move these loudspeakers into the range, or keep them where they are.",
        severity=SLIGHT,
    ),
    "room.boomy": PlainFinding(
        text="Far more bass [was|is] heard at {seats} than at the other seats, likely because of the wall behind.",
        notice="bass is boomy there and covers voices.",
        mending="Move the seat forward, or put bass absorbers at the wall behind it.",
        severity=SLIGHT,
        who="the owner, or a builder",
    ),
    "room.seat-wall": PlainFinding(
        text="By the entered positions, a wall [was|is] right at {seats}.",
        notice="bass is boomy and voices sound coloured at that seat.",
        mending="Move the seat away from the wall.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "room.noise": PlainFinding(
        text="The room [was|is] not quiet, likely because of the building or its ventilation: {title}.",
        notice="quiet scenes and soft dialogue drown in a steady noise.",
        mending="Quieten the source: slower or better mounted ventilation, seals at doors and windows.",
        severity=CLEAR,
        who="the ventilation trade or a builder",
    ),
    "wiring.equipment-noise": PlainFinding(
        text="The room [was|is] not quiet, likely because of the equipment: {title}.",
        notice="fans or hiss are heard in quiet scenes.",
        mending="Move the equipment away from the seats, or clean and slow its fans.",
        severity=CLEAR,
    ),
    "measurement.distortion": PlainFinding(
        text="Nearly all recordings [were|are] distorted, likely by the microphone or the player.",
        notice="perhaps nothing: it is not known whether the loudspeakers distort.",
        mending="Record all loudspeakers again with less gain at the microphone.",
        severity=UNKNOWN,
    ),
    "wiring.one-loudspeaker": PlainFinding(
        text="{channels} [came|come] from one and the same loudspeaker, unless one recording was stored for both.",
        notice="sounds come from the wrong place, and one loudspeaker [stayed|stays] silent.",
        mending="Listen to each; where both sound from one, give each its own output in the processor and its own cable.",
        severity=CLEAR,
    ),
    "wiring.doubled": PlainFinding(
        text=(
            "{channels} likely also [came|comes|came|come] from another loudspeaker: sounds [did|do] not stay in their "
            "place."
        ),
        notice="sounds from there seem to come from between two loudspeakers.",
        mending="Give each loudspeaker its own output, or repair the setting or cable that joins the two.",
        severity=CLEAR,
    ),
    "settings.upmix": PlainFinding(
        text="A surround mode [was|is] likely on: sounds of one loudspeaker also [came|come] from others.",
        notice="sounds do not stay in their place, and voices seem to come from all around.",
        mending="Switch surround modes and all-channel modes off, then measure again.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "wiring.channel-hum": PlainFinding(
        text="{channels} [hummed|hums|hummed|hum] although nothing [was|is] playing, likely because of a ground loop.",
        notice="a low tone in quiet scenes.",
        mending="Remove the ground loop between the devices, or isolate the signal cable.",
        severity=CLEAR,
    ),
    "wiring.channel-noise": PlainFinding(
        text="{channels} likely [made|makes|made|make] a noise although nothing [was|is] playing.",
        notice="a hiss in quiet scenes.",
        mending="Lower the gain of its amplifier, or replace what hisses.",
        severity=SLIGHT,
    ),
    "wiring.compression": PlainFinding(
        text=(
            "When the volume [was|is] raised, {channels} [did|does|did|do] not rise as much; likely a limiter, or "
            "what amplifier or loudspeaker can do."
        ),
        notice="loud scenes lack force from there.",
        mending="Find the limiter or the gain that stops it, or accept that level as the largest.",
        severity=SLIGHT,
    ),
    "wiring.distortion": PlainFinding(
        text="{channels} [was|is|were|are] distorted; likely a driver or an amplifier.",
        notice="voices and music sound harsh or strained from there.",
        mending="Lower the gain before the stage that clips, or replace the driver.",
        severity=CLEAR,
    ),
    "room.rattle": PlainFinding(
        text="Something in the room likely [rattled|rattles] on a low tone.",
        notice="a buzz on some bass notes.",
        mending="Find what rattles with a steady low tone, and fasten or damp it.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "wiring.rattle": PlainFinding(
        text="{channels}, or something near [it|it|them|them], likely [rattled|rattles|rattled|rattle] on a low tone.",
        notice="a buzz on some bass notes.",
        mending="Fasten or damp what rattles; have the driver checked if it is the driver.",
        severity=CLEAR,
    ),
    "wiring.hum": PlainFinding(
        text="A hum [was|is] audible in quiet scenes, likely from a ground loop: {title}.",
        notice="a low hum in quiet scenes, and when nothing plays.",
        mending="Find the cable that closes a loop between two outlets; mains wiring is for a licensed trade.",
        severity=CLEAR,
    ),
    "room.speech": PlainFinding(
        text="Speech [was|is] likely hard to understand at {seats}.",
        notice="you turn the volume up to follow the dialogue.",
        mending="Remove the main cause: noise at its source, reverberation by carpet, curtains or panels.",
        severity=SERIOUS,
    ),
    "wiring.silent": PlainFinding(
        text="No sound [was|is] heard from {channels}, likely because of a cable, an amplifier or a setting.",
        notice="everything meant for that direction is missing.",
        mending=(
            "Follow the signal from the processor through cable and amplifier to the loudspeaker, with the amplifier "
            "off, and repair what interrupts it."
        ),
        severity=SERIOUS,
    ),
    "wiring.swapped": PlainFinding(
        text=(
            "{channels} [were|are] most likely connected to each other's outputs, so sounds [came|come] from the "
            "wrong place."
        ),
        notice="a voice or an effect comes from a place where nothing happens on the screen.",
        mending="Exchange the cables at the processor or the amplifier, with the amplifier off.",
        severity=SERIOUS,
    ),
    "wiring.swap-or-files": PlainFinding(
        text=(
            "{channels} were recorded at each other's times: either they [were|are] connected to each other's "
            "outputs, or two recordings were exchanged. Which of the two is not known."
        ),
        notice="if the cables are exchanged, sounds come from the wrong place.",
        mending="Listen which of the two plays; then exchange the cables, with the amplifier off, or measure both again.",
        severity=CLEAR,
    ),
    "wiring.polarity": PlainFinding(
        text=(
            "The two wires of {channels} [were|are] most likely exchanged: such a loudspeaker pulls when the "
            "others push[, and voices and music sound hollow|]."
        ),
        notice="voices and music sound hollow and come from no clear place.",
        mending="Exchange the two wires at one end of the cable, with the amplifier off.",
        severity=CLEAR,
    ),
    "wiring.pair-polarity": PlainFinding(
        text=(
            "One of {channels} [was|is] most likely connected the wrong way round, or a driver inside it [was|is]; "
            "which one [was|is] not determined."
        ),
        notice="what both play sounds hollow and comes from no clear place.",
        mending="Compare the wires of both at the amplifier and at the loudspeaker, with the amplifier off.",
        severity=CLEAR,
    ),
    "wiring.driver-polarity": PlainFinding(
        text="Inside {channels} one driver [was|is] most likely connected the wrong way round.",
        notice="a part of the sound between its low and its high tones is weak.",
        mending="Have the connections of the drivers inside the loudspeaker checked.",
        severity=CLEAR,
    ),
    "wiring.driver-or-mounting": PlainFinding(
        text=(
            "Inside one of {channels} a driver [was|is] likely connected the wrong way round, or one of them [was|is] "
            "mounted upside down. Which of the two is not known."
        ),
        notice="sounds between the two come from no clear place.",
        mending="Look whether both are mounted the same way up; if so, have the connections of their drivers checked.",
        severity=SLIGHT,
    ),
    "wiring.tweeter": PlainFinding(
        text="Almost no high tones [came|come] from {channels}: most likely the small driver for them [did|does] not play.",
        notice="that side sounds dull.",
        mending=(
            "Check that nothing covers it, then, with the amplifier off, its connections; if they are sound, have the "
            "driver replaced."
        ),
        severity=CLEAR,
    ),
    "wiring.midrange": PlainFinding(
        text="Almost no middle tones [came|come] from {channels}: most likely the driver for them [did|does] not play.",
        notice="voices are weak on that side.",
        mending="Check its connections, with the amplifier off; if they are sound, have the driver replaced.",
        severity=CLEAR,
    ),
    "wiring.woofer": PlainFinding(
        text="Almost no low tones [came|come] from {channels}: most likely the large driver for them [did|does] not play.",
        notice="that side sounds thin.",
        mending="Check its connections, with the amplifier off; if they are sound, have the driver replaced.",
        severity=CLEAR,
    ),
    "wiring.level-lost": PlainFinding(
        text=(
            "{channels} [had|has|had|have] become much quieter since the earlier visit; likely a driver, a cable or an "
            "amplifier failed."
        ),
        notice="sounds from that direction are weak or missing.",
        mending="Check driver, cable and amplifier, with the amplifier off, before any setting is changed.",
        severity=CLEAR,
    ),
    "settings.polarity": PlainFinding(
        text=(
            "{channels} most likely [had|has|had|have] the wrong polarity setting in the processor: such a loudspeaker "
            "pulls when the others push[, and voices and music sounded hollow|]."
        ),
        notice="voices and music sound hollow and come from no clear place.",
        mending="Set its polarity to normal in the processor.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.unit": PlainFinding(
        text="Most likely {title}. Sounds that belong together [arrived|arrive] one after the other.",
        notice="sounds blur, and come from the wrong direction.",
        mending="Enter the distances or delays that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.delays-off": PlainFinding(
        text=(
            "Most likely the delays of the loudspeakers [were|are] switched off, so near ones [were|are] heard "
            "before far ones."
        ),
        notice="sounds are drawn to the nearest loudspeaker.",
        mending="Switch the delays on and enter the distances that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.delay-sign": PlainFinding(
        text="Most likely the delays [were|are] set the wrong way round: near loudspeakers [were|are] heard too early.",
        notice="sounds are drawn to the nearest loudspeaker.",
        mending="Enter the settings that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.distance": PlainFinding(
        text="Sound from {channels} [was|is] heard too early or too late, most likely by a wrong setting of its distance.",
        notice="it is unclear where sounds come from.",
        mending="Enter the setting that this record proposes under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.not-as-set": PlainFinding(
        text="{channels} did not change as its settings did, likely because a value was typed wrongly.",
        notice="loudness or timing is not as it was meant to be.",
        mending="Compare the processor with the settings sheet, enter what differs, and measure again.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "settings.swap-or-distance": PlainFinding(
        text=(
            "{channels} [were|are] heard at each other's times: either they [were|are] connected to each other's "
            "outputs, or their distance settings [were|are] wrong. Which of the two is not known."
        ),
        notice="sounds come from the wrong place, or it is blurred where they come from.",
        mending="Listen which loudspeaker plays; then exchange their cables, or correct the settings.",
        severity=CLEAR,
    ),
    "settings.sub-latency": PlainFinding(
        text=(
            "The bass of {channels} [did|does] not come together with the other loudspeakers, most likely because"
            " its setting leaves out the delays that loudspeakers have of their own."
        ),
        notice="the bass has no punch.",
        mending="Enter the setting that this record proposes, then fine-tune it together with the front loudspeakers.",
        severity=CLEAR,
    ),
    "settings.arrival": PlainFinding(
        text=(
            "The sound of {channels} [did|does] not arrive at the time set for it; its setting or its distance is"
            " likely wrong."
        ),
        notice="it is unclear where sounds come from.",
        mending="Measure its distance again and look for a second delay on the way to it.",
        severity=SLIGHT,
    ),
    "settings.reference": PlainFinding(
        text=(
            "All loudspeakers together [were|are] louder or quieter than the reference, likely because of the "
            "volume setting."
        ),
        notice="only that the volume differs from the usual one.",
        mending="Set the volume to its reference and read again before any setting is changed.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "settings.dialogue-level": PlainFinding(
        text=(
            "Dialogue [was|is] quiet: {channels} [was|is] too quiet beside the other front ones, likely because "
            "of its setting."
        ),
        notice="voices are hard to follow unless the volume is turned up.",
        mending="Enter the trim that this record proposes for it under Settings.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.trims": PlainFinding(
        text=(
            "The loudness of {channels} [did|does] not fit the others; likely the trims [were|are] not set by "
            "measurement."
        ),
        notice="sounds from some directions are too loud or too quiet.",
        mending="Enter the trims that this record proposes under Settings. Where its cause is not determined, have the "
        "loudspeaker checked first.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.trim-range": PlainFinding(
        text=(
            "The trim of {channels} [was|is] at the end of its range, likely because the level control of its "
            "amplifier is set too high or too low."
        ),
        notice="nothing, or a loudspeaker that is too loud or too quiet.",
        mending="Change the level control of its amplifier until the trim is back inside its range.",
        severity=SLIGHT,
    ),
    "settings.channel-level": PlainFinding(
        text="{channels} [was|is|were|are] out of balance at every seat, too loud or too quiet; likely a setting.",
        notice="sounds lean to one side.",
        mending="Correct its loudness in the processor.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.bass-management": PlainFinding(
        text="The deep bass meant for the subwoofers likely [came|comes] from {channels} too.",
        notice="the bass is boomy at every seat.",
        mending="Set its crossover in the processor.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "settings.bass-management.pair": PlainFinding(
        text=(
            "The crossover to the subwoofers likely [differed|differs] between {channels}. Which of the two is right is "
            "not known."
        ),
        notice="deep bass is stronger on one side than on the other.",
        mending="Set the noted crossover for both in the processor.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "settings.crossover": PlainFinding(
        text=(
            "Where the subwoofers take over from {channels}, they [were|are] weaker together than with another setting "
            "of the subwoofers."
        ),
        notice="drums and male voices may sound thin.",
        mending="Set polarity and delay of the subwoofers as this record proposes, and measure again.",
        severity=SLIGHT,
        who=ANYBODY,
    ),
    "settings.bass": PlainFinding(
        text="{channels} did not change as set: likely a setting of the bass [was|is] entered differently.",
        notice="the bass differs more from seat to seat than it needs to.",
        mending="Enter its settings again as the settings sheet says, and measure it again.",
        severity=CLEAR,
        who=ANYBODY,
    ),
    "room.row-null": PlainFinding(
        text=(
            "Part of the deep bass [was|is] missing in a row of seats ({seats}): likely sound waves "
            "[cancelled|cancel] each other there."
        ),
        notice="some bass notes are weak or missing there.",
        mending="Move the row or a subwoofer; turning up the bass cannot fill such a gap.",
        severity=CLEAR,
    ),
    "room.reflection": PlainFinding(
        text="A hard surface likely [reflected|reflects] the sound of {channels} too strongly ({seats}).",
        notice="voices sound coloured or come from no clear place.",
        mending="Put sound-absorbing material or a bookcase where the sound is reflected.",
        severity=SLIGHT,
    ),
    "room.blocked": PlainFinding(
        text="Something [was|is] likely in the way between {channels} and one seat ({seats}).",
        notice="the loudspeaker sounds dull at that seat.",
        mending="Clear the way from the loudspeaker to the ears, or move one of them.",
        severity=SLIGHT,
    ),
    "room.dull-seat": PlainFinding(
        text=(
            "One seat ({seats}) [heard|hears] little of the high tones of {channels}: something [was|is] in the way, "
            "or the loudspeaker [pointed|points] elsewhere. Which of the two is not known."
        ),
        notice="the loudspeaker sounds dull at that seat.",
        mending="Clear the way from the loudspeaker to the ears, or turn the loudspeaker toward the seat.",
        severity=SLIGHT,
    ),
    "room.null": PlainFinding(
        text="Part of the deep bass [was|is] missing ({seats}): likely sound waves [cancelled|cancel] each other there.",
        notice="some bass notes are weak or missing there.",
        mending="Move the seat or a subwoofer; turning up the bass cannot fill such a gap.",
        severity=CLEAR,
    ),
    "room.bass-differs": PlainFinding(
        text=(
            "Deep bass [differed|differs] from seat to seat by more than it should, most at {seats}; likely "
            "because of the room."
        ),
        notice="the bass is boomy at one seat and thin at another.",
        mending="Adjust the subwoofers together for all seats; other positions of subwoofers or seats may help more.",
        severity=CLEAR,
    ),
    "measurement.clipped": _measuring(
        "Some recordings were likely too loud for the measuring input.",
        "Measure these again with the input turned down.",
    ),
    "measurement.normalised": _measuring(
        "The measurements were stored without their levels, so that loudness could not be compared from them."
    ),
    "measurement.not-played": _measuring(
        "Nothing was recorded of {channels} at {seats}, most likely because it was not played."
    ),
    "measurement.seats-exchanged": _measuring(
        "The measurements of two seats [were|are] stored under each other's names: {seats}.",
        "Store them under the right names, or measure there again.",
    ),
    "measurement.microphone-not-moved": _measuring(
        "A measurement named {seats} was most likely made at another place.", "Measure at {seats} again."
    ),
    "measurement.wrong-channel": _measuring(
        "Measurements at {seats} [were|are] stored under the wrong loudspeaker: {channels}.",
        "Store them under the right names, or measure them again.",
    ),
    "measurement.clock": _measuring(
        "Measurements at {seats} [did|do] not share a time base, so their timing is not used.",
        "Measure again with a common time base.",
        in_part=True,
    ),
    "measurement.gain": _measuring(
        "The microphone's gain likely changed during the measurement ({seats}); loudness there is not checked.",
        "Measure there again.",
        in_part=True,
    ),
    "measurement.same-recording": _measuring("One recording was likely used twice ({seats})."),
    "measurement.bass-place": PlainFinding(
        text=(
            "The deep bass [was|is] not as predicted at {seats}, likely because the microphone stood elsewhere "
            "than before."
        ),
        notice="nothing certain; it may concern the measurement alone.",
        mending="Measure there again.",
        severity=UNKNOWN,
    ),
    "measurement.reference": _measuring("Some recordings likely had a different reference level."),
    "measurement.microphone": _measuring("The microphone likely measured differently at one seat ({seats})."),
    "measurement.interference": _measuring("Noise likely disturbed some recordings ({seats})."),
    "measurement.noise": _measuring(
        "Some recordings were likely made while the room was too noisy, so they show little.",
        "Measure these again when it is quiet.",
        in_part=True,
    ),
}
