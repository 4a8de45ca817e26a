"""Screens are tested without waiting for a clock.

Textual's pilot sleeps 20 ms after every key, twice, and goes on once the process has computed little meanwhile. Here it goes
on as soon as the event loop has nothing left to do, which is both sooner and certain. A screen is painted when a test pauses, once,
instead of after every message; style sheets are parsed once for all programs of a process; and steps are not prepared.
"""

from __future__ import annotations

import asyncio
from time import monotonic, process_time
from typing import Any

import textual.app
import textual.pilot
import textual.screen
from textual.css.stylesheet import Stylesheet

from commission.ui import garbage

AT_ONCE = False
"""Whether screens are painted as soon as they ask for it: for tests of how often they do, and how long that takes."""
FRAME_S = 0.001
"""A screen is painted again after this time instead of 1/60 s."""
SOON_S = 0.02
"""A timer that ends within this time is waited for."""
PAUSE_S = 1e9
"""Time without a key before a pause: never, but for tests of pauses; a program would prepare steps that no test opens."""

_paint = textual.screen.Screen._compositor_refresh
_unpainted: set[textual.screen.Screen[Any]] = set()


def threads_at_work(loop: Any) -> bool:
    """Whether a worker's thread still runs; a cancelled one runs until it notices."""
    pool = loop._default_executor
    return pool is not None and len(pool._threads) > pool._idle_semaphore._value


async def wait_for_idle(min_sleep: float = 0.0, max_sleep: float = 1.0) -> None:
    """Wait until no task is ready, no timer ends soon and no thread computes; `max_sleep` [s] at the longest."""
    loop: Any = asyncio.get_running_loop()
    end_s = monotonic() + max_sleep
    while monotonic() < end_s:
        await asyncio.sleep(0)
        if loop._ready:  # tasks that run in the next turn
            continue
        wait_s = (
            min((each.when() for each in loop._scheduled if not each.cancelled()), default=float("inf")) - loop.time()
        )
        if wait_s < SOON_S:
            await asyncio.sleep(max(0.0, wait_s))
        elif not threads_at_work(loop):
            return
        else:  # as in Textual: a thread may wait for the test
            before_s = process_time()
            await asyncio.sleep(SOON_S)
            if process_time() - before_s < SOON_S / 20:
                return


async def wait_and_paint(min_sleep: float = 0.0, max_sleep: float = 1.0) -> None:
    """Wait as `wait_for_idle` does, then paint what has changed."""
    await wait_for_idle(min_sleep, max_sleep)
    while _unpainted:
        screen = _unpainted.pop()
        if screen.is_running and screen is screen.app.screen:
            _paint(screen)


def paint_in_pause(screen: textual.screen.Screen[Any]) -> None:
    """Leave the painting of the top screen to the next pause; the compositor keeps the regions that have changed."""
    if AT_ONCE or screen is not screen.app.screen:
        _paint(screen)
    else:
        screen._dirty_widgets.clear()
        _unpainted.add(screen)


_parse = Stylesheet._parse_rules
_parsed: dict[tuple[object, ...], Any] = {}


def parse_once(sheet: Stylesheet, *arguments: Any, **named: Any) -> Any:
    """The rules of a style sheet, which are only read: parsed when a program first has them with these colours."""
    key = *arguments, *named.items(), *sheet._variables.items()
    if key not in _parsed:
        _parsed[key] = _parse(sheet, *arguments, **named)
    return _parsed[key]


def install() -> None:
    """Install these functions for all screens tested in this process."""
    setattr(textual.app, "wait_for_idle", wait_for_idle)  # noqa: B010
    setattr(textual.pilot, "wait_for_idle", wait_and_paint)  # noqa: B010
    setattr(textual.screen.Screen, "_compositor_refresh", paint_in_pause)  # noqa: B010
    setattr(Stylesheet, "_parse_rules", parse_once)  # noqa: B010
    setattr(textual.screen, "UPDATE_PERIOD", FRAME_S)  # noqa: B010  (declared final)
    garbage.PAUSE_S = PAUSE_S
