"""The cinema: room, seats, channels, processor, instruments, and what the processor holds in a round."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

Position = tuple[float, float, float]
"""Metres: x to the right facing the screen, y toward the rear, z up; origin on the floor below the screen centre."""

Role = Literal["screen", "surround", "height", "sub"]
Mount = Literal["front wall", "rear wall", "left wall", "right wall", "ceiling", "floor"]
Polarity = Literal["normal", "reversed"]
DelayUnit = Literal["ms", "m", "ft"]

AS_FOUND = "as-found"
AS_LEFT = "as-left"

_CENTRE_NAMES = ("centre", "center")
_CENTRE_LABELS = ("fc", "c", *_CENTRE_NAMES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Inner size of the room, metres."""

    length_m: float
    width_m: float
    height_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """One seat; `position_m` is where the ears are."""

    id: str
    name: str = ""
    position_m: Position | None = None
    weight: float = 1.0
    reference: bool = False
    back_top_m: float | None = None
    """Height of the top of its back above the origin, like the z of its ears; None: low enough to be out of every path."""


CrossoverType = Literal["linkwitz-riley", "butterworth"]
CROSSOVER_SLOPES_DB: Mapping[CrossoverType, range] = {
    "linkwitz-riley": range(12, 49, 12),
    "butterworth": range(6, 49, 6),
}
"""Slopes per octave, 6 dB for each order. A Linkwitz-Riley filter is a Butterworth filter of half its order applied
twice; 48 dB is the steepest in use (common practice, no source).
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossoverFilter:
    """Type and slope of a crossover's high-pass or low-pass, as named by the processor."""

    type: CrossoverType
    slope_db_per_octave: int
    """One of `CROSSOVER_SLOPES_DB`."""

    @property
    def text(self) -> str:
        """Type and slope as in "Linkwitz-Riley 24 dB/octave"."""
        return f"{self.type.title()} {self.slope_db_per_octave} dB/octave"


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One output of the processor and the loudspeaker on it."""

    id: str
    name: str = ""
    role: Role
    position_m: Position | None = None
    distance_m: float | None = None
    """Distance from the reference seat's ears by tape; it takes precedence over the position."""
    output: int | None = None
    high_pass_hz: float | None = None
    """The high-pass frequency in the processor; None if the channel runs full range or it is unknown."""
    high_pass: CrossoverFilter | None = None
    """The high-pass filter, if it differs from the processor's."""
    low_pass_hz: float | None = None
    """For a subwoofer: the low-pass frequency in the processor; None: none, or unknown."""
    low_pass: CrossoverFilter | None = None
    """The low-pass filter, if it differs from the processor's."""
    aim_m: Position | None = None
    """A point on its axis in front of it; None: unknown."""
    coverage_deg: float | None = None
    """Angle, edge to edge, within which its treble falls by 6 dB at most; None: unknown."""
    mount: Mount | None = None
    """The surface it is fixed to, so that a move keeps its distance from it; None: it stands free."""
    move_from_m: Position | None = None
    move_to_m: Position | None = None
    """Opposite corners of the space within which it may be moved; None: it must not be moved."""

    @property
    def is_sub(self) -> bool:
        """Whether the channel is a subwoofer."""
        return self.role == "sub"

    @property
    def is_centre(self) -> bool:
        """Whether this screen loudspeaker carries the dialogue, by its label or name."""
        named = self.id.casefold() in _CENTRE_LABELS or self.name.casefold().startswith(_CENTRE_NAMES)
        return self.role == "screen" and named

    @property
    def label(self) -> str:
        """The plain name if there is one, else the id."""
        return self.name or self.id

    @property
    def name_and_id(self) -> str:
        """Name and id as in "Centre (FC)"; the id alone if there is no name."""
        return f"{self.name} ({self.id})" if self.name and self.name != self.id else self.id


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """A box parallel to the walls that takes no loudspeaker and blocks direct sound: a column, a door."""

    id: str
    from_m: Position
    to_m: Position
    """Opposite corners."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimRange:
    """The range of a trim in the processor, dB."""

    min: float = -12.0
    max: float = 12.0
    step: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayRange:
    """The range of a delay or distance in the processor, in `unit`."""

    unit: DelayUnit = "m"
    min: float = 0.0
    max: float = 18.0
    step: float = 0.03

    @property
    def word(self) -> str:
        """The processor's name for such a setting."""
        return "delay" if self.unit == "ms" else "distance"


