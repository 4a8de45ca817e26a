"""Sampled sound, responses and the results of their analysis. Arrays are read-only; the last axis is time."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeAlias

from commission.model.errors import CommissionError

if TYPE_CHECKING:  # the first screen is painted without numpy, which loads with the first array
    import numpy as np
    from numpy.typing import NDArray

FloatArray: TypeAlias = "NDArray[np.floating[Any]]"
ComplexArray: TypeAlias = "NDArray[np.complexfloating[Any, Any]]"


FULL_SCALE, LOOPBACK = "full scale", "the loopback"
SOUND_PRESSURE, RELATIVE, UNSTATED = "20 µPa (dB SPL)", "a relative level", "a level that the file does not state"
"""References of levels: full scale of what was played, the signal as it was recorded electrically, sound pressure, a
level of the author's own, and none that the file names."""


def freeze(array: Any, dtype: Any = None) -> NDArray[Any]:
    """A read-only view of `array`, copied only if `dtype` requires it."""
    import numpy as np

    frozen = np.asarray(array, dtype=dtype).view()
    frozen.setflags(write=False)
    return frozen


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Signal:
    """Samples [shape=(channels, n)] at `rate_hz`; unit "FS" (full scale 1.0) or "Pa"."""

    samples: FloatArray
    rate_hz: float
    unit: Literal["FS", "Pa"] = "FS"

    def __post_init__(self) -> None:
        import numpy as np

        samples = np.atleast_2d(np.asarray(self.samples))
        if samples.ndim != 2:
            raise ValueError(f"samples must be (channels, n), got shape {samples.shape}")
        object.__setattr__(self, "samples", freeze(samples))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SweepRecording:
    """A raw recording of a sweep with its stimulus, for the analysis of distortion and rattles."""

    samples: FloatArray
    """The recorded samples. [shape=(n,)]"""
    deconvolved: FloatArray
    """Circularly deconvolved: time zero first, harmonics wrap to the end. [shape=(length,)]"""
    stimulus: FloatArray
    """The stimulus that was played. [shape=(m,)]"""
    stimulus_deconvolved: FloatArray
    """The stimulus deconvolved by itself. [shape=(length,)]"""
    rate_hz: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Response:
    """The response of one loudspeaker at one seat: an impulse response, or levels (and phase) over frequency.

    With `impulse` [shape=(n,)]: sample k is heard at `t0_s + k / rate_hz` after the excitation began (the time axis
    of its clock). Without: `freq_hz`, `level_db` and perhaps `phase_rad` [shape=(n,)].
    """

    impulse: FloatArray | None = None
    rate_hz: float | None = None
    t0_s: float = 0.0
    freq_hz: FloatArray | None = None
    level_db: FloatArray | None = None
    phase_rad: FloatArray | None = None
    reference: str = FULL_SCALE
    """Reference of its levels; levels with different references are not compared."""
    noise: FloatArray | None = None
    """A part of the same deconvolved recording without the response, if there is one; for a noise recording, all of
    it. [shape=(m,)]
    """
    peak_fs: float | None = None
    """Largest sample of the raw recording re full scale."""
    clipped: bool | None = None
    """Whether the raw recording clipped (see dsp.noise); None if only its impulse response is known."""
    recording: SweepRecording | None = None
    """The raw recording it was made from, if distortion and rattles are to be analysed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadAnalysis:
    """Distortion and rattles from the recording of one sweep (see dsp.load). Frequencies are those of the sweep."""

    harmonics_db: Mapping[int, Mapping[int, float]] = field(default_factory=dict)
    """By order and nominal third octave, Hz: level relative to the fundamental, if above the floor."""
    floors_db: Mapping[int, Mapping[int, float]] = field(default_factory=dict)
    """Floors of `harmonics_db`, by order and third octave: a harmonic below its floor is not found."""
    bursts_db: tuple[tuple[float, float], ...] = ()
    """(Hz, dB) by twelfth of an octave: treble far above the exciting frequency, relative to its neighbours."""
    why: Mapping[str, str] = field(default_factory=dict)
    """Why there are no "harmonics" or "bursts", in one clause."""


class RoomSound(NamedTuple):
    """The first part of a main channel's response, at one sample rate and on one time axis for all (see dsp.leakage)."""

    first: int
    """Time of its first sample after the origin of the clock, in samples of `dsp.leakage.ROOM_RATE_HZ`."""
    samples: FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Analysis:
    """The results of analysing one response. `freq_hz` is the same fixed grid for all responses of a job (see
    dsp.analysis).

    Every value that cannot be determined is None, and `why[name]` says why in one clause.
    """

    freq_hz: FloatArray
    third_octave_db: FloatArray
    """Level, power-smoothed over one third octave, on the grid; NaN outside the measured range. [shape=(n,)]"""
    view_db: FloatArray
    """Level smoothed over 1/12 octave for plots, on the grid. [shape=(n,)]"""
    bass_freq_hz: FloatArray
    bass: ComplexArray | None
    """Complex response from 10 to 320 Hz, phase re the clock's origin, for summing subwoofers. [shape=(m,)]"""
    level_db: float | None
    """10·lg of the pink-weighted mean of |H|²: 500–2000 Hz, subwoofers 30–80 Hz."""
    level_u_db: float = 0.0
    """Standard uncertainty common to all its levels, from a correction for a changed gain."""
    octave_db: Mapping[int, float]
    """Pink-weighted level by octave band centre, Hz."""
    arrival_s: float | None
    arrival_u_s: float = 0.0
    polarity: int | None = None
    """Sign relative to its own minimum phase. A crossover can turn it, so it alone does not show the wiring."""
    direct: FloatArray | None = None
    """Main channels: the direct sound from 2 ms before to 12 ms after the arrival at 24 kHz. [shape=(336,)]"""
    snr_db: float | None = None
    """Signal-to-noise ratio over half a second, broadband within the loudspeaker's band."""
    noise_db: FloatArray | None = None
    """Noise over half a second by third octave on the grid, comparable with `third_octave_db`; NaN where the response
    still decays at its end. [shape=(n,)]
    """
    low_hz: float | None = None
    high_hz: float | None = None
    """Bandwidth: where the third-octave level last falls 10 dB below the mid-band level."""
    clipped: bool | None = None
    reference: str = FULL_SCALE
    """Reference of its levels."""
    reflections: tuple[tuple[float, float], ...] | None = None
    """Early reflections of a main channel, strongest first: (delay after the direct sound [s], level re the direct
    sound [dB]) from 1 to 8 kHz within 15 ms; None if they cannot be determined.
    """
    modulation: FloatArray | None = None
    """For the loudspeaker that carries the dialogue: modulation transfer of speech, octaves 125 Hz to 8 kHz by 14
    frequencies (see dsp.speech). [shape=(7, 14)]
    """
    c50_db: Mapping[int, float] = field(default_factory=dict)
    """Main channels: early-to-late energy ratio by octave centre, Hz (see dsp.clarity)."""
    t20_s: Mapping[int, float] = field(default_factory=dict)
    """Main channels: decay time by octave centre, if valid (see dsp.decay)."""
    edt_s: Mapping[int, float] = field(default_factory=dict)
    """Main channels: early decay time by octave centre, if valid."""
    t20_doubt: Mapping[int, str] = field(default_factory=dict)
    """Octaves without a valid T20: the name of the reason in dsp.decay.Doubt."""
    has_phase: bool = True
    why: Mapping[str, str] = field(default_factory=dict)
    peak_db: float | None = None
    """Largest sample of an impulse response [dB re full scale]."""
    tail_db: FloatArray | None = None
    """Level of its tail like `noise_db`, also where it still decays: an upper bound of the noise. [shape=(n,)]"""
    room: RoomSound | None = None
    """Main channels: the response from 22 ms before to 178 ms after the arrival, up to 6 kHz."""
    load: LoadAnalysis | None = None
    """Distortion and rattles, if they were requested and the response is a raw sweep."""


