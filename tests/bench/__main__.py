"""Run all benchmarks, or those named: `python tests/bench analysis responses --channels 4`.

`faults`, `visits`, `returns`, `shares`, `leakage`, `mistyped` and `kept` do not measure time and have their own options:
`python tests/bench visits --help`.
"""

from __future__ import annotations

import argparse
import sys

import analysis
import answers
import bass
import faults
import haul
import healthy
import held_out
import holes
import imports
import intervals
import kept
import kills
import leakage
import mistyped
import mutated_jobs
import odd
import polarity
import record
import reopen
import responses
import returns
import shares
import startup
import visits
import words

ALL = {
    "analysis": analysis.run,
    "responses": responses.run,
    "startup": startup.run,
    "polarity": polarity.run,
    "reopen": reopen.run,
    "record": record.run,
    "bass": bass.run,
    "haul": haul.run,
    "answers": answers.run,
    "kills": kills.run,
    "mutants": mutated_jobs.run,
    "odd": odd.run,
    "healthy": healthy.run,
    "held-out": held_out.run,
    "holes": holes.run,
    "imports": imports.run,
    "words": words.run,
    "intervals": intervals.run,
}

TIMES = ("analysis", "responses", "startup", "polarity", "reopen", "record", "haul", "answers")
"""Run when none is named; the others look for crashes or false words, and take long."""


def main() -> None:
    """Benchmarks that are named, or the fault matrix."""
    for name, run in (
        ("faults", faults.run),
        ("visits", visits.run),
        ("returns", returns.run),
        ("shares", shares.run),
        ("leakage", leakage.run),
        ("mistyped", mistyped.run),
        ("kept", kept.run),
    ):
        if sys.argv[1:2] == [name]:
            run(sys.argv[2:])
            return
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", choices=[*ALL, []], help="which; those of times when none is named")
    parser.add_argument("--channels", type=int, default=13, help="channels of the analysis benchmark (at 6 seats)")
    parsed = parser.parse_args()
    for name in parsed.names or TIMES:
        print(f"\n{name}")
        ALL[name](parsed.channels)


if __name__ == "__main__":  # the fault matrix starts processes that read this file again
    main()
