"""Sweeps, deconvolution, spectra, arrival and polarity against other libraries, slow computations and open data."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from open_data import OPEN_DATA
from scipy import fft, signal

from commission.dsp import analysis, noise, spectrum, sweep, timing, variance
from commission.dsp.direct import DIRECT_BEFORE_S, DIRECT_FRAMES, DIRECT_RATE_HZ, direct_level_db
from commission.dsp.spectrum import GRID_HZ
from commission.model import Analysis, Response, Sweep, UnusableError

RATE = 48000

FARINA_S = {
    (5.0, 20.0, 20000.0): (0.501717, 0.795202, 1.003433, 1.16495),
    (6.0, 22.0, 22000.0): (0.60206, 0.954243, 1.20412, 1.39794),
}
"""T·ln n/ln(f2/f1) for n = 2, 3, 4, 5: Farina 2000 (AES preprint 5093)."""


@pytest.mark.parametrize(("design", "advances"), FARINA_S.items())
def test_harmonics_come_early_by_farinas_formula(
    design: tuple[float, float, float], advances: tuple[float, ...]
) -> None:
    s = Sweep(duration_s=design[0], start_hz=design[1], stop_hz=design[2], synchronised=False)
    got = [sweep.harmonic_advance_s(s, n) for n in (2, 3, 4, 5)]
    np.testing.assert_allclose(got, advances, atol=1e-6)  # the table's decimals


@pytest.mark.parametrize(("duration_s", "whole"), [(6.0, 17), (0.3, 1), (0.05, 1)])
def test_synchronised_rate_is_whole_at_the_start_frequency(duration_s: float, whole: int) -> None:
    """Novak et al. 2015, eq. (49): L·f1 is an integer, here 17.37, 0.87 and 0.14 rounded, never zero."""
    s = Sweep(duration_s=duration_s)
    assert sweep.rate_constant_s(s) * s.start_hz == pytest.approx(whole, abs=1e-9)


def test_second_harmonic_lands_where_the_formula_says() -> None:
    s = Sweep(duration_s=2.0, level_dbfs=-6.0)
    x = sweep.sweep_signal(s)
    distorted = np.concatenate((x + 0.1 * x**2, np.zeros(RATE)))
    d = sweep.sweep_deconvolver(s, len(distorted))(distorted[None].astype(np.float32))[0]
    lag = round(sweep.harmonic_advance_s(s, 2) * RATE)
    early = np.abs(d[-lag - 200 : -lag + 200])
    assert abs(int(np.argmax(early)) - 200) <= 1  # one sample: the pulse is band-limited


def _room(delay: int, gain: float = 1.0, seed: int = 0, frames: int = 24000) -> np.ndarray:
    """A high-passed direct sound with decaying noise after it."""
    rng = np.random.default_rng(seed)
    h = np.zeros(frames)
    h[delay] = 1.0
    h = signal.sosfilt(signal.butter(2, 60, "high", fs=RATE, output="sos"), h)
    t = np.arange(frames) / RATE - delay / RATE
    h += np.where(t > 0.004, rng.standard_normal(frames) * np.exp(-20 * np.maximum(t, 0)) * 0.02, 0)
    return gain * h


def _measured(h: np.ndarray, s: Sweep) -> np.ndarray:
    x = sweep.sweep_signal(s)
    return np.concatenate((signal.oaconvolve(x, h), np.zeros(RATE)))[: len(x) + RATE]


def test_deconvolution_recovers_a_known_response() -> None:
    s, h = Sweep(duration_s=3.0, level_dbfs=-12.0), _room(480)
    recording = _measured(h, s).astype(np.float32)
    d = sweep.sweep_deconvolver(s, len(recording))(recording[None])[0]
    freq = np.geomspace(40, 16000, 300)
    # A quarter of a second before time zero is kept: the zero-phase removal below 20 Hz rings in both directions.
    padded = np.concatenate((np.zeros(12000), h))
    got, want = (signal.freqz(x, worN=freq, fs=RATE)[1] for x in (np.roll(d, 12000)[:36000], padded))
    # 0.02 dB: float32, the tail cut off at half a second, and the fades of the sweep.
    assert np.max(np.abs(20 * np.log10(np.abs(got / want)))) < 0.02


def test_deconvolution_agrees_with_pyfar() -> None:
    """An independent library's regularised inversion, 63 Hz to 16 kHz."""
    pyfar = pytest.importorskip("pyfar")
    s, h = Sweep(duration_s=2.0), _room(700, seed=3)
    recording = _measured(h, s)
    ours = sweep.sweep_deconvolver(s, len(recording))(recording[None].astype(np.float32))[0]
    x = np.zeros(len(recording))
    x[: len(sweep.sweep_signal(s))] = sweep.sweep_signal(s)
    with warnings.catch_warnings():  # deprecation warning for another form of the same function
        warnings.simplefilter("ignore")
        theirs = pyfar.dsp.deconvolve(
            pyfar.Signal(recording, RATE), pyfar.Signal(x, RATE), frequency_range=(20, 20000)
        )
    length = len(recording)
    a, b = np.abs(fft.rfft(ours[:length])), np.abs(fft.rfft(theirs.time[0][:length]))
    inside = slice(round(63 * length / RATE), round(16000 * length / RATE))
    # 0.1 dB: the two regularise differently near the edges of the band and pad to different lengths.
    assert np.median(np.abs(20 * np.log10(a[inside] / b[inside]))) < 0.01
    assert np.percentile(np.abs(20 * np.log10(a[inside] / b[inside])), 95) < 0.1


