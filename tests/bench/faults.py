"""The fault matrix: simulated rooms, one fault planted at a time, and the program's findings of each visit."""

from __future__ import annotations

import os
import sys
import time
from argparse import ArgumentParser
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # a process for each core serves better

from rooms import matrix as fault_matrix  # noqa: E402
from rooms.faults import FAULTS  # noqa: E402

ROOMS, EACH = 60, 10
"""Rooms, and faults that each of them gets."""


def parser() -> ArgumentParser:
    out = ArgumentParser(prog="tests/bench faults", description=__doc__)
    out.add_argument("--rooms", type=int, default=ROOMS, help=f"how many rooms ({ROOMS})")
    out.add_argument("--seed", type=int, default=1, help="seed of the first room (1)")
    out.add_argument("--each", type=int, help=f"faults for each room ({EACH}; all that are named with --fault)")
    out.add_argument(
        "--fault", action="append", choices=sorted(FAULTS), help="only this fault; more than once for more"
    )
    out.add_argument("--simulator", choices=sorted(set(fault_matrix.SIMULATORS)), help="only rooms of this simulator")
    out.add_argument("--jobs", type=int, default=2, help="processes (2)")
    out.add_argument("--cache", type=Path, default=fault_matrix.default_cache(), help="where responses are kept")
    out.add_argument("--no-cache", action="store_true", help="simulate every room again and keep nothing")
    out.add_argument(
        "--held-out", action="store_true", help="rooms that no test and no everyday run uses: at the end only"
    )
    out.add_argument("--failures", type=Path, help="write every case that is not as it should be to this file")
    return out


def run(arguments: list[str] | None = None) -> fault_matrix.Matrix:
    """Run and print."""
    parsed = parser().parse_args(arguments)
    names = parsed.fault or list(FAULTS)
    each = parsed.each or (len(names) if parsed.fault else EACH)
    first = parsed.seed + (fault_matrix.HELD_OUT if parsed.held_out else 0)
    seeds = range(first, first + parsed.rooms)
    rooms = [(seed, parsed.simulator or fault_matrix.simulator_of(seed)) for seed in seeds]
    cache = None if parsed.no_cache else parsed.cache
    began, result = time.perf_counter(), fault_matrix.Matrix()
    with ProcessPoolExecutor(parsed.jobs, mp_context=get_context("spawn")) as pool:
        todo = {
            pool.submit(
                fault_matrix.run_room, seed, simulator, fault_matrix.faults_of(seed, names), each, cache
            ): seed
            for seed, simulator in rooms
        }
        for done in as_completed(todo):
            try:
                result.cases += done.result()
            except Exception as error:
                print(f"room {todo[done]}: {type(error).__name__}: {error}", file=sys.stderr)
    result.cases.sort(key=lambda c: c.seed)
    print(fault_matrix.table(result))
    print(f"\n{len(result.cases)} visits in {time.perf_counter() - began:.0f} s")
    if parsed.failures:
        parsed.failures.write_text(fault_matrix.failures(result) + "\n", encoding="utf-8")
    return result


if __name__ == "__main__":
    run()
