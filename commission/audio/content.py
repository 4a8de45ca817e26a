"""Recognises what a sound file contains from its samples: an impulse response, a raw sweep, or the stimulus."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from commission.audio.decoding import deconvolution_problem, impulse_problem, loopback_deconvolver
from commission.audio.files import problem_of, read_bytes, read_sound, shown
from commission.dsp.compactness import FIRST_DB, FIRST_WITHIN_S, Shape, deconvolved_shapes, shape_of
from commission.dsp.noise import is_clipped
from commission.dsp.sweep import Deconvolver, deconvolver, sweep_signal
from commission.model import FloatArray, ImportRow, InputError, ResponseKind, Sweep

CLEAN_DB = 0.5
"""Largest standard deviation of an unplayed sweep's level over its middle; loudspeaker and room vary it by several
decibels (common practice, no source).
"""
PROFILE_SEGMENTS, PROFILE_RANGE_DB, SAME_DB = 64, 40.0, 0.02
LEAST_CREST = 6.0
"""Smallest crest factor of an impulse response: a million samples of Gaussian noise peak at 5.4 times their rms
(√(2·ln 2n)).
"""
BASS_MEAN_S = 0.0025
"""A running mean of this length attenuates 80 Hz by 0.6 dB and removes 400 Hz (sin(πfT)/(πfT))."""
NEIGHBOUR_SHARE = 0.05
"""Recordings of one session differ in length by less than this share."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Stimulus:
    """A signal that may have been played."""

    name: str
    samples: FloatArray
    """[shape=(n,)]"""
    rate_hz: float
    path: Path | None = None
    """The file; None for a stimulus known by its parameters alone."""

    @property
    def seconds(self) -> float:
        """Length without leading and trailing silence [s]."""
        active = _active(self.samples)
        return float(active.stop - active.start) / self.rate_hz


def described_stimulus(sweep: Sweep) -> Stimulus:
    """A sweep known by its parameters."""
    return Stimulus(name="the job's sweep", samples=sweep_signal(sweep), rate_hz=float(sweep.rate_hz))


def read_stimulus(path: Path) -> Stimulus:
    """A stimulus from the first channel of its file. Raises InputError for what cannot be one."""
    name = shown(path)
    samples, info = read_sound(read_bytes(path), name)
    if (problem := problem_of(samples[0], info, name)) is not None:
        raise InputError(name, "an unusable stimulus", "the sweep that was played", problem)
    return Stimulus(name=name, samples=samples[0], rate_hz=float(info.rate_hz), path=path)


