"""Sampled sound, responses and the results of their analysis. Arrays are read-only; the last axis is time."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeAlias

from commission.model.errors import CommissionError

if TYPE_CHECKING:  # the first screen is painted without numpy: it loads with the first array
    import numpy as np
    from numpy.typing import NDArray

FloatArray: TypeAlias = "NDArray[np.floating[Any]]"
ComplexArray: TypeAlias = "NDArray[np.complexfloating[Any, Any]]"


FULL_SCALE, LOOPBACK = "full scale", "the loopback"
SOUND_PRESSURE, RELATIVE, UNSTATED = "20 µPa (dB SPL)", "a relative level", "a level that the file does not state"
"""References of levels: full scale of what was played, the signal as it was recorded electrically, sound pressure, a
level of the author's own, and none that the file names."""


def freeze(array: Any, dtype: Any = None) -> NDArray[Any]:
    """A read-only view of `array` (copied only where `dtype` asks for it)."""
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
    """A raw recording of a sweep with what was played: what harmonics and rattles are read from."""

    samples: FloatArray
    """As recorded. [shape=(n,)]"""
    deconvolved: FloatArray
    """Circularly deconvolved: time zero first, harmonics wrap to the end. [shape=(length,)]"""
    stimulus: FloatArray
    """What was played. [shape=(m,)]"""
    stimulus_deconvolved: FloatArray
    """The stimulus deconvolved by itself. [shape=(length,)]"""
    rate_hz: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Response:
    """One loudspeaker heard at one seat: an impulse response, or levels (and phase) over frequency.

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
    """What its levels are relative to; levels of two references are not compared with each other."""
    noise: FloatArray | None = None
    """A part of the same deconvolved recording without the response, where there is one; of a recording of noise, all of
    it. [shape=(m,)]"""
    peak_fs: float | None = None
    """Largest sample of the raw recording re full scale."""
    clipped: bool | None = None
    """Whether the raw recording clipped (see dsp.noise); None where only its impulse response is known."""
    recording: SweepRecording | None = None
    """The recording that it was made of, where distortion and rattles are asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadAnalysis:
    """Distortion and rattles from the recording of one sweep (see dsp.load). Frequencies are those of the sweep."""

    harmonics_db: Mapping[int, Mapping[int, float]] = field(default_factory=dict)
    """By order and nominal third octave, Hz: level relative to the fundamental, where it is above the floor."""
    floors_db: Mapping[int, Mapping[int, float]] = field(default_factory=dict)
    """The same of the floor: a harmonic below it is not found."""
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
    """What one response says. `freq_hz` is one fixed grid for all responses of a job (see dsp.analysis).

    Every value that cannot be determined is None, and `why[name]` says why in one clause.
    """

    freq_hz: FloatArray
    third_octave_db: FloatArray
    """Level, power-smoothed over one third octave, on the grid; NaN outside what was measured. [shape=(n,)]"""
    view_db: FloatArray
    """Level smoothed over 1/12 octave for plots, on the grid. [shape=(n,)]"""
    bass_freq_hz: FloatArray
    bass: ComplexArray | None
    """Complex response from 10 to 320 Hz, phase re the clock's origin: what subs are summed from. [shape=(m,)]"""
    level_db: float | None
    """10·lg of the pink-weighted mean of |H|²: 500–2000 Hz, subwoofers 30–80 Hz."""
    level_u_db: float = 0.0
    """Standard uncertainty that all of its levels share because a changed gain was corrected."""
    octave_db: Mapping[int, float]
    """Pink-weighted level by octave band centre, Hz."""
    arrival_s: float | None
    arrival_u_s: float = 0.0
    polarity: int | None = None
    """Sign against its own minimum phase, which a crossover can turn: alone it says nothing about the wiring."""
    direct: FloatArray | None = None
    """Main channels: the direct sound from 2 ms before to 12 ms after the arrival at 24 kHz. [shape=(336,)]"""
    snr_db: float | None = None
    """Signal to noise over half a second, broadband within the loudspeaker's band."""
    noise_db: FloatArray | None = None
    """Noise over half a second by third octave on the grid, comparable with `third_octave_db`; NaN where the response
    still decays at its end. [shape=(n,)]"""
    low_hz: float | None = None
    high_hz: float | None = None
    """Bandwidth: where the third-octave level last falls 10 dB below the mid-band level."""
    clipped: bool | None = None
    reference: str = FULL_SCALE
    """What its levels are relative to."""
    reflections: tuple[tuple[float, float], ...] | None = None
    """Early reflections of a main channel, strongest first: (after the direct sound [s], against it [dB]) from 1 to 8 kHz
    within 15 ms; None where they cannot be determined."""
    modulation: FloatArray | None = None
    """Of the loudspeaker that carries the dialogue: what the room leaves of the modulation of speech, octaves 125 Hz to
    8 kHz by 14 frequencies (see dsp.speech). [shape=(7, 14)]"""
    c50_db: Mapping[int, float] = field(default_factory=dict)
    """Main channels: early against late energy by octave centre, Hz (see dsp.clarity)."""
    t20_s: Mapping[int, float] = field(default_factory=dict)
    """Main channels: decay time by octave centre, where it is valid (see dsp.decay)."""
    edt_s: Mapping[int, float] = field(default_factory=dict)
    """Main channels: early decay time, likewise."""
    t20_doubt: Mapping[int, str] = field(default_factory=dict)
    """Octaves without a valid T20: the name of the reason in dsp.decay.Doubt."""
    has_phase: bool = True
    why: Mapping[str, str] = field(default_factory=dict)
    peak_db: float | None = None
    """Largest sample of an impulse response [dB re full scale]."""
    tail_db: FloatArray | None = None
    """Of its tail, as `noise_db`, also where that still decays: the noise is not above it. [shape=(n,)]"""
    room: RoomSound | None = None
    """Main channels: the response from 22 ms before to 178 ms after the arrival, up to 6 kHz."""
    load: LoadAnalysis | None = None
    """Distortion and rattles, where they were asked for and the response is a raw sweep."""


