"""Polarity of loudspeakers relative to others of their kind.

Only loudspeakers of one model can be compared: a mirrored pair, and others with the same phase throughout. If two differ,
one of them is reversed; a third of the same model or the polarity set in the processor shows which. Otherwise it stays
undetermined, like a loudspeaker without another of its model. If all of a kind are alike, nothing follows about wiring:
the design, or the measuring chain, may invert. For a single reversed driver, only a third of the model decides: a dip at
the crossover may be by design. A loudspeaker in another one's place is not compared.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np

from commission.dsp import across, pair_polarity
from commission.dsp.geometry import mirror_partner
from commission.dsp.pair_polarity import Relation
from commission.model import Analysis, ComplexArray, Job
from commission.model.units import listed
from commission.steps.shared.issued_sheet import held_setting

State = Literal["alike", "reversed", "one of two", "driver", "one driver of two", "mistyped", "unknown"]
Sounds = dict[tuple[str, str], Analysis | None]
SPLIT_WITHIN_OCTAVES = 1.0
"""Two comparisons show the same crossover if they differ by less: corners are tried in steps of a quarter octave, and a
flat ratio fits others about as well."""
SURELY_ONE_MODEL = 0.85
"""Least correlation with a reversed driver's ratio removed, for a loudspeaker without a partner against both of a pair,
and for a pair whose exchange would not have been noticed: 29 of 760 pairs of unlike models in simulated rooms reached
it."""
LEAST_SINGLE_SPLIT_HZ = 1000.0
"""Least split frequency for a loudspeaker without a partner: three-way crossovers begin at 200 to 800 Hz, and the
reflection from the floor, 0.5 to 1.5 m longer, cancels 110 to 340 Hz and three times that (arithmetic): for another model
in another place, both look like a reversed woofer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPolarity:
    """Connection of one channel relative to others of its model."""

    state: State
    others: tuple[str, ...] = ()
    """The channels it was compared with; for "one of two" the other one."""
    relation: Relation | None = None
    """The deciding comparison."""
    by_setting: bool = False
    """The processor's polarity setting explains that it is reversed."""
    why: str = ""
    """Reason why it is undetermined."""
    is_mounting_open: bool = False
    """Against its partner one driver of the two is reversed, or one of them mounted the other way up."""

    def with_mistyped(self, channel: str, mistyped: AbstractSet[str]) -> ChannelPolarity:
        """The same, or explained by a setting not entered as noted that makes it opposite to the others."""
        if self.state not in ("reversed", "one of two"):
            return self
        odd = [other for other in self.others if (other in mistyped) != (channel in mistyped)]
        if not odd:
            return self
        if channel in mistyped:
            return replace(self, state="mistyped", by_setting=False)
        return replace(self, state="unknown", why=f"{listed(odd)}: the polarity is not set as entered (Bass)")


