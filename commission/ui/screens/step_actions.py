"""Actions common to the form and every other step's screen."""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING

from textual.widgets import Static

from commission.ui.screens.base import VisitScreen
from commission.ui.screens.decisions import ask_note, ask_signature

if TYPE_CHECKING:
    from textual.widget import Widget

    from commission.model import Step

OTHER_PAGE = "other-page"
"""Class of the side that a narrow terminal hides. It is set on the side, not on the screen, since Textual recomputes all
styles inside a widget with a new class.
"""


def show_page(shown: Widget, other: Widget) -> None:
    """Show one side of a narrow terminal in place of the other; a wide one shows both."""
    shown.remove_class(OTHER_PAGE)
    other.add_class(OTHER_PAGE)


class AnyStepScreen(VisitScreen):
    """A screen of one step."""

    step: Step
    _begins = by_digit = False

    def begin_when_shown(self, *, by_digit: bool) -> None:
        """Prepare for being opened, the first time or again; `by_digit`: with the key of its number."""
        self._begins, self.by_digit = True, by_digit
        self._resumed = False  # its styles are valid, since it is kept for one theme only

    def on_screen_resume(self) -> None:
        """Begin if it is opened; after another screen was closed above it, leave everything as it was."""
        if self._begins:
            self._begins = False
            self.begin()

    @abstractmethod
    def begin(self) -> None:
        """Reset to the state of a new screen."""

    def begin_on(self, shown: Widget, other: Widget) -> None:
        """Begin on that side with nothing selected and everything to be refreshed."""
        self._set_narrow(self.app.size.width)  # the terminal may have been resized meanwhile
        show_page(shown, other)
        for side in (shown, other):
            side.scroll_to(0, 0, animate=False, immediate=True)
        self.query_one("#judgement", Static).update("")
        self.set_focus(None)
        self._state = ()

    @property
    def numbered_title(self) -> str:
        """Number and title of the step, as the overview lists it."""
        return f"{1 + self._step_ids.index(self.step.id)} {self.step.title}"

    @property
    def _step_ids(self) -> list[str]:
        return [each.id for each in self.commission.visit.steps]

    def action_note(self) -> None:
        ask_note(self, self.step)

    def action_photo(self) -> None:
        from commission.ui.screens.photograph import ask_photo

        ask_photo(self.commission, self.step.id)

    def action_photo_unlisted(self) -> None:
        """`action_photo` when the footer has no room for it."""
        self.action_photo()

    def action_record(self) -> None:
        self.commission.action_export()

    def action_check_record(self) -> None:
        self.commission.action_check_record()

    def action_sign(self) -> None:
        ask_signature(self)

    def action_import_files(self) -> None:
        self.commission.action_import_files()

    def action_neighbour(self, direction: int) -> None:
        ids = self._step_ids
        self.commission.open_step(ids[(ids.index(self.step.id) + direction) % len(ids)])
