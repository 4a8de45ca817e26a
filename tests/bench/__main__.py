"""Run all benchmarks, or those named: `python tests/bench analysis responses --channels 4`."""

from __future__ import annotations

import argparse

import analysis
import record
import reopen
import responses
import startup

ALL = {
    "analysis": analysis.run,
    "responses": responses.run,
    "startup": startup.run,
    "reopen": reopen.run,
    "record": record.run,
}

parser = argparse.ArgumentParser(description=__doc__)
parser.add_argument("names", nargs="*", choices=[*ALL, []], help="which; all when none is named")
parser.add_argument("--channels", type=int, default=13, help="channels of the analysis benchmark (at 6 seats)")
parsed = parser.parse_args()
for name in parsed.names or ALL:
    print(f"\n{name}")
    ALL[name](parsed.channels)
