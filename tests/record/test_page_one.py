"""Claims of page one and of the settings against the measurements: gone, new, hidden, unknown; and settings for a reset."""

from __future__ import annotations

import csv
import io
import re
import shlex
from collections.abc import Mapping
from dataclasses import replace
from itertools import product
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import cinema, defined, levels, setting, tapes
from jobs import CREATED_AT, grids, renamed, response, section, sections, text_of, visit_of
from memory_journal import MemoryJournal

from commission.diagnosis import RULES
from commission.dsp.direct import DIRECT_BEFORE_S, DIRECT_FRAMES, DIRECT_RATE_HZ
from commission.model import AS_FOUND, AS_LEFT, CrossoverFilter, EventBody, Processor, ResponseStored, RoundOpened
from commission.record.content import page_one
from commission.record.content.assembly import document
from commission.record.content.findings import of_the_cinema
from commission.record.content.plain_findings import PLAIN_FINDINGS
from commission.record.document import Document
from commission.visit import Visit

SEATS = ("A1", "A2", "A3")
ARRIVAL_S = {"A1": 0.0206, "A2": 0.02, "A3": 0.0206}
"""The outer seats are 20 cm farther from the loudspeakers than the middle one."""
AnalysesByPlace = Mapping[tuple[str, str, str], object]


def record(visit: Visit) -> Document:
    return document(visit, created_at=CREATED_AT)


def heard(
    round_id: str, channels: tuple[str, ...], reversed_: str = "", **changes: object
) -> dict[tuple[str, str, str], object]:
    """These channels at three seats, the last argument with reversed polarity."""
    return {
        (round_id, c, s): response(
            75.0,
            ARRIVAL_S[s],
            **({"direct": CLICK * (-1 if c == reversed_ else 1)} | changes),  # type: ignore[arg-type]
        )
        for c in channels
        for s in SEATS
    }


FRONT = ("FL", "FC", "FR")
CLICK = np.sinc(np.arange(DIRECT_FRAMES) - round(DIRECT_BEFORE_S * DIRECT_RATE_HZ))


def front(*bodies: EventBody, given: AnalysesByPlace) -> Document:
    return record(visit_of(defined(cinema(FRONT, SEATS)), *bodies, heard=given))


def problems(doc: Document) -> str:
    """The problems that remain, and those no longer found."""
    return "\n".join(text_of(part) for part in sections(doc) if part.id in ("summary-remains", "summary-found"))


# --- what became of a fault -----------------------------------------------------------------------------------------


def test_a_fault_checked_again_is_no_longer_found() -> None:
    doc = front(given={**heard(AS_FOUND, FRONT, "FR"), **heard(AS_LEFT, FRONT)})
    (line,) = [line for line in problems(doc).splitlines() if "Front right" in line]
    assert line.endswith("No longer found.")
    # The finding lists its evidence: three seats, each checked again.
    assert "Checked again\nPolarity, as left: ✓ 3" in text_of(section(doc, "findings"))


def test_a_loudspeaker_not_measured_again_is_not_reported_as_measured() -> None:
    doc = front(given={**heard(AS_FOUND, FRONT, "FR"), **heard(AS_LEFT, ("FL", "FC"))})
    (line,) = [line for line in problems(doc).splitlines() if "The two wires of Front right" in line]
    assert "Not measured again, so its present state is not known." in line
    assert text_of(section(doc, "summary")).splitlines()[1] == ("One problem found before may remain in your cinema.")
    assert "measured as it was found and, in part, again" in text_of(section(doc, "summary"))
    assert "recordings at the seats were not repeated: Front right." in text_of(section(doc, "summary-remains"))


def test_a_fault_caused_during_the_visit_is_reported_as_such() -> None:
    doc = front(given={**heard(AS_FOUND, FRONT), **heard(AS_LEFT, FRONT, "FR")})
    text = problems(doc)
    assert "It was not there in the first measurement." in text
    assert "Still there" not in text
    assert "It was not there in the first measurement." in text_of(section(doc, "findings"))
    assert "Front right" in text_of(section(doc, "summary-remains"))


def test_a_fault_not_tested_as_found_is_not_called_new() -> None:
    doc = front(given={**heard(AS_FOUND, ("FL", "FC")), **heard(AS_LEFT, FRONT, "FR")})
    assert "not there in the first measurement" not in problems(doc)
    (line,) = [line for line in problems(doc).splitlines() if "The two wires of Front right" in line]
    assert "The first measurement could not show this." in line


