"""Decodes stored recordings to responses on two threads, a few files at a time so that they stay in the cache."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from commission.audio.files import SoundInfo, lowest_rate_hz, problem_of, read_sound, sound_info
from commission.audio.sofa import HDF5_SIGNATURE
from commission.audio.sofa_rows import sofa_responses
from commission.audio.text_response import parse_response
from commission.dsp.compactness import Shape, deconvolved_shapes, shape_of
from commission.dsp.noise import is_clipped
from commission.dsp.sweep import Deconvolver, deconvolver, split_response, sweep_deconvolver, sweep_signal
from commission.model import (
    FULL_SCALE,
    LOOPBACK,
    UNSTATED,
    CommissionError,
    FloatArray,
    InputError,
    Response,
    StoredResponse,
    SweepRecording,
    UnusableError,
)

THREADS = 2
SWEEPS_AT_ONCE = 4
"""The transforms process four single-precision recordings side by side in one register: two or three cost as much as
four, and more exceed the cache. Each thread has four of its own.
"""
FRAMES_AT_ONCE = 4_000_000
"""Largest total number of frames of recordings transformed together: these transforms take some 300 MB."""
IMPULSE = "an impulse response"
_KEPT_BYTES = 31_000_000


def decode(
    stored: Sequence[StoredResponse], blobs: Callable[[str], bytes], whole: Container[int] = ()
) -> Iterable[tuple[StoredResponse, Response | Exception]]:
    """Yield every stored response, in order, decoded or with the reason why it cannot be.

    `whole`: the seqs of sweeps that come with their recording, for distortion and rattles.
    """
    # Never touched, and freed at once: the GNU allocator then keeps freed blocks up to this size. Fetching each again
    # page by page took a third of the time (mallopt(3), the dynamic M_MMAP_THRESHOLD of at most 32 MB).
    np.empty(_KEPT_BYTES, np.uint8)
    results: dict[int, Response | Exception] = {}
    with ThreadPoolExecutor(THREADS) as pool:
        for part in pool.map(lambda files: _part(files, blobs, whole), _parts(stored)):
            results.update(part)
    return [(each, results[each.seq]) for each in stored]


_File = list[StoredResponse]
"""The responses wanted from one file; several if it is multichannel."""


def _parts(stored: Sequence[StoredResponse]) -> list[list[_File]]:
    """Files grouped by kind and stimulus, in parts large enough to keep a thread busy with one transform."""
    kinds: dict[tuple[object, ...], dict[str, _File]] = {}
    for each in stored:
        body = each.body
        files = kinds.setdefault((body.kind, body.stimulus_sha256, body.sweep, body.loopback_channel), {})
        files.setdefault(each.blob_sha256, []).append(each)
    parts: list[list[_File]] = []
    for files in kinds.values():
        parts.append([])
        for wanted in files.values():
            frames = sum(wanted[0].body.frames or 0 for wanted in (*parts[-1], wanted))
            if parts[-1] and (sum(map(len, parts[-1])) >= SWEEPS_AT_ONCE or frames > FRAMES_AT_ONCE):
                parts.append([])
            parts[-1].append(wanted)
    return parts


def _part(
    files: list[_File], blobs: Callable[[str], bytes], whole: Container[int]
) -> dict[int, Response | Exception]:
    """The work of one thread: responses decoded from files, by seq."""
    results: dict[int, Response | Exception] = {}
    alike: dict[SoundInfo, list[tuple[bytes, _File]]] = {}
    for wanted in files:
        name = wanted[0].body.file_name
        try:
            data = blobs(wanted[0].blob_sha256)
            if wanted[0].body.kind == "response":
                text = parse_response(data, name)
                response = Response(
                    freq_hz=text.freq_hz,
                    level_db=text.level_db,
                    phase_rad=text.phase_rad,
                    reference=text.reference or UNSTATED,
                )
                results |= {each.seq: response for each in wanted}
            elif data.startswith(HDF5_SIGNATURE):
                results |= sofa_responses(data, wanted)
            else:
                info = sound_info(data, name, lowest_rate_hz(wanted[0].body.kind))
                if any(each.body.frames not in (None, info.frames) for each in wanted):
                    raise UnusableError(f"{name}: {info.frames} frames, but the log says {wanted[0].body.frames}.")
                alike.setdefault(info, []).append((data, wanted))
        except CommissionError as error:
            results |= {each.seq: UnusableError(str(error)) for each in wanted}
    for info, same in alike.items():
        results |= _sound(info, same, blobs, whole)
    return results


class _Sweep(NamedTuple):
    stored: StoredResponse
    row: int
    peak_fs: float
    clipped: bool


def _sound(
    info: SoundInfo, files: list[tuple[bytes, _File]], blobs: Callable[[str], bytes], whole: Container[int]
) -> dict[int, Response | Exception]:
    """Responses by seq; files of equal rate, length and channel count are read into one array to avoid copying."""
    results: dict[int, Response | Exception] = {}
    samples = np.empty((len(files) * info.channels, info.frames), np.float32)
    lowest_hz = lowest_rate_hz(files[0][1][0].body.kind)
    sweeps: list[_Sweep] = []
    for index, (data, wanted) in enumerate(files):
        start = index * info.channels
        try:
            read_sound(data, wanted[0].body.file_name, samples[start : start + info.channels], lowest_hz)
        except CommissionError as error:
            results |= {each.seq: UnusableError(str(error)) for each in wanted}
            continue
        for each in wanted:
            found = _recording(each, info, samples, start)
            if isinstance(found, _Sweep):
                sweeps.append(found)
            else:
                results[each.seq] = found
    return results | _sweep_responses(sweeps, samples, float(info.rate_hz), blobs, whole)


def _recording(
    stored: StoredResponse, info: SoundInfo, samples: FloatArray, start: int
) -> _Sweep | Response | UnusableError:
    """One recording of a file whose first channel is row `start`: a sweep to deconvolve, a response, or the error."""
    body, rate_hz = stored.body, float(info.rate_hz)
    if body.file_channel >= info.channels:
        return UnusableError(f"{body.file_name}: channel {body.file_channel + 1} is not in the file.")
    if (body.loopback_channel or 0) >= info.channels:
        return UnusableError(f"{body.file_name}: its loopback channel is not in the file.")
    row = start + body.file_channel
    own = samples[row]
    if (problem := problem_of(own, info, body.file_name)) is not None:
        return UnusableError(problem)
    if body.kind == "noise":
        return Response(noise=own, rate_hz=rate_hz)
    if body.kind == "sweep":  # checked now, while it is in the cache
        return _Sweep(stored, row, float(max(own.max(), -own.min())), is_clipped(own))
    if (problem := impulse_problem(body.file_name, *shape_of(own, rate_hz))) is not None:
        return UnusableError(problem)
    return Response(impulse=own, rate_hz=rate_hz, t0_s=-body.origin_frame / rate_hz)


def _sweep_responses(
    sweeps: list[_Sweep],
    samples: FloatArray,
    rate_hz: float,
    blobs: Callable[[str], bytes],
    whole: Container[int],
) -> dict[int, Response | Exception]:
    """The responses of sweeps that are rows of `samples` [shape=(k, n)], deconvolved by their loopback or stimulus."""
    results: dict[int, Response | Exception] = {}
    if sweeps and (channel := sweeps[0].stored.body.loopback_channel) is not None:
        for sweep in sweeps:  # each file has its own loopback
            loopback = samples[sweep.row - sweep.stored.body.file_channel + channel]
            results |= _deconvolved(
                [sweep], samples, rate_hz, loopback_deconvolver(loopback, rate_hz), whole, loopback
            )
        return results
    for first in range(0, len(sweeps), SWEEPS_AT_ONCE):
        some = sweeps[first : first + SWEEPS_AT_ONCE]
        try:
            inverse = _inverse(some[0].stored, samples.shape[-1], rate_hz, blobs)
        except CommissionError as error:
            results |= {sweep.stored.seq: UnusableError(str(error)) for sweep in some}
            continue
        wanted = any(sweep.stored.seq in whole for sweep in some)
        stimulus = _stimulus(some[0].stored, blobs) if wanted else None
        results |= _deconvolved(some, samples, rate_hz, inverse, whole, stimulus)
    return results


def _deconvolved(
    sweeps: list[_Sweep],
    samples: FloatArray,
    rate_hz: float,
    inverse: Deconvolver,
    whole: Container[int],
    stimulus: FloatArray | None,
) -> dict[int, Response | Exception]:
    """Deconvolve some recordings of one stimulus [shape=(m,)], rows of `samples` [shape=(k, n)]."""
    frames, first, last = samples.shape[-1], sweeps[0].row, sweeps[-1].row
    rows = [sweep.row for sweep in sweeps]
    together = rows == list(range(first, last + 1))
    recordings = samples[first : last + 1] if together else samples[rows]  # no copy if the rows are adjacent
    tail_s = max(0.0, (frames - inverse.stimulus_frames) / rate_hz)
    spectra = inverse.spectra(recordings)
    problems = [
        deconvolution_problem(sweep.stored.body.file_name, *found)
        for sweep, found in zip(sweeps, deconvolved_shapes(spectra, rate_hz / inverse.length), strict=True)
    ]
    deconvolved = inverse.impulses(spectra)
    impulses, noise, t0_s = split_response(deconvolved, rate_hz, tail_s)
    kept = (
        {} if stimulus is None else _whole_recordings(sweeps, samples, rate_hz, deconvolved, inverse, whole, stimulus)
    )
    return {
        sweep.stored.seq: Response(
            impulse=impulses[k],
            rate_hz=rate_hz,
            t0_s=t0_s - sweep.stored.body.origin_frame / rate_hz,
            noise=None if noise is None else noise[k],
            peak_fs=sweep.peak_fs,
            clipped=sweep.clipped,
            reference=FULL_SCALE if sweep.stored.body.loopback_channel is None else LOOPBACK,
            recording=kept.get(k),
        )
        if problem is None
        else UnusableError(problem)
        for k, (sweep, problem) in enumerate(zip(sweeps, problems, strict=True))
    }


def _whole_recordings(
    sweeps: list[_Sweep],
    samples: FloatArray,
    rate_hz: float,
    deconvolved: FloatArray,
    inverse: Deconvolver,
    whole: Container[int],
    stimulus: FloatArray,
) -> dict[int, SweepRecording]:
    """The raw recordings that a step asks for, by row of `deconvolved` [shape=(k, n)]."""
    wanted = [k for k, sweep in enumerate(sweeps) if sweep.stored.seq in whole]
    if not wanted:
        return {}
    played = np.asarray(stimulus, np.float32)
    alone = inverse(played[None])[0]
    return {
        k: SweepRecording(
            samples=samples[sweeps[k].row].copy(),
            deconvolved=deconvolved[k].copy(),
            stimulus=played,
            stimulus_deconvolved=alone,
            rate_hz=rate_hz,
        )
        for k in wanted
    }


def impulse_problem(name: str, shape: Shape, spread_s: float) -> str | None:
    """Why a recording of that shape is not an impulse response; None if it is one."""
    if shape is Shape.COMPACT:
        return None
    if shape is Shape.SWEEP:
        found = f"one band after the other over {spread_s:.1f} s, as in a raw sweep recording"
        return str(InputError(name, found, IMPULSE, "Import it as a sweep, with the stimulus that was played."))
    if shape is Shape.NOISE:
        found = f"no signal above its noise in {spread_s:.1f} s"
        return str(InputError(name, found, IMPULSE, "Is the channel silent, or is it a recording of noise?"))
    found = f"energy spread over {spread_s:.1f} s"
    remedy = "If it was deconvolved, another signal was used than the one that was played."
    return str(InputError(name, found, IMPULSE, remedy))


def deconvolution_problem(name: str, shape: Shape, spread_s: float, stimulus: str = "") -> str | None:
    """Why the stimulus of a raw recording cannot be right; None if it can, or if the channel is silent."""
    if shape in (Shape.COMPACT, Shape.NOISE):
        return None
    found = f"energy spread over {spread_s:.2g} s after deconvolution" + (f" with {stimulus}" if stimulus else "")
    remedy = "The stimulus is not the signal that was played, or something louder was heard meanwhile."
    return str(InputError(name, found, IMPULSE, remedy))


def loopback_deconvolver(loopback: FloatArray, rate_hz: float) -> Deconvolver:
    """The deconvolver of a recording by its loopback [shape=(n,)]; time zero is when the signal reaches the loopback.

    What the interface itself adds, its latency and its response, is in both channels and cancels.
    """
    return deconvolver(loopback, len(loopback), rate_hz)


def _stimulus(each: StoredResponse, blobs: Callable[[str], bytes]) -> FloatArray | None:
    """The stimulus that was played [shape=(n,)]; None if it is not known."""
    body = each.body
    if body.stimulus_sha256 is not None:
        samples, _ = read_sound(blobs(body.stimulus_sha256), "the stimulus")
        return np.asarray(samples[0])
    return None if body.sweep is None else sweep_signal(body.sweep)


def _inverse(each: StoredResponse, frames: int, rate_hz: float, blobs: Callable[[str], bytes]) -> Deconvolver:
    body = each.body
    if body.stimulus_sha256 is not None:
        inverse = _stimulus_deconvolver(blobs(body.stimulus_sha256), frames)
        if inverse.rate_hz != rate_hz:
            raise UnusableError(f"{body.file_name}: {rate_hz:g} Hz, but its stimulus has {inverse.rate_hz:g} Hz.")
        return inverse
    if body.sweep is None:
        raise UnusableError(f"{body.file_name}: what was played is not known.")
    if body.sweep.rate_hz != rate_hz:
        raise UnusableError(f"{body.file_name}: {rate_hz:g} Hz, but its sweep has {body.sweep.rate_hz} Hz.")
    return sweep_deconvolver(body.sweep, frames)


@lru_cache(maxsize=2)
def _stimulus_deconvolver(data: bytes, frames: int) -> Deconvolver:
    """The deconvolver of a stimulus file; cached, since many recordings share one. Raises InputError."""
    samples, info = read_sound(data, "the stimulus")
    return deconvolver(samples[0], frames, float(info.rate_hz))
