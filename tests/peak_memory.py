"""The most memory that this process has had in use."""

from __future__ import annotations

import re
import resource
from pathlib import Path


def peak_bytes() -> int:
    """Of this process alone: Linux counts what the parent had at the fork into `ru_maxrss`, but not into VmHWM."""
    status = Path("/proc/self/status")
    found = re.search(r"^VmHWM:\s+(\d+) kB$", status.read_text(), re.MULTILINE) if status.exists() else None
    return 1024 * (int(found[1]) if found else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