@pytest.mark.parametrize(
    ("tail_s", "end", "noise"),
    [
        (2.0, 6500, (9875, 13875)),  # 0.4 s of noise, from a quarter of what remains on
        (0.9, 6500, (7125, 9000)),  # the tail ends first
        (0.7, 6500, None),  # less than 50 ms would be left
        (0.3, 3000, None),
    ],
)
def test_a_response_is_cut_0_6_s_after_the_latest_peak(
    tail_s: float, end: int, noise: tuple[int, int] | None
) -> None:
    """Peaks after 20 and 31 ms at 10 kHz: 31 + 600 ms, rounded up to 50 ms, are 6500 samples; 10 ms before time zero."""
    deconvolved = 1e-6 * np.arange(2 * 40000.0).reshape(2, 40000)
    deconvolved[0, 200] = deconvolved[1, 310] = 1.0
    impulses, found, t0_s = sweep.split_response(deconvolved, 10000.0, tail_s)
    assert t0_s == -0.01
    np.testing.assert_array_equal(impulses, np.hstack((deconvolved[:, -100:], deconvolved[:, :end])))
    if noise is None:
        assert found is None
    else:
        np.testing.assert_array_equal(found, deconvolved[:, noise[0] : noise[1]])
        assert not np.shares_memory(found, deconvolved), "it would keep the whole recordings in memory"


def test_an_open_measurement_gives_its_published_response() -> None:
    """The gallery's sweep measurement (CC BY 4.0): arrival 9.887 ms, negative peak, published impulse response."""
    path = OPEN_DATA / "gallery_irm.far"
    if not path.is_file():
        pytest.skip("the open data are beside the project only where it is developed")
    pyfar = pytest.importorskip("pyfar")
    data = pyfar.io.read(str(path))
    keys = {key: value for key, value in data.items() if hasattr(value, "time")}
    x, y, reference = keys["x"].time[0], keys["y"].time[0], keys["x_reference"].time[0]
    del x
    d = sweep.deconvolver(reference, len(y), 44100.0)(y[None].astype(np.float32))[0]
    impulse = d[:26000]
    assert int(np.argmax(np.abs(impulse))) / 44100 == pytest.approx(0.009887, abs=5e-5)  # two samples
    assert impulse[int(np.argmax(np.abs(impulse)))] < 0


def test_power_smoothing_equals_a_slow_mean() -> None:
    power = np.abs(fft.rfft(_room(300, seed=5), RATE)) ** 2
    sums = spectrum.cumulative(power)
    for centre, fraction in ((100.0, 3), (1000.0, 3), (5000.0, 12)):
        half = 2 ** (0.5 / fraction)
        fine = np.arange(centre / half, centre * half, 0.01)  # the step function of the bins, sampled finely
        want = 10 * np.log10(np.mean(power[np.round(fine).astype(int)]))
        got = spectrum.smoothed_level_db(sums, 1.0, np.array([centre]), fraction)[0]
        assert got == pytest.approx(want, abs=0.01)  # the fine grid misses up to a hundredth of a bin at each edge


def test_level_of_a_band_is_what_pink_noise_shows() -> None:
    """Filter real pink noise with the response, and compare powers within the band."""
    h = _room(100, seed=9)
    rng = np.random.default_rng(1)
    frames = 1 << 20
    freq = np.fft.rfftfreq(frames, 1 / RATE)
    shape = np.where((freq >= 500) & (freq <= 2000), 1 / np.sqrt(np.maximum(freq, 1)), 0)
    pink = fft.irfft(shape * np.exp(2j * np.pi * rng.random(len(freq))), frames)
    heard = fft.irfft(fft.rfft(pink) * fft.rfft(h, frames), frames)
    want = 10 * np.log10(np.mean(heard**2) / np.mean(pink**2))
    got = analysis.analyse(Response(impulse=h, rate_hz=RATE)).level_db
    assert got == pytest.approx(want, abs=0.02)  # both are exact up to the width of one bin at the band's edges


def _two_way(crossover_hz: float, delay: int) -> np.ndarray:
    """Linkwitz-Riley crossover of fourth order with reflections after the direct sound."""
    x = np.zeros(24000)
    x[delay] = 1.0
    low = signal.butter(2, crossover_hz, "low", fs=RATE, output="sos")
    high = signal.butter(2, crossover_hz, "high", fs=RATE, output="sos")
    y = signal.sosfilt(low, signal.sosfilt(low, x)) + signal.sosfilt(high, signal.sosfilt(high, x))
    y = signal.sosfilt(signal.butter(2, 70, "high", fs=RATE, output="sos"), y)
    for later, gain in ((230, 0.7), (391, -0.8), (777, 0.9)):
        y[later:] += gain * y[:-later]
    rng = np.random.default_rng(delay)
    return np.asarray(y + 1e-5 * rng.standard_normal(len(y)))


