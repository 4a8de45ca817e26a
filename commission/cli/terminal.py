"""The end of the terminal or of the program, when the screens did not ask for it."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

LOOK_S, LEAVE_S = 1.0, 2.0
"""How often the terminal is checked, and how long the screens may take to end once it is gone."""
SIGNALS = ("SIGHUP", "SIGTERM")
"""Signals that end the program from outside. The terminal is gone with most of the first, and stays with the second."""
RESTORE = (
    b"\x1b[?2026l"  # show what is being painted
    b"\x1b[?2004l\x1b[?2048l\x1b[?1004l"  # no marks around pasted text, no reports of size and focus
    b"\x1b[?1000l\x1b[?1003l\x1b[?1015l\x1b[?1006l\x1b[?1016l"  # no mouse
    b"\x1b[<u"  # usual keys; before the alternate screen is left, since each of the two has its own setting
    b"\x1b[?1049l\x1b[?7h\x1b[?25h\x1b[0m"  # the main screen with wrapped lines, a cursor and no colour
)
"""Control sequences of xterm and of the terminals that follow it (from memory); an unknown one is ignored."""
WRITE_LIMIT_S, RETRY_S = 0.2, 0.01
"""A terminal that takes nothing for so long stays as it is."""


def end_without_terminal(terminal: int, leave: Callable[[], object]) -> None:
    """End the program once its terminal is gone, where nobody else does: started with `nohup`, it hears no hang-up.

    It would keep the job locked, and read an input that is always at its end. What was entered is stored already.
    """
    while _attributes(terminal) is not None:
        time.sleep(LOOK_S)
    timer = threading.Timer(LEAVE_S, os._exit, (1,))
    timer.daemon = True
    timer.start()
    leave()


@contextmanager
def restored_on_signal(terminal: int) -> Iterator[None]:
    """Restore the terminal when a signal ends the program; ignored signals stay ignored (`nohup`)."""
    attributes = _attributes(terminal)
    numbers = [getattr(signal, name) for name in SIGNALS]
    numbers = [each for each in numbers if attributes and signal.getsignal(each) is signal.SIG_DFL]
    for number in numbers:
        signal.signal(number, partial(_restore_and_end, terminal, attributes or []))
    try:
        yield
    finally:
        for number in numbers:
            signal.signal(number, signal.SIG_DFL)


def _attributes(terminal: int) -> list[Any] | None:
    """Its settings; None where it is gone."""
    import termios

    try:
        return termios.tcgetattr(terminal)
    except (OSError, termios.error):
        return None


def _restore_and_end(terminal: int, attributes: list[Any], number: int, _frame: object) -> None:
    """Write what restores the terminal, if it is still there, and end by the same signal."""
    with suppress(OSError):
        _restore(terminal, attributes)
    signal.signal(number, signal.SIG_DFL)
    os.kill(os.getpid(), number)


def _restore(terminal: int, attributes: list[Any]) -> None:
    """Without waiting: through a descriptor of its own, since others share the flags of standard output.

    Raises OSError where the terminal is gone.
    """
    import termios

    terminal = os.open(os.ttyname(terminal), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    if os.tcgetpgrp(terminal) != os.getpgrp():  # the shell has it, since the program is stopped
        return
    with suppress(termios.error):
        termios.tcsetattr(terminal, termios.TCSANOW, attributes)
        termios.tcflush(terminal, termios.TCIFLUSH)  # moves of the mouse would be typed into the shell
    end_s, rest = time.monotonic() + WRITE_LIMIT_S, RESTORE
    while rest and time.monotonic() < end_s:
        try:
            rest = rest[os.write(terminal, rest) :]
        except BlockingIOError:
            time.sleep(RETRY_S)
