"""In-memory stand-ins for what the screens use: the services and a source that measures at once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from builders import CREATED, cinema, defined
from memory_journal import MemoryJournal

from commission.model import (
    AS_FOUND,
    Cancelled,
    Capture,
    CommissionError,
    EventBody,
    ResponseStored,
    System,
)
from commission.ui.app import CommissionApp
from commission.visit import Visit


class StandInSource:
    """A source that measures at once; `gate` blocks it until set, so that a test can press Escape meanwhile."""

    name = "stand-in room"

    def __init__(self) -> None:
        self.gate = threading.Event()
        self.gate.set()
        self.asked: list[tuple[str, str]] = []

    def why_not(self, capture: Capture) -> str | None:
        return None

    def measure(
        self, capture: Capture, round_id: str, cancel: Any, progress: Callable[[float, str], None]
    ) -> tuple[tuple[ResponseStored, ...], dict[str, bytes]]:
        self.asked.append((capture.channel, capture.seat))
        progress(0.5, "sweep")
        while not self.gate.wait(0.01):
            if cancel.is_set():
                raise Cancelled
        sha = f"{len(self.asked):064x}"
        body = ResponseStored(
            round=round_id,
            channel=capture.channel,
            seat=capture.seat,
            kind="impulse",
            file_name="stand-in.wav",
            file_sha256=sha,
        )
        return (body,), {sha: b""}

    def record_noise(
        self, seat: str, state: str, round_id: str, cancel: Any, progress: Callable[[float, str], None]
    ) -> tuple[ResponseStored, dict[str, bytes]]:
        self.asked.append((state, seat))
        while not self.gate.wait(0.01):
            if cancel.is_set():
                raise Cancelled
        sha = f"{len(self.asked):064x}"
        body = ResponseStored(
            round=round_id, channel="", seat=seat, kind="noise", file_name="noise.wav", file_sha256=sha, state=state
        )
        return body, {sha: b""}


class StandInServices:
    """Services that open the given visit and measure with the given source."""

    importer: Any = None
    letterhead: Path | None = None

    def __init__(self, visit: Visit, source: StandInSource | None = None) -> None:
        self.visit, self._source = visit, source

    def open(self, path: Path, *, read_only: bool = False) -> Visit:
        return self.visit

    def recent(self) -> tuple[Path, ...]:
        return ()

    def source(self, visit: Visit) -> StandInSource | None:
        return self._source

    def live_status(self) -> str:
        return "Live measurement is off: no device here."

    def __getattr__(self, name: str) -> Any:
        raise CommissionError(f"{name} is not part of this test")


def unreadable(stored: Any, blobs: Any) -> Any:
    """A decoder for jobs with empty recordings: it raises an error for each."""
    return [(each, ValueError("empty recording")) for each in stored]


def app_of(
    *bodies: EventBody,
    system: System | None = None,
    source: StandInSource | None = None,
    journal: Any = None,
    decoder: Any = unreadable,
) -> CommissionApp:
    """The program on a job in memory."""
    journal = journal or MemoryJournal(CREATED, defined(system or cinema()), *bodies)
    visit = Visit(journal, decoder)
    return CommissionApp(StandInServices(visit, source), Path("harbour-lane.commission"), keys=Path("no-keys.toml"))


async def settle(pilot: Any) -> None:
    """Wait until all computing has ended and the screen is drawn."""
    for _ in range(3):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()


def screen_text(app: Any) -> str:
    """What the screen shows."""
    strips = app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in strip).rstrip() for strip in strips)


FREQ = np.geomspace(20.0, 20000.0, 121)
ROUND = AS_FOUND
