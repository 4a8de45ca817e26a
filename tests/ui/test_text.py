"""Plain-language descriptions of every kind of event."""

import re
from pathlib import Path

from builders import cinema, defined, job_of

from commission.model import EVENT_KINDS, Event, Setting, SettingEntered
from commission.model.stored_verdicts import StoredVerdict, StoredVerdicts, VerdictsOfKind
from commission.ui import text
from commission.ui.text import event_words, verdict_count

JOB = job_of(defined(cinema()))


def test_stored_verdicts_are_counted():
    place = StoredVerdict(channel="FL", seat=None, verdict="pass", value=0.1)
    kind = VerdictsOfKind(step="levels", round="as-found", id="levels.match", unit="dB", places=(place, place))
    body = StoredVerdicts(occasion="signed", program_version="0.1.0", kinds=(kind,))
    printed = event_words(Event(seq=9, at="2026-11-20T09:30:00.000Z", body=body), JOB)
    assert printed == "2 verdicts kept at the signature, by version 0.1.0"


def test_every_kind_of_event_has_a_description():
    arms = set(re.findall(r"case (\w+)\(", Path(text.__file__).read_text(encoding="utf-8")))
    assert {kind.__name__ for kind in EVENT_KINDS.values()} <= arms


def test_a_setting_is_named_as_the_processor_expects_it():
    body = SettingEntered(setting=Setting(round="as-left", channel="FL", distance=3.51, trim_db=-2.0), applied=True)
    printed = event_words(Event(seq=2, at="2026-11-20T09:30:00.000Z", body=body), JOB)
    assert printed == "as left: FL set to trim −2.0 dB, distance 3.51 m"


def test_no_count_without_checks():
    assert verdict_count(None, 3) == ""
