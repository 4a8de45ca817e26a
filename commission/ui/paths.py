"""Parses paths that are typed, pasted or dragged into a terminal."""

from __future__ import annotations

from pathlib import Path

from commission.model.errors import InputError
from commission.model.units import clean_text

SUFFIX = ".commission"


def typed_path(text: str) -> Path:
    """The path of a typed text: `~` is the home folder; quotes and escaped blanks come from the terminal."""
    text = text.strip()
    if len(text) > 1 and text[0] == text[-1] and text[0] in "'\"":
        text = text[1:-1]
    try:
        path = Path(text).expanduser()
    except RuntimeError as error:
        raise InputError("path", f"“{clean_text(text)}”, an unknown home folder", "the path of a file") from error
    unescaped = Path(str(path).replace("\\ ", " "))
    return unescaped if not path.exists() and unescaped.exists() else path


def existing_file(text: str) -> Path:
    """An existing file with that path; raises InputError with the reason if there is none."""
    if not text.strip():
        raise InputError("path", "nothing", "the path of a file")
    path = typed_path(text)
    if path.is_dir():
        raise InputError("path", f"“{clean_text(text)}”, which is a folder", "the path of a file")
    if not path.is_file():
        raise InputError("path", f"“{clean_text(text)}”, which is not a file", "the path of a file")
    return path


def new_file(text: str, suffixes: tuple[str, ...]) -> Path:
    """A writable path for a file with one of these suffixes; raises InputError if there is no such path."""
    if not text.strip():
        raise InputError("file name", "nothing", "a name that ends in " + ", ".join(suffixes))
    path = typed_path(text)
    if path.suffix.lower() not in suffixes:
        found = f"the ending “{clean_text(path.suffix) or 'none'}”"
        raise InputError("file name", found, "one of " + ", ".join(suffixes))
    if not path.parent.is_dir():
        raise InputError("folder", f"“{clean_text(str(path.parent))}”", "an existing folder")
    if path.is_dir():
        raise InputError("file name", f"“{clean_text(text)}”, which is a folder", "the name of a file")
    return path


def new_job(text: str) -> Path:
    """A path for a new job file; raises InputError if it exists."""
    if not text.strip():
        raise InputError("name", "nothing", "a name for the new job")
    path = typed_path(text)
    path = path if path.suffix == SUFFIX else path.with_name(path.name + SUFFIX)
    if path.exists():
        raise InputError("name", f"“{clean_text(path.name)}”, which exists already", "another name")
    return new_file(str(path), (SUFFIX,))
