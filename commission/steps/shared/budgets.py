"""Uncertainty budgets of levels, delays and noise: each standard uncertainty in these steps is the `u` of one.

Repeats reduce the scatter of the reading by the root of their number. With a meter held by hand they also reduce the
scatter of its position, since it is lowered and held up again for each. Resolution, the position of a stand and `shared`
parts are not reduced; seats are independent of each other.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from typing import Literal

from commission.dsp import timing
from commission.dsp import uncertainty as u_of
from commission.dsp.placement import DISPLACED_M as METER_DISPLACED_M
from commission.dsp.placement import Support, mean_place_u_db, put_back_u_db
from commission.dsp.repeatability import DISPLACED_M, Repeatability
from commission.dsp.variance import VarianceParts
from commission.model import Budget, Contribution, DelayRange, Distribution
from commission.model.units import FOOT_M, counted

CUSTOM = "common practice, no source"
PLACED, PLACED_THIRDS, DISPLACED, ARRIVED, ONSET = (
    f"determined by simulation (tests/references/{name}.py)"
    for name in ("placement", "repeated_placings", "displaced_meter", "direct_sounds", "sub_onset")
)
TEMPERATURE_WITHIN_K = 3.0
TEMPERATURE_U_K = TEMPERATURE_WITHIN_K / math.sqrt(3)
"""Air temperature along the path of the sound within ±3 K of the reading, rectangular (common practice, no source)."""
PLACEMENT_U_DB = put_back_u_db(0.02, is_sub=False)
"""Level of a response with the microphone put back within 2 cm; an upper bound for subwoofers."""
ANGLE_U_DB, GAIN_U_DB, ESTIMATOR_U_DB = 0.17, 0.06, 0.01
"""Microphone's angle ±0.3 dB and gain ±0.1 dB, both rectangular; noise and estimator (all common practice, no source)."""


SUB_CENTRE = (
    f"where a subwoofer's sound comes from, within ±{100 * u_of.SUB_CENTRE_WITHIN_M:.0f} cm of the point taped"
)
SUB_CENTRE_BASIS = "two thirds of the baffle's radius in front of the diaphragm (Vanderkooy 2010, from a summary)"
MEAN_PLACE = "mean of the places around the seat"
BY_REPEATS = "scatter of the visit's repeated readings, combined with the default (JCGM 101 6.4.9.4)"


def level_budget(
    channel: str,
    *,
    support: Support,
    place_db: float,
    eye_db: float,
    most_place_db: float,
    factor: float,
    dof: float,
    shares: tuple[float, ...],
    counts: tuple[int, ...],
    repeated: bool,
    resolution_db: float,
    sub_noise_db: float = 0.0,
    seat: str | None = None,
) -> Budget:
    """Level of this channel read from a meter, without the meter's own error.

    `shares` and `counts`: weight (their sum is 1) and number of readings of each seat; `place_db`, `eye_db`: assumed
    scatter of one reading; `factor`: its factor by repeats; `repeated`: whether there are any; `most_place_db`: upper
    bound of the part due to position. By hand each reading is at a different position, and averaging reduces it; a stand
    stays where it is.
    """
    repeats = math.sqrt(sum(share**2 / count for share, count in zip(shares, counts, strict=True)))
    text = counted(sum(counts), "reading")

    def scatter(source: str, u: float, basis: str) -> Contribution:
        return Contribution(
            source=f"{source}, {text}",
            u=factor * u,
            unit="dB",
            sensitivity=repeats,
            dof=dof,
            evaluation="A" if repeated else "B",
            basis=BY_REPEATS if repeated else basis,
        )

    parts = [scatter("eye on the moving display", eye_db, f"0.2 to 0.8 dB by meter and noise ({CUSTOM})")]
    if support == "hand":
        parts.append(scatter(f"meter held by hand {_within(support)}", place_db, DISPLACED))
    if sub_noise_db:
        parts.append(scatter("subwoofer noise", sub_noise_db, "4.34/√(B·T) for 50 Hz over 20 s"))
    stay_db = mean_place_u_db(most_place_db, is_sub=sub_noise_db > 0) if support == "hand" else place_db
    parts += [_display(resolution_db), _place(support, stay_db, shares)]
    return Budget(
        id="levels.reading",
        title="Hand-read level of one channel",
        unit="dB",
        contributions=tuple(parts),
        channel=channel,
        seat=seat,
    )


def _within(support: Support) -> str:
    return f"within {100 * METER_DISPLACED_M[support]:.0f} cm of the seat"


def _place(support: Support, u_db: float, shares: tuple[float, ...]) -> Contribution:
    """Standard uncertainty of the meter's position after repeats: by hand that of the mean, on a stand unreduced."""
    return Contribution(
        source=MEAN_PLACE if support == "hand" else f"meter on a stand {_within(support)}",
        u=u_db,
        unit="dB",
        sensitivity=math.sqrt(sum(share**2 for share in shares)),
        basis=DISPLACED,
    )


