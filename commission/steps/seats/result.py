"""The checks of one channel at one seat, for the step "seats".

Causes are separated as in `dsp.across`. A channel that is low at every seat is at fault itself: it is compared with its
partner, and each seat with the mean of its own channel. A seat that is low on every channel alike, beyond what its
distance explains, means that the gain changed between recordings: its levels are not checked. If both occur, both are
reported.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp import across
from commission.dsp.analysis import SUB_LEVEL_BAND_HZ
from commission.dsp.direct import direct_level_db
from commission.dsp.geometry import mirror_partner
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import own_band
from commission.model import (
    FULL_SCALE,
    SOUND_PRESSURE,
    Analyses,
    Analysis,
    Budget,
    Channel,
    Check,
    FloatArray,
    Job,
    Limit,
    Verdict,
    worst,
)
from commission.model.formatting import number
from commission.model.units import listed
from commission.model.verdict import surely_below
from commission.steps.seats.drivers import (
    BANDS_HZ,
    DRIVERS,
    LOWS_HZ,
    TREBLES_HZ,
    WEAK_DB,
    Dip,
    Driver,
    DriverGap,
    LevelVariation,
    deepest_dip,
    driver_gaps,
    level_variation,
    shared_level_db,
)
from commission.steps.seats.polarity import ChannelPolarity, PolarityComparison
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.cache import cached
from commission.steps.shared.screening import common_reference, screen
from commission.steps.shared.screening.recordings import one_loudspeaker
from commission.steps.shared.set_by_bass import mistyped_polarities
from commission.steps.shared.survey import elsewhere, indistinguishable_places

CLIP_LIMIT = Limit(
    high=0.0, unit="", basis="no crests cut off flat; determined by simulation (tests/dsp/test_signals.py)"
)
POLARITY_LIMIT = Limit(low=0.0, unit="", basis="loudspeakers of one model are connected alike; common practice")
THIRD_OCTAVE_U_DB, BAND_U_DB, PARTNER_U_DB = 0.4, 0.5, 1.0
"""Standard uncertainties of a third octave and a band at one seat (placement within 2 cm, angle, gain:
`tests/references/placement.py`), and of a difference between two sides of a room (common practice, no source)."""
PLACED_ANEW = "microphone put down again: position, angle, gain"
LEVEL = budget_for.response_level()
THIRD_OCTAVE = budget_for.single(
    "seats.third-octave", "One third octave at one seat", PLACED_ANEW, THIRD_OCTAVE_U_DB, budget_for.PLACED
)
TREBLE_BAND = budget_for.single(
    "seats.band", "Level of the direct sound, 4–10 kHz, at one seat", PLACED_ANEW, BAND_U_DB, budget_for.PLACED
)
PARTNER = {
    f"seats.{name}": budget_for.single(
        f"seats.{name}",
        f"{what} of a loudspeaker relative to its partner",
        "difference between two sides of a room",
        PARTNER_U_DB,
        budget_for.CUSTOM,
    )
    for name, what in (("treble", "Treble"), ("mids", "Middle range"), ("lows", "Lows"))
}
SNR = budget_for.signal_to_noise()
LEVEL_U_DB = LEVEL.u
"""Standard uncertainty of the level of a response at one seat."""
BASS_HZ, DIRECT_HZ = (25.0, 80.0), (4000.0, 10000.0)
CHANNEL_OFF_DB, SIDES_U_DB, SEAT_U_DB = 1.0, 0.8, 0.8
"""Threshold of a channel against its partner, guard-banded; standard uncertainties of the two sides of a room and of each
seat (standard deviations, common practice, no source; 78 healthy pairs of simulated rooms had 0.85 and 0.80 dB)."""
NULL_WITHIN_OCTAVES = 0.17
"""Nulls of a row's seats within a third octave count as one: none in 200 healthy rooms
(`tests/references/bass_rooms.py`)."""
ENDS_EARLY = "most recordings of this channel end while they still decay"
RINGS_ABOVE_DB, RINGS_SNR_DB, LEAST_ENDS = 10.0, 6.0, 3
"""Every file ends with noise of the room. The end of a subwoofer's file that is louder by this than the median of at
least three main channels' ends is ringing, unless its signal-to-noise ratio is below the second value: the end is then
nearly as loud as the sound itself (common practice, no source)."""
SILENT_DB = -20.0
OTHERS = "the other channels"
WEAK_BASIS = (
    f"{WEAK_DB:.0f} dB more without a partner, at a single seat, or below 200 Hz unless every seat lacks as much; "
    "common practice"
)
MIDRANGE_DB, MIDRANGE_WEAK_DB = 3.0, 2.0
"""A midrange needs 3 dB less than tweeter and woofer, since the least of three half octaves is taken, and 2 dB more than
that without a partner. In simulated rooms the least of three half octaves was −1 dB in healthy
loudspeakers, −8 dB with one driver reversed, and −9 to −20 dB in nine of ten with a dead midrange."""
MIDRANGE_BASIS = (
    f"{MIDRANGE_DB:.0f} dB less for a midrange, the least of three half octaves, and {MIDRANGE_WEAK_DB:.0f} dB more of it "
    "without a partner; determined by simulation (tests/steps/test_drivers.py)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One channel at one seat."""

    channel: Channel
    seat: str
    analysis: Analysis | None
    """The usable part of its newest recording; None if nothing is usable."""
    recording: Analysis | None = None
    """The newest recording unchanged, even if a measuring mistake spoilt it."""
    repeats: int
    level_db: float | None
    """Level with the microphone's level offset if one is noted, otherwise relative."""
    checks: tuple[Check, ...]
    problems: tuple[str, ...] = ()
    budgets: tuple[Budget, ...] = ()
    """Budgets of its checks, by their ids."""
    passes_delays: bool = True
    """Whether its newest recording went through the processor."""
    clock: str | None = None
    """None: its arrival counts from the start of its own file and cannot be compared."""

    @property
    def verdict(self) -> Verdict | None:
        """The worst of its checks of the sound; None if nothing was measured.

        An undetermined polarity does not count: many loudspeakers have no other of their model to be compared with.
        """
        if self.analysis is None and not self.problems:
            return None
        return worst([check.verdict for check in self.deciding]) or Verdict.NOT_TESTED

    @property
    def deciding(self) -> tuple[Check, ...]:
        """Its checks without an undetermined polarity."""
        return tuple(c for c in self.checks if c.id != "seats.polarity" or c.verdict is not Verdict.NOT_TESTED)

    @property
    def arrival_s(self) -> float | None:
        """The arrival on a shared clock, or None."""
        return None if self.analysis is None or self.clock is None else self.analysis.arrival_s


