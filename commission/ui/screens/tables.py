"""Screens of tables about the whole job: limits in force, and verdicts then and now."""

from __future__ import annotations

from abc import abstractmethod
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.diagnosis import RULES
from commission.diagnosis.verdict_changes import VerdictChange
from commission.model import Column, Row, Table, Verdict, table_of
from commission.model.formatting import place_text, verdict_word
from commission.model.units import clean_text
from commission.steps import all_steps, step
from commission.steps.shared.limits_table import limits_tables, rooms_passing
from commission.ui.blank import Pane
from commission.ui.paths import existing_file
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import AskText
from commission.ui.text import round_name
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.result_table import ResultTable


class TablesScreen(VisitScreen):
    """Tables below each other, with the selected row in full below them. Subclasses provide `tables` and `about`."""

    title_text = ""
    DEFAULT_CSS = """
    TablesScreen #tables { height: 1fr; }
    TablesScreen #about { height: auto; min-height: 3; max-height: 8; padding: 0 1; background: $surface; }
    """

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Pane(id="tables")
        yield Static("", id="about")
        yield KeyLine()

    def on_mount(self) -> None:
        self.refresh_results()
        if (first := next(iter(self.query(ResultTable)), None)) is not None:
            first.focus()

    @abstractmethod
    def tables(self) -> tuple[Table, ...]:
        """The tables to show."""

    @abstractmethod
    def about(self, row: Row | None) -> str:
        """Details of a row; None: no row is selected."""

    def refresh_results(self) -> None:
        if not self.is_mounted:
            return
        self.show_head(self.title_text)
        made, views = self.tables(), list(self.query(ResultTable))
        for view, table in zip(views, made, strict=False):
            view.show(table)
        for view in views[len(made) :]:
            view.remove()
        units = self.visit.job.system.units
        self.query_one("#tables").mount(*(ResultTable(table, units) for table in made[len(views) :]))
        focused = self.focused if isinstance(self.focused, ResultTable) else next(iter(views), None)
        self._say(focused.row if focused is not None else None)

    def _say(self, row: Row | None) -> None:
        text = self.commission.working or self.about(row)
        self.query_one("#about", Static).update(Content("\n".join(clean_text(line) for line in text.split("\n"))))

    @on(ResultTable.Selected)
    def row_selected(self, event: ResultTable.Selected) -> None:
        self._say(event.row)

    @on(Painted.Edge)
    def edge(self, event: Painted.Edge) -> None:
        """Move on to the next table beyond the end of one."""
        views = list(self.query(ResultTable))
        if not isinstance(event.view, ResultTable):
            return
        place = views.index(event.view) + event.direction
        if 0 <= place < len(views):
            views[place].focus()
        elif event.direction > 0:
            self.query_one("#tables").scroll_end(animate=False)
        else:
            self.query_one("#tables").scroll_home(animate=False)


class Limits(TablesScreen):
    """The limits of the verdicts."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("f", "file", "Other file", id="limits.file")]
    title_text = "Limits"
    DEFAULT_CSS = (
        "Limits #tables { overflow-y: scroll; }"  # always too long: its width is known before the first layout
    )
    HELP_TITLE = "Limits"
    HELP_TEXT = """
Every verdict uses one of these limits. Below the table: what the selected limit applies to, and its basis.

- **f** reads your own file (TOML). It contains only what differs from the defaults, each limit with unit and basis. From
  then on this job uses it; name, version and every number are stored with the job and printed on the record.
- A wider limit never makes a verdict worse. Taking the choice back in the log (x) restores the earlier limits.
- A file has `schema = 1`, `name`, `version`, and for each limit:

