"""How far slow work is, and how it is stopped."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

Progress = Callable[[float, str], None]
"""(fraction from 0 to 1, what is being done)."""


def unwatched(fraction: float, text: str) -> None:
    """A progress that nobody watches."""


class CancelToken(Protocol):
    """A `threading.Event` serves."""

    def is_set(self) -> bool:
        """Whether to stop."""

    def wait(self, timeout: float | None = None) -> bool:
        """Wait at most `timeout` s; whether to stop."""