def trims_left_half(*more: EventBody) -> Document:
    bodies: tuple[EventBody, ...] = (
        *levels({"FL": [75.0] * 3, "FC": [79.0] * 3, "FR": [79.0] * 3}),
        *(setting(c, trim_db=0.0) for c in FRONT),
        *levels({"FL": [75.0] * 3, "FC": [75.0] * 3, "FR": [78.0] * 3}, round_id=AS_LEFT),
        setting("FC", round_id=AS_LEFT, trim_db=-4.0),
        setting("FR", round_id=AS_LEFT, trim_db=-1.0),
    )
    return record(visit_of(defined(cinema(FRONT, ["A2"])), *bodies, *more))


def test_remaining_deviations_are_listed_with_their_remedy() -> None:
    doc = trims_left_half()
    assert "Still there: Front right, with the new settings. No longer found: Centre." in problems(doc)
    (proposed,) = [grid for grid in grids(doc) if grid.id == "settings-proposed"]
    # As left it reads 78 dB under −1 dB: −4 dB makes it 75 dB.
    trims = [row[:4] for row in proposed.rows if row[1] == "trim"]
    assert trims == [("FR (Front right)", "trim", "−1.0", "−4.0")]
    assert "differ from the proposed settings" in text_of(section(doc, "settings-after"))


def test_changed_settings_alone_do_not_correct_arrivals() -> None:
    metres = {"FL": 3.3, "FC": 3.0, "FR": 3.5}
    bodies: tuple[EventBody, ...] = (
        *tapes(metres),
        *(setting(c, distance=round(m / 0.3048, 2)) for c, m in metres.items()),
        *(setting(c, round_id=AS_LEFT, distance=m) for c, m in metres.items()),
    )
    system = defined(cinema(FRONT, ["A2"]))
    only_noted = problems(record(visit_of(system, *bodies)))
    assert "typed in feet" in only_noted
    assert "No longer found." not in only_noted
    read = problems(record(visit_of(system, *bodies, *levels(dict.fromkeys(FRONT, 75.0), round_id=AS_LEFT))))
    assert "New settings were noted, but not measured since" in read


# --- what silence is worth ------------------------------------------------------------------------------------------


def test_no_fault_is_stated_only_for_what_was_tested() -> None:
    text = problems(front(given=heard(AS_FOUND, FRONT)))
    assert (
        "The measurements showed no fault in: equipment and wiring" not in text
    )  # swaps and levels were not determined
    assert "Not everything was tested; the tests that were made showed no fault in: equipment and wiring" in text


def test_the_room_is_not_called_sound_behind_a_late_subwoofer() -> None:
    """SUB1 sounds 15 ms late: what the subwoofers do together is not determined yet."""
    system = cinema(["FL", "FC", "FR", "SUB1"], SEATS)
    tape = {"FL": 3.5, "FC": 3.2, "FR": 3.5, "SUB1": 3.6}
    given = heard(AS_FOUND, FRONT)
    for c, metres in tape.items():
        for s in SEATS:
            late = 0.015 if c == "SUB1" else 0.0
            given[(AS_FOUND, c, s)] = response(75.0, ARRIVAL_S[s] + late, arrival_u_s=5e-4 if c == "SUB1" else 8e-5)
        assert metres
    longest = max(tape.values())
    doc = record(
        visit_of(
            defined(system),
            *tapes(dict.fromkeys(tape, longest)),
            *(setting(c, distance=longest) for c in tape),
            heard=given,
        )
    )
    text = problems(doc)
    assert "The bass of Subwoofer 1 does not come together with the other loudspeakers" in text
    assert "Other faults must be repaired first, before anything is known about: the room." in text


def test_a_clipped_recording_is_not_a_fault_of_the_cinema() -> None:
    doc = front(given={**heard(AS_FOUND, FRONT, clipped=True), **heard(AS_LEFT, FRONT, clipped=False)})
    assert "this is not a fault of the cinema. No longer found." in problems(doc)
    assert "showed no fault in: equipment and wiring" in problems(doc)
    assert text_of(section(doc, "summary")).splitlines()[1].startswith("No problem with a known cause was found")


# --- seats ----------------------------------------------------------------------------------------------------------


def test_a_subwoofer_does_not_affect_the_span_of_arrivals() -> None:
    """Mains 3.0 ms apart, then 2.0 ms; a subwoofer's arrival is known only to 1.5 ms, so it is not in the span."""
    system = cinema(["FL", "FR", "SUB1"], SEATS)
    given: dict[tuple[str, str, str], Any] = {}
    for r, apart in ((AS_FOUND, 0.003), (AS_LEFT, 0.002)):
        for s in SEATS:
            given[(r, "FL", s)] = response(75.0, 0.02, arrival_u_s=8e-5)
            given[(r, "FR", s)] = response(75.0, 0.02 + apart, arrival_u_s=8e-5)
            given[(r, "SUB1", s)] = response(75.0, 0.02, arrival_u_s=1.5e-3)
    settings = [setting(c, round_id=r, distance=3.0) for r in (AS_FOUND, AS_LEFT) for c in ("FL", "FR", "SUB1")]
    text = text_of(section(record(visit_of(defined(system), *settings, heard=given)), "summary-seats"))
    assert "timing better, within 2.0 ms (before 3.0 ms)" in text


