"""The fault matrix: rooms times faults, and the program's findings compared with the planted fault.

Words of the table: *right* the planted cause with the right channels or seats and no other; *beside* the same with another
cause; *stated* reported as not determined; *symptom* no cause, but a failed check or a finding of the symptom at the right
place; *missed* nothing; *wrong* only something else is blamed. Findings about the room that its own responses without noise
confirm are never counted against the program.
"""

from __future__ import annotations

import ast
import hashlib
import os
import pickle
import tempfile
import zlib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from rooms import acoustics, loudspeakers, measured, placing
from rooms import scene as scene_module
from rooms.faults import FAULTS, SYNONYMS, Planted
from rooms.installation import TRIM_LIMIT_DB, Installation
from rooms.truth import Truth
from rooms.visits import Memory, Result, run

HEALTHY = "healthy"
WORDS = ("right", "beside", "stated", "symptom", "missed", "wrong")
SIMULATORS = ("modes", "pra", "measured", "pra-shape", "modes", "images", "pra")
"""Simulators in turn over the seeds; without the open data, `measured` is `modes`."""
LOUD = ("limiter", "distortion", "rattle")
NOISY = ("hum", "ventilation", "equipment noise", "noise from outside")
AIMED = "misaimed loudspeaker"
"""Where a room gets one of these, its healthy visit has sweeps at two levels, recordings of noise, or entered aims, too."""
HELD_OUT = 900_000
"""Seeds from here on are for the end: no test and no everyday run uses them."""


@dataclass(frozen=True)
class Case:
    """One visit and what came of it."""

    seed: int
    simulator: str
    room: str
    fault: str
    word: str
    decidable: bool
    expected: str
    detail: str
    got: tuple[str, ...]
    """Findings that count, one line each."""
    failed: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass
class Matrix:
    """All cases of a run."""

    cases: list[Case] = field(default_factory=list)

    def of(self, fault: str, decidable: bool | None = None, simulator: str | None = None) -> list[Case]:
        return [
            c
            for c in self.cases
            if c.fault == fault
            and (decidable is None or c.decidable is decidable)
            and (simulator is None or c.simulator == simulator)
        ]

    def false_findings(self, simulator: str | None = None) -> list[tuple[Case, str]]:
        return [(c, line) for c in self.of(HEALTHY, simulator=simulator) for line in c.got]


def simulator_of(seed: int) -> str:
    """Which simulator makes the room of a seed."""
    name = SIMULATORS[seed % len(SIMULATORS)]
    return name if name != "measured" or measured.available() else "modes"


def cached_installation(seed: int, simulator: str, folder: Path | None) -> Installation:
    """The installation of a seed; the room's responses are cached in a folder, keyed by the simulator's own code."""
    drawn = scene_module.scene(seed, simulator)
    if folder is None:
        return Installation(drawn)
    code = hashlib.sha256()
    for module in (acoustics, loudspeakers, measured, scene_module):
        text = Path(str(module.__file__)).read_text(encoding="utf-8")
        code.update(ast.dump(ast.parse(text)).encode())  # comments and layout change nothing
    path = folder / f"{seed}-{simulator}-{code.hexdigest()[:12]}.pickle"
    if path.exists():
        base = pickle.loads(path.read_bytes())
        return Installation(drawn, base)
    installation = Installation(drawn)
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(f".{os.getpid()}")
    unfinished.write_bytes(pickle.dumps(installation.base, protocol=5))
    unfinished.rename(path)
    return installation


def default_cache() -> Path:
    """Folder of the cache of simulated rooms."""
    return Path(tempfile.gettempdir()) / "commission-simulated-rooms"


def confirmed(finding, truth: Truth, snr_db: dict[tuple[str, str], float]) -> bool:
    """Whether a finding about the room is true of the simulated room."""
    seats = finding.seats or tuple(truth.seats)
    mains = [c for c in finding.channels if c in truth.mains] or truth.mains
    if finding.step == "layout":
        return placing.broken(truth.i.scene, finding)
    if finding.id in ("room.null", "room.row-null"):
        return all(truth.null_db(s) <= -8.0 for s in seats)
    if finding.id == "room.boomy":
        return all(truth.boomy_db(s) >= 5.0 for s in seats)
    if finding.id == "room.bass-differs":
        return truth.uneven_db >= 5.2
    if finding.id == "measurement.noise":
        channels = finding.channels or tuple(truth.mains)
        return min(snr_db[(c, s)] for c in channels for s in seats) <= 33.0
    if finding.id == "room.reflection":
        return all(truth.worst_reflection_db(c) >= -12.5 for c in mains)
    if finding.id == "room.reverberation":
        return bool(max(truth.i.scene.t60_s[4:7]) > 0.55)  # 500 to 2000 Hz, by Eyring
    if finding.id == "room.bass-decay":
        return bool(max(truth.i.scene.t60_s[1:3]) > 1.6)  # 63 and 125 Hz, by Eyring
    if finding.id in ("room.blocked", "room.dull-seat"):
        return all(min(truth.direct_db(c, s) for s in seats) <= -7.5 for c in mains)
    if finding.id == "room.aim":
        return all(min(truth.dull_db(c, s) for s in seats) <= -4.5 for c in mains)
    if finding.id == "settings.crossover":
        sums_db = np.mean([truth.crossover_db(c) for c in finding.channels if c in truth.mains], axis=0)
        return bool(sums_db[0] <= -2.5 and ("turned over" not in finding.title or sums_db[1] > sums_db[0]))
    if finding.id == "settings.trim-range":
        return all(abs(truth.required_trim_db(c)) >= TRIM_LIMIT_DB - 0.5 for c in finding.channels)
    return False


