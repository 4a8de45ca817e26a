"""Keeps analyses from one opening of a job to the next, beside the list of jobs; analysing again takes about a
second.

What is kept is never evidence: only the job file is. It is found by everything that it was computed from: the digest
of the recording, what is known of it, and the source code that computed it. A changed program or library, a damaged
or missing file mean that everything is computed again, and `commission verify` never looks here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import msgspec

import commission
from commission.model import (
    Analysis,
    CommissionError,
    FloatArray,
    Job,
    LoadAnalysis,
    NoiseAnalysis,
    RoomSound,
    SpectralLine,
    StoredResponse,
)
from commission.model.outside_files import read_outside
from commission.model.unfinished_files import write_whole

FILES_KEPT = 40
"""Number of jobs kept, the newest; one takes about three megabytes."""
_CODE = ("audio", "dsp", "model")
_LIBRARIES = ("numpy/version.py", "scipy/version.py", "soundfile.py")
_ARRAYS = (
    "third_octave_hz",
    "third_octave_db",
    "view_db",
    "bass",
    "direct",
    "noise_db",
    "tail_db",
    "modulation",
)
LARGEST_BYTES = 200_000_000
_USELESS = (CommissionError, OSError, msgspec.MsgspecError, ValueError, TypeError)
"""Errors from files and their contents, and from values that cannot be stored."""


class _Kept(msgspec.Struct, array_like=True, tag="response"):
    """An analysis without the two frequency grids, which all analyses share."""

    third_octave_db: tuple[str, bytes]
    view_db: tuple[str, bytes]
    bass: tuple[str, bytes] | None
    level_db: float | None
    level_u_db: float
    octave_db: dict[int, float]
    arrival_s: float | None
    arrival_u_s: float
    polarity: int | None
    direct: tuple[str, bytes] | None
    snr_db: float | None
    noise_db: tuple[str, bytes] | None
    tail_db: tuple[str, bytes] | None
    low_hz: float | None
    high_hz: float | None
    clipped: bool | None
    peak_db: float | None
    reference: str
    reflections: tuple[tuple[float, float], ...] | None
    modulation: tuple[str, bytes] | None
    room: tuple[int, tuple[str, bytes]] | None
    c50_db: dict[int, float]
    t20_s: dict[int, float]
    edt_s: dict[int, float]
    t20_doubt: dict[int, str]
    has_phase: bool
    why: dict[str, str]
    load: LoadAnalysis | None


class _KeptNoise(msgspec.Struct, array_like=True, tag="noise"):
    """The analysis of a recording of noise."""

    seconds: float
    used_s: float
    steady: bool
    third_octave_hz: tuple[str, bytes]
    third_octave_db: tuple[str, bytes]
    octave_db: dict[int, float]
    octave_u_db: dict[int, float]
    a_db: float
    c_db: float
    hum_hz: float | None
    hum_lines: tuple[SpectralLine, ...]
    tones: tuple[SpectralLine, ...]
    clipped: bool
    why: dict[str, str]


class KeptAnalyses:
    """The analyses of each job's recordings, one file for each job in `folder`. Never raises: it only saves time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def recall(self, job: Job, wanted: Sequence[StoredResponse]) -> dict[int, Analysis | NoiseAnalysis]:
        """The analyses kept of these responses and noise recordings, by seq."""
        with suppress(*_USELESS):
            known = self._read(job)
            keys = {response.seq: _key(job, response) for response in wanted}
            return {seq: _restored(known[key]) for seq, key in keys.items() if key in known}
        return {}

    def keep(self, job: Job, analyses: Mapping[int, Analysis | NoiseAnalysis]) -> None:
        """Keep these analyses, by seq, in place of the job's earlier ones."""
        with suppress(*_USELESS):
            stored = (*job.responses, *job.driven, *job.noises)
            kept = {_key(job, r): _kept(analyses[r.seq]) for r in stored if r.seq in analyses}
            data = msgspec.msgpack.encode(kept)
            self._folder.mkdir(parents=True, exist_ok=True)
            write_whole(self._file(job), hashlib.sha256(data).digest() + data, synchronised=False)
            newest_first = sorted(self._folder.iterdir(), key=lambda path: path.stat().st_mtime, reverse=True)
            for path in newest_first[FILES_KEPT:]:
                path.unlink()

    def _file(self, job: Job) -> Path:
        return self._folder / f"{job.log[0].digest}.msgpack"

    def _read(self, job: Job) -> dict[bytes, _Kept | _KeptNoise]:
        data = read_outside(self._file(job), "analyses", largest_bytes=LARGEST_BYTES)
        if hashlib.sha256(data[32:]).digest() != data[:32]:
            return {}
        return msgspec.msgpack.decode(data[32:], type=dict[bytes, _Kept | _KeptNoise])


