"""Stored recordings to responses: two threads read, then deconvolve sweeps of one kind together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from commission.audio.files import SoundInfo, problem_of, read_sound
from commission.audio.text_response import parse_response
from commission.dsp.noise import clip_ratio
from commission.dsp.sweep import Deconvolver, deconvolver, split_response, sweep_deconvolver
from commission.model import CommissionError, FloatArray, Response, StoredResponse, UnusableError

THREADS = 2
SWEEPS_AT_ONCE = 4
"""The transforms take four single-precision recordings side by side in one register: fewer cost as much as four, and
more leave the cache. Each thread has four of its own."""


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    samples: FloatArray | None
    info: SoundInfo | None
    response: Response | None = None
    problems: tuple[str | None, ...] = ()
    """Why each channel cannot be used."""
    clip_ratios: tuple[float, ...] = ()
    """ρ of each channel, of raw sweeps only."""


def decode(
    stored: Sequence[StoredResponse], blobs: Callable[[str], bytes]
) -> Iterable[tuple[StoredResponse, Response | Exception]]:
    """Yield every stored response, in order, decoded or with the reason why it cannot be."""
    shas = list(dict.fromkeys(each.blob_sha256 for each in stored))
    names = {each.blob_sha256: each.body.file_name for each in stored}
    kinds = {each.blob_sha256: each.body.kind for each in stored}
    with ThreadPoolExecutor(THREADS) as pool:
        files = dict(zip(shas, pool.map(lambda sha: _read(sha, names[sha], kinds[sha], blobs), shas), strict=True))
        results, sweeps = _sorted(stored, files)
        parts = [group[n : n + SWEEPS_AT_ONCE] for group in sweeps for n in range(0, len(group), SWEEPS_AT_ONCE)]
        for part in pool.map(lambda members: _sweeps(members, files, blobs), parts):
            results.update(part)
    return [(each, results[each.seq]) for each in stored]


def _sorted(
    stored: Sequence[StoredResponse], files: dict[str, _Read | Exception]
) -> tuple[dict[int, Response | Exception], list[list[StoredResponse]]]:
    """What needs no transform, by seq; and raw sweeps in groups that share stimulus, rate and length."""
    results: dict[int, Response | Exception] = {}
    sweeps: dict[tuple[object, ...], list[StoredResponse]] = {}
    for each in stored:
        file = files[each.blob_sha256]
        if isinstance(file, Exception):
            results[each.seq] = file
        elif file.response is not None:
            results[each.seq] = file.response
        elif each.body.kind == "sweep":
            key = (each.body.stimulus_sha256, each.body.sweep, file.info)
            sweeps.setdefault(key, []).append(each)
        else:
            results[each.seq] = _impulse(each, file)
    return results, list(sweeps.values())


def _read(sha256: str, name: str, kind: str, blobs: Callable[[str], bytes]) -> _Read | Exception:
    try:
        data = blobs(sha256)
        if kind == "response":
            text = parse_response(data, name)
            response = Response(freq_hz=text.freq_hz, level_db=text.level_db, phase_rad=text.phase_rad)
            return _Read(None, None, response)
        samples, info = read_sound(data, name)
        problems = tuple(problem_of(channel, info, name) for channel in samples)
        ratios = tuple(clip_ratio(channel) for channel in samples) if kind == "sweep" else ()
        return _Read(samples, info, None, problems, ratios)
    except CommissionError as error:
        return UnusableError(str(error))


def _channel(each: StoredResponse, file: _Read) -> FloatArray | UnusableError:
    assert file.samples is not None and file.info is not None
    if each.body.file_channel >= len(file.samples):
        return UnusableError(f"{each.body.file_name}: channel {each.body.file_channel + 1} is not in the file.")
    problem = file.problems[each.body.file_channel]
    return file.samples[each.body.file_channel] if problem is None else UnusableError(problem)


def _impulse(each: StoredResponse, file: _Read) -> Response | Exception:
    assert file.info is not None
    samples = _channel(each, file)
    if isinstance(samples, UnusableError):
        return samples
    rate_hz = float(file.info.rate_hz)
    return Response(impulse=samples, rate_hz=rate_hz, t0_s=-each.body.origin_frame / rate_hz)


def _sweeps(
    members: list[StoredResponse], files: dict[str, _Read | Exception], blobs: Callable[[str], bytes]
) -> dict[int, Response | Exception]:
    """Deconvolve recordings of one stimulus and length."""
    results: dict[int, Response | Exception] = {}
    good: list[tuple[StoredResponse, FloatArray]] = []
    for each in members:
        file = files[each.blob_sha256]
        assert isinstance(file, _Read)
        samples = _channel(each, file)
        if isinstance(samples, UnusableError):
            results[each.seq] = samples
        else:
            good.append((each, samples))
    if not good:
        return results
    first = files[good[0][0].blob_sha256]
    assert isinstance(first, _Read) and first.info is not None
    rate_hz = float(first.info.rate_hz)
    try:
        inverse = _inverse(good[0][0], len(good[0][1]), rate_hz, blobs)
    except CommissionError as error:
        return results | {each.seq: UnusableError(str(error)) for each, _ in good}
    recordings = np.stack([samples for _, samples in good])
    tail_s = max(0.0, (recordings.shape[-1] - inverse.stimulus_frames) / rate_hz)
    impulses, noise, t0_s = split_response(inverse(recordings), rate_hz, tail_s)
    for k, (each, samples) in enumerate(good):
        file = files[each.blob_sha256]
        assert isinstance(file, _Read)
        results[each.seq] = Response(
            impulse=impulses[k],
            rate_hz=rate_hz,
            t0_s=t0_s - each.body.origin_frame / rate_hz,
            noise=None if noise is None else noise[k],
            peak_fs=float(max(samples.max(), -samples.min())),
            clip_ratio=file.clip_ratios[each.body.file_channel],
        )
    return results


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
    """For a stimulus given as a file; kept, since every few recordings ask for it again. Raises InputError."""
    samples, info = read_sound(data, "the stimulus")
    return deconvolver(samples[0], frames, float(info.rate_hz))