@dataclass(frozen=True, slots=True, kw_only=True)
class PartnerComparison:
    """A channel against its mirror partner, otherwise the other mains: medians over the common seats."""

    partner: str
    """The partner's id, or "the other channels"."""
    level_db: float
    alike_seats: tuple[int, int]
    """(seats at which it is off by more than 1 dB, all to the side of `level_db`; seats compared)."""
    drivers: dict[Driver, DriverGap]
    """Evidence for each driver being dead, if its range was heard."""
    dip: Dip
    """Largest dip between neighbouring half octaves."""
    shared_db: float
    """Least difference of all half octaves from 200 Hz on, to one side; 0 if they differ to both."""
    variation: LevelVariation
    """Lowest and highest difference."""

    @property
    def has_partner(self) -> bool:
        """Whether it was compared with its mirror partner rather than with other models in other places."""
        return self.partner != OTHERS


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatsResult:
    """All cells of a round, by (channel, seat), and the values common to whole seats and whole channels."""

    cells: dict[tuple[str, str], Cell]
    calibrated: bool
    reference: str
    """Reference of the responses' levels."""
    offset_db: float
    """Offset added to relative levels; 0 if they stay relative."""
    seat_gain_db: dict[str, float]
    """Gain error of each seat's recordings, common to all main channels; all levels here are corrected for it."""
    channel_level_db: dict[str, float]
    """Mean level of each channel over the seats."""
    against: dict[str, PartnerComparison]
    polarity: dict[str, ChannelPolarity]
    """Channel → its connection relative to others of its model."""
    own_signs: dict[str, tuple[int | None, int, int]]
    """Channel → (its own sign that the seats agree on, seats at which it is −, seats at which it is known). A crossover
    can turn it: it only serves to compare a loudspeaker with itself at another visit."""
    mostly_negative: bool
    """Four of five main channels have a negative own sign: their design, or the measuring chain, inverts."""