def test_a_partial_improvement_is_not_called_an_overall_one() -> None:
    given: dict[tuple[str, str, str], Any] = {}
    for s in SEATS:
        given |= {
            (AS_FOUND, "FL", s): response(75.0, 0.020),
            (AS_FOUND, "FR", s): response(79.0, 0.023),
            (AS_FOUND, "FC", s): response(75.0, 0.020),
            (AS_LEFT, "FL", s): response(75.0, 0.020),
            (AS_LEFT, "FR", s): response(75.0, 0.020),
        }
    text = text_of(section(front(*(setting(c, distance=3.0) for c in FRONT), given=given), "summary-seats"))
    assert (
        "Seat A1: better, as far as it was compared. Loudness better, within 0.0 dB (before 4.0 dB); timing" in text
    )


def test_a_loudness_over_some_loudspeakers_says_so() -> None:
    doc = front(given={**heard(AS_FOUND, FRONT), **heard(AS_LEFT, ("FL", "FC"))})
    text = text_of(section(doc, "summary-seats"))
    assert "Loudness covers the 2 of 3 loudspeakers that were measured each time." in text
    whole = front(given={**heard(AS_FOUND, FRONT), **heard(AS_LEFT, FRONT)})
    assert "loudspeakers that were measured each time" not in text_of(section(whole, "summary-seats"))


# --- settings, method, files ----------------------------------------------------------------------------------------


def test_loudness_is_not_reported_without_main_loudspeakers() -> None:
    """Only the subwoofer was recorded again."""
    channels = (*FRONT, "SUB1")
    given = {**heard(AS_FOUND, channels), **heard(AS_LEFT, ("SUB1",))}
    text = text_of(section(record(visit_of(defined(cinema(channels, SEATS)), heard=given)), "summary-seats"))
    assert "Loudness within 0.0 dB before, not measured again" in text
    assert "Loudness covers the" not in text


def test_an_empty_round_is_ignored() -> None:
    opened = RoundOpened(round=AS_LEFT)
    doc = front(opened, given=heard(AS_FOUND, FRONT))
    assert text_of(section(doc, "summary")) == text_of(section(front(given=heard(AS_FOUND, FRONT)), "summary"))
    # It does not hide measurements made in between either.
    doc = front(opened, given={**heard(AS_FOUND, FRONT, "FR"), **heard("second-try", FRONT)})
    assert "again during the work (second try), but not as it was left" in text_of(section(doc, "summary"))
    assert "No longer found." in problems(doc)


def test_settings_of_removed_loudspeakers_do_not_stop_the_record() -> None:
    doc = record(visit_of(defined(cinema(FRONT)), setting("FL", trim_db=1.0), defined(cinema(()))))
    assert "No setting of the processor was entered." in text_of(section(doc, "settings"))


def test_settings_finer_than_a_step_keep_every_digit() -> None:
    doc = record(visit_of(defined(cinema(["FL"], ["A2"])), setting("FL", trim_db=-1.25, distance=3.125)))
    for ident in ("settings-both", "settings-reset"):
        (row,) = next(grid for grid in grids(doc) if grid.id == ident).rows
        assert {"−1.25", "3.125"} <= set(row)


def test_the_reset_table_names_missing_values() -> None:
    bare = visit_of(defined(cinema(["FL"], ["A2"])), setting("FL", trim_db=1.0))
    text = text_of(section(record(bare), "settings-after"))
    assert "does not contain the crossover of each loudspeaker, the bands of the equaliser and" in text
    assert "in m, steps of 0.03 m" in text
    assert "Assumed speed of sound" in text
    system = renamed(cinema(["FL", "FR"], ["A2"]), "FL", high_pass_hz=80.0)
    held = text_of(section(record(visit_of(defined(system), setting("FL", trim_db=1.0))), "settings-after"))
    assert "the crossover of each loudspeaker" not in held
    assert "Crossover –: full range, or not entered." in held and "high-pass 80 Hz" in held


