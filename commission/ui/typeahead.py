"""Keys in the order in which they were typed: the next one waits until all that the last one leads to has happened.

Textual passes a key to the widget that has the focus when the key arrives. Where several arrive together (a slow line, a
meter that types, a hurried hand), the keys behind the one that opens a dialog would go to the screen below it.
"""

from __future__ import annotations

import asyncio
from collections import deque
from typing import TYPE_CHECKING, Any

from textual import on
from textual.app import App
from textual.events import Event, Key, Paste
from textual.message import Message

if TYPE_CHECKING:
    from textual.screen import Screen
    from textual.widget import Widget

LONGEST_TRIP_S = 0.3
"""Afterwards a `KeyDone` may be lost with the widget that it was sent to, and is sent again; the first to arrive counts."""
FEWEST_TRIPS = 2
"""The first passes behind the key; the second behind the message that the key's action sends, such as a choice."""


class KeyDone(Message):
    """Follows a key from the focused widget up to the app: when it arrives, the key and its actions are done."""

    def __init__(self, trip: int) -> None:
        self.trip = trip
        super().__init__()


class TypeaheadApp(App[int]):
    """Hands keys and pasted text over one by one; what arrives meanwhile waits."""

    def __init__(self) -> None:
        super().__init__()
        self._typeahead: deque[Key | Paste] = deque()
        self._key_under_way = False
        self.key_waited = False
        """Whether the key that is under way was typed before the one ahead of it was done."""
        self._trip, self._trips_left = 0, 0
        self._before_trip: tuple[Screen[Any] | None, Widget | None] = (None, None)
        self._deadline: asyncio.TimerHandle | None = None

    @property
    def keys_under_way(self) -> bool:
        """Whether something comes of a key still."""
        return self._key_under_way

    def on_mount(self) -> None:
        """A screen that goes takes what was sent to it along."""
        self.screen_change_signal.subscribe(self, lambda _: self._send_trip() if self._key_under_way else None)

    async def on_event(self, event: Event) -> None:
        """Let a key wait while another one is under way."""
        if not isinstance(event, Key | Paste) or event.is_forwarded:
            await super().on_event(event)
        elif self._key_under_way:
            self._typeahead.append(event)
        else:
            await self._hand_over(event, waited=False)

    async def _hand_over(self, event: Key | Paste, *, waited: bool) -> None:
        self._key_under_way, self.key_waited, self._trips_left = True, waited, FEWEST_TRIPS
        self._before_trip = (self.screen, self.focused)
        await super().on_event(event)
        self._send_trip()

    def _send_trip(self, trip: int | None = None) -> None:
        """From the focused widget; through a screen that is new once it is laid out, for it may set its focus then.

        `trip` repeats one whose answer is late.
        """
        if self._deadline is not None:
            self._deadline.cancel()
        if not self.is_running or not self.screen_stack:
            return
        screen, focused = self.screen, self.focused
        target = focused or screen
        if trip is None:
            self._trip += 1
            if screen is not self._before_trip[0]:
                screen.call_after_refresh(self.post_message, KeyDone(self._trip))
            else:
                target.post_message(KeyDone(self._trip))
            self._before_trip = (screen, focused)
        else:
            target.post_message(KeyDone(trip))
        loop = asyncio.get_running_loop()
        self._deadline = loop.call_later(LONGEST_TRIP_S, self._send_trip, self._trip)

    @on(KeyDone)
    async def key_done(self, message: KeyDone) -> None:
        """Hand over the next key, unless this one changed screen or focus: then what follows from that comes first."""
        message.stop()
        if message.trip != self._trip or not self._key_under_way:
            return
        self._trips_left -= 1
        if self._trips_left > 0 or self._before_trip != (self.screen, self.focused):
            self._send_trip()
            return
        if self._deadline is not None:
            self._deadline.cancel()
        self._key_under_way = False
        if self._typeahead:
            await self._hand_over(self._typeahead.popleft(), waited=True)


def typed_ahead(app: App[Any]) -> bool:
    """Whether the key that is under way was typed before what it meets was on the screen: it answers no question."""
    return isinstance(app, TypeaheadApp) and app.key_waited