FilterWidth = Literal["q", "pole-q", "octaves"]
"""How a processor defines the width of a parametric filter: "q": f₀ over the bandwidth between the points of half the
gain in dB; "pole-q": f₀ over the bandwidth 3 dB below the top of a large boost; "octaves": the first bandwidth in
octaves.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """A range from the least to the largest value, in steps."""

    min: float
    max: float
    step: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterRanges:
    """The ranges of a parametric filter in the processor."""

    width: FilterWidth = "q"
    frequency_hz: Steps = Steps(min=20.0, max=250.0, step=1.0)
    gain_db: Steps = Steps(min=-12.0, max=6.0, step=0.5)
    widths: Steps = Steps(min=0.5, max=10.0, step=0.1)
    """In the definition that `width` names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """A parametric filter as entered in the processor."""

    frequency_hz: float
    gain_db: float
    width: float
    """In the processor's definition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The desired bass level over frequency, relative to any level: points, or a straight line."""

    points: tuple[tuple[float, float], ...] = ()
    """(frequency in Hz, level in dB), frequencies rising."""
    slope_db_per_octave: float = 0.0
    """Slope of the line if there are no points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Processor:
    """The processor's abilities and its calibration."""

    model: str = ""
    trim_db: TrimRange = field(default_factory=TrimRange)
    delay: DelayRange = field(default_factory=DelayRange)
    reference_spl_db: float = 75.0
    """Meter reading of a calibrated main channel with the processor's test noise, C-weighted, slow."""
    sub_reference_spl_db: float | None = None
    """Meter reading for subwoofers; None: as for the mains."""
    sub_reference_for: Literal["together", "each", "processor"] | None = None
    """What that reading refers to: all subwoofers playing at once; each alone; all at once, with the processor
    setting each relative to the others. None: unknown, and each alone is compared with it.
    """
    reference_basis: str = ""
    """The source of that reference; empty: looked up among the conventions of the trade."""
    speed_of_sound_m_s: float | None = None
    """The processor's speed of sound for turning distances into delays; None: unknown."""
    crossovers_hz: tuple[float, ...] = ()
    high_pass: CrossoverFilter | None = None
    """Filter of every main channel with a high-pass, unless entered for the channel; None: unknown."""
    low_pass: CrossoverFilter | None = None
    """Filter of every subwoofer with a low-pass, unless entered for the channel; None: unknown."""
    parametric_bands: int | None = None
    """Number of parametric filters of each channel."""
    filters: FilterRanges | None = None
    """The ranges of these filters; None: not entered."""
    sweeps_pass_delays: bool = True
    """Whether imported sweeps ran through the processor with its delays active."""


