"""Impulse responses, raw sweeps and neither, in simulated and measured rooms. Chirps and filters are scipy's."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soundfile
from open_data import OPEN_DATA
from scipy import fft, signal
from scipy.stats import kendalltau

from commission.dsp import compactness
from commission.dsp.compactness import Shape, band_times, deconvolved_shapes, shape_of
from commission.dsp.sweep import Deconvolver, deconvolver
from commission.model import FloatArray

RATE = 48000


def sweep(
    low_hz: float, high_hz: float, seconds: float, method: str = "logarithmic", fade_s: float = 0.02
) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE)) / RATE
    x = signal.chirp(time_s, low_hz, seconds, high_hz, method=method, phi=-90)
    count = round(fade_s * RATE)
    x[:count] *= np.linspace(0, 1, count)
    x[-count:] *= np.linspace(1, 0, count)
    return 0.5 * x


def main_room(rng: np.random.Generator, reverberation_s: float, seconds: float) -> np.ndarray:
    """Direct sound 10 ms after the start, weaker or stronger than the following decaying noise."""
    time_s = np.arange(round(seconds * RATE)) / RATE
    h = rng.standard_normal(len(time_s)) * np.exp(-6.91 * time_s / reverberation_s)
    h[:700] = 0
    h /= np.sqrt(np.sum(h**2))
    h[480] += 10 ** (rng.uniform(-10, 6) / 20)
    return h


def sub_room(rng: np.random.Generator, reverberation_s: float, seconds: float) -> np.ndarray:
    """A subwoofer of 22 to 120 Hz in a room of eight modes; those below 45 Hz ring longest."""
    time_s = np.arange(round(seconds * RATE) - 480) / RATE
    h = np.zeros(len(time_s))
    for mode_hz in rng.uniform(22, 110, 8):
        decay = np.exp(-6.91 * time_s / (reverberation_s if mode_hz < 45 else reverberation_s / 2))
        h += rng.choice((-1, 1)) * rng.uniform(0.3, 1) * decay * np.sin(2 * np.pi * mode_hz * time_s)
    band = signal.butter(2, (22, 120), "bandpass", fs=RATE, output="sos")
    return np.asarray(signal.sosfilt(band, np.concatenate((np.zeros(480), h))))


def with_noise(rng: np.random.Generator, sound: np.ndarray, ratio_db: float) -> np.ndarray:
    """Pink noise added, with its rms below that of the sound by the ratio."""
    spectrum = np.fft.rfft(rng.standard_normal(len(sound)))
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 1)), len(sound))
    return sound + noise / noise.std() * np.sqrt(np.mean(sound**2)) * 10 ** (-ratio_db / 20)


def recorded(rng: np.random.Generator, played: np.ndarray, h: np.ndarray, ratio_db: float = 30) -> np.ndarray:
    heard = signal.oaconvolve(np.concatenate((np.zeros(RATE // 4), played, np.zeros(RATE))), h)
    return with_noise(rng, heard, ratio_db).astype(np.float32)


def deconvolved_shape(inverse: Deconvolver, recording: np.ndarray) -> Shape:
    ((shape, _),) = deconvolved_shapes(inverse.spectra(recording[None]), RATE / inverse.length)
    return shape


@pytest.mark.parametrize(("reverberation_s", "seconds"), [(0.2, 1.2), (0.4, 2.0), (1.0, 4.0), (3.0, 6.0), (8.0, 9.8)])
def test_rooms_of_any_size_give_impulse_responses(reverberation_s: float, seconds: float) -> None:
    """With 25 dB between the energy of the response and that of the noise."""
    rng = np.random.default_rng(1)
    for _ in range(4):
        assert shape_of(with_noise(rng, main_room(rng, reverberation_s, seconds), 25), RATE)[0] is Shape.COMPACT


@pytest.mark.parametrize("seconds", [1.0, 3.0, 8.0])
@pytest.mark.parametrize("ratio_db", [25, 40, 90])
def test_subwoofers_with_ringing_modes_give_impulse_responses(seconds: float, ratio_db: float) -> None:
    """T = 1.5 s at 30 Hz, also where the file is cut off before it has decayed."""
    rng = np.random.default_rng(2)
    assert shape_of(with_noise(rng, sub_room(rng, 1.5, seconds), ratio_db), RATE)[0] is Shape.COMPACT


@pytest.mark.parametrize("name", ["living_room_1.wav", "ir_sportscentre_omni.wav"])
def test_measured_rooms_give_impulse_responses(name: str) -> None:
    path = OPEN_DATA / name
    if not path.is_file():
        pytest.skip("the open measured responses are not beside the checkout")
    samples, rate_hz = soundfile.read(path, always_2d=True)
    repeated = np.concatenate((samples[:, 0], np.zeros(rate_hz)))  # long enough to be looked at
    assert shape_of(repeated, rate_hz)[0] is Shape.COMPACT
    rng = np.random.default_rng(3)
    assert shape_of(with_noise(rng, samples[:, 0], 25), rate_hz)[0] is Shape.COMPACT


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "method", "heard_by", "seconds"),
    [
        (20, 20000, "logarithmic", "main", 3.0),
        (20, 20000, "logarithmic", "sub", 10.0),
        (10, 200, "logarithmic", "sub", 3.0),
        (10, 200, "linear", "sub", 10.0),
        (20, 20000, "linear", "main", 3.0),
        (20000, 20, "logarithmic", "main", 3.0),
    ],
)
def test_raw_sweeps_are_distinguished_from_impulse_responses(
    low_hz: float, high_hz: float, method: str, heard_by: str, seconds: float
) -> None:
    rng = np.random.default_rng(4)
    h = main_room(rng, 0.5, 1.0) if heard_by == "main" else sub_room(rng, 1.5, 1.5)
    recording = recorded(rng, sweep(low_hz, high_hz, seconds, method), h, 25)
    assert shape_of(recording, RATE)[0] is Shape.SWEEP


def test_distortion_does_not_hide_a_sweep() -> None:
    """Harmonics sound in bands that the sweep reaches later or never. A hard-clipped sweep need only be rejected."""
    rng = np.random.default_rng(8)
    for low_hz, high_hz, seconds in ((10, 200, 8.0), (20, 20000, 5.0)):
        heard = recorded(rng, sweep(low_hz, high_hz, seconds), sub_room(rng, 1.0, 1.0), 60)
        heard /= np.max(np.abs(heard))
        assert shape_of(heard + 0.03 * heard**2 + 0.03 * heard**3, RATE)[0] is Shape.SWEEP
        for clipped_at in (0.9, 0.7, 0.4):
            assert shape_of(np.clip(heard, -clipped_at, clipped_at), RATE)[0] is not Shape.COMPACT


def test_noise_is_neither() -> None:
    rng = np.random.default_rng(5)
    for noise in (rng.standard_normal(5 * RATE), with_noise(rng, np.full(5 * RATE, 1e-9), -200)):
        shape, spread_s = shape_of(noise, RATE)
        assert shape is Shape.NOISE
        assert spread_s > 4


PLAYED = {
    "5 s": sweep(20, 20000, 5),
    "5.2 s": sweep(20, 20000, 5.2),
    "to 22 kHz": sweep(20, 22000, 5),
    "from 10 Hz": sweep(10, 20000, 5),
    "3 s": sweep(20, 20000, 3),
    "linear": sweep(20, 20000, 5, "linear"),
    "subwoofer's": sweep(10, 200, 8),
}


@pytest.mark.parametrize("heard_by", ["main", "sub"])
def test_only_the_stimulus_that_was_played_gives_an_impulse_response(heard_by: str) -> None:
    """A subwoofer's few bands show only gross mistakes: similar 5 s sweeps differ by less than its modes ring."""
    rng = np.random.default_rng(6)
    recordings = {}
    for reverberation_s in (0.3, 1.0):
        h = main_room(rng, reverberation_s, 1.0) if heard_by == "main" else sub_room(rng, 1.5 * reverberation_s, 1.5)
        recordings[reverberation_s] = recorded(rng, PLAYED["5 s"], h)
    for used in PLAYED if heard_by == "main" else ("5 s", "3 s", "linear"):
        inverse = deconvolver(PLAYED[used], len(recordings[0.3]), RATE)
        for reverberation_s, recording in recordings.items():
            if (used, reverberation_s) != ("to 22 kHz", 1.0):  # 7 ms per octave hide in a long reverberation
                assert (deconvolved_shape(inverse, recording) is Shape.COMPACT) == (used == "5 s"), used