@pytest.mark.parametrize("crossover_hz", [1600.0, 2200.0, 3200.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_arrival_and_polarity_of_a_two_way_loudspeaker(crossover_hz: float, sign: int) -> None:
    found = analysis.analyse(Response(impulse=sign * _two_way(crossover_hz, 480), rate_hz=RATE))
    # 0.15 ms: the crossover's own delay of 0.05 to 0.1 ms counts as travel (tests/references/direct_sounds.py).
    assert found.arrival_s == pytest.approx(0.010, abs=1.5e-4)
    assert found.polarity == sign


@pytest.mark.parametrize("rate_hz", [32000, 44100, 48000, 88200, 96000, 192000])
def test_every_rate_gives_the_same_arrival_and_level(rate_hz: int) -> None:
    h = signal.resample_poly(_two_way(2200.0, 480), rate_hz, RATE)
    found = analysis.analyse(Response(impulse=h * RATE / rate_hz, rate_hz=rate_hz))
    base = analysis.analyse(Response(impulse=_two_way(2200.0, 480), rate_hz=RATE))
    assert found.arrival_s == pytest.approx(
        base.arrival_s, abs=3e-5
    )  # the resampling filter ends at 16 kHz for 32 kHz
    assert found.level_db == pytest.approx(base.level_db, abs=0.05)


def test_the_level_of_the_direct_sound_leaves_out_bass_and_what_comes_later() -> None:
    """A click of height a has the level 20·lg a at every frequency (the spectrum of a delta)."""
    time_s = np.arange(DIRECT_FRAMES) / DIRECT_RATE_HZ - DIRECT_BEFORE_S
    arrival, later = (np.eye(1, DIRECT_FRAMES, int(np.argmin(np.abs(time_s - t))))[0] for t in (0.0, 0.0015))
    bass = np.sin(2 * np.pi * 150 * time_s)
    for sound in (arrival, arrival + later, arrival + bass):
        assert direct_level_db(0.25 * sound, (4000.0, 10000.0)) == pytest.approx(-12.04, abs=0.1)
    assert direct_level_db(0 * arrival, (4000.0, 10000.0)) == -math.inf


def _same(a: Analysis, b: Analysis) -> bool:
    return bool(np.array_equal(a.third_octave_db, b.third_octave_db, equal_nan=True)) and a.arrival_s == b.arrival_s


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-40, 20), shift=st.integers(0, 3000))
def test_gain_shifts_levels_and_delay_shifts_arrival(gain_db: float, shift: int) -> None:
    base = _two_way(2200.0, 480)
    moved = np.concatenate((np.zeros(shift), base))[: len(base)] * 10 ** (gain_db / 20)
    a, b = analysis.analyse_batch([Response(impulse=x, rate_hz=RATE) for x in (base, moved)], [False, False])
    assert isinstance(a, Analysis)
    assert isinstance(b, Analysis)
    assert a.level_db is not None
    assert b.level_db == pytest.approx(
        a.level_db + gain_db, abs=0.01
    )  # float32, and what the shift cuts off at the end
    assert a.arrival_s is not None
    assert b.arrival_s == pytest.approx(a.arrival_s + shift / RATE, abs=2e-6)  # the envelope is sampled at 32 kHz
    assert b.polarity == a.polarity


def test_the_order_of_a_batch_changes_nothing() -> None:
    responses = [Response(impulse=_room(300 + 7 * k, seed=k), rate_hz=RATE) for k in range(5)]
    forward = analysis.analyse_batch(responses, [False] * 5)
    back = analysis.analyse_batch(responses[::-1], [False] * 5)[::-1]
    assert all(_same(a, b) for a, b in zip(forward, back, strict=True))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("impulse", "word"),
    [
        (np.zeros(24000), "silent"),
        (np.full(24000, np.nan), "not numbers"),
        (np.ones(100), "20 ms"),
    ],
)
def test_what_cannot_be_analysed_says_why_and_spoils_nothing(impulse: np.ndarray, word: str) -> None:
    good = Response(impulse=_room(300), rate_hz=RATE)
    bad, fine = analysis.analyse_batch([Response(impulse=impulse, rate_hz=RATE), good], [False, False])
    assert isinstance(bad, UnusableError)
    assert word in str(bad)
    assert isinstance(fine, Analysis)


@pytest.mark.parametrize("is_sub", [False, True])
def test_a_unit_pulse_at_time_zero_has_no_level_no_phase_and_no_delay(is_sub: bool) -> None:
    """By definition: |H| = 1 and phase 0 at every frequency. Noise 100 dB below it, its beginning 10 ms before time zero."""
    h = 1e-5 * np.random.default_rng(1).standard_normal(24000)
    h[480] += 1.0
    found = analysis.analyse(Response(impulse=h, rate_hz=RATE, t0_s=-0.01, reference="dBFS"), is_sub)
    known = found.third_octave_db[np.isfinite(found.third_octave_db)]
    np.testing.assert_allclose(known, 0.0, atol=0.05)  # the noise adds 0.02 dB
    np.testing.assert_allclose(found.view_db[np.isfinite(found.view_db)], 0.0, atol=0.05)
    assert found.level_db == pytest.approx(0.0, abs=0.01)
    assert list(found.octave_db) == list(spectrum.OCTAVE_CENTRES_HZ)
    np.testing.assert_allclose([*found.octave_db.values()], 0.0, atol=0.05)
    np.testing.assert_array_equal(found.bass_freq_hz, np.arange(10, 321))
    np.testing.assert_allclose(found.bass, 1.0, atol=0.005)  # type: ignore[arg-type]
    assert found.arrival_s == pytest.approx(0.0, abs=1e-3 if is_sub else 1e-5)  # the onset at −20 dB is not the peak
    assert (found.low_hz, found.high_hz) == (None, None)
    assert (found.polarity, found.has_phase, found.reference) == (1, True, "dBFS")
    if is_sub:
        assert found.direct is None
    else:  # 14 ms at 24 kHz, the arrival 2 ms after its beginning
        assert found.direct is not None and len(found.direct) == 336 and int(np.argmax(found.direct)) == 48
    assert found.clipped is None and "clipped" in found.why