def is_clean_sweep(samples: FloatArray, rate_hz: float) -> bool:
    """Whether samples [shape=(n,)] are an unplayed sweep: one band after the other, at an even level."""
    active = samples[_active(samples)]
    block = round(0.02 * rate_hz)
    count = len(active) // block
    if count < 20:
        return False
    power = np.mean(np.square(active[: count * block], dtype=np.float64).reshape(count, block), axis=-1)
    middle = power[count // 5 : -(count // 10)]  # the lowest tones are shorter than a block, and the ends are faded
    if not np.all(middle > 0) or float(np.std(10 * np.log10(middle))) > CLEAN_DB:
        return False
    return shape_of(samples, rate_hz)[0] is Shape.SWEEP


def _active(samples: FloatArray) -> slice:
    """The part of a signal between its first and last sample within 60 dB of the peak."""
    loud = np.flatnonzero(np.abs(samples) > 1e-3 * np.max(np.abs(samples), initial=0.0))
    return slice(int(loud[0]), int(loud[-1]) + 1) if len(loud) else slice(0, 0)


def examine(
    row: ImportRow,
    samples: FloatArray,
    rate_hz: float,
    name: str,
    stimuli: Sequence[Stimulus],
    loopback: FloatArray | None = None,
) -> ImportRow:
    """The row with the results of analysing its samples [shape=(n,)], and with its kind if the mapping gives none.

    A `loopback`, recorded at the same time, takes the place of every stimulus.
    """
    shape, spread_s = shape_of(samples, rate_hz)
    if loopback is None:
        fit = _best_fit(samples, rate_hz, name, stimuli)
    else:
        fit = _loopback_fit(samples, rate_hz, name, loopback)
    kind, reason = _kind_by_content(shape, fit)
    if row.kind is not None and (not row.kind_from_name or kind is None):
        kind, reason = row.kind, _kind_origin(row)
    elif row.kind not in (None, kind):
        reason += f", although the name says {row.kind}"
    row = replace(
        row,
        kind=kind,
        kind_reason=reason,
        impulse_problem=impulse_problem(name, shape, spread_s),
        sweep_problem=fit.problem,
        stimulus=None if fit.stimulus is None else fit.stimulus.path,
        stimulus_name=None if fit.stimulus is None else fit.stimulus.name,
        onset_s=None if shape is Shape.NOISE else fit.onset_s,
        peak_s=None if shape is Shape.NOISE else float(np.argmax(np.abs(samples))) / rate_hz,
        onset_treble_s=None if shape is Shape.NOISE else fit.onset_treble_s,
        peak_treble_s=None
        if shape is Shape.NOISE or (at := _treble_frame(samples, rate_hz)) is None
        else at / rate_hz,
        undecided=shape in (Shape.COMPACT, Shape.NOISE) and fit.problem is None and row.kind is None,
        samples_sha256=_digest(samples),
        profile_db=_profile_db(samples),
    )
    warning = "no signal above its noise: is this channel silent?" if shape is Shape.NOISE else None
    if kind == "sweep" and is_clipped(samples):
        warning = "it clips: its level and frequency response are not checked"
    if kind == "impulse" and is_clipped(samples):
        warning = "its largest samples have one value: it may be clipped and is not checked"
    return replace(row, file_warning=joined(row.file_warning, warning))


def examine_noise(row: ImportRow, samples: FloatArray) -> ImportRow:
    """The row of a recording of noise [shape=(n,)]: its kind is known, and nothing is deconvolved."""
    warning = "it clips: its levels are not checked" if is_clipped(samples) else None
    return replace(
        row,
        kind_reason=_kind_origin(row),
        samples_sha256=_digest(samples),
        file_warning=joined(row.file_warning, warning),
    )


def joined(*texts: str | None) -> str | None:
    """Warnings or reasons joined to one text; None if there are none."""
    return "; ".join(text for text in texts if text) or None


def _kind_origin(row: ImportRow) -> str:
    return "named so" if row.kind_from_name else "given by the mapping"


def _digest(samples: FloatArray) -> str:
    return hashlib.sha256(np.ascontiguousarray(samples, dtype=np.float32).tobytes()).hexdigest()


def decide_kinds(rows: Sequence[ImportRow]) -> tuple[ImportRow, ...]:
    """The rows with the kind of undecided ones settled: a linear sweep passes a subwoofer's band within milliseconds.

    Such a recording is what its neighbours of the same length are. Without any its kind is None.
    """
    return tuple(_decided_row(row, rows) if row.undecided else row for row in rows)


def _decided_row(row: ImportRow, rows: Sequence[ImportRow]) -> ImportRow:
    frames = row.frames or 0
    neighbours = [
        each.kind
        for each in rows
        if not each.undecided
        and each.rate_hz == row.rate_hz
        and abs((each.frames or 0) - frames) <= NEIGHBOUR_SHARE * frames
        and each.kind in ("impulse", "sweep")
    ]
    sweeps = neighbours.count("sweep")
    if not neighbours or 2 * sweeps == len(neighbours):
        unclear = row.kind_reason if row.kind is None else "it can be an impulse response or a raw sweep"
        return replace(row, kind=None, kind_reason=unclear)
    kind: ResponseKind = "sweep" if 2 * sweeps > len(neighbours) else "impulse"
    return replace(row, kind=kind, kind_reason="as the others of its length")


def duplicates(rows: Sequence[ImportRow]) -> list[int | None]:
    """For each row the index of another row with the same recording, perhaps re-encoded or at another level; else
    None.

    Their energy over time agrees within 0.02 dB. Two seats differ by more than that somewhere, and so do two
    recordings of one seat unless the room is very quiet; 16 bits change it by less.
    """
    found: list[int | None] = [None] * len(rows)
    sizes: dict[tuple[float | None, int | None], list[int]] = {}
    for i, row in enumerate(rows):
        sizes.setdefault((row.rate_hz, row.frames), []).append(i)
    for members in sizes.values():
        profiles = np.array([rows[i].profile_db for i in members])
        for k, i in enumerate(members):
            loud = (profiles > -PROFILE_RANGE_DB) | (profiles[k] > -PROFILE_RANGE_DB)
            same = np.max(np.abs(profiles - profiles[k]), axis=-1, where=loud, initial=0.0) < SAME_DB
            same &= np.count_nonzero(loud, axis=-1) >= 4
            same[k] = False
            if same.any():
                found[i] = members[int(np.argmax(same))]
    return found


def _profile_db(samples: FloatArray) -> tuple[float, ...]:
    """Energy of equal parts of a recording [shape=(n,)] relative to its total energy [dB]."""
    size = len(samples) // PROFILE_SEGMENTS
    parts = np.sum(np.square(samples[: size * PROFILE_SEGMENTS], dtype=np.float64).reshape(-1, size), axis=-1)
    return tuple((10 * np.log10(np.maximum(parts / np.sum(parts), 1e-12))).tolist())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """The result of deconvolving a recording with one stimulus."""

    stimulus: Stimulus | None = None
    problem: str | None = None
    onset_s: float | None = None
    """When the bass of the response is strongest, after the start of the stimulus; None if it does not rise above the
    noise.
    """
    onset_treble_s: float | None = None
    """When the treble of the response arrives; None if it does not rise above the noise."""


def _kind_by_content(shape: Shape, fit: _Fit) -> tuple[ResponseKind | None, str]:
    if shape is Shape.SWEEP:
        return "sweep", "its bands sound one after the other"
    if shape is Shape.COMPACT:
        return "impulse", "all its bands sound at once"
    if shape is Shape.NOISE:
        return None, "no signal above its noise"
    if fit.problem is None:
        return "sweep", "deconvolution makes it an impulse response"
    return None, "its energy is spread over time"


def _best_fit(samples: FloatArray, rate_hz: float, name: str, stimuli: Sequence[Stimulus]) -> _Fit:
    """The fit of the first stimulus that yields an impulse response, or the reason why none does."""
    if not stimuli:
        remedy = "Give the stimulus file, the channel of a loopback, or the sweep's parameters in the job's [sweep]."
        problem = str(InputError(name, "a raw sweep recording", "to know what was played", remedy))
        return _Fit(problem=problem)
    fits = [_fit(samples, rate_hz, name, stimulus) for stimulus in stimuli]
    good = [fit for fit in fits if fit.problem is None]
    if not good:
        return fits[0]
    files = [fit.stimulus for fit in good if fit.stimulus is not None and fit.stimulus.path is not None]
    if any(not np.array_equal(each.samples, files[0].samples) for each in files[1:]):
        names = " and ".join(each.name for each in files)
        remedy = "Name the one with --stimulus, or in the field Stimulus."
        return _Fit(problem=str(InputError(name, f"that {names} can have been played", "one stimulus", remedy)))
    return good[0]


def _fit(samples: FloatArray, rate_hz: float, name: str, stimulus: Stimulus) -> _Fit:
    if stimulus.rate_hz != rate_hz:
        expected = f"the stimulus's {stimulus.rate_hz:g} Hz ({stimulus.name})"
        return _Fit(problem=str(InputError(name, f"{rate_hz:g} Hz", expected, "Record at its rate.")))
    if len(samples) < 0.9 * stimulus.seconds * rate_hz:
        expected = f"at least the sweep's {stimulus.seconds:.1f} s ({stimulus.name})"
        remedy = "It is truncated or belongs to another stimulus."
        return _Fit(problem=str(InputError(name, f"{len(samples) / rate_hz:.1f} s", expected, remedy)))
    return _deconvolved(samples, rate_hz, name, _inverse(stimulus, len(samples)), stimulus)


@lru_cache(maxsize=4)
def _inverse(stimulus: Stimulus, frames: int) -> Deconvolver:
    return deconvolver(stimulus.samples, frames, stimulus.rate_hz)


def _loopback_fit(samples: FloatArray, rate_hz: float, name: str, loopback: FloatArray) -> _Fit:
    if is_clean_sweep(samples, rate_hz) and not is_clean_sweep(loopback, rate_hz):
        found = "a clean sweep where the microphone's recording is expected"
        return _Fit(problem=str(InputError(name, found, "it in the loopback's channel", "Name the other channel.")))
    return _deconvolved(samples, rate_hz, name, loopback_deconvolver(loopback, rate_hz), None)


def _deconvolved(
    samples: FloatArray, rate_hz: float, name: str, inverse: Deconvolver, stimulus: Stimulus | None
) -> _Fit:
    spectra = inverse.spectra(samples[np.newaxis])
    ((shape, spread_s),) = deconvolved_shapes(spectra, rate_hz / inverse.length)
    impulse = inverse.impulses(spectra)[0]
    heard = (_bass_frame(impulse, rate_hz), _treble_frame(impulse, rate_hz))
    # The last tenth of a circular response precedes time zero.
    onset_s, onset_treble_s = (
        None if frame is None else (frame if frame < 0.9 * inverse.length else frame - inverse.length) / rate_hz
        for frame in heard
    )
    label = "the loopback" if stimulus is None else stimulus.name
    return _Fit(
        stimulus=stimulus,
        problem=deconvolution_problem(name, shape, spread_s, label),
        onset_s=onset_s,
        onset_treble_s=onset_treble_s,
    )


def _bass_frame(impulse: FloatArray, rate_hz: float) -> int | None:
    """The frame at which the bass of a response [shape=(n,)] is strongest; None in noise.

    A subwoofer's response is 200 Hz wide, its noise a hundred times as wide: a mean over 2.5 ms leaves the bass.
    """
    sums = np.cumsum(impulse, dtype=float)
    count = round(BASS_MEAN_S * rate_hz)
    mean = np.abs(sums[count:] - sums[:-count])
    strongest = int(np.argmax(mean))
    return strongest + count // 2 if mean[strongest] > LEAST_CREST * np.sqrt(np.mean(mean**2)) else None


def _treble_frame(impulse: FloatArray, rate_hz: float) -> int | None:
    """The first frame at which the treble of a response [shape=(n,)] is within 10 dB of its maximum; None in noise.

    That is the direct sound. Modes of a room ring up for 0.1 s, and an echo is stronger here and there. The
    difference of neighbouring samples rises by 6 dB an octave.
    """
    steep = np.abs(np.diff(impulse))
    if not len(steep):
        return None
    strongest = int(np.argmax(steep))
    least = LEAST_CREST * float(np.sqrt(np.mean(np.square(steep, dtype=float))))
    if float(steep[strongest]) <= least:
        return None
    begin = max(0, strongest - round(FIRST_WITHIN_S * rate_hz))
    first = steep[begin : strongest + 1] >= max(10 ** (FIRST_DB / 20) * float(steep[strongest]), least)
    return begin + int(np.argmax(first))
