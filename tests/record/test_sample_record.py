"""The record of the sample job: every figure that matters, in plain words."""

from __future__ import annotations

import re
import threading
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from jobs import CREATED_AT, blocks, grids, section, text_of
from solved_services import SolvedServices

from commission.model import AS_LEFT
from commission.model.progress import unwatched
from commission.record.content.assembly import document
from commission.record.document import Document, Figure, PrintedTable
from commission.record.pdf.render import render_pdf
from commission.visit import Visit

SAMPLE = Path(__file__).resolve().parents[2] / "sample_measurements" / "harbour-lane.toml"


def opened(sample: Path) -> Visit:
    visit = SolvedServices(sample.parent / "state").open(sample, read_only=True)
    visit.analyse(threading.Event(), unwatched)
    return visit


@pytest.fixture(scope="module")
def visit(sample: Path) -> Iterator[Visit]:
    visit = opened(sample)
    yield visit
    visit.close()


@pytest.fixture(scope="module")
def record(visit: Visit) -> Document:
    return document(visit, created_at=CREATED_AT)


def test_the_reset_table_holds_every_value_as_left_to_the_digit(record: Document) -> None:
    """Compared with the job definition, read here without code of the project."""
    left = [s for s in tomllib.loads(SAMPLE.read_text("utf-8"))["setting"] if s["round"] == "as-left"]
    rows = {row[0].split(" ")[0]: row for row in next(g for g in grids(record) if g.id == "settings-reset").rows}
    assert len(left) == len(rows) == 13
    for setting in left:
        row = rows[setting["channel"]]
        trim = f"{setting['trim_db']:+.1f}".replace("-", "−") if setting["trim_db"] else "0.0"
        assert trim in row, (setting, row)
        assert f"{setting['distance']:.2f}" in row, (setting, row)
        assert setting["polarity"] in row


def test_page_one_lists_exactly_the_invented_faults(record: Document) -> None:
    """The faults built into the sample are listed in sample_measurements/README.md."""
    gone = text_of(section(record, "summary-found"))
    for fault in (
        "Back left and Back right were most likely connected to each other's outputs",
        "One of Front left and Front right was most likely connected the wrong way round",
        "Almost no high tones came from Side left",
        "typed in feet",
        "The bass of Subwoofer rear did not come together with the other loudspeakers",
        "Dialogue was quiet: Centre was too quiet",
        "A hum was audible in quiet scenes, likely from a ground loop: hum at 50 Hz with electronics on",
    ):
        (line,) = [line for line in gone.splitlines() if fault in line]
        assert line.lower().endswith("no longer found."), line
    assert gone.lower().count("no longer found.") == 8
    assert "dB below the other front loudspeakers" in gone
    remains = text_of(section(record, "summary-remains"))
    assert (
        "The room is not quiet, likely because of the building or its ventilation: NC 29 with ventilation high"
        in remains
    )
    assert (
        "By the entered positions, Top back left and Top back right do not hang just behind the back row" in remains
    )
    first = text_of(section(record, "summary")).splitlines()[1]
    assert first == "Two problems remain in your cinema; eight found before are no longer found."
    assert "Dialogue, as left: speech is understood at every seat that was measured" in text_of(
        section(record, "summary")
    )


def test_no_remark_of_as_found_is_repeated_for_as_left(record: Document) -> None:
    """The sample's remarks on distances as found name feet and swapped cables, which are gone as left."""
    found, left = (text_of(section(record, f"step-distances-as-{r}")) for r in ("found", "left"))
    assert "typed in feet" in found
    assert "plays from the position of" in found
    assert "apply here too" not in left
    assert "Speed of sound 344.1 m/s at 21.5 °C" in left


def test_what_remains_of_the_room_was_there_before(record: Document) -> None:
    remains = text_of(section(record, "summary-remains"))
    assert "The first measurement could not show this." not in remains
    assert "It was not there in the first measurement" not in remains


def test_each_seat_has_its_sentence(record: Document) -> None:
    lines = text_of(section(record, "summary-seats")).splitlines()
    for seat in ("A1", "A2", "A3", "B1", "B2", "B3"):
        (line,) = [line for line in lines if line.startswith(f"Seat {seat}")]
        assert ": better. " in line


def test_page_one_speaks_plainly(record: Document) -> None:
    summary = text_of(section(record, "summary"))
    jargon = (
        r"\b(RMS|rms|MSV|U =|dB²|variance|SPL|latency|impulse|octave|re the|k =|TpFL|BL|FR|SiL|SUB[12]|as-left)\b"
    )
    assert re.findall(jargon, summary) == []


