"""The predictions of a settings sheet when it was issued, logged so that the next measurement can be compared with them."""

from __future__ import annotations

from dataclasses import dataclass

from commission.model.system import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSeat:
    """Predicted values of a channel at one seat with the new settings; None if not determined."""

    seat: str
    level_db: float | None = None
    arrival_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetChannel:
    """Settings of one channel, and the predicted values."""

    channel: str
    round: str
    """The round from whose responses the prediction was calculated."""
    old: Setting
    """Setting in that round."""
    new: Setting
    """Setting by the sheet; unchanged where the sheet proposes nothing."""
    seats: tuple[SheetSeat, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBassSeat:
    """Mean bass level at a seat relative to the mean of the seats."""

    seat: str
    deviation_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBass:
    """Predicted bass of all subwoofers together."""

    round: str
    sd_db: float
    """Seat-to-seat standard deviation."""
    output_db: float
    seats: tuple[SheetBassSeat, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetIssued:
    """The content of a settings sheet when it was first printed, written or ticked."""

    channels: tuple[SheetChannel, ...]
    bass: SheetBass | None = None
    program_version: str