@pytest.mark.parametrize(
    ("frames", "rate_hz", "why"),
    [
        (960, 48000.0, None),  # 20 ms
        (959, 48000.0, "20 ms"),
        (8000, 8000.0, None),
        (8000, 7999.0, "from 8 to 400 kHz"),
        (8000, 400000.0, None),
        (8000, 400001.0, "from 8 to 400 kHz"),
    ],
)
def test_how_short_and_how_coarse_a_response_may_be(frames: int, rate_hz: float, why: str | None) -> None:
    (found,) = analysis.analyse_batch([Response(impulse=_room(100, frames=frames), rate_hz=rate_hz)], [False])
    assert isinstance(found, Analysis) if why is None else why in str(found)


def test_what_comes_later_than_4_s_is_cut_off() -> None:
    early, late = (np.pad(_room(480), (0, 5 * RATE - 24000)) for _ in range(2))
    early[round(3.9 * RATE)] = late[round(4.1 * RATE)] = 30.0
    quiet, loud, cut = (
        analysis.analyse(Response(impulse=h[:frames], rate_hz=RATE)).level_db
        for h, frames in ((late, 4 * RATE), (early, 5 * RATE), (late, 5 * RATE))
    )
    assert quiet is not None and loud is not None
    assert cut == quiet and loud > quiet + 20


def test_the_four_strongest_reflections_are_kept() -> None:
    h = 1e-6 * np.random.default_rng(3).standard_normal(24000)
    for after_ms, amplitude in (
        (0.0, 1.0),
        (2.0, 0.3),
        (4.0, 0.6),
        (6.0, 0.5),
        (8.0, 0.2),
        (10.0, 0.4),
        (12.0, 0.25),
    ):
        h[480 + round(after_ms * RATE / 1000)] = amplitude
    found = analysis.analyse(Response(impulse=h, rate_hz=RATE)).reflections
    assert found is not None
    # By level, 20·lg of the amplitude; 0.3 dB: the envelope's steps and the window's side lobes.
    assert [round(1000 * delay_s) for delay_s, _ in found] == [4, 6, 10, 2]
    np.testing.assert_allclose([db for _, db in found], 20 * np.log10([0.6, 0.5, 0.4, 0.3]), atol=0.3)


def test_a_tail_that_still_decays_is_no_noise_and_recorded_silence_is() -> None:
    """60 dB in 2 s: after half a second the room is still 45 dB above the recorded silence."""
    rng = np.random.default_rng(5)
    h = rng.standard_normal(24000) * 10 ** (-3 * np.arange(24000) / RATE / 2.0)
    h[0] = 30.0
    silence = 1e-4 * rng.standard_normal(24000)
    tail = analysis.analyse(Response(impulse=h, rate_hz=RATE))
    silent = analysis.analyse(Response(impulse=h, rate_hz=RATE, noise=silence))
    assert "decaying sound" in tail.why["snr"] and "snr" not in silent.why
    assert silent.noise_db is not None and np.isfinite(silent.noise_db).sum() > 200
    assert tail.snr_db is not None and silent.snr_db is not None and silent.snr_db > tail.snr_db + 30


@pytest.mark.parametrize(("length_s", "known"), [(0.09, False), (0.9, True)])
def test_a_response_cut_off_in_its_decay_holds_no_noise(length_s: float, known: bool) -> None:
    """60 dB in 0.5 s: within the last 14 ms of 90 ms the sound falls by only 1.6 dB. Noise at −65 dB."""
    frames, rng = round(length_s * RATE), np.random.default_rng(6)
    h = rng.standard_normal(frames) * (10 ** (-3 * np.arange(frames) / RATE / 0.5) + 10**-3.25)
    noise_db = analysis.analyse(Response(impulse=h, rate_hz=RATE)).noise_db
    assert (noise_db is not None and bool(np.isfinite(noise_db).any())) == known


def test_noise_takes_the_arrival_away_instead_of_making_one_up() -> None:
    rng = np.random.default_rng(2)
    found = analysis.analyse(Response(impulse=_room(480) + 0.05 * rng.standard_normal(24000), rate_hz=RATE))
    assert found.arrival_s is None
    assert "30 dB needed" in found.why["arrival"]
    assert found.polarity is None
    assert found.why["polarity"] == "the direct sound could not be found"


def test_signal_to_noise_is_that_of_the_parts() -> None:
    rng = np.random.default_rng(8)
    h, n = _room(480, frames=48000), 1e-4 * rng.standard_normal(48000)
    found = analysis.analyse(Response(impulse=h + n, rate_hz=RATE, noise=1e-4 * rng.standard_normal(48000)))

    def level(x: np.ndarray) -> float:
        return float(spectrum.pink_level_db(np.abs(fft.rfft(x)) ** 2, 1.0, 500, 2000))

    # 0.52 dB: two levels of noise, each of (Σ1/f)²/Σ1/f² = 1281 independent bins and so with a scatter of 4.34/√1281 dB; three
    # standard deviations of their difference. Counted over half a second: half of the energy in one second.
    assert found.snr_db == pytest.approx(level(h) - level(n) + 3.01, abs=0.52)


