"""The quiet room in each state: levels (dB SPL if the microphone is calibrated), ratings, hum, differences."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from commission.dsp.background import MASKED_BELOW_DB, audible_excess_db, own_noise_octaves_db
from commission.dsp.hum import LINE_ABOVE_DB
from commission.dsp.levels import energy_sum_db
from commission.dsp.rating import NR_OCTAVES_HZ, Rating, nc_rating, nr_rating, without_own_noise_db
from commission.dsp.spectrum import exact_octave_hz
from commission.dsp.uncertainty import METER_CLASS_U_DB
from commission.dsp.weighting import weighting_db
from commission.model import (
    AnalysedNoise,
    Analyses,
    Budget,
    Check,
    Contribution,
    FloatArray,
    InputError,
    Job,
    NoiseAnalysis,
    SpectralLine,
    Verdict,
)
from commission.model.noise_states import CALIBRATOR, OFF, ORDER, calibrator_db, known_state, spelled
from commission.model.verdict import guard_band
from commission.steps.shared.budgets import CUSTOM, single
from commission.steps.shared.cache import cached

ASSUMED_OWN_DB = 30.0
"""Assumed self-noise of a microphone or meter if none is entered, dB(A): that of a quarter-inch measurement microphone
(common practice, no source)."""
ABOVE_OWN_DB = 3.0
"""A level that is less than this above the self-noise is only an upper bound (ISO 3746, from memory)."""
DIFFERENT_DB = 3.0
"""A state less than this above "everything off" does not show its own level (ISO 3746, from memory)."""
UNKNOWN_CLASS_U_DB = 1.0
CALIBRATOR_U_DB, LEAST_METER_DB = 0.5, 35.0
"""Standard uncertainty of calibrator and microphone together; least level at which a hand meter calibrates a recording,
well above its self-noise (common practice)."""
POSITION_U_DB, LOW_POSITION_U_DB, LOW_HZ = 0.5, 1.0, 250
"""Standard uncertainty of position: levels vary over the width of a head, more in the bass (common practice, no source)."""
THIRD_AT_50_HZ = 11.6
"""Width of the third octave at 50 Hz, Hz."""
GAIN_U_DB, READ_U_DB = 0.2, 0.5
"""Gain between two recordings at one setting; a meter's L_Aeq as read (common practice, no source)."""
HUM_U_DB = 3.0
"""Standard uncertainty for a line in a room: position within 10 cm, and the threshold of hearing (common practice, no
source)."""


def nominal_hz(octave_hz: int) -> float:
    """Centre of an octave by its nominal value: 31 means 31.5 Hz."""
    return 31.5 if octave_hz == 31 else float(octave_hz)


QUANTITIES = ("L_Aeq", "L_Ceq", *(f"{nominal_hz(hz):g} Hz" for hz in NR_OCTAVES_HZ))
"""Quantities that can be entered for each state."""