def level_offset_db(job: Job, reference: str | None) -> float | None:
    """Offset from levels of that reference to dB SPL; None without one."""
    if reference == SOUND_PRESSURE:
        return 0.0
    microphone = job.system.instrument("microphone")
    return None if microphone is None or reference not in (FULL_SCALE, None) else microphone.level_offset_db


@cached
def solve(job: Job, round_id: str, analyses: Analyses) -> SeatsResult:
    """Every channel at every seat of a round; a polarity not set as entered is not called a reversed loudspeaker."""
    result = heard(job, round_id, analyses)
    subs = [c.id for c in job.system.channels if c.is_sub]
    if all(result.polarity[c].state in ("alike", "unknown") for c in subs):
        return result
    mistyped = mistyped_polarities(job, round_id, analyses)
    found = {c: each.with_mistyped(c, mistyped) for c, each in result.polarity.items()}
    cells = {
        place: replace(cell, checks=tuple(_with_polarity(check, cell, found) for check in cell.checks))
        for place, cell in result.cells.items()
    }
    return replace(result, polarity=found, cells=cells)


def _with_polarity(check: Check, cell: Cell, found: Mapping[str, ChannelPolarity]) -> Check:
    if check.id != "seats.polarity" or cell.analysis is None:
        return check
    return _polarity_check(cell.channel, cell.seat, cell.analysis, found[cell.channel.id])


@cached
def heard(job: Job, round_id: str, analyses: Analyses) -> SeatsResult:
    """The result from the responses of the round alone."""
    system = job.system
    places = [(c.id, s.id) for c in system.channels for s in system.seats]
    screening = screen(job, round_id, analyses)
    recorded, analyses = analyses, screening.usable
    reference = common_reference(job, round_id, analyses)
    offset = level_offset_db(job, reference)
    sound = {place: analyses.of(round_id, *place) for place in places}
    moved = elsewhere(job, round_id, analyses)
    for pair in one_loudspeaker(job, round_id, analyses):  # which one is not determined: neither is compared
        moved = moved | {
            c: f"it and {other} play from one loudspeaker" for c, other in zip(pair, pair[::-1], strict=True)
        }
    against = _partner_comparisons(job, sound, moved)
    polarity = PolarityComparison(
        job,
        round_id,
        sound,
        _through_processor(job, round_id, analyses),
        moved,
        {c: why for c in against if (why := _dead_driver(job, against[c])) is not None},
        indistinguishable=indistinguishable_places(job, round_id, analyses),
    ).channels()
    checked = _checked(job, sound, against, polarity)
    cells = {}
    for place in places:
        cells[place] = _cell(job, round_id, place, recorded, analyses, offset or 0.0)
        if place in checked:
            checks, budgets = checked[place]
            cells[place] = replace(cells[place], checks=checks, budgets=budgets)
    own_signs = _own_signs(job, sound)
    return SeatsResult(
        cells=cells,
        calibrated=offset is not None,
        reference=reference or FULL_SCALE,
        offset_db=offset or 0.0,
        seat_gain_db={seat: gain for seat, (gain, _) in screening.gains_db.items()},
        against=against,
        channel_level_db=_channel_levels(job, cells),
        polarity=polarity,
        own_signs=own_signs,
        mostly_negative=across.mostly_negative([own_signs[c.id][0] for c in system.channels if not c.is_sub]),
    )


def _cell(
    job: Job, round_id: str, place: tuple[str, str], recorded: Analyses, usable: Analyses, offset_db: float
) -> Cell:
    """Data of one channel at one seat, without the checks of a usable recording."""
    channel = job.system.channel(place[0])
    assert channel is not None
    analysis, recording = usable.of(round_id, *place), recorded.of(round_id, *place)
    repeats, problems = usable.repeats(round_id, *place), usable.problems(round_id, *place)
    return Cell(
        channel=channel,
        seat=place[1],
        analysis=analysis,
        recording=recording,
        checks=()
        if recording is None or analysis is not None
        else _spoilt_checks(job, channel, place[1], recording, problems[-1]),
        repeats=len(repeats),
        level_db=None if analysis is None or analysis.level_db is None else analysis.level_db + offset_db,
        problems=problems,
        passes_delays=repeats[-1].passes_delays if repeats else True,
        clock=repeats[-1].clock if repeats else None,
    )


