"""The sample job that ships with the program."""

from __future__ import annotations

from pathlib import Path

from commission.model import CommissionError

JOB_NAME = "harbour-lane.commission"


def sample_folder() -> Path:
    """The folder of the sample's files: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "sample_measurements", package.parent / "sample_measurements"):
        if (folder / "harbour-lane.toml").is_file():
            return folder
    raise CommissionError(
        f"The sample job is not part of this installation (looked beside {package}). "
        "Install from a complete checkout of the project."
    )
