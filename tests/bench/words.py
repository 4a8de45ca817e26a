"""False verdicts of "compare" and the changes that it detects, by simulator, distance of the microphone and repeats."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from references import repeated_placings


def run(_channels: int) -> None:
    """Six rooms of each simulator: about fifteen minutes."""
    repeated_placings.main(6)
