"""Every symptom for which an installer is called has a rule that names its cause, or a reason why recordings cannot
decide it.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from commission.diagnosis import RULES

TESTS = Path(__file__).resolve().parents[1]

RULES_OF: dict[str, tuple[str, ...]] = {
    "hollow, no centre image": ("wiring.polarity", "wiring.pair-polarity", "settings.polarity"),
    "sound from the wrong place": ("wiring.swapped", "wiring.swap-or-files", "settings.swap-or-distance"),
    "silence": ("wiring.silent", "wiring.level-lost", "measurement.not-played"),
    "dull side": ("wiring.tweeter",),
    "thin side": ("wiring.woofer", "wiring.midrange"),
    "a dip around a crossover": ("wiring.driver-polarity", "wiring.driver-or-mounting"),
    "two loudspeakers play one channel": ("wiring.doubled",),
    "two channels from one place": ("wiring.one-loudspeaker",),
    "strained when loud": ("wiring.compression",),
    "harsh": ("wiring.distortion", "measurement.distortion"),
    "hum": ("wiring.hum", "wiring.channel-hum"),
    "buzz on some notes": ("wiring.rattle", "room.rattle"),
    "implausible curves": ("measurement.clipped",),
    "channels drift": ("measurement.clock",),
    "no bass at one seat": ("room.null", "room.row-null"),
    "boomy rear seat": ("room.boomy", "room.seat-wall"),
    "bass differs from seat to seat": ("room.bass-differs",),
    "coloured": ("room.reflection",),
    "a comb": ("room.reflection",),
    "echoey": ("room.reverberation",),
    "bass that goes on and on": ("room.bass-decay",),
    "heights miss seats": ("room.front-heights", "room.rear-heights", "room.aim"),
    "hiss, rumble": ("room.noise", "wiring.equipment-noise", "wiring.channel-noise"),
    "one dull seat": ("room.blocked", "room.dull-seat", "room.obstacle", "room.seat-back", "room.sight"),
    "speech unclear through noise": ("room.speech", "room.noise"),
    "speech unclear through the room": ("room.speech",),
    "dialogue too soft": ("settings.dialogue-level",),
    "a channel loud or soft": ("settings.channel-level", "settings.trims"),
    "all levels off": ("settings.reference",),
    "a trim at the end of its range": ("settings.trim-range",),
    "boomy everywhere": ("settings.bass-management",),
    "hole at the crossover": ("settings.crossover",),
    "image pulled to one side, implausible delays": ("settings.unit", "settings.delays-off", "settings.delay-sign"),
    "smeared image": ("settings.distance", "settings.arrival"),
    "bass without punch": ("settings.sub-latency",),
    "subwoofer too loud or too soft": ("settings.trims",),
    "readings change with the signal": ("settings.upmix",),
    "lips and voices do not match": ("settings.lip-sync",),
    "sounds from other directions than they were mixed for": (
        "room.inside-heads",
        "room.seats-off-centre",
        "room.direction",
    ),
    "not as the settings sheet predicted": ("settings.not-as-set", "settings.bass"),
}

NOT_DECIDED = re.compile(r"^- \*\*(.+?)\*\*: (.+)$", re.MULTILINE)
"""The list in the README."""


def not_decided() -> dict[str, str]:
    section = (
        (TESTS.parent / "README.md").read_text(encoding="utf-8").partition("### What recordings do not decide")[2]
    )
    return dict(NOT_DECIDED.findall(re.sub(r"\n  ", " ", section.partition("\n#")[0])))


def test_every_symptom_has_rules_that_exist() -> None:
    known = {rule.id for rule in RULES}
    assert {name for names in RULES_OF.values() for name in names} <= known
    assert not RULES_OF.keys() & not_decided().keys()


def test_every_rule_about_the_installation_belongs_to_a_symptom() -> None:
    """Measuring mistakes and checklist items are not symptoms for which anybody is called."""
    named = {name for names in RULES_OF.values() for name in names}
    own = {rule.id for rule in RULES if rule.id.partition(".")[0] in ("wiring", "settings", "room")}
    assert own - named == set()


def test_every_rule_of_a_symptom_is_tested() -> None:
    tests = [path for path in TESTS.rglob("test_*.py") if path != Path(__file__)]
    text = "\n".join(path.read_text(encoding="utf-8") for path in tests)
    missing = {name for names in RULES_OF.values() for name in names if f'"{name}"' not in text}
    assert missing == set()


@pytest.mark.parametrize(
    "symptom",
    [
        "ringing bass",
        "dull front loudspeakers behind a screen",
        "dead room",
        "levels without a calibrator",
        "subwoofers too loud by responses alone",
        "gain moved while a seat was measured",
        "one driver reversed, which of two loudspeakers",
        "high-pass missing on a centre or on all",
        "reflections within 3 ms",
        "crosstalk softer than the room allows",
    ],
)
def test_symptoms_that_recordings_cannot_explain_state_why_and_what_settles_them(symptom: str) -> None:
    why = not_decided()[symptom]
    assert re.search(r"settles? it|decides?", why), why
    words = set(re.findall(r"\w{4,}", symptom)) - {"bass"}
    assert not any(words <= set(re.findall(r"\w{4,}", rule.symptom)) for rule in RULES), "a rule names it"
