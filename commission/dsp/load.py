"""Distortion of one loudspeaker during a sweep: harmonics by order, and rattles.

Harmonics are cut out of the deconvolved sweep (`dsp.distortion`) and compared with the linear response twice: at the
exciting frequency, as IEC 60268-21 does (from memory), and at the frequency of the harmonic. A null of the room or the end
of a loudspeaker's band raises one of the two ratios and not the other: the smaller one counts.

A rattle or a buzz makes bursts of treble while a low tone is played (IEC 60268-21 uses a high-pass that follows the
sweep, from memory). Here, it is found in the power above 16 times the exciting frequency and 1.5 kHz, by twelfths of an
octave of the exciting frequency, relative to the median within an octave on either side. Smooth distortion has no such
peaks.
"""

from __future__ import annotations

import math

import numpy as np

from commission.dsp.distortion import ABOVE_FLOOR_DB, harmonic_distortion
from commission.dsp.spectrum import to_db
from commission.model import FloatArray, LoadAnalysis, Sweep, SweepRecording, UnusableError

ORDERS = (2, 3, 4, 5)
THIRDS_HZ = (
    *(25, 31, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315),
    *(400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000),
)
"""Nominal third octaves of the exciting frequency."""
_EXACT_HZ = 1000 * 2.0 ** (np.arange(-16, 7) / 3)
BURST_RANGE_HZ = (25.0, 400.0)
"""Exciting frequencies at which rattles are searched: only there do moving parts move far (common practice, no source)."""
BURST_ORDER, BURST_FROM_HZ, BURST_TO_HZ = 16.0, 1500.0, 16000.0
"""The treble begins above this multiple of the exciting frequency: orders of smooth distortion end below."""
_NEIGHBOURS_OCTAVES = (1 / 6, 1.0)
_STEP_S = 0.0053
_LEAD_S = 0.005


