"""Imports response files: examines them, proposes a place for each with its reason, and stores the accepted ones."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from commission.audio.clocks import SHIFTED, with_clocks
from commission.audio.content import (
    Stimulus,
    decide_kinds,
    described_stimulus,
    duplicates,
    examine,
    examine_noise,
    is_clean_sweep,
    joined,
    read_stimulus,
)
from commission.audio.files import (
    AUDIO_SUFFIXES,
    TEXT_SUFFIXES,
    SoundInfo,
    lowest_rate_hz,
    problem_of,
    read_bytes,
    read_sound,
    shown,
)
from commission.audio.mapping import MappedFile, is_mapping, locate, read_mapping
from commission.audio.names import NameWords, Places, is_stimulus_name, read_name
from commission.audio.sofa import HDF5_SIGNATURE, SOFA_SUFFIX
from commission.audio.sofa_rows import decoded_sofa, sofa_rows, sofa_to_store
from commission.audio.text_response import parse_response
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
    ResponseStored,
    StimulusStored,
)
from commission.model.noise_states import ELECTRONICS, UNNAMED
from commission.model.outside_files import kind_of
from commission.model.units import clean_text, round_name

MOST_FILES = 5000
MOST_FOLDERS = 20_000
"""Limit of subfolders of a named folder: a whole disk is named by mistake."""
SOUND_SIGNATURES = (b"RIFF", b"fLaC")
LOOPBACK_CLOCK = "loopback"
"""Clock of loopback recordings: their time zero is the loopback's signal, so they share it whenever they were made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    """A file to examine, with what its name and its line of the mapping say."""

    path: Path
    words: NameWords
    mapped: MappedFile | None = None
    problem: str | None = None
    where: str = ""
    """The line of the mapping, for messages."""


