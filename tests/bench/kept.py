"""Whether cached results equal those of a fresh visit after random events of every kind.

In the small job of the mutants, the sample job and a simulated room (see `tests/random_events.py`).
"""

from __future__ import annotations

import sys
import tempfile
from argparse import ArgumentParser
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import random_events
from memory_journal import MemoryJournal
from rooms import matrix, visits

from commission.cli.local_services import LocalServices


def sample_job() -> MemoryJournal:
    """The events and recordings of the sample job."""
    journal = MemoryJournal()
    with tempfile.TemporaryDirectory() as name:
        services = LocalServices(Path(name) / "state")
        visit = services.open(services.demo(Path(name)), read_only=True)
        blobs = {
            each: visit.blob(each) for each in {event.blob_sha256 for event in visit.job.log} if each is not None
        }
        journal.append([event.body for event in visit.job.log], blobs)
        visit.close()
    return journal


def simulated_job() -> MemoryJournal:
    """A healthy simulated room, as imported."""
    installation = matrix.cached_installation(70001, matrix.simulator_of(70001), matrix.default_cache())
    visit, _ = visits.imported(installation, installation.healthy)
    assert isinstance(visit._journal, MemoryJournal)
    return visit._journal


JOBS: dict[str, Callable[[], MemoryJournal]] = {
    "small": random_events.small_job,
    "sample": sample_job,
    "simulated": simulated_job,
}


def run(arguments: list[str]) -> None:
    """Print what differed, and how many events of each kind there were."""
    parser = ArgumentParser(prog="tests/bench kept", description=__doc__)
    parser.add_argument(
        "--comparisons", type=int, default=50, help="in each job, one after every one to three events (50)"
    )
    parser.add_argument("--seed", type=int, default=1, help="seed of the events (1)")
    parser.add_argument("--job", choices=JOBS, action="append", help="which job (all)")
    parsed = parser.parse_args(arguments)
    counts: Counter[str] = Counter()
    for name in parsed.job or JOBS:
        wrong, events = random_events.walk(JOBS[name](), parsed.seed, parsed.comparisons)
        counts += events
        print(
            f"  {name}: {parsed.comparisons} comparisons, {events.total()} events, {len(wrong)} differences",
            flush=True,
        )
        for each in wrong:
            print(f"    {each}")
    print("  " + ", ".join(f"{kind} {count}" for kind, count in sorted(counts.items())))
