"""Files on their way into a job: one row each, shown for correction before anything is stored."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from commission.model.events import ResponseKind
from commission.model.system import Sweep


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportRow:
    """One channel of one file and where it belongs. Rows with a `problem` are not stored."""

    path: Path
    file_channel: int = 0
    round: str | None = None
    channel: str | None = None
    seat: str | None = None
    kind: ResponseKind | None = None
    state: str | None = None
    """Of noise: what was switched on."""
    drive_db: float | None = None
    """How much louder than at the reference level it was played; None: not stated."""
    rate_hz: float | None = None
    frames: int | None = None
    sha256: str | None = None
    """Digest of the file's bytes when it was looked at."""
    stored_sha256: str | None = None
    """Digest of the WAV that is stored of it, where that is not the file itself."""
    new_round: bool = False
    """Whether a round that the job does not have yet may begin with it."""
    is_stimulus: bool = False
    """The signal that was played: shown, and used for the recordings beside it."""
    loopback: int | None = None
    """Channel of the file that recorded the signal itself, from 0."""
    stimulus: Path | None = None
    """The file by which it is deconvolved if its kind is a sweep; None: the loopback, or the sweep's parameters."""
    shared_clock: bool = True
    skip: bool = False

    place_reason: str = ""
    """Where round, channel and seat come from."""
    kind_reason: str = ""
    """Where the kind comes from."""
    kind_from_name: bool = False
    stimulus_name: str | None = None
    reference: str | None = None
    """What the levels of a text response are relative to."""
    onset_s: float | None = None
    """When the bass of the deconvolved recording is strongest, after the stimulus began; None where noise covers it."""
    peak_s: float | None = None
    """When the recording itself is strongest, after its first sample."""
    onset_treble_s: float | None = None
    peak_treble_s: float | None = None
    """The same, but when its treble is first heard; None where noise covers that."""
    undecided: bool = False
    """It may be an impulse response or a sweep; the kinds of the files beside it decide."""
    samples_sha256: str | None = None
    """Digest of its samples, whatever the format of the file."""
    profile_db: tuple[float, ...] = ()
    """How its energy is spread over time."""

    file_problem: str | None = None
    """Why the file cannot be used, whatever its place."""
    name_problem: str | None = None
    """Why its name does not say where it belongs."""
    impulse_problem: str | None = None
    """Why it is no impulse response."""
    sweep_problem: str | None = None
    """Why it cannot be deconvolved."""
    file_warning: str | None = None
    """Usable, but the technician should know (clipped, a second channel left out)."""

    problem: str | None = None
    """The one sentence that says why it cannot be imported as it is (bad file, no channel, no seat …)."""
    duplicate_of: int | None = None
    """Event that already holds the same recording for the same place; importing again is left out."""
    warning: str | None = None
    """What the technician should know before it is stored."""
    clock_problem: str | None = None
    """Why it cannot share its origin of time with the others, although the import states that it does."""
    clock_of_seat: bool = False
    """Whether it shares its origin of time with the recordings at its own seat only."""

    @property
    def reasons(self) -> str:
        """Where its place and its kind come from, and what it is deconvolved with or what was switched on."""
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
    """For files whose mapping gives none."""
    new_round: bool = False
    """Whether an interim round that the job does not have yet may begin."""
    sweep: Sweep | None = None
    """Parameters of the sweep where no stimulus file is given; None: the job's."""
    stimulus: Path | None = None
    """The file that was played; None: one that is found beside the recordings."""
    loopback: int | None = None
    """Channel of files with several channels that recorded the signal itself, from 0."""
    clock: str | None = None
    """Name of the common time origin; None: one is made per batch."""
    passes_delays: bool | None = None
    """None: as the job's processor says."""