def _checked(
    job: Job,
    sound: Mapping[tuple[str, str], Analysis | None],
    against: Mapping[str, PartnerComparison],
    polarity: Mapping[str, ChannelPolarity],
) -> dict[tuple[str, str], tuple[tuple[Check, ...], tuple[Budget, ...]]]:
    """The checks of every usable recording, and their budgets."""
    system, out = job.system, {}
    counted = {s.id for s in system.seats if s.weight > 0} or {s.id for s in system.seats}
    ending_early, louder_ends = _ending_early(sound), _louder_ends(job, sound)
    for channel in system.channels:
        ends_early = ENDS_EARLY if channel.id in ending_early else None
        heard = {s.id: a for s in system.seats if (a := sound[channel.id, s.id]) is not None}
        spreads = _spreads(channel, heard, counted)
        for seat, analysis in heard.items():
            spread = spreads.get(seat)
            budgets = () if spread is None else _spread_budgets(channel, seat, spread, analysis.level_u_db)
            checks = (
                _snr_check(job, channel, seat, analysis, louder_ends.get((channel.id, seat), ends_early)),
                *_clip_check(channel, seat, analysis),
                _polarity_check(channel, seat, analysis, polarity[channel.id]),
                *_driver_checks(job, channel, seat, analysis, against.get(channel.id)),
                *_spread_checks(job, channel, seat, analysis, spread, budgets),
            )
            out[channel.id, seat] = checks, budgets
    return out


def _own_signs(job: Job, sound: Mapping[tuple[str, str], Analysis | None]) -> dict[str, tuple[int | None, int, int]]:
    """Channel → (the sign that its responses agree on, how many are negative, how many have a sign)."""
    out = {}
    for channel in job.system.channels:
        heard = [sound[channel.id, s.id] for s in job.system.seats]
        signs = [None if a is None else a.polarity for a in heard]
        out[channel.id] = across.agreed_sign(signs), signs.count(-1), len(signs) - signs.count(None)
    return out


def _channel_levels(job: Job, cells: dict[tuple[str, str], Cell]) -> dict[str, float]:
    levels = {
        c.id: [cell.level_db for (name, _), cell in cells.items() if name == c.id and cell.level_db is not None]
        for c in job.system.channels
    }
    return {c: float(np.mean(own)) for c, own in levels.items() if own}


def _bands_db(analysis: Analysis) -> FloatArray:
    """Mean of the third octaves of each of BANDS_HZ [dB]; NaN for a band that was not fully heard."""
    lows_hz, highs_hz = zip(*BANDS_HZ, strict=True)
    lows, highs = analysis.freq_hz.searchsorted(lows_hz), analysis.freq_hz.searchsorted(highs_hz, "right")
    sums = np.add.reduceat(np.append(analysis.third_octave_db, 0.0), np.stack((lows, highs), axis=1).ravel())[::2]
    return np.where((highs > lows) & np.isfinite(sums), sums / np.maximum(highs - lows, 1), math.nan)


def channel_off_u_db(seats: int) -> float:
    """Standard uncertainty of the deviation of a channel from another one, from their responses at that number of seats."""
    return math.hypot(SIDES_U_DB, SEAT_U_DB / math.sqrt(seats))


def direct_db(analysis: Analysis | None) -> float:
    """Level of the direct sound, 4–10 kHz [dB]; NaN if unknown."""
    return math.nan if analysis is None or analysis.direct is None else direct_level_db(analysis.direct, DIRECT_HZ)