def level_match(level: Budget, u_one: float, sensitivity: float) -> Budget:
    """A level relative to the main channels' median or, without one, to its target."""
    title = (
        "Hand-read level relative to the other channels" if sensitivity else "Hand-read level relative to its target"
    )
    return replace(with_median(level, u_one, sensitivity), id="levels.match", title=title)


def level_reference(u_one: float, count: int, accuracy_class: int, seat: str | None) -> Budget:
    """The main channels' median minus the reference: the meter's own error and the scatter of the median."""
    line = Contribution(
        source=f"median of {count} main channels",
        u=u_one,
        unit="dB",
        sensitivity=min(1.2533 / math.sqrt(count), 1.0),
        basis="1.25/√n (Kendall and Stuart, from memory)",
    )
    return Budget(
        id="levels.reference",
        title="All main channels relative to the reference",
        unit="dB",
        contributions=(line, _meter(accuracy_class)),
        seat=seat,
    )


def _display(resolution: float, unit: str = "dB", source: str = "resolution of the display") -> Contribution:
    return Contribution(
        source=source,
        u=u_of.resolution_u(resolution),
        unit=unit,
        distribution="rectangular",
        basis=f"steps of {resolution:g} {unit} (JCGM 100 4.3.7)",
    )


def _meter(accuracy_class: int) -> Contribution:
    limit = {1: 0.7, 2: 1.0}[accuracy_class]
    return Contribution(
        source=f"class {accuracy_class} meter",
        u=u_of.METER_CLASS_U_DB[accuracy_class],
        unit="dB",
        shared=True,
        basis=f"±{limit} dB at 1 kHz, k = 2 (IEC 61672-1, from memory)",
    )


def absolute_level(level: Budget, accuracy_class: int) -> Budget:
    """The level in dB SPL: including the meter's own part, which is common to all channels."""
    parts = (*level.contributions, _meter(accuracy_class))
    return replace(level, id="levels.absolute", title="Hand-read level, absolute", contributions=parts)


def level_left(level: Budget, step_db: float) -> Budget:
    """A level relative to its target after the new trim is entered, before it is read again."""
    rounding = replace(
        _display(step_db, source="rounding of the trim"), basis=f"the processor's steps of {step_db:g} dB"
    )
    return replace(
        level,
        id="levels.left",
        title="Level after the trim is entered, relative to its target",
        contributions=(*level.contributions, rounding),
    )


def repeat_spread(resolution_db: float) -> Budget:
    """Largest minus smallest reading: the display was read twice. The scatter itself is checked."""
    both = (
        _display(resolution_db, source="resolution, largest reading"),
        _display(resolution_db, source="resolution, smallest reading"),
    )
    return Budget(id="levels.repeat", title="Largest minus smallest reading", unit="dB", contributions=both)


def _distance(origin: str, speed_m_s: float, *, is_sub: bool) -> tuple[Contribution, ...]:
    """Uncertainty of a distance between ears and loudspeaker, by tape or from positions."""
    rest = (
        ("sag and kinks of the tape, within ±1 cm", u_of.SAG_U_M)
        if origin == "tape"
        else ("both positions, within a few centimetres", u_of.SURVEY_U_M)
    )
    centre = (
        (SUB_CENTRE, u_of.SUB_CENTRE_U_M, SUB_CENTRE_BASIS)
        if is_sub
        else (
            "where the sound of the loudspeaker comes from, within ±4 cm of the point taped",
            u_of.CENTRE_U_M,
            CUSTOM,
        )
    )
    known = (("where the ears are, within ±2 cm", u_of.EARS_U_M, CUSTOM), centre, (*rest, CUSTOM))
    return tuple(
        Contribution(
            source=source, u=u, unit="m", sensitivity=1000 / speed_m_s, distribution="rectangular", basis=basis
        )
        for source, u, basis in known
    )


def _air(apart_m: float, speed_m_s: float, temperature_c: float) -> Contribution:
    """Air warmer than noted shortens all travel times: only a channel's excess over the others remains."""
    each_k = -0.5 * apart_m / speed_m_s / (temperature_c + 273.15)  # c goes with the root of absolute temperature
    return Contribution(
        source=f"air temperature within ±{TEMPERATURE_WITHIN_K:g} K",
        u=TEMPERATURE_U_K,
        unit="K",
        sensitivity=1000 * each_k,
        distribution="rectangular",
        shared=True,
        basis=f"ISO 9613-1 for c; ±{TEMPERATURE_WITHIN_K:g} K: {CUSTOM}",
    )