class FileImporter:
    """`model.Importer` for WAV, FLAC, AES69 and text."""

    def survey(
        self,
        paths: Sequence[Path],
        job: Job,
        options: ImportOptions,
        mapping: Path | None,
        cancel: CancelToken,
        progress: Progress,
    ) -> tuple[ImportRow, ...]:
        """Examine files, folders and a mapping; one row for each channel of each file, problems included.

        A path that is itself a mapping (a CSV with its header) counts as one; one inside a folder counts where no
        other is given. The rows do not depend on the order in which files are given. Raises InputError only when the
        mapping or the stimulus as a whole is unusable, or nothing was found.
        """
        files = _files_to_look_at(paths, Places(job), mapping)
        if not files:
            places = ", ".join(shown(path) for path in paths) or "nothing"
            raise InputError(places, "no WAV, FLAC or text files", "recordings or a mapping file")
        if len(files) > MOST_FILES:
            where = shown(paths[0] if paths else files[0].path)
            raise InputError(where, f"{len(files)} files", f"at most {MOST_FILES}", "Name a smaller folder.")
        found = [_stimulus_in(file, options) for file in files]
        stimuli = _stimuli(found, job, options)
        rows: list[ImportRow] = []
        for index, (file, stimulus) in enumerate(zip(files, found, strict=True)):
            if cancel.is_set():
                raise Cancelled
            progress(index / len(files), shown(file.path))
            if stimulus is None:
                rows += _rows_of_file(file, job, options, stimuli)
            else:
                used = any(each.path == file.path for each in stimuli)
                rows.append(_stimulus_row(file.path, used, options))
        progress(1.0, "")
        return self.recheck(decide_kinds(rows), job)

    def recheck(self, rows: Sequence[ImportRow], job: Job) -> tuple[ImportRow, ...]:
        """Check places, kinds, duplicates and clocks again after the technician edited rows."""
        stored = {
            (r.body.file_sha256, r.body.file_channel, r.body.round, r.body.channel, r.body.seat): r.seq
            for r in (*job.responses, *job.noises, *job.driven)
        }
        out = []
        refuted = _refuted_stimuli(rows, job)
        for row in rows:
            row = _as_noise(row, job) if row.kind == "noise" else row
            problem = None if row.is_stimulus else _problem(row, job)
            if problem is None and row.kind == "sweep" and row.stimulus_name in refuted:
                found = f"a stimulus, {row.stimulus_name}, with which most main loudspeakers give no impulse response"
                problem = str(InputError(shown(row.path), found, "the signal that was played"))
            place = (row.round or "", row.channel or "", row.seat or "")
            duplicate = next((stored[each + place] for each in _recordings(row) if each + place in stored), None)
            out.append(replace(row, problem=problem, duplicate_of=duplicate, warning=row.file_warning))
        out = _with_duplicates(out)
        out = [replace(row, warning=joined(row.warning, _stored_elsewhere(row, job))) for row in out]
        return tuple(replace(row, warning=joined(row.warning, row.clock_problem)) for row in with_clocks(out, job))

    def read(
        self, row: ImportRow, job: Job, options: ImportOptions
    ) -> tuple[tuple[EventBody, ...], dict[str, bytes]]:
        """The events and bytes of one row; raises InputError, also if the file changed since the survey."""
        name, (data, sha256) = shown(row.path), _read_again(row, job)
        assert row.round and row.seat and row.kind and (row.channel or row.kind == "noise")
        bodies: list[EventBody] = []
        original_sha256, file_channel, origin_frame = None, row.file_channel, 0.0
        if row.stored_sha256 is not None:
            name, data, origin_frame = sofa_to_store(data, name, row.file_channel)
            original_sha256, sha256, file_channel = sha256, hashlib.sha256(data).hexdigest(), 0
        blobs = {sha256: data}
        is_sweep = row.kind == "sweep"
        loopback = row.loopback if is_sweep else None
        sweep, stimulus_sha256 = None, None
        if is_sweep and loopback is None and row.stimulus is not None:
            stimulus, content = _stimulus_event(row.stimulus)
            stimulus_sha256 = stimulus.file_sha256
            if stimulus_sha256 not in job.stimuli:
                bodies.append(stimulus)
                blobs[stimulus_sha256] = content
        elif is_sweep and loopback is None:
            sweep = options.sweep or job.system.sweep
        passes = job.system.processor.sweeps_pass_delays if options.passes_delays is None else options.passes_delays
        bodies.append(
            ResponseStored(
                round=row.round,
                channel=row.channel or "",
                seat=row.seat,
                kind=row.kind,
                state=row.state,
                drive_db=row.drive_db,
                file_name=name,
                file_sha256=sha256,
                original_sha256=original_sha256,
                file_channel=file_channel,
                origin_frame=origin_frame,
                rate_hz=row.rate_hz,
                frames=row.frames,
                clock=_clock(row, options),
                clock_problem=row.clock_problem if row.shared_clock and row.clock_problem != SHIFTED else None,
                passes_delays=passes,
                sweep=sweep,
                stimulus_sha256=stimulus_sha256,
                loopback_channel=loopback,
            )
        )
        return tuple(bodies), blobs


def _read_again(row: ImportRow, job: Job) -> tuple[bytes, str]:
    """Bytes and digest of the file of a complete row; raises InputError, also if it changed since the survey."""
    problem = row.problem or _problem(row, job)
    if problem is not None:
        raise InputError(shown(row.path), "an open question", "a complete row", problem)
    data = read_bytes(row.path)
    sha256 = hashlib.sha256(data).hexdigest()
    if row.sha256 is not None and sha256 != row.sha256:
        found = "different content from a moment ago"
        raise InputError(shown(row.path), found, "a file that does not change", "Look at it again.")
    return data, sha256


def _clock(row: ImportRow, options: ImportOptions) -> str | None:
    """The name of the time origin that a row shares with others."""
    if row.kind in ("response", "noise") or not row.shared_clock or row.clock_problem is not None:
        return None
    if row.kind == "sweep" and row.loopback is not None:
        return LOOPBACK_CLOCK
    if row.clock_of_seat and options.clock is not None:
        return f"{options.clock}, seat {row.seat}"
    return options.clock


