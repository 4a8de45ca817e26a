"""Runs Python's garbage collection in pauses between keys instead of while one is handled.

A full collection takes some 0.15 s for a job of a thousand responses, and Python would start it in the middle of any
key. Collections of young objects take up to 20 ms; they follow the painting of a key that left many.
"""

from __future__ import annotations

import gc

YOUNG, MIDDLE = 40_000, 4
"""Young objects that start a young collection, and the number of those that starts a middle one."""
FORCED = 120
"""Middle collections that start a full one even without a pause, to limit memory."""
WORTHWHILE = 5
"""Middle collections after which a pause is used for a full one."""
AFTER_KEY = 5_000
"""Young objects that are collected after a key."""
AFTER_PAINT_S = 0.02
"""Delay between painting and that collection: the thread that writes to the terminal needs the interpreter first."""
PAUSE_S = 1.0
"""Time without a key before a full collection."""

_usual = gc.get_threshold()
_begun = False
_kept = 0
"""Number of kept objects at their last collection; counting them takes milliseconds. 0: not counted yet."""


def begin() -> None:
    """Collect in pauses from now on. Loaded objects are kept and need not be searched."""
    global _begun, _kept
    gc.freeze()
    _kept = 0
    gc.set_threshold(YOUNG, MIDDLE, FORCED)
    gc.enable()
    _begun = True


def suspend() -> None:
    """Suspend collection until `resume`, while a key is handled."""
    gc.disable()


def resume() -> None:
    """Resume collection after a key; no effect before `begin`."""
    if _begun:
        gc.enable()


def search_after_key() -> None:
    """Collect young objects if there are many, so that less remains if memory gets short."""
    if _begun and gc.get_count()[0] >= AFTER_KEY:
        gc.collect(1)


def search_in_pause(*, keep: bool) -> None:
    """Run a full collection if enough is new; `keep`: the survivors last long, and need not be searched again.

    Over time some of them become garbage, too: they are searched again once they have grown by half.
    """
    global _kept
    if gc.get_count()[2] < WORTHWHILE:
        return
    all_again = keep and gc.get_freeze_count() > 1.5 * _kept > 0
    if all_again:
        gc.unfreeze()
    gc.collect()
    if keep:
        gc.freeze()
    if all_again or (keep and not _kept):
        _kept = gc.get_freeze_count()


def keep_all() -> None:
    """Keep all present objects out of later collections."""
    gc.freeze()


def search_all_again() -> None:
    """Include kept objects in the collection of the next pause, as they may be garbage now."""
    gc.unfreeze()


def end() -> None:
    """Restore the state before `begin`."""
    global _begun
    _begun = False
    gc.enable()  # the key that quits never ends
    gc.unfreeze()
    gc.set_threshold(*_usual)
