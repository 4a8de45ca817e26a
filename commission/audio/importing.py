"""Import of response files: look first, show where each would go, store what is in order."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from commission.audio.files import (
    AUDIO_SUFFIXES,
    TEXT_SUFFIXES,
    SoundInfo,
    problem_of,
    read_bytes,
    read_sound,
    shown,
    sound_info,
)
from commission.audio.mapping import MappedFile, read_mapping
from commission.audio.names import NameTokens, read_name
from commission.audio.sofa import HDF5_SIGNATURE, SOFA_SUFFIX
from commission.audio.sofa_rows import sofa_rows
from commission.audio.text_response import parse_response
from commission.dsp.noise import CLIP_RATIO_LIMIT, clip_ratio, flat_top
from commission.model import (
    Cancelled,
    CancelToken,
    EventBody,
    FloatArray,
    ImportOptions,
    ImportRow,
    InputError,
    Job,
    Progress,
    ResponseKind,
    ResponseStored,
    StimulusStored,
)
from commission.model.outside_files import kind_of, refuse_open_job

SWEEP_SPAN = 0.5
"""Share of a recording in which the middle 80 % of its energy lies: a 3 s sweep with 1 s of tail 0.6, half a second
of a subwoofer in a live room up to 0.45, other impulse responses far less (own simulations)."""
MOST_FILES = 5000


class FileImporter:
    """`model.Importer` for WAV, FLAC and text."""

    def survey(
        self,
        paths: Sequence[Path],
        job: Job,
        options: ImportOptions,
        mapping: Path | None,
        cancel: CancelToken,
        progress: Progress,
    ) -> tuple[ImportRow, ...]:
        """Look at files, folders and a mapping; one row for each channel of each file, problems named in the rows.

        A path that is itself a mapping (a CSV with its header) counts as one. Raises InputError only when the mapping
        or the stimulus as a whole is unusable, or nothing was found.
        """
        stimulus = _stimulus_info(options)
        wanted = list(_wanted(paths, job, mapping))
        if not wanted:
            places = ", ".join(shown(path) for path in paths) or "nothing"
            raise InputError(places, "no WAV, FLAC or text files", "recordings or a mapping file")
        if len(wanted) > MOST_FILES:
            raise InputError(
                shown(paths[0]), f"{len(wanted)} files", f"at most {MOST_FILES}", "Name a smaller folder."
            )
        rows: list[ImportRow] = []
        for index, (path, tokens, mapped) in enumerate(wanted):
            if cancel.is_set():
                raise Cancelled
            progress(index / len(wanted), shown(path))
            rows += _look(path, tokens, mapped, job, options, stimulus)
        progress(1.0, "")
        return self.recheck(rows, job)

    def recheck(self, rows: Sequence[ImportRow], job: Job) -> tuple[ImportRow, ...]:
        """Judge places and duplicates anew after the technician changed some rows."""
        stored = {
            (r.body.file_sha256, r.body.file_channel, r.body.round, r.body.channel, r.body.seat): r.seq
            for r in job.responses
        }
        elsewhere = {(r.body.file_sha256, r.body.file_channel): r for r in job.responses}
        seen: dict[tuple[str | None, int], ImportRow] = {}
        out = []
        for row in rows:
            bytes_key = (row.sha256, row.file_channel)
            problem = row.file_problem or _place_problem(row, job)
            duplicate = stored.get(
                (row.sha256 or "", row.file_channel, row.round or "", row.channel or "", row.seat or "")
            )
            if problem is None and duplicate is None and row.sha256 is not None and not row.skip:
                first = seen.setdefault(bytes_key, row)
                if first is not row:
                    problem = str(
                        InputError(shown(row.path), f"the same bytes as {shown(first.path)}", "each file once")
                    )
            warning = row.warning
            if (
                problem is None
                and duplicate is None
                and (other := elsewhere.get((row.sha256 or "", row.file_channel)))
            ):
                warning = (
                    f"the same bytes are stored for {other.body.channel} at {other.body.seat} ({other.body.round})"
                )
            out.append(replace(row, problem=problem, duplicate_of=duplicate, warning=warning))
        return tuple(out)

    def read(
        self, row: ImportRow, job: Job, options: ImportOptions
    ) -> tuple[tuple[EventBody, ...], dict[str, bytes]]:
        """The events and bytes of one row; raises InputError, also when the file changed since it was looked at."""
        name = shown(row.path)
        problem = row.problem or _place_problem(row, job)
        if problem is not None:
            raise InputError(name, "an open question", "a complete row", problem)
        data = read_bytes(row.path)
        sha256 = hashlib.sha256(data).hexdigest()
        if row.sha256 is not None and sha256 != row.sha256:
            raise InputError(name, "other bytes than a moment ago", "a file that stays as it is", "Look at it again.")
        assert row.round and row.channel and row.seat and row.kind
        bodies: list[EventBody] = []
        blobs = {sha256: data}
        sweep, stimulus_sha256 = None, None
        if row.kind == "sweep":
            if options.stimulus is not None:
                stimulus, content = _stimulus_event(options.stimulus)
                stimulus_sha256 = stimulus.file_sha256
                if stimulus_sha256 not in job.stimuli:
                    bodies.append(stimulus)
                    blobs[stimulus_sha256] = content
            else:
                sweep = options.sweep or job.system.sweep
        passes = job.system.processor.sweeps_pass_delays if options.passes_delays is None else options.passes_delays
        bodies.append(
            ResponseStored(
                round=row.round,
                channel=row.channel,
                seat=row.seat,
                kind=row.kind,
                file_name=name,
                file_sha256=sha256,
                file_channel=row.file_channel,
                rate_hz=row.rate_hz,
                frames=row.frames,
                clock=options.clock if row.shared_clock and row.kind != "response" else None,
                passes_delays=passes,
                sweep=sweep,
                stimulus_sha256=stimulus_sha256,
            )
        )
        return tuple(bodies), blobs


def _wanted(
    paths: Sequence[Path], job: Job, mapping: Path | None
) -> Iterator[tuple[Path, NameTokens, MappedFile | None]]:
    """Files to look at, with what their names or the mapping say."""
    mappings = [mapping] if mapping is not None else []
    for path in paths:
        if path.is_dir():
            for file in sorted(path.rglob("*")):
                hidden = any(part.startswith(".") for part in file.relative_to(path).parts)
                known = file.suffix.lower() in (*AUDIO_SUFFIXES, *TEXT_SUFFIXES, SOFA_SUFFIX)
                if file.is_file() and known and not hidden and not _is_mapping(file):
                    yield file, read_name(file, job, path), None
        elif _is_mapping(path):
            mappings.append(path)
        else:
            yield path, read_name(path, job), None
    for each in mappings:
        for mapped in read_mapping(each):
            yield mapped.path, read_name(mapped.path, job), mapped


def _is_mapping(path: Path) -> bool:
    if path.suffix.lower() not in (".csv", ".tsv", ".txt") or kind_of(path) != "file":
        return False
    refuse_open_job(path, "a recording or a mapping")
    with path.open("rb") as file:
        first = file.readline(400).decode("utf-8-sig", "replace").casefold()
    return first.strip().replace(";", ",").replace("\t", ",").startswith("file,") and "channel" in first


def _look(
    path: Path,
    tokens: NameTokens,
    mapped: MappedFile | None,
    job: Job,
    options: ImportOptions,
    stimulus: SoundInfo | None,
) -> list[ImportRow]:
    """The rows of one file."""
    row = ImportRow(
        path=path,
        file_channel=mapped.file_channel if mapped else 0,
        round=_known_round(mapped.round if mapped else None, job) or options.round or tokens.round,
        channel=_known((mapped.channel if mapped else None) or tokens.channel, [c.id for c in job.system.channels]),
        seat=_known((mapped.seat if mapped else None) or tokens.seat, [s.id for s in job.system.seats]),
        kind=(mapped.kind if mapped else None) or tokens.kind,
    )
    if mapped is not None and mapped.problem:
        return [replace(row, file_problem=mapped.problem)]
    name = shown(path)
    try:
        data = read_bytes(path)
        row = replace(row, sha256=hashlib.sha256(data).hexdigest())
        if path.suffix.lower() == SOFA_SUFFIX or data.startswith(HDF5_SIGNATURE):
            rows = sofa_rows(row, data, name, job)
            return [rows[row.file_channel]] if mapped is not None and mapped.channel else rows
        if path.suffix.lower() in AUDIO_SUFFIXES or data.startswith((b"RIFF", b"fLaC")):
            return _look_at_sound(
                row, data, name, job, options, stimulus, whole_file=mapped is None or not mapped.channel
            )
        parse_response(data, name)
        if row.kind not in (None, "response"):
            raise InputError(name, f"text where kind {row.kind} is wanted", "WAV or FLAC, or kind response")
        problem = f"{name}: {tokens.problem}" if tokens.problem and mapped is None else None
        return [replace(row, kind="response", file_problem=None, warning=problem)]
    except InputError as error:
        return [replace(row, file_problem=str(error))]


def _look_at_sound(
    row: ImportRow,
    data: bytes,
    name: str,
    job: Job,
    options: ImportOptions,
    stimulus: SoundInfo | None,
    whole_file: bool,
) -> list[ImportRow]:
    samples, info = read_sound(data, name)
    row = replace(row, rate_hz=float(info.rate_hz), frames=info.frames)
    channels = [c.id for c in job.system.channels]
    if row.kind == "response":
        raise InputError(name, "sound where kind response is wanted", "a text file, or kind impulse or sweep")
    if info.channels == 1 or not whole_file or row.channel is not None:
        if row.file_channel >= info.channels:
            raise InputError(name, f"{info.channels} channels", f"at least {row.file_channel + 1}")
        if info.channels > 1 and whole_file and row.channel is not None and row.file_channel == 0:
            row = replace(row, warning=f"{info.channels} channels in the file; the first is taken")
        return [_judge_sound(row, samples[row.file_channel], info, name, job, options, stimulus)]
    if info.channels != len(channels):
        raise InputError(
            name,
            f"{info.channels} channels",
            f"one channel, or {len(channels)} in the job's order",
            "Name the channel in the file name or in a mapping.",
        )
    parts = [replace(row, file_channel=i, channel=channel) for i, channel in enumerate(channels)]
    return [_judge_sound(part, samples[part.file_channel], info, name, job, options, stimulus) for part in parts]


def _judge_sound(
    row: ImportRow,
    samples: FloatArray,
    info: SoundInfo,
    name: str,
    job: Job,
    options: ImportOptions,
    stimulus: SoundInfo | None,
) -> ImportRow:
    problem = problem_of(samples, info, name)
    if problem is not None:
        return replace(row, file_problem=problem)
    kind = row.kind or _kind_by_content(samples, info.rate_hz, _sweep_known(job, options, stimulus)[1])
    row = replace(row, kind=kind)
    if kind == "sweep":
        problem = _sweep_problem(info, name, job, options, stimulus)
        if clip_ratio(samples) > CLIP_RATIO_LIMIT:
            row = replace(row, warning="it clips: what it says of level and response is not judged")
    elif kind == "impulse" and flat_top(samples):
        row = replace(row, warning="its largest samples stand at one value: it seems clipped and is not judged")
    elif kind == "noise":
        problem = str(
            InputError(name, "a noise recording", "impulse, sweep or response", "No step here uses noise yet.")
        )
    return replace(row, file_problem=problem)


def _kind_by_content(samples: FloatArray, rate_hz: int, shortest_s: float | None) -> ResponseKind:
    """A sweep spreads its energy evenly over its length, an impulse response has nearly all of it at once.

    Nothing shorter than the sweep that was played can be a recording of it.
    """
    if shortest_s is not None and len(samples) < 0.7 * shortest_s * rate_hz:
        return "impulse"
    running = np.cumsum(samples.astype(float) ** 2)
    first, last = np.searchsorted(running, np.array([0.1, 0.9]) * running[-1])
    whole = len(samples) if shortest_s is None else min(len(samples), shortest_s * rate_hz)
    return "sweep" if (last - first) / whole > SWEEP_SPAN else "impulse"


def _sweep_problem(
    info: SoundInfo, name: str, job: Job, options: ImportOptions, stimulus: SoundInfo | None
) -> str | None:
    """Why a raw sweep cannot be deconvolved with what is known of its stimulus."""
    rate_hz, seconds = _sweep_known(job, options, stimulus)
    if rate_hz is None or seconds is None:
        return str(
            InputError(
                name,
                "a raw sweep recording",
                "to know what was played",
                "Give the stimulus file, or the sweep's parameters in the job's [sweep].",
            )
        )
    if rate_hz != info.rate_hz:
        return str(InputError(name, f"{info.rate_hz} Hz", f"the stimulus's {rate_hz:g} Hz", "Record at its rate."))
    if info.frames < 0.9 * seconds * info.rate_hz:
        return str(
            InputError(
                name,
                f"{info.frames / info.rate_hz:.1f} s",
                f"at least the sweep's {seconds:.1f} s",
                "It is truncated or belongs to another stimulus.",
            )
        )
    return None


def _sweep_known(job: Job, options: ImportOptions, stimulus: SoundInfo | None) -> tuple[float | None, float | None]:
    """(sample rate [Hz], length [s]) of what was played; None where nothing is known of it."""
    if stimulus is not None:
        return float(stimulus.rate_hz), stimulus.frames / stimulus.rate_hz
    sweep = options.sweep or job.system.sweep
    return (float(sweep.rate_hz), sweep.duration_s) if sweep is not None else (None, None)


def _stimulus_info(options: ImportOptions) -> SoundInfo | None:
    if options.stimulus is None:
        return None
    return sound_info(read_bytes(options.stimulus), shown(options.stimulus))


def _stimulus_event(path: Path) -> tuple[StimulusStored, bytes]:
    data = read_bytes(path)
    samples, info = read_sound(data, shown(path))
    if (problem := problem_of(samples[0], info, shown(path))) is not None:
        raise InputError(shown(path), "an unusable stimulus", "the sweep that was played", problem)
    digest = hashlib.sha256(data).hexdigest()
    return StimulusStored(file_name=shown(path), file_sha256=digest, rate_hz=info.rate_hz, frames=info.frames), data


def _known(value: str | None, ids: Sequence[str]) -> str | None:
    """The id as the job spells it, or the text as it is (which `_place_problem` then names)."""
    if value is None:
        return None
    return next((known for known in ids if known.casefold() == value.casefold()), value)


def _known_round(value: str | None, job: Job) -> str | None:
    return _known(value, (*job.rounds, "as-found", "as-left")) if value else None


def _place_problem(row: ImportRow, job: Job) -> str | None:
    """What is missing or unknown about where a row belongs."""
    name = shown(row.path)
    system = job.system
    for what, value, ids in (
        ("channel", row.channel, [c.id for c in system.channels]),
        ("seat", row.seat, [s.id for s in system.seats]),
    ):
        if value is None:
            return str(InputError(name, f"no {what} in its name", f"one of {', '.join(ids) or 'none yet'}"))
        if value not in ids:
            return str(InputError(name, f"the {what} “{value[:20]}”", f"one of {', '.join(ids) or 'none yet'}"))
    if row.round is None:
        return str(InputError(name, "no round", "as-found, as-left or an interim round", "Give it with --round."))
    if row.kind is None:
        return str(InputError(name, "no kind", "impulse, sweep or response"))
    return None
