"""Peak memory of this process."""

from __future__ import annotations

import re
import resource
from pathlib import Path


def peak_bytes() -> int:
    """Peak memory of this process alone: Linux includes the parent's memory at the fork in `ru_maxrss`, but not in
    VmHWM.
    """
    status = Path("/proc/self/status")
    found = re.search(r"^VmHWM:\s+(\d+) kB$", status.read_text(), re.MULTILINE) if status.exists() else None
    return 1024 * (int(found[1]) if found else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
