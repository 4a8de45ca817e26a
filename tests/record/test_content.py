"""The content of records of odd, hostile and empty jobs made by hand, and of a step that is defined here."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from builders import LOUDSPEAKERS, add_step, cinema, defined, levels, setting, tapes
from jobs import (
    CREATED_AT,
    big_cinema,
    blocks,
    grids,
    heard_everywhere,
    renamed,
    response,
    section,
    sections,
    text_of,
    texts,
    visit_of,
)
from record_samples import png

from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Check,
    Column,
    Curve,
    EventBody,
    Grid,
    GridCell,
    InputError,
    Instrument,
    Limit,
    Noted,
    Outcome,
    PhotoAttached,
    Row,
    Series,
    Signed,
    Step,
    System,
    Table,
)
from commission.record.content.assembly import document
from commission.record.data.sheet import sheet_csv
from commission.record.document import Bullets, Document, Figure, Paragraph, Photo, Signatures
from commission.steps import TITLES
from commission.visit import Visit


def record(visit: Visit, **changes: object) -> Document:
    return document(visit, created_at=CREATED_AT, **changes)  # type: ignore[arg-type]


def two_point_one(*more: EventBody) -> Visit:
    system = cinema(["FL", "FR", "SUB1"], ["A2"])
    heard = {
        (r, c, "A2"): response(75 + i, 0.02, 0.0)
        for r in (AS_FOUND, AS_LEFT)
        for i, c in enumerate(("FL", "FR", "SUB1"))
    }
    return visit_of(
        defined(system),
        *levels({"FL": 75.0, "FR": 78.0, "SUB1": 70.0}),
        setting("FR", trim_db=0.0),
        *levels({"FL": 75.0, "FR": 75.1, "SUB1": 75.0}, round_id=AS_LEFT),
        setting("FR", round_id=AS_LEFT, applied=True, trim_db=-3.0),
        *more,
        heard=heard,
    )


def hostile() -> Visit:
    system = cinema(
        ["FL", "FR", "SUB1"],
        ["A1", "A2"],
        units="imperial",
        client="<b>&\x1b[31m",
        place="\u202eevil",
        technician="{count}{title}",
    )
    system = renamed(system, "FL", name="{channels} <script>alert(1)</script> #let x = 1; $ \\ `` [")
    system = replace(
        system, title="=1+1\n{job}", instruments=(Instrument(kind="meter", model="@sum(A1) \x07 |", serial="{}"),)
    )
    notes = (
        Noted(step="levels", round=AS_FOUND, text="{when}\x1b]0;x\x07 </p>"),
        Noted(step="\x00?", text="x" * 5000),
    )
    return visit_of(defined(system), *levels({"FL": 75.0, "FR": 79.0}), *notes)


@cache
def twenty_seats() -> Visit:
    """Computed once for all records, which only read it."""
    return visit_of(defined(big_cinema()), heard=heard_everywhere(big_cinema()))


ODD: dict[str, Callable[[], Visit]] = {
    "nothing at all": lambda: visit_of(defined(System(title=""))),
    "a site and nothing measured": lambda: visit_of(defined(cinema())),
    "as found by hand": lambda: visit_of(
        defined(cinema(units="imperial")),
        *levels(dict.fromkeys(LOUDSPEAKERS, (76.0, 76.0))),
        *tapes({"FL": 3.5}),
    ),
    "2.1 with one seat": two_point_one,
    "9.2.6 with twenty seats": twenty_seats,
    "hostile names": hostile,
}


@cache
def odd_record(name: str) -> Document:
    return record(ODD[name]())


@pytest.fixture(scope="module", params=list(ODD))
def odd(request: pytest.FixtureRequest) -> Document:
    return odd_record(request.param)


def test_no_text_is_empty_invented_or_holds_control_characters(odd: Document) -> None:
    for text in texts(odd):
        assert not [c for c in text if unicodedata.category(c) in ("Cc", "Cs")], text
        assert not re.search(r"\b(nan|None|inf)\b", text), text
    for grid in grids(odd):
        assert grid.rows, grid.title
        assert grid.title
        assert all(len(row) == len(grid.headings) for row in grid.rows), grid.title
        assert all(row[0] for row in grid.rows), f"{grid.title}: the first column names the row"
        for i in range(1, len(grid.headings)):
            assert {row[i] for row in grid.rows} - {"", "–"}, f"{grid.title}: {grid.headings[i].title} holds nothing"
    for part in sections(odd):
        assert part.title
        assert part.blocks or part.sections, part.title
    for block in blocks(odd):
        if isinstance(block, Bullets):
            assert block.items
            assert all(block.items)
        if isinstance(block, Paragraph):
            assert block.text


def test_ids_are_plain_and_unique(odd: Document) -> None:
    ids = [part.id for part in sections(odd)]
    ids += [block.id for block in blocks(odd) if hasattr(block, "id")]
    assert len(ids) == len(set(ids))
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]*", ident) for ident in ids)


def test_every_record_has_the_same_parts_in_order(odd: Document) -> None:
    order = [part.id for part in odd.sections]
    wanted = ["summary", "site", "settings", "plan", "steps", "findings", "limits", "notes", "cautions", "signatures"]
    assert order == [ident for ident in wanted if ident in order]
    assert {"summary", "site", "settings", "steps", "cautions", "signatures"} <= set(order)
    (places,) = [block for block in section(odd, "signatures").blocks if isinstance(block, Signatures)]
    assert len(places.places) == 2
    assert "85 dB(A)" in text_of(section(odd, "cautions"))
    assert "licensed trades" in text_of(section(odd, "cautions"))


def test_the_same_visit_gives_the_same_record() -> None:
    assert record(two_point_one()) == record(two_point_one())
    assert record(two_point_one()) != document(two_point_one(), created_at="2026-03-14T17:05:01Z")


@pytest.mark.parametrize("moment", ["", "2026-03-14", "2026-03-14T17:05:00+01:00", "2026-03-14T17:05:00Z\n"])
def test_the_time_of_the_record_is_utc_with_seconds(moment: str) -> None:
    with pytest.raises(InputError, match="moment of the record"):
        document(two_point_one(), created_at=moment)


def test_the_record_contains_its_files(odd: Document) -> None:
    by_name = {each.name: each for each in odd.attachments}
    results = json.loads(by_name["results.json"].data)
    assert results["created_at"] == CREATED_AT
    assert results["digest"] == odd.digest
    assert by_name["settings.csv"].data.startswith(b"channel,name,what,old,new")


def test_the_attached_settings_sheet_is_the_one_printed() -> None:
    visit = two_point_one()
    sheet = next(each for each in record(visit).attachments if each.name == "settings.csv")
    assert sheet.data.decode() == sheet_csv(visit)


# --- steps ----------------------------------------------------------------------------------------------------------

TILT = Limit(low=-1.0, high=1.0, unit="dB", basis="a wish of mine")
SHADOW = Limit(high=0.0, unit="", basis="nobody sits in a shadow")


def _invented(job, round_id, analyses):
    if round_id != AS_FOUND:
        return Outcome(step="tilt", round=round_id)
    checks = (
        Check(
            id="tilt.angle", channel="FL", seat="A2", value=2.3, unit="dB", uncertainty=0.2, limit=TILT, text="tilt"
        ),
        Check(
            id="tilt.angle", channel="FR", seat="A2", value=0.1, unit="dB", uncertainty=0.2, limit=TILT, text="tilt"
        ),
        Check(
            id="tilt.angle", channel="SUB1", value=None, unit="dB", limit=TILT, why_not="it has no front", text="tilt"
        ),
        Check(
            id="tilt.shadow", seat="A2", value=1.0, unit="", limit=SHADOW, text="shadow", words="dark; expected light"
        ),
    )
    columns = (
        Column(key="c", title="Channel"),
        Column(key="t", title="Tilt", unit="m", decimals=2, signed=True),
        Column(key="e", title="Nobody knows", unit="dB", decimals=1),
    )
    rows = tuple(Row(key=c.channel or "", cells=(c.channel, c.value, None), check=c) for c in checks[:2])
    freq = np.array([20.0, 200.0, 2000.0])
    curve = Curve(
        id="tilt", title="Tilt over frequency", channel="FL", series=(Series(name="FL", x=freq, y=freq / 100),)
    )
    cells = {("FL", "A2"): GridCell(verdict=checks[0].verdict, figure="+2.3")}
    return Outcome(
        step="tilt",
        round=round_id,
        done=2,
        total=3,
        checks=checks,
        curves=(curve,),
        tables=(
            Table(id="t", title="How far they tilt", columns=columns, rows=rows, remark="By the dial."),
            Table(id="none", title="An empty table", columns=columns, rows=()),
        ),
        grids=(
            Grid(id="g", title="Tilt by seat", seats=("A2", "B9"), channels=("FL", "FR"), cells=cells),
            Grid(id="h", title="An empty grid", seats=("A2",), channels=("FL",), cells={}),
        ),
        main_result="FL tilts most",
        remarks=("the dial sticks",),
    )


def test_an_unknown_step_is_in_the_record(monkeypatch: pytest.MonkeyPatch) -> None:
    step = Step(
        id="tilt",
        title="Tilt",
        question="Do they lean?",
        help="",
        plan=lambda job, r: (),
        evaluate=_invented,
        entry="readings",
    )
    add_step(monkeypatch, step, place=[*TITLES].index("levels"))
    photo = PhotoAttached(
        step="tilt",
        round=AS_FOUND,
        caption="The dial",
        file_name="dial.png",
        file_sha256="d" * 64,
        media_type="image/png",
        width_px=2,
        height_px=2,
    )
    gone = replace(photo, caption="The other dial", file_sha256="e" * 64)
    huge = replace(photo, caption="A wide dial", file_sha256="f" * 64)
    notes = (Noted(step="tilt", round=AS_FOUND, text="It was dark."), photo, gone, huge)
    visit = visit_of(
        defined(cinema(["FL", "FR", "SUB1"], ["A2"])),
        *notes,
        setting("FL", round_id=AS_LEFT, trim_db=1.0),
        blobs={"d" * 64: png(), "f" * 64: png(2000, 2)},
    )
    doc = record(visit)
    order = [part.id for part in section(doc, "steps").sections]
    assert order.index("step-layout") < order.index("step-tilt") < order.index("step-levels")
    text = text_of(section(doc, "step-tilt"))
    for wanted in (
        "Do they lean?",
        "How far they tilt",
        "+2.30",
        "By the dial.",
        "Tilt by seat",
        "✗ +2.3",
        "✗ fail",
        "✓ pass",
        "FL tilts most.",
        "The dial sticks.",
        "within ±1.00 dB",
        "2.30 dB (FL A2)",
        "0.40 dB",
        "a wish of mine",
        "– not tested: Tilt (SUB1), because it has no front.",
        "dark; expected light",
        "2 of 3 done; the rest is missing.",
        "Not done as left.",
        "It was dark. (as found,",
        "The photograph “The other dial” cannot be shown",
        "The photograph “A wide dial” cannot be shown: it is 2000 × 2 pixels, which no job stores.",
    ):
        assert wanted in text, wanted
    for absent in ("An empty table", "An empty grid", "Nobody knows", "B9"):
        assert absent not in text, absent
    own = [part for part in sections(doc) if part.id.startswith("step-tilt")]
    inside = [block for part in own for block in part.blocks]
    assert [block.title for block in inside if isinstance(block, Figure)] == ["Tilt over frequency"]
    (shown,) = [block for block in inside if isinstance(block, Photo)]
    assert (shown.data, shown.media_type) == (png(), "image/png")
    limits = next(grid for grid in grids(doc) if grid.id == "limits-grid")
    assert [row for row in limits.rows if "a wish of mine" in row] == [
        ("Tilt", "within ±1.00 dB", "0.40 dB", "a wish of mine", "Tilt: as found")
    ]


def _not_examined(doc: Document) -> str:
    return text_of(section(doc, "summary")).split("Not examined in this visit: ")[1].split("\n")[0]


def test_steps_that_were_not_done_are_listed_in_place() -> None:
    doc = record(ODD["as found by hand"]())
    seats = section(doc, "step-seats")
    assert [b.text for b in seats.blocks if isinstance(b, Paragraph) and b.kind == "missing"] == [
        "Not done in this visit."
    ]
    assert "Seats (what is heard at each seat)" in _not_examined(doc)


def test_a_visit_with_a_single_round_reads_as_complete() -> None:
    system = cinema()
    heard = heard_everywhere(system, (AS_FOUND,))
    doc = record(
        visit_of(
            defined(system),
            *levels(dict.fromkeys(LOUDSPEAKERS, 75.0)),
            *(setting(c, trim_db=0.0) for c in LOUDSPEAKERS),
            heard=heard,
        )
    )
    own = "\n".join(text_of(section(doc, part)) for part in ("summary", "settings", "site"))
    for word in ("as left", "as-left", "before", "after", "again", "compared?"):
        found = [line for line in own.splitlines() if re.search(rf"\b{word}\b", line, re.IGNORECASE)]
        # The next steps may mention it; the visit itself must not sound as if half of it were missing.
        fair = r"What it takes|enter these, then measure again|^after (the )?repair|^find the cause|never again"
        assert [line for line in found if not re.search(fair, line)] == [], word
    assert "What each seat hears today" in text_of(section(doc, "summary"))
    assert "step-compare" not in {part.id for part in sections(doc)}


def test_a_single_seat_is_compared_with_nothing() -> None:
    doc = record(two_point_one())
    text = text_of(section(doc, "summary"))
    assert "2.1" not in text
    assert "(reference)" not in text
    assert "Seat A2: no real change. Loudness within 1.0 dB (was 1.0); timing within" in text
    assert "bass" not in text.split("Each seat, before and after")[1].split("What remains")[0]
    assert "New loudness settings are recorded for 1 of 3 loudspeakers, with a change of 3.0 dB." in text


def test_twenty_seats_are_in_grids_that_fit_a_page() -> None:
    doc = odd_record("9.2.6 with twenty seats")
    assert max(len(grid.headings) for grid in grids(doc) if grid.id.startswith("seats")) == 11
    names = [grid.title for grid in grids(doc) if grid.id.startswith("seats")]
    assert any("A1–B5" in name for name in names)
    assert any("C1–D5" in name for name in names)
    shown = {h.title for grid in grids(doc) if grid.title.startswith("Seats across") for h in grid.headings}
    assert {seat.id for seat in big_cinema().seats} <= shown
    summary = text_of(section(doc, "summary"))
    assert all(f"Seat {seat.id}" in summary for seat in big_cinema().seats)


def test_hostile_names_are_plain_text() -> None:
    doc = record(hostile())
    everything = "\n".join(texts(doc))
    assert doc.subtitle == "=1+1 {job}"
    assert "{channels} <script>alert(1)</script> #let x = 1; $ \\ `` [" in everything
    assert "{count}{title}" in everything
    assert "@sum(A1)  |" in everything
    assert "\u202e" not in everything
    assert b"'=1+1" not in doc.attachments[0].data


# --- page one -------------------------------------------------------------------------------------------------------


def judged(found: object, left: object) -> str:
    system = cinema(["FL", "FR"], ["A1", "A2", "A3"])
    heard = {}
    for r, shift in ((AS_FOUND, found), (AS_LEFT, left)):
        for seat in ("A1", "A2", "A3"):
            heard[(r, "FL", seat)] = response(75.0, 0.02)
            if shift is not None and not (r == AS_LEFT and seat == "A3"):
                heard[(r, "FR", seat)] = response(75.0 + shift, 0.02 + shift / 1000)  # type: ignore[operator]
    return text_of(section(record(visit_of(defined(system), heard=heard)), "summary-seats"))


@pytest.mark.parametrize(
    ("found", "left", "word"), [(6.0, 0.5, "better"), (0.5, 6.0, "worse"), (3.0, 3.0, "no real change")]
)
def test_the_sentence_of_each_seat_matches_its_numbers(found: float, left: float, word: str) -> None:
    text = judged(found, left)
    assert f"Seat A1: {word}. " in text
    assert f"Seat A2 (reference): {word}. " in text
    assert "Seat A3: not compared, because it was not measured both times. " in text
    assert f"Loudness within {found:.1f} dB before, not measured again" in text


def test_loudness_within_its_uncertainty_is_no_change() -> None:
    """u = 0.22 dB for a level at one seat (tests/references/placement.py); a span has √2 of it, the change of two spans twice:
    U = 2 · 2 · 0.22 = 0.88 dB.
    """
    assert "oudness no real change, within 2.2 dB (before 3.0 dB)" in judged(3.0, 2.2)
    assert "better. Loudness within 2.1 dB (was 3.0)" in judged(3.0, 2.1)


def test_nothing_unexamined_is_called_sound() -> None:
    summary = text_of(section(record(ODD["as found by hand"]()), "summary"))
    assert "Too little was measured to say anything about: equipment and wiring" in summary
    # Thirteen levels that agree test the settings, and nothing else.
    assert re.findall("no fault in: ([^.]*)", summary) == ["the settings"]


def test_every_technical_word_of_page_one_is_explained() -> None:
    summary = text_of(section(record(two_point_one()), "summary"))
    for word in ("dB", "processor", "subwoofer"):
        assert (
            re.search(rf"(^|; ){word}\b[^;]*:", summary.split("Words on page one")[1], re.MULTILINE)
            or word not in summary.split("Words on page one")[0]
        )


# --- settings, signatures -------------------------------------------------------------------------------------------


def reset_rows(doc: Document) -> dict[str, tuple[str, ...]]:
    return {row[0]: row[1:] for row in next(g for g in grids(doc) if g.id == "settings-reset").rows}


def test_the_reset_table_takes_values_as_left_and_marks_those_only_found() -> None:
    bodies: tuple[EventBody, ...] = (
        setting("FL", trim_db=1.0, distance=3.2, polarity="normal"),
        setting("FR", trim_db=2.0, distance=3.4),
        setting("FL", round_id=AS_LEFT, trim_db=-1.5),
        setting("SUB1", round_id=AS_LEFT, distance=4.05),
    )
    doc = record(visit_of(defined(cinema(["FL", "FR", "SUB1"], ["A2"])), *bodies))
    assert reset_rows(doc) == {
        "FL (Front left)": ("−1.5", "3.20 *", "normal *"),
        "FR (Front right)": ("+2.0 *", "3.40 *", "–"),
        "SUB1 (Subwoofer 1)": ("–", "4.05", "–"),
    }
    remark = next(g for g in grids(doc) if g.id == "settings-reset").remark
    assert "* entered as found" in remark
    assert "– not entered" in remark


def test_signatures_given_on_the_screen_are_filled_in() -> None:
    doc = record(
        visit_of(defined(cinema()), Signed(role="technician", name="T. Ech"), Noted(step="site", text="later"))
    )
    (block,) = [b for b in section(doc, "signatures").blocks if isinstance(b, Signatures)]
    assert [(p.role, p.name, p.date) for p in block.places] == [
        ("Technician", "T. Ech", "14 March 2026"),
        ("Client", "", ""),
    ]
    assert "one event was logged after this signature" in text_of(section(doc, "signatures"))


def test_settings_changed_and_not_measured_again_are_not_called_better() -> None:
    system = cinema(["FL", "FC", "FR"], ["A1", "A2"])
    bodies: tuple[EventBody, ...] = (*levels({"FL": 75.0, "FC": 75.0, "FR": 81.0}), setting("FR", trim_db=0.0))
    doc = record(
        visit_of(
            defined(system),
            *bodies,
            setting("FR", round_id=AS_LEFT, trim_db=-6.0),
            heard={(AS_FOUND, c, s): response(75.0, 0.02) for c in ("FL", "FC", "FR") for s in ("A1", "A2")},
        )
    )
    summary = text_of(section(doc, "summary"))
    assert "it was not measured again after that" in summary
    assert "no longer found" not in summary.lower()
    assert "New settings were noted, but not measured since, so its present state is not known." in summary
    assert "Measure again. If it is still so, enter the trims" in summary
    assert "The seats were not measured again, so what changed at each of them is not known." in summary
    assert "1 of 3 loudspeakers, with a change of 6.0 dB" in summary


def test_an_interim_round_is_listed_between_the_others() -> None:
    system = cinema(["FL", "FC", "FR"], ["A2"])
    bodies: tuple[EventBody, ...] = (
        *levels({"FL": 75.0, "FC": 75.0, "FR": 81.0}),
        *levels({"FR": 77.0}, round_id="after-the-move"),
        *levels({"FL": 75.0, "FC": 75.0, "FR": 75.0}, round_id=AS_LEFT),
    )
    doc = record(visit_of(defined(system), *bodies))
    titles = [part.title for part in section(doc, "step-levels").sections]
    assert titles == ["Levels, as found", "Levels, after the move", "Levels, as left"]
    assert "1 of 3 done; the rest is missing." in text_of(section(doc, "step-levels-after-the-move"))


def test_letterhead_and_paper_are_passed_to_the_document() -> None:
    from commission.record.document import Letterhead

    head = Letterhead(name="Harbour Sound", lines=("Quay 3",))
    doc = record(two_point_one(), letterhead=head, paper="us-letter")
    assert (doc.letterhead, doc.paper) == (head, "us-letter")


@pytest.mark.parametrize(
    ("rounds", "wanted"),
    [
        ((AS_FOUND,), "deep bass 5.0 dB off"),
        ((AS_FOUND, AS_LEFT), "deep bass better, 2.0 dB off (before 5.0 dB)"),
    ],
)
def test_deep_bass_is_the_deviation_of_a_seat_from_the_mean(rounds: tuple[str, ...], wanted: str) -> None:
    """Levels of 70, 75 and 80 dB: by arithmetic the outer seats are 5 dB off the mean."""
    system = cinema(["FL", "FR", "SUB1"], ["A1", "A2", "A3"])
    heard: dict[tuple[str, str, str], Any] = {}
    for r in rounds:
        off = 5.0 if r == AS_FOUND else 2.0
        for seat, level in (("A1", 75 - off), ("A2", 75.0), ("A3", 75 + off)):
            heard |= {(r, c, seat): response(75.0, 0.02) for c in ("FL", "FR")}
            heard[(r, "SUB1", seat)] = response(level, 0.02)
    text = text_of(section(record(visit_of(defined(system), heard=heard)), "summary-seats"))
    (line,) = [line for line in text.splitlines() if line.startswith("Seat A1")]
    assert wanted in line
    (middle,) = [line for line in text.splitlines() if line.startswith("Seat A2")]
    assert "deep bass 0.0 dB off" in middle or "deep bass no real change, 0.0 dB off" in middle


def test_a_part_that_cannot_be_written_says_so_and_the_others_are_written(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(context: object) -> None:
        raise ValueError("no such place")

    monkeypatch.setattr("commission.record.content.assembly.limits_section", broken)
    doc = record(two_point_one())
    assert "This part could not be written, because" in "\n".join(texts(doc))
    assert section(doc, "summary").blocks
