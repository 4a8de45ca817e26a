"""Makes the helpers beside this file importable from every test folder: `from builders import job_of`."""

from __future__ import annotations

import sys
from pathlib import Path

from hypothesis import settings

HERE = str(Path(__file__).parent)
if HERE not in sys.path:
    sys.path.insert(0, HERE)

# How long an example takes says more about the machine than about the program; the benchmarks measure time.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
