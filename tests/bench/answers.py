"""Response time of the screens to a key, whatever the size of the job: `python tests/bench answers`.

Jobs of 164, 480 and 960 responses with thousands of typed readings; every screen is opened with keys and walked through.
For each key: the time until everything that it leads to has happened and is painted (the control sequences for the terminal
included) and the next key would act, and the longest uninterrupted run of the event loop, in which no other key is heard.
The reference is the same walk through a job of two channels and one seat, in the same run: it shows the time that Textual
itself takes. Each walk is done twice: with the first key as soon as results are there, and after a pause, in which the
program prepares the screens of the steps.
"""

from __future__ import annotations

import asyncio
import hashlib
import io
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from textual.events import Key
from textual.keys import _character_to_key

sys.path.insert(0, str(Path(__file__).parents[1]))

from builders import LOUDSPEAKERS, channels

import commission.ui.app
from commission import model, steps
from commission.cli.local_services import LocalServices
from commission.model.progress import unwatched

COUNTS = (164, 480, 960)
READINGS = 3000
GOAL_MS = 50.0
PAUSE_S = 4.0
"""Before the first key: as long as a short look at the overview."""
RATE_HZ = 48000
ROUNDS = (model.AS_FOUND, model.AS_LEFT)
ALONG = ("down", "down", "down", "end", "up", "home", "pagedown", "pageup")
FORM, TABLE = ("down", "down", "end", "up", "home", "pagedown"), (*ALONG, "right", "right", "left")
WALK: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("overview", ALONG),
    ("site", ("open site", *FORM, "enter", "escape", "v", "v", "escape")),
    ("layout", ("open layout", *FORM, "tab", *TABLE, "escape")),
    (
        "levels",
        ("open levels", *ALONG, "7", "6", ".", "5", "enter", "x", "v", *TABLE, "u", "down", "escape", "v", "escape"),
    ),
    (
        "distances",
        (
            "open distances",
            *ALONG,
            "3",
            ".",
            "5",
            "backspace",
            "escape",
            "v",
            *TABLE,
            "u",
            "down",
            "escape",
            "escape",
        ),
    ),
    (
        "seats",
        ("open seats", *TABLE, "enter", "]", "]", "down", "down", "right", "z", "escape", "v", *TABLE, "u", "escape"),
    ),
    ("seats: other views", ("tab", *TABLE, "tab", *TABLE, "tab", *TABLE, "enter", "]", "escape", "escape")),
    ("bass", ("open bass", *TABLE, "v", *TABLE, "escape")),
    (
        "compare",
        ("open bass", "]", *TABLE, "enter", "]", "escape", "v", *TABLE, "tab", *TABLE, "tab", *TABLE, "escape"),
    ),
    ("hand over", ("open bass", "]", "]", *TABLE, "v", *TABLE, "escape")),
    ("checklist", ("open checklist", *TABLE, "escape")),
    ("quiet", ("open quiet", *ALONG, "v", *TABLE, "escape")),
    ("dialogue", ("open dialogue", *TABLE, "v", *TABLE, "escape")),
    ("findings", ("f", *ALONG, "escape")),
    ("sheet", ("s", *ALONG, "space", "escape")),
    ("log", ("l", *ALONG, "x", "escape", "escape")),
    ("limits", (":", "l", "i", "m", "enter", *TABLE, "escape")),
    ("note", ("open levels", "n", "a", "b", "enter", "escape")),
    ("help", ("question_mark", "down", "pagedown", "escape")),
    ("import", ("i", "a", "b", "escape", "escape")),
    ("another round", ("r", "down", "enter")),
    ("steps of that round", ("open levels", "]", "]", "]", "]", "[", "escape")),
)
"""Screens by name, and the keys that open them, walk through them and leave them; each begins on the overview."""


