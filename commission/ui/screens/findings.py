"""What is wrong, by cause: evidence, what else it could be, the test that would confirm it, the remedy."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Footer, Static

from commission.model import Finding
from commission.ui.screens.base import VisitScreen
from commission.ui.widgets.draw.canvas import wrap
from commission.ui.widgets.picker import Item, Picker, text_item

HELP = """
Trouble has three causes: **electronics** (equipment and wiring), **room** (construction and layout), **settings**
(calibration). What is mended first stands first: nothing else can be judged while the wiring is wrong.

Each finding names its evidence, what else could explain it, and the test that would confirm it. Do the test before you
mend. **Amplifier off** before you touch loudspeaker cables; mains wiring is for licensed trades.
"""


class Findings(VisitScreen):
    """A list of findings, the selected one in full below."""

    HELP_TITLE, HELP_TEXT = "Findings", HELP

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        with VerticalScroll(id="finding-list"):
            yield Picker(id="findings")
        with VerticalScroll(id="finding-text"):
            yield Static("", id="finding")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """The list has the keys."""
        self.query_one("#findings").focus()
        self.refresh_results()

    def refresh_results(self) -> None:
        """List what is found in this round."""
        self.show_head("Findings")
        found = self.commission.findings
        items: list[Item] = []
        cause = ""
        for index, finding in enumerate(found):
            if finding.cause != cause:
                cause = finding.cause
                items.append(text_item("", f" {cause}", "head"))
            items.append(text_item(str(index), f" {finding.title}"))
        if not items:
            items = [text_item("", f" {self._why_none()}", "dim")]
        self.query_one("#findings", Picker).show(items)
        self._show()

    def _why_none(self) -> str:
        if self.commission.analysis_stopped:
            return "Not known: the analysis was stopped, and goes on from the overview."
        if self.commission.working or not self.all_known:
            return "Results are being computed."
        return "Nothing was found in this round."

    def on_picker_selected(self) -> None:
        """Show the selected one."""
        self._show()

    def _show(self) -> None:
        key = self.query_one("#findings", Picker).key
        found = self.commission.findings
        text = "\n".join(_lines(found[int(key)], max(self.size.width - 4, 30))) if key else ""
        self.query_one("#finding", Static).update(Content(text))


def _lines(finding: Finding, width: int) -> list[str]:
    sure = f" (confidence {finding.confidence:.0%})" if finding.confidence is not None else ""
    lines = [*wrap(f"{finding.title}{sure}", width), ""]
    parts = [("Evidence", finding.evidence), ("Could also be", finding.alternatives)]
    parts += [("To confirm", (finding.confirm,)), ("Remedy", (finding.remedy,))]
    for title, texts in parts:
        for index, text in enumerate(t for t in texts if t):
            label = f"{title}:" if index == 0 else ""
            wrapped = wrap(text, width - 15)
            lines += [f"{label if i == 0 else '':<15}{part}" for i, part in enumerate(wrapped)]
    return lines