def flight_budget(
    channel: str, *, origin: str, is_sub: bool, apart_m: float, speed_m_s: float, temperature_c: float
) -> Budget:
    """Delay by a setting minus the delay needed, against the main channels' median [ms].

    `apart_m`: the channel's distance minus that of the others (their median).
    """
    return Budget(
        id="distances.setting",
        title="Delay set minus delay required",
        unit="ms",
        channel=channel,
        contributions=(*_distance(origin, speed_m_s, is_sub=is_sub), _air(apart_m, speed_m_s, temperature_c)),
    )


def arrival_parts(u_s: float, *, is_sub: bool) -> tuple[Contribution, ...]:
    """Sources of an arrival's own uncertainty `u_s` [s], as analysed."""
    if is_sub:
        known_s = min(u_s, timing.U_SUB_S)
        parts = [Contribution(source="onset of a subwoofer", u=1000 * known_s, unit="ms", basis=CUSTOM)]
        rest = math.sqrt(max(u_s**2 - known_s**2, 0.0))
        if rest > 1e-9:
            source = "delay of its low-pass, or a weaker sound before it"
            parts.append(Contribution(source=source, u=1000 * rest, unit="ms", basis=ONSET))
        return tuple(parts)
    if u_s < timing.U_MAIN_S * (1 - 1e-9):
        return (Contribution(source="arrival, as estimated by the analysis", u=1000 * u_s, unit="ms"),)
    known: tuple[tuple[str, float, str, Distribution], ...] = (
        ("noise and estimator", timing.ESTIMATOR_U_S, CUSTOM, "normal"),
        ("microphone placed within 2 cm", timing.PLACEMENT_U_S, f"2 cm of path; {CUSTOM}", "normal"),
        ("type of crossover", timing.CROSSOVER_U_S, ARRIVED, "normal"),
        ("acoustic centre within ±30 mm", timing.CENTRE_U_S, CUSTOM, "rectangular"),
    )
    parts = [
        Contribution(source=source, u=1000 * u, unit="ms", distribution=distribution, basis=basis)
        for source, u, basis, distribution in known
    ]
    rest = math.sqrt(max(u_s**2 - timing.U_MAIN_S**2, 0.0))
    if rest > 1e-9:
        source = "which of two arrivals is the direct sound"
        parts.append(Contribution(source=source, u=1000 * rest, unit="ms", basis="half the time between them"))
    return tuple(parts)


def arrival_budget(flight: Budget | None, u_s: float, *, channel: str, is_sub: bool) -> Budget:
    """Arrival minus tape and setting [ms] or, without `flight`, minus the main channels' median.

    The uncertainty of a subwoofer's onset includes where its sound comes from, so that this does not count twice.
    """
    title = "Arrival minus the main channels' median" if flight is None else "Arrival minus tape and setting"
    parts = () if flight is None else [each for each in flight.contributions if each.source != SUB_CENTRE]
    return Budget(
        id="distances.arrival",
        title=title,
        unit="ms",
        channel=channel,
        contributions=(*arrival_parts(u_s, is_sub=is_sub), *parts),
    )


def with_median(budget: Budget, u_one: float, sensitivity: float) -> Budget:
    """The budget with the scatter of the main channels' median, to which a value is relative; `u_one`: u of one of them.

    It is left out if it adds nothing: a channel among those that agree shares its own error with their median.
    """
    if not sensitivity > 0:
        return budget
    line = Contribution(
        source="the main channels' median",
        u=u_one,
        unit=budget.unit,
        shared=True,
        sensitivity=sensitivity,
        basis="scatter of a median, minus what the channel shares with it",
    )
    return replace(budget, contributions=(*budget.contributions, line))


def delay_left(flight: Budget, delay: DelayRange, own_m_s: float) -> Budget:
    """Error of a delay after the new setting is entered, before it is measured again [ms]."""
    unit_ms = {"ms": 1.0, "m": 1000 / own_m_s, "ft": 1000 * FOOT_M / own_m_s}[delay.unit]
    line = Contribution(
        source="rounding of the setting",
        u=u_of.resolution_u(delay.step),
        unit=delay.unit,
        sensitivity=unit_ms,
        distribution="rectangular",
        basis=f"the processor's steps of {delay.step:g} {delay.unit}",
    )
    return replace(
        flight,
        id="distances.left",
        title="Delay error after the setting is entered",
        contributions=(*flight.contributions, line),
    )