def line_of(finding) -> str:
    """A finding in one line."""
    places = ", ".join((*finding.channels, *finding.seats))
    return f"{finding.id} [{places}] {finding.title} :: {' | '.join(finding.evidence)}"


def _names(planted: Planted) -> set[str]:
    """Ids of findings that name what was planted."""
    return {name for cause in planted.causes for name in SYNONYMS[cause]}


def _is_right(finding, planted: Planted) -> bool:
    if finding.id not in _names(planted):
        return False
    channels, seats = set(finding.channels), set(finding.seats)
    if planted.channels and not channels <= planted.channels | planted.also:
        return False
    if planted.channels and not channels & planted.channels:
        return False
    if planted.seats and not planted.seats_free and (seats - planted.seats or not seats):
        return False
    return True


def _is_stated(finding, planted: Planted) -> bool:
    """Whether a finding leaves open what, or which of two channels ("FL or FR"), and the planted one is among them."""
    text = " ".join((finding.title, *finding.evidence)).casefold()
    of_two = (
        finding.id in _names(planted)
        and len(finding.channels) == 2
        and " or ".join(finding.channels) in finding.title
    )
    return ("not determined" in text or of_two) and (
        not planted.channels or bool(set(finding.channels) & planted.channels)
    )


def judge(
    planted: Planted, result: Result, truth: Truth, snr_db, healthy_failed: set[tuple[str, str | None, str | None]]
):
    """(word, lines of what counts, lines of failed checks)."""
    findings = result.findings
    right = [f for f in findings if _is_right(f, planted)]
    named = {c for f in right for c in f.channels}
    complete = bool(right) and (not planted.channels or planted.channels <= named or bool(planted.also & named))
    stated = [f for f in findings if f not in right and _is_stated(f, planted)]
    symptoms = [
        f
        for f in findings
        if f not in right
        and f.id in planted.symptoms
        and (not planted.channels or set(f.channels) & planted.channels)
        and (not planted.seats or not f.seats or set(f.seats) & planted.seats)
    ]
    rest = [
        f
        for f in findings
        if f not in right and f not in stated and f not in symptoms and not confirmed(f, truth, snr_db)
    ]
    failed = [
        c
        for c in result.failed
        if (c.id, c.channel, c.seat) not in healthy_failed
        and (not planted.channels or c.channel in planted.channels)
        and (not planted.seats or c.seat is None or c.seat in planted.seats)
    ]
    shown = [f"{c.id} {c.channel} {c.seat} {c.value} {c.unit}" for c in failed]
    lines = [line_of(f) for f in (*right, *stated, *symptoms, *rest)]
    refused = [text for text in result.left_out if planted.refused]
    if complete or refused:
        word = "beside" if rest or (symptoms and not refused) else "right"
    elif right:
        word = "beside"
    elif stated:
        word = "wrong" if rest else "stated"
    elif rest:
        word = "wrong"
    elif symptoms or failed:
        word = "symptom"
    else:
        word = "missed"
    return word, lines, shown


def describe(installation: Installation) -> str:
    """A room in one line."""
    s, p, k = installation.scene, installation.scene.processor, installation.scene.capture
    size = "×".join(f"{v:.1f}" for v in (s.size_m[1], s.size_m[0], s.size_m[2]))
    kinds = "/".join(dict.fromkeys(x.speaker.kind for x in s.places))
    flags = [
        "sweeps" if k.raw_sweep else "impulses",
        f"{k.rate_hz // 1000}k",
        k.subtype,
        f"clock {k.clock}",
        p.unit,
        "" if p.passes_delays else "past the processor",
        "" if p.settings_noted else "settings unknown",
        "" if s.meter_readings else "no meter",
    ]
    return f"{s.layout} {len(s.seats)} seats {size} m T {s.t60_s[5]:.2f} s {kinds} {' '.join(f for f in flags if f)}"


def faults_of(seed: int, names: list[str]) -> list[str]:
    """All faults in the order in which a room gets them, in turn over the rooms: every fault meets as many rooms."""
    start = seed * 7
    return [names[(start + k) % len(names)] for k in range(len(names))]


