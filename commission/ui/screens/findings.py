"""Findings by cause, with evidence, alternatives, confirming test, remedy and actions."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.model.fate import ACTION_WORDS, Fate
from commission.model.units import clean_text, counted, round_name
from commission.ui.blank import Pane
from commission.ui.screens.base import VisitScreen
from commission.ui.widgets.draw.canvas import Line, fit, wrap
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Item, Picker, text_item

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from commission.diagnosis.unexplained_checks import OpenChecks
    from commission.model import FindingHistory

HELP = """
Trouble has three causes: **electronics** (equipment and wiring), **room** (construction and layout), **settings**
(calibration). They are listed in the order of repair: nothing else can be checked while the wiring is wrong. What is no
longer open comes last.

- Each finding names its evidence, what else could explain it, and the test that would confirm it. Do the test before you
  repair. **Amplifier off** before you touch loudspeaker cables; mains wiring is for licensed trades.
- **Enter** logs what was done: repaired, adjusted, replaced, accepted by the client, left for later. The log can take it
  back (x). A repair in the log is not proof: the finding stays until the channel is measured again without it.
- A finding of an earlier round that was not measured again stays here, and says so.
- Failed checks that no finding accounts for are listed below, and what was not examined.
"""
MARKS = {
    Fate.REPAIRED: ("✓", "pass"),
    Fate.NO_LONGER_FOUND: ("✓", "pass"),
    Fate.REPAIRED_NOT_MEASURED: ("?", "unsure"),
    Fate.NOT_MEASURED_AGAIN: ("–", "unsure"),
    Fate.NOT_DETERMINED: ("?", "unsure"),
}
"""Symbol and style of each fate; all others are open."""


class FindingList(Picker):
    """The list of findings; Enter logs an action."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "choose", "What was done", key_display="Enter", id="list.choose"),
    ]


class Findings(VisitScreen):
    """A list of findings, with the selected one in full below."""

    HELP_TITLE, HELP_TEXT = "Findings", HELP

    def __init__(self, selected: str = "") -> None:
        """`selected` is the key of the first selected line, as made by `finding_items`."""
        super().__init__()
        self._selected = selected

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        with Pane(id="finding-list"):
            yield FindingList(id="findings")
        with Pane(id="finding-text", can_focus=True):
            yield Static("", id="finding")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one("#findings").focus()
        self.refresh_changed()
        if self._selected:
            self.query_one("#findings", Picker).select(self._selected)

    def refresh_results(self) -> None:
        self.show_head("Findings")
        width = max(self.size.width - 2, 40)
        items = finding_items(self.commission.finding_histories, self.commission.unexplained, self._titles, width)
        if not items:
            items = [text_item("", f" {self._why_none()}", "dim")]
        items += [text_item("", f" {line}", "dim") for line in self._gaps(width)]
        self.query_one("#findings", Picker).show(items)
        self._show()

    @property
    def _titles(self) -> dict[str, str]:
        return {each.id: each.title for each in self.visit.steps}

    def _gaps(self, width: int) -> list[str]:
        """Causes that were not examined, and checks that remain open."""
        if not self.all_known:
            return []
        from commission.diagnosis.unexplained_checks import examined, not_examined, undecided

        lines = []
        # For a job without measurements the list would have every symptom.
        if examined(self.commission.outcomes) and (symptoms := not_examined(self.commission.outcomes)):
            lines += wrap(f"Not examined: {', '.join(symptoms)}.", width)
        if groups := undecided(self.commission.outcomes):
            lines += wrap(f"{open_counts(groups)} {round_name(self.round_id)}: the steps list them.", width)
        return lines

    def _why_none(self) -> str:
        if self.commission.analysis_stopped:
            return "Not known: the analysis was stopped, and goes on from the overview."
        if self.commission.working or not self.all_known:
            return "Results are being computed."
        from commission.diagnosis.unexplained_checks import examined

        if not examined(self.commission.outcomes):
            return f"Nothing was examined {round_name(self.round_id)} yet."
        return f"No fault was found in what was examined {round_name(self.round_id)}."

    def on_picker_selected(self) -> None:
        self._show()

    def _show(self) -> None:
        key = self.query_one("#findings", Picker).key
        width = max(self.size.width - 4, 30)
        lines: list[str] = []
        if (history := self._finding(key)) is not None:
            lines = finding_text(history, width)
        elif key.startswith("check "):
            groups = self.commission.unexplained
            place = int(key.split()[1])
            lines = checks_text(groups[place], width, self.visit.job.system.units) if place < len(groups) else []
        self.query_one("#finding", Static).update(Content("\n".join(clean_text(line) for line in lines)))

    def _finding(self, key: str) -> FindingHistory | None:
        found = self.commission.finding_histories
        return found[int(key)] if key.isdecimal() and int(key) < len(found) else None

    @on(Picker.Chosen)
    def log_action(self, event: Picker.Chosen) -> None:
        """Ask for an action on the selected finding."""
        if (history := self._finding(event.key)) is not None:
            from commission.ui.screens.actions import ask_action

            ask_action(self, history)


