"""What a settings sheet predicted when it was issued, kept in the log: the next measurement is compared with it."""

from __future__ import annotations

from dataclasses import dataclass

from commission.model.system import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSeat:
    """What one seat should hear of a channel with the new settings; None where that was not determined."""

    seat: str
    level_db: float | None = None
    arrival_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetChannel:
    """Settings of one channel, and what follows from them."""

    channel: str
    round: str
    """The round whose responses the prediction follows."""
    old: Setting
    """Held in that round."""
    new: Setting
    """By the sheet; what the sheet does not change is as it was."""
    seats: tuple[SheetSeat, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBassSeat:
    """Mean level of the bass at a seat relative to the mean of the seats."""

    seat: str
    deviation_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBass:
    """What the seats should hear of all subwoofers together."""

    round: str
    sd_db: float
    """Seat-to-seat standard deviation."""
    output_db: float
    seats: tuple[SheetBassSeat, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetIssued:
    """A settings sheet was printed, written or ticked for the first time, with this content."""

    channels: tuple[SheetChannel, ...]
    bass: SheetBass | None = None
    program_version: str
