"""Noise and hum of a loudspeaker itself: recorded with its amplifier on and nothing playing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from commission.model import Analyses, Budget, Check, Job, Verdict
from commission.model.noise_states import OFF
from commission.steps import quiet
from commission.steps.quiet import Noise
from commission.steps.shared.cache import cached

QUIETER_HUM_DB = 6.0
"""Hum that is softer by this without the channel is the channel's (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNoise:
    """One channel's own noise, against the same seat without it."""

    channel: str
    noise: Noise
    baseline: Noise | None
    """Everything off at the same seat; otherwise the softest of the other channels there."""
    baseline_name: str = ""
    checks: tuple[Check, ...] = ()
    budgets: tuple[Budget, ...] = ()

    @property
    def baseline_is_off(self) -> bool:
        """Whether everything was off; another channel that hums may share the cause."""
        return self.baseline is not None and self.baseline.known == OFF


@cached
def channel_noises(job: Job, round_id: str, analyses: Analyses) -> Mapping[str, ChannelNoise]:
    """Own noise of every channel of a round with such a recording."""
    noises = quiet.of_channels(job, round_id, analyses)
    room = quiet.solve(job, round_id, analyses).noises if noises else ()
    out = {}
    for channel in (c.id for c in job.system.channels if c.id in noises):
        noise = noises[channel]
        off = quiet.baseline_of(noise, room)
        others = {c: n for c, n in noises.items() if c != channel and n.seat == noise.seat}
        softest = min(others, key=lambda c: others[c].laeq_db or 0.0, default=None)
        name = "everything off" if off is not None else "" if softest is None else f"{softest} on"
        found = ChannelNoise(
            channel=channel,
            noise=noise,
            baseline=off if off is not None or softest is None else others[softest],
            baseline_name=name,
        )
        out[channel] = replace(
            found, checks=(_noise_check(job, found), _hum_check(job, found)), budgets=tuple(_budgets(found))
        )
    return out


def _budgets(found: ChannelNoise) -> Iterator[Budget]:
    """Budgets of detected noise and hum: mere bounds have none."""
    noise = found.noise
    if noise.nc is not None and not noise.nc.bound:
        title = f"NC with the amplifier of {found.channel} on"
        yield replace(noise.budget, id="wiring.noise", title=title, channel=found.channel)
    hum = quiet.hum_budget(noise, "wiring.hum", found.channel)
    if hum is not None:
        yield hum


def _noise_check(job: Job, found: ChannelNoise) -> Check:
    noise, baseline = found.noise, found.baseline
    check = quiet.nc_check(job, noise, "wiring.noise", found.channel)
    if check.verdict in (Verdict.PASS, Verdict.NOT_TESTED):
        return check
    if baseline is None:
        return replace(check, why_not="the noise may be the room's: record everything off at the same seat")
    above_db = quiet.deciding_rise_db(noise, baseline)
    if above_db is not None and above_db < quiet.DIFFERENT_DB:
        return replace(check, why_not=f"it is as loud with {found.baseline_name}: the noise is not this channel's")
    return check


def _hum_check(job: Job, found: ChannelNoise) -> Check:
    noise, baseline = found.noise, found.baseline
    check = quiet.hum_check(job, noise, "wiring.hum", found.channel)
    if check.verdict in (Verdict.PASS, Verdict.NOT_TESTED) or baseline is None or baseline.hum_hz is None:
        return check
    if (noise.hum_db or 0.0) - (baseline.hum_db or 0.0) < QUIETER_HUM_DB and found.baseline_is_off:
        return replace(check, why_not=f"it hums with {found.baseline_name}, too: the hum is not this channel's")
    return check
