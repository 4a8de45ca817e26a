"""Event bodies, the entries of the log. Each is stored as JSON under its kind and never changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from commission.model.checklist import Checklist
from commission.model.issued_sheet import SheetIssued
from commission.model.limits import LimitsProfile
from commission.model.stored_verdicts import StoredVerdicts
from commission.model.system import Setting, Sweep, System

ResponseKind = Literal["impulse", "sweep", "noise", "response"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobCreated:
    """The first event of every log."""

    title: str
    program_version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemDefined:
    """The whole system; the newest one counts."""

    system: System
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundOpened:
    """A round of measurements begins and becomes the current one."""

    round: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingEntered:
    """Settings of the processor; fields left None keep the value of an earlier entry."""

    setting: Setting
    applied: bool = False
    """Ticked on the settings sheet: entered in the processor, not merely noted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingEntered:
    """One hand-entered number."""

    round: str
    step: str
    channel: str | None = None
    seat: str | None = None
    quantity: str
    """What was read, from the step's plan: "level", "distance", "temperature" …"""
    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseStored:
    """An imported or recorded response or noise; the file's bytes are stored with it under `blob_sha256`."""

    round: str
    channel: str
    """Empty for the room's own noise; for noise made by a loudspeaker, its channel."""
    seat: str
    kind: ResponseKind
    file_name: str
    file_sha256: str
    """Digest of the stored bytes."""
    original_sha256: str | None = None
    """Digest of the file that they were decoded from, if that is not stored."""
    file_channel: int = 0
    """Channel of a multichannel file, from 0."""
    rate_hz: float | None = None
    frames: int | None = None
    clock: str | None = None
    """Responses with the same value share a time origin; None: no common clock."""
    origin_frame: float = 0.0
    """The frame at which the excitation began (impulse responses: sample of time zero)."""
    passes_delays: bool = True
    """Whether the processor's delays were active while this was measured."""
    sweep: Sweep | None = None
    stimulus_sha256: str | None = None
    loopback_channel: int | None = None
    """Channel of the file with the recorded loopback, from 0, which replaces a stimulus."""
    source: Literal["file", "rig", "rehearsal"] = "file"
    state: str | None = None
    """For noise: what was switched on, in the technician's words."""
    drive_db: float | None = None
    """Playback level relative to the reference level; None: not stated, taken as the reference level."""
    clock_problem: str | None = None
    """Why the clock given with it was not stored, as a clause; None if none was given or it was stored."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StimulusStored:
    """The WAV that was played, stored once; sweeps refer to it by its SHA-256."""

    file_name: str
    file_sha256: str
    rate_hz: float
    frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """A remark of the technician."""

    step: str
    round: str | None = None
    text: str


ActionKind = Literal["repaired", "adjusted", "replaced", "accepted", "later"]
"""The action on a finding: "accepted" by the client as it is, "later" with the reason in the note."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionLogged:
    """An action on a finding; the event's time says when."""

    round: str
    """The round in which the finding was looked at."""
    finding: str
    """Id of the finding, such as "wiring.polarity"."""
    title: str
    """The title of the finding at that time, so that the log can be read without the program."""
    channels: tuple[str, ...] = ()
    seats: tuple[str, ...] = ()
    action: ActionKind
    by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoAttached:
    """A photograph of a step; the picture, scaled down and without position data, is stored with it."""

    step: str
    round: str | None = None
    caption: str
    file_name: str
    file_sha256: str
    """Digest of the stored picture, not of the original file."""
    media_type: Literal["image/jpeg", "image/png"]
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierFigure:
    """One value of an earlier visit, with its standard uncertainty if known."""

    quantity: str
    """Name with the unit at the end: "level_db", "trim_db", "arrival_ms" …"""
    channel: str | None = None
    seat: str | None = None
    value: float
    uncertainty: float | None = None
    """Standard uncertainty, without the part shared with a later visit, which cancels in the difference."""
    dof: float | None = None
    """Degrees of freedom of the uncertainty; None where their number is too large to matter."""
    over: tuple[str, ...] = ()
    """The seats over which a value was taken, if several."""
    heard_hz: tuple[float, float] | None = None
    """For a band: the part in which the loudspeaker played; None if it was not kept."""
    passes_delays: bool = True
    """For responses: whether they ran through the processor, and so through trims, delays and polarity."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierVisit:
    """The job to which this one returns, in its final state."""

    file_name: str
    title: str
    digest: str
    round: str
    """The last round of that visit, the source of the figures."""
    closed_at: str
    """Time of the last event of that visit, UTC, ISO 8601."""
    program_version: str
    meter: str = ""
    """The level meter that was used: if it is used again, its class is left out of a comparison."""
    not_typed_in: tuple[str, ...] = ()
    """Channels whose settings as left were never ticked as entered in the processor."""
    figures: tuple[EarlierFigure, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """A choice among alternatives, such as the common offset of the trims."""

    round: str
    step: str
    key: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsChosen:
    """All limits of this job; the newest event counts."""

    profile: LimitsProfile


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecklistChosen:
    """The whole checklist of this job; the newest event counts."""

    checklist: Checklist


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """The person who takes responsibility for the record."""

    role: Literal["technician", "client"]
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn:
    """An earlier event no longer counts; it stays in the log. Withdrawing a withdrawal restores it."""

    seq: int
    reason: str = ""


EventBody = (
    JobCreated
    | SystemDefined
    | RoundOpened
    | SettingEntered
    | ReadingEntered
    | ResponseStored
    | StimulusStored
    | Noted
    | ActionLogged
    | PhotoAttached
    | EarlierVisit
    | Decided
    | LimitsChosen
    | ChecklistChosen
    | SheetIssued
    | StoredVerdicts
    | Signed
    | Withdrawn
)

EVENT_KINDS: dict[str, type[EventBody]] = {
    "job-created": JobCreated,
    "system-defined": SystemDefined,
    "round-opened": RoundOpened,
    "setting-entered": SettingEntered,
    "reading-entered": ReadingEntered,
    "response-stored": ResponseStored,
    "stimulus-stored": StimulusStored,
    "noted": Noted,
    "action-logged": ActionLogged,
    "photo-attached": PhotoAttached,
    "earlier-visit": EarlierVisit,
    "decided": Decided,
    "limits-chosen": LimitsChosen,
    "checklist-chosen": ChecklistChosen,
    "sheet-issued": SheetIssued,
    "judged": StoredVerdicts,
    "signed": Signed,
    "withdrawn": Withdrawn,
}
"""Kind as stored → its type."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One row of the log."""

    seq: int
    at: str
    """UTC, ISO 8601 with milliseconds."""
    body: EventBody
    blob_sha256: str | None = None
    digest: str = ""
    """SHA-256 of this row chained to the previous one, hex."""