def response_level() -> Budget:
    """Level of a response at one seat [dB], after placing the microphone again."""
    lines = (
        Contribution(source="noise and estimator", u=ESTIMATOR_U_DB, unit="dB", basis=CUSTOM),
        Contribution(source="microphone placed within 2 cm", u=PLACEMENT_U_DB, unit="dB", basis=PLACED),
        Contribution(
            source="microphone angle, ±0.3 dB", u=ANGLE_U_DB, unit="dB", distribution="rectangular", basis=CUSTOM
        ),
        Contribution(
            source="gain stability, ±0.1 dB", u=GAIN_U_DB, unit="dB", distribution="rectangular", basis=CUSTOM
        ),
    )
    return Budget(id="seats.response", title="Level of a response at one seat", unit="dB", contributions=lines)


def with_gain(budget: Budget, u_db: float, sensitivity: float = 1.0) -> Budget:
    """The budget for a seat whose recordings were corrected for a changed gain."""
    line = Contribution(
        source="correction of the gain at that seat",
        u=u_db,
        unit="dB",
        sensitivity=sensitivity,
        basis="against all seats and main channels",
    )
    return replace(budget, contributions=(*budget.contributions, line))


def single(check_id: str, title: str, source: str, u: float, basis: str, unit: str = "dB") -> Budget:
    """A budget of one line: only the total is known."""
    return Budget(
        id=check_id, title=title, unit=unit, contributions=(Contribution(source=source, u=u, unit=unit, basis=basis),)
    )


@lru_cache(maxsize=256)  # every seat and channel has one of few
def against_mean(budget: Budget, check_id: str, title: str, seats: int, *, counts: bool) -> Budget:
    """The budget for one seat minus the mean over `seats` seats; `counts`: whether it is one of them.

    A seat that is part of the mean cancels a share of its own error: 1 − 1/n of the variance remains, otherwise 1 + 1/n.
    """
    share = math.sqrt(1 - 1 / seats if counts else 1 + 1 / seats)
    lines = tuple(replace(each, sensitivity=each.sensitivity * share) for each in budget.contributions)
    return replace(budget, id=check_id, title=title, contributions=lines)


def variance_budget(budget_id: str, channel: str, parts: VarianceParts, repeats: Repeatability) -> Budget:
    """Mean variance over the seats in one band [dB²], by its sources."""
    kind: Literal["A", "B"] = "A" if repeats.repeated else "B"
    placed = (
        "repeats, combined with the default (JCGM 101 6.4.9.4)"
        if repeats.repeated
        else f"put back within {100 * DISPLACED_M:.0f} cm; {PLACED_THIRDS}"
    )
    lines = [
        Contribution(source=source, u=part, unit="dB²", dof=dof, evaluation=own, basis=text)
        for source, part, dof, own, text in (
            ("gain: shifts a seat's whole band", parts.gain_db2, repeats.dof, kind, CUSTOM),
            ("microphone position: shifts each third octave", parts.place_db2, parts.place_dof, kind, placed),
            ("noise", parts.noise_db2, repeats.dof, kind, "repeats; larger where the level is low"),
            ("second order: square of the scatter", parts.second_db2, math.inf, "B", "JCGM 100 5.1.2, note"),
        )
        if part > 0
    ]
    return Budget(
        id=budget_id, title="Variance over the seats", unit="dB²", channel=channel, contributions=tuple(lines)
    )


def change_budget(before: Budget, after: Budget) -> Budget:
    """Change of a variance from one round to another, with the microphone placed again.

    Errors of the rounds are independent, but their scatter is known from the same repeats. Together they have no more
    degrees of freedom than each: 1/√ν = Σ (u²/√ν)/Σ u².
    """
    lines: dict[str, list[Contribution]] = {}
    for each in (*before.contributions, *after.contributions):
        lines.setdefault(each.source, []).append(each)
    parts = []
    for own in lines.values():
        square = sum(each.part**2 for each in own)
        known = sum(each.part**2 / math.sqrt(each.dof) for each in own)
        parts.append(
            replace(own[0], u=math.sqrt(square), sensitivity=1.0, dof=(square / known) ** 2 if known else math.inf)
        )
    return replace(after, title="Change of the variance over the seats", contributions=tuple(parts))


def signal_to_noise() -> Budget:
    """Signal-to-noise ratio of a response: its noise is estimated from a short section."""
    return single(
        "seats.snr", "Signal-to-noise ratio of a response", "noise estimated from a short section", 0.5, CUSTOM
    )


def one_a_kind(budgets: Iterable[Budget]) -> tuple[Budget, ...]:
    """For each kind, the budget of most channels once; after it those that differ, with their channel and seat."""
    kinds: dict[str, list[Budget]] = {}
    for each in budgets:
        kinds.setdefault(each.id, []).append(each)
    out: list[Budget] = []
    for own in kinds.values():
        common = Counter(each.contributions for each in own).most_common(1)[0][0]
        first = next(each for each in own if each.contributions == common)
        out.append(replace(first, channel=None, seat=None))
        out += dict.fromkeys(each for each in own if each.contributions != common)
    return tuple(out)
