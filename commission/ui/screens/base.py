"""The base of all screens of an open job."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from rich.cells import cell_len
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.model.errors import CommissionError
from commission.model.units import clean_text, format_temperature
from commission.ui.text import round_name
from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.draw.canvas import cut, fit

if TYPE_CHECKING:
    from commission.model import EventBody
    from commission.ui.program import Program
    from commission.visit import Visit


SHORTEST_NAME = 12


class VisitScreen(PaintedOnce[None]):
    """A screen of the open job. `refresh_results` is called after every change."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", id="app.back"),
        Binding("question_mark", "help", "How", key_display="?", id="app.help"),
        Binding("r", "rounds", "Round", show=False, id="app.rounds"),
    ]
    AUTO_FOCUS = None
    HELP_TITLE = "Help"
    HELP_TEXT = ""
    _state: tuple[object, ...] = ()
    """The state shown last."""

    @property
    def commission(self) -> Program:
        return cast("Program", self.app)

    @property
    def visit(self) -> Visit:
        return self.commission.visit

    @property
    def round_id(self) -> str:
        return self.commission.round_id

    @property
    def all_known(self) -> bool:
        """Whether all results of the round are computed, not only those of the forms."""
        return "handover" in self.commission.outcomes

    def store(self, *bodies: EventBody) -> bool:
        """Append events; a refusal becomes a notice and False."""
        try:
            self.visit.append(*bodies)
        except CommissionError as error:
            self.commission.refuse(str(error))
            return False
        self.commission.compute()
        return True

    def head_line(self, title: str, more: str = "") -> Content:
        """The first line: job, screen and round."""
        system = self.visit.job.system
        job, rest = clean_text(system.title), f" · {title}" if title else ""
        right = f"{round_name(self.round_id)} ▾ ({self.commission.key_of('app.rounds', 'r')}) "
        if not title and self.size.width >= 70:
            facts = f"{len(system.channels)} channels · {len(system.seats)} seats · "
            right += f"  {facts}{format_temperature(system.temperature_c, system.units)} "
        if self.visit.read_only:
            right = "reading only · " + right
        if self.commission.file_problem:
            right = "job file changed or gone: takes no entries "
        room = max(self.size.width, 40) - cell_len(right)
        if more:  # it replaces the job's name, which the installer knows
            rest += f" · {more}"
            job = cut(job, max(room - 2 - cell_len(rest), SHORTEST_NAME))
        return Content(fit(f" {job}{rest}", room - 1) + " " + right)

    def show_head(self, title: str, more: str = "") -> None:
        """Write the first line; `more` follows the title."""
        self.query_one(".headline", Static).update(self.head_line(title, more))

    def refresh_results(self) -> None:
        """Show a changed state."""

    def on_screen_resume(self) -> None:
        """Show changes made on another screen."""
        self.refresh_changed()

    def on_compose(self) -> None:
        """Choose the narrow or wide layout before there are widgets whose styles would be recomputed."""
        self._set_narrow(self.app.size.width)

    def on_resize(self) -> None:
        self._set_narrow(self.size.width)
        self.refresh_changed()

    def _set_narrow(self, width: int) -> None:
        """Use two pages on a narrow terminal, two columns on a wide one."""
        self.set_class(width < 100, "narrow")

    def refresh_changed(self) -> None:
        """Refresh unless the present state is shown already: opening a screen calls this three times."""
        app = self.commission
        state = (
            self.visit.job,
            self.visit.analyses,
            app.round_id,
            app.outcomes,
            app.finding_histories,
            app.unexplained,
            app.advice,
            app.sheet,
            app.verdict_changes,
            app.working,
            app.analysis_stopped,
            app.file_problem,
            self.size.width,
            self.app.theme,
        )
        if len(state) != len(self._state) or any(a is not b for a, b in zip(state, self._state, strict=True)):
            self._state = state
            self.refresh_results()

    def action_back(self) -> None:
        """Stop running work, else leave."""
        if not self.commission.stop_job():
            self.app.pop_screen()

    def action_help(self) -> None:
        from commission.ui.screens.help import Help

        self.app.push_screen(Help(self.HELP_TITLE, self.HELP_TEXT))

    def action_rounds(self) -> None:
        self.commission.choose_round()
