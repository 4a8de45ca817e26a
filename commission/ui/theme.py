"""The theme that was chosen last, kept beside the recent jobs; and the one for a terminal of sixteen colours."""

from __future__ import annotations

from pathlib import Path

from commission.model.errors import InputError
from commission.model.outside_files import read_outside, replace_own

SIXTEEN = "ansi-dark"
"""The terminal's own colours: shades mixed for millions would fall together in sixteen."""


def look_file() -> Path:
    """Where the choice is kept."""
    from platformdirs import user_state_path

    return user_state_path("commission", appauthor=False) / "theme"


def chosen_look(path: Path | None, known: frozenset[str]) -> str | None:
    """The theme of that file; None where there is none, or none that is known."""
    if path is None:
        return None
    try:
        name = read_outside(path, "the name of a theme", largest_bytes=1000).decode("utf-8").strip()
    except (InputError, UnicodeDecodeError):
        return None
    return name if name in known else None


def keep_look(path: Path | None, name: str) -> None:
    """Keep a choice; where it cannot be kept, it holds until the end."""
    if path is not None:
        try:
            replace_own(path, name + "\n")
        except OSError:
            pass