class Offset(NamedTuple):
    """Offset from levels of recordings to dB SPL."""

    db: float
    u_db: float
    basis: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Noise:
    """One state at one seat."""

    state: str
    known: str | None
    """The state as known to the program; None: a custom name."""
    seat: str
    typed: bool
    calibrated: bool
    """Whether levels are dB SPL, otherwise relative to full scale."""
    octave_db: Mapping[int, float]
    """Octave levels; the instrument's own noise is subtracted where they clearly exceed it."""
    at_most: tuple[int, ...] = ()
    """Octaves whose level is only an upper bound."""
    laeq_db: float | None
    laeq_at_most: bool = False
    laeq_u_db: float
    """Standard uncertainty of L_Aeq from a short recording, or a moving display."""
    lceq_db: float | None
    nc: Rating | None = None
    nr: Rating | None = None
    why_no_rating: str = ""
    third_hz: FloatArray
    third_db: FloatArray
    hum_hz: float | None = None
    hum_db: float | None = None
    """Level of all lines together; None if not calibrated."""
    hum_lines: tuple[SpectralLine, ...] = ()
    hum_excess_db: float | None = None
    """Level of its loudest line above the just audible level."""
    why_no_hum: str = ""
    used_s: float = 0.0
    tones: tuple[SpectralLine, ...] = ()
    remarks: tuple[str, ...] = ()
    count: int = 1
    budget: Budget
    checks: tuple[Check, ...] = ()

    @property
    def deciding_hz(self) -> int | None:
        """The octave that determines NC; None if the mean of 500 Hz to 4 kHz does, or nothing."""
        return None if self.nc is None else self.nc.octave_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A state compared with "everything off" at the same seat, or with the softest state if that was not measured."""

    state: str
    seat: str
    baseline: str
    """Name of the baseline."""
    change_db: float
    """Change of L_Aeq."""
    u_db: float
    source_db: float | None
    """L_Aeq of the source alone; None if it is less than 3 dB above, or nothing is calibrated."""
    octaves_db: Mapping[int, float]
    """Change by octave, for octaves in both."""

    @property
    def octave_hz(self) -> int | None:
        """The octave with the largest rise."""
        return max(self.octaves_db, key=lambda hz: self.octaves_db[hz], default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietResult:
    """All states of a round."""

    noises: tuple[Noise, ...]
    offset: Offset | None
    own_noise_db: float
    own_noise_known: bool
    differences: tuple[Difference, ...] = ()
    problems: tuple[str, ...] = ()
    first: Noise | None = None
    """The state whose source to look for first: the one furthest above the limit, or None."""
    by_state: Mapping[str, tuple[Noise, ...]] = field(default_factory=dict)


def quantity_of(state: str, what: str) -> str:
    """Stored name of a typed reading: "ventilation low: 125 Hz"."""
    return f"{state}: {what}"


def read_quantity(quantity: str) -> tuple[str, str] | None:
    """State and quantity of a stored reading; None for another kind."""
    state, colon, what = quantity.rpartition(":")
    what = next((each for each in QUANTITIES if spelled(each) == spelled(what)), "")
    return (state.strip(), what) if colon and what and state.strip() else None


def nc_check_id(state: str) -> str:
    """Id of the check of a state."""
    return f"quiet.nc.{spelled(state)}"


def hum_check_id(state: str) -> str:
    """Id of the check of the hum of a state."""
    return f"quiet.hum.{spelled(state)}"


@cached
def solve(job: Job, round_id: str, analyses: Analyses) -> QuietResult:
    """Rate every state of a round."""
    recorded = [each for each in analyses.noises if each.round == round_id]
    problems = [f"{each.state} at {each.seat}: {each.problem}" for each in recorded if each.analysis is None]
    usable = [each for each in recorded if each.analysis is not None and known_state(each.state) != CALIBRATOR]
    typed = _typed(job, round_id)
    offset = _offset(job, round_id, analyses, usable, typed)
    instrument = job.system.instrument("microphone" if usable else "meter")
    own_known = instrument is not None and instrument.self_noise_db is not None
    own_db = instrument.self_noise_db if own_known and instrument is not None else ASSUMED_OWN_DB
    assert own_db is not None
    noises: dict[tuple[str, str], Noise] = {}
    names: dict[str, str] = {}
    """One name for each state, as it was written first."""
    for each in usable:  # the newest counts
        key = (spelled(each.state), each.seat)
        before = noises.get(key)
        state = names.setdefault(spelled(each.state), _name_of(each.state))
        noises[key] = _recorded(job, each, state, offset, own_db, 1 + (before.count if before is not None else 0))
    for (state, seat), values in typed.items():
        state = names.setdefault(spelled(state), _name_of(state))
        read, own = _read(job, state, seat, values, own_db), noises.get((spelled(state), seat))
        if own is None or (not own.calibrated and read.nc is not None):
            noises[(spelled(state), seat)] = read
    found = tuple(_checked(job, each, noises.values()) for each in sorted(noises.values(), key=_order))
    by_state: dict[str, tuple[Noise, ...]] = {}
    for noise in found:
        by_state[noise.state] = (*by_state.get(noise.state, ()), noise)
    return QuietResult(
        noises=found,
        offset=offset,
        own_noise_db=own_db,
        own_noise_known=own_known,
        differences=tuple(_differences(found)),
        problems=tuple(problems),
        first=_first(job, found),
        by_state=by_state,
    )


def of_channels(job: Job, round_id: str, analyses: Analyses) -> dict[str, Noise]:
    """Noise of each loudspeaker alone, by channel: the newest recording, preferably at the reference seat."""
    recorded = [each for each in analyses.channel_noises if each.round == round_id and each.analysis is not None]
    if not recorded:
        return {}
    quiet, reference = solve(job, round_id, analyses), job.system.reference_seat
    offset = quiet.offset or _offset(job, round_id, analyses, recorded, {})
    recorded.sort(key=lambda each: (reference is not None and each.seat == reference.id, each.seq))
    newest = {each.channel: each for each in recorded}
    return {c: _recorded(job, each, f"{c} on", offset, quiet.own_noise_db, 1) for c, each in newest.items()}


def _name_of(state: str) -> str:
    """A state in the program's spelling, "Ventilation_HIGH" as "ventilation high"; other names unchanged."""
    known = known_state(state)
    return known if known is not None and spelled(known) == spelled(state) else state