def finding_items(
    histories: Sequence[FindingHistory], groups: Sequence[OpenChecks], titles: Mapping[str, str], width: int
) -> list[Item]:
    """One line for each open finding under its cause, failed checks without a cause, then findings no longer found.

    The keys are the number of a finding, or "check" and the number of a group of checks.
    """
    items = _under_causes(histories, width, gone=False)
    if groups:
        items.append(text_item("", " failed checks, no cause found", "head"))
        for index, group in enumerate(groups):
            line = (("✗ ", "fail"), (clean_text(group.sentence(titles.get(group.step, group.step))), ""))
            items.append(Item(f"check {index}", line))
    return items + _under_causes(histories, width, gone=True)


def _under_causes(histories: Sequence[FindingHistory], width: int, *, gone: bool) -> list[Item]:
    """The findings that are open or, with `gone`, those that are not, each under its cause."""
    items: list[Item] = []
    cause = ""
    for index, each in enumerate(histories):
        if each.fate.gone != gone:
            continue
        if each.first.cause != cause:
            cause = each.first.cause
            items.append(text_item("", f" {cause}, no longer open" if gone else f" {cause}", "head"))
        items.append(Item(str(index), finding_line(each, width)))
    return items


def finding_line(history: FindingHistory, width: int) -> Line:
    """Symbol, title and fate."""
    symbol, style = MARKS.get(history.fate, ("✗", "fail"))
    # On one line, the title takes precedence over the settings sheet that led to it.
    status = clean_text(history.status if history.actions or not history.fate.gone else Fate.NO_LONGER_FOUND.value)
    room = max(width - 5 - len(status), width * 2 // 5)
    return (
        (f"{symbol} ", style),
        (fit(clean_text(history.title), room), ""),
        (f" {status}", "dim" if history.fate.gone else style),
    )


def open_counts(groups: Sequence[OpenChecks]) -> str:
    """Counts of checks as in "12 checks unsure, 3 not tested"."""
    counts: dict[str, int] = {}
    for group in groups:
        counts[group.verdict.value] = counts.get(group.verdict.value, 0) + len(group.checks)
    parts = [f"{count if n else counted(count, 'check')} {word}" for n, (word, count) in enumerate(counts.items())]
    return ", ".join(parts)


def finding_text(history: FindingHistory, width: int) -> list[str]:
    """A finding in full: status, evidence, alternatives, test, remedy, actions."""
    finding = history.finding
    sure = f" (confidence {finding.confidence:.0%})" if finding.confidence is not None else ""
    is_cause = finding.step not in ("quiet", "layout")  # these state what was measured
    likely = "Likely: " if is_cause and finding.alternatives and not history.actions else ""
    lines = [*wrap(f"{likely}{history.title}{sure}", width), ""]
    done = [
        f"{ACTION_WORDS[a.body.action]}{f' by {a.body.by}' if a.body.by else ''}, {a.at[:10]} {a.at[11:16]} UTC"
        + (f": {a.body.note}" if a.body.note else "")
        for a in history.actions
    ]
    first = history.first.title
    parts = [
        ("Status", (history.status,)),
        ("First found", (round_name(history.round) + (f": {first}" if first != history.title else ""),)),
        ("Done", tuple(done)),
        ("Evidence", finding.evidence),
    ]
    parts += [("Could also be", finding.alternatives), ("To confirm", (finding.confirm,))]
    parts += [("Remedy", (finding.remedy,))]
    for title, texts in parts:
        for index, text in enumerate(t for t in texts if t):
            label = f"{title}:" if index == 0 else ""
            wrapped = wrap(text, width - 15)
            lines += [f"{label if i == 0 else '':<15}{part}" for i, part in enumerate(wrapped)]
    return lines


def checks_text(group: OpenChecks, width: int, units: str) -> list[str]:
    """Every check of a group with its value and limit."""
    from commission.model.formatting import place_text
    from commission.model.quantities import check_value, limit_text

    lines = []
    for check in group.checks:
        bounds = f", limit {limit_text(check.limit, units)}" if check.limit is not None else ""
        lines += wrap(f"{place_text(check.channel, check.seat)}: {check_value(check, units)}{bounds}", width)
    return lines