def _partner_comparisons(
    job: Job, found: dict[tuple[str, str], Analysis | None], moved: Mapping[str, str]
) -> dict[str, PartnerComparison]:
    """Each main channel against its partner at the mirrored seat; one without a partner against the other mains.

    Channels in another one's place (`moved`) and their partners are not compared: those are other models.
    """
    mains = [c.id for c in job.system.channels if not c.is_sub and c.id not in moved]
    seats = [s.id for s in job.system.seats]
    mirror = across.mirrored_seats(job.system.seats)
    bands = {
        place: np.full(1 + len(BANDS_HZ), math.nan)
        if a is None
        else np.array([math.nan if a.level_db is None else a.level_db, *_bands_db(a)])
        for place, a in found.items()
    }
    needed = [0, 1 + BANDS_HZ.index(TREBLES_HZ[0]), 1 + BANDS_HZ.index(LOWS_HZ[0])]
    out = {}
    for channel in mains:
        partner = mirror_partner(channel)
        others = [partner] if partner in mains else [c for c in mains if c != channel]
        if partner in moved or (partner not in mains and not _enough(others)):
            continue
        apart, beside = {}, {}
        for seat in seats:
            at = mirror.get(seat, seat) if partner in mains else seat
            theirs = np.array([bands[(other, at)] for other in others])
            good = np.isfinite(theirs[:, needed]).all(axis=1)
            if np.isfinite(bands[(channel, seat)][needed]).all() and good.any():
                beside[seat] = theirs[0] if len(theirs) == 1 else np.median(theirs[good], axis=0)
                apart[seat] = bands[(channel, seat)] - beside[seat]
        if not apart:
            continue
        levels, bands_apart = [float(d[0]) for d in apart.values()], {s: d[1:] for s, d in apart.items()}
        side = math.copysign(1.0, float(np.median(levels)))
        out[channel] = PartnerComparison(
            partner=partner if partner is not None and partner in mains else OTHERS,
            level_db=float(np.median(levels)),
            drivers=driver_gaps(bands_apart, {s: d[1:] for s, d in beside.items()}, has_partner=partner in mains),
            dip=deepest_dip(bands_apart),
            shared_db=shared_level_db(bands_apart),
            variation=level_variation(bands_apart),
            alike_seats=(sum(side * level > CHANNEL_OFF_DB for level in levels), len(levels)),
        )
    return out


def _enough(others: list[str]) -> bool:
    """Whether these represent the usual: three of any kind, or a mirrored pair beside a centre."""
    return len(others) >= across.LEAST_COUNT or (len(others) == 2 and mirror_partner(others[0]) == others[1])


def _dead_driver(job: Job, against: PartnerComparison) -> str | None:
    """Driver of a loudspeaker that is likely dead, as a clause; None if all drivers play."""
    dead = [driver for driver in DRIVERS if is_dead(job, against, driver)]
    return f"its {dead[0]} is likely dead" if dead else None