TREBLE = signal.butter(1, (1000, 8000), "bandpass", fs=RATE, output="sos")


@pytest.mark.parametrize(("heard_by", "rattle_db"), [("main", -15), ("sub", -25), ("sub", -40)])
def test_a_rattle_is_no_wrong_stimulus(heard_by: str, rattle_db: float) -> None:
    """Bursts of treble at one low tone, in bands in which a subwoofer plays nothing."""
    rng = np.random.default_rng(12)
    stimulus = PLAYED["5 s"]
    h = main_room(rng, 0.4, 1.0) if heard_by == "main" else sub_room(rng, 0.6, 1.5)
    recording = recorded(rng, stimulus, h, 60)
    at = round(5 * RATE * math.log(45 / 20) / math.log(1000))
    size = round(0.1 * RATE)
    tone = np.std(recording[at : at + size])
    burst = signal.sosfilt(TREBLE, rng.standard_normal(size)) * np.hanning(size)
    recording[at : at + size] += burst * 10 ** (rattle_db / 20) * tone / np.std(burst)
    assert deconvolved_shape(deconvolver(stimulus, len(recording), RATE), recording) is Shape.COMPACT


def test_a_right_stimulus_is_never_doubted_and_one_of_three_per_cent_more_is_found() -> None:
    rng, played = np.random.default_rng(77), sweep(20, 20000, 3.0)
    recordings = [
        recorded(rng, played, main_room(rng, rng.uniform(0.2, 1.2), 1.0), rng.uniform(20, 40)) for _ in range(6)
    ]
    for seconds in (3.0, 3.1):
        inverse = deconvolver(sweep(20, 20000, seconds), len(recordings[0]), RATE)
        assert {deconvolved_shape(inverse, each) is Shape.COMPACT for each in recordings} == {seconds == 3.0}