def run_room(seed: int, simulator: str, faults: list[str], most: int, cache: Path | None) -> list[Case]:
    """The healthy visit and `most` others, one for each of the first faults that this room can have."""
    installation = cached_installation(seed, simulator, cache)
    room, memory, snr = describe(installation), Memory(), installation.snr_db()
    if installation.scene.capture.raw_sweep and any(name in LOUD for name in faults[:most]):
        installation.healthy.loads = installation.loads()
    if any(name in NOISY for name in faults[:most]):
        installation.healthy.states = installation.states()
    if AIMED in faults[:most]:
        installation.healthy.aims = installation.aims()
    healthy = run(installation, installation.healthy, memory)
    truth = Truth(installation, installation.healthy)
    false = [line_of(f) for f in healthy.findings if not confirmed(f, truth, snr)]
    before = {(c.id, c.channel, c.seat) for c in healthy.failed}
    word = "wrong" if false else "right"
    cases = [Case(seed, simulator, room, HEALTHY, word, True, "nothing", "", tuple(false), (), healthy.left_out)]
    for name in faults:
        rng = np.random.default_rng([3, seed, zlib.crc32(name.encode())])
        planted = FAULTS[name](installation, rng)
        if planted is None:
            continue
        if len(cases) > most:
            break
        room_now = planted.installation or installation
        result = run(room_now, planted.plan, memory)
        word, lines, failed = judge(planted, result, Truth(room_now, planted.plan), snr, before)
        expected = f"{' or '.join(planted.causes)} {sorted(planted.channels)} {sorted(planted.seats)}"
        known = {line.split(" :: ")[0].rsplit("] ", 1)[0] for line in false}
        lines = [
            f"{line} (in the healthy visit, too)" if line.rsplit(" :: ", 1)[0].rsplit("] ", 1)[0] in known else line
            for line in lines
        ]
        detail = "; ".join(t for t in (planted.text, planted.why) if t)
        cases.append(
            Case(
                seed,
                simulator,
                room,
                name,
                word,
                planted.decidable,
                expected,
                detail,
                tuple(lines),
                tuple(failed[:6]),
                result.left_out[:3],
            )
        )
    return cases


def table(matrix: Matrix, simulators: tuple[str, ...] = ()) -> str:
    """The table per fault, decidable and not, and false findings of healthy rooms by simulator."""
    out = []
    healthy = matrix.of(HEALTHY)
    for simulator in (None, *dict.fromkeys(c.simulator for c in healthy)):
        rooms = matrix.of(HEALTHY, simulator=simulator)
        false = matrix.false_findings(simulator)
        accused = sum(bool(c.got) for c in rooms)
        out.append(
            f"{simulator or 'all simulators':16} {len(false):4d} false findings in {len(rooms)} healthy rooms ({accused} rooms accused)"
        )
    for decidable in (True, False):
        out += [
            "",
            "decidable" if decidable else "not decidable (right, stated, symptom and missed are all in order)",
        ]
        out.append(f"{'fault':24}" + "".join(f"{w:>9}" for w in WORDS) + f"{'of':>6}")
        total: Counter[str] = Counter()
        for name in FAULTS:
            words = Counter(c.word for c in matrix.of(name, decidable))
            if words:
                out.append(
                    f"{name:24}" + "".join(f"{words[w] or '·':>9}" for w in WORDS) + f"{sum(words.values()):6d}"
                )
            total += words
        count = max(sum(total.values()), 1)
        out.append(f"{'all':24}" + "".join(f"{total[w]:9d}" for w in WORDS) + f"{sum(total.values()):6d}")
        out.append(f"{'':24}" + "".join(f"{100 * total[w] / count:8.1f}%" for w in WORDS))
    for simulator in dict.fromkeys(c.simulator for c in healthy):
        some = Counter(
            c.word for c in matrix.cases if c.fault != HEALTHY and c.decidable and c.simulator == simulator
        )
        out.append(f"{simulator:24}" + "".join(f"{some[w]:9d}" for w in WORDS) + f"{sum(some.values()):6d}")
    out += ["", "false findings in healthy rooms"]
    out += [f"  {c.seed} {c.simulator}: {line}" for c, line in matrix.false_findings()] or ["  none"]
    return "\n".join(out)


def failures(matrix: Matrix) -> str:
    """Every wrong case with its findings."""
    out = []
    for c in sorted(matrix.cases, key=lambda c: ([HEALTHY, *FAULTS].index(c.fault), c.seed)):
        good = ("right",) if c.decidable else ("right", "stated", "symptom", "missed")
        if c.word in good and not c.problems:
            continue
        out.append(
            f"{c.fault} · seed {c.seed} {c.simulator} · {c.word.upper()}{'' if c.decidable else ' (not decidable)'} · {c.room}"
        )
        out.append(f"    expected {c.expected} {c.detail}")
        out += [f"    got {line}" for line in c.got]
        out += [f"    failed check {line}" for line in c.failed]
        out += [f"    left out {line}" for line in c.problems]
    return "\n".join(out)