# --- which files, and their rows ----------------------------------------------------------------------------


def _files_to_look_at(paths: Sequence[Path], places: Places, mapping: Path | None) -> list[_File]:
    """Each file once for every line of a mapping that names it, or once by its name; sorted by path."""
    named: dict[Path, tuple[Path, Path | None]] = {}
    mappings = [mapping] if mapping is not None else []
    in_folders: list[Path] = []
    for path in paths:
        if kind_of(path) == "folder":
            for file in _recordings_in(path):
                if is_mapping(file):
                    in_folders.append(file)
                else:
                    named.setdefault(_resolved(file), (file, path))
        elif is_mapping(path):
            mappings.append(path)
        else:
            named.setdefault(_resolved(path), (path, None))
    mapped: list[_File] = []
    decided: set[Path] = set()
    for each in dict.fromkeys(mappings or sorted(in_folders)):
        found = [file for file, _ in named.values()] or _files_beside(each)
        for line in read_mapping(each):
            path, problem = (each, None) if not line.file else locate(line.file, each.parent, found, Path.cwd())
            path, root = named.get(_resolved(path), (_resolved(path), None))
            decided.add(_resolved(path))
            where = f"{shown(each)} line {line.line}"
            words = read_name(path, places, root)
            why = line.problem or (f"{where}: {problem}." if problem else None)
            mapped.append(_File(path=path, words=words, mapped=line, problem=why, where=where))
    files = mapped + [
        _File(path=file, words=read_name(file, places, root))
        for key, (file, root) in named.items()
        if key not in decided
    ]
    return sorted(files, key=_order)


def _recordings_in(folder: Path) -> Iterator[Path]:
    """Sound files in a folder and its subfolders, by suffix, without hidden ones. Raises InputError for too many."""
    endings = (*AUDIO_SUFFIXES, *TEXT_SUFFIXES, SOFA_SUFFIX)
    found = 0
    for looked_at, (place, folders, names) in enumerate(os.walk(folder)):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in names:
            path = Path(place, name)
            if path.suffix.lower() in endings and not name.startswith(".") and path.is_file():
                found += 1
                yield path
        if found > MOST_FILES or looked_at > MOST_FOLDERS:
            what = f"{found} files" if found > MOST_FILES else f"more than {MOST_FOLDERS} folders"
            raise InputError(clean_text(str(folder)), what, f"at most {MOST_FILES} files", "Name a smaller folder.")


def _resolved(path: Path) -> Path:
    """The path with its links resolved as far as possible."""
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):  # a name that no file can have, or a circular link
        return path.absolute()


def _order(file: _File) -> tuple[str, ...]:
    """Sort key by path and mapping, so that no result depends on the order in which files are given."""
    mapped = file.mapped
    if mapped is None:
        return (str(_resolved(file.path)),)
    cells = (mapped.round, mapped.channel, mapped.seat, mapped.kind)
    return (str(_resolved(file.path)), f"{mapped.file_channel or 0:3d}", *(cell or "" for cell in cells))


def _files_beside(mapping: Path) -> list[Path]:
    """The files beside a mapping, for lines with paths of another computer."""
    known = (*AUDIO_SUFFIXES, *TEXT_SUFFIXES, SOFA_SUFFIX)
    return [path for path in mapping.parent.iterdir() if path.suffix.lower() in known and path.is_file()]