def _order(noise: Noise) -> tuple[int, str, str]:
    """The states in the order of measuring, custom ones last."""
    place = ORDER.index(noise.known) if noise.known in ORDER else len(ORDER)
    return place, spelled(noise.state), noise.seat


def loudest(noises: Iterable[Noise]) -> Noise | None:
    """The noise with the highest NC, otherwise the highest L_Aeq."""
    return max(noises, key=lambda n: (-1.0 if n.nc is None else n.nc.value, n.laeq_db or -math.inf), default=None)


# --- calibration ------------------------------------------------------------------------------------------------------


def _typed(job: Job, round_id: str) -> dict[tuple[str, str], dict[str, float]]:
    """(state, seat) → typed values, the newest of each."""
    reference = job.system.reference_seat
    out: dict[tuple[str, str], dict[str, float]] = {}
    names: dict[str, str] = {}
    for reading in job.readings_of(round_id, "quiet"):
        read = read_quantity(reading.body.quantity)
        seat = reading.body.seat or (reference.id if reference is not None else "")
        if read is not None:
            state = names.setdefault(spelled(read[0]), read[0])
            out.setdefault((state, seat), {})[read[1]] = reading.body.value
    return out


def _offset(
    job: Job,
    round_id: str,
    analyses: Analyses,
    usable: list[AnalysedNoise],
    typed: Mapping[tuple[str, str], Mapping[str, float]],
) -> Offset | None:
    """Offset by a recorded calibrator, the entered sensitivity, a calibrator of another round, or a meter beside a
    recording.
    """
    if not usable:
        return None
    calibrations = [
        each
        for each in analyses.noises
        if known_state(each.state) == CALIBRATOR and each.analysis is not None and not each.analysis.clipped
    ]
    own = [each for each in calibrations if each.round == round_id]
    microphone = job.system.instrument("microphone")
    if not own and microphone is not None and microphone.full_scale_db is not None:
        return Offset(microphone.full_scale_db, CALIBRATOR_U_DB, "the entered level of full scale")
    for each in reversed(own or calibrations):
        assert each.analysis is not None
        if _is_tone(each.analysis):
            level_db = calibrator_db(each.state)
            where = "" if own else ", recorded in another round: the gain must not have been changed since"
            basis = f"a calibrator of {level_db:g} dB{where}"
            return Offset(level_db - each.analysis.c_db, CALIBRATOR_U_DB, basis)
    beside = [
        (values["L_Aeq"], each)
        for each in usable
        for (state, seat), values in typed.items()
        if spelled(state) == spelled(each.state) and seat == each.seat and values.get("L_Aeq", 0.0) >= LEAST_METER_DB
    ]
    if beside:
        level_db, each = max(beside, key=lambda pair: pair[0])
        assert each.analysis is not None
        basis = f"the meter's {level_db:g} dB(A) with {each.state}"
        return Offset(level_db - each.analysis.a_db, math.hypot(_meter_u_db(job), 0.5), basis)
    return None