def is_dead(job: Job, against: PartnerComparison, driver: Driver) -> bool:
    """Whether that driver is far below the partner's at most seats, while the rest of the loudspeaker plays."""
    gap = against.drivers.get(driver)
    if gap is None:
        return False
    limit_db = driver_limit(job, against, driver).lower
    seats = sum(each <= limit_db for each in gap.gaps_db.values())
    return surely_below(gap.gap_db, limit_db, PARTNER_U_DB) and seats >= across.AGREE * len(gap.gaps_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spread:
    """One seat against the mean of all seats [dB]."""

    level_db: float = math.nan
    direct_db: float = math.nan
    """Direct sound relative to the mean of the other seats: one blocked seat of two or three would pull a common mean
    half-way to itself."""
    null_db: float = math.nan
    null_hz: float = math.nan
    counts: bool = True
    """Whether the seat is part of the mean."""
    seats: tuple[int, int] = (0, 0)
    """Number of seats in the mean: for the level, and for direct sound or null."""


def _spreads(channel: Channel, heard: Mapping[str, Analysis], counted: set[str]) -> dict[str, _Spread]:
    level, count = _minus_mean({s: math.nan if a.level_db is None else a.level_db for s, a in heard.items()}, counted)
    if not channel.is_sub:
        direct = {s: direct_db(a) for s, a in heard.items()}
        others = {s: [v for o, v in direct.items() if o != s and o in counted and math.isfinite(v)] for s in heard}
        return {
            s: _Spread(
                level_db=level.get(s, math.nan),
                direct_db=direct[s] - float(np.mean(others[s])) if others[s] else math.nan,
                counts=s in counted,
                seats=(count, len(others[s])),
            )
            for s in heard
        }
    if len(counted.intersection(heard)) < across.LEAST_COUNT:
        return {}
    # The bass of mains is played by the subwoofers, so nulls are searched only in these.
    nulls = _nulls(heard, counted)
    return {
        s: _Spread(
            level_db=level.get(s, math.nan),
            null_db=nulls[s][0],
            null_hz=nulls[s][1],
            counts=s in counted,
            seats=(count, len(counted.intersection(heard))),
        )
        for s in heard
    }


def _minus_mean(values: dict[str, float], counted: set[str]) -> tuple[dict[str, float], int]:
    """Each seat minus the mean of the seats that count, and their number; empty with fewer than three."""
    good = {s: v for s, v in values.items() if math.isfinite(v)}
    common = [v for s, v in good.items() if s in counted]
    if len(common) < across.LEAST_COUNT:
        return {}, 0
    mean = float(np.mean(common))
    return {s: v - mean for s, v in good.items()}, len(common)


def _nulls(heard: Mapping[str, Analysis], counted: set[str]) -> dict[str, tuple[float, float]]:
    """(deepest third octave re the seats' mean in the bass [dB], its frequency [Hz]) in the loudspeaker's range."""
    levels = np.array([a.third_octave_db for a in heard.values()])
    found = deepest_bass([(s,) for s in heard], list(heard), levels, [s in counted for s in heard])
    return {s: found.get((s,), (math.nan, math.nan)) for s in heard}


def deepest_bass(
    groups: Iterable[tuple[str, ...]], seats: Sequence[str], levels: FloatArray, counted: Sequence[bool]
) -> dict[tuple[str, ...], tuple[float, float]]:
    """(deepest third octave of bass re the mean of the seats that count [dB], its frequency [Hz]) of groups of seats.

    The loudest seat of a group at a frequency decides, or a sixth of an octave beside it: along a row, a null moves with
    the distances to the walls. `levels` [shape=(seats, len(GRID_HZ))]; empty where no bass plays.
    """
    plays = (GRID_HZ >= BASS_HZ[0]) & (GRID_HZ <= BASS_HZ[1]) & own_band(levels)
    if not plays.any():
        return {}
    heard = levels[:, plays]
    apart = heard - heard[np.asarray(counted)].mean(axis=0)
    beside = np.abs(np.log2(GRID_HZ[:, np.newaxis] / GRID_HZ[plays])) <= NULL_WITHIN_OCTAVES
    out = {}
    for group in groups:
        own = apart[[seats.index(s) for s in group]]
        most = np.where(beside, own[:, np.newaxis], np.inf).min(axis=-1).max(axis=0)
        lowest = np.nonzero(most <= most.min() + 0.01)[0]  # as wide as `beside` on both sides of the dip
        out[group] = float(most[lowest[0]]), float(GRID_HZ[lowest[(len(lowest) - 1) // 2]])
    return out


def _ending_early(found: Mapping[tuple[str, str], Analysis | None]) -> set[str]:
    """Channels most of whose recordings end while they still decay: two beating modes can hide it in one of them."""
    early: dict[str, list[bool]] = {}
    for (channel, _), analysis in found.items():
        if analysis is not None:
            # A reason with a value: the ratio is a lower bound, because the tail still falls.
            early.setdefault(channel, []).append(analysis.snr_db is not None and "snr" in analysis.why)
    return {channel for channel, own in early.items() if 2 * sum(own) > len(own)}


def _louder_ends(job: Job, found: Mapping[tuple[str, str], Analysis | None]) -> dict[tuple[str, str], str]:
    """Subwoofers' recordings whose noise is not the room's, since main channels' ends are softer in that band → reason.

    A mode may ring until a short file ends, and two beating ones hide its decay. Noise as loud as the sound is not
    ringing.
    """
    band = (GRID_HZ >= SUB_LEVEL_BAND_HZ[0]) & (GRID_HZ <= SUB_LEVEL_BAND_HZ[1])
    mains, out = [c.id for c in job.system.channels if not c.is_sub], {}
    for (channel, seat), own in found.items():
        if channel in mains or own is None or own.level_db is None or own.snr_db is None:
            continue
        tails = [a.tail_db for c in mains if (a := found.get((c, seat))) is not None and a.tail_db is not None]
        ends_db = [
            10 * math.log10(np.mean(10 ** (each[band] / 10))) for each in tails if np.isfinite(each[band]).all()
        ]
        louder_db = own.level_db - own.snr_db - float(np.median(ends_db)) if len(ends_db) >= LEAST_ENDS else 0.0
        if own.snr_db >= RINGS_SNR_DB and louder_db > RINGS_ABOVE_DB:
            out[channel, seat] = (
                f"its end is {number(louder_db, 0)} dB louder than those of main channels in its band: the bass may ring "
                "until the file ends; a longer recording settles it"
            )
    return out


def _snr_check(job: Job, channel: Channel, seat: str, analysis: Analysis, no_noise: str | None) -> Check:
    """Check of the signal-to-noise ratio. `no_noise`: reason why the end of the recording may not be noise."""
    enough = analysis.snr_db is not None and analysis.snr_db >= job.limit("seats.snr").lower
    # A lower bound can pass and never fail.
    why = None if enough else analysis.why.get("snr")
    if why is None and analysis.snr_db is None:
        why = "its noise is unknown"
    if why is None and not enough:
        why = no_noise
    return Check(
        id="seats.snr",
        channel=channel.id,
        seat=seat,
        value=analysis.snr_db,
        unit="dB",
        uncertainty=SNR.u,
        limit=job.limit("seats.snr"),
        why_not=why,
        text="signal-to-noise ratio",
    )


def _spoilt_checks(job: Job, channel: Channel, seat: str, recording: Analysis, why: str) -> tuple[Check, ...]:
    """Checks not tested because a measuring mistake spoilt the recording; clipping is shown separately."""
    kinds = (
        ("snr", "polarity", "level", "bass") if channel.is_sub else ("snr", "polarity", "treble", "level", "direct")
    )
    texts = {"snr": "signal-to-noise ratio", "level": "level relative to the mean of the seats", "treble": "drivers"}
    return (
        *_clip_check(channel, seat, recording),
        *(
            Check(
                id=f"seats.{kind}",
                channel=channel.id,
                seat=seat,
                value=None,
                unit="",
                why_not=why,
                text=texts.get(kind, kind),
            )
            for kind in kinds
        ),
    )


def _clip_check(channel: Channel, seat: str, analysis: Analysis) -> list[Check]:
    """Check only for recordings that show clipping: an impulse response mostly does not, as the cell's detail states."""
    if analysis.clipped is None:
        return []
    return [
        Check(
            id="seats.clipped",
            channel=channel.id,
            seat=seat,
            value=float(analysis.clipped),
            unit="",
            limit=CLIP_LIMIT,
            text="clipping of the recording",
            words="clipped, expected not clipped" if analysis.clipped else "not clipped",
        )
    ]


def _through_processor(job: Job, round_id: str, analyses: Analyses) -> dict[str, bool]:
    """Channel → whether its measurement went through the processor, and so through its polarity setting."""
    return {
        c.id: all(
            item.passes_delays for s in job.system.seats for item in analyses.repeats(round_id, c.id, s.id)[-1:]
        )
        for c in job.system.channels
    }


def _polarity_check(channel: Channel, seat: str, analysis: Analysis, found: ChannelPolarity) -> Check:
    """One statement for all seats: two loudspeakers are compared over all of them."""
    others, value, words, why = listed(found.others), None, "", found.why or None
    undecided = False
    if analysis.direct is None and not channel.is_sub:
        why = analysis.why.get("polarity") or "the direct sound could not be found"
    elif found.state == "alike":
        value, words = 1.0, f"same as {others}"
    elif found.state == "reversed":
        value, words = -1.0, f"reversed relative to {others}, expected the same"
    elif found.state == "mistyped":
        value, words = -1.0, f"opposite to {others}: not set as entered (Bass)"
    elif found.state == "driver":
        value, words = -1.0, f"one driver is reversed relative to {others}, expected the same"
    elif found.state != "unknown":
        part = "one driver of " if found.state == "one driver of two" else ""
        words = f"{part}{channel.id} or {others} is reversed; which of the two is not determined"
        undecided, why = True, None
    return Check(
        id="seats.polarity",
        channel=channel.id,
        seat=seat,
        value=None if why else value,
        unit="",
        limit=POLARITY_LIMIT,
        why_not=why,
        text="polarity",
        words=words,
        undecided=undecided,
    )


def driver_limit(job: Job, against: PartnerComparison, driver: Driver) -> Limit:
    """Limit of a driver's level relative to the partner's; wider if only another model or a single seat is available, and
    below 200 Hz, where the room makes two sides differ, unless every seat lacks as much.
    """
    limit, gap = job.limit("seats.driver"), against.drivers[driver]
    if driver == "midrange":
        low = limit.lower + MIDRANGE_DB - (0.0 if against.has_partner else MIDRANGE_WEAK_DB)
        return replace(limit, low=low, basis=f"{limit.basis}; {MIDRANGE_BASIS}")
    if not (weak_db := gap.weak_db(has_partner=against.has_partner)):
        return limit
    return replace(limit, low=limit.lower - weak_db, basis=f"{limit.basis}; {WEAK_BASIS}")


def _driver_checks(
    job: Job, channel: Channel, seat: str, analysis: Analysis, against: PartnerComparison | None
) -> list[Check]:
    if against is None:
        return []
    checks = []
    kinds: tuple[tuple[Driver, str, str], ...] = (
        ("tweeter", "treble", "treble"),
        ("midrange", "mids", "middle range"),
        ("woofer", "lows", "lows"),
    )
    for driver, name, text in kinds:
        if driver not in against.drivers:
            continue
        gap = against.drivers[driver]
        value = gap.gaps_db.get(seat)
        why = f"it or {against.partner} was not measured over the whole range here or at the mirrored seat"
        low_hz, high_hz = gap.band_hz
        span = (
            f"{low_hz / 1000:.0f}–{high_hz / 1000:.0f} kHz"
            if driver == "tweeter"
            else f"{low_hz:.0f}–{high_hz:.0f} Hz"
        )
        checks.append(
            Check(
                id=f"seats.{name}",
                channel=channel.id,
                seat=seat,
                value=value,
                unit="dB",
                uncertainty=PARTNER[f"seats.{name}"].u,
                limit=driver_limit(job, against, driver),
                why_not=why if value is None else None,
                text=f"{text}, {span}, relative to {against.partner}",
            )
        )
    return checks


def _spread_budgets(channel: Channel, seat: str, spread: _Spread, gain_u_db: float) -> tuple[Budget, ...]:
    """Budgets of the checks against the seats' mean: the seat's own uncertainty, minus its share in the mean."""
    name, one = ("bass", THIRD_OCTAVE) if channel.is_sub else ("direct", TREBLE_BAND)
    kinds = [("level", LEVEL, spread.seats[0]), (name, one, spread.seats[1])]
    if gain_u_db:
        kinds = [(kind, budget_for.with_gain(budget, gain_u_db), count) for kind, budget, count in kinds]
    return tuple(
        replace(
            budget_for.against_mean(
                budget,
                f"seats.{kind}",
                f"{budget.title} minus the mean of the {'other ' if kind == 'direct' else ''}seats",
                count,
                counts=spread.counts and kind != "direct",
            ),
            channel=channel.id,
            seat=seat,
        )
        for kind, budget, count in kinds
        if count
    )


def _spread_checks(
    job: Job,
    channel: Channel,
    seat: str,
    analysis: Analysis,
    spread: _Spread | None,
    budgets: tuple[Budget, ...],
) -> list[Check]:
    if spread is None:
        return []
    limit = job.limit("seats.sub-level") if channel.is_sub else job.limit("seats.level")
    kinds = [("level", spread.level_db, limit, "level relative to the mean of the seats")]
    if channel.is_sub:
        text = f"bass relative to the mean of the seats, lowest at {spread.null_hz:.0f} Hz"
        kinds.append(("bass", spread.null_db, job.limit("seats.null"), text))
    else:
        kinds.append(
            (
                "direct",
                spread.direct_db,
                job.limit("seats.direct"),
                "direct sound, 4–10 kHz, relative to the mean of the other seats",
            )
        )
    u = {budget.id: budget.u for budget in budgets}
    return [
        Check(
            id=f"seats.{name}",
            channel=channel.id,
            seat=seat,
            value=value,
            unit="dB",
            uncertainty=u[f"seats.{name}"],
            limit=bounds,
            text=text,
        )
        for name, value, bounds, text in kinds
        if math.isfinite(value)
    ]