@pytest.mark.parametrize("edge_hz", [100.0, 10000.0])
def test_a_stimulus_begins_where_its_energy_comes_near_that_of_its_band(edge_hz: float) -> None:
    """Energy per octave as the 40th power of frequency, rising or falling: x dB are a factor of 10^(x/400) in frequency."""
    low = edge_hz < 1000
    freq_hz = np.arange(0.1, 12000.0, 0.1)
    inner_hz = edge_hz * 2 ** (1 / 3 if low else -1 / 3)
    ratio = np.minimum(freq_hz / inner_hz if low else inner_hz / freq_hz, 1.1)
    found = sweep._refine(ratio**40 / freq_hz, freq_hz, edge_hz, low)
    past = (found / inner_hz if low else inner_hz / found) * 10 ** (sweep._EDGE_DROP_DB / 400)
    assert 1.0 <= past < 2 ** (1 / 69)  # the first of 24 points in the third of an octave


def test_a_spectrum_that_ends_below_the_band_has_no_level() -> None:
    assert np.isnan(spectrum.pink_level_db(np.ones(1999), 1.0, 500, 2000)).tolist() is True
    assert np.isnan(spectrum.pink_level_db(np.ones((2, 3, 1999)), 1.0, 500, 2000)).tolist() == [[True] * 3] * 2


def quantised(samples: np.ndarray, bits: int) -> np.ndarray:
    return (np.round(samples * 2 ** (bits - 1)) / 2 ** (bits - 1)).astype(np.float32)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("level", [0.99, 0.1, 0.003])
def test_clean_recordings_are_not_called_clipped(level: float, bits: int) -> None:
    """Few steps of quantisation, a tone, a third harmonic and a soft subwoofer have flat tops without clipping."""
    rng = np.random.default_rng(4)
    time = np.arange(2 * RATE) / RATE
    tone = np.sin(2 * np.pi * 37.0 * time)
    flattest = tone + np.sin(3 * 2 * np.pi * 37.0 * time) / 9
    subwoofer = signal.sosfilt(signal.butter(4, [25, 90], "band", fs=RATE, output="sos"), np.eye(1, RATE)[0])
    sweep = _measured(_room(480), Sweep(duration_s=2.0))
    for clean in (
        tone,
        flattest,
        subwoofer,
        sweep,
        sweep + 0.1 * np.max(np.abs(sweep)) * rng.standard_normal(len(sweep)),
    ):
        assert not noise.is_clipped(quantised(level * clean / np.max(np.abs(clean)), bits))


@pytest.mark.parametrize("steps", [1.4, 2.4, 5.4, 9.0, 12.4, 31.0])
def test_a_recording_of_few_steps_is_not_called_clipped(steps: float) -> None:
    """A soft subwoofer in 16 bits: rounded to so few steps, every crest is flat for dozens of samples (arithmetic)."""
    time = np.arange(RATE) / RATE
    rng = np.random.default_rng(4)
    for hz in (18.0, 37.0, 90.0):
        for decay in (0.0, 3.0, 12.0):
            for hiss in (0.0, 0.3):
                wave = np.exp(-decay * time) * np.sin(2 * np.pi * hz * time)
                samples = steps * wave / np.max(wave) + hiss * rng.standard_normal(len(wave))
                for gain in (2.0**-15, 0.37 * 2.0**-15):
                    assert not noise.is_clipped((gain * np.round(samples)).astype(np.float32)), (hz, decay, hiss)


@pytest.mark.parametrize("later_gain", [1.0, 0.05])
def test_cut_off_crests_are_called_clipped(later_gain: float) -> None:
    clean = _measured(_room(480), Sweep(duration_s=2.0))
    clean = clean / np.max(np.abs(clean))
    for bits, cut in ((16, 0.7), (24, 0.7), (24, 0.98)):
        converter = np.clip(quantised(clean / cut, bits), -1, 1 - 2.0 ** (1 - bits))
        assert noise.is_clipped((later_gain * converter).astype(np.float32)), (bits, cut)
    rng = np.random.default_rng(4)
    preamplifier = np.clip(clean / 0.4, -1, 1) + 1e-3 * rng.standard_normal(len(clean))
    assert noise.is_clipped(quantised(later_gain * 0.5 * preamplifier, 24))
    assert not noise.is_clipped(np.zeros(1000, np.float32))
    single = 0.6 * np.cos(np.arange(9000.0))
    single[5000:5007] = 1.0  # of one crest eight equal samples are needed
    assert not noise.is_clipped(single)
    single[5007] = 1.0
    assert noise.is_clipped(single)


def test_an_impulse_response_cut_off_when_it_was_saved_is_called_clipped() -> None:
    subwoofer = signal.sosfilt(signal.butter(4, [25, 90], "band", fs=RATE, output="sos"), np.eye(1, RATE)[0])
    subwoofer = subwoofer / np.max(np.abs(subwoofer))
    assert noise.is_clipped(quantised(np.clip(subwoofer / 0.8, -1, 1 - 2.0**-15), 16))


@pytest.mark.parametrize(("ratio", "clipped"), [(5.0, False), (7.0, True)])
def test_the_limit_of_the_clipping_share_lies_between_a_sine_and_the_least_clipped(
    ratio: float, clipped: bool
) -> None:
    """By arithmetic: a sine has 9·acos 0.995/(acos 0.95 − acos 0.995) = 4.14, what is cut off has 9 and more; limit 6.

    A preamplifier cuts sines off at 0.8; others, uncut and no higher than 0.97 of that, lower the share to `ratio`.
    """
    time = np.arange(RATE) / RATE
    sine = np.sin(2 * np.pi * 97.0 * time)
    assert noise.clip_ratio(sine) == pytest.approx(4.14, abs=0.1)  # whole samples
    assert noise.clip_ratio(np.zeros(4096)) == 1.0  # silence is not clipped
    top, below = np.arccos(0.796), np.arccos(0.76) - np.arccos(0.796)
    others = (9 * top / ratio - below) / np.arccos(0.95 / 0.97)
    wave = np.where(time < 1 / (1 + others), np.clip(sine / 0.8, -1, 1), 0.97 * sine)
    wave = quantised(0.5 * (wave + 1e-4 * np.random.default_rng(4).standard_normal(len(wave))), 24)
    assert noise.clip_ratio(wave) == pytest.approx(ratio, rel=0.05)  # the noise at the top
    assert noise.is_clipped(wave) is clipped


