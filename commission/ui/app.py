"""The terminal program: the open job, and navigation between screens."""

from __future__ import annotations

import asyncio
import time
from importlib import import_module
from typing import TYPE_CHECKING, Any, ClassVar

from textual import on, work
from textual.binding import Binding, BindingType
from textual.screen import Screen

from commission import steps
from commission.model.errors import CommissionError
from commission.model.limits import rooms_that_pass
from commission.ui import garbage
from commission.ui.background import Computed, WorkingApp
from commission.ui.keys import load_keys
from commission.ui.theme import SIXTEEN, chosen_theme, keep_theme

if TYPE_CHECKING:  # the first screen is painted before the computing modules load
    from pathlib import Path

    from commission.services import Services
    from commission.ui.record_request import RecordRequest
    from commission.ui.screens.step_actions import AnyStepScreen
    from commission.visit import Visit

SCREENS = (
    "screens.step",
    "screens.site",
    "screens.findings",
    "screens.curve",
    "screens.help",
    "screens.log",
    "screens.sheet",
    "screens.imports",
    "screens.tables",
    "screens.budgets",
    "screens.record",
    "screens.choices",
    "screens.photograph",
    "screens.return_visit",
    "action_list",
)
"""Modules of screens that a key may open, the most likely first."""
PREPARE_AFTER_S = 0.1
"""Between the preparation of two screens: each takes some 10 ms, in parts, and a key may come between."""


