"""Progress and cancellation of slow work."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

Progress = Callable[[float, str], None]
"""Called with (fraction from 0 to 1, description of the current work)."""


def unwatched(fraction: float, text: str) -> None:
    """Ignore the progress."""


class CancelToken(Protocol):
    """Asks slow work to stop; a `threading.Event` fits."""

    def is_set(self) -> bool:
        """Whether the work should stop."""

    def wait(self, timeout: float | None = None) -> bool:
        """Wait at most `timeout` s; whether the work should stop."""
