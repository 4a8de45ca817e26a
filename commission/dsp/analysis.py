"""Level, response, arrival, polarity, noise, bandwidth and decay of measured responses.

Responses of equal rate and length are analysed together, since most of the time goes into transforms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from commission.dsp import noise as noise_of
from commission.dsp import timing
from commission.dsp.direct import direct_sounds
from commission.dsp.leakage import room_sounds
from commission.dsp.load import load_analysis
from commission.dsp.polarity import LEAST_CORRELATION, MAIN_SPAN_S, SUB_SPAN_S, polarity
from commission.dsp.reflections import reflections_of
from commission.dsp.spectrum import (
    GRID_HZ,
    OCTAVE_CENTRES_HZ,
    cumulative,
    exact_octave_hz,
    pink_level_db,
    smoothed_level_db,
    to_db,
)
from commission.model import Analysis, ComplexArray, FloatArray, Response, RoomSound, UnusableError, freeze

LEVEL_BAND_HZ = (500.0, 2000.0)
"""Band for the level of a main channel, as in the alignment noise of EBU Tech 3343 (500–2000 Hz)."""
SUB_LEVEL_BAND_HZ = (30.0, 80.0)
"""Band for the level of a subwoofer (common practice, no source)."""
BASS_HZ: FloatArray = freeze(np.arange(10.0, 321.0))
REFLECTIONS_KEPT = 4
SPEECH_SNR_DB = 20.0
"""Least signal-to-noise ratio for the modulation of speech: noise at −20 dB lowers it by 1 %, 1/(1 + 10⁻²), and the
correction is as uncertain as that (arithmetic)."""
EDT_FROM_HZ, C50_FROM_HZ = 250, 125
"""Lowest octaves for EDT and C50: below, a loudspeaker sounds 10 to 20 ms later than its onset in the treble, which
lengthens EDT and lowers C50 (common practice, no source)."""
CUT_SHARE = 0.01
"""A response that ends with more than this of its energy in its last 15 % is cut off (common practice, no source)."""
SHORTEST_S = 0.02
LONGEST_S = 4.0
"""A longer response is cut this long after its beginning: a home cinema has decayed by then."""


def analyse_batch(
    responses: Sequence[Response], is_sub: Sequence[bool], is_speech: Sequence[bool] = ()
) -> list[Analysis | Exception]:
    """Analyse responses, in order; in place of a response that cannot be used, an UnusableError with the reason.

    `is_speech`: the loudspeaker carries the dialogue, so its modulation is computed, too.
    """
    results: list[Analysis | Exception | None] = [None] * len(responses)
    groups: dict[tuple[Any, ...], list[int]] = {}
    speech_of = is_speech or [False] * len(responses)
    for index, (response, sub, speech) in enumerate(zip(responses, is_sub, speech_of, strict=True)):
        try:
            if response.impulse is None:
                results[index] = _analyse_levels(response, sub)
            else:
                _check_usable(response)
                noise_frames = 0 if response.noise is None else len(response.noise)
                key = (response.rate_hz, len(response.impulse), noise_frames, sub, speech)
                groups.setdefault(key, []).append(index)
        except UnusableError as error:
            results[index] = error
    for (rate_hz, _, _, sub, speech), members in groups.items():
        found = _analyse_impulses([responses[i] for i in members], rate_hz, sub, speech)
        for index, result in zip(members, found, strict=True):
            results[index] = result
    return [result if result is not None else UnusableError("it was not analysed") for result in results]


def analyse(response: Response, is_sub: bool = False) -> Analysis:
    """Analyse one response; raises UnusableError."""
    result = analyse_batch([response], [is_sub])[0]
    if isinstance(result, Exception):
        raise result
    return result


def _check_usable(response: Response) -> None:
    impulse, rate_hz = response.impulse, response.rate_hz
    assert impulse is not None
    if rate_hz is None or not 8000 <= rate_hz <= 400000:
        raise UnusableError(f"its sample rate is {rate_hz} Hz; from 8 to 400 kHz can be analysed")
    if len(impulse) < SHORTEST_S * rate_hz:
        raise UnusableError(f"it is only {1000 * len(impulse) / rate_hz:.1f} ms long; at least 20 ms are needed")
    peak = max(float(np.max(impulse)), -float(np.min(impulse)))  # NaN if any sample is NaN
    if not np.isfinite(peak):
        raise UnusableError("it holds samples that are not numbers (NaN or infinite)")
    if peak == 0.0:
        raise UnusableError("it is silent: every sample is zero")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Levels:
    """Levels of several responses and of their noise [shape=(k, …)]."""

    third_db: FloatArray
    view_db: FloatArray
    level_db: FloatArray
    octaves_db: dict[int, FloatArray]
    noise_db: FloatArray
    """Noise in the band of `level_db`."""
    tail_db: FloatArray
    third_noise_db: FloatArray


def _levels(
    responses: list[Response],
    impulses: FloatArray,
    rate_hz: float,
    power: FloatArray,
    df_hz: float,
    band_hz: tuple[float, float],
    noise: FloatArray,
    is_tail: NDArray[np.bool_],
) -> _Levels:
    """Levels of each response; `power` [shape=(k, bins)] belongs to its spectra, `noise` and `is_tail` come from
    `_noise`.
    """
    sums = cumulative(power)
    noise_power, noise_df_hz = noise_of.noise_power(noise, rate_hz)
    tail_db, third_noise_db = _tail_and_noise_db(responses, impulses, rate_hz, noise_power, noise_df_hz, is_tail)
    return _Levels(
        third_db=smoothed_level_db(sums, df_hz, GRID_HZ, 3),
        view_db=smoothed_level_db(sums, df_hz, GRID_HZ, 12),
        level_db=pink_level_db(power, df_hz, *band_hz),
        octaves_db=_octaves(power, df_hz),
        noise_db=pink_level_db(noise_power, noise_df_hz, *band_hz),
        tail_db=tail_db,
        third_noise_db=third_noise_db,
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Batch:
    """Responses of equal length, rate and kind, with the results shared by all of them [shape=(k, …)]."""

    impulses: FloatArray
    rate_hz: float
    is_sub: bool
    band_hz: tuple[float, float]
    levels: _Levels
    bass: ComplexArray | None
    decaying: NDArray[np.bool_]
    """Whether the end is still sound of the room."""
    arrivals: list[timing.Arrival]
    reflections: list[tuple[tuple[float, float], ...] | None]
    signs: FloatArray
    strengths: FloatArray
    direct: Sequence[FloatArray | None]
    rooms: Sequence[RoomSound | None]
    modulation: FloatArray | None
    decays: list[_Decay]


def _analyse_impulses(responses: list[Response], rate_hz: float, is_sub: bool, is_speech: bool) -> list[Analysis]:
    from scipy import fft

    longest = round(LONGEST_S * rate_hz)
    impulses = np.stack([np.asarray(r.impulse, dtype=np.float32)[:longest] for r in responses])
    # Whole seconds: bins fall on whole hertz, and the rates are smooth numbers.
    length = max(1, -(-impulses.shape[-1] // round(rate_hz))) * round(rate_hz)
    spectra = fft.rfft(impulses, length, axis=-1, workers=-1)
    df_hz = rate_hz / length
    power = spectra.real**2 + spectra.imag**2
    band_hz = SUB_LEVEL_BAND_HZ if is_sub else LEVEL_BAND_HZ
    noise, decaying, is_tail = _noise(responses, impulses, rate_hz, band_hz[0])
    arrivals, reflections = _arrivals(impulses, spectra, df_hz, rate_hz, is_sub)
    starts = [0 if a.time_s is None else int(a.time_s * rate_hz) for a in arrivals]
    signs, strengths = polarity(_segments(impulses, starts, rate_hz, is_sub), rate_hz, is_sub=is_sub)
    times_s = [None if is_sub else a.time_s for a in arrivals]
    t0_s = [response.t0_s for response in responses]
    batch = _Batch(
        impulses=impulses,
        rate_hz=rate_hz,
        is_sub=is_sub,
        band_hz=band_hz,
        levels=_levels(responses, impulses, rate_hz, power, df_hz, band_hz, noise, is_tail),
        bass=_bass(spectra, df_hz, t0_s),
        decaying=decaying,
        arrivals=arrivals,
        reflections=reflections,
        signs=signs,
        strengths=strengths,
        direct=direct_sounds(impulses, times_s, rate_hz),
        rooms=room_sounds(impulses, times_s, t0_s, rate_hz),
        modulation=_modulation(impulses, noise, decaying, rate_hz) if is_speech else None,
        decays=[_Decay({}, {}, {}, {})] * len(responses) if is_sub else _decays(impulses, rate_hz),
    )
    return [_analysis(response, batch, k) for k, response in enumerate(responses)]


def _analysis(response: Response, batch: _Batch, k: int) -> Analysis:
    """Analysis of the response with that index in the batch."""
    levels, arrival, decay, impulse = batch.levels, batch.arrivals[k], batch.decays[k], batch.impulses[k]
    level_db, noise_db, bass, sound = levels.level_db[k], levels.third_noise_db[k], batch.bass, batch.direct[k]
    why = {} if arrival.why is None else {"arrival": arrival.why}
    snr_db = _snr_db(float(level_db), float(levels.noise_db[k]), len(impulse) / batch.rate_hz)
    if snr_db is None:
        why["snr"] = "it holds no noise at all, as only a computed response does"
    elif batch.decaying[k]:
        why["snr"] = f"its end may still be decaying sound, so that the ratio is at least {snr_db:.0f} dB"
    problem = None if batch.is_sub else _speech_problem(impulse, snr_db)
    if batch.modulation is not None and problem is not None:
        why["speech"] = problem
    low_hz, high_hz = noise_of.bandwidth_hz(GRID_HZ, levels.third_db[k], batch.band_hz)
    return Analysis(
        freq_hz=GRID_HZ,
        third_octave_db=freeze(levels.third_db[k]),
        view_db=freeze(levels.view_db[k]),
        bass_freq_hz=BASS_HZ,
        bass=freeze(bass[k]) if bass is not None else None,
        level_db=float(level_db) if np.isfinite(level_db) else None,
        octave_db={c: float(each[k]) for c, each in levels.octaves_db.items() if np.isfinite(each[k])},
        arrival_s=None if arrival.time_s is None else arrival.time_s + response.t0_s,
        arrival_u_s=arrival.u_s,
        polarity=_sign(batch.signs[k], batch.strengths[k], arrival, why),
        direct=None if sound is None else freeze(sound),
        room=batch.rooms[k],
        snr_db=snr_db,
        tail_db=freeze(levels.tail_db[k]),
        noise_db=freeze(noise_db) if np.isfinite(noise_db).any() else None,
        low_hz=low_hz,
        high_hz=high_hz,
        clipped=_clipped(response, impulse, why),
        peak_db=float(20 * np.log10(np.abs(impulse).max())),
        reference=response.reference,
        reflections=batch.reflections[k],
        modulation=freeze(batch.modulation[k]) if batch.modulation is not None and problem is None else None,
        has_phase=True,
        why=why,
        t20_s=decay.t20_s,
        edt_s=decay.edt_s,
        t20_doubt=decay.t20_doubt,
        load=None if response.recording is None else load_analysis(response.recording),
        c50_db=decay.c50_db if problem is None else {},
    )


def _tail_and_noise_db(
    responses: list[Response],
    impulses: FloatArray,
    rate_hz: float,
    noise_power: FloatArray,
    noise_df_hz: float,
    is_tail: np.ndarray,
) -> tuple[FloatArray, FloatArray]:
    """Third-octave levels of the end of each response and of its noise [shape=(k, n)], NaN where unknown.

    `is_tail` [shape=(k,)]: whether `noise_power` [shape=(k, bins)] was taken at its end.
    """
    noise_db = smoothed_level_db(cumulative(noise_power), noise_df_hz, GRID_HZ, 3)
    if responses[0].noise is not None:
        return noise_db, noise_db
    tail_db = noise_db
    if not is_tail.all():
        tail_power, _ = noise_of.noise_power(noise_of.tail(impulses), rate_hz)
        tail_db = smoothed_level_db(cumulative(tail_power), noise_df_hz, GRID_HZ, 3)
    # Where the tail still falls, it is sound of the room.
    before = [noise_of.noise_power(noise_of.before_tail(impulses, times), rate_hz)[0] for times in (1, 2)]
    before_db = smoothed_level_db(cumulative(0.5 * (before[0] + before[1])), noise_df_hz, GRID_HZ, 3)
    short = noise_of.tail(impulses).shape[-1] < noise_of.LEAST_TAIL_S * rate_hz
    falling = is_tail[:, None] & (short | (before_db > noise_db + noise_of.FALLING_DB))
    return tail_db, np.where(falling, np.nan, noise_db)


def _snr_db(level_db: float, noise_db: float, length_s: float) -> float | None:
    """Signal-to-noise ratio over half a second [dB]; None without noise, or where only noise is present.

    The level includes the noise of the whole file, which is subtracted, so that the ratio does not depend on the file's
    length.
    """
    if not np.isfinite(noise_db):
        return None
    noise = 10 ** (noise_db / 10)
    sound = 10 ** (level_db / 10) - noise * length_s / noise_of.NOISE_WINDOW_S
    return 10 * float(np.log10(max(sound, 0.01 * noise) / noise))


def _octaves(power: FloatArray, df_hz: float) -> dict[int, FloatArray]:
    """Pink-weighted level of each octave by its nominal centre [shape=(k,) each]."""
    exact_hz = {centre: exact_octave_hz(centre) for centre in OCTAVE_CENTRES_HZ}
    return {c: pink_level_db(power, df_hz, f / np.sqrt(2), f * np.sqrt(2)) for c, f in exact_hz.items()}


def _noise(
    responses: list[Response], impulses: FloatArray, rate_hz: float, low_hz: float
) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.bool_]]:
    """A stretch of noise from each response, whether it is still sound of the room, and whether it is the tail.

    Recorded silence is preferred; otherwise the tail, or an equally long beginning if the sound comes late enough and
    the beginning is quieter.
    """
    none = np.zeros(len(responses), bool)
    stretches = [response.noise for response in responses]
    if stretches[0] is not None:
        return np.stack(stretches), none, none  # type: ignore[arg-type]
    noise = np.array(noise_of.tail(impulses))
    is_tail = ~none
    for k, impulse in enumerate(impulses):
        head = noise_of.before_sound(impulse, rate_hz)
        if head is not None and np.sum(np.square(head)) < np.sum(np.square(noise[k])):
            noise[k], is_tail[k] = head, False
    # A beginning that rises towards the sound also makes the ratio a lower bound only.
    return noise, noise_of.still_decaying(impulses, rate_hz, low_hz), is_tail


def _modulation(impulses: FloatArray, noise: FloatArray, decaying: NDArray[np.bool_], rate_hz: float) -> FloatArray:
    """Modulation of each response [shape=(k, 7, 14)]. A tail that still decays is not subtracted as noise."""
    from commission.dsp.speech import modulation_transfer

    return modulation_transfer(impulses, rate_hz, np.where(decaying[:, None], 0.0, noise))


class _Decay(NamedTuple):
    """Decay of one response by octave; the names are those of `Analysis`."""

    t20_s: dict[int, float]
    edt_s: dict[int, float]
    t20_doubt: dict[int, str]
    c50_db: dict[int, float]


def _decays(impulses: FloatArray, rate_hz: float) -> list[_Decay]:
    """Valid decay times, reasons where T20 is missing or doubtful, and C50 of each response."""
    from commission.dsp.decay import Doubt
    from commission.dsp.reverberation import decays_and_clarity

    found, clarity = decays_and_clarity(impulses, rate_hz)
    centres = [centre for centre in OCTAVE_CENTRES_HZ if 63 <= centre <= 8000]
    high = np.array(centres) >= EDT_FROM_HZ
    out = []
    for k, doubts in enumerate(found.doubt["t20"]):
        c50_db = clarity.c50_db[k]
        out.append(
            _Decay(
                t20_s=_by_octave(centres, found.times_s["t20"][k], doubts == Doubt.NONE),
                edt_s=_by_octave(centres, found.times_s["edt"][k], high & (found.doubt["edt"][k] == Doubt.NONE)),
                t20_doubt={hz: Doubt(int(d)).name for hz, d in zip(centres, doubts, strict=True) if d},
                c50_db=_by_octave(centres, c50_db, (np.array(centres) >= C50_FROM_HZ) & np.isfinite(c50_db)),
            )
        )
    return out


def _by_octave(centres: list[int], values: FloatArray, known: NDArray[np.bool_]) -> dict[int, float]:
    return {hz: float(value) for hz, value, good in zip(centres, values, known, strict=True) if good}


def _speech_problem(impulse: FloatArray, snr_db: float | None) -> str | None:
    """Reason why speech intelligibility cannot be determined from a response [shape=(n,)]; None if it can."""
    if snr_db is not None and snr_db < SPEECH_SNR_DB:
        return f"its signal-to-noise ratio is {snr_db:.0f} dB, {SPEECH_SNR_DB:.0f} dB are needed"
    late = float(np.sum(np.square(noise_of.tail(impulse), dtype=float)))
    if late > CUT_SHARE * float(np.sum(np.square(impulse, dtype=float))):
        return "it ends before the sound has decayed"
    return None


def _bass(spectra: ComplexArray, df_hz: float, t0_s: list[float]) -> ComplexArray | None:
    step = round(1.0 / df_hz)
    if abs(step * df_hz - 1.0) > 1e-9:
        return None
    bins = (BASS_HZ * step).astype(int)
    turn = np.exp(-2j * np.pi * np.outer(t0_s, BASS_HZ))
    return np.asarray(spectra[:, bins] * turn, dtype=np.complex64)


def _arrivals(
    impulses: FloatArray, spectra: ComplexArray, df_hz: float, rate_hz: float, is_sub: bool
) -> tuple[list[timing.Arrival], list[tuple[tuple[float, float], ...] | None]]:
    """Arrivals and, for main channels, the early reflections as (delay [s], level [dB]), strongest first."""
    unknown: list[tuple[tuple[float, float], ...] | None] = [None] * len(impulses)
    if is_sub:
        return [timing.sub_arrival(h, rate_hz) for h in impulses], unknown
    if rate_hz < 2 * timing.BAND_HZ[1]:
        why = f"a sample rate of {rate_hz:g} Hz does not reach 8 kHz"
        return [timing.Arrival(None, 0.0, why)] * len(impulses), unknown
    envelopes, envelope_rate_hz = timing.band_envelopes(spectra, df_hz)
    count = int(impulses.shape[-1] / rate_hz * envelope_rate_hz)  # without the padding, which holds no noise
    arrivals = [timing.main_arrival(envelope[:count], envelope_rate_hz) for envelope in envelopes]
    early = [
        reflections_of(envelope[:count], envelope_rate_hz, arrival.time_s)
        for envelope, arrival in zip(envelopes, arrivals, strict=True)
    ]
    found = [
        None if each.why_not is not None else tuple((r.delay_s, r.level_db) for r in each.found[:REFLECTIONS_KEPT])
        for each in early
    ]
    return arrivals, found


def _segments(impulses: FloatArray, starts: list[int], rate_hz: float, is_sub: bool) -> FloatArray:
    """Stretches around the direct sound in which polarity is determined."""
    before, after = SUB_SPAN_S if is_sub else MAIN_SPAN_S
    lead, count = round(before * rate_hz), round((before + after) * rate_hz)
    segments = np.zeros((len(impulses), count), np.float32)
    for segment, impulse, start in zip(segments, impulses, starts, strict=True):
        first = max(0, start - lead)
        piece = impulse[first : first + count]
        segment[: len(piece)] = piece
    return segments


def _sign(sign: float, strength: float, arrival: timing.Arrival, why: dict[str, str]) -> int | None:
    if arrival.time_s is None:
        why["polarity"] = "the direct sound could not be found"
        return None
    if strength < LEAST_CORRELATION or sign == 0:
        why["polarity"] = f"the response is too unlike its own minimum phase (correlation {strength:.2f}, 0.4 needed)"
        return None
    return 1 if sign > 0 else -1


def _clipped(response: Response, impulse: FloatArray, why: dict[str, str]) -> bool | None:
    if response.clipped is not None:
        return response.clipped
    if noise_of.is_clipped(impulse):
        return True
    why["clipped"] = "an impulse response does not show whether its recording clipped"
    return None


def _analyse_levels(response: Response, is_sub: bool) -> Analysis:
    """Analyse a response given as levels over frequency: power smoothing on its own points; without phase, no times."""
    freq, level = response.freq_hz, response.level_db
    if freq is None or level is None or len(freq) < 2:
        raise UnusableError("it holds neither an impulse response nor levels over frequency")
    third_db = _smoothed_points(freq, level, GRID_HZ, 3)
    view_db = _smoothed_points(freq, level, GRID_HZ, 12)
    if not np.isfinite(third_db).any():
        raise UnusableError("its frequencies do not reach into 20 Hz to 20 kHz")
    low_hz, high_hz = SUB_LEVEL_BAND_HZ if is_sub else LEVEL_BAND_HZ
    why = dict.fromkeys(("arrival", "polarity"), "a text response without phase has no arrival time")
    if response.phase_rad is not None:
        why = dict.fromkeys(("arrival", "polarity"), "a text response is too coarse in frequency to determine times")
    why |= {"snr": "a text response does not show its noise", "clipped": "a text response does not show clipping"}
    edges = noise_of.bandwidth_hz(GRID_HZ, third_db, (low_hz, high_hz))
    octaves = {
        c: value
        for c, exact in ((c, exact_octave_hz(c)) for c in OCTAVE_CENTRES_HZ)
        if (value := _pink_points(freq, level, exact / np.sqrt(2), exact * np.sqrt(2))) is not None
    }
    bass = None
    if response.phase_rad is not None and freq[0] <= 20 and freq[-1] >= 320:
        amplitude = 10 ** (np.interp(BASS_HZ, freq, level) / 20)
        bass = freeze(amplitude * np.exp(1j * np.interp(BASS_HZ, freq, np.unwrap(response.phase_rad))), np.complex64)
    return Analysis(
        freq_hz=GRID_HZ,
        third_octave_db=freeze(third_db),
        view_db=freeze(view_db),
        bass_freq_hz=BASS_HZ,
        bass=bass,
        level_db=_pink_points(freq, level, low_hz, high_hz),
        octave_db=octaves,
        arrival_s=None,
        polarity=None,
        low_hz=edges[0],
        high_hz=edges[1],
        reference=response.reference,
        has_phase=response.phase_rad is not None,
        why=why,
    )


def _fine(freq: FloatArray, level: FloatArray, low_hz: float, high_hz: float) -> tuple[FloatArray, FloatArray]:
    """Power on an even logarithmic grid between two frequencies, interpolated in decibels."""
    log_f = np.linspace(np.log(low_hz), np.log(high_hz), 65)
    return log_f, 10 ** (np.interp(log_f, np.log(freq), level) / 10)


def _smoothed_points(freq: FloatArray, level: FloatArray, centres: FloatArray, fraction: int) -> FloatArray:
    """Power mean over 1/fraction octave on a linear frequency axis, NaN where the points do not reach."""
    half = 2.0 ** (0.5 / fraction)
    out = np.full(len(centres), np.nan)
    for k, centre in enumerate(centres):
        low, high = centre / half, centre * half
        if low >= freq[0] * (1 - 1e-9) and high <= freq[-1] * (1 + 1e-9):
            log_f, power = _fine(freq, level, low, high)
            width = np.exp(log_f)  # df = f·d(ln f)
            out[k] = to_db(float(np.trapezoid(power * width, log_f) / np.trapezoid(width, log_f)))
    return out


def _pink_points(freq: FloatArray, level: FloatArray, low_hz: float, high_hz: float) -> float | None:
    if freq[0] > low_hz * 1.001 or freq[-1] < high_hz * 0.999:
        return None
    return float(to_db(float(np.mean(_fine(freq, level, low_hz, high_hz)[1]))))


def sum_bass(analyses: Sequence[Analysis]) -> ComplexArray | None:
    """Complex sum of several sources at one seat on BASS_HZ; None where one has no phase."""
    if not analyses or any(a.bass is None for a in analyses):
        return None
    return np.asarray(np.sum([a.bass for a in analyses if a.bass is not None], axis=0))


def bass_level_db(bass: ComplexArray) -> FloatArray:
    """Level of a complex bass response on GRID_HZ, power in third octaves; NaN outside about 20–280 Hz. [shape=(n,)]"""
    power = np.zeros(int(BASS_HZ[-1]) + 1)
    power[int(BASS_HZ[0]) :] = np.abs(bass) ** 2
    levels = smoothed_level_db(cumulative(power), 1.0, GRID_HZ, 3)
    return np.where(GRID_HZ / 2 ** (1 / 6) < BASS_HZ[0], np.nan, levels)