def load_analysis(recording: SweepRecording) -> LoadAnalysis:
    """Harmonics and bursts of one recording, or the reason if one of them cannot be determined."""
    fit = exponential_sweep(recording.stimulus, recording.rate_hz)
    if fit is None:
        problem = "what was played is not an exponential sweep"
        return LoadAnalysis(why={"harmonics": problem, "bursts": problem})
    sweep, lead_s = fit
    why: dict[str, str] = {}
    peak = int(np.argmax(np.abs(recording.deconvolved[: len(recording.deconvolved) // 2])))
    harmonics, floors = _harmonics(recording, sweep, peak, why)
    bursts = _bursts(recording, sweep, lead_s + peak / recording.rate_hz, why)
    return LoadAnalysis(harmonics_db=harmonics, floors_db=floors, bursts_db=bursts, why=why)


def exponential_sweep(samples: FloatArray, rate_hz: float) -> tuple[Sweep, float] | None:
    """(the exponential sweep in samples [shape=(n,)], its start [s]); None if there is none.

    Found from the times of upward zero crossings up to an eighth of the sample rate: the logarithm of frequency is a
    straight line over time.
    """
    samples = np.asarray(samples, dtype=float)
    active = np.flatnonzero(np.abs(samples) > 1e-3 * np.max(np.abs(samples), initial=0.0))
    if len(active) < 0.1 * rate_hz:
        return None
    up = np.flatnonzero((samples[:-1] < 0) & (samples[1:] >= 0))
    up = up[(up >= active[0]) & (up < active[-1])]
    if len(up) < 40:
        return None
    times_s = (up + samples[up] / (samples[up] - samples[up + 1])) / rate_hz
    freq_hz, middle_s = 1 / np.diff(times_s), 0.5 * (times_s[1:] + times_s[:-1])
    keep = freq_hz < rate_hz / 8
    keep[:3] = False
    if keep.sum() < 30:
        return None
    at_s, log_f = middle_s[keep], np.log(freq_hz[keep])
    weights = 1 / np.sqrt(freq_hz[keep])  # crossings are as dense as the frequency is high
    slope, offset = np.polyfit(at_s, log_f, 1, w=weights)
    residual = float(np.sqrt(np.average((log_f - offset - slope * at_s) ** 2, weights=weights**2)))
    if slope <= 0 or residual > 0.02:
        return None
    begin_s, end_s = active[0] / rate_hz, (active[-1] + 1) / rate_hz
    start_hz, stop_hz = (float(np.exp(offset + slope * t)) for t in (begin_s, end_s))
    stop_hz = min(stop_hz, 0.5 * rate_hz)
    duration_s = math.log(stop_hz / start_hz) / slope
    sweep = Sweep(
        start_hz=start_hz, stop_hz=stop_hz, duration_s=duration_s, rate_hz=round(rate_hz), synchronised=False
    )
    return sweep, float(begin_s)


_Levels = dict[int, dict[int, float]]


def _harmonics(recording: SweepRecording, sweep: Sweep, peak: int, why: dict[str, str]) -> tuple[_Levels, _Levels]:
    turn = peak - round(_LEAD_S * recording.rate_hz)
    deconvolved = np.roll(recording.deconvolved, -turn)[None]
    try:
        found = harmonic_distortion(deconvolved, sweep, ORDERS, alone=recording.stimulus_deconvolved[None])
    except UnusableError as error:
        why["harmonics"] = str(error)
        return {}, {}
    linear_db, log_grid, log_f = found.linear_db[0], np.log(found.freq_hz), np.log(_EXACT_HZ)

    def at(levels_db: FloatArray, log_hz: FloatArray) -> FloatArray:
        return np.interp(log_hz, log_grid, levels_db, left=np.nan, right=np.nan)

    harmonics: _Levels = {}
    floors: _Levels = {}
    for place, order in enumerate(found.orders):
        log_out = log_f + math.log(order)
        reference_db = np.fmax(at(linear_db, log_f), at(linear_db, log_out))
        ratio_db = at(found.harmonic_db[0, place], log_out) - reference_db
        floor_db = at(found.floor_db[0, place], log_out) + ABOVE_FLOOR_DB - reference_db
        reached = (_EXACT_HZ > 1.2 * sweep.start_hz) & (_EXACT_HZ * order < min(sweep.stop_hz, found.freq_hz[-1]))
        harmonics[order] = {
            f: float(r) for f, r, ok in zip(THIRDS_HZ, ratio_db, reached, strict=True) if ok and r == r
        }
        floors[order] = {f: float(r) for f, r, ok in zip(THIRDS_HZ, floor_db, reached, strict=True) if ok and r == r}
    return harmonics, floors


def total_percent(load: LoadAnalysis, thirds_hz: tuple[int, ...]) -> tuple[float, float] | None:
    """(found, hidden) distortion over an octave of third octaves [% of the fundamental]: roots of summed squares.

    Hidden is the upper limit of orders below the floor. None if no order reaches one of the third octaves.
    """
    found, hidden = [], []
    for hz in thirds_hz:
        known = [levels[hz] for levels in load.harmonics_db.values() if hz in levels]
        below = [
            levels[hz]
            for order, levels in load.floors_db.items()
            if hz in levels and hz not in load.harmonics_db[order]
        ]
        if not known and not below:
            return None
        found.append(sum(10 ** (each / 10) for each in known))
        hidden.append(sum(10 ** (each / 10) for each in below))
    return 100 * math.sqrt(float(np.mean(found))), 100 * math.sqrt(float(np.mean(hidden)))


def _bursts(
    recording: SweepRecording, sweep: Sweep, begin_s: float, why: dict[str, str]
) -> tuple[tuple[float, float], ...]:
    """(exciting frequency, height above its neighbours) by twelfths of an octave; the sweep starts at `begin_s`."""
    from scipy import signal

    rate_hz = recording.rate_hz
    size = round(_STEP_S * rate_hz)
    low_hz, high_hz = max(BURST_RANGE_HZ[0], 1.3 * sweep.start_hz), min(BURST_RANGE_HZ[1], sweep.stop_hz)
    if rate_hz < 2.2 * BURST_ORDER * BURST_RANGE_HZ[1] or high_hz < 4 * low_hz:
        why["bursts"] = "its sample rate or its sweep does not reach far enough to find rattles"
        return ()
    constant_s = sweep.duration_s / math.log(sweep.stop_hz / sweep.start_hz)
    count = len(recording.samples) // size
    # The low tone is filtered out first: the window's side lobes would carry it into the treble.
    sections = signal.butter(8, 0.7 * BURST_FROM_HZ, "highpass", fs=rate_hz, output="sos")
    filtered = signal.sosfilt(sections, np.asarray(recording.samples[: count * size], dtype=float)).reshape(
        count, size
    )
    power = np.abs(np.fft.rfft(filtered * np.hanning(size), axis=-1)) ** 2
    sums = np.concatenate((np.zeros((count, 1)), np.cumsum(power, axis=-1)), axis=-1)
    times_s = (np.arange(count) + 0.5) * size / rate_hz
    exciting_hz = sweep.start_hz * np.exp(np.clip((times_s - begin_s) / constant_s, -20, 20))
    edge_hz = np.maximum(BURST_FROM_HZ, BURST_ORDER * exciting_hz)
    top = round(min(BURST_TO_HZ, 0.45 * rate_hz) * size / rate_hz)
    edge = np.clip(np.ceil(edge_hz * size / rate_hz).astype(int), 0, top - 1)
    treble = (sums[:, top] - sums[np.arange(count), edge]) / (top - edge)  # mean of its bins: the edge moves
    groups = np.arange(math.ceil(12 * math.log2(low_hz)), math.floor(12 * math.log2(high_hz)))
    place = np.round(12 * np.log2(np.maximum(exciting_hz, 1.0))).astype(int)
    level = np.array([np.mean(treble[place == each]) if np.any(place == each) else np.nan for each in groups])
    level_db = to_db(np.maximum(level, 1e-30))
    away = np.abs(groups[:, None] - groups) / 12
    near = (away >= _NEIGHBOURS_OCTAVES[0]) & (away <= _NEIGHBOURS_OCTAVES[1])
    around_db = np.array([np.nanmedian(level_db[each]) for each in near])
    height_db = level_db - around_db
    return tuple(
        (round(float(2 ** (each / 12)), 1), round(float(db), 1))
        for each, db in zip(groups, height_db, strict=True)
        if np.isfinite(db)
    )
