"""Import of responses: where each file would go, corrected before anything is stored."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.widgets import Footer, Input, Static

from commission.model import Event, ImportOptions, ImportRow
from commission.model.units import clean_text
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import Choose
from commission.ui.widgets.draw.canvas import Line, fit
from commission.ui.widgets.picker import Item, Picker

HELP = """
1. Type the path of a file, a folder or a mapping (CSV with the header `file,round,channel,seat,kind`), Enter.
2. For raw sweep recordings give the stimulus that was played; else leave it empty.
3. Look at the list: where each file would go, and what stands against it. Correct a row: **c** channel, **a** seat,
   **o** round, **k** kind, **d** leave out.
4. **w** stores what is in order. A bad file is named and left out; the rest goes on. Escape stops between two files.

Names such as `A2_FL.wav` or `as-found/B1/TpFL.flac` say where they belong. The same file twice is noticed.
"""


class Imports(VisitScreen):
    """Survey, correct, store."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "write", "Store", id="import.store"),
        Binding("c", "edit('channel')", "Channel", id="import.channel"),
        Binding("a", "edit('seat')", "Seat", id="import.seat"),
        Binding("o", "edit('round')", show=False, id="import.round"),
        Binding("k", "edit('kind')", show=False, id="import.kind"),
        Binding("d", "leave_out", show=False, id="import.leave-out"),
        Binding("p", "focus_path", show=False, id="import.path"),
        Binding("r", "rounds", show=False, id="app.rounds"),
    ]
    HELP_TITLE, HELP_TEXT = "Import of responses", HELP

    def __init__(self) -> None:
        super().__init__()
        self.rows: tuple[ImportRow, ...] = ()
        self.said = "Type a path and press Enter."

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        with Vertical(id="import-fields"):
            with Horizontal():
                yield Static(" Path")
                yield Input(placeholder="file, folder or mapping.csv", id="path")
            with Horizontal():
                yield Static(" Stimulus")
                yield Input(placeholder="for raw sweeps: the WAV or FLAC that was played", id="stimulus")
        yield Static("", id="progress")
        with VerticalScroll(id="rows"):
            yield Picker(id="row-list")
        yield Static("", id="row-text")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """Begin with the path."""
        self.query_one("#path").focus()
        self.refresh_results()

    def refresh_results(self) -> None:
        """List the rows."""
        self.show_head("Import")
        self.query_one("#progress", Static).update(Content(" " + (self.commission.working or self.said)))
        width = max(self.size.width, 60)
        items = [Item(str(i), _runs(row, width)) for i, row in enumerate(self.rows)]
        self.query_one("#row-list", Picker).show(items)
        self._explain()

    def _explain(self) -> None:
        row = self._row
        text = ""
        if row is not None:
            text = (
                row.problem
                or row.warning
                or (f"stored already as event {row.duplicate_of}" if row.duplicate_of else "")
            )
            text = f"{clean_text(row.path.name)}: {clean_text(text) or 'in order'}"
        self.query_one("#row-text", Static).update(Content(text))

    @property
    def _row(self) -> ImportRow | None:
        key = self.query_one("#row-list", Picker).key
        return self.rows[int(key)] if key and int(key) < len(self.rows) else None

    @on(Picker.Selected)
    def selected(self) -> None:
        """What stands against the selected row."""
        self._explain()

    @property
    def _options(self) -> ImportOptions:
        stimulus = self.query_one("#stimulus", Input).value.strip()
        return ImportOptions(round=self.round_id, stimulus=Path(stimulus).expanduser() if stimulus else None)

    @on(Input.Submitted)
    def survey(self) -> None:
        """Look at the files."""
        path = self.query_one("#path", Input).value.strip()
        if not path:
            self.query_one("#path").focus()
            return
        job, options, importer = self.visit.job, self._options, self.commission.workshop.importer
        self.commission.run_job(
            lambda cancel, progress: importer.survey(
                (Path(path).expanduser(),), job, options, None, cancel, progress
            ),
            self._surveyed,
        )

    def _surveyed(self, rows: tuple[ImportRow, ...]) -> None:
        self.rows = rows
        self._count()
        self.query_one("#row-list").focus()
        self.refresh_results()

    def _count(self) -> None:
        good = sum(row.ready for row in self.rows)
        twice = sum(row.duplicate_of is not None for row in self.rows)
        bad = sum(row.problem is not None for row in self.rows)
        parts = (
            [f"{good} in order"]
            + ([f"{bad} with a problem"] if bad else [])
            + ([f"{twice} stored already"] if twice else [])
        )
        self.said = ", ".join(parts) + ". w stores what is in order." * bool(good)

    def action_focus_path(self) -> None:
        """Another path."""
        self.query_one("#path").focus()

    def action_leave_out(self) -> None:
        """Leave the selected row out, or take it in again."""
        row = self._row
        if row is not None:
            self._change(row, skip=not row.skip)

    def action_edit(self, what: str) -> None:
        """Correct one cell of the selected row."""
        row, system = self._row, self.visit.job.system
        if row is None:
            return
        options = {
            "channel": [(c.id, f"{c.id}  {c.name}") for c in system.channels],
            "seat": [(s.id, f"{s.id}  {s.name}") for s in system.seats],
            "round": [(r, r) for r in dict.fromkeys((*self.visit.job.rounds, "as-found", "as-left"))],
            "kind": [(k, k) for k in ("impulse", "sweep", "response")],
        }[what]
        if options:
            self.app.push_screen(
                Choose(f"{what} of {clean_text(row.path.name)}", options, getattr(row, what)),
                lambda value: self._change(row, **{what: value}) if value else None,
            )

    def _change(self, row: ImportRow, **values: object) -> None:
        changed = tuple(replace(each, **values) if each is row else each for each in self.rows)  # type: ignore[arg-type]
        self.rows = self.commission.workshop.importer.recheck(changed, self.visit.job)
        self._count()
        self.refresh_results()

    def action_write(self) -> None:
        """Store what is in order."""
        if not any(row.ready for row in self.rows):
            self.notify("Nothing in the list is in order yet.")
            return
        rows, options, visit, importer = self.rows, self._options, self.visit, self.commission.workshop.importer
        self.commission.run_job(
            lambda cancel, progress: visit.import_rows(importer, rows, options, cancel, progress), self._written
        )

    def _written(self, result: tuple[tuple[Event, ...], tuple[tuple[ImportRow, str], ...]]) -> None:
        stored, left_out = result
        self.rows = tuple(replace(row, problem=why) for row, why in left_out)
        self.said = f"{len(stored)} events stored" + (
            f", {len(left_out)} rows left out: see below." if left_out else "."
        )
        self.notify(self.said)
        self.refresh_results()


def _runs(row: ImportRow, width: int) -> Line:
    if row.skip:
        mark = ("– left out", "dim")
    elif row.duplicate_of is not None:
        mark = (f"– stored as {row.duplicate_of}", "dim")
    elif row.problem is not None:
        mark = ("✗ " + row.problem, "fail")
    else:
        mark = ("? " + row.warning if row.warning else "✓ in order", "unsure" if row.warning else "pass")
    name = clean_text(row.path.name) + (f" [{row.file_channel + 1}]" if row.file_channel else "")
    place = (row.channel or "?", row.seat or "?", row.round or "?", row.kind or "?")
    return (
        (fit(f" {name}", 26) + " ", ""),
        (fit(place[0], 6) + fit(place[1], 5) + fit(place[2], 10) + fit(place[3], 9), "second"),
        (fit(mark[0], max(width - 60, 12)), mark[1]),
    )
