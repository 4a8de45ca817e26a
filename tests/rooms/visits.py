"""From a plan to a job as a user would make it: a TOML definition, files named by channel and seat, and their import."""

from __future__ import annotations

import hashlib
import tempfile
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli_w
from memory_journal import MemoryJournal

from commission import __version__, model
from commission.audio.decoding import decode
from commission.audio.importing import FileImporter
from commission.job.toml import parse_definition
from commission.model.progress import unwatched
from commission.visit import Visit
from rooms import quiet
from rooms.installation import TRIM_LIMIT_DB, Installation, Plan, sound_file
from rooms.scene import OTHER_NAMES, STANDARD, Scene

ROUND = model.AS_FOUND
Point = tuple[float, float, float]
_KEY = {other: key for key, other in OTHER_NAMES.items()}


class Memory:
    """A memory of analyses, so that a planted fault only costs the analysis of changed recordings."""

    def __init__(self) -> None:
        self.known: dict[tuple[Any, ...], model.Analysis | model.NoiseAnalysis] = {}

    def _key(self, job: model.Job, stored: model.StoredResponse) -> tuple[Any, ...]:
        body = stored.body
        channel = job.system.channel(body.channel)
        return (
            stored.blob_sha256,
            body.file_channel,
            body.kind,
            body.origin_frame,
            body.sweep,
            body.stimulus_sha256,
            channel is not None and channel.is_sub,
            stored.seq in job.load_sweeps,
        )

    def recall(
        self, job: model.Job, wanted: Sequence[model.StoredResponse]
    ) -> dict[int, model.Analysis | model.NoiseAnalysis]:
        keys = {r.seq: self._key(job, r) for r in wanted}
        return {seq: self.known[key] for seq, key in keys.items() if key in self.known}

    def keep(self, job: model.Job, analyses: Mapping[int, model.Analysis | model.NoiseAnalysis]) -> None:
        self.known |= {self._key(job, r): analyses[r.seq] for r in (*job.responses, *job.driven) if r.seq in analyses}


def definition(installation: Installation, plan: Plan) -> str:
    """The job definition as an installer would write it, with settings as noted and readings by hand."""
    scene, p = installation.scene, installation.scene.processor
    ranges = {"m": (0.0, 30.0), "ft": (0.0, 100.0), "ms": (0.0, 100.0)}[p.unit]
    data: dict[str, Any] = {
        "schema": 1,
        "title": f"Simulated room {scene.seed}",
        "temperature_c": scene.stated_temperature_c,
        "processor": {
            "model": "surround processor",
            "trim_db": {"min": -TRIM_LIMIT_DB, "max": TRIM_LIMIT_DB, "step": p.trim_step_db},
            "delay": {"unit": p.unit, "min": ranges[0], "max": ranges[1], "step": p.step},
            "sweeps_pass_delays": p.passes_delays,
        },
        "instrument": [
            {"kind": "meter", "model": "sound level meter", "class": 2, "resolution": 0.1},
            {"kind": "microphone", "model": "measurement microphone"}
            | ({"full_scale_db": quiet.FULL_SCALE_DB, "self_noise_db": 8.0} if plan.states else {}),
            {"kind": "tape", "model": "laser tape", "resolution": 0.01},
        ],
    }
    if p.speed_known:
        data["processor"]["speed_of_sound_m_s"] = p.speed_m_s
    data |= plan_entries(scene, plan.aims)
    if p.settings_noted:
        data["setting"] = [
            {
                "round": ROUND,
                "channel": c,
                "trim_db": plan.noted_trim_db[c],
                "distance": plan.noted_setting[c],
                "polarity": plan.noted_polarity[c],
            }
            for c in installation.channels
        ]
    readings: list[dict[str, Any]] = [
        {"round": ROUND, "step": "distances", "channel": c, "seat": scene.reference.id, "value_m": scene.tape_m[c]}
        for c in installation.channels
    ]
    if scene.meter_readings:
        readings += [
            {
                "round": ROUND,
                "step": "levels",
                "channel": c,
                "seat": scene.reference.id,
                "value_db": plan.meter_db.get(c, installation.meter_db(plan, c, earlier)),
            }
            for earlier in range(plan.meter_passes)
            for c in installation.channels
        ]
    data["reading"] = readings
    return tomli_w.dumps(data)


def plan_entries(scene: Scene, aims: Mapping[str, Point] | None = None) -> dict[str, Any]:
    """Room, loudspeakers and seats as surveyed, for a job definition."""
    data: dict[str, Any] = {"channel": []}
    if scene.states_room and scene.corners is None:
        width, length, height = scene.size_m
        data["room"] = {"width_m": round(width, 2), "length_m": round(length, 2), "height_m": round(height, 2)}
    for place in scene.places:
        c = place.channel
        key = _KEY.get(c, c)
        entry: dict[str, object] = {
            "id": c,
            "name": STANDARD.get(key, key),
            "role": place.role,
            "position_m": list(scene.survey[c]),
        }
        if c in scene.high_pass_hz:
            entry["high_pass_hz"] = scene.high_pass_hz[c]
        if aims and c in aims:
            entry["aim_m"] = list(aims[c])
        data["channel"].append(entry)
    data["seat"] = [
        {"id": s.id, "position_m": [round(v, 2) for v in s.position_m], "reference": s.reference} for s in scene.seats
    ]
    return data