def test_the_attached_sheet_and_the_printed_table_agree_as_left() -> None:
    bodies: tuple[EventBody, ...] = (
        *levels({"FL": 76.0, "FR": 78.0}),
        setting("FL", trim_db=0.0),
        setting("FR", trim_db=0.0),
        setting("FL", round_id=AS_LEFT, trim_db=-1.5, distance=3.21, polarity="reversed"),
        setting("FR", round_id=AS_LEFT, trim_db=-3.0),
    )
    typed = CrossoverFilter(type="butterworth", slope_db_per_octave=12)
    system = renamed(cinema(["FL", "FR"], ["A2"]), "FL", high_pass_hz=80.0, high_pass=typed)
    doc = record(visit_of(defined(system), *bodies))
    sheet = next(each for each in doc.attachments if each.name == "settings.csv").data.decode()
    left = {
        (row["channel"], row["what"]): row["as_left"] for row in csv.DictReader(io.StringIO(sheet)) if row["as_left"]
    }
    assert left == {
        ("FL", "trim"): "-1.5",
        ("FL", "delay"): "3.21",
        ("FL", "polarity"): "reversed",
        ("FL", "crossover"): "high-pass 80 Hz, Butterworth 12 dB/octave",
        ("FR", "trim"): "-3.0",
    }
    rows = {row[0]: row[1:] for row in next(grid for grid in grids(doc) if grid.id == "settings-reset").rows}
    assert rows == {
        "FL (Front left)": ("−1.5", "3.21", "reversed", left["FL", "crossover"]),
        "FR (Front right)": ("−3.0", "–", "–", "–"),
    }


def test_the_method_is_reported_round_by_round() -> None:
    given = {**heard(AS_FOUND, FRONT), **heard(AS_LEFT, FRONT)}
    doc = front(*levels({"FL": 75.0}), given=given)
    (grid,) = [grid for grid in grids(doc) if grid.id == "method"]
    assert [heading.title for heading in grid.headings] == [
        "Round",
        "When",
        "Hand readings",
        "Responses",
        "Clock",
        "Delays of the processor",
        "Source",
    ]
    assert grid.rows[0][2:] == ("1", "9 impulse responses", "one clock for all", "active", "files")
    text = text_of(section(doc, "site-method"))
    assert "read at A2 (1.10 m above the floor), slow, with the processor's test noise; target 75 dB(C)" in text
    assert "at the ears: A1, A2, A3 (1.10 m above the floor)" in text
    assert "site-method" not in {part.id for part in sections(record(visit_of(defined(cinema()))))}


def test_a_simulated_room_is_not_reported_as_a_real_one() -> None:
    bodies = [
        ResponseStored(
            round=AS_FOUND,
            channel="FL",
            seat="A2",
            kind="impulse",
            file_name="x.wav",
            file_sha256="0" * 64,
            source=source,
        )
        for source in ("file", "rehearsal")
    ]
    texts = [text_of(section(record(visit_of(defined(cinema(["FL"], ["A2"])), body)), "summary")) for body in bodies]
    assert ["of a simulated room, not of a real cinema" in text for text in texts] == [False, True]