@dataclass(frozen=True, slots=True)
class AnalysedResponse:
    """One stored response with its analysis, or the reason why there is none."""

    seq: int
    round: str
    channel: str
    seat: str
    clock: str | None
    passes_delays: bool
    analysis: Analysis | None
    problem: str | None = None
    drive_db: float = 0.0
    """Playback level relative to the reference level."""


class SpectralLine(NamedTuple):
    """A tone in a spectrum of noise."""

    frequency_hz: float
    level_db: float
    """Level of the tone alone."""
    above_db: float
    """Level of its bin above the median of the spectrum around it."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NoiseAnalysis:
    """The results of analysing a noise recording (see dsp.background). Levels are dB re an rms of full scale."""

    seconds: float
    used_s: float
    """Its duration without the half seconds in which something else was loud."""
    steady: bool
    """False if its level changes for more than a quarter of the time: everything is then used."""
    third_octave_hz: FloatArray
    """Nominal centres, 20 Hz to 10 kHz. [shape=(n,)]"""
    third_octave_db: FloatArray
    """NaN for a band that was not recorded. [shape=(n,)]"""
    octave_db: Mapping[int, float]
    """31.5 Hz (named 31) to 8 kHz, up to the limit of the sample rate."""
    octave_u_db: Mapping[int, float]
    """Standard deviation of each octave level from the limited duration."""
    a_db: float
    c_db: float
    hum_hz: float | None
    """Measured mains frequency; None: no hum was found, or `why["hum"]`."""
    hum_lines: tuple[SpectralLine, ...] = ()
    tones: tuple[SpectralLine, ...] = ()
    clipped: bool = False
    why: Mapping[str, str] = field(default_factory=dict)

    @property
    def excluded_s(self) -> float:
        """Duration that was left out [s]."""
        return self.seconds - self.used_s


@dataclass(frozen=True, slots=True)
class AnalysedNoise:
    """One stored noise recording with its analysis, or the reason why there is none."""

    seq: int
    round: str
    seat: str
    state: str
    analysis: NoiseAnalysis | None
    problem: str | None = None
    channel: str = ""
    """The loudspeaker that makes the noise; empty for the noise of the room."""


class Analyses:
    """The analysed responses and noise recordings of a job, in the order stored; immutable."""

    def __init__(
        self,
        items: Iterable[AnalysedResponse] = (),
        noises: Iterable[AnalysedNoise] = (),
        driven: Iterable[AnalysedResponse] = (),
        channel_noises: Iterable[AnalysedNoise] = (),
    ) -> None:
        self._items = tuple(items)
        self.noises = tuple(noises)
        """Noise recordings of the room."""
        self.driven = tuple(driven)
        """Responses at a level other than the reference level, which are not repeats of the others."""
        self.channel_noises = tuple(channel_noises)
        """Noise recordings of single loudspeakers."""
        self._by_place: dict[tuple[str, str, str], list[AnalysedResponse]] = {}
        for item in self._items:
            self._by_place.setdefault((item.round, item.channel, item.seat), []).append(item)

    def __iter__(self) -> Any:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    @property
    def count(self) -> int:
        """Number of recordings of any kind."""
        return len(self._items) + len(self.noises) + len(self.driven) + len(self.channel_noises)

    def only(self, seqs: Container[int]) -> Analyses:
        """The analyses of some recordings."""
        return Analyses(
            (each for each in self._items if each.seq in seqs),
            (each for each in self.noises if each.seq in seqs),
            (each for each in self.driven if each.seq in seqs),
            (each for each in self.channel_noises if each.seq in seqs),
        )

    def repeats(self, round_id: str, channel: str, seat: str) -> tuple[AnalysedResponse, ...]:
        """Every usable response of one place, oldest first: repeats of the same measurement."""
        return tuple(item for item in self._by_place.get((round_id, channel, seat), ()) if item.analysis is not None)

    def problems(self, round_id: str, channel: str, seat: str) -> tuple[str, ...]:
        """Why stored responses of one place are unusable."""
        return tuple(
            item.problem
            for item in self._by_place.get((round_id, channel, seat), ())
            if item.analysis is None and item.problem
        )

    def of(self, round_id: str, channel: str, seat: str) -> Analysis | None:
        """The newest usable response of one place; None if there is none."""
        found = self.repeats(round_id, channel, seat)
        return found[-1].analysis if found else None


class UnusableError(CommissionError):
    """A stored recording that cannot be turned into a response; its text gives the reason."""