@dataclass(frozen=True)
class Answer:
    """The response to one key. Processor time is that of the event loop's thread, without the machine's other work."""

    screen: str
    key: str
    wall_s: float = 0.0
    """Until it is painted."""
    cpu_s: float = 0.0
    """Processor time until then."""
    block_s: float = 0.0
    """Processor time of the longest run of the event loop."""


@dataclass
class Loop:
    """Runs of the event loop since the last `reset`."""

    block_s: float = 0.0
    last_paint_s: float = 0.0
    last_paint_cpu_s: float = 0.0

    def reset(self) -> None:
        self.block_s = self.last_paint_s = self.last_paint_cpu_s = 0.0


@contextmanager
def watched(loop: Loop) -> Iterator[None]:
    """Within: every callback of asyncio is timed."""
    original = asyncio.Handle._run

    def run(self: asyncio.Handle) -> None:
        begin = time.thread_time()
        original(self)
        loop.block_s = max(loop.block_s, time.thread_time() - begin)

    asyncio.Handle._run = run  # type: ignore[method-assign]
    try:
        yield
    finally:
        asyncio.Handle._run = original  # type: ignore[method-assign]


class PaintedApp(commission.ui.app.CommissionApp):
    """An app that makes the control sequences without a terminal, and notes the time."""

    CSS_PATH = str(Path(commission.ui.app.__file__).with_name("commission.tcss"))
    loop_watch: Loop

    def _display(self, screen: Any, renderable: Any) -> None:
        if renderable is not None and not self._batch_count:
            if hasattr(renderable, "render_segments"):
                renderable.render_segments(self.console)
            else:
                self.console._render_buffer(list(self.console.render(renderable)))
            self.loop_watch.last_paint_s, self.loop_watch.last_paint_cpu_s = time.perf_counter(), time.thread_time()


# --- jobs -------------------------------------------------------------------------------------------------------------