def _is_tone(analysis: NoiseAnalysis) -> bool:
    """Whether one octave contains nearly all of a recording, as with a calibrator."""
    levels = list(analysis.octave_db.values())
    return bool(levels) and max(levels) > energy_sum_db(levels) - 1.0


def _meter_u_db(job: Job) -> float:
    meter = job.system.instrument("meter")
    accuracy = None if meter is None else meter.accuracy_class
    return UNKNOWN_CLASS_U_DB if accuracy is None else METER_CLASS_U_DB[accuracy]


# --- one state --------------------------------------------------------------------------------------------------------


def _recorded(job: Job, item: AnalysedNoise, state: str, offset: Offset | None, own_db: float, count: int) -> Noise:
    a = item.analysis
    assert a is not None
    shift = 0.0 if offset is None else offset.db
    octaves = {hz: level + shift for hz, level in a.octave_db.items()}
    thirds = a.third_octave_db + shift
    remarks = []
    if not a.steady:
        remarks.append("the level changes during the recording: what is given is its mean")
    elif a.excluded_s:
        remarks.append(f"{a.excluded_s:.1f} s of {a.seconds:.0f} s with other sounds left out")
    if a.clipped:
        remarks.append("the recording clips")
    lines = tuple(line._replace(level_db=line.level_db + shift) for line in a.hum_lines)
    excess = [audible_excess_db(line, a.third_octave_hz, thirds) for line in lines]
    calibrated = offset is not None and not a.clipped
    return _noise(
        job,
        state,
        item.seat,
        octaves,
        a.a_db + shift,
        a.c_db + shift,
        own_db if calibrated else None,
        u_time_db=a.octave_u_db,
        instrument=_instrument(offset),
        why_not=""
        if calibrated
        else "the recording clips"
        if a.clipped
        else "the microphone is not calibrated: only differences between states are known",
        extra={
            "typed": False,
            "third_hz": a.third_octave_hz,
            "third_db": thirds,
            "hum_hz": a.hum_hz,
            "hum_db": energy_sum_db([line.level_db for line in lines]) if lines and calibrated else None,
            "hum_lines": lines,
            "hum_excess_db": max(excess) if excess and calibrated else None,
            "why_no_hum": a.why.get("hum", ""),
            "tones": tuple(line._replace(level_db=line.level_db + shift) for line in a.tones),
            "used_s": a.used_s,
            "remarks": tuple(remarks),
            "count": count,
        },
    )


def _instrument(offset: Offset | None) -> Contribution | None:
    if offset is None:
        return None
    return Contribution(
        source="calibration of the microphone", u=offset.u_db, unit="dB", shared=True, basis=offset.basis
    )


def _read(job: Job, state: str, seat: str, values: Mapping[str, float], own_db: float) -> Noise:
    octaves = {hz: values[name] for hz, name in zip(NR_OCTAVES_HZ, QUANTITIES[2:], strict=True) if name in values}
    weighted = None
    if len([hz for hz in octaves if hz >= 63]) == len(NR_OCTAVES_HZ) - 1:
        weighted = _weighted_db(octaves)
    u_db = _meter_u_db(job)
    meter = Contribution(
        source="level meter", u=u_db, unit="dB", shared=True, basis="its class (IEC 61672-1, from memory)"
    )
    return _noise(
        job,
        state,
        seat,
        octaves,
        values.get("L_Aeq", weighted),
        values.get("L_Ceq"),
        own_db,
        u_time_db={},
        instrument=meter,
        why_not="",
        extra={
            "typed": True,
            "third_hz": np.array([]),
            "third_db": np.array([]),
            "why_no_hum": "hum needs a recording",
        },
    )


