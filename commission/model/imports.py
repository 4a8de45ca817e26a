"""Files to be imported into a job: one row for each channel, for correction before anything is stored."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from commission.model.events import ResponseKind
from commission.model.system import Sweep


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportRow:
    """One channel of one file and its place in the job. Rows with a `problem` are not stored."""

    path: Path
    file_channel: int = 0
    round: str | None = None
    channel: str | None = None
    seat: str | None = None
    kind: ResponseKind | None = None
    state: str | None = None
    """For noise: what was switched on."""
    drive_db: float | None = None
    """Playback level relative to the reference level; None: not stated."""
    rate_hz: float | None = None
    frames: int | None = None
    sha256: str | None = None
    """Digest of the file's bytes at the survey."""
    stored_sha256: str | None = None
    """Digest of the WAV that is stored in place of the file."""
    new_round: bool = False
    """Whether it may open a round that the job does not have yet."""
    is_stimulus: bool = False
    """The stimulus: shown, and used for the recordings beside it."""
    loopback: int | None = None
    """Channel of the file with the recorded loopback, from 0."""
    stimulus: Path | None = None
    """The file to deconvolve a sweep with; None: the loopback, or the sweep's parameters."""
    shared_clock: bool = True
    skip: bool = False

    place_reason: str = ""
    """The source of round, channel and seat."""
    kind_reason: str = ""
    """The source of the kind."""
    kind_from_name: bool = False
    stimulus_name: str | None = None
    reference: str | None = None
    """What the levels of a text response are relative to."""
    onset_s: float | None = None
    """When the bass of the deconvolved recording is strongest, after the start of the stimulus; None if noise covers it."""
    peak_s: float | None = None
    """When the raw recording is strongest, after its first sample."""
    onset_treble_s: float | None = None
    peak_treble_s: float | None = None
    """When the treble of the deconvolved recording arrives; None if noise covers it."""
    undecided: bool = False
    """It may be an impulse response or a sweep; the kinds of neighbouring files decide."""
    samples_sha256: str | None = None
    """Digest of its samples, independent of the file format."""
    profile_db: tuple[float, ...] = ()
    """Distribution of its energy over time."""

    file_problem: str | None = None
    """Why the file cannot be used at any place."""
    name_problem: str | None = None
    """Why its name does not determine its place."""
    impulse_problem: str | None = None
    """Why it is not an impulse response."""
    sweep_problem: str | None = None
    """Why it cannot be deconvolved."""
    file_warning: str | None = None
    """A note on a usable file, such as clipping or an ignored second channel."""

    problem: str | None = None
    """One sentence on why it cannot be imported as it is (bad file, no channel, no seat …)."""
    duplicate_of: int | None = None
    """The event that already holds this recording for the same place; it is not imported again."""
    warning: str | None = None
    """A note for the technician before it is stored."""
    clock_problem: str | None = None
    """Why it cannot share a time origin with the others, although the import states that it does."""
    clock_of_seat: bool = False
    """Whether it shares its time origin only with recordings at its own seat."""

    @property
    def reasons(self) -> str:
        """The sources of its place and kind, and its stimulus or what was switched on."""
        by = ""
        if self.kind == "sweep":
            by = "deconvolved with " + (
                "its loopback" if self.loopback is not None else self.stimulus_name or "nothing"
            )
        elif self.kind == "noise":
            by = f"state {self.state}"
        kind = f"{self.kind or 'kind unknown'}: {self.kind_reason}" if self.kind_reason else ""
        drive = f"played {self.drive_db:+g} dB re the reference level" if self.drive_db else ""
        return "; ".join(text for text in (self.place_reason, kind, by, drive) if text)

    @property
    def ready(self) -> bool:
        """Whether it would be stored."""
        return self.problem is None and self.duplicate_of is None and not (self.skip or self.is_stimulus)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOptions:
    """Options of a whole batch."""

    round: str | None = None
    """The round of files whose mapping gives none."""
    new_round: bool = False
    """Whether the import may open an interim round that the job does not have yet."""
    sweep: Sweep | None = None
    """Parameters of the sweep if there is no stimulus file; None: the job's."""
    stimulus: Path | None = None
    """The stimulus file; None: the one found beside the recordings."""
    loopback: int | None = None
    """Channel of multichannel files with the recorded loopback, from 0."""
    clock: str | None = None
    """Name of the common time origin; None: a new one for each batch."""
    passes_delays: bool | None = None
    """None: as entered for the job's processor."""