@dataclass(frozen=True, slots=True)
class AnalysedResponse:
    """One stored response with its analysis, or the reason why it has none."""

    seq: int
    round: str
    channel: str
    seat: str
    clock: str | None
    passes_delays: bool
    analysis: Analysis | None
    problem: str | None = None
    drive_db: float = 0.0
    """How much louder it was played than at the reference level."""


class SpectralLine(NamedTuple):
    """A tone in a spectrum of noise."""

    frequency_hz: float
    level_db: float
    """Level of the tone alone."""
    above_db: float
    """Height of its bin above the median of the spectrum around it."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NoiseAnalysis:
    """What a recording of the quiet room says (see dsp.background). Levels are dB re an rms of full scale."""

    seconds: float
    used_s: float
    """What is left of it without the half seconds in which something else was loud."""
    steady: bool
    """False where its level changes for more than a quarter of the time: everything is then used."""
    third_octave_hz: FloatArray
    """Nominal centres, 20 Hz to 10 kHz. [shape=(n,)]"""
    third_octave_db: FloatArray
    """NaN for a band that was not recorded. [shape=(n,)]"""
    octave_db: Mapping[int, float]
    """31.5 Hz (named 31) to 8 kHz, as far as the sample rate reaches."""
    octave_u_db: Mapping[int, float]
    """Standard deviation of each because the recording is short."""
    a_db: float
    c_db: float
    hum_hz: float | None
    """Frequency of the mains as measured; None: no hum was found, or `why["hum"]`."""
    hum_lines: tuple[SpectralLine, ...] = ()
    tones: tuple[SpectralLine, ...] = ()
    clipped: bool = False
    why: Mapping[str, str] = field(default_factory=dict)

    @property
    def excluded_s(self) -> float:
        """How much was left out."""
        return self.seconds - self.used_s


@dataclass(frozen=True, slots=True)
class AnalysedNoise:
    """One stored recording of noise with its analysis, or the reason why it has none."""

    seq: int
    round: str
    seat: str
    state: str
    analysis: NoiseAnalysis | None
    problem: str | None = None
    channel: str = ""
    """The loudspeaker that makes it; empty for the noise of the room."""


class Analyses:
    """The analysed responses and recordings of noise of a job, in the order stored; immutable."""

    def __init__(
        self,
        items: Iterable[AnalysedResponse] = (),
        noises: Iterable[AnalysedNoise] = (),
        driven: Iterable[AnalysedResponse] = (),
        channel_noises: Iterable[AnalysedNoise] = (),
    ) -> None:
        self._items = tuple(items)
        self.noises = tuple(noises)
        """Of the room."""
        self.driven = tuple(driven)
        """Responses at another level than the reference level: no repeats of the others."""
        self.channel_noises = tuple(channel_noises)
        """Of single loudspeakers."""
        self._by_place: dict[tuple[str, str, str], list[AnalysedResponse]] = {}
        for item in self._items:
            self._by_place.setdefault((item.round, item.channel, item.seat), []).append(item)

    def __iter__(self) -> Any:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    @property
    def count(self) -> int:
        """How many recordings of any kind."""
        return len(self._items) + len(self.noises) + len(self.driven) + len(self.channel_noises)

    def only(self, seqs: Container[int]) -> Analyses:
        """Those of some recordings."""
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
        """The newest usable response of one place, or None."""
        found = self.repeats(round_id, channel, seat)
        return found[-1].analysis if found else None


class UnusableError(CommissionError):
    """A stored recording that cannot be turned into a response; the text says why."""