class PolarityComparison:
    """Comparison of every channel's polarity with the others."""

    def __init__(
        self,
        job: Job,
        round_id: str,
        sounds: Sounds,
        through_processor: dict[str, bool],
        left_out: Mapping[str, str],
        dead: Mapping[str, str],
        *,
        indistinguishable: Mapping[str, AbstractSet[str]],
    ) -> None:
        """`sounds`: usable direct sounds by (channel, seat); `left_out`: main channels not compared, each with a reason
        as a clause.

        `dead`: those with a dead driver, likewise, for which no driver is called reversed; `indistinguishable`: the other
        channels whose places fit each one's arrivals, too; a channel that is missing may sound from any place.
        """
        self._job, self._round, self._sounds = job, round_id, sounds
        self._through_processor, self._left_out = through_processor, left_out
        self._dead, self._indistinguishable = dead, indistinguishable
        self._seats = [seat.id for seat in job.system.seats]
        self._mirror = across.mirrored_seats(job.system.seats)
        places = [place for place, a in sounds.items() if a is not None and a.direct is not None]
        direct = [a.direct for place in places if (a := sounds[place]) is not None and a.direct is not None]
        self._spectra: dict[tuple[str, str], ComplexArray] = (
            dict(zip(places, pair_polarity.spectra(np.array(direct)), strict=True)) if places else {}
        )
        self._relations: dict[tuple[str, str], Relation] = {}

    def channels(self) -> dict[str, ChannelPolarity]:
        """The polarity of every channel: pairs first, then those without a partner, then subwoofers."""
        mains = [c.id for c in self._job.system.channels if not c.is_sub and c.id not in self._left_out]
        out = {c: _unknown(why) for c, why in self._left_out.items()}
        pairs = [(c, p) for c in mains if (p := mirror_partner(c)) in mains and mains.index(c) < mains.index(p or "")]
        agreeing = [pair for pair in pairs if self._relation(*pair).sign == 1]
        for pair in pairs:
            out |= self._pair(pair, mains, agreeing)
        for channel in mains:
            if channel not in out:
                out[channel] = self._single(channel, agreeing)
        return out | self._subs([c.id for c in self._job.system.channels if c.is_sub])

    def _relation(self, one: str, other: str) -> Relation:
        """Relation of two main channels at the same seats; for a mirrored pair also at mirrored seats, whichever shows
        more.
        """
        known = self._relations.get((one, other))
        if known is not None:
            return known
        is_pair = mirror_partner(one) == other
        rows = [
            (seat, at)
            for seat in self._seats
            for at in dict.fromkeys((seat, self._mirror.get(seat, seat) if is_pair else seat))
            if (one, seat) in self._spectra and (other, at) in self._spectra
        ]
        if not rows:
            return Relation(sign=None, correlation=0.0, agree=0, seats=0)
        found = pair_polarity.compare(
            np.array([self._spectra[(one, seat)] for seat, _ in rows]),
            np.array([self._spectra[(other, at)] for _, at in rows]),
        )
        best: dict[str, int] = {}
        strength = found.strength
        for row, (seat, _) in enumerate(rows):
            if seat not in best or strength[row] > strength[best[seat]]:
                best[seat] = row
        relation = pair_polarity.relation(found.take(list(best.values())))
        self._relations[(one, other)] = relation
        self._relations[(other, one)] = replace(relation, dip=1 - relation.dip)
        return relation

    def _pair(
        self, pair: tuple[str, str], mains: list[str], agreeing: list[tuple[str, str]]
    ) -> dict[str, ChannelPolarity]:
        relation = self._relation(*pair)
        both = list(zip(pair, reversed(pair), strict=True))
        if relation.split_hz is not None and (dead := [c for c in pair if c in self._dead]):
            return {c: _unknown(f"{dead[0]} is not whole: {self._dead[dead[0]]}", (o,), relation) for c, o in both}
        if relation.split_hz is not None:
            thirds, placed = self._thirds(pair, mains, agreeing), self._placed(pair, mains, agreeing)
            if not placed and (self._contradicted(pair, mains, agreeing) or not _surely_one_model(relation)):
                why = (
                    "one driver of the two is reversed, or another loudspeaker plays: arrivals on a common clock, at seats "
                    "that are not as far from both, would decide"
                )
                return {c: _unknown(why, (o,), relation) for c, o in both}
            return self._driver(pair, relation, thirds)
        if relation.opposite and not any(self._set_reversed(c) for c in pair):
            why = "one reversed driver explains it as well"
            return {c: ChannelPolarity(state="one of two", others=(o,), relation=relation, why=why) for c, o in both}
        if relation.sign is None:
            open_ = (
                relation.apart_hz is not None and self._placed(pair, mains, agreeing) and not self._dead.keys() & pair
            )
            return {c: replace(_unknown(_weak(relation, o), (o,), relation), is_mounting_open=open_) for c, o in both}
        if relation.sign == 1:
            return {c: ChannelPolarity(state="alike", others=(o,), relation=relation) for c, o in both}
        return self._opposite(pair, relation, self._thirds(pair, mains, agreeing))

    def _placed(self, pair: tuple[str, str], mains: list[str], agreeing: list[tuple[str, str]]) -> bool:
        """Whether both sound from their own places.

        If arrivals leave an exchange open, the other channel must be like its own partner, which it would not be with a
        loudspeaker of another model, or like neither of the two, one of which would then be its partner.
        """
        like_partner = {c for each in agreeing for c in each}
        every = {c.id for c in self._job.system.channels if not c.is_sub} - set(pair)
        others = {other for c in pair for other in self._indistinguishable.get(c, every)}
        return all(
            other in like_partner or (other in mains and not any(self._may_be_alike(c, other) for c in pair))
            for other in others
        )

    def _may_be_alike(self, one: str, other: str) -> bool:
        """Whether two may be of one model: correlated, with a reversed driver or without, or heard at no common seat."""
        relation = self._relation(one, other)
        return not relation.seats or abs(relation.correlation) >= pair_polarity.LEAST_CORRELATION

    def _driver(
        self, pair: tuple[str, str], relation: Relation, odd_by_thirds: dict[str, tuple[str, ...]]
    ) -> dict[str, ChannelPolarity]:
        """Relation of a pair with one reversed driver, with the channel if it can be determined."""
        if len(odd_by_thirds) == 1:
            ((odd, thirds),) = odd_by_thirds.items()
        else:
            why = (
                "loudspeakers of the same model contradict each other"
                if odd_by_thirds
                else "there is no third loudspeaker of the same model to compare with"
            )
            return {
                c: ChannelPolarity(state="one driver of two", others=(o,), relation=relation, why=why)
                for c, o in zip(pair, reversed(pair), strict=True)
            }
        fine = next(c for c in pair if c != odd)
        return {
            odd: ChannelPolarity(state="driver", others=(fine, *thirds[:2]), relation=self._relation(odd, fine)),
            fine: _unknown(f"one driver of its partner {odd} is reversed", (odd,), relation),
        }

    def _opposite(
        self, pair: tuple[str, str], relation: Relation, odd_by_thirds: dict[str, tuple[str, ...]]
    ) -> dict[str, ChannelPolarity]:
        """Relation of a pair that differs, with the reversed channel if it can be determined."""
        both = list(zip(pair, reversed(pair), strict=True))
        if len(odd_by_thirds) == 1:
            ((odd, thirds),) = odd_by_thirds.items()
            fine = next(c for c in pair if c != odd)
            return {
                odd: self._reversed(odd, (fine, *thirds[:2]), relation),
                fine: ChannelPolarity(state="alike", others=thirds[:2], relation=relation),
            }
        set_reversed = [c for c in pair if self._set_reversed(c)]
        if len(set_reversed) == 1:
            odd = set_reversed[0]
            fine = next(c for c in pair if c != odd)
            return {
                odd: self._reversed(odd, (fine,), relation),
                fine: ChannelPolarity(state="alike", others=(odd,), relation=relation),
            }
        why = "there is no third loudspeaker of the same model to compare with"
        if odd_by_thirds:
            why = "loudspeakers of the same model contradict each other"
        return {c: ChannelPolarity(state="one of two", others=(o,), relation=relation, why=why) for c, o in both}

    def _thirds(
        self, pair: tuple[str, str], mains: list[str], agreeing: list[tuple[str, str]]
    ) -> dict[str, tuple[str, ...]]:
        """Each of a pair that others of the same model show to be the odd one, with these others.

        Those of another role count only if none of its role decides; not for a reversed driver, since another model may
        resemble the loudspeaker with it.
        """
        relation, role = self._relation(*pair), self._role(pair[0])
        thirds = self._sound(pair, mains, agreeing)
        found = self._odd_by([c for c in thirds if self._role(c) == role], pair, mains)
        if found or relation.split_hz is not None:
            return found
        return self._odd_by([c for c in thirds if self._role(c) != role], pair, mains)

    def _sound(self, pair: tuple[str, str], mains: list[str], agreeing: list[tuple[str, str]]) -> list[str]:
        """Channels outside a pair that agree with their partners, or have none."""
        sound = {c for each in agreeing for c in each} | {c for c in mains if mirror_partner(c) not in mains}
        return [c for c in mains if c in sound and c not in pair]

    def _contradicted(self, pair: tuple[str, str], mains: list[str], agreeing: list[tuple[str, str]]) -> bool:
        """Whether others of any role disagree on the odd one: a loudspeaker in the place of one is like its own model."""
        return len(self._odd_by(self._sound(pair, mains, agreeing), pair, mains)) > 1

    def _odd_by(self, thirds: list[str], pair: tuple[str, str], mains: list[str]) -> dict[str, tuple[str, ...]]:
        """Each of a pair that these loudspeakers show to be the odd one, with the deciding ones."""
        out: dict[str, tuple[str, ...]] = {}
        for third in thirds:
            both = [self._relation(c, third) for c in pair]
            same_role = self._role(third) == self._role(pair[0])
            least = _least_likeness(same_role=same_role, paired=mirror_partner(third) in mains)
            alike = [each.alike(least) for each in both]
            if all(alike) and both[0].sign != both[1].sign:
                odd = pair[0] if both[0].sign == -1 else pair[1]
            elif sum(alike) == 1 and _differs_alike(self._relation(*pair), both, alike.index(False)):
                odd = pair[alike.index(False)]
            else:
                continue
            out[odd] = (*out.get(odd, ()), third)
        return out

    def _single(self, channel: str, agreeing: list[tuple[str, str]]) -> ChannelPolarity:
        """Polarity of a channel without a partner: only two others of its model that agree with each other decide it.

        A three-way crossover at 200 to 600 Hz, compared with loudspeakers without it, looks like a reversed driver, and a
        floor reflection adds the dip. So only a pair of its own role shows a reversed driver, and only above 1 kHz.
        """
        for pair in agreeing:
            both = [self._relation(channel, other) for other in pair]
            same_role = self._role(pair[0]) == self._role(channel)
            if not same_role and mirror_partner(channel) in self._left_out:
                continue  # the one of its model is that partner, which sounds from elsewhere or is not heard
            several = all(each.seats > 1 for each in both)
            least = pair_polarity.BESIDE_A_PAIR if same_role and several else pair_polarity.ALIKE
            if all(each.alike(least) for each in both) and both[0].sign == both[1].sign:
                weaker = min(both, key=lambda each: each.confidence)
                if weaker.sign == -1:
                    return self._reversed(channel, pair, weaker)
                return ChannelPolarity(state="alike", others=pair, relation=weaker)
            if not same_role or self._agrees_with_any(channel, agreeing):
                continue
            clear = all(each.odd == 0 and _surely_one_model(each) for each in both)
            treble = all((each.split_hz or 0.0) >= LEAST_SINGLE_SPLIT_HZ for each in both)
            if clear and treble and _same_split(*both) and channel not in self._dead:
                weaker = min(both, key=lambda each: abs(each.correlation))
                return ChannelPolarity(state="driver", others=pair, relation=weaker)
        return _unknown("there are no two loudspeakers of the same model to compare it with")

    def _agrees_with_any(self, channel: str, pairs: list[tuple[str, str]]) -> bool:
        """Whether it has the same sign as one of these in every octave, which excludes a reversed driver."""
        return any(self._relation(channel, other).sign == 1 for pair in pairs for other in pair)

    def _role(self, channel: str) -> str:
        found = self._job.system.channel(channel)
        return "" if found is None else found.role

    def _set_reversed(self, channel: str) -> bool:
        """Whether the processor inverts it in the measurement."""
        setting = held_setting(self._job, self._round, channel).polarity
        return setting == "reversed" and self._through_processor.get(channel, True)

    def _reversed(self, channel: str, others: tuple[str, ...], relation: Relation) -> ChannelPolarity:
        return ChannelPolarity(
            state="reversed", others=others, relation=relation, by_setting=self._set_reversed(channel)
        )

    def _subs(self, subs: list[str]) -> dict[str, ChannelPolarity]:
        """Relations of the subwoofers without the processor's own inversions, which are chosen at the crossover."""
        if len(subs) < 2:
            return {c: _unknown("there is no other subwoofer to compare it with") for c in subs}
        signs = {c: -1 if self._set_reversed(c) else 1 for c in subs}
        related = {}
        for a, b in combinations(subs, 2):
            if (r := self._sub_relation(a, b)) is not None:
                sign = None if r.sign is None else r.sign * signs[a] * signs[b]
                related[a, b] = related[b, a] = replace(r, sign=sign)
        return {c: self._sub(c, subs, related, signs[c] < 0) for c in subs}

    def _sub(
        self, channel: str, subs: list[str], related: dict[tuple[str, str], Relation], set_reversed: bool
    ) -> ChannelPolarity:
        own = {o: r for o in subs if (r := related.get((channel, o))) is not None and r.sign is not None}
        same, opposite = ([o for o, r in own.items() if r.sign == sign] for sign in (1, -1))
        if not own:
            return _unknown("no other subwoofer is similar enough, or the arrivals are uncertain by more than 2 ms")
        weakest = min(own.values(), key=lambda each: each.confidence)
        if set_reversed and not opposite:
            return _unknown("the processor is set to invert it; whether that is right is decided at the crossover")
        if not opposite:
            return ChannelPolarity(state="alike", others=tuple(same), relation=weakest)
        if len(opposite) == 1 and not same:
            other = opposite[0]
            among = [r.sign for (a, b), r in related.items() if a == other and b != channel]
            if len(subs) > 2 and among and all(sign == -1 for sign in among):
                return ChannelPolarity(state="alike", others=(other,), relation=weakest)
            why = "there is no third subwoofer to compare with"
            return ChannelPolarity(state="one of two", others=(other,), relation=own[other], why=why)
        if len(opposite) > len(same) + 1:
            return ChannelPolarity(state="reversed", others=tuple(opposite), relation=weakest)
        if len(same) + 1 > len(opposite):
            return ChannelPolarity(state="alike", others=tuple(same), relation=weakest)
        return _unknown("as many subwoofers have one polarity as the other")

    def _sub_relation(self, one: str, other: str) -> Relation | None:
        """Relation of two subwoofers: their correlation and both own signs must agree; other models rarely pass both."""
        found = [
            (a, b)
            for seat in self._seats
            if (a := self._sounds.get((one, seat))) is not None and (b := self._sounds.get((other, seat))) is not None
        ]
        values, products = [], []
        for a, b in found:
            if a.bass is None or b.bass is None or a.arrival_s is None or b.arrival_s is None:
                continue
            if a.polarity is None or b.polarity is None:
                continue
            if max(a.arrival_u_s, b.arrival_u_s) > pair_polarity.SUB_LAG_S:
                continue
            arrivals = (a.arrival_s, b.arrival_s)
            values.append(pair_polarity.subs_correlation((a.bass, b.bass), arrivals, a.bass_freq_hz))
            products.append(a.polarity * b.polarity)
        if not values:
            return None
        return pair_polarity.subs_relation(np.array(values), np.array(products))