@cache
def _program() -> bytes:
    """Digest of the source code from a recording to its kept analysis, and of the libraries' versions.

    Raises OSError or ValueError if the source is not available, so that nothing is kept.
    """
    ours = Path(commission.__file__).parent
    # Includes this module: kept analyses are read by the order of their fields.
    files = [
        ours / "job" / "kept_analyses.py",
        *(path for folder in _CODE for path in sorted((ours / folder).glob("*.py"))),
    ]
    for name in _LIBRARIES:
        spec = find_spec(name.split("/")[0].removesuffix(".py"))
        if spec is None or spec.origin is None:
            raise ValueError(name)
        files.append(Path(spec.origin).parent / "version.py" if "/" in name else Path(spec.origin))
    return hashlib.sha256(b"".join(hashlib.sha256(path.read_bytes()).digest() for path in files)).digest()


def _key(job: Job, response: StoredResponse) -> bytes:
    """Digest of everything from which an analysis is computed."""
    channel = job.system.channel(response.body.channel)
    is_sub, is_speech = channel is not None and channel.is_sub, channel is not None and channel == job.system.centre
    load = response.seq in job.load_sweeps
    known = (response.blob_sha256, msgspec.to_builtins(response.body), is_sub, is_speech, load)
    return hashlib.sha256(_program() + msgspec.msgpack.encode(known)).digest()


def _kept(analysis: Analysis | NoiseAnalysis) -> _Kept | _KeptNoise:
    kind = _KeptNoise if isinstance(analysis, NoiseAnalysis) else _Kept
    values = {name: getattr(analysis, name) for name in kind.__struct_fields__}
    for name in values.keys() & set(_ARRAYS):
        array = values[name]
        values[name] = None if array is None else _bytes_of(array)
    if (room := values.get("room")) is not None:
        values["room"] = (room.first, _bytes_of(room.samples))
    return kind(**values)


def _restored(kept: _Kept | _KeptNoise) -> Analysis | NoiseAnalysis:
    """The analysis as it was, with arrays of the same type, read-only because their bytes are."""
    values = {name: getattr(kept, name) for name in kept.__struct_fields__}
    for name in values.keys() & set(_ARRAYS):
        values[name] = None if values[name] is None else _array(*values[name])
    if isinstance(kept, _KeptNoise):
        return NoiseAnalysis(**values)
    from commission.dsp.analysis import BASS_HZ
    from commission.dsp.spectrum import GRID_HZ
    from commission.dsp.speech import OCTAVES_HZ

    if values["room"] is not None:
        values["room"] = RoomSound(values["room"][0], _array(*values["room"][1]))
    if values["modulation"] is not None:
        values["modulation"] = values["modulation"].reshape(len(OCTAVES_HZ), -1)
    return Analysis(freq_hz=GRID_HZ, bass_freq_hz=BASS_HZ, **values)


def _bytes_of(array: FloatArray) -> tuple[str, bytes]:
    return array.dtype.str, array.tobytes()


def _array(kind: str, data: bytes) -> FloatArray:
    import numpy as np

    return np.frombuffer(data, np.dtype(kind))