def _row_of(file: _File, job: Job, options: ImportOptions) -> ImportRow:
    """The row of a file before it is read: from the mapping, completed by the file name and `--round`."""
    places, mapped, words = Places(job), file.mapped, file.words
    channel, seat, named_round, kind = (None, None, None, None)
    if mapped is not None:
        channel, seat, named_round, kind = mapped.channel, mapped.seat, mapped.round, mapped.kind
    sources = {
        "round": file.where if named_round else "--round" if options.round else "its name" if words.round else "",
        "channel": file.where if channel else "its name" if words.channel else "",
        "seat": file.where if seat else "its name" if words.seat else "",
    }
    warning = None
    chosen = places.round(named_round or options.round) or words.round
    if words.round is not None and chosen != words.round:
        warning = f"its name says {round_name(words.round)}, but {sources['round']} says {round_name(chosen or '')}"
    return ImportRow(
        path=file.path,
        file_channel=(mapped.file_channel if mapped else None) or 0,
        round=chosen,
        channel=places.channel(channel) or words.channel,
        seat=places.seat(seat) or words.seat,
        kind=kind or words.kind,
        kind_from_name=kind is None and words.kind is not None,
        state=(mapped.state if mapped is not None else None) or words.state or None,
        drive_db=mapped.drive_db if mapped is not None and mapped.drive_db is not None else words.drive_db,
        new_round=options.new_round,
        loopback=mapped.loopback if mapped is not None and mapped.loopback is not None else options.loopback,
        place_reason=_place_words(sources),
        name_problem=None if mapped and (channel and seat) else words.problem,
        file_problem=file.problem,
        file_warning=warning,
    )


def _place_words(sources: dict[str, str]) -> str:
    """Which source says what, as in "round from --round; channel and seat from its name"."""
    by_source: dict[str, list[str]] = {}
    for what, source in sources.items():
        if source:
            by_source.setdefault(source, []).append(what)
    listed = {
        source: " and ".join((", ".join(whats[:-1]), whats[-1])[len(whats) < 2 :])
        for source, whats in by_source.items()
    }
    return "; ".join(f"{whats} from {source}" for source, whats in listed.items())


# --- what was played --------------------------------------------------------------------------------------------------


def _stimulus_in(file: _File, options: ImportOptions) -> Stimulus | None:
    """The stimulus in a file, if neither the mapping nor a complete name claims it and it is an unplayed sweep."""
    path = file.path
    if options.stimulus is not None and _resolved(path) == _resolved(options.stimulus):
        return read_stimulus(path)
    if file.mapped is not None or path.suffix.lower() not in AUDIO_SUFFIXES:
        return None
    if file.words.channel is not None and file.words.seat is not None:
        return None
    try:
        stimulus = read_stimulus(path)
    except InputError:
        return None
    return stimulus if is_stimulus_name(path) or is_clean_sweep(stimulus.samples, stimulus.rate_hz) else None


def _stimuli(found: Sequence[Stimulus | None], job: Job, options: ImportOptions) -> list[Stimulus]:
    """The stimuli to try: the file that was named, else those among the recordings and the job's sweep."""
    if options.stimulus is not None:
        return [read_stimulus(options.stimulus)]
    sweep = options.sweep or job.system.sweep
    described = [described_stimulus(sweep)] if sweep is not None else []
    return [each for each in found if each is not None] + described


def _stimulus_row(path: Path, used: bool, options: ImportOptions) -> ImportRow:
    reason = "the signal that was played, no recording"
    if not used:
        reason += f"; not used, since {shown(options.stimulus)} was named" if options.stimulus else "; not used"
    return ImportRow(path=path, is_stimulus=True, skip=True, kind_reason=reason)


def _stimulus_event(path: Path) -> tuple[StimulusStored, bytes]:
    data = read_bytes(path)
    samples, info = read_sound(data, shown(path))
    if (problem := problem_of(samples[0], info, shown(path))) is not None:
        raise InputError(shown(path), "an unusable stimulus", "the sweep that was played", problem)
    digest = hashlib.sha256(data).hexdigest()
    return StimulusStored(file_name=shown(path), file_sha256=digest, rate_hz=info.rate_hz, frames=info.frames), data


# --- one file ---------------------------------------------------------------------------------------------------------