def _weighted_db(octaves: Mapping[int, float]) -> float:
    """A-weighted level of octave levels, each weighted at its centre."""
    hz = np.array([exact_octave_hz(each) for each in octaves])
    return energy_sum_db(list(np.array(list(octaves.values())) + weighting_db(hz, "A")))


def _weighted_u_db(octaves: Mapping[int, float], u_db: Mapping[int, float]) -> float:
    """Standard uncertainty of the A-weighted level from those of the octaves, by their share of its power."""
    hz = list(octaves)
    a_db = weighting_db(np.array([exact_octave_hz(each) for each in hz]), "A")
    power = 10 ** ((np.array([octaves[each] for each in hz]) + a_db) / 10)
    parts = power / power.sum() * np.array([u_db.get(each, 0.0) for each in hz])
    return float(np.sqrt(np.sum(parts**2)))


def _noise(
    job: Job,
    state: str,
    seat: str,
    octaves: Mapping[int, float],
    laeq_db: float | None,
    lceq_db: float | None,
    own_db: float | None,
    *,
    u_time_db: Mapping[int, float],
    instrument: Contribution | None,
    why_not: str,
    extra: Mapping[str, object],
) -> Noise:
    """Rate one state. `own_db`: self-noise of the instrument, dB(A); None if levels are relative."""
    nc = nr = None
    at_most: tuple[int, ...] = ()
    laeq_at_most = False
    if own_db is not None:
        octaves, at_most = without_own_noise_db(octaves, own_noise_octaves_db(own_db))
        laeq_at_most = laeq_db is not None and laeq_db < own_db + ABOVE_OWN_DB
        why_not = why_not or _missing(octaves)
        if not why_not:
            nc, nr = nc_rating(octaves, at_most), nr_rating(octaves, at_most)
    sensitivity = _sensitivity(octaves, at_most) if nc is not None else 1.0
    return Noise(
        state=state,
        known=known_state(state),
        seat=seat,
        calibrated=own_db is not None,
        octave_db=dict(octaves),
        at_most=at_most,
        laeq_db=laeq_db,
        laeq_at_most=laeq_at_most,
        laeq_u_db=_weighted_u_db(octaves, u_time_db) if u_time_db else READ_U_DB,
        lceq_db=lceq_db,
        nc=nc,
        nr=nr,
        why_no_rating=why_not,
        budget=_nc_budget(state, seat, nc, sensitivity, u_time_db, instrument),
        **extra,  # type: ignore[arg-type]
    )


def _nc_budget(
    state: str,
    seat: str,
    nc: Rating | None,
    sensitivity: float,
    u_time_db: Mapping[int, float],
    instrument: Contribution | None,
) -> Budget:
    """Budget of NC: the level in the octave that determines it or, without NC, that at 1 kHz."""
    hz = nc.octave_hz if nc is not None and nc.octave_hz is not None else 1000
    place = Contribution(
        source="position of the microphone",
        u=LOW_POSITION_U_DB if hz < LOW_HZ else POSITION_U_DB,
        unit="dB",
        basis="over the width of a head; common practice, no source",
    )
    parts = [place] if instrument is None else [instrument, place]
    if hz in u_time_db:
        parts.append(Contribution(source="length of the recording", u=u_time_db[hz], unit="dB", basis="4.34/√(B·T)"))
    return Budget(
        id=nc_check_id(state),
        title=f"NC with {state}",
        unit="NC" if nc else "dB",
        contributions=tuple(replace(each, sensitivity=sensitivity) for each in parts),
        seat=seat,
    )