def test_a_stimulus_a_quarter_longer_leaves_a_sweep_that_wraps_to_the_end() -> None:
    """Low bands come after time zero and high ones before it, at the end of the circle."""
    rng = np.random.default_rng(78)
    recording = recorded(rng, sweep(20, 20000, 1.6), main_room(rng, 0.5, 1.0), 60)
    assert deconvolved_shape(deconvolver(sweep(20, 20000, 2.0), len(recording), RATE), recording) is Shape.SWEEP


def test_shapes_do_not_depend_on_gain_or_sign() -> None:
    rng = np.random.default_rng(7)
    recording = recorded(rng, PLAYED["3 s"], main_room(rng, 0.4, 1.0))
    (shape, spread_s), (scaled, scaled_spread_s) = shape_of(recording, RATE), shape_of(-1e-3 * recording, RATE)
    assert scaled is shape
    assert scaled_spread_s == pytest.approx(spread_s, abs=0.01)  # single precision may move a flat maximum a little


def test_a_band_is_as_late_as_its_tone_burst() -> None:
    """A burst in each of three bands at known times, found to within the smoothing."""
    time_s = np.arange(4 * RATE) / RATE
    at = {250.0: 0.5, 1000.0: 1.7, 4000.0: 3.1}
    x = sum(np.sin(2 * np.pi * f * time_s) * np.exp(-(((time_s - t) / 0.05) ** 2)) for f, t in at.items())
    bands = band_times(fft.rfft(x)[np.newaxis], 0.25)
    for burst_hz, burst_s in at.items():
        band = int(np.argmin(np.abs(np.log(bands.centres_hz / burst_hz))))
        assert bands.strongest_s[0, band] == pytest.approx(burst_s, abs=0.01)  # twice the resolution of a 200 Hz band