def _rows_of_file(file: _File, job: Job, options: ImportOptions, stimuli: Sequence[Stimulus]) -> list[ImportRow]:
    """The rows of one file."""
    row, path = _row_of(file, job, options), file.path
    if row.file_problem:
        return [row]
    name = shown(path)
    whole_file = file.mapped is None or not (file.mapped.channel or file.mapped.file_channel is not None)
    try:
        data = read_bytes(path)
        row = replace(row, sha256=hashlib.sha256(data).hexdigest())
        if path.suffix.lower() == SOFA_SUFFIX or data.startswith(HDF5_SIGNATURE):
            if row.kind == "noise":
                raise InputError(name, "AES69, which holds impulse responses", "WAV or FLAC for kind noise")
            rows = [_examined_sofa(each, data, name) for each in sofa_rows(row, data, name, job)]
            if not whole_file and row.file_channel >= len(rows):
                raise InputError(name, f"{len(rows)} responses", f"at least {row.file_channel + 1}")
            return rows if whole_file else [rows[row.file_channel]]
        if path.suffix.lower() in AUDIO_SUFFIXES or data.startswith(SOUND_SIGNATURES):
            return _rows_of_sound(row, data, name, job, stimuli, whole_file)
        text = parse_response(data, name)
        if row.kind not in (None, "response") and not row.kind_from_name:
            raise InputError(name, f"text where kind {row.kind} is wanted", "WAV or FLAC, or kind response")
        reason = f"text with levels re {text.reference}" if text.reference else "text without a unit of its levels"
        return [replace(row, kind="response", reference=text.reference, loopback=None, kind_reason=reason)]
    except InputError as error:
        return [replace(row, file_problem=str(error))]


def _examined_sofa(row: ImportRow, data: bytes, name: str) -> ImportRow:
    """A row of an AES69 file, an impulse response by its convention, with the results of analysing its samples."""
    samples = decoded_sofa(data, name)[row.file_channel].response.impulse
    if row.file_problem is None and samples is not None:
        row = examine(row, samples, row.rate_hz or 0.0, f"{name}, response {row.file_channel + 1}", ())
    return replace(row, kind_reason="AES69 holds impulse responses", sweep_problem=None, undecided=False)


def _rows_of_sound(
    row: ImportRow, data: bytes, name: str, job: Job, stimuli: Sequence[Stimulus], whole_file: bool
) -> list[ImportRow]:
    samples, info = read_sound(data, name, lowest_hz=lowest_rate_hz(row.kind))
    row = replace(row, rate_hz=float(info.rate_hz), frames=info.frames)
    if row.kind == "response" and not row.kind_from_name:
        raise InputError(name, "sound where kind response is wanted", "a text file, or kind impulse or sweep")
    if row.kind == "response":
        row = replace(row, kind=None, kind_from_name=False)
    loopback = row.loopback
    if loopback is not None and loopback >= info.channels:
        if info.channels == 1 and whole_file:
            loopback, row = None, replace(row, loopback=None, file_warning="one channel: it holds no loopback")
        else:
            raise InputError(name, f"{info.channels} channels", f"a loopback in channel {loopback + 1}")
    recorded = [i for i in range(info.channels) if i != loopback]
    channels = [c.id for c in job.system.channels]
    if not whole_file or len(recorded) == 1 or row.channel is not None or row.kind == "noise":
        rows = [_one_channel(row, samples, recorded, loopback, name, whole_file)]
    elif len(recorded) == len(channels):
        rows = [
            replace(
                row,
                file_channel=i,
                channel=c,
                place_reason=joined(row.place_reason, "channels in the job's order") or "",
            )
            for i, c in zip(recorded, channels, strict=True)
        ]
    else:
        raise InputError(
            name,
            f"{info.channels} channels",
            f"one channel, or {len(channels)} in the job's order",
            "Name the channel in the file name or in a mapping, and the loopback if there is one.",
        )
    heard = None if loopback is None else samples[loopback]
    return [_checked_row(each, samples[each.file_channel], heard, name, stimuli) for each in rows]