@dataclass
class Result:
    """The program's results for a visit."""

    findings: tuple[model.Finding, ...]
    failed: tuple[model.Check, ...]
    texts: tuple[str, ...]
    """Remarks and main results of all steps."""
    left_out: tuple[str, ...]
    outcomes: dict[str, model.Outcome]


def imported(installation: Installation, plan: Plan, memory: Memory | None = None) -> tuple[Visit, tuple[str, ...]]:
    """The visit with its files imported and analysed, and what was left out."""
    journal = MemoryJournal()
    parsed = parse_definition(definition(installation, plan))
    limits = model.LimitsChosen(profile=model.default_profile())
    journal.append((model.JobCreated(title="simulated", program_version=__version__), *parsed.bodies, limits))
    if plan.lip_sync_ms is not None:
        typed = model.ReadingEntered(
            round=ROUND, step="checklist", seat=None, quantity="lip-sync", value=plan.lip_sync_ms, unit="ms"
        )
        journal.append((typed,))
    visit = Visit(journal, decode, memory)
    with tempfile.TemporaryDirectory(prefix="rooms-") as folder:
        left_out = _import(installation, plan, visit, Path(folder))
        if plan.states:
            left_out += _import_noise(installation, plan, visit, Path(folder))
    visit.analyse(threading.Event(), unwatched)
    return visit, left_out


def run(installation: Installation, plan: Plan, memory: Memory | None = None) -> Result:
    """Make the job, import the files, analyse them, and return the findings."""
    visit, left_out = imported(installation, plan, memory)
    outcomes = visit.outcomes(ROUND)
    checks = [check for outcome in outcomes.values() for check in outcome.checks]
    failed = tuple(c for c in checks if c.verdict is model.Verdict.FAIL)
    texts = tuple(t for o in outcomes.values() for t in (o.main_result, *_texts(o.remarks)) if t)
    return Result(visit.findings(ROUND), failed, texts, left_out, outcomes)


def _texts(remarks: Any) -> tuple[str, ...]:
    return (remarks,) if isinstance(remarks, str) else tuple(str(r) for r in remarks or ())


def _import(installation: Installation, plan: Plan, visit: Visit, folder: Path) -> tuple[str, ...]:
    scene = installation.scene
    stimulus = None
    if scene.capture.raw_sweep:
        stimulus = folder / "stimulus.wav"
        stimulus.write_bytes(installation.stimulus())
    batches: dict[str, list[Path]] = {}
    for seat in installation.seat_ids:
        for channel in installation.channels:
            path = folder / f"{seat}_{channel}.{installation.scene.capture.container.lower()}"
            path.write_bytes(installation.file(plan, channel, seat))
            batches.setdefault(seat if scene.capture.clock == "by seat" else "all", []).append(path)
            if channel in plan.loads and seat == scene.reference.id:
                louder = folder / f"{seat}_{channel}_+10dB.wav"
                louder.write_bytes(installation.louder_file(plan, channel))
                batches[seat if scene.capture.clock == "by seat" else "all"].append(louder)
    importer, left_out = FileImporter(), []
    for paths in batches.values():
        options = model.ImportOptions(round=ROUND, stimulus=stimulus)
        rows = importer.survey(paths, visit.job, options, None, threading.Event(), unwatched)
        if scene.capture.clock == "none":
            from dataclasses import replace

            rows = tuple(replace(row, shared_clock=False) for row in rows)
        _, out = visit.import_rows(importer, rows, options, threading.Event(), unwatched)
        left_out += [f"{row.path.name}: {why}" for row, why in out]
    return tuple(left_out)


def _import_noise(installation: Installation, plan: Plan, visit: Visit, folder: Path) -> tuple[str, ...]:
    seat, lines, paths = installation.scene.reference.id, ["file,seat,kind,state"], []
    for k, state in enumerate(plan.states):
        path = folder / f"noise-{k}.wav"
        data = quiet.recording(state, 100 * installation.scene.seed + k)
        path.write_bytes(sound_file(data, quiet.RATE_HZ, "PCM_24", "WAV"))
        paths.append(path)
        lines.append(f"{path.name},{seat},noise,{state.name}")
    mapping = folder / "noise.csv"
    mapping.write_text("\n".join(lines) + "\n", encoding="utf-8")
    importer, options = FileImporter(), model.ImportOptions(round=ROUND)
    rows = importer.survey(paths, visit.job, options, mapping, threading.Event(), unwatched)
    _, out = visit.import_rows(importer, rows, options, threading.Event(), unwatched)
    return tuple(f"{row.path.name}: {why}" for row, why in out)


def digest(data: bytes) -> str:
    """SHA-256, as files are known by."""
    return hashlib.sha256(data).hexdigest()