def test_page_one_is_one_sheet(record: Document) -> None:
    from io import BytesIO

    from pypdf import PdfReader

    made = record
    pages = PdfReader(BytesIO(render_pdf(made))).pages
    first, second = (pages[i].extract_text() for i in range(2))
    # Only the explanation of technical terms may start on the next page.
    assert made.sections[0].sections[-1].id.endswith("words")
    assert made.sections[0].sections[-2].title in first
    assert made.sections[0].sections[-2].title not in second
    assert made.sections[1].title in second


def test_steps_are_in_the_order_of_the_visit(record: Document) -> None:
    order = [part.id for part in section(record, "steps").sections]
    known = ("step-site", "step-layout", "step-levels", "step-distances", "step-seats", "step-compare")
    assert [each for each in order if each in known] == list(known)  # whatever other steps there are
    assert "step-handover" not in order  # its parts have places of their own


def test_every_finding_has_its_evidence_and_what_would_settle_it(record: Document) -> None:
    text = text_of(section(record, "findings"))
    for part in (
        "BL and BR swapped. No longer found.",
        "Evidence",
        "Could also be",
        "To confirm",
        "Remedy",
        "with ventilation high (limit NC 25). Still there.",
    ):
        assert part in text, part


def test_each_limit_has_its_basis_and_uncertainty(record: Document, visit: Visit) -> None:
    rows = next(grid for grid in grids(record) if grid.id == "limits-grid").rows
    text = "\n".join("|".join(row) for row in rows)
    known = {
        check.limit.basis
        for r in visit.job.rounds
        for outcome in visit.outcomes(r).values()
        for check in outcome.checks
        if check.limit is not None
    }
    assert known
    assert sorted(basis for basis in known if basis not in text) == []


def test_each_uncertainty_is_listed_with_its_sources(record: Document, visit: Visit) -> None:
    """The shares add up, and the largest U of each kind equals that of its checks as left."""
    parts = section(record, "budgets").sections
    known = ("budgets-layout", "budgets-levels", "budgets-distances", "budgets-seats")
    assert [part.id for part in parts if part.id in known] == list(known)  # whatever other steps there are
    budgets = [
        grid for part in parts for grid in part.blocks if isinstance(grid, PrintedTable) and len(grid.headings) == 5
    ]
    assert len(budgets) >= 10
    for grid in budgets:
        shares = [0.25 if row[3] == "< 1" else float(row[3]) for row in grid.rows]
        assert abs(sum(shares) - 100) <= 0.5 * len(shares), grid.title  # each is rounded to a whole per cent
    subs = {"SUB1", "SUB2"}
    mains = [c.uncertainty for c in visit.outcome("levels", AS_LEFT).checks if c.channel and c.channel not in subs]
    remarks = [grid.remark for grid in budgets if grid.title.startswith("Hand-read level relative to")]
    assert any(f"U = 2 u = {2 * max(mains):.2g} dB." in remark for remark in remarks)
    # Before and after of each band: one table of its own in that step, not some hundred here.
    assert "Compare: see the table in that step." in text_of(section(record, "budgets"))


def test_rows_without_a_significant_change_are_left_out_and_counted(record: Document, visit: Visit) -> None:
    shown = {grid.title: grid for grid in grids(record) if grid.id.startswith("compare-")}
    whole = visit.outcome("compare", "as-left").tables
    tables = [table for table in whole if not table.id.endswith(("uncertainty", "predicted"))]
    assert len(tables) == 4
    for table in tables:
        grid = shown[table.title]
        bands = visit.outcome("compare", "as-left").tables[0 if ":heard" in table.id else 1]
        real = {row.key for row in bands.rows if "no real change" not in row.cells}
        assert [row[:2] for row in grid.rows] == [row.cells[:2] for row in table.rows if row.key in real]
        assert 0 < len(real) < len(table.rows)
        assert f"{len(table.rows) - len(real)} rows without a real change are left out" in grid.remark


def test_the_same_log_gives_the_same_record(record: Document, sample: Path) -> None:
    again = opened(sample)
    assert document(again, created_at=CREATED_AT) == record
    again.close()


def test_every_drawing_is_described_with_its_numbers(record: Document) -> None:
    """WCAG 2.2, 1.1.1: an alternative serves the same purpose; before and after are both described."""
    states = ["as found: ", "as left: "]
    figures = [block for block in blocks(record) if isinstance(block, Figure)]
    pairs = 0
    for figure in figures:
        assert len(re.findall(r"\d(?: (?:dB|Hz|kHz|m)\b|°)", figure.alt)) >= 3, figure.alt
        assert "-plan" in figure.id or figure.alt.startswith(figure.title), figure.alt
        if len(re.findall(r"stroke-dasharray", figure.svg)) and all(state[:-2] in figure.svg for state in states):
            pairs += 1
            assert all(state in figure.alt for state in states), figure.alt
    assert len(figures) > 20
    assert pairs > 5