InstrumentKind = Literal["meter", "microphone", "calibrator", "tape", "thermometer"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """A measuring instrument with its accuracy and calibration."""

    kind: InstrumentKind
    model: str = ""
    serial: str = ""
    accuracy_class: Literal[1, 2] | None = None
    """Class 1 or 2 of IEC 61672-1; `class` in the job definition."""
    calibrated: dt.date | None = None
    resolution: float | None = None
    """Smallest step of the display, dB, metres or °C."""
    support: Literal["hand", "stand"] | None = None
    """Meter: held by hand or on a stand while it is read; None: by hand."""
    level_offset_db: float | None = None
    """Microphone: added to the level of an imported response to obtain dB SPL; None: levels stay relative."""
    full_scale_db: float | None = None
    """Microphone: dB SPL of a recording with an rms of 1.0 (full scale) at the gain in use; None: unknown."""
    self_noise_db: float | None = None
    """Microphone or meter: its self-noise, dB(A); None: unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """An exponential sine sweep (Farina 2000; synchronised: Novak et al. 2015)."""

    start_hz: float = 20.0
    stop_hz: float = 20000.0
    duration_s: float = 6.0
    rate_hz: int = 48000
    synchronised: bool = True
    level_dbfs: float = 0.0
    """Peak of the sweep re full scale as it was played."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A band of frequencies in which seats are compared, hertz."""

    low_hz: float
    high_hz: float

    @property
    def label(self) -> str:
        """Low and high in hertz, as in "20-80"."""
        return f"{self.low_hz:g}-{self.high_hz:g}"


DEFAULT_BANDS = (
    Band(low_hz=20, high_hz=80),
    Band(low_hz=80, high_hz=300),
    Band(low_hz=300, high_hz=3000),
    Band(low_hz=3000, high_hz=16000),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """The processor's settings for one channel in a round; None: not noted."""

    round: str
    channel: str
    trim_db: float | None = None
    distance: float | None = None
    """Distance in the processor's own unit, which may be milliseconds."""
    polarity: Polarity | None = None
    filters: tuple[Filter, ...] | None = None


def merge_settings(old: Setting | None, new: Setting) -> Setting:
    """The setting `new` over `old`: fields that are None keep the older value."""
    if old is None:
        return new
    return replace(
        old,
        trim_db=old.trim_db if new.trim_db is None else new.trim_db,
        distance=old.distance if new.distance is None else new.distance,
        polarity=old.polarity if new.polarity is None else new.polarity,
        filters=old.filters if new.filters is None else new.filters,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """Everything entered in the Site step: names, equipment, channels, seats."""

    title: str
    client: str = ""
    place: str = ""
    technician: str = ""
    temperature_c: float = 20.0
    units: Literal["metric", "imperial"] = "metric"
    room: Room | None = None
    processor: Processor = field(default_factory=Processor)
    channels: tuple[Channel, ...] = ()
    seats: tuple[Seat, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    bands: tuple[Band, ...] = DEFAULT_BANDS
    sweep: Sweep | None = None
    """Parameters of the sweep used for recordings without a stimulus file."""
    target: Target | None = None
    """The desired bass level; None: only evenness is required."""

    def channel(self, channel_id: str) -> Channel | None:
        """The channel of that id, or None."""
        return next((channel for channel in self.channels if channel.id == channel_id), None)

    def seat(self, seat_id: str) -> Seat | None:
        """The seat of that id, or None."""
        return next((seat for seat in self.seats if seat.id == seat_id), None)

    def high_pass(self, channel: Channel) -> CrossoverFilter | None:
        """The high-pass of a channel; None if it has none, or its type is not entered."""
        return None if channel.high_pass_hz is None else channel.high_pass or self.processor.high_pass

    def low_pass(self, channel: Channel) -> CrossoverFilter | None:
        """The low-pass of a subwoofer; None if it has none, or its type is not entered."""
        return None if channel.low_pass_hz is None else channel.low_pass or self.processor.low_pass

    @property
    def centre(self) -> Channel | None:
        """The screen loudspeaker that carries the dialogue, by its label rather than its name; None if there is none."""
        centres = [channel for channel in self.channels if channel.is_centre]
        return min(centres, key=lambda channel: channel.id.casefold() not in _CENTRE_LABELS, default=None)

    @property
    def reference_seat(self) -> Seat | None:
        """The seat marked as reference, else the first, else None."""
        return next((seat for seat in self.seats if seat.reference), self.seats[0] if self.seats else None)

    def seat_weights(self, seats: Sequence[str]) -> list[float]:
        """The weights of these seats; all equal if fewer than two of them have any: one seat has no variance."""
        weights = [1.0 if (found := self.seat(seat)) is None else found.weight for seat in seats]
        return weights if sum(weight > 0 for weight in weights) > 1 else [1.0] * len(seats)

    def instrument(self, kind: InstrumentKind) -> Instrument | None:
        """The first instrument of that kind, or None."""
        return next((instrument for instrument in self.instruments if instrument.kind == kind), None)