```
[[limit]]
quantity = "levels.match"
low = -0.3
high = 0.3
unit = "dB"
basis = "our own practice, after forty rooms"
```
"""

    def tables(self) -> tuple[Table, ...]:
        """The limits in short; the selected one is shown in full below."""
        tables = limits_tables(self.visit.job.profile, all_steps(), RULES)
        long = ("checks", "applies", "basis") if self.has_class("narrow") else ()
        return tuple(each.without(*long, "rooms") for each in tables)

    def about(self, row: Row | None) -> str:
        """What the limit applies to, its basis and its source."""
        profile = self.visit.job.profile
        limit = next((each for each in profile.limits if row is not None and each.quantity == row.key), None)
        if row is not None and limit is None:
            return self._about_fixed(row)
        if limit is None:
            return f"Limits in use: {profile.title}."
        whose = f"from {profile.title}" if limit.own else "default"
        rooms = f"Rooms that pass: {rooms_passing(limit)}"
        return f"{limit.quantity}, {whose}\nApplies to: {limit.applies}\nBasis: {limit.basis}\n{rooms}"

    def _about_fixed(self, row: Row) -> str:
        """A row with a limit outside the profile, in words."""
        tables = limits_tables(self.visit.job.profile, all_steps(), RULES)
        full = next((table, each) for table in tables for each in table.rows if each.key == row.key)
        named = zip((column.title for column in full[0].columns), full[1].cells, strict=True)
        return "\n".join(f"{title}: {cell}" for title, cell in named if cell and isinstance(cell, str))

    def action_file(self) -> None:
        """Use another limits file; an error in it stays on screen."""
        services, visit = self.commission.services, self.visit

        def used(text: str | None) -> None:
            if text is not None:
                self.commission.say(
                    f"Limits from now on: {visit.job.profile.title}. You can take this back in the log."
                )
                self.commission.compute()
                self.refresh_results()

        self.app.push_screen(
            AskText(
                "Path of a limits file",
                "ends in .toml; holds only what differs; ~ is your home",
                "",
                lambda text: services.use_limits(visit, existing_file(text)),
            ),
            used,
        )


class VerdictChanges(TablesScreen):
    """Stored verdicts beside those of this version for the same readings."""

    title_text = "Changed verdicts"
    HELP_TITLE = "Changed verdicts"
    HELP_TEXT = """
With every signature and every record, the log stores all verdicts and the version of the program that gave them. Here the
same readings are checked by the current version. Where a verdict differs, the record that was handed over stays as it is;
this list shows what to tell whoever has it.
"""

    def tables(self) -> tuple[Table, ...]:
        """One line for each verdict that differs."""
        found = self.commission.verdict_changes
        if found is None or not found.differences:
            return ()
        table = table_of(
            tuple(enumerate(found.differences)),
            (Column(key="check", title="Check"), lambda each: each[1].id),
            (Column(key="channel", title="Channel"), lambda each: each[1].channel or ""),
            (Column(key="seat", title="Seat"), lambda each: each[1].seat or ""),
            (Column(key="round", title="Round"), lambda each: round_name(each[1].round)),
            (Column(key="then", title="Then"), lambda each: _word(each[1].then)),
            (Column(key="now", title="Now"), lambda each: _word(each[1].now)),
            (Column(key="value_then", title="Value then", decimals=2), lambda each: each[1].value_then),
            (Column(key="value_now", title="Value now", decimals=2), lambda each: each[1].value_now),
            (Column(key="unit", title="Unit"), lambda each: each[1].unit),
            id="verdict-changes",
            title="Then and now",
            key=lambda each: str(each[0]),
        )
        return (table,)

    def about(self, row: Row | None) -> str:
        """A summary sentence, and the selected verdict in words."""
        found = self.commission.verdict_changes
        if found is None:
            return "No verdicts are stored in this job yet: a record or a signature stores them."
        lines = [found.sentence, *(f"Not compared: {text}." for text in found.left_out)]
        if row is not None and int(row.key) < len(found.differences):
            lines.append(_words(found.differences[int(row.key)]))
        return "\n".join(lines)


def _word(verdict: str | None) -> str:
    return "not checked" if verdict is None else verdict_word(Verdict(verdict))


def _words(each: VerdictChange) -> str:
    what = f"{step(each.step).title}: {each.id} {place_text(each.channel, each.seat)}".rstrip()
    return f"{what}, {round_name(each.round)}: {_word(each.then)} → {_word(each.now)}"
