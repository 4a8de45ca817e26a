"""Handles the loss of the terminal and signals that end the program."""

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
"""How often the terminal is checked, and how long the screens may take to close once it is gone."""
SIGNALS = ("SIGHUP", "SIGTERM")
"""Signals that end the program from outside. After a hang-up the terminal is mostly gone; after the other it remains."""
RESTORE = (
    b"\x1b[?2026l"  # show pending output
    b"\x1b[?2004l\x1b[?2048l\x1b[?1004l"  # no bracketed paste, no reports of size and focus
    b"\x1b[?1000l\x1b[?1003l\x1b[?1015l\x1b[?1006l\x1b[?1016l"  # no mouse
    b"\x1b[<u"  # default keys; before the alternate screen is left, since each screen has its own setting
    b"\x1b[?1049l\x1b[?7h\x1b[?25h\x1b[0m"  # the main screen with line wrap, cursor and no colour
)
"""Control sequences of xterm and of the terminals that follow it (from memory); an unknown one is ignored."""
WRITE_LIMIT_S, RETRY_S = 0.2, 0.01
"""A terminal that accepts nothing for this long is not restored."""


def end_without_terminal(terminal: int, leave: Callable[[], object]) -> None:
    """End the program once its terminal is gone, for programs started with `nohup`, which receive no hang-up.

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
    """The terminal's settings; None if it is gone."""
    import termios

    try:
        return termios.tcgetattr(terminal)
    except (OSError, termios.error):
        return None


def _restore_and_end(terminal: int, attributes: list[Any], number: int, _frame: object) -> None:
    """Restore the terminal if it still exists, and end by the same signal."""
    with suppress(OSError):
        _restore(terminal, attributes)
    signal.signal(number, signal.SIG_DFL)
    os.kill(os.getpid(), number)


def _restore(terminal: int, attributes: list[Any]) -> None:
    """Restore the terminal without blocking, through a descriptor of its own: others share the flags of standard
    output.

    Raises OSError if the terminal is gone.
    """
    import termios

    terminal = os.open(os.ttyname(terminal), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    if os.tcgetpgrp(terminal) != os.getpgrp():  # the shell owns it while the program is stopped
        return
    with suppress(termios.error):
        termios.tcsetattr(terminal, termios.TCSANOW, attributes)
        termios.tcflush(terminal, termios.TCIFLUSH)  # mouse reports would be typed into the shell
    end_s, rest = time.monotonic() + WRITE_LIMIT_S, RESTORE
    while rest and time.monotonic() < end_s:
        try:
            rest = rest[os.write(terminal, rest) :]
        except BlockingIOError:
            time.sleep(RETRY_S)