def _one_channel(
    row: ImportRow, samples: FloatArray, recorded: Sequence[int], loopback: int | None, name: str, whole_file: bool
) -> ImportRow:
    """The row of one channel of a file [shape=(channels, n)]."""
    if len(samples) == 1 or not whole_file:
        wanted = row.file_channel if loopback is None or row.file_channel != loopback else recorded[0]
        if wanted >= len(samples):
            raise InputError(name, f"{len(samples)} channels", f"at least {wanted + 1}")
        return replace(row, file_channel=wanted)
    warning = None
    if loopback is None or len(recorded) > 1:
        warning = f"{len(samples)} channels in the file; channel {recorded[0] + 1} is taken"
        clean = [i + 1 for i in recorded if is_clean_sweep(samples[i], row.rate_hz or 1.0)]
        if clean and len(clean) < len(recorded):
            warning = f"channel {clean[0]} holds the clean sweep: name it as the loopback if it is one"
    return replace(row, file_channel=recorded[0], file_warning=joined(row.file_warning, warning))


def _checked_row(
    row: ImportRow, samples: FloatArray, loopback: FloatArray | None, name: str, stimuli: Sequence[Stimulus]
) -> ImportRow:
    rate_hz = row.rate_hz or 0.0
    info = SoundInfo(round(rate_hz), len(samples), 1)
    for each, label in ((samples, name), (loopback, f"{name}, loopback")):
        if each is not None and (problem := problem_of(each, info, label)) is not None:
            return replace(row, file_problem=problem)
    return (
        examine_noise(row, samples)
        if row.kind == "noise"
        else examine(row, samples, rate_hz, name, stimuli, loopback)
    )


def _as_noise(row: ImportRow, job: Job) -> ImportRow:
    """The row of a noise recording, which has a state and a seat (by default the reference seat).

    A channel is the loudspeaker that makes the noise, and is taken from the mapping or the technician alone.
    """
    reference = job.system.reference_seat
    warning, seat = row.file_warning, row.seat
    if seat is None and reference is not None and not row.name_problem:
        seat = reference.id
        warning = joined(warning, f"no seat is named: the reference seat {seat} is assumed")
    unnamed = UNNAMED if row.channel is None else ELECTRONICS
    return replace(row, seat=seat, state=row.state or unnamed, loopback=None, drive_db=None, file_warning=warning)


# --- problems of a row ----------------------------------------------------------------------------------------


def _problem(row: ImportRow, job: Job) -> str | None:
    """Why a row cannot be stored as it is; None when it can."""
    return row.file_problem or _place_problem(row, job) or _kind_problem(row)


def _refuted_stimuli(rows: Sequence[ImportRow], job: Job) -> frozenset[str]:
    """Stimuli that yield no impulse response with most recordings of main loudspeakers.

    A subwoofer may give one even so: its few octaves pass in a small part of the sweep.
    """
    channels = {channel.id for channel in job.system.channels if not channel.is_sub}
    refused: dict[str, list[bool]] = {}
    for row in rows:
        if row.kind == "sweep" and row.stimulus_name is not None and row.channel in channels:
            refused.setdefault(row.stimulus_name, []).append(row.sweep_problem is not None)
    return frozenset(name for name, each in refused.items() if 2 * sum(each) > len(each))


def _place_problem(row: ImportRow, job: Job) -> str | None:
    """What is missing or unknown about a row's place."""
    name = shown(row.path)
    system, places = job.system, Places(job)
    seats = ("seat", row.seat, [s.id for s in system.seats])
    channels = ("channel", row.channel, [c.id for c in system.channels])
    for what, value, ids in (seats,) if row.kind == "noise" and row.channel is None else (channels, seats):
        expected = f"one of {', '.join(ids) or 'none yet'}"
        if value is None:
            why = row.name_problem or ""
            return str(
                InputError(name, f"no {what} in its name", expected, f"{why[:1].upper()}{why[1:]}." if why else "")
            )
        if value not in ids:
            return str(InputError(name, f"the {what} “{clean_text(value)[:20]}”", expected))
    known = ", ".join(places.round_names)
    if row.round is None:
        return str(InputError(name, "no round", f"one of {known}", "Give it with --round, or choose it in the list."))
    if not row.new_round and places.round(row.round) not in (*job.rounds, "as-found", "as-left"):
        found = f"the round “{clean_text(row.round)[:20]}”, which the job does not have"
        return str(InputError(name, found, f"one of {known}", "A new interim round needs --new-round."))
    return None


