"""Every symptom that an installer is called for has a rule that names its cause, or a reason why recordings do not decide it."""

from __future__ import annotations

from commission.diagnosis import RULES
from commission.steps import all_steps

RULES_OF: dict[str, tuple[str, ...]] = {
    "hollow, no centre image": ("wiring.polarity", "wiring.pair-polarity", "settings.polarity"),
    "sound from the wrong place": ("wiring.swapped", "wiring.swap-or-files"),
    "silence": ("wiring.silent",),
    "dull side": ("wiring.tweeter",),
    "thin side": ("wiring.woofer", "wiring.midrange"),
    "a dip around a crossover": ("wiring.driver-polarity",),
    "two loudspeakers play one channel": ("wiring.doubled",),
    "strained when loud": ("wiring.compression",),
    "harsh": ("wiring.distortion", "measurement.distortion"),
    "hum": ("wiring.hum", "wiring.channel-hum"),
    "buzz on some notes": ("wiring.rattle", "room.rattle"),
    "implausible curves": ("measurement.clipped",),
    "channels drift": ("measurement.clock",),
    "no bass at one seat": ("room.null", "room.row-null"),
    "boomy rear seat": ("room.boomy",),
    "bass differs by seat": ("room.bass-differs",),
    "coloured, or a comb": ("room.reflection",),
    "echoey": ("room.reverberation",),
    "heights miss seats": ("room.front-heights", "room.rear-heights", "room.aim"),
    "hiss, rumble": ("room.noise", "wiring.equipment-noise", "wiring.channel-noise"),
    "one dull seat": ("room.blocked", "room.obstacle", "room.seat-back"),
    "speech unclear": ("room.speech",),
    "dialogue too soft": ("settings.dialogue-level",),
    "a channel loud or soft": ("settings.channel-level", "settings.trims"),
    "a trim at the end of its range": ("settings.trim-range",),
    "boomy everywhere": ("settings.bass-management",),
    "hole at the crossover": ("settings.crossover",),
    "image pulled to one side, implausible delays": ("settings.unit", "settings.delays-off", "settings.delay-sign"),
    "smeared image": ("settings.distance", "settings.arrival"),
    "bass without punch": ("settings.sub-latency",),
    "readings change with the signal": ("settings.upmix",),
    "lips and voices do not match": ("settings.lip-sync",),
}

NOT_DECIDABLE: dict[str, str] = {
    "ringing bass": "healthy rooms decay there as slowly as a ringing mode: tests/references/bass_decays.py",
    "dull front trio": "the loss of a screen and a dull loudspeaker look alike; the same loudspeaker without the screen decides",
    "dead room": "a short decay is how a room was built, and no fault by itself; the step Seats gives it with its target",
    "all levels off": "a microphone's error is in all levels alike: without a calibrator only differences are given",
    "crosstalk softer than the room allows": "the step Wiring says below which level; a cable at the outputs decides",
}


def test_every_symptom_has_rules_that_exist() -> None:
    known = {rule.id for rule in RULES}
    assert {name for names in RULES_OF.values() for name in names} <= known
    assert not RULES_OF.keys() & NOT_DECIDABLE.keys()


def test_what_is_not_decided_names_a_step_or_a_check_that_exists() -> None:
    titles = {step.title for step in all_steps()}
    assert {"Seats", "Wiring", "Bass"} <= titles
    assert not any("ringing" in rule.symptom for rule in RULES)
