"""The checklist: the shipped one covers a visit, a firm's own replaces it, and every mistake in one is named."""

from __future__ import annotations

import re

import pytest
from builders import cinema, defined, job_of

from commission.job.codec import decode, encode, kind_of
from commission.model import ChecklistChosen, InputError, default_checklist, read_checklist

OWN = """
schema = 1
name = "Studio checklist"
version = "2026-02"
[[item]]
id = "curtain"
name = "Curtain"
statement = "The curtain opens fully"
fault = "the curtain does not open fully"
cause = "room"
"""


def test_the_shipped_list_covers_what_a_visit_must_check() -> None:
    # Power and rack ventilation, door seals and rattles, light on the screen, picture formats, scenes and sound modes:
    # common practice, no source.
    items = {item.id: item for item in default_checklist().items}
    assert items.keys() >= {"mains", "rack-air", "door-seals", "rattles", "lights", "aspect", "scenes", "sound-mode"}
    for item in items.values():
        assert item.how and item.remedy, item.id
        assert item.statement[0].isupper() and item.fault[0].islower(), item.id
        assert len(item.name) <= 20, item.id  # a longer one pushes the answer off a screen of 80 columns
    for dangerous in ("mains", "rack-air", "overhead", "rattles"):
        assert items[dangerous].caution, dangerous


def test_a_firms_checklist_replaces_the_whole_list_and_is_stored_in_the_job() -> None:
    own = read_checklist(OWN, "studio.toml")
    assert own.title == "Studio checklist, version 2026-02"
    chosen = ChecklistChosen(checklist=own)
    assert decode(kind_of(chosen), encode(chosen), 1) == chosen
    assert [item.id for item in job_of(defined(cinema()), chosen).checklist_in_force.items] == ["curtain"]
    assert job_of(defined(cinema())).checklist_in_force == default_checklist()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("schema = 1", "schema = 2"), "studio.toml: schema: found 2, expected 1"),
        (("[[item]]", "[[items]]"), "items: found an unknown key"),
        (('id = "curtain"', 'id = "Curtain 1"'), "item 1.id: found “Curtain 1”, expected small letters"),
        (('id = "curtain"', 'id = "lip-sync"'), "not “lip-sync”"),
        (
            ('cause = "room"', 'cause = "wiring"'),
            "item 1.cause: found “wiring”, expected electronics, room, settings",
        ),
        (('fault = "the curtain does not open fully"\n', ""), "item 1.fault: found nothing"),
        (('name = "Curtain"', "name = 3"), "item 1.name: found 3, expected a text"),
        (('cause = "room"', 'cause = "room"\nhwo = "x"'), "item 1.hwo: found an unknown key"),
        (('version = "2026-02"', 'version = "' + "1" * 301 + '"'), "301 characters"),
        (("schema = 1", "schema = "), "invalid TOML"),
    ],
)
def test_each_mistake_gets_its_own_message(change: tuple[str, str], message: str) -> None:
    assert change[0] in OWN
    with pytest.raises(InputError, match=re.escape(message)):
        read_checklist(OWN.replace(*change), "studio.toml")


def test_ids_are_unique_and_the_length_of_a_list_is_limited() -> None:
    item = OWN[OWN.index("[[item]]") :]
    with pytest.raises(InputError, match="item 2.id: found “curtain” a second time"):
        read_checklist(OWN + item, "studio.toml")
    with pytest.raises(InputError, match="found 101 items, expected 1 to 100"):
        read_checklist(OWN + "".join(item.replace("curtain", f"item-{n}", 1) for n in range(100)), "studio.toml")
