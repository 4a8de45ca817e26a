"""Large jobs: the time to store a file as the job grows, and the time to open a large job.

`python tests/bench haul`; the impulse responses are short, so that decoding does not dominate the processor time.
"""

from __future__ import annotations

import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import soundfile

from commission.cli.local_services import LocalServices
from commission.model import Channel, ImportOptions, Seat, System
from commission.model.progress import unwatched

RATE, CHANNELS = 48000, 12
COUNTS = (240, 480, 960)


def run(_channels: int) -> None:
    """Import each number of files into a job of its own, then open the largest twice."""
    rng, costs_s = np.random.default_rng(1), {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for count in COUNTS:
            seats = count // CHANNELS
            files = folder / str(count)
            files.mkdir()
            for seat in range(seats):
                for channel in range(CHANNELS):
                    samples = 0.001 * rng.standard_normal(RATE // 5)
                    samples[300:] += 0.1 * rng.standard_normal(len(samples) - 300) * np.exp(-np.arange(9300) / 1000)
                    samples[300] = 0.8
                    soundfile.write(files / f"S{seat}_C{channel}.wav", samples.astype(np.float32), RATE, "PCM_24")
            system = System(
                title="haul",
                channels=tuple(Channel(id=f"C{i}", role="screen") for i in range(CHANNELS)),
                seats=tuple(Seat(id=f"S{i}") for i in range(seats)),
            )
            services = LocalServices(folder / "state")
            visit = services.create(folder / f"job{count}", system)
            options = ImportOptions(round="as-found")
            rows = services.importer.survey((files,), visit.job, options, None, threading.Event(), unwatched)
            begin = time.process_time()
            stored, _ = visit.import_rows(services.importer, rows, options, threading.Event(), unwatched)
            costs_s[count] = (time.process_time() - begin) / count
            assert len(stored) == count
            visit.close()
            print(
                f"  {count} files: {1000 * costs_s[count]:.2f} ms each, {costs_s[count] / costs_s[240]:.2f} of that of 240"
            )
        for how in ("computed", "kept"):
            begin, wall = time.process_time(), time.monotonic()
            visit = LocalServices(folder / "state").open(folder / f"job{COUNTS[-1]}.commission")
            opened = time.process_time() - begin
            visit.analyse(threading.Event(), unwatched)
            visit.findings("as-found")
            print(
                f"  {COUNTS[-1]} responses, {how}: {opened:.2f} s to open, {time.process_time() - begin:.2f} s of processor "
                f"and {time.monotonic() - wall:.2f} s on the clock until all is known"
            )
            visit.close()