@pytest.mark.parametrize(("crest_db", "clear"), [(11.5, False), (12.9, True)])
def test_a_band_has_a_time_where_it_rises_above_its_median_by_12_db(crest_db: float, clear: bool) -> None:
    """A tone that falls by twice the crest within the recording has its median in the middle. Smoothing costs 0.2 dB."""
    rate, seconds = 8000, 8
    time_s = np.arange(rate * seconds) / rate
    x = np.sin(2 * np.pi * 1000 * time_s) * 10 ** (-2 * crest_db / 20 * time_s / seconds)
    bands = band_times(fft.rfft(x)[np.newaxis], 1 / seconds)
    assert np.isfinite(bands.strongest_s[0, bands.centres_hz == 1000.0]).tolist() == [clear]


@pytest.mark.parametrize(("low_hz", "high_hz", "sigma_s"), [(600, 20000, 0.02), (60, 70, 0.046)])
def test_two_clicks_are_one_up_to_twice_the_standard_deviation_of_the_smoothing(
    low_hz: float, high_hz: float, sigma_s: float
) -> None:
    """As two equal normal densities have one maximum: 0.02 s, and of narrow bands as much as their width asks for."""
    for apart_s, at_s in ((1.5 * sigma_s, 0.5 + 0.75 * sigma_s), (2.6 * sigma_s, 0.5)):
        x = np.zeros(2 * RATE)
        x[RATE // 2], x[RATE // 2 + round(apart_s * RATE)] = 1.0, 0.98
        bands = band_times(fft.rfft(x)[np.newaxis], 0.5)
        found_s = bands.strongest_s[0, (bands.centres_hz > low_hz) & (bands.centres_hz < high_hz)]
        assert found_s == pytest.approx(at_s, abs=0.35 * sigma_s)  # the two answers are 0.75 sigma or more apart


# --- the parts, on times written by hand ---------------------------------------------------------------------------

LOUD = np.zeros(12)


@pytest.mark.parametrize(
    ("times_s", "levels_db", "period_s", "expected"),
    [
        # Within 0.25 s: one impulse response, even with a third of the bands anywhere.
        (np.full(12, 0.03), LOUD, 3.0, Shape.COMPACT),
        (np.r_[np.full(8, 0.03), 1.0, 2.0, 0.4, 1.7], LOUD, 3.0, Shape.COMPACT),
        (np.r_[np.full(7, 0.03), 1.0, 0.6, 2.0, 0.4, 1.7], LOUD, 3.0, Shape.SPREAD),
        (np.linspace(0.1, 0.3, 12), LOUD, 3.0, Shape.COMPACT),
        # One band after the other over seconds: a sweep, upward or downward, with one of six bands in no order.
        (np.linspace(0.1, 2.8, 12), LOUD, 3.0, Shape.SWEEP),
        (np.linspace(2.8, 0.1, 12), LOUD, 3.0, Shape.SWEEP),
        (np.r_[2.9, 2.8, np.linspace(0.1, 2.7, 10)], LOUD, 3.0, Shape.SWEEP),
        (np.r_[2.9, 2.8, 2.7, 2.6, np.linspace(0.1, 2.5, 8)], LOUD, 3.0, Shape.SPREAD),
        # Just before the end of the period is just before its beginning.
        (np.r_[np.full(6, 2.95), np.full(6, 0.05)], LOUD, 3.0, Shape.COMPACT),
        (np.r_[np.full(6, 2.80), np.full(6, 0.03)], LOUD, 3.0, Shape.SPREAD),  # and 0.2 s before it is not
        # Weak bands may be distortion of a lower tone: only strong ones count.
        (
            np.r_[np.linspace(0.1, 2.8, 7), 0.2, 0.1, 0.3, 0.1, 0.2],
            np.r_[np.zeros(7), np.full(5, -30.0)],
            3.0,
            Shape.SWEEP,
        ),
        # Fewer than three bands are not enough.
        (np.r_[0.1, 0.1, np.full(10, np.nan)], LOUD, 3.0, Shape.NOISE),
        (np.r_[0.1, 0.1, 0.1, np.full(9, np.nan)], LOUD, 3.0, Shape.COMPACT),
        (np.r_[0.1, 0.1, np.full(10, np.nan)], LOUD, 0.9, Shape.COMPACT),
    ],
)
def test_the_shape_follows_from_when_each_band_is_strongest(
    times_s: FloatArray, levels_db: FloatArray, period_s: float, expected: Shape
) -> None:
    shape, spread_s = compactness._shape(times_s, levels_db, period_s)
    assert shape is expected
    if shape is Shape.SWEEP:
        assert 2.5 < spread_s < 3.0
    elif shape is Shape.COMPACT and period_s > 1:
        assert spread_s <= 0.25


def test_the_order_of_bands_is_kendalls() -> None:
    rng = np.random.default_rng(1)
    for count in (4, 9):
        times_s = rng.normal(size=count)
        assert compactness._rank_correlation(times_s) == pytest.approx(
            kendalltau(np.arange(count), times_s).statistic
        )
    assert compactness._longest_run(np.array([3.0, 1.0, 2.0, 5.0, 4.0, 6.0])) == 4  # 1, 2, 5, 6
    assert compactness._longest_run(np.array([6.0, 1.0, 5.0, 4.0, 3.0, 2.0])) == 5  # 6, 5, 4, 3, 2


@pytest.mark.parametrize(
    ("ms_per_octave", "bands", "leans"), [(5.0, 10, True), (-5.0, 10, True), (3.0, 10, False), (5.0, 7, False)]
)
def test_a_lean_of_4_ms_an_octave_is_a_wrong_stimulus(ms_per_octave: float, bands: int, leans: bool) -> None:
    centres_hz = 300 * 2 ** (np.arange(12) / 2)
    times_s = 0.02 + ms_per_octave / 1000 * np.log2(centres_hz / 300)
    times_s[bands:] = np.nan
    assert compactness._has_slope(centres_hz, times_s) is leans
    times_s[bands - 2] += np.copysign(0.5, ms_per_octave)  # a reflection is strongest in one band
    assert compactness._has_slope(centres_hz, times_s) is leans


@pytest.mark.parametrize(("weaker_db", "expected"), [(0, Shape.SWEEP), (-35, Shape.COMPACT)])
def test_bands_that_are_nearly_noise_do_not_lean(weaker_db: float, expected: Shape) -> None:
    """A burst in each half octave, 6 ms an octave earlier than the one below; a subwoofer plays only those below 300 Hz."""
    time_s = np.arange(2 * RATE) / RATE
    x = np.zeros(len(time_s))
    for centre_hz in 1000.0 * 2.0 ** (np.arange(-8, 7) / 2):
        at_s = 0.1 - 0.006 * max(math.log2(centre_hz / 300), 0)
        gain_db = weaker_db if centre_hz > 300 else 0
        burst = np.sin(2 * np.pi * centre_hz * time_s) * np.exp(-(((time_s - at_s) / 0.01) ** 2))
        x += 10 ** (gain_db / 20) * burst
    ((shape, _),) = deconvolved_shapes(fft.rfft(x)[np.newaxis], 0.5)
    assert shape is expected


def test_a_band_leads_by_the_first_moment_within_10_db() -> None:
    power = np.array(
        [[0.0, 0.2, 0.05, 0.5, 1.0, 0.3], [0.9, 0.0, 0.0, 0.0, 1.0, 0.0], [1.0, 0.0, 0.0, 0.0, 0.0, 0.2]]
    )
    strongest = np.array([4, 4, 0])
    assert compactness._rise_samples(power, strongest, 4) == pytest.approx([3, 4, 1])  # the last one round the end
    assert compactness._rise_samples(power, strongest, 2) == pytest.approx([1, 0, 1])


def test_a_recording_of_less_than_a_second_is_compact_without_a_look() -> None:
    noise = np.random.default_rng(1).standard_normal(16000)
    assert compactness.shape_of(noise[:7900], 8000.0)[0] is Shape.COMPACT
    assert compactness.shape_of(noise, 8000.0)[0] is not Shape.COMPACT