def _missing(octaves: Mapping[int, float]) -> str:
    try:
        nc_rating(octaves)
    except InputError as error:
        return (
            f"NC needs octave levels from 63 Hz to 8 kHz; {error.found}" if octaves else "no octave levels are known"
        )
    return ""


def _sensitivity(octaves: Mapping[int, float], at_most: tuple[int, ...]) -> float:
    """Change of NC for one decibel in all octaves."""
    up, down = (nc_rating({hz: v + d for hz, v in octaves.items()}, at_most).value for d in (1.0, -1.0))
    return max(0.5 * (up - down), 0.5)


def nc_check(job: Job, noise: Noise, check_id: str, channel: str | None = None) -> Check:
    """NC against its limit."""
    limit, value = job.limit("quiet.nc"), None if noise.nc is None else noise.nc.value
    why = noise.why_no_rating or None
    bound = "" if noise.nc is None else noise.nc.bound
    if value is not None and bound == "at most" and value > limit.upper:
        why = "the self-noise of the instrument decides; a quieter one is needed"
    return Check(
        id=check_id,
        channel=channel,
        seat=noise.seat,
        value=value,
        unit="NC",
        uncertainty=0.0 if bound else noise.budget.u,
        limit=limit,
        why_not=why,
        text=f"NC with {noise.state}",
    )


def _baseline_problem(noise: Noise, noises: Iterable[Noise]) -> str | None:
    """Reason why a recording of "everything off" is wrong: nothing becomes quieter when a source is switched on."""
    if noise.known != OFF or noise.nc is None:
        return None
    other = min(
        (
            n
            for n in noises
            if n is not noise and n.seat == noise.seat and n.nc is not None and n.typed == noise.typed
        ),
        key=lambda n: n.nc.value if n.nc is not None else math.inf,
        default=None,
    )
    if other is None or other.nc is None or other.nc.value > noise.nc.value - DIFFERENT_DB:
        return None
    return (
        f"with {other.state} it was quieter (NC {other.nc.value:.0f} instead of NC {noise.nc.value:.0f}), so another sound "
        "was heard then; record it again"
    )


def _checked(job: Job, noise: Noise, noises: Iterable[Noise]) -> Noise:
    check = nc_check(job, noise, nc_check_id(noise.state))
    checks = [replace(check, why_not=check.why_not or _baseline_problem(noise, noises))]
    if noise.nc is None and noise.typed and noise.laeq_db is not None and not noise.laeq_at_most:
        checks = [
            Check(
                id=nc_check_id(noise.state),
                seat=noise.seat,
                value=noise.laeq_db,
                unit="dB(A)",
                uncertainty=noise.budget.u,
                limit=job.limit("quiet.laeq"),
                text=f"L_Aeq with {noise.state}",
            )
        ]
    if not noise.typed:
        checks.append(hum_check(job, noise, hum_check_id(noise.state)))
    return replace(noise, checks=tuple(checks))


def hum_budget(noise: Noise, check_id: str, channel: str | None = None) -> Budget | None:
    """Budget of detected hum; None without any."""
    if noise.hum_hz is None:
        return None
    source = "a line within 10 cm of the point, and the threshold of hearing"
    budget = single(check_id, "Hum above what is just heard", source, HUM_U_DB, CUSTOM)
    return replace(budget, channel=channel, seat=noise.seat)


def hum_check(job: Job, noise: Noise, check_id: str, channel: str | None = None) -> Check:
    """Check of audible hum; if none was found, whether undetected hum could be audible."""
    why, value, none = noise.why_no_hum or None, noise.hum_excess_db, noise.hum_hz is None
    if none and why is None:
        value = undetected_hum_excess_db(noise.used_s)
    elif value is None and why is None:
        why = f"hum was found, but its level is unknown: {noise.why_no_rating}"
    return Check(
        id=check_id,
        channel=channel,
        seat=noise.seat,
        value=value,
        unit="dB",
        uncertainty=0.0 if none else HUM_U_DB,
        words="no hum found" if none and why is None else "",
        limit=job.limit("quiet.hum"),
        why_not=why,
        text=f"hum with {noise.state} above what is just heard",
    )


