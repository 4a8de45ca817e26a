"""The settings sheet: what to enter in the processor, read out while kneeling before the rack."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.model import SettingEntered
from commission.model.formatting import filter_texts
from commission.model.units import clean_text, counted
from commission.steps.handover.settings_sheet import SheetLine, entered_crossovers, source_sentence
from commission.ui.blank import Pane
from commission.ui.paths import new_file
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import AskText
from commission.ui.widgets.draw.canvas import fit
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Item, Picker, text_item

HELP = """
Go to the processor with this list. Each line shows the channel and its current setting → new setting.

- A line that says "repair" has no new setting: repair and measure the channel first, then look here again.
- Set the new value in the processor, then tick the line with **Space**: it enters the log as applied, in the round
  *as left*. A line that says "no change" needs nothing.
- **w** writes the sheet as CSV. It restores everything if the processor is ever reset.
- Read the levels again afterwards: only the meter shows that the settings are right.
"""


class Sheet(VisitScreen):
    """Trims and delays, old value → new value."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "tick", "Applied", id="sheet.tick"),
        Binding("w", "write", "Write CSV", id="sheet.write"),
    ]
    HELP_TITLE, HELP_TEXT = "Settings sheet", HELP

    def __init__(self) -> None:
        super().__init__()
        self._known: tuple[SheetLine, ...] | None = None
        self._ticked: set[tuple[str, str]] = set()
        """(channel, kind) of the lines ticked since they were computed."""

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Static("", id="todo")
        with Pane(id="steps"):
            yield Picker(id="lines")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one("#lines").focus()
        self.refresh_results()

    def _lines(self) -> tuple[SheetLine, ...]:
        """The lines as computed last, with those ticked since."""
        if self.commission.sheet is not self._known:
            self._known, self._ticked = self.commission.sheet, set()
        lines = self._known or ()
        return tuple(replace(x, ticked=True) if (x.channel, x.kind) in self._ticked else x for x in lines)

    def refresh_results(self) -> None:
        self.show_head("Settings sheet")
        lines = self._lines()
        if self._known is None:
            text = "Results are being computed."
            if self.commission.analysis_stopped:
                text = "The analysis was stopped: go on with it on the overview."
            self.query_one("#todo", Static).update(text)
            return
        ticked = sum(line.ticked for line in lines)
        waiting = sum(line.new is None for line in lines)
        later = f", {waiting} after a repair or a new measurement" if waiting else ""
        applied = f"{ticked} of {len(lines)} applied{later}"
        text = (
            f"Readings: {source_sentence(lines)}. {applied[0].upper()}{applied[1:]}. Space ticks what you have set."
        )
        if not lines:
            text = "Nothing to set yet: read levels or measure distances first."
        self.query_one("#todo", Static).update(Content(text))
        items: list[Item] = []
        channel = ""
        for index, line in enumerate(lines):
            if line.channel != channel and channel:
                items.append(text_item("", ""))
            channel = line.channel
            items.append(Item(str(index), _runs(line, narrow=self.size.width < 78)))
            ranges = self.visit.job.system.processor.filters
            items += [text_item("", f"{'':<18}{text}") for text in filter_texts(line.filters, ranges)]
        if lines and (crossovers := entered_crossovers(self.visit.job.system)):
            items += [text_item("", ""), text_item("", "Crossovers as entered, not changed by this sheet")]
            items += [text_item("", f"{fit(f' {name}', 8)}{text}") for name, text in crossovers.items()]
        self.query_one("#lines", Picker).show(items)

    def action_tick(self) -> None:
        """Record that the selected value was entered in the processor."""
        key = self.query_one("#lines", Picker).key
        if not key:
            return
        line = self._lines()[int(key)]
        if line.new is None:
            self.notify(f"No {line.kind} is proposed for {line.channel}: {line.why}.", markup=False)
        elif line.ticked:
            self.notify("This is ticked already; take it back in the log with x.")
        elif self.store(*self.commission.sheet_to_keep, SettingEntered(setting=line.setting, applied=True)):
            self.commission.sheet_to_keep = ()
            self._ticked.add((line.channel, line.kind))
            self.refresh_results()
            self.query_one("#lines", Picker).action_move(1)

    def action_write(self) -> None:
        name = f"{self.visit.path.stem}-sheet.csv"
        self.app.push_screen(
            AskText(
                "Write the settings sheet to",
                "ends in .csv",
                name,
                lambda text: new_file(text, (".csv",)),
                enter="writes it",
            ),
            self._write,
        )

    def _write(self, name: str | None) -> None:
        if name:
            target = new_file(name, (".csv",))
            self.commission.run_job(
                lambda cancel, progress: self.commission.services.export_sheet(self.visit, target),
                self.commission.say,
            )


def _runs(line: SheetLine, *, narrow: bool) -> tuple[tuple[str, str], ...]:
    old, new = (line.text(value) for value in (line.old, line.new))
    if line.kind == "filters":
        old = "none" if line.old == "none" else counted(str(line.old).count(",") + 1, "filter")
        new = counted(len(line.filters), "filter")
    state = ("✓ applied", "pass") if line.ticked else (("no change", "dim") if not line.change else ("", ""))
    if line.why:
        state = (clean_text(line.why), "unsure")
    head = (
        (fit(f" {line.channel}", 8), "mark"),
        (fit("" if narrow else clean_text(line.name), 0 if narrow else 18), "dim"),
        (fit(line.kind, 9), ""),
        (fit(old, 9, "right"), "dim"),
        (" → ", "dim"),
    )
    if line.new is None:
        return (*head, state)
    return (
        *head,
        (fit(new, 9, "right"), "main" if line.change and not line.ticked else ""),
        (fit(f" {line.unit}", 13), ""),
        state,
    )
