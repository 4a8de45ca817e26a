"""Stores the chosen theme beside the recent jobs, and defines one for a terminal of sixteen colours."""

from __future__ import annotations

from pathlib import Path

from commission.model.errors import InputError
from commission.model.outside_files import read_outside, replace_own

SIXTEEN = "ansi-dark"
"""The terminal's own colours: mixed shades would become equal in sixteen colours."""


def theme_file() -> Path:
    """The path of the stored choice."""
    from platformdirs import user_state_path

    return user_state_path("commission", appauthor=False) / "theme"


def chosen_theme(path: Path | None, known: frozenset[str]) -> str | None:
    """The theme stored in that file; None if there is none, or it is unknown."""
    if path is None:
        return None
    try:
        name = read_outside(path, "the name of a theme", largest_bytes=1000).decode("utf-8").strip()
    except (InputError, UnicodeDecodeError):
        return None
    return name if name in known else None


def keep_theme(path: Path | None, name: str) -> None:
    """Store a choice; if that fails, it applies until the program ends."""
    if path is not None:
        try:
            replace_own(path, name + "\n")
        except OSError:
            pass