def _kind_problem(row: ImportRow) -> str | None:
    name = shown(row.path)
    if row.kind is None:
        found = row.kind_reason or "no kind"
        problem = row.impulse_problem or str(InputError(name, found, "kind impulse or sweep", "Choose its kind."))
        return problem
    if row.kind == "noise":
        from commission.dsp.background import LEAST_S  # imported late: only noise needs it

        seconds = (row.frames or 0) / (row.rate_hz or 1.0)
        expected = f"{LEAST_S:.0f} s of noise or more, 30 s to find hum"
        return None if seconds >= LEAST_S else str(InputError(name, f"{seconds:.1f} s", expected))
    return {"impulse": row.impulse_problem, "sweep": row.sweep_problem}.get(row.kind)


def _with_duplicates(rows: Sequence[ImportRow]) -> list[ImportRow]:
    """The rows with duplicates marked: the first of one place is kept; of several places none, as the right one is
    unknown.
    """
    out = list(rows)
    groups: dict[str, list[int]] = {}
    for i, row in enumerate(rows):
        if row.problem is None and row.duplicate_of is None and not row.skip and row.sha256 is not None:
            groups.setdefault(row.samples_sha256 or f"{row.sha256} {row.file_channel}", []).append(i)
    for members in groups.values():
        places = {(rows[i].round, rows[i].channel, rows[i].seat) for i in members}
        for i in members[1:] if len(places) == 1 else members if len(members) > 1 else ():
            other = rows[members[0] if i != members[0] else members[1]]
            found = f"the same recording as {shown(other.path)}{_place_text(rows[i], other)}"
            remedy = (
                "Leave one of them out." if len(places) == 1 else "One of them is in the wrong place: leave it out."
            )
            out[i] = replace(
                rows[i], problem=str(InputError(shown(rows[i].path), found, "each recording once", remedy))
            )
    alike = [i for i, row in enumerate(out) if row.problem is None and not row.skip and row.profile_db]
    for i, j in zip(alike, duplicates([out[i] for i in alike]), strict=True):
        if j is not None and (out[i].drive_db or 0.0) == (out[alike[j]].drive_db or 0.0):
            twin = out[alike[j]]
            warning = f"it sounds exactly like {shown(twin.path)}{_place_text(out[i], twin)}: the same recording?"
            out[i] = replace(out[i], warning=joined(out[i].warning, warning))
    return out


def _place_text(row: ImportRow, other: ImportRow) -> str:
    """The place of another row if it differs, as in "(FL at A2, as found)"."""
    if (row.round, row.channel, row.seat) == (other.round, other.channel, other.seat):
        return ""
    what = other.state if other.kind == "noise" else other.channel
    return f" ({what} at {other.seat}, {round_name(other.round or '')})"


def _recordings(row: ImportRow) -> tuple[tuple[str, int], ...]:
    """(digest, channel) under which a job can hold the recording of a row: the file, or the WAV decoded from it."""
    return ((row.sha256 or "", row.file_channel), (row.stored_sha256 or "", 0))


def _stored_elsewhere(row: ImportRow, job: Job) -> str | None:
    """A sentence if the job holds the same recording for another place."""
    if row.problem is not None or row.duplicate_of is not None or row.sha256 is None or row.kind == "noise":
        return None
    for stored in (*job.responses, *job.driven):
        body = stored.body
        if (body.file_sha256, body.file_channel) in _recordings(row):
            return f"the same bytes are stored for {body.channel} at {body.seat} ({round_name(body.round)})"
    return None
