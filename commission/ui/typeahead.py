"""Handles keys one by one, and paints the changes of each key once.

The next key waits until the one before it and everything it caused are done.

Textual sends a key to the widget that has the focus when the key arrives. Where several arrive together (a slow line, a
meter that types, a hurried hand), the keys behind the one that opens a dialog would go to the screen below it.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, TypeVar

from textual import on
from textual.app import App
from textual.events import Event, Key, Paste, ScreenResume
from textual.message import Message
from textual.screen import Screen
from textual.widget import Widget

from commission.ui.blank import blank_lines

if TYPE_CHECKING:
    from textual.geometry import Region, Size
    from textual.strip import Strip

Result = TypeVar("Result")

MARKER_TIMEOUT_S = 0.3
"""A marker that takes longer may be lost with its widget and is sent again; the first one to arrive counts."""
MARKERS = 3
"""The first arrives after the key, the second after a message sent by the key's action, such as a choice, and the third
after the layout or repaint which that requests: it is not needed while another key waits.
"""


LATEST_PAINT_S = 0.25
"""A slower key is painted before it is done, and so are keys that follow one another without a gap."""


class KeyDone(Message):
    """A marker that follows a key from the focused widget up to the app: when it arrives, the key has been handled."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__()


class TypeaheadApp(App[int]):
    """Handles keys and pasted text one by one; later ones wait in a queue."""

    def __init__(self) -> None:
        super().__init__()
        self._typeahead: deque[Key | Paste] = deque()
        self._handling_key = False
        self.key_waited = False
        """Whether the key being handled was typed before the previous one was done."""
        self.last_key_s = 0.0
        """Time of the last key on the monotonic clock."""
        self._marker, self._markers_left = 0, 0
        self._before_marker: tuple[Screen[Any] | None, Widget | None] = (None, None)
        """Screen and focus when the last marker was sent."""
        self._timeout: asyncio.TimerHandle | None = None
        self._late_paint: asyncio.TimerHandle | None = None
        """Set while painting waits for the end of a key."""

    @property
    def handling_key(self) -> bool:
        """Whether a key is still being handled."""
        return self._handling_key

    def on_mount(self) -> None:
        """Send another marker when the screen changes: one in a removed screen never arrives."""
        self.screen_change_signal.subscribe(self, lambda _: self._send_marker() if self._handling_key else None)

    async def on_event(self, event: Event) -> None:
        """Queue a key while another one is being handled."""
        if not isinstance(event, Key | Paste) or event.is_forwarded:
            await super().on_event(event)
        elif self._handling_key:
            self._typeahead.append(event)
        else:
            await self._handle(event, waited=False)

    async def _handle(self, event: Key | Paste, *, waited: bool) -> None:
        self._handling_key, self.key_waited, self._markers_left = True, waited, MARKERS
        self._before_marker = (self.screen, self.focused)
        self.last_key_s = time.monotonic()
        self.before_key()
        await super().on_event(event)
        self._send_marker()

    def _send_marker(self, again: int | None = None) -> None:
        """Send a marker to the focused widget; to a new screen after its layout, which may set the focus.

        `again` is the number of a marker that is late.
        """
        if self._timeout is not None:
            self._timeout.cancel()
        if not self.is_running or not self.screen_stack:
            return
        screen, focused = self.screen, self.focused
        target = focused or screen
        if again is None:
            self._marker += 1
            if screen is not self._before_marker[0]:
                screen.call_after_refresh(self.post_message, KeyDone(self._marker))
            else:
                target.post_message(KeyDone(self._marker))
            self._before_marker = (screen, focused)
        else:
            target.post_message(KeyDone(again))
        loop = asyncio.get_running_loop()
        self._timeout = loop.call_later(MARKER_TIMEOUT_S, self._send_marker, self._marker)

    @on(KeyDone)
    async def key_done(self, message: KeyDone) -> None:
        """Handle the next key, unless this one changed screen or focus: then wait for the consequences."""
        message.stop()
        if message.number != self._marker or not self._handling_key:
            return
        self._markers_left -= 1
        if self._markers_left > bool(self._typeahead) or self._before_marker != (self.screen, self.focused):
            self._send_marker()
            return
        if self._timeout is not None:
            self._timeout.cancel()
        if not self._typeahead and isinstance(self.screen, PaintedOnce):
            self.screen.lay_out()
        self._handling_key = False
        if self._typeahead:
            self.after_key()
            await self._handle(self._typeahead.popleft(), waited=True)
        else:
            self.paint_now()
            self.after_key()
            self.key_painted()

    def before_key(self) -> None:
        """Called before a key is handled."""

    def after_key(self) -> None:
        """Called after a key is handled; another one may wait."""

    def key_painted(self) -> None:
        """Called when the changes of a key are painted, and no other key waits."""

    def paint_later(self) -> bool:
        """Whether painting must wait because a key is being handled; the screen is painted after it."""
        if self._handling_key and self._late_paint is None:
            self._late_paint = asyncio.get_running_loop().call_later(LATEST_PAINT_S, self.paint_now)
        return self._handling_key

    def paint_now(self) -> None:
        """Paint what waited for the end of a key."""
        if self._late_paint is None:
            return
        self._late_paint.cancel()
        self._late_paint = None
        if self.is_running and self.screen_stack and isinstance(self.screen, PaintedOnce):
            self.screen.paint()


