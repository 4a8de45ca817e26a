"""When Python searches for garbage: while no key is pressed, instead of while one is handled.

A search of everything takes some 0.15 s once a job of a thousand responses is computed, and Python would begin it in the
middle of any key. Searches of what is young take up to 20 ms; they follow a key that left much behind, once it is painted.
"""

from __future__ import annotations

import gc

YOUNG, MIDDLE = 40_000, 4
"""Objects more than at the last search that begin one of the young, and how many of those begin one of the middle-aged."""
FORCED = 120
"""Searches of the middle-aged that begin one of everything even without a pause: a bound on memory."""
WORTHWHILE = 5
"""Searches of the middle-aged after which a pause is used."""
AFTER_KEY = 5_000
"""Young objects that are searched after a key."""
AFTER_PAINT_S = 0.02
"""Between painting and that search: the thread that writes to the terminal needs the interpreter first."""
PAUSE_S = 1.0
"""Without a key before everything is searched."""

_usual = gc.get_threshold()
_begun = False
_kept = 0
"""Objects that were kept when all of them had been searched last."""


def begin() -> None:
    """Search in pauses from now on. What is loaded stays, and need not be searched."""
    global _begun, _kept
    gc.freeze()
    _kept = gc.get_freeze_count()
    gc.set_threshold(YOUNG, MIDDLE, FORCED)
    gc.enable()
    _begun = True


def suspend() -> None:
    """No search until `resume`: a key is handled."""
    gc.disable()


def resume() -> None:
    """The key is done: what it left behind may be searched; before `begin` nothing is."""
    if _begun:
        gc.enable()


def search_after_key() -> None:
    """Search what is young if there is much of it, so that less is left to search when memory is short."""
    if _begun and gc.get_count()[0] >= AFTER_KEY:
        gc.collect(1)


def search_in_pause(*, keep: bool) -> None:
    """Search everything if enough is new; `keep`: what is left stays for long, and need not be searched again.

    By and by some of that becomes garbage too: it is searched once it is half as much again as after its last search.
    """
    global _kept
    if gc.get_count()[2] < WORTHWHILE:
        return
    all_again = keep and gc.get_freeze_count() > 1.5 * _kept
    if all_again:
        gc.unfreeze()
    gc.collect()
    if keep:
        gc.freeze()
    if all_again:
        _kept = gc.get_freeze_count()


def keep_all() -> None:
    """What is there stays for long: it need not be searched."""
    gc.freeze()


def search_all_again() -> None:
    """What was kept may be garbage now: the next pause searches it too."""
    gc.unfreeze()


def end() -> None:
    """As it was before `begin`."""
    global _begun
    _begun = False
    gc.enable()  # the key that quits is never done
    gc.unfreeze()
    gc.set_threshold(*_usual)
