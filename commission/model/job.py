"""The job as folded from its events: the state in force."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from commission.model.checklist import Checklist, default_checklist
from commission.model.events import ActionLogged, EarlierVisit, Event, ReadingEntered, ResponseStored
from commission.model.limits import LimitsProfile, default_profile
from commission.model.system import AS_FOUND, Setting, System
from commission.model.verdict import Limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A hand-entered number in force, with its event."""

    seq: int
    at: str
    body: ReadingEntered


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredResponse:
    """A stored response in force, with its event."""

    seq: int
    at: str
    body: ResponseStored
    blob_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """An action on a finding that was not withdrawn, with its event."""

    seq: int
    at: str
    body: ActionLogged

    @property
    def mends(self) -> bool:
        """Whether it claims to have removed the fault; accepting or postponing it does not."""
        return self.body.action in ("repaired", "adjusted", "replaced")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnusedEntry:
    """An entry that is not used because its number is impossible."""

    seq: int
    round: str
    why: str


@dataclass(frozen=True, kw_only=True)
class Job:
    """The state of a job; immutable, and built again after each event."""

    system: System
    current_round: str = AS_FOUND
    rounds: tuple[str, ...] = (AS_FOUND,)
    """In the order of the visit: as found first, as left last, interim rounds between."""
    settings: dict[tuple[str, str], Setting] = field(default_factory=dict)
    """By (round, channel), merged over all entries of that round."""
    applied: frozenset[tuple[str, str]] = frozenset()
    """(round, channel) ticked on the settings sheet."""
    typed_in: dict[tuple[str, str], Setting] = field(default_factory=dict)
    """By (round, channel): the ticked settings, field by field; None: not ticked."""
    readings: tuple[Reading, ...] = ()
    responses: tuple[StoredResponse, ...] = ()
    noises: tuple[StoredResponse, ...] = ()
    """Noise recordings, made while nothing was played."""
    driven: tuple[StoredResponse, ...] = ()
    """Responses at a playback level other than the reference level."""
    stimuli: dict[str, str] = field(default_factory=dict)
    """SHA-256 of stimulus files → their names."""
    notes: tuple[Event, ...] = ()
    actions: tuple[Action, ...] = ()
    """Actions on findings, oldest first."""
    photos: tuple[Event, ...] = ()
    """PhotoAttached events in force, in the order attached."""
    left_out: tuple[UnusedEntry, ...] = ()
    """Entries that are not used, oldest first."""
    earlier: EarlierVisit | None = None
    """The visit to which this one returns."""
    limits: LimitsProfile | None = None
    """The limits chosen for this job; None: the program's defaults."""
    checklist: Checklist | None = None
    """The checklist chosen for this job; None: the program's default."""
    decisions: dict[tuple[str, str, str], str] = field(default_factory=dict)
    """By (round, step, key)."""
    sheets: tuple[Event, ...] = ()
    """Settings sheets as issued, SheetIssued events, oldest first."""
    stored_verdicts: tuple[Event, ...] = ()
    """Verdicts stored at each signature or record, oldest first."""
    signatures: tuple[Event, ...] = ()
    log: tuple[Event, ...] = ()
    """Every event, withdrawn ones included."""

    @property
    def load_sweeps(self) -> frozenset[int]:
        """Seqs of the raw sweeps from which distortion and rattles are determined.

        These are the sweeps at the reference seat, and all of a channel at a seat with recordings at another level.
        """
        reference = self.system.reference_seat
        twice = {(each.body.round, each.body.channel, each.body.seat) for each in self.driven}
        wanted = [
            each
            for each in self.responses
            if (reference is not None and each.body.seat == reference.id)
            or (each.body.round, each.body.channel, each.body.seat) in twice
        ]
        return frozenset(each.seq for each in (*wanted, *self.driven) if each.body.kind == "sweep")

    @property
    def profile(self) -> LimitsProfile:
        """The limits in force."""
        return self.limits or default_profile()

    @property
    def checklist_in_force(self) -> Checklist:
        """The checklist in force."""
        return self.checklist or default_checklist()

    def limit(self, quantity: str) -> Limit:
        """The limit of a quantity in force."""
        return self.profile.of(quantity)

    def setting(self, round_id: str, channel: str) -> Setting:
        """The settings of a channel in a round; empty fields if nothing was noted."""
        return self.settings.get((round_id, channel)) or Setting(round=round_id, channel=channel)

    def rounds_until(self, round_id: str) -> tuple[str, ...]:
        """The rounds up to and including this one; all of them where it is not opened yet."""
        return self.rounds[: self.rounds.index(round_id) + 1] if round_id in self.rounds else self.rounds

    def setting_until(self, round_id: str, channel: str) -> Setting:
        """The settings of a channel by the end of a round: the newest noted value of each field."""
        noted = [self.setting(each, channel) for each in reversed(self.rounds_until(round_id))]
        return Setting(
            round=round_id,
            channel=channel,
            trim_db=next((s.trim_db for s in noted if s.trim_db is not None), None),
            distance=next((s.distance for s in noted if s.distance is not None), None),
            polarity=next((s.polarity for s in noted if s.polarity is not None), None),
            filters=next((s.filters for s in noted if s.filters is not None), None),
        )

    def readings_of(
        self, round_id: str, step: str, *, channel: str | None = None, seat: str | None = None
    ) -> tuple[Reading, ...]:
        """The readings of a step in a round, in the order entered; narrowed by channel and seat when given."""
        return tuple(
            reading
            for reading in self._readings_by_step.get((round_id, step), ())
            if (channel is None or reading.body.channel == channel) and (seat is None or reading.body.seat == seat)
        )

    @cached_property
    def _readings_by_step(self) -> dict[tuple[str, str], list[Reading]]:
        """The readings by (round, step): screens and steps ask for each channel."""
        by_step: dict[tuple[str, str], list[Reading]] = {}
        for reading in self.readings:
            by_step.setdefault((reading.body.round, reading.body.step), []).append(reading)
        return by_step

    def responses_of(
        self, round_id: str, *, channel: str | None = None, seat: str | None = None
    ) -> tuple[StoredResponse, ...]:
        """The stored responses of a round, in the order stored; narrowed by channel and seat when given."""
        return tuple(
            response
            for response in self.responses
            if response.body.round == round_id
            and (channel is None or response.body.channel == channel)
            and (seat is None or response.body.seat == seat)
        )

    def has_response(self, round_id: str, channel: str, seat: str, *, louder: bool = False) -> bool:
        """Whether a round holds a response of a channel at a seat; `louder`: at another level than the reference level."""
        return (round_id, channel, seat, louder) in self._response_places

    @cached_property
    def _response_places(self) -> set[tuple[str | None, str | None, str | None, bool]]:
        """(round, channel, seat, louder) of every response: screens ask for each place."""
        kept = [(each.body, False) for each in self.responses] + [(each.body, True) for each in self.driven]
        return {(body.round, body.channel, body.seat, loud) for body, loud in kept}

    @property
    def filled_rounds(self) -> tuple[str, ...]:
        """The rounds that hold anything: readings, responses or settings."""
        filled = {each.body.round for each in self.readings}
        filled |= {each.body.round for each in (*self.responses, *self.noises, *self.driven)}
        filled |= {round_id for round_id, _ in self.settings}
        return tuple(each for each in self.rounds if each in filled)

    @property
    def digest(self) -> str:
        """Digest of the last event, which covers the whole log, in 64 hex digits."""
        return self.log[-1].digest if self.log else ""