class CommissionApp(WorkingApp):
    """Guides the visit. `services` provides files, storage and devices."""

    TITLE = "commission"
    CSS_PATH = "commission.tcss"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q", "quit", "Quit", show=False, id="app.quit"),
        Binding("colon", "everything", "Everything", show=False, id="app.everything"),
    ]

    def __init__(
        self, services: Services, path: Path | None = None, keys: Path | None = None, look: Path | None = None
    ) -> None:
        """`look` is the file that stores the theme; None: the theme is not stored."""
        super().__init__()
        self._look = look
        self.services = services
        self._path, self._keys = path, keys
        self._refusal = ""
        """Why the job named at the start was not opened; shown when there is a screen."""
        self._own_keys: dict[str, str] = {}
        self._screens_asked = self._screens_loaded = False
        self._kept_for: dict[str, tuple[object, ...]] = {}
        """The job, units and theme for which the screen of a step is kept."""
        self.last_record: RecordRequest | None = None
        """The request for the record written last."""

    # --- opening ----------------------------------------------------------------------------------------------

    def get_default_screen(self) -> Screen[Any]:
        """The first screen at the bottom of the stack: a blank one below it would also be laid out and painted."""
        if self._path is not None:
            try:
                self._take(self.services.open(self._path))
            except CommissionError as error:
                self._refusal = str(error)
        if self._visit is not None:
            from commission.ui.screens.overview import Overview

            return Overview()
        from commission.ui.screens.start import Start

        return Start()

    def on_load(self) -> None:
        """Set the theme before the first paint."""
        chosen = chosen_theme(self._look, frozenset(self.available_themes))
        if chosen is not None:
            self.theme = chosen
        elif self._look is not None and self.console.color_system == "standard":
            self.theme = SIXTEEN

    def on_mount(self) -> None:
        """Read the user's keys, report errors in them, and start computing."""
        self.call_after_refresh(self._collect_garbage)
        self.theme_changed_signal.subscribe(self, lambda theme: keep_theme(self._look, theme.name))
        keys, problem = load_keys(self._keys)
        if keys:
            self._own_keys = keys
            self.set_keymap(keys)
        for sentence in filter(None, (problem, self._refusal)):
            self.refuse(sentence)
        if self._visit is not None:
            self._begin(self._visit)

    def _collect_garbage(self) -> None:
        """Enable garbage collection, which is off while the program loads."""
        garbage.begin()
        self.set_interval(garbage.PAUSE_S, self._use_pause)

    def before_key(self) -> None:
        garbage.suspend()

    def after_key(self) -> None:
        """Called between two keys, which may follow one another for long."""
        garbage.resume()

    def key_painted(self) -> None:
        """Collect garbage before the next key comes."""
        asyncio.get_running_loop().call_later(garbage.AFTER_PAINT_S, self._collect_after_key)

    def _collect_after_key(self) -> None:
        if not self.handling_key:
            garbage.search_after_key()

    def _use_pause(self) -> None:
        """Collect garbage and prepare steps in a pause. Only the lowest screen lasts: what other screens hold is garbage
        after they are left.
        """
        if self._in_pause:
            garbage.search_in_pause(keep=len(self.screen_stack) == 1)
            self._prepare_step()

    @property
    def _in_pause(self) -> bool:
        """Whether no key came for a while."""
        return not self.handling_key and time.monotonic() - self.last_key_s >= garbage.PAUSE_S

    @on(Computed)
    def load_screens(self) -> None:
        """Load the code of the other screens while results are computed, so that the first key to one need not wait."""
        if not self._screens_asked:
            self._screens_asked = True
            self._load_screens()

    @work(thread=True, exit_on_error=False, group="load")
    def _load_screens(self) -> None:
        """Load modules and what Limits lists besides the job: its file of rooms and the steps of other jobs."""
        for name in SCREENS:
            import_module(f"commission.ui.{name}")
        steps.all_steps()
        rooms_that_pass()
        self.call_from_thread(self._screens_are_loaded)

    def _screens_are_loaded(self) -> None:
        self._screens_loaded = True
        self._prepare_step()

    def choose_job(self) -> None:
        """Show the choice of jobs below all other screens."""
        from commission.ui.screens.start import Start

        while len(self.screen_stack) > 1 and not isinstance(self.screen, Start):
            self.pop_screen()
        if not isinstance(self.screen, Start):
            self.push_screen(Start())

    @property
    def has_job(self) -> bool:
        return self._visit is not None

    @property
    def visit(self) -> Visit:
        assert self._visit is not None
        return self._visit

    def open_job(self, path: Path) -> None:
        """Open a job file and show its overview; a refusal is shown and changes nothing."""
        try:
            self.show_visit(self.services.open(path))
        except CommissionError as error:
            self.refuse(str(error))

    def show_visit(self, visit: Visit) -> None:
        from commission.ui.screens.overview import Overview

        self._take(visit)
        self.push_screen(Overview())
        self._begin(visit)

    def _take(self, visit: Visit) -> None:
        if self._visit is not None:
            self._visit.close()
            garbage.search_all_again()
            for step_id in tuple(self._kept_for):
                self._drop_step(step_id)
        self._visit = visit
        self.round_id, self.last_record = visit.job.current_round, None
        self.outcomes, self.finding_histories, self.unexplained, self.advice, self.verdict_changes = (
            {},
            (),
            (),
            None,
            None,
        )
        self.sheet = self.file_problem = None
        self.sheet_to_keep = ()

    def _begin(self, visit: Visit) -> None:
        if visit.read_only:
            self.notify("This job is open for reading only: nothing can be stored here.", severity="warning")
        self.call_after_refresh(self.compute)  # computing would compete with the first paint for the processor

    def on_unmount(self) -> None:
        garbage.end()
        if self._visit is not None:
            self._visit.close()

    # --- going places -----------------------------------------------------------------------------------------

    def open_step(self, step_id: str, *, by_digit: bool = False) -> None:
        """Open a step's screen in place of another step's; `by_digit`: with the key of its number."""
        from commission.ui.screens.step_actions import AnyStepScreen

        screen = self._step_screen(step_id)
        screen.begin_when_shown(by_digit=by_digit)
        if isinstance(self.screen, AnyStepScreen):
            self.switch_screen(screen)  # leaving the old one first would refresh the screen below
        else:
            self.push_screen(screen)

    def _step_screen(self, step_id: str) -> AnyStepScreen:
        """The screen of a step, built once for a job: building takes three times as long as showing it again."""
        from commission.ui.screens.site import SiteForm
        from commission.ui.screens.step import StepScreen
        from commission.ui.screens.step_actions import AnyStepScreen

        made_for = (self.visit, self.visit.job.system.units, self.theme)
        if self._kept_for.get(step_id, made_for) != made_for:
            self._drop_step(step_id)
        if step_id in self._kept_for:
            kept = self.get_screen(step_id, AnyStepScreen)
            if kept not in self.screen_stack:
                return kept
        screen = SiteForm(step_id) if steps.step(step_id).entry == "form" else StepScreen(step_id)
        if step_id not in self._kept_for:
            self.install_screen(screen, step_id)
            self._kept_for[step_id] = made_for
        return screen

    def _prepare_step(self) -> None:
        """Build the screens of the steps in a pause, one at a time: the first opening need not wait for it."""
        mount = getattr(self, "_get_screen", None)  # Textual has no public means to mount a screen that is not shown
        if mount is None or not self._screens_loaded or not self._in_pause:
            return
        step_id = next((each.id for each in self.visit.steps if each.id not in self._kept_for), None)
        if step_id is not None:
            screen = self._step_screen(step_id)
            mount(screen)
            screen.call_later(screen.begin)
            self.set_timer(PREPARE_AFTER_S, self._prepare_step)

    def _drop_step(self, step_id: str) -> None:
        """Discard the kept screen of a step, unless it is on the stack."""
        screen = self.get_screen(step_id)
        if screen not in self.screen_stack:
            self.uninstall_screen(step_id)
            del self._kept_for[step_id]
            screen.remove()
            garbage.search_all_again()

    def key_of(self, binding: str, usual: str) -> str:
        """The key of a binding: the user's own if there is one."""
        return self._own_keys.get(binding, usual)

    def show_round(self, name: str) -> None:
        self.round_id = name
        self.outcomes, self.finding_histories, self.unexplained, self.advice = {}, (), (), None
        self._refresh_screen()
        self.compute()

    def choose_round(self) -> None:
        from commission.ui.screens.choices import choose_round

        choose_round(self)

    def action_sheet(self) -> None:
        from commission.ui.screens.sheet import Sheet

        self.push_screen(Sheet())

    def action_import_files(self) -> None:
        from commission.ui.screens.imports import Imports

        self.push_screen(Imports())

    def action_log(self) -> None:
        from commission.ui.screens.log import Log

        self.push_screen(Log())

    async def action_quit(self) -> None:
        """Quit; if something is running, a sweep above all, stop it first and ask."""
        if not self.stop_job():
            await super().action_quit()
            return
        from commission.ui.screens.dialogs import Choose

        options = [("stay", "stay here; everything stored is kept"), ("quit", "quit the program")]
        title = "Stopped. Quit as well?"
        self.push_screen(Choose(title, options, "stay"), lambda answer: self.exit() if answer == "quit" else None)

    def action_stop_or_stay(self) -> None:
        """Stop running work with Escape on the overview, without leaving it."""
        self.stop_work()

    def action_other_job(self) -> None:
        self.choose_job()

    def action_photo(self) -> None:
        from commission.ui.screens.photograph import ask_photo

        ask_photo(self)

    def action_export(self) -> None:
        from commission.ui.screens.record import ask_record

        ask_record(self)

    def action_check_record(self) -> None:
        from commission.ui.screens.record import ask_check

        ask_check(self)

    def action_limits(self) -> None:
        from commission.ui.screens.tables import Limits

        self.push_screen(Limits())

    def action_verdict_changes(self) -> None:
        from commission.ui.screens.tables import VerdictChanges

        self.push_screen(VerdictChanges())

    def action_everything(self) -> None:
        from commission.ui.action_list import offers
        from commission.ui.screens.action_search import open_command_search

        open_command_search(self, tuple(offers(self)))

    def action_look(self) -> None:
        from commission.ui.screens.choices import choose_theme

        choose_theme(self)