def undetected_hum_excess_db(used_s: float) -> float:
    """Largest level of an undetected line of hum above the just audible level, for that time [dB].

    Its bin is less than 11.5 dB above the median, which is 1.6 dB below the mean; noise masks it by its whole third
    octave less 4 dB. Calculated at 50 Hz, where the third octave is narrowest.
    """
    return LINE_ABOVE_DB + 1.6 + MASKED_BELOW_DB - 10 * math.log10(THIRD_AT_50_HZ * used_s)


# --- between states ---------------------------------------------------------------------------------------------------


def baseline_of(noise: Noise, noises: Iterable[Noise]) -> Noise | None:
    """The state with everything off at the same seat, with equal calibration; None if missing."""
    return next(
        (n for n in noises if n.known == OFF and n.seat == noise.seat and n.typed == noise.typed),
        None,
    )


def _differences(noises: tuple[Noise, ...]) -> Iterator[Difference]:
    for each in noises:
        off = baseline_of(each, noises) or _softest(each, noises)
        if off is None or off is each or each.laeq_db is None or off.laeq_db is None:
            continue
        change = each.laeq_db - off.laeq_db
        alone = 10 ** (each.laeq_db / 10) - 10 ** (off.laeq_db / 10)
        yield Difference(
            state=each.state,
            seat=each.seat,
            baseline=off.state,
            change_db=change,
            u_db=math.hypot(each.laeq_u_db, off.laeq_u_db, GAIN_U_DB),
            source_db=10 * math.log10(alone)
            if change >= DIFFERENT_DB and each.calibrated and off.known == OFF
            else None,
            octaves_db={hz: each.octave_db[hz] - off.octave_db[hz] for hz in each.octave_db if hz in off.octave_db},
        )


def _softest(noise: Noise, noises: Iterable[Noise]) -> Noise | None:
    """The softest state at the same seat, with equal calibration."""
    alike = [n for n in noises if (n.seat, n.typed) == (noise.seat, noise.typed) and n.laeq_db is not None]
    return min(alike, key=lambda n: n.laeq_db or 0.0, default=None)


def largest_change(differences: Iterable[Difference]) -> Difference | None:
    """The state furthest above its baseline, by at least 3 dB and beyond its uncertainty."""
    sure = [each for each in differences if each.change_db >= max(DIFFERENT_DB, guard_band(each.u_db))]
    return max(sure, key=lambda each: each.change_db, default=None)


def _first(job: Job, noises: tuple[Noise, ...]) -> Noise | None:
    failed = [n for n in noises if any(c.verdict is Verdict.FAIL and c.id == nc_check_id(n.state) for c in n.checks)]
    return loudest(n for n in failed if is_above_off(n, noises)) or loudest(failed)


def is_above_off(noise: Noise, noises: Iterable[Noise]) -> bool:
    """Whether a state is 3 dB above "everything off" in the octave that determines its rating; False if unknown."""
    off = baseline_of(noise, noises)
    rise_db = None if off is None or off is noise else deciding_rise_db(noise, off)
    return rise_db is not None and rise_db >= DIFFERENT_DB


def deciding_rise_db(noise: Noise, baseline: Noise) -> float | None:
    """Rise of a state above another in the octave that determines its rating, otherwise in L_Aeq; None if unknown."""
    hz = noise.deciding_hz
    if hz is not None and hz in baseline.octave_db:
        return noise.octave_db[hz] - baseline.octave_db[hz]
    if noise.laeq_db is None or baseline.laeq_db is None:
        return None
    return noise.laeq_db - baseline.laeq_db
