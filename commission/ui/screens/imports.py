"""Import of responses: where each file would go, corrected before anything is stored."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.widgets import Input, Static

from commission.model import Event, ImportOptions, ImportRow
from commission.model.noise_states import STATES
from commission.model.units import clean_text, counted
from commission.ui.blank import Pane
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import AskText, Choose
from commission.ui.screens.import_rows import HEADING, alike, counts, explained, row_line
from commission.ui.text import round_name
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Item, Picker

HELP = """
1. Type the path of a file, a folder or a mapping (CSV with the header `file,round,channel,seat,kind`), Enter.
2. For raw sweep recordings, give the stimulus that was played, if it is not among the files; otherwise the sweep entered
   on the Site form is used. **b** names the channel of each file that recorded the played signal itself (a loopback): time
   is measured from it.
3. **t** says whether the files share one clock, **l** whether the sweeps passed the processor's delays. Both decide what
   the arrivals can show. Files that cannot share a clock are named.
4. Look at the list: where each file would go, and why. Correct a row: **c** channel, **a** seat, **o** round, **k** kind,
   **e** state of a recording of noise, **d** leave out.
5. **w** stores what is in order. A bad file is named and left out; the rest goes on. Escape stops between two files.

Names such as `A2_FL.wav`, `A2 Front left.wav` or `as-found/B1/TpFL.flac` say where they belong. A recording
that is there twice is recognised. Tab goes from field to field and to the list.
"""
OWN = "own"
CLOCKS = {
    "one": ("one for all: arrivals are compared with each other and the tape", True),
    "none": ("none: arrivals are not checked; levels and responses are", False),
}
PASSED = "passed: arrivals show whether they are right"
NOT_PASSED = "not applied: arrivals show the flight time, not the delays"
FIRST = (
    "Names such as A2_FL.wav or as-found/B1/TpFL.flac say where files belong. You see and correct the list before "
    "anything is stored."
)
LOOPBACKS = {"none": "none", **{str(n): f"channel {n} of each file" for n in range(1, 5)}}
DELAYS: dict[str, bool | None] = {"site": None, "passed": True, "none": False}


class Imports(VisitScreen):
    """The screen to survey, correct and store files."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "write", "Store", id="import.store"),
        Binding("c", "edit('channel')", "Channel", id="import.channel"),
        Binding("a", "edit('seat')", "Seat", id="import.seat"),
        Binding("d", "leave_out", "Leave out", id="import.leave-out"),
        Binding("o", "edit('round')", show=False, id="import.round"),
        Binding("k", "edit('kind')", show=False, id="import.kind"),
        Binding("e", "state", show=False, id="import.state"),
        Binding("t", "option('clock')", show=False, id="import.clock"),
        Binding("l", "option('delays')", show=False, id="import.delays"),
        Binding("b", "option('loopback')", show=False, id="import.loopback"),
        Binding("p", "focus_path", show=False, id="import.path"),
        Binding("r", "rounds", show=False, id="app.rounds"),
    ]
    HELP_TITLE, HELP_TEXT = "Import of responses", HELP

    def __init__(self) -> None:
        super().__init__()
        self.rows: tuple[ImportRow, ...] = ()
        self.status = "Type a path and press Enter; Tab goes to the next field."
        self._chosen = {"clock": "one", "delays": "site", "loopback": "none"}

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        with Vertical(id="import-fields"):
            with Horizontal():
                yield Static(" Path")
                yield Input(placeholder="file, folder or mapping.csv", id="path")
            with Horizontal():
                yield Static(" Stimulus")
                yield Input(placeholder="for raw sweeps: the WAV or FLAC that was played", id="stimulus")
            yield Picker(id="import-options")
        yield Static("", id="progress")
        yield Static("", id="columns", classes="dim")
        with Pane(id="rows"):
            yield Picker(id="row-list")
        yield Static("", id="row-text")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one("#path").focus()
        self.refresh_results()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Hide the actions on rows while there are none."""
        return bool(self.rows) if action in ("write", "edit", "state", "leave_out") else True

    # --- what is shown ----------------------------------------------------------------------------------------

    def refresh_results(self) -> None:
        self.show_head("Import")
        self.query_one("#progress", Static).update(Content(" " + (self.commission.working or self.status)))
        self.query_one("#import-options", Picker).show(
            [
                Item("clock", ((" t", "mark"), (" Clock    ", "dim"), (CLOCKS[self._chosen["clock"]][0], ""))),
                Item(
                    "delays", ((" l", "mark"), (" Delays   ", "dim"), (self._delay_words(self._chosen["delays"]), ""))
                ),
                Item("loopback", ((" b", "mark"), (" Loopback ", "dim"), (LOOPBACKS[self._chosen["loopback"]], ""))),
            ]
        )
        width = max(self.size.width, 40)
        self.query_one("#columns", Static).update(Content(HEADING if self.rows else ""))
        self.query_one("#row-list", Picker).show(
            [Item(str(i), row_line(row, width)) for i, row in enumerate(self.rows)]
        )
        self._explain()
        self.refresh_bindings()

    def _delay_words(self, key: str) -> str:
        words = {"passed": PASSED, "none": NOT_PASSED}
        if key in words:
            return words[key]
        return "Site form: " + (PASSED if self.visit.job.system.processor.sweeps_pass_delays else NOT_PASSED)

    def _explain(self) -> None:
        row = self._row
        self.query_one("#row-text", Static).update(Content(explained(row) if row is not None else FIRST))

    @property
    def _row(self) -> ImportRow | None:
        key = self.query_one("#row-list", Picker).key
        return self.rows[int(key)] if key and int(key) < len(self.rows) else None

    @on(Picker.Selected, "#row-list")
    def selected(self) -> None:
        self._explain()

    # --- what holds for all files -----------------------------------------------------------------------------

    @on(Picker.Chosen, "#import-options")
    def option_chosen(self, event: Picker.Chosen) -> None:
        self.action_option(event.key)

    def action_option(self, what: str) -> None:
        """Choose an option for all files, and apply its consequences."""
        if what == "clock":
            options, title = (
                [(key, words) for key, (words, _) in CLOCKS.items()],
                "Which clock did the recordings share?",
            )
        elif what == "loopback":
            options, title = list(LOOPBACKS.items()), "Which channel recorded the signal itself?"
        else:
            options = [(key, self._delay_words(key)) for key in DELAYS]
            title = "Were the processor's delays active while the sweeps ran?"
        self.app.push_screen(Choose(title, options, self._chosen[what]), lambda key: self._option(what, key))

    def _option(self, what: str, key: str | None) -> None:
        if key is None:
            return
        self._chosen[what] = key
        if what == "loopback" and self.rows:
            self.survey()  # the stimulus determines the deconvolution
        else:
            self.refresh_results()

    @property
    def _options(self) -> ImportOptions:
        """The options, without a round: names and mappings give theirs, and the round shown fills the rest."""
        stimulus = self.query_one("#stimulus", Input).value.strip()
        loopback = self._chosen["loopback"]
        return ImportOptions(
            stimulus=Path(stimulus).expanduser() if stimulus else None,
            loopback=int(loopback) - 1 if loopback.isdecimal() else None,
            passes_delays=DELAYS[self._chosen["delays"]],
        )

    # --- looking, correcting, storing -------------------------------------------------------------------------

    @on(Input.Submitted)
    def survey(self) -> None:
        path = self.query_one("#path", Input).value.strip()
        if not path:
            self.query_one("#path").focus()
            return
        job, options, importer = self.visit.job, self._options, self.commission.services.importer
        self.commission.run_job(
            lambda cancel, progress: importer.survey(
                (Path(path).expanduser(),), job, options, None, cancel, progress
            ),
            self._surveyed,
        )

    def _surveyed(self, rows: tuple[ImportRow, ...]) -> None:
        filled = tuple(
            row
            if row.round or row.is_stimulus
            else replace(
                row, round=self.round_id, place_reason=f"{row.place_reason}; round as on this screen".lstrip("; ")
            )
            for row in rows
        )
        self._judge(filled)
        if self.is_mounted:
            self.query_one("#row-list").focus()

    def _judge(self, rows: tuple[ImportRow, ...]) -> None:
        self.rows = self.commission.services.importer.recheck(rows, self.visit.job)
        self.status = counts(self.rows)
        if self.is_mounted:
            self.refresh_results()

    def action_focus_path(self) -> None:
        self.query_one("#path").focus()

    def action_leave_out(self) -> None:
        """Leave the selected row out, or include it again."""
        row = self._row
        if row is not None:
            self._change((row,), skip=not row.skip)

    def action_edit(self, what: str) -> None:
        """Correct one cell of the selected row; a round or a kind optionally for all rows alike."""
        row, system = self._row, self.visit.job.system
        if row is None:
            return
        options = {
            "channel": [(c.id, f"{c.id}  {c.name}") for c in system.channels],
            "seat": [(s.id, f"{s.id}  {s.name}") for s in system.seats],
            "round": self._rounds(row),
            "kind": [
                ("impulse", "impulse response"),
                ("sweep", "raw recording of a sweep"),
                ("response", "text: frequency and level"),
                ("noise", "noise of the room, by state"),
            ],
        }[what]
        if not options:
            self.notify("Describe channels and seats on the Site form first.", severity="warning")
            return
        title = f"{what.capitalize()} of {clean_text(row.path.name)}"
        self.app.push_screen(
            Choose(title, options, getattr(row, what)),
            lambda value: self._edited(row, what, value) if value else None,
        )

    def action_state(self) -> None:
        """Ask what was switched on in the selected noise recording: a known state, or a custom name."""
        row = self._row
        if row is None or row.kind != "noise":
            self.notify("Only noise has a state: choose that kind first (k).", severity="warning")
            return

        def change(state: str | None) -> None:
            if state is not None and clean_text(state).strip():
                self._change((row,), state=clean_text(state).strip())

        def chosen(state: str | None) -> None:
            if state == OWN:
                self.app.push_screen(AskText(title, "what was switched on"), change)
            else:
                change(state)

        title = f"State of {clean_text(row.path.name)}"
        options = [(each, each) for each in STATES]
        options += [("calibrator 94 dB", "the calibrator, 94 dB"), (OWN, "a name that you choose")]
        self.app.push_screen(Choose(title, options, row.state), chosen)

    def _rounds(self, row: ImportRow) -> list[tuple[str, str]]:
        """The rounds of the job, and a new one named by the mapping."""
        known = tuple(dict.fromkeys((*self.visit.job.rounds, "as-found", "as-left")))
        options = [(each, round_name(each)) for each in known]
        if row.round is not None and row.round not in known:
            options.append((row.round, f"{clean_text(row.round)}: begin this round"))
        return options

    def _edited(self, row: ImportRow, what: str, value: str) -> None:
        others = alike(self.rows, row, what) if what in ("round", "kind") else (row,)
        by_hand: dict[str, dict[str, object]] = {"kind": {"kind_reason": "chosen here"}, "round": {"new_round": True}}
        more = by_hand.get(what, {"name_problem": None})
        if len(others) == 1:
            self._change((row,), **{what: value}, **more)
            return
        old = getattr(row, what) or "none"
        options = [("one", "this file alone"), ("all", f"all {len(others)} files with {what} {clean_text(old)}")]

        def change(answer: str | None) -> None:
            if answer is not None:
                self._change(others if answer == "all" else (row,), **{what: value}, **more)

        self.app.push_screen(Choose(f"{what.capitalize()} {value}: for which files?", options), change)

    def _change(self, rows: tuple[ImportRow, ...], **values: object) -> None:
        self._judge(
            tuple(replace(each, **values) if any(each is row for row in rows) else each for each in self.rows)  # type: ignore[arg-type]
        )

    def action_write(self) -> None:
        if not any(row.ready for row in self.rows):
            self.notify("Nothing in the list is in order yet.")
            return
        visit, options, importer = self.visit, self._options, self.commission.services.importer
        shared = CLOCKS[self._chosen["clock"]][1]
        rows = tuple(
            replace(row, shared_clock=row.shared_clock and (shared or row.loopback is not None)) for row in self.rows
        )
        self.commission.run_job(
            lambda cancel, progress: visit.import_rows(importer, rows, options, cancel, progress), self._written
        )

    def _written(self, result: tuple[tuple[Event, ...], tuple[tuple[ImportRow, str], ...]]) -> None:
        stored, left_out = result
        self.rows = tuple(replace(row, problem=why) for row, why in left_out)
        rest = f", {counted(len(left_out), 'file')} left out: see below." if left_out else "."
        self.status = f"{counted(len(stored), 'event')} stored{rest}"
        self.notify(self.status)
        if self.is_mounted:
            self.refresh_results()