@pytest.mark.parametrize("name", ["loft.commission", "my loft.commission", "-x.commission", 'a"b $HOME.commission'])
def test_the_printed_verify_command_can_be_typed(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setattr(MemoryJournal, "path", Path(name))
    doc = record(visit_of(defined(cinema(["FL"], ["A2"]))))
    (command,) = re.findall(r"run: (commission verify .*?)\. It prints", doc.how_to_check)
    assert shlex.split(command) == ["commission", "verify", f"./{name}" if name.startswith("-") else name]


def test_uncertainties_are_shown_beside_their_own_limits() -> None:
    """Mains and subwoofers have different limits and uncertainties: 0.17 ms says nothing about ±2 ms."""
    system = cinema(["FL", "FC", "FR", "SUB1"], ["A2"])
    given = {
        (AS_FOUND, c, "A2"): response(75.0, 0.02, arrival_u_s=5e-4 if c == "SUB1" else 8e-5)
        for c in ("FL", "FC", "FR", "SUB1")
    }
    system = replace(system, channels=tuple(replace(c, distance_m=3.5) for c in system.channels))
    doc = record(visit_of(defined(system), *(setting(c.id, distance=3.5) for c in system.channels), heard=given))
    (grid,) = [grid for grid in grids(doc) if grid.id == "checks-distances-as-found"]
    (row,) = [row for row in grid.rows if row[0] == "Arrival of the sound"]
    assert re.search(r"within ±0\.45 ms; within ±2\.00 ms", " | ".join(row))
    assert re.search(r"0\.\d\d ms; 1\.\d\d ms", " | ".join(row))


def test_an_unknown_processor_is_not_described() -> None:
    known, unknown = (
        text_of(section(record(visit_of(defined(cinema(["FL"], ["A2"], processor=p)))), "site"))
        for p in (Processor(model="surround processor"), Processor())
    )
    assert "assumed" not in known
    assert unknown.count("(assumed: no processor was entered)") == 3
    # The basis of its settings is not described either.
    doc = record(visit_of(defined(cinema(["FL"], ["A2"], processor=Processor())), setting("FL", trim_db=1.0)))
    assert text_of(section(doc, "settings-after")).count("(assumed: no processor was entered)") == 3


def test_cautions_about_overhead_loudspeakers_are_not_for_the_homeowner() -> None:
    channels = ("FL", "FC", "TpFL", "TpFR")
    doc = {
        c: text_of(
            section(
                record(visit_of(defined(cinema(channels, SEATS)), heard=heard(AS_FOUND, channels, c))),
                "summary-remains",
            )
        )
        for c in ("FC", "TpFR")
    }
    assert "with the amplifier off. What hangs overhead is for a licensed trade." in doc["TpFR"]
    assert "overhead" not in doc["FC"]


# --- rounds ---------------------------------------------------------------------------------------------------------


def test_the_opening_names_the_rounds() -> None:
    def opening(*rounds: str) -> str:
        given = {key: value for r in rounds for key, value in heard(r, FRONT).items()}
        return text_of(section(front(given=given), "summary")).splitlines()[2]

    assert "measured as it is; no change is recorded" in opening(AS_FOUND)
    assert "measured as it was found and again as it was left." in opening(AS_FOUND, AS_LEFT)
    assert "but not as it was found, so what has changed is not known" in opening(AS_LEFT)
    assert "again during the work (after the move), but not as it was left" in opening(AS_FOUND, "after-the-move")
    assert "as it was left" not in opening("after-the-move")


def test_seats_recorded_only_as_left_are_not_called_unmeasured() -> None:
    text = text_of(section(front(given=heard(AS_LEFT, FRONT)), "summary-seats"))
    assert "not compared, because it was not measured both times. Loudness within 0.0 dB, not measured" in text
    assert ": not measured." not in text
    # Different loudspeakers before and after cannot be compared.
    text = text_of(
        section(front(given={**heard(AS_FOUND, ("FL",)), **heard(AS_LEFT, ("FC", "FR"))}), "summary-seats")
    )
    assert "Loudness within" not in text


def test_faults_found_only_as_left_are_reported() -> None:
    assert "Front right" in problems(front(given=heard(AS_LEFT, FRONT, "FR")))


def test_every_rule_has_a_plain_text_with_all_placeholders_filled() -> None:
    """Every finding that a rule can make has an entry whose placeholders are all filled."""
    for rule in (each for each in RULES if not each.id.startswith("checklist.")):  # each list has its own texts
        known = PLAIN_FINDINGS.get(rule.id)
        assert known is not None, rule.id
        for past, several in product((True, False), repeat=2):
            text = known.sentence(past=past, several=several)
            text = text.format(channels="Centre", seats="seat A1", title="the unit is wrong")
            assert not set("{}[]|") & set(text)


def test_verbs_agree_with_the_number_of_loudspeakers() -> None:
    """Two of a kind are one sentence on page one: "Front left and Front right do not", never "does not"."""
    for id_, one, two in (
        ("wiring.compression", "Centre does not rise", "Centre do not rise"),
        ("wiring.distortion", "Centre is distorted", "Centre are distorted"),
        (
            "wiring.rattle",
            "Centre, or something near it, likely rattles",
            "Centre, or something near them, likely rattle",
        ),
        ("room.aim", "Centre does not point", "Centre do not point"),
    ):
        text = [PLAIN_FINDINGS[id_].sentence(past=False, several=several) for several in (False, True)]
        assert one in text[0].format(channels="Centre") and two in text[1].format(channels="Centre")


@pytest.mark.parametrize(
    ("ids", "loose", "ends"),
    [
        (["settings.crossover"], [], "the sum of subwoofers and front loudspeakers can be better"),
        (
            ["settings.crossover", "measurement.gain"],
            [],
            "the sum of subwoofers and front loudspeakers can be better and not everything was tested",
        ),
        (["measurement.gain"], [], "not everything was tested"),
        ([], [], ""),
    ],
)
def test_a_setting_that_could_be_better_is_not_listed_as_a_problem(
    ids: list[str], loose: list[str], ends: str
) -> None:
    histories: Any = [SimpleNamespace(first=SimpleNamespace(id=each)) for each in ids]
    assert not any(map(of_the_cinema, histories))
    assert page_one._open_points(histories, [], loose) == ends