class PaintedOnce(Screen[Result]):
    """A screen that is painted when a key is done, not after each intermediate layout, which halves its time.

    Textual has no public means for that. Where a version lacks one of the private methods `_screen_resized`,
    `_compositor_refresh` and `_on_timer_update`, this one has no effect, and screens are laid out or painted more often.
    """

    _resumed = False

    @on(ScreenResume)
    def keep_new_styles(self, event: ScreenResume) -> None:
        """Keep the styles of a new screen, which were computed when its widgets were mounted.

        Textual calls the handler of each class in turn, this one before its own.
        """
        event.refresh_styles = event.refresh_styles and self._resumed
        self._resumed = True

    def set_focus(self, widget: Widget | None, scroll_visible: bool = True, from_app_focus: bool = False) -> None:
        """Clear the focus when the focused widget is removed: Textual may choose another, which swallows all keys."""
        super().set_focus(widget if widget is None or widget.display else None, scroll_visible, from_app_focus)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Blank lines, unless the screen shows the one below it."""
        return super().render_lines(crop) if self.styles.background.a < 1 else blank_lines(self, crop)

    def _screen_resized(self, size: Size) -> None:
        """Ignore the size sent after the first layout of a new screen."""
        if size != self.outer_size:
            super()._screen_resized(size)

    def _refresh_layout(self, size: Size | None = None, scroll: bool = False) -> None:
        """Lay out once: not again for requests from before, nor for the sizes that this layout gives to the contents."""
        self._take_requests()
        scroll = scroll and not getattr(self, "_layout_required", False)
        self._layout_required = False
        size_of_contents = vars(Widget).get("virtual_size", SimpleNamespace())
        size_of_contents._layout = False
        try:
            super()._refresh_layout(size, scroll)
        finally:
            size_of_contents._layout = True

    def _take_requests(self) -> None:
        """Take from the widgets what they would otherwise request one by one, by messages."""
        for each in self.walk_children(Widget):
            if getattr(each, "_layout_required", False):
                each._layout_required, self._layout_required = False, True
                for container in each.ancestors_with_self:
                    if isinstance(container, Widget):
                        container._clear_arrangement_cache()
                        container._layout_updates += 1
            if getattr(each, "_scroll_required", False):
                each._scroll_required, self._scroll_required = False, True
            if getattr(each, "_repaint_required", False) and each.display:
                each._repaint_required = False
                self._dirty_widgets.add(each)

    def _compositor_refresh(self) -> None:
        if self is self.app.screen and isinstance(self.app, TypeaheadApp) and self.app.paint_later():
            getattr(self, "_dirty_widgets", set()).clear()  # the compositor has recorded their regions
        else:
            self.paint()

    def lay_out(self) -> None:
        """Lay out now, instead of by the timer after the paint, and paint again."""
        lay_out = getattr(self, "_on_timer_update", None)
        if lay_out is not None:
            self._take_requests()
            lay_out()

    def paint(self) -> None:
        """Paint what has changed."""
        super()._compositor_refresh()


def typed_ahead(app: App[Any]) -> bool:
    """Whether the key being handled was typed before its question was shown, and so cannot answer it."""
    return isinstance(app, TypeaheadApp) and app.key_waited