def test_noise_of_a_late_response_is_read_before_it() -> None:
    """One response in one noise, cut off while it still decays: what comes before the sound shows the noise all the same.

    35 ms of noise scatter by some 2 dB in a third octave: 6 dB allow for three times that."""
    rng = np.random.default_rng(3)
    noise_of_room = 1e-4 * rng.standard_normal(RATE // 2)
    late, soon = noise_of_room.copy(), 1e-4 * rng.standard_normal(2 * RATE)
    decay = _room(480, frames=RATE // 2) + 0.02 * rng.standard_normal(RATE // 2) * np.exp(
        -np.arange(RATE // 2) / (0.15 * RATE)
    )
    late[RATE // 4 :] += decay[: RATE // 4]
    soon[: RATE // 2] += decay
    cut, whole = (analysis.analyse(Response(impulse=each, rate_hz=RATE)) for each in (late, soon))
    assert cut.noise_db is not None and whole.noise_db is not None and cut.tail_db is not None
    band = (GRID_HZ > 500) & (GRID_HZ < 8000)
    assert np.median(np.abs(cut.noise_db - whole.noise_db)[band]) < 6.0
    assert np.median((cut.tail_db - whole.noise_db)[band]) > 12.0


@pytest.mark.parametrize("length_s", [0.3, 0.6, 1.5, 4.0])
def test_signal_to_noise_is_the_same_for_a_long_and_a_short_file(length_s: float) -> None:
    """One response in one noise, cut to different lengths. 45 to 90 ms of windowed noise, pink over
    500–2000 Hz, scatter by 0.7 dB: three times that."""
    rng = np.random.default_rng(12)
    impulse = 3e-4 * rng.standard_normal(4 * RATE)
    impulse[: RATE // 4] += _room(480, frames=RATE // 4)
    whole, cut = (
        analysis.analyse(Response(impulse=impulse[: round(s * RATE)], rate_hz=RATE)).snr_db for s in (4.0, length_s)
    )
    assert cut == pytest.approx(whole, abs=2.2)


def test_clipping_shows_at_any_gain() -> None:
    """A sweep in a room with and without its tops cut off."""
    s = Sweep(duration_s=2.0)
    clean = _measured(_room(480), s)
    clipped = np.clip(clean, -0.7 * np.max(np.abs(clean)), 0.7 * np.max(np.abs(clean)))
    assert noise.clip_ratio(clean) < noise.CLIP_RATIO_LIMIT
    assert noise.clip_ratio(0.3 * clipped) > noise.CLIP_RATIO_LIMIT


@settings(max_examples=40, deadline=None)
@given(
    frames=st.one_of(st.integers(1, 30), st.integers(8180, 8200), st.integers(1, 40000)),
    seed=st.integers(0, 99),
    clip=st.floats(0.2, 1.5),
)
def test_clipping_share_is_counted_as_defined(frames: int, seed: int, clip: float) -> None:
    """Sample by sample, without the short cut over blocks."""
    x = np.clip(np.random.default_rng(seed).standard_normal(frames), -clip, clip).astype(np.float32)
    size = np.abs(x)
    top = int(np.sum(size >= 0.995 * float(size.max())))
    below = int(np.sum(size >= np.float32(0.95 * float(size.max())))) - top
    assert noise.clip_ratio(x) == (9 * top / below if below else (np.inf if top > 3 else 1.0))


def test_a_tail_that_falls_is_distinguished_from_one_that_stays() -> None:
    """60 dB in 0.3 s fall by 30 dB from one 0.15 s to the next; white noise stays. One among many is judged alike."""
    rng = np.random.default_rng(8)
    falling = rng.standard_normal((3, RATE)) * 10 ** (-3 * np.arange(RATE) / RATE / 0.3)
    staying = rng.standard_normal((3, RATE))
    found = noise.still_decaying(np.concatenate((falling, staying)).astype(np.float32), RATE, 500.0)
    assert found.tolist() == [True] * 3 + [False] * 3
    assert noise.still_decaying(falling[:1], RATE, 500.0).tolist() == [True]
    assert noise.still_decaying(np.zeros((2, RATE)), RATE, 500.0).tolist() == [False, False]
    # From 30 to 120 Hz a tail of 0.1 s holds 2·90·0.1 = 18 independent samples, one of 0.15 s 27.
    assert noise.still_decaying(staying[:1, : RATE // 3 * 2], RATE, 30.0).tolist() == [True]
    assert noise.still_decaying(staying[:1], RATE, 30.0).tolist() == [False]


@pytest.mark.parametrize("low_hz", [30.0, 500.0])
def test_the_band_of_the_decay_test_is_the_librarys_butterworth(low_hz: float) -> None:
    """scipy.signal 1.13 or newer: `butter` for the design, `sosfilt` for its use backwards.

    Tolerances: rounding of doubles in another order of operations; the second also holds the ringing that a transform
    of finite length wraps around.
    """
    from scipy import signal

    length = 2 * RATE
    ours = noise._two_octaves(low_hz, 4 * low_hz, RATE, length)
    sections = signal.butter(2, [low_hz, 4 * low_hz], "band", fs=RATE, output="sos")
    _, theirs = signal.sosfreqz(sections, worN=np.arange(length // 2 + 1) * RATE / length, fs=RATE)
    np.testing.assert_allclose(ours, theirs, atol=1e-9)
    sound = np.random.default_rng(1).standard_normal(RATE // 4)
    padded = np.zeros(length)
    padded[: len(sound)] = sound
    band = np.fft.irfft(np.fft.rfft(padded) * np.conj(ours))[: len(sound)]
    np.testing.assert_allclose(band, signal.sosfilt(sections, sound[::-1])[::-1], atol=1e-6)


ENVELOPE_HZ = 32768.0


def _envelope(*pulses: tuple[float, float], noise_db: float = -60.0, width_s: float = 0.0001) -> np.ndarray:
    """Pulses at times [ms] with levels [dB] over even noise, 100 ms."""
    time = np.arange(3276) / ENVELOPE_HZ
    bells = (10 ** (db / 20) * np.exp(-0.5 * ((time - ms / 1000) / width_s) ** 2) for ms, db in pulses)
    return np.maximum(np.sum(list(bells), axis=0), 10 ** (noise_db / 20))


@pytest.mark.parametrize(
    ("early_db", "arrival_ms", "doubtful"),
    # The direct sound is the first maximum within 12 dB of the largest; an earlier one within 20 dB is mentioned.
    [(-11.5, 5.0, False), (-12.5, 9.0, True), (-19.5, 9.0, True), (-20.5, 9.0, False)],
)
def test_a_weaker_sound_before_the_largest_is_the_direct_one_within_12_db(
    early_db: float, arrival_ms: float, doubtful: bool
) -> None:
    found = timing.main_arrival(_envelope((5.0, early_db), (9.0, 0.0)), ENVELOPE_HZ)
    assert found.time_s == pytest.approx(arrival_ms / 1000, abs=1e-6)  # a bell is no parabola
    assert (found.why is not None) is doubtful
    assert "4.0 ms earlier" in (found.why or "4.0 ms earlier")
    # Microphone 0.058 ms, crossover 0.03, acoustic centre 0.05, estimator 0.005: root of squares; and half of the gap.
    assert found.u_s == pytest.approx(8.240e-5 + (0.002 if doubtful else 0.0), abs=1e-6 if doubtful else 2e-8)


@pytest.mark.parametrize(("gap_ms", "doubtful"), [(0.29, False), (0.31, True)])
def test_only_what_comes_more_than_0_3_ms_earlier_makes_an_arrival_doubtful(gap_ms: float, doubtful: bool) -> None:
    found = timing.main_arrival(_envelope((9.0 - gap_ms, -15.0), (9.0, 0.0), width_s=2e-5), ENVELOPE_HZ)
    assert (found.why is not None) is doubtful


@pytest.mark.parametrize(
    ("noise_db", "found", "doubtful"),
    [(-29.4, False, False), (-30.5, True, False), (-39.5, True, False), (-40.5, True, True)],
)
def test_an_arrival_needs_30_db_above_the_noise_and_a_doubt_10_more(
    noise_db: float, found: bool, doubtful: bool
) -> None:
    arrival = timing.main_arrival(_envelope((5.0, -19.0), (9.0, 0.0), noise_db=noise_db), ENVELOPE_HZ)
    assert (arrival.time_s is not None) is found
    assert ("earlier" in (arrival.why or "")) is doubtful
    assert found or f"only {-noise_db:.0f} dB above the noise" in (arrival.why or "")


def test_the_noise_of_an_envelope_is_read_from_its_last_part() -> None:
    early, late = _envelope((50.0, 0.0)), _envelope((50.0, 0.0))
    early[:2700] = np.maximum(early[:2700], 0.05)  # before the last 15 %
    late[2800:] = np.maximum(late[2800:], 0.05)
    assert timing.main_arrival(early, ENVELOPE_HZ).time_s is not None
    assert timing.main_arrival(late, ENVELOPE_HZ).time_s is None
    assert timing.main_arrival(np.zeros(100), ENVELOPE_HZ).why == "nothing is heard between 1 and 8 kHz"


@pytest.mark.parametrize(
    ("corners_hz", "correlation", "sign"), [((700.0, 700.0), -0.655, -1), ((400.0, 700.0, 900.0), 0.29, None)]
)
def test_a_sign_needs_a_correlation_of_0_4_with_the_minimum_phase(
    corners_hz: tuple[float, ...], correlation: float, sign: int | None
) -> None:
    """All-passes of second order, as crossovers leave them: the minimum phase is that of a pulse, the correlation the mean
    of their phase over the band at the lag where it is strongest, within 1 ms."""
    impulse, freq = np.eye(1, 12000, 480)[0], np.linspace(200.0, 1000.0, 2001)
    passed = np.ones(len(freq), complex)
    for corner_hz in corners_hz:
        w = 2 * np.pi * corner_hz
        b, a = signal.bilinear([1, -w * 2**0.5, w * w], [1, w * 2**0.5, w * w], RATE)
        impulse, passed = signal.lfilter(b, a, impulse), passed * signal.freqz(b, a, freq, fs=RATE)[1]
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.log(freq / 200) / np.log(5))
    over_lag = (
        np.real((window * passed) @ np.exp(2j * np.pi * np.outer(freq, np.arange(-48, 49) / RATE))) / window.sum()
    )
    assert over_lag[np.argmax(np.abs(over_lag))] == pytest.approx(correlation, abs=0.005)
    impulse = impulse + 1e-6 * np.random.default_rng(0).standard_normal(len(impulse))
    found = analysis.analyse(Response(impulse=impulse, rate_hz=RATE))
    assert found.polarity == sign
    assert sign is not None or "0.4 needed" in found.why["polarity"]


def test_text_levels_read_as_they_stand() -> None:
    freq = np.geomspace(10, 22000, 500)
    found = analysis.analyse(Response(freq_hz=freq, level_db=np.full(500, 71.5)))
    assert found.level_db == pytest.approx(71.5, abs=1e-9)
    reported = found.third_octave_db[np.isfinite(found.third_octave_db)]
    np.testing.assert_allclose(reported, 71.5, atol=1e-9)
    assert np.isfinite(found.third_octave_db).tolist() == (GRID_HZ * 2 ** (1 / 6) <= 22000).tolist()
    assert found.arrival_s is None
    assert "phase" in found.why["arrival"]


def test_an_octave_reaches_from_its_centre_by_half_an_octave_both_ways() -> None:
    """Power 1 below 1 kHz and 100 above: pink weights make both halves of that octave count alike, 10·lg 50.5."""
    power = np.where(np.arange(24001) < 1000, 1.0, 100.0)
    levels = analysis._octaves(power, 1.0)
    # 0.05 dB: the nearest bins to the edges of the octave, 1 Hz apart.
    assert float(levels[1000] - levels[500]) == pytest.approx(10 * np.log10(50.5), abs=0.05)
    assert float(levels[2000] - levels[500]) == pytest.approx(20.0, abs=0.05)


def test_text_levels_are_smoothed_over_a_third_octave() -> None:
    """A step of 20 dB at 1 kHz: the power mean of its two sides, by their widths in Hz within f·2^(±1/6)."""
    freq = np.geomspace(10, 22000, 20001)
    found = analysis.analyse(Response(freq_hz=freq, level_db=np.where(freq < 1000, 0.0, 20.0)))
    for hz in (950.0, 1000.0, 1050.0):
        k = int(np.argmin(np.abs(GRID_HZ - hz)))
        low, high = GRID_HZ[k] / 2 ** (1 / 6), GRID_HZ[k] * 2 ** (1 / 6)
        want = 10 * np.log10(((1000 - low) + 100 * (high - 1000)) / (high - low))
        # 0.3 dB: 65 points in a third octave; half of one of them is 5 % of the power at 950 Hz.
        assert found.third_octave_db[k] == pytest.approx(want, abs=0.3)


def test_summed_bass_is_the_complex_sum() -> None:
    a, b = _room(480), np.roll(_room(480, seed=4), 120)
    one, two, both = (analysis.analyse(Response(impulse=x, rate_hz=RATE), True) for x in (a, b, a + b))
    total = analysis.sum_bass([one, two])
    assert total is not None
    inside = (one.freq_hz > 25) & (one.freq_hz < 250)
    got, want = analysis.bass_level_db(total), both.third_octave_db
    np.testing.assert_allclose(got[inside], want[inside], atol=0.01)  # float32


levels_table = st.lists(st.lists(st.floats(40, 100), min_size=8, max_size=8), min_size=2, max_size=7)


@given(table=levels_table, shift=st.floats(-30, 30), factor=st.floats(0.1, 3))
def test_variance_properties(table: list[list[float]], shift: float, factor: float) -> None:
    x = np.array(table)
    inside = np.ones(8, bool)
    base = variance.band_variance(x, inside)
    assert base is not None
    assert base.msv_db2 == pytest.approx(
        float(np.mean(np.var(x, axis=0))), abs=1e-9
    )  # numpy as the independent library
    for other in (x + shift, x[::-1]):
        found = variance.band_variance(other, inside)
        assert found is not None
        assert found.msv_db2 == pytest.approx(base.msv_db2, abs=1e-6)
    scaled = variance.band_variance(factor * x, inside)
    assert scaled is not None
    assert scaled.msv_db2 == pytest.approx(factor**2 * base.msv_db2, rel=1e-9, abs=1e-9)
    own = np.arange(len(x), dtype=float)
    a = variance.band_variance(variance.without_seat_level(x, own), inside)
    b = variance.band_variance(variance.without_seat_level(x + own[:, None], 2 * own), inside)
    assert a is not None
    assert b is not None
    assert a.msv_db2 == pytest.approx(b.msv_db2, abs=1e-6)


@pytest.mark.parametrize(
    ("snr_db", "late_share", "problem"),
    [
        (20.1, 0.0099, None),
        (None, 0.0, None),
        (19.9, 0.0, "its signal-to-noise ratio is 20 dB, 20 dB are needed"),
        (60.0, 0.0101, "it ends before the sound has decayed"),
    ],
)
def test_speech_needs_20_db_over_the_noise_and_a_hundredth_at_the_end(
    snr_db: float | None, late_share: float, problem: str | None
) -> None:
    """Below these the transfer of modulation is that of noise, or of where the recording ends (common practice, no source)."""
    impulse = np.zeros(48000)
    end = noise.tail(impulse)
    end[:] = np.sqrt(late_share / (1 - late_share) / len(end))
    impulse[100] = 1.0
    assert analysis._speech_problem(impulse, snr_db) == problem