def system_of(count: int) -> model.System:
    """Twelve channels and the seats needed for `count` responses in two rounds; for 0, two channels and one seat."""
    ids = [*list(LOUDSPEAKERS)[:11], "SUB1"] if count else ["FL", "FC"]
    seats = -(-count // (len(ids) * len(ROUNDS))) if count else 1
    places = [(-1.8 + 0.9 * (n % 5), 2.5 + 0.45 * (n // 5), 1.1) for n in range(seats)]
    return model.System(
        title="Harbour Lane cinema",
        temperature_c=21.5,
        room=model.Room(length_m=6.4, width_m=4.7, height_m=2.6),
        processor=model.Processor(model="surround processor"),
        channels=channels(ids),
        seats=tuple(model.Seat(id=f"S{n + 1}", position_m=p, reference=n == 0) for n, p in enumerate(places)),
        instruments=(model.Instrument(kind="meter", model="class 2 sound level meter", accuracy_class=2),),
    )


def make_job(services: LocalServices, path: Path, count: int) -> Path:
    """A job with that many responses and `READINGS` typed readings; none of both where the count is 0."""
    rng, system = np.random.default_rng(1), system_of(count)
    visit = services.create(path, system)
    bodies: list[model.EventBody] = []
    blobs: dict[str, bytes] = {}
    for round_id in ROUNDS:
        bodies.append(model.RoundOpened(round=round_id))
        bodies += [
            model.SettingEntered(setting=model.Setting(round=round_id, channel=c.id, trim_db=0.0, distance=3.0))
            for c in system.channels
        ]
    places = [(r, c, s) for r in ROUNDS for s in system.seats for c in system.channels][:count]
    for n, (round_id, channel, seat) in enumerate(places):
        samples = 2e-4 * rng.standard_normal(RATE_HZ // 4)
        start = round(RATE_HZ * model_distance_m(channel, seat) / 344.0)
        tail = rng.standard_normal(len(samples) - start) * np.exp(-np.arange(len(samples) - start) / 1500)
        samples[start:] += 0.02 * tail
        samples[start] += -0.6 if channel.id == "FR" and round_id == model.AS_FOUND else 0.6
        out = io.BytesIO()
        soundfile.write(out, samples, RATE_HZ, format="FLAC", subtype="PCM_24")
        sha = hashlib.sha256(out.getvalue()).hexdigest()
        blobs[sha] = out.getvalue()
        bodies.append(
            model.ResponseStored(
                round=round_id,
                channel=channel.id,
                seat=seat.id,
                kind="impulse",
                file_name=f"{seat.id}_{channel.id}.flac",
                file_sha256=sha,
                rate_hz=RATE_HZ,
                frames=len(samples),
                clock=round_id,
            )
        )
        if n % 100 == 99:
            visit.append(*bodies, blobs=blobs)
            bodies, blobs = [], {}
    for n in range(READINGS if count else 0):
        round_id, seat = ROUNDS[n % 2], system.seats[(n // 24) % min(len(system.seats), 6)]
        channel = system.channels[n // 2 % len(system.channels)]
        level = n % 10 or n > 100
        bodies.append(
            model.ReadingEntered(
                round=round_id,
                step="levels" if level else "distances",
                channel=channel.id,
                seat=seat.id if level else system.seats[0].id,
                quantity="level" if level else "distance",
                value=round(75 + rng.normal(), 1) if level else round(3 + 0.1 * rng.normal(), 2),
                unit="dB" if level else "m",
            )
        )
    visit.append(*bodies, blobs=blobs)
    visit.close()
    return visit.path


def model_distance_m(channel: model.Channel, seat: model.Seat) -> float:
    """Straight from loudspeaker to ear."""
    assert channel.position_m is not None and seat.position_m is not None
    return float(np.linalg.norm(np.subtract(channel.position_m, seat.position_m)))


# --- walking ----------------------------------------------------------------------------------------------------------


async def press(app: PaintedApp, key: str, loop: Loop, screen: str) -> Answer:
    """Press one key and wait until it is handled and its effect is painted."""
    if key.startswith("open "):
        listed = [step_id for step_id, _ in steps.listed(app.visit.job)]
        key = str((1 + listed.index(key.removeprefix("open "))) % 10)
    event = Key(key if len(key) > 1 else _character_to_key(key), key if len(key) == 1 else None)
    event.set_sender(app)
    await asyncio.sleep(0.02)  # nothing of the key before
    loop.reset()
    begin, cpu = time.perf_counter(), time.thread_time()
    app.post_message(event)
    await asyncio.sleep(0)
    for _ in range(50):
        if app.handling_key:
            break
        await asyncio.sleep(0)
    while app.handling_key:
        await asyncio.sleep(0.001)
    handled, handled_cpu = time.perf_counter(), time.thread_time()
    painted = asyncio.Event()
    app.screen.call_after_refresh(painted.set)
    await asyncio.wait_for(painted.wait(), 30)
    end = max(loop.last_paint_s, handled)
    cpu = max(loop.last_paint_cpu_s, handled_cpu) - cpu  # work after the paint delays nobody
    return Answer(screen, key, end - begin, cpu, loop.block_s)


async def settle(app: PaintedApp) -> None:
    """Wait until nothing is computed in the background or waiting to be painted."""
    while any(each.is_running for each in app.workers):
        await app.workers.wait_for_complete()
        await asyncio.sleep(0.03)


async def walk(
    app: PaintedApp, loop: Loop, size: tuple[int, int], pause_s: float
) -> tuple[list[Answer], Answer, float]:
    """Walk through every screen: the answers; the longest run of the event loop after a key is painted; seconds until all
    results are known. `pause_s`: a pause without keys once all results are known. After a key, results come in, and the
    program searches for garbage (`ui/garbage.py`).
    """
    answers = []
    begin = time.perf_counter()
    async with app.run_test(size=size):
        while "handover" not in app.outcomes:
            await asyncio.sleep(0.03)
        await settle(app)
        opened_s = time.perf_counter() - begin
        loop.reset()
        await asyncio.sleep(pause_s)
        background = Answer("overview", "the pause", block_s=loop.block_s)
        for screen, keys in WALK:
            for key in keys:
                answers.append(await press(app, key, loop, screen))
                loop.reset()
                await settle(app)
                if loop.block_s > background.block_s:
                    background = Answer(screen, key, block_s=loop.block_s)
            while len(app.screen_stack) > 1:
                app.pop_screen()
            await settle(app)
    return answers, background, opened_s


def measure(
    services: LocalServices, path: Path, size: tuple[int, int], pause_s: float = 0.0
) -> tuple[list[Answer], Answer, float]:
    """The walk through a job, after a pause."""
    loop = Loop()
    app = PaintedApp(services, path, keys=path.with_name("no-keys.toml"))
    app.loop_watch = loop
    with watched(loop):
        return asyncio.run(walk(app, loop, size, pause_s))


def run(_channels: int) -> None:
    """Print how long the answers took, and name the keys that took longer than the goal."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        services = LocalServices(folder / "state")
        for size in ((120, 40), (80, 24)):
            reference = 0.0
            print(f"  {size[0]} x {size[1]} cells; painted: median, 95 %, longest; longest run of the event loop")
            for count in (0, *COUNTS):
                path = folder / f"job-{count}.commission"
                if not path.exists():
                    make_job(services, path.with_suffix(""), count)
                    visit = services.open(path)
                    begin, cpu = time.perf_counter(), time.process_time()
                    visit.analyse(threading.Event(), unwatched)
                    for round_id in visit.job.rounds:
                        visit.outcomes(round_id), visit.findings(round_id)
                    visit.close()
                    if count:
                        print(
                            f"  {count} responses: all computed from nothing kept after "
                            f"{time.perf_counter() - begin:.1f} s ({time.process_time() - cpu:.1f} s of processor)"
                        )
                for pause_s in (0.0, PAUSE_S):
                    answers, background, opened_s = measure(services, path, size, pause_s)
                    print(f"  after a pause of {pause_s:.0f} s:" if pause_s else "  at once:")
                    _report(count, answers, background, opened_s, reference)
                    reference = reference or max(each.cpu_s for each in answers)


def _report(count: int, answers: list[Answer], background: Answer, opened_s: float, reference: float) -> None:
    wall, cpu = (sorted(1000 * getattr(each, name) for each in answers) for name in ("wall_s", "cpu_s"))
    slow = [each for each in answers if 1000 * each.cpu_s > GOAL_MS]
    block = max(answers, key=lambda each: each.block_s)
    ratio = f", {cpu[-1] / 1000 / reference:.1f} times the reference" if reference else " (reference)"
    print(
        f"  {count:3} responses, {len(answers)} keys: of the processor {statistics.median(cpu):.0f},"
        f" {cpu[len(cpu) * 95 // 100]:.0f}, {cpu[-1]:.0f} ms{ratio}; on the clock {statistics.median(wall):.0f},"
        f" {wall[len(wall) * 95 // 100]:.0f}, {wall[-1]:.0f} ms; {len(slow)} keys over {GOAL_MS:.0f} ms; longest run {1000 * block.block_s:.0f} ms"
        f" ({block.screen}, {block.key}), after a key, with results or a garbage search, {1000 * background.block_s:.0f} ms"
        f" ({background.screen}, {background.key}); overview known after {opened_s:.1f} s"
    )
    for each in sorted(slow, key=lambda each: -each.cpu_s)[:25]:
        print(
            f"      {each.screen}, {each.key}: {1000 * each.cpu_s:.0f} ms of the processor, {1000 * each.wall_s:.0f} ms"
            f" on the clock, longest run {1000 * each.block_s:.0f} ms"
        )


if __name__ == "__main__":
    run(0)
