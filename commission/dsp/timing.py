"""Arrival of a loudspeaker's sound.

The direct sound's time is read from the envelope of the 1–8 kHz band: its first maximum within 12 dB of the largest.
The largest peak can be a reflection, and thresholds on the raw response depend on the crossover. In simulated rooms
(`tests/references/direct_sounds.py`) the arrival is late by 0.07 to 0.13 ms, which is the delay of the crossover, and
scatters by 0.01 to 0.03 ms from one crossover to another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from commission.dsp.noise import LEAST_TAIL_S
from commission.dsp.spectrum import cumulative, smoothed_level_db
from commission.dsp.uncertainty import combine
from commission.model import ComplexArray, FloatArray, freeze

BAND_HZ = (1000.0, 8000.0)
THRESHOLD_DB = -12.0
SECOND_THRESHOLD_DB = -20.0
LEAST_PEAK_TO_NOISE_DB = 30.0
"""Below this, the first maximum may be noise: of 360 arrivals none is wrong at 30 and 24 dB, but 325 are at 18 dB
(`tests/references/direct_sounds.py`)."""
DISAGREEMENT_S = 0.0003
ESTIMATOR_U_S, PLACEMENT_U_S, CROSSOVER_U_S, CENTRE_U_S = 0.000005, 0.000058, 0.00003, 0.00005
"""Standard uncertainties of an arrival: the estimator in noise (common practice, no source), the microphone placed within
2 cm, the type of crossover (`tests/references/direct_sounds.py`), the acoustic centre within ±30 mm, rectangular (common
practice, no source). The placement is 2 cm of path taken whole, to be on the safe side: inside a sphere of 2 cm arrivals
scatter by 0.026 ms (`tests/references/placement.py`)."""
U_MAIN_S = combine(ESTIMATOR_U_S, PLACEMENT_U_S, CROSSOVER_U_S, CENTRE_U_S)
"""All four combined: 0.082 ms. Tape and air are not part of an arrival; a comparison with a distance adds them."""
U_SUB_S = 0.0005
"""Onset of a subwoofer without a low-pass (common practice, no source). In the rooms of `tests/references/sub_onset.py` the
standard deviation is 0.03 ms; the rest allows for boxes, whose sound comes from up to 25 cm beside the point taped
(`uncertainty.SUB_CENTRE_U_M`, 0.42 ms), drivers and obstacles that those lack."""
U_LOW_PASS_SHARE = 0.22
"""Relative standard uncertainty of the delay of a low-pass from its measured slope (by simulation: Butterworth and
Linkwitz-Riley of orders 2 to 8 at 60 to 150 Hz, sealed and ported boxes: `tests/references/sub_onset.py`)."""
LOW_PASS_ORDERS: FloatArray = freeze(np.arange(1.0, 9.01, 0.5))
LOW_PASS_CORNERS_HZ: FloatArray = freeze(np.geomspace(40.0, 800.0, 61))
LOW_PASS_DELAY = (-5.757, 3.794, -0.625)
"""Natural logarithm of delay times corner frequency, as a polynomial of the logarithm of the order (by simulation:
`tests/references/sub_onset.py`)."""
DOUBTFUL_CORNER_HZ, DOUBTFUL_ORDER = 58.0, 6.0
U_SLOPE_DOUBTFUL_S, U_SLOPE_UNKNOWN_S = 0.0015, 0.003
"""Uncertainty with a doubtful and with an unknown slope. A steeper slope, or one that seems to begin lower than
crossovers do, may be a null of the room: the delay was then wrong by up to 4 ms. Without any slope above the noise, an
eighth-order low-pass was missed, up to 10 ms."""
LEAST_LOW_PASS_DELAY_S = 0.0003
"""A low-pass that delays the onset by less is not mentioned: any subwoofer rolls off like that."""
ENVELOPE_RATE_HZ = 16384.0
SUB_THRESHOLD_DB, SUB_SECOND_THRESHOLD_DB = -20.0, -12.0
LEAST_SUB_PEAK_TO_NOISE_DB, SUB_ABOVE_NOISE_DB = 30.0, 15.0
"""Least peak to noise, and margin of the threshold above the noise: 15 dB is 5.6 times the standard deviation of Gaussian
noise, which one sample in fifty million exceeds; one in six hundred exceeds 10 dB (normal distribution). With a peak
below 35 dB the threshold is therefore above −20 dB, and the resulting delay of the onset adds to its uncertainty."""
SUB_SMOOTHING_S = 0.0005
"""Length of the Hann window that smooths a subwoofer's response before its onset is read: −6 dB at 2 kHz, where a
subwoofer radiates nothing but the noise of a sweep is strongest. It is symmetric and moves the onset of a subwoofer
without a low-pass by less than a quarter of its length (`tests/dsp/test_sub_onset.py`)."""
LEAD_S = 0.25
"""If this much time precedes the sound, its median is that of noise: a mode of the room builds up in less (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """Time from the first sample of the impulse response [s], or None; `why`: the reason, or what makes it doubtful."""

    time_s: float | None
    u_s: float
    why: str | None = None


def band_envelopes(spectra: ComplexArray, df_hz: float) -> tuple[FloatArray, float]:
    """Envelopes of the 1–8 kHz band and their sample rate [Hz].

    From one-sided spectra [shape=(k, n)] in steps of `df_hz`: a Hann window over the band (side lobes below −31 dB, so
    that none reaches the threshold), shifted to zero frequency and transformed back with few points.
    """
    from scipy import fft

    first, last = round(BAND_HZ[0] / df_hz), round(BAND_HZ[1] / df_hz)
    last = min(last, spectra.shape[-1] - 1)
    count = last - first + 1
    length = int(fft.next_fast_len(round(ENVELOPE_RATE_HZ / df_hz)))
    buffer = np.zeros((spectra.shape[0], length), np.complex64)
    np.multiply(spectra[:, first : last + 1], np.hanning(count).astype(np.float32), out=buffer[:, :count])
    return np.abs(fft.ifft(buffer, axis=-1, workers=-1, overwrite_x=True)), length * df_hz


def main_arrival(envelope: FloatArray, envelope_rate_hz: float) -> Arrival:
    """Arrival from one envelope [shape=(n,)]; noise is taken from its last part, or before the sound if lower there."""
    peak = float(envelope.max(initial=0.0))
    if peak <= 0.0:
        return Arrival(None, 0.0, "nothing is heard between 1 and 8 kHz")
    noise = _rms(envelope[int(0.85 * len(envelope)) :])
    ratio_db = 20 * np.log10(peak / max(noise, 1e-30))
    if ratio_db < LEAST_PEAK_TO_NOISE_DB:
        return Arrival(
            None, 0.0, f"the peak is only {ratio_db:.0f} dB above the noise between 1 and 8 kHz (30 dB needed)"
        )
    index = first_maximum(envelope, peak * 10 ** (THRESHOLD_DB / 20))
    time_s = vertex(envelope, index) / envelope_rate_hz
    if ratio_db >= LEAST_PEAK_TO_NOISE_DB + 10:
        early = first_maximum(envelope, peak * 10 ** (SECOND_THRESHOLD_DB / 20))
        gap_s = time_s - vertex(envelope, early) / envelope_rate_hz
        if gap_s > DISAGREEMENT_S:
            return Arrival(
                time_s,
                U_MAIN_S + gap_s / 2,
                f"a weaker sound comes {1000 * gap_s:.1f} ms earlier: something stands in the direct path, or an echo",
            )
    return Arrival(time_s, U_MAIN_S)


def sub_arrival(impulse: FloatArray, rate_hz: float) -> Arrival:
    """Onset of a subwoofer [shape=(n,)], where it first reaches −20 dB re its largest value, minus the delay of its
    low-pass.

    Near the noise, the onset is where it first rises 15 dB above the noise, and the uncertainty grows.

    A low-pass delays the onset by 0.5 ms (second order) to 7 ms (eighth order); its order and corner are read from the
    slope of the response, and the uncertainty grows with the delay subtracted. A weak sound that ends before −12 dB is
    reached may be the direct sound or a filter's pre-ringing: the arrival is then the middle, rectangular between the
    two.
    """
    size = np.abs(_smoothed(impulse, rate_hz))
    peak = float(size.max(initial=0.0))
    strong = int(np.argmax(size >= peak * 10 ** (SUB_SECOND_THRESHOLD_DB / 20)))
    # Only sound before the arrival can be mistaken for it. The end of a short response still rings, and a deconvolved
    # sweep rises towards its sound: of two short stretches, the quieter one is nearer to the noise.
    before = size[:strong]
    noise = _rms(size[int(0.85 * len(size)) :])
    if len(before) >= LEAST_TAIL_S * rate_hz:
        lead = 1.4826 * float(np.median(before))  # of a normal distribution
        noise = lead if len(before) >= LEAD_S * rate_hz else min(lead, noise)
    ratio_db = 20 * np.log10(peak / max(noise, 1e-30)) if peak > 0 else 0.0
    if ratio_db < LEAST_SUB_PEAK_TO_NOISE_DB:
        needed = f"{LEAST_SUB_PEAK_TO_NOISE_DB:.0f} dB needed"
        return Arrival(None, 0.0, f"the peak is only {ratio_db:.1f} dB above the noise ({needed})")
    raised_db = max(SUB_ABOVE_NOISE_DB - ratio_db - SUB_THRESHOLD_DB, 0.0)
    threshold = peak * 10 ** ((SUB_THRESHOLD_DB + raised_db) / 20)
    index = int(np.argmax(size >= threshold))
    below = float(size[index - 1]) if index else 0.0
    part = (threshold - below) / max(float(size[index]) - below, 1e-30)
    onset_s = max(0.0, index - 1 + part) / rate_hz
    weak = np.nonzero(size[index:strong] < threshold)[0]
    gap_s = (int(weak[-1]) + 1) / rate_hz if len(weak) else 0.0
    delay_s, u_s, notes = _low_pass_delay(low_passes_of(impulse, rate_hz, index))
    # A response rises ever less steeply, in decibels, so that the missed part is no longer than this.
    rise_s = (int(weak[0]) if len(weak) else strong - index) / rate_hz
    missed_s = rise_s * raised_db / (SUB_SECOND_THRESHOLD_DB - SUB_THRESHOLD_DB - raised_db)
    if gap_s > 0:
        notes.append(f"a weaker sound comes {1000 * gap_s:.1f} ms earlier: the direct sound, or ringing before it")
    return Arrival(
        max(0.0, onset_s + (gap_s - missed_s) / 2 - delay_s),
        combine(U_SUB_S, u_s, gap_s / math.sqrt(12), missed_s / math.sqrt(12)),
        "; ".join(notes) or None,
    )


def _low_pass_delay(low_passes: tuple[LowPass, LowPass] | None) -> tuple[float, float, list[str]]:
    """Delay of the onset by a low-pass [s], its standard uncertainty [s], and a remark.

    The longer delay of two readings of the slope: noise, leakage or a resonance above the band makes a slope gentler,
    never steeper. The uncertainty includes a rectangular distribution between the two.
    """
    if low_passes is None:
        return 0.0, U_SLOPE_UNKNOWN_S, ["the slope above its band is in noise: a low-pass may delay it"]
    shorter, low_pass = sorted(low_passes, key=lambda each: each.delay_s)
    doubtful = low_pass.corner_hz <= DOUBTFUL_CORNER_HZ or low_pass.order >= DOUBTFUL_ORDER
    u_s = combine(
        U_LOW_PASS_SHARE * low_pass.delay_s,
        U_SLOPE_DOUBTFUL_S if doubtful else 0.0,
        (low_pass.delay_s - shorter.delay_s) / math.sqrt(12),
    )
    if low_pass.delay_s < LEAST_LOW_PASS_DELAY_S:
        return low_pass.delay_s, u_s, []
    note = (
        f"a low-pass at about {low_pass.corner_hz:.0f} Hz is active: the {1000 * low_pass.delay_s:.1f} ms by which it "
        "delays the onset are subtracted"
    )
    return low_pass.delay_s, u_s, [note]


@dataclass(frozen=True, slots=True)
class LowPass:
    """The slope above a subwoofer's band, as a Butterworth low-pass of any order, also fractional."""

    order: float
    corner_hz: float

    @property
    def delay_s(self) -> float:
        """Delay of the onset at −20 dB caused by the low-pass."""
        log_order = np.log(self.order)
        powers = sum(c * log_order**k for k, c in enumerate(LOW_PASS_DELAY))
        return float(np.exp(powers)) / self.corner_hz


def low_passes_of(impulse: FloatArray, rate_hz: float, onset: int) -> tuple[LowPass, LowPass] | None:
    """The low-passes whose levels fit a subwoofer's third octaves best: from 32 Hz to −40 dB, and to −70 dB.

    Or to the noise, where that comes first. Down to −40 dB the fit misses the second of two roll-offs, the subwoofer's own
    above a low-pass, and 2 ms of delay; down to −70 dB other sounds may be above the slope (by simulation:
    `tests/references/sub_onset.py`). By least mean absolute difference, since modes make single bands erratic, over 0.25 s
    from the sample `onset`. None if fewer than six bands rise above the noise.
    """
    from scipy import fft

    before, after, fade = (round(seconds * rate_hz) for seconds in (0.005, 0.25, 0.1))
    piece = np.asarray(impulse[max(0, onset - before) : onset + after], dtype=np.float64)
    window = np.ones(len(piece))
    fade = min(fade, len(piece))
    window[len(piece) - fade :] = 0.5 + 0.5 * np.cos(np.linspace(0, np.pi, fade))
    noise = np.asarray(impulse[int(0.85 * len(impulse)) :], dtype=np.float64)
    noise_window = np.hanning(len(noise))
    count = round(rate_hz)  # bins of 1 Hz
    freq_hz = np.geomspace(25.0, 1600.0, 37)  # six an octave
    level, floor = (
        smoothed_level_db(cumulative(np.abs(fft.rfft(each, count)) ** 2), rate_hz / count, freq_hz, 3)
        for each in (piece * window, noise * noise_window)
    )
    floor = floor + 10 * np.log10(np.sum(window**2) / np.sum(noise_window**2))
    clear = level > floor + 6
    middle = (freq_hz >= 30) & (freq_hz <= 80)
    clear &= np.arange(len(freq_hz)) < next(iter(np.nonzero(~clear & (freq_hz > 80))[0]), len(freq_hz))
    top_db = float(np.median(level[middle]))

    def fitted(depth_db: float) -> LowPass | None:
        last = np.max(np.nonzero(level > top_db - depth_db)[0])
        use = (freq_hz >= 32) & clear & (np.arange(len(freq_hz)) <= last)
        if use.sum() < 6 or freq_hz[use][-1] < 100:
            return None
        ratio = freq_hz[use] / LOW_PASS_CORNERS_HZ[:, None, None]
        slope = -10 * np.log10(1 + ratio ** (2 * LOW_PASS_ORDERS[:, None]))
        rest = level[use] - slope
        misfit = np.mean(np.abs(rest - np.median(rest, axis=-1, keepdims=True)), axis=-1)
        corner, order = np.unravel_index(int(np.argmin(misfit)), misfit.shape)
        return LowPass(float(LOW_PASS_ORDERS[order]), float(LOW_PASS_CORNERS_HZ[corner]))

    upper, whole = fitted(40), fitted(70)
    return None if upper is None or whole is None else (upper, whole)


def first_maximum(envelope: FloatArray, threshold: float) -> int:
    """Index of the first local maximum at or above `threshold`."""
    middle = envelope[1:-1]
    found = np.nonzero((middle >= threshold) & (middle >= envelope[:-2]) & (middle > envelope[2:]))[0]
    return int(found[0]) + 1 if len(found) else int(np.argmax(envelope))


def vertex(values: FloatArray, index: int) -> float:
    """Position of a maximum between samples: the vertex of the parabola through three points."""
    if not 0 < index < len(values) - 1:
        return float(index)
    left, middle, right = (float(v) for v in values[index - 1 : index + 2])
    bend = left - 2 * middle + right
    return index if bend == 0 else index + 0.5 * (left - right) / bend


def _smoothed(impulse: FloatArray, rate_hz: float) -> FloatArray:
    """The response [shape=(n,)] averaged over `SUB_SMOOTHING_S` with a Hann window, without delay."""
    half = round(SUB_SMOOTHING_S * rate_hz / 2)
    window = np.hanning(2 * half + 3)  # its ends are zero
    return np.convolve(impulse, window / window.sum(), mode="same")


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(values, dtype=np.float64)))) if len(values) else 0.0