def _unknown(why: str, others: tuple[str, ...] = (), relation: Relation | None = None) -> ChannelPolarity:
    return ChannelPolarity(state="unknown", why=why, others=others, relation=relation)


def _surely_one_model(relation: Relation) -> bool:
    return abs(relation.correlation) >= SURELY_ONE_MODEL


def _same_split(one: Relation, other: Relation) -> bool:
    """Whether both comparisons show a reversed driver on the same side of the same crossover."""
    if one.split_hz is None or other.split_hz is None or one.above != other.above:
        return False
    return abs(math.log2(one.split_hz / other.split_hz)) <= SPLIT_WITHIN_OCTAVES


def _least_likeness(*, same_role: bool, paired: bool) -> tuple[float, float, float, float]:
    """Criteria for a third loudspeaker that decides which of a pair is reversed.

    One of another role may be another model with opposite polarity by design and the same kind of crossover.
    """
    if not same_role:
        return pair_polarity.ALIKE
    return pair_polarity.PAIR_OF_THE_ROLE if paired else pair_polarity.PROBABLY_ALIKE


def _differs_alike(of_pair: Relation, by_third: list[Relation], odd: int) -> bool:
    """Whether one of a pair differs from a third as it does from its partner, which is like the third.

    With a third in another place, a dip or the room may hide the split. Then the dip relative to the partner counts, or
    that the third is surely of the same model.
    """
    relation = by_third[odd]
    sure = of_pair.split_hz is not None and _surely_one_model(by_third[1 - odd])
    hidden = (sure or of_pair.odd == odd) and relation.sign is None and relation.changes_sign
    return hidden or _same_split(of_pair, relation)


def _weak(relation: Relation, other: str) -> str:
    if not relation.seats:
        return f"at no seat were both it and {other} measured"
    if relation.changes_sign:
        return (
            f"its polarity relative to {other} changes with frequency: a different model, one driver reversed, another "
            "loudspeaker that plays it, too, or one of the two mounted upside down or on its side"
        )
    if relation.agree < pair_polarity.AGREE * relation.seats:
        return f"the seats disagree: {relation.agree} of {relation.seats} show the same polarity relative to {other}"
    return (
        f"it is too unlike {other} (correlation {relation.correlation:.2f}".replace("-", "−")
        + f"; {pair_polarity.LEAST_CORRELATION:.1f} with the same sign is needed in every octave)"
    )
