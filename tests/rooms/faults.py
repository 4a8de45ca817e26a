"""Faults of wiring, settings, room and measurement, planted one at a time, with the correct findings for each.

Whether a fault is decidable follows the method's reach, stated beside each: arrivals against surveyed places scatter by
0.15 ms (5 cm), an assignment is declared from z = 4, so that 0.9 ms (half as much again) over the seats are asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from rooms import placing
from rooms.installation import FOOT_M, Installation, Other, Plan, Reflection
from rooms.loudspeakers import Loudspeaker
from rooms.truth import Truth

SWAP_S = 0.9e-3

SYNONYMS: dict[str, tuple[str, ...]] = {
    "wiring.swapped": ("wiring.swapped",),
    "wiring.polarity": ("wiring.polarity",),
    "wiring.pair-polarity": ("wiring.pair-polarity",),
    "wiring.driver-polarity": ("wiring.driver-polarity",),
    "wiring.tweeter": ("wiring.tweeter",),
    "wiring.woofer": ("wiring.woofer",),
    "wiring.midrange": ("wiring.midrange",),
    "wiring.silent": ("wiring.silent",),
    "wiring.doubled": ("wiring.doubled",),
    "wiring.compression": ("wiring.compression",),
    "wiring.distortion": ("wiring.distortion",),
    "wiring.rattle": ("wiring.rattle",),
    "wiring.hum": ("wiring.hum",),
    "room.noise": ("room.noise",),
    "wiring.equipment-noise": ("wiring.equipment-noise",),
    "room.inside-heads": ("room.inside-heads",),
    "room.front-heights": ("room.front-heights",),
    "room.rear-heights": ("room.rear-heights",),
    "room.aim": ("room.aim",),
    "room.ringing": ("room.bass-decay",),
    "settings.lip-sync": ("settings.lip-sync",),
    "settings.upmix": ("settings.upmix",),
    "settings.unit": ("settings.unit",),
    "settings.delays-off": ("settings.delays-off", "settings.no-delays", "settings.delays", "settings.unit"),
    "settings.delay-sign": ("settings.delay-sign", "settings.delays", "settings.unit"),
    "settings.distance": ("settings.distance",),
    "settings.sub-latency": ("settings.sub-latency",),
    "settings.trims": ("settings.trims", "settings.trim", "settings.channel-level", "settings.sub-level"),
    "settings.reference": ("settings.reference",),
    "settings.dialogue-level": ("settings.dialogue-level",),
    "settings.bass-management": ("settings.bass-management",),
    "room.blocked": ("room.blocked",),
    "room.reflection": ("room.reflection",),
    "room.row-null": ("room.row-null",),
    "measurement.seats-exchanged": ("measurement.seats-exchanged",),
    "measurement.microphone-not-moved": (
        "measurement.microphone-not-moved",
        "measurement.microphone-moved",
        "measurement.microphone-early",
        "measurement.same-place",
    ),
    "measurement.same-recording": ("measurement.same-recording",),
    "measurement.wrong-channel": ("measurement.wrong-channel",),
    "measurement.clock": ("measurement.clock",),
    "measurement.stimulus": ("measurement.stimulus",),
    "measurement.gain": ("measurement.gain",),
    "measurement.microphone": ("measurement.microphone",),
    "measurement.interference": ("measurement.interference", "measurement.hum"),
    "measurement.noise": ("measurement.noise",),
    "measurement.clipped": ("measurement.clipped",),
    "measurement.inverted": ("measurement.inverted",),
}
"""What a cause may be called: a finding that gets another id is renamed here and nowhere else."""


@dataclass
class Planted:
    """A planted fault and the conclusions that are correct."""

    plan: Plan
    causes: tuple[str, ...]
    """Any of these keys of `SYNONYMS`, with …"""
    channels: frozenset[str] = frozenset()
    """… exactly these channels (nothing asked where empty) …"""
    also: frozenset[str] = frozenset()
    """… and no others but these …"""
    seats: frozenset[str] = frozenset()
    """… and at least one of these seats, no other."""
    decidable: bool = True
    why: str = ""
    symptoms: tuple[str, ...] = ()
    """Ids that show the fault on the right channel without naming its cause."""
    refused: bool = False
    """Whether import may refuse the files instead."""
    text: str = ""
    seats_free: bool = field(default=False)
    """Whether the finding may name any seats."""
    installation: Installation | None = None
    """Another one, where the fault is in the room itself."""


def _pick(rng: np.random.Generator, items):
    items = list(items)
    return items[int(rng.integers(len(items)))] if items else None


def _flights(i: Installation) -> dict[str, np.ndarray]:
    """Travel time to each seat by surveyed places [s]."""
    seats = np.array([s.position_m for s in i.scene.seats])
    return {
        p.channel: np.linalg.norm(seats - np.array(p.position_m), axis=1) / i.scene.speed_m_s for p in i.scene.places
    }


def _delays_known(i: Installation) -> bool:
    p = i.scene.processor
    return not p.passes_delays or p.settings_noted


def _difference(i: Installation, a: str, b: str) -> float:
    """Variation over the seats of the change of a's arrivals when it plays from b's place [s]."""
    flights = _flights(i)
    d = flights[a] - flights[b]
    return float(np.linalg.norm(d if _delays_known(i) else d - d.mean()))


def _like_exchanged_seats(i: Installation, a: str, b: str, seats: tuple[int, int] | None = None) -> bool:
    """Whether the arrivals of two exchanged loudspeakers are those of two seats' exchanged recordings; of these where
    given.

    In a symmetric room with mirrored seats, arrivals do not distinguish exchanged loudspeakers from exchanged seats.
    """
    flights, mains = _flights(i), i.scene.mains
    own = np.array([flights[c] for c in mains])
    swapped = np.array([flights[{a: b, b: a}.get(c, c)] for c in mains])
    for s, k in (seats,) if seats else combinations(range(own.shape[1]), 2):
        exchanged = own.copy()
        exchanged[:, [s, k]] = own[:, [k, s]]
        off = swapped - exchanged
        off -= off.mean() if _delays_known(i) else off.mean(axis=1, keepdims=True)
        if float(np.linalg.norm(off)) < SWAP_S:
            return True
    return False


def _one_seat(i: Installation, a: str, b: str) -> bool:
    """Whether all seats but one are equally far from both loudspeakers (0.45 ms, three times the scatter of an arrival).
    With a single seat only an exchange of all its files gives the same arrivals, which does not excuse silence.
    """
    flights = _flights(i)
    apart = np.sort(np.abs(flights[a] - flights[b]))
    return len(apart) > 1 and bool(np.linalg.norm(apart[:-1]) < SWAP_S / 2)


def _swap(i: Installation, channels: list[str]) -> Plan:
    plan = i.copy()
    for a, b in zip(channels, channels[1:] + channels[:1], strict=True):
        plan.place_of[a] = b
    return plan


def swapped_pair(i: Installation, rng) -> Planted | None:
    mains = i.scene.mains
    a = _pick(rng, mains)
    partner = i.scene.partner(a)
    b = partner if partner is not None and rng.random() < 0.5 else _pick(rng, [c for c in mains if c != a])
    clock = i.scene.capture.clock != "none"
    enough, seats = _difference(i, a, b) >= SWAP_S, _like_exchanged_seats(i, a, b)
    why = "no clock" if not clock else "" if enough else "the two places differ too little over these seats"
    why = why or ("two seats' recordings exchanged arrive the same" if seats else "")
    why = why or (
        "the two files exchanged at the only seat that differs arrive the same" if _one_seat(i, a, b) else ""
    )
    return Planted(
        _swap(i, [a, b]), ("wiring.swapped",), frozenset({a, b}), decidable=not why, why=why, seats_free=True
    )


def swapped_three(i: Installation, rng) -> Planted | None:
    mains = i.scene.mains
    if len(mains) < 4:
        return None
    three = [mains[k] for k in rng.permutation(len(mains))[:3]]
    least = min(_difference(i, a, b) for a, b in zip(three, three[1:] + three[:1], strict=True))
    good = i.scene.capture.clock != "none" and least >= SWAP_S
    return Planted(
        _swap(i, three),
        ("wiring.swapped",),
        frozenset(three),
        decidable=good,
        why="" if good else "no clock, or places too alike",
        seats_free=True,
    )


def _like_of_role(i: Installation, channel: str) -> list[str]:
    """Other loudspeakers of its model and role. One with another role may be another model, with a crossover of the same
    kind and the opposite sign: the sound does not distinguish the two.
    """
    role = i.scene.place(channel).role
    return [c for c in i.scene.alike(channel) if i.scene.place(c).role == role]


def _polarity(i: Installation, channel: str) -> Planted:
    """One of three or more alike is named; one of two is named alone or as a pair; one without its like is not named."""
    plan = i.copy()
    plan.sign[channel] = -1
    like = _like_of_role(i, channel)
    if len(like) >= 2:
        return Planted(plan, ("wiring.polarity",), frozenset({channel}), seats_free=True)
    if len(like) == 1:
        return Planted(
            plan,
            ("wiring.pair-polarity", "wiring.polarity"),
            frozenset({channel}),
            also=frozenset(like),
            seats_free=True,
        )
    return Planted(
        plan,
        ("wiring.polarity",),
        frozenset({channel}),
        decidable=False,
        why="no other loudspeaker like it",
        seats_free=True,
    )


def reversed_loudspeaker(i: Installation, rng) -> Planted | None:
    return _polarity(i, _pick(rng, i.scene.mains))


def reversed_sub(i: Installation, rng) -> Planted | None:
    return _polarity(i, _pick(rng, i.scene.subs)) if i.scene.subs else None


def _way(i: Installation, rng, name: str, factor: float) -> tuple[str, Plan] | None:
    able = [p for p in i.scene.places if any(w.name == name for w in p.speaker.ways) and len(p.speaker.ways) > 1]
    if not able:
        return None
    like = [p for p in able if i.scene.alike(p.channel)]
    place = _pick(rng, like if like and rng.random() < 0.85 else able)
    plan = i.copy()
    names = [w.name for w in place.speaker.ways]
    plan.way_factor[place.channel][names.index(name)] = factor
    return place.channel, plan


def _change_db(speaker: Loudspeaker, way: int, factor: float) -> np.ndarray:
    """Change on axis from a driver that is reversed (−1) or dead (0), at `AXIS_HZ` [dB]."""
    ways = speaker.way_responses(AXIS_HZ)
    factors = np.ones(len(ways))
    factors[way] = factor
    return 20 * np.log10(np.abs(factors @ ways) / np.abs(ways.sum(axis=0)) + 1e-9)


def reversed_driver(i: Installation, rng) -> Planted | None:
    """A third loudspeaker alike names the channel; of two only the pair is known.

    Linkwitz-Riley ways leave a dip where one is reversed, but crossovers of second and third order are built either way
    round (Linkwitz 1976), and nobody says which kind is inside: the one with the dip may be as designed. Without a dip a
    third one is known as the same model by being like one of the two alone, which another model may be: to name both is
    right. At a single seat reflections do to one of two healthy ones what a driver would: 8 of 113 with a driver reversed
    differed by more (`dsp.pair_polarity`). The woofer of a three-way loudspeaker ends within an octave above LOWEST_DIRECT_HZ;
    where the floor turns it by 90° against all others of its model, the sign there is not that of its wires.
    """
    threes = [p for p in i.scene.places if len(p.speaker.ways) == 3]
    name = str(rng.choice(["tweeter", "mid", "woofer"])) if threes and rng.random() < 0.5 else "tweeter"
    done = _way(i, rng, name, -1.0)
    if done is None:
        return None
    channel, plan = done
    like = _like_of_role(i, channel)
    kinds = {w.low_kind for w in i.scene.place(channel).speaker.ways if w.low_hz is not None}
    also = frozenset() if len(like) >= 2 and not kinds & {"BW2", "BW3"} else frozenset(like)
    turned = name == "woofer" and i.scene.partner(channel) not in like and _floor_turns(i, channel, like)
    good = bool(like) and len(i.seat_ids) >= 2 and not turned
    return Planted(
        plan,
        ("wiring.driver-polarity",),
        frozenset({channel}),
        also=also,
        decidable=good,
        seats_free=True,
        why="" if good else "no other loudspeaker like it" if not like else "the floor" if turned else "one seat",
        text=f"{name}, {'/'.join(sorted(kinds))}",
    )


LOWEST_DIRECT_HZ = 250.0
"""A period and a half in the 6 ms before walls and ceiling reflect (arithmetic)."""


def _floor_turns(i: Installation, channel: str, like: list[str]) -> bool:
    """Whether the floor turns a woofer that ends within an octave above LOWEST_DIRECT_HZ by 90° or more against all others
    like it, at half of the seats. True also of one that ends below: its direct sound is not separate from the room's.
    """
    corner_hz = min(w.high_hz or np.inf for w in i.scene.place(channel).speaker.ways if w.name == "woofer")
    if corner_hz <= LOWEST_DIRECT_HZ or corner_hz >= 2 * LOWEST_DIRECT_HZ:
        return bool(corner_hz <= LOWEST_DIRECT_HZ)
    own, *others = (_floor_rad(i, c, float(np.sqrt(LOWEST_DIRECT_HZ * corner_hz))) for c in (channel, *like))
    return all(np.median(np.abs(np.angle(np.exp(1j * (own - each))))) >= np.pi / 2 for each in others)


def _floor_rad(i: Installation, channel: str, freq_hz: float) -> np.ndarray:
    """Phase that the floor's reflection adds to a loudspeaker's direct sound [shape=(seats,)]."""
    source = np.array(i.scene.place(channel).position_m)
    ears = np.array([s.position_m for s in i.scene.seats])
    direct_m = np.linalg.norm(ears - source, axis=1)
    reflected_m = np.linalg.norm(ears - source * (1, 1, -1), axis=1)
    factor = np.sqrt(1 - i.scene.absorption[4, 3]) * direct_m / reflected_m
    turn = np.exp(-2j * np.pi * freq_hz * (reflected_m - direct_m) / i.scene.speed_m_s)
    return np.asarray(np.angle(1 + factor * turn))


def _dead(i: Installation, rng, name: str, cause: str) -> Planted | None:
    done = _way(i, rng, name, 0.0)
    if done is None:
        return None
    channel, plan = done
    like = i.scene.alike(channel)
    speaker = i.scene.place(channel).speaker
    change = _change_db(speaker, [w.name for w in speaker.ways].index(name), 0.0)
    missing = _least_gap_db(change, 3 if name == "mid" else 2, **GAP_RANGE_HZ[name]) <= -10.0
    return Planted(
        plan,
        (cause,),
        frozenset({channel}),
        decidable=bool(like) and missing,
        why="no other loudspeaker like it" if not like else "" if missing else "its neighbours fill its range",
        seats_free=True,
    )


AXIS_HZ = 1000 * 2.0 ** np.arange(-4, 3.51, 1 / 12)
GAP_RANGE_HZ = {
    "tweeter": {"low_hz": 2800.0, "high_hz": 11400.0},
    "mid": {"low_hz": 280.0, "high_hz": 4600.0},
    "woofer": {"low_hz": 80.0, "high_hz": 520.0},
}


def _least_gap_db(change_db: np.ndarray, half_octaves: int, low_hz: float, high_hz: float) -> float:
    """The deepest stretch of a number of half octaves within a range, by the least deep of them [dB]."""
    inside = change_db[(low_hz <= AXIS_HZ) & (high_hz >= AXIS_HZ)]
    means = np.convolve(inside, np.full(6, 1 / 6), mode="valid")
    stretches = np.stack([means[6 * k : len(means) - 6 * (half_octaves - 1 - k)] for k in range(half_octaves)])
    return float(stretches.max(axis=0).min())


def dead_tweeter(i: Installation, rng) -> Planted | None:
    return _dead(i, rng, "tweeter", "wiring.tweeter")


def dead_woofer(i: Installation, rng) -> Planted | None:
    return _dead(i, rng, "woofer", "wiring.woofer")


def dead_midrange(i: Installation, rng) -> Planted | None:
    return _dead(i, rng, "mid", "wiring.midrange")


def silent_channel(i: Installation, rng) -> Planted | None:
    channel = _pick(rng, i.scene.subs if i.scene.subs and rng.random() < 0.2 else i.scene.mains)
    plan = i.copy()
    plan.muted.add(channel)
    return Planted(plan, ("wiring.silent",), frozenset({channel}), seats_free=True)


APART_S, APART_SEATS = 1.1e-3, 3
"""Two loudspeakers differ enough at a seat where their flights differ by 1 ms, at three seats; 0.1 ms for the survey."""


def _can_be_distinguished(i: Installation, a: str, b: str) -> bool:
    """Whether the seats and the clock distinguish two loudspeakers."""
    flights = _flights(i)
    seats = np.abs(flights[a] - flights[b]) >= APART_S
    return i.scene.capture.clock != "none" and int(seats.sum()) >= APART_SEATS


def _other(i: Installation, rng, low_db: float, high_db: float) -> Planted | None:
    """One channel in one other loudspeaker."""
    if len(i.scene.mains) < 2:
        return None
    a, b = (str(c) for c in rng.choice(i.scene.mains, 2, replace=False))
    other = Other(b, float(rng.uniform(low_db, high_db)), cable=bool(rng.random() < 0.5))
    plan = i.copy()
    plan.also[a] = (other,)
    good = _can_be_distinguished(i, a, b)
    return Planted(
        plan,
        ("wiring.doubled",),
        frozenset({a}),
        decidable=good,
        why="" if good else "not one clock, or too few seats at which the two differ by 1 ms",
        symptoms=("settings.channel-level", "settings.trim", "settings.trims"),
        text=f"{a} in {b} {other.gain_db:.0f} dB{' by cable' if other.cable else ''}",
        seats_free=True,
    )


def doubled(i: Installation, rng) -> Planted | None:
    return _other(i, rng, -4.0, 1.0)


def leaking(i: Installation, rng) -> Planted | None:
    return _other(i, rng, -13.0, -7.0)


def _loaded(i: Installation, channel: str, cause: str, text: str, *, decidable: bool = True, **changes) -> Planted:
    """All channels at two levels; one of them has a fault."""
    plan = i.copy()
    plan.loads = i.loads()
    plan.loads[channel] = replace(plan.loads[channel], **changes)
    return Planted(
        plan, (cause,), frozenset({channel}), text=f"{channel} {text}", decidable=decidable, seats_free=True
    )


def limiter(i: Installation, rng) -> Planted | None:
    """A limiter or an amplifier at its end, most often of a subwoofer."""
    if not i.scene.capture.raw_sweep:
        return None
    channel = str(_pick(rng, i.scene.subs if i.scene.subs and rng.random() < 0.6 else i.scene.mains))
    db = float(rng.uniform(2.0, 6.0))
    return _loaded(i, channel, "wiring.compression", f"limited by {db:.1f} dB", limit_db=db)


def distorted(i: Installation, rng) -> Planted | None:
    """Three times the limit or more in the middle."""
    if not i.scene.capture.raw_sweep:
        return None
    channel, percent = str(_pick(rng, i.scene.mains)), float(rng.uniform(6.0, 15.0))
    return _loaded(i, channel, "wiring.distortion", f"{percent:.0f} %", mid_percent=percent)


def rattle(i: Installation, rng) -> Planted | None:
    if not i.scene.capture.raw_sweep:
        return None
    channel, hz = str(_pick(rng, i.scene.mains)), float(rng.uniform(70.0, 140.0))
    return _loaded(i, channel, "wiring.rattle", f"rattles at {hz:.0f} Hz", rattle=(hz, float(rng.uniform(0.2, 0.5))))


def _noisy(i: Installation, cause: str, name: str, text: str, **changes) -> Planted:
    """A quiet room in three states, one of which is loud."""
    plan = i.copy()
    plan.states = tuple(replace(s, **changes) if s.name == name else s for s in i.states())
    return Planted(plan, (cause,), text=text, symptoms=("room.speech",), seats_free=True)


def hum(i: Installation, rng) -> Planted | None:
    """12 dB or more above the threshold of hearing at 100 and 120 Hz: 26 and 23 dB (ISO 226, from memory)."""
    hz, level_db = float(rng.choice([50.0, 60.0])), float(rng.uniform(40.0, 50.0))
    return _noisy(i, "wiring.hum", "electronics on", f"{hz:.0f} Hz {level_db:.0f} dB", hum_hz=hz, hum_db=level_db)


def ventilation(i: Installation, rng) -> Planted | None:
    above_db = float(rng.uniform(5.0, 14.0))
    return _noisy(i, "room.noise", "ventilation high", f"{above_db:.0f} dB above NC 25", above_db=above_db)


def equipment(i: Installation, rng) -> Planted | None:
    """Fans of the electronics."""
    above_db = float(rng.uniform(5.0, 14.0))
    text = f"{above_db:.0f} dB above NC 25"
    return _noisy(i, "wiring.equipment-noise", "electronics on", text, above_db=above_db)


def outside_noise(i: Installation, rng) -> Planted | None:
    """Noise with everything off, and so in every state."""
    above_db = float(rng.uniform(5.0, 14.0))
    plan = i.copy()
    plan.states = tuple(replace(s, above_db=above_db + float(rng.uniform(0.0, 0.5))) for s in i.states())
    return Planted(
        plan, ("room.noise",), text=f"{above_db:.0f} dB above NC 25", symptoms=("room.speech",), seats_free=True
    )


def misplaced(i: Installation, rng) -> Planted | None:
    """One loudspeaker inside the heads, or a height on the wrong side of its row, by 15 cm or more."""
    found = placing.misplaced(i.scene, rng)
    if found is None:
        return None
    scene, channel, rule = found
    moved = i.changed(scene, channel)
    others = [p for p in scene.places if p.channel != channel and placing.breaks(scene, p, rule)]
    return Planted(
        moved.healthy,
        (rule,),
        frozenset({channel}),
        also=frozenset(p.channel for p in others),
        installation=moved,
        text=channel,
        seats_free=True,
    )


def misaimed(i: Installation, rng) -> Planted | None:
    """Decidable where the installer has entered where it points; its sound alone could be that of another model."""
    found = placing.misaimed(i.scene, rng)
    if found is None:
        return None
    scene, channel = found
    turned, entered = i.changed(scene, channel), bool(rng.random() < 0.6)
    plan = turned.healthy
    plan.aims = turned.aims() if entered else {}
    angle = max(placing.off_axis_deg(scene, scene.place(channel)).values())
    others = [p for p in scene.places if p.channel != channel and placing.breaks(scene, p, "room.aim")]
    good = entered and angle > 70.0
    return Planted(
        plan,
        ("room.aim",),
        frozenset({channel}),
        also=frozenset(p.channel for p in others),
        decidable=good,
        why="" if good else "its aim is not entered" if not entered else "within what an assumed angle leaves open",
        symptoms=("room.blocked", "room.dull-seat"),
        installation=turned,
        text=f"{channel} {angle:.0f}° off axis",
        seats_free=True,
    )


def ringing(i: Installation, rng) -> Planted | None:
    """A resonance of all loudspeakers at all seats, with twice the decay from which a mode is heard (0.3 to 0.5 s)."""
    plan, hz, t60_s = i.copy(), float(rng.uniform(35, 110)), float(rng.uniform(0.7, 1.0))
    q = t60_s * 2 * np.pi * hz / (2 * 6.91 * 2)  # a bell of 12 dB has poles of the quality 2·Q
    plan.notch = dict.fromkeys(i.seat_ids, (hz, float(q), -12.0))
    i.calibrate(plan)
    return Planted(
        plan,
        ("room.ringing",),
        decidable=False,
        why="healthy rooms decay there as slowly",
        text=f"{hz:.0f} Hz, {t60_s:.2f} s",
        seats_free=True,
    )


def lip_sync(i: Installation, rng) -> Planted | None:
    """Twice the limits of ITU-R BT.1359 (from memory), sound early or late."""
    plan = i.copy()
    plan.lip_sync_ms = float(rng.choice([-250.0, -200.0, 300.0, 400.0]))
    return Planted(plan, ("settings.lip-sync",), text=f"{plan.lip_sync_ms:.0f} ms", seats_free=True)


def upmix(i: Installation, rng) -> Planted | None:
    """A surround mode: the front pair, or all in front, is also sent to two or more others, perhaps 10 ms later."""
    front = [c for c in i.scene.mains if i.scene.place(c).key in ("FL", "FR", "FC")]
    rest = [c for c in i.scene.mains if c not in front]
    if len(front) < 2 or len(rest) < 2:
        return None
    plan, later_s = i.copy(), float(rng.choice([0.0, 0.01]))
    for a in front:
        side = [c for c in rest if i.scene.place(a).position_m[0] * i.scene.place(c).position_m[0] >= 0]
        plan.also[a] = tuple(Other(c, float(rng.uniform(-9, -3)), later_s) for c in side[:3])
    good = all(_can_be_distinguished(i, a, other.channel) for a, found in plan.also.items() for other in found)
    return Planted(
        plan,
        ("settings.upmix",),
        frozenset(plan.also),
        decidable=good,
        why="" if good else "not one clock, or too few seats at which two differ by 1 ms",
        symptoms=("settings.channel-level", "settings.trim", "settings.trims"),
        text=f"{sum(map(len, plan.also.values()))} others, {1000 * later_s:.0f} ms later",
        seats_free=True,
    )


def _arrivals_count(i: Installation) -> bool:
    return i.scene.capture.clock != "none" and i.scene.processor.passes_delays


def wrong_unit(i: Installation, rng) -> Planted | None:
    p = i.scene.processor
    if p.unit == "ms":
        return None
    plan = i.copy()
    factor = 1 / FOOT_M if p.unit == "m" else FOOT_M
    plan.setting = {c: round(round(v * factor / p.step) * p.step, 4) for c, v in plan.setting.items()}
    plan.noted_setting = dict(plan.setting)
    good = p.settings_noted or (_arrivals_count(i) and _unit_sd(i) <= 0.02)
    return Planted(
        plan,
        ("settings.unit",),
        decidable=good,
        why="" if good else "neither settings nor delays are known, or the distances differ too little",
        seats_free=True,
    )


def _unit_sd(i: Installation) -> float:
    """Standard deviation of the factor between distances and delays, from arrivals of 0.085 ms each (line through them)."""
    flights = np.array([i.scene.tape_m[c] for c in i.scene.mains]) / i.scene.speed_m_s
    return 0.085e-3 / max(float(np.linalg.norm(flights - flights.mean())), 1e-9)


def _spread_s(i: Installation) -> float:
    """Spread of the delays that are needed, main channels."""
    return float(np.std([i.scene.tape_m[c] for c in i.scene.mains])) / i.scene.speed_m_s


def no_delays(i: Installation, rng) -> Planted | None:
    """The processor's delays are bypassed, or every distance is set to the same figure."""
    p = i.scene.processor
    plan = i.copy()
    bypassed = bool(rng.random() < 0.5)
    if bypassed:
        plan.delay_factor = 0.0
        good = _arrivals_count(i) and p.settings_noted
    else:
        same = 0.0 if p.unit == "ms" else round(3.0 / (FOOT_M if p.unit == "ft" else 1))
        plan.setting = dict.fromkeys(plan.setting, float(same))
        plan.noted_setting = dict(plan.setting)
        good = p.settings_noted or _arrivals_count(i)
    good = good and _spread_s(i) > 1.0e-3 and len(i.scene.mains) >= 3
    return Planted(
        plan,
        ("settings.delays-off",),
        decidable=good,
        why="" if good else "not to be seen in these data",
        text="bypassed" if bypassed else "all equal",
        seats_free=True,
    )


def delay_sign(i: Installation, rng) -> Planted | None:
    """Near loudspeakers are advanced instead of delayed: the processor's doing, settings look right."""
    p = i.scene.processor
    plan = i.copy()
    if p.unit == "ms":
        most = max(plan.setting.values())
        plan.setting = {c: round(most - v, 4) for c, v in plan.setting.items()}
        plan.noted_setting = dict(plan.setting)
        good = p.settings_noted or _arrivals_count(i)
    else:
        plan.delay_factor = -1.0
        good = _arrivals_count(i) and p.settings_noted
    good = good and _spread_s(i) > 1.0e-3 and len(i.scene.mains) >= 3
    return Planted(
        plan,
        ("settings.delay-sign",),
        decidable=good,
        why="" if good else "not to be seen in these data",
        seats_free=True,
    )


def wrong_distance(i: Installation, rng) -> Planted | None:
    """One distance wrong by 0.7 to 3 m."""
    p = i.scene.processor
    channel = _pick(rng, i.scene.mains)
    plan = i.copy()
    off_m = float(rng.uniform(0.7, 3.0)) * float(rng.choice([-1, 1]))
    per_unit = {"m": 1.0, "ft": FOOT_M, "ms": i.scene.speed_m_s / 1000}[p.unit]
    if plan.setting[channel] + off_m / per_unit < 0.2 / per_unit:
        off_m = abs(off_m)
    plan.setting[channel] = round(round((plan.setting[channel] + off_m / per_unit) / p.step) * p.step, 4)
    plan.noted_setting = dict(plan.setting)
    good = (p.settings_noted or _arrivals_count(i)) and len(i.scene.mains) >= 3
    causes = ("settings.distance",)
    return Planted(
        plan,
        causes,
        frozenset({channel}),
        decidable=good,
        why="" if good else "two channels, or nothing known of delays",
        symptoms=("settings.arrival",),
        text=f"{off_m:+.1f} m",
        seats_free=True,
    )


def sub_latency(i: Installation, rng) -> Planted | None:
    if not i.scene.subs:
        return None
    channel = _pick(rng, i.scene.subs)
    speaker = i.scene.place(channel).speaker
    plan = i.copy()
    extra = float(rng.uniform(4.0, 15.0)) / 1000
    plan.extra_latency_s[channel] = extra
    distances = {c: i.own_distance_m(c) for c in i.channels}
    distances[channel] = i.scene.tape_m[channel]
    plan.setting = i.settings_for(distances)
    plan.noted_setting = dict(plan.setting)
    late = extra + speaker.latency_s
    good = i.scene.capture.clock != "none" and _delays_known(i) and len(i.scene.mains) >= 3
    if good and speaker.low_pass_hz is not None:
        good = late >= 0.010
    return Planted(
        plan,
        ("settings.sub-latency",),
        frozenset({channel}),
        decidable=good,
        why="" if good else "no clock or delays, two main channels to compare with, or within its low-pass's own",
        text=f"{1000 * late:.1f} ms",
        seats_free=True,
    )


def _trim(i: Installation, channel: str, by_db: float, causes, symptoms=()) -> Planted:
    step = i.scene.processor.trim_step_db
    plan = i.copy()
    plan.trim_db[channel] = round(round((plan.trim_db[channel] + by_db) / step) * step, 3)
    plan.noted_trim_db = dict(plan.trim_db)
    partner = i.scene.partner(channel)
    seen = (
        i.scene.processor.passes_delays
        and (partner in i.scene.alike(channel) if partner else False)
        and len(i.scene.mains) >= 3
    )
    good = i.scene.meter_readings or (seen and channel not in i.scene.subs and abs(by_db) >= 2.8)
    return Planted(
        plan,
        causes,
        frozenset({channel}),
        decidable=bool(good),
        why="" if good else "no meter readings",
        symptoms=symptoms,
        text=f"{by_db:+.1f} dB",
        seats_free=True,
    )


def wrong_trim(i: Installation, rng) -> Planted | None:
    channel = _pick(rng, [c for c in i.scene.mains if i.scene.place(c).key != "FC"])
    return _trim(i, channel, float(rng.uniform(2.2, 4.0)) * float(rng.choice([-1, 1])), ("settings.trims",))


def sub_level(i: Installation, rng) -> Planted | None:
    if not i.scene.subs:
        return None
    return _trim(
        i, _pick(rng, i.scene.subs), float(rng.uniform(3.5, 7.0)) * float(rng.choice([-1, 1])), ("settings.trims",)
    )


def centre_low(i: Installation, rng) -> Planted | None:
    centre = next((p.channel for p in i.scene.places if p.key == "FC"), None)
    return (
        None
        if centre is None
        else _trim(i, centre, -2.8, ("settings.dialogue-level",), ("settings.trims", "settings.channel-level"))
    )


def all_levels(i: Installation, rng) -> Planted | None:
    plan = i.copy()
    plan.volume_db = float(rng.uniform(3.5, 7.0)) * float(rng.choice([-1, 1]))
    good = i.scene.meter_readings and len(i.scene.mains) >= 3
    return Planted(
        plan,
        ("settings.reference",),
        decidable=good,
        why="" if good else "no meter readings",
        text=f"{plan.volume_db:+.1f} dB",
        seats_free=True,
    )


def bass_management(i: Installation, rng) -> Planted | None:
    if not i.scene.high_pass_hz:
        return None
    reach = i.scene.high_pass_hz
    low = [c for c in i.scene.mains if i.scene.place(c).speaker.high_pass_hz <= 0.7 * reach[c]]
    channel = _pick(rng, low or i.scene.mains)
    plan = i.copy()
    every = bool(rng.random() < 0.3)
    lost = set(i.scene.mains) if every else {channel}
    plan.high_pass -= lost
    slopes_db = Truth(i, plan).bass_slopes_db()
    shown = {c for c in lost if _full_range(i, c, slopes_db, lost)}
    good = i.scene.processor.passes_delays and bool(shown) and len(i.seat_ids) >= 2
    return Planted(
        plan,
        ("settings.bass-management",),
        frozenset(shown or lost),
        also=frozenset(lost),
        decidable=good,
        why="" if good else "loudspeakers or room end as a high-pass would, the processor was bypassed, or few seats",
        text="all" if every else "one",
        seats_free=True,
    )


def _full_range(i: Installation, channel: str, slopes_db: dict[str, float], lost: set[str]) -> bool:
    """Whether a loudspeaker without its high-pass differs in this room from its filtered partner.

    A high-pass of second order takes 12 dB between twice its frequency and half of it (arithmetic). The room alone makes as
    much: 244 responses with one had −36 to −2 dB there, the same without it −26 to +8 dB, and four with one in two small
    rooms +2 to +6 dB. Below −8 dB the loudspeaker ends.
    """
    own, partner = slopes_db[channel], i.scene.partner(channel)
    beside = partner is not None and partner in i.scene.alike(channel) and partner not in lost
    return beside and own > -8.0 and own - slopes_db[str(partner)] >= 10.0


def blocked(i: Installation, rng) -> Planted | None:
    if len(i.seat_ids) < 3:
        return None
    channel, seat = _pick(rng, i.scene.mains), _pick(rng, i.seat_ids)
    plan = i.copy()
    plan.blocked[(channel, seat)] = float(rng.uniform(12, 22))
    i.calibrate(plan)
    depth = Truth(i, plan).direct_db(channel, seat)
    good = depth <= -11.0  # the limit, and what the microphone's place, gain and angle may take from it
    return Planted(
        plan,
        ("room.blocked",),
        frozenset({channel}),
        seats=frozenset({seat}),
        decidable=good,
        why="" if good else f"direct sound only {depth:.1f} dB off the other seats'",
        text=f"{depth:.1f} dB",
    )


def reflection(i: Installation, rng) -> Planted | None:
    """Decidable where the room does not do as much to the other loudspeakers: that is how it is built."""
    channel = _pick(rng, i.scene.mains)
    plan = i.copy()
    delay, gain = float(rng.uniform(1.5, 9.0)) / 1000, float(rng.uniform(-4.5, -1.5))
    plan.reflections[channel] = (Reflection(delay, gain),)
    i.calibrate(plan)
    truth = Truth(i, plan)
    level = truth.worst_reflection_db(channel)
    usual = float(np.median([truth.worst_reflection_db(c) for c in i.scene.mains if c != channel]))
    good = level >= -7.0 and level - usual >= 3.5
    return Planted(
        plan,
        ("room.reflection",),
        frozenset({channel}),
        also=frozenset(i.scene.mains),
        decidable=good,
        why="" if good else f"{level:.1f} dB, others {usual:.1f} dB",
        text=f"{level:.1f} dB, {1000 * delay:.1f} ms",
        seats_free=True,
    )


def row_null(i: Installation, rng) -> Planted | None:
    rows: dict[int, list[str]] = {}
    for s in i.scene.seats:
        rows.setdefault(s.row, []).append(s.id)
    able = [r for r in rows.values() if 2 <= len(r) and 2 * len(r) <= len(i.seat_ids)]
    if len(rows) < 2 or not able or not i.scene.subs:
        return None
    row = _pick(rng, able)
    plan = i.copy()
    hz = float(rng.uniform(32, 70))
    for seat in row:
        plan.notch[seat] = (hz, float(rng.uniform(1.2, 1.6)), float(rng.uniform(28, 34)))
    i.calibrate(plan)
    truth = Truth(i, plan)
    depth = max(truth.null_db(s) for s in row)
    good = depth <= -11.5
    return Planted(
        plan,
        ("room.row-null",),
        frozenset(),
        seats=frozenset(row),
        decidable=good,
        why="" if good else f"only {depth:.0f} dB re the mean of all seats",
        symptoms=("room.null",),
        text=f"{depth:.0f} dB at {hz:.0f} Hz",
    )


def _seat_information(i: Installation, a: str, b: str) -> float:
    k, m = i.seat_ids.index(a), i.seat_ids.index(b)
    flights = _flights(i)
    d = np.array([flights[c][k] - flights[c][m] for c in i.scene.mains])
    return float(np.linalg.norm(d - d.mean() if i.scene.capture.clock == "by seat" else d))


def seats_exchanged(i: Installation, rng) -> Planted | None:
    if len(i.seat_ids) < 2:
        return None
    a, b = (i.seat_ids[k] for k in rng.permutation(len(i.seat_ids))[:2])
    plan = i.copy()
    for c in i.channels:
        plan.file_of[(c, a)], plan.file_of[(c, b)] = (c, b), (c, a)
    good = i.scene.capture.clock != "none" and _seat_information(i, a, b) >= 1.2e-3 and len(i.scene.mains) >= 3
    why = "" if good else "no clock, or seats too alike"
    pairs = combinations(i.scene.mains, 2)
    if good and any(_like_exchanged_seats(i, *pair, (i.seat_ids.index(a), i.seat_ids.index(b))) for pair in pairs):
        why = "two loudspeakers exchanged arrive the same"
    return Planted(
        plan,
        ("measurement.seats-exchanged",),
        seats=frozenset({a, b}),
        decidable=not why,
        why=why,
    )


def not_moved(i: Installation, rng) -> Planted | None:
    if len(i.seat_ids) < 2:
        return None
    k = int(rng.integers(1, len(i.seat_ids)))
    before, seat = i.seat_ids[k - 1], i.seat_ids[k]
    plan = i.copy()
    for c in i.channels:
        plan.microphone_at[(c, seat)] = before
    return Planted(
        plan,
        ("measurement.microphone-not-moved", "measurement.same-recording"),
        seats=frozenset({before, seat}),
        decidable=len(i.channels) >= 2,
    )


def moved_early(i: Installation, rng) -> Planted | None:
    if len(i.seat_ids) < 2 or len(i.channels) < 4:
        return None
    k = int(rng.integers(1, len(i.seat_ids)))
    seat, following = i.seat_ids[k - 1], i.seat_ids[k]
    plan = i.copy()
    late = i.channels[-int(rng.integers(1, max(2, len(i.channels) // 2))) :]
    for c in late:
        plan.microphone_at[(c, seat)] = following
    good = not all(_mirrored(i, c, seat, following) for c in late)
    return Planted(
        plan,
        ("measurement.microphone-not-moved", "measurement.same-recording"),
        channels=frozenset(),
        seats=frozenset({seat, following}),
        decidable=good,
        why="" if good else MIRRORED,
        text=f"{len(late)} channels",
    )


MIRRORED = "a symmetric room makes them alike at these two seats"


def _mirrored(i: Installation, channel: str, a: str, b: str) -> bool:
    """Whether a loudspeaker is as far from one seat as from another one of the same row (5 cm, a subwoofer 25 cm)."""
    k, m = i.seat_ids.index(a), i.seat_ids.index(b)
    apart_m = np.ptp(_flights(i)[channel][[k, m]]) * i.scene.speed_m_s
    within_m = 0.05 if channel in i.scene.mains else 0.25
    return bool(apart_m < within_m and i.scene.seats[k].row == i.scene.seats[m].row)


def _use_file(i: Installation, plan: Plan, place: tuple[str, str], of: tuple[str, str], how: str) -> None:
    """Store the file of another place for this one: the same bytes, or encoded again."""
    plan.file_of[place] = of
    if how != "bytes":
        subtypes = {"PCM_16": "PCM_24", "PCM_24": "FLOAT", "FLOAT": "PCM_24"}
        plan.recode[place] = how if how != "subtype" else subtypes[i.scene.capture.subtype]


def _recoding(i: Installation, rng) -> str:
    how = str(rng.choice(["bytes", "subtype", "gain", "rate"]))
    return "subtype" if how == "rate" and i.scene.capture.raw_sweep else how


def same_recording(i: Installation, rng) -> Planted | None:
    if len(i.seat_ids) < 2:
        return None
    a, b = (i.seat_ids[k] for k in rng.permutation(len(i.seat_ids))[:2])
    plan, how = i.copy(), _recoding(i, rng)
    count = len(i.channels) if rng.random() < 0.4 else 1
    chosen = [i.channels[k] for k in rng.permutation(len(i.channels))[:count]]
    for c in chosen:
        _use_file(i, plan, (c, b), (c, a), how)
    return Planted(
        plan,
        ("measurement.same-recording", "measurement.microphone-not-moved"),
        seats=frozenset({a, b}),
        refused=how == "bytes",
        text=f"{how}, {count}",
    )


def one_file_for_two(i: Installation, rng) -> Planted | None:
    """A channel's files are copies of another's at every seat."""
    if len(i.scene.mains) < 2:
        return None
    a, b = (i.scene.mains[k] for k in rng.permutation(len(i.scene.mains))[:2])
    plan, how = i.copy(), _recoding(i, rng)
    for seat in i.seat_ids:
        _use_file(i, plan, (b, seat), (a, seat), how)
    return Planted(
        plan,
        ("measurement.same-recording",),
        frozenset({b}),
        also=frozenset({a}),
        seats=frozenset(i.seat_ids),
        refused=how == "bytes",
        text=how,
    )


def one_of_two(i: Installation, rng) -> Planted | None:
    """A fault of one loudspeaker where there is no third one to compare with."""
    if len(i.scene.mains) != 2:
        return None
    faults = (reversed_loudspeaker, dead_tweeter, wrong_trim, wrong_distance)
    return faults[int(rng.integers(len(faults)))](i, rng)


def wrong_channel(i: Installation, rng) -> Planted | None:
    """At one seat another channel was played, or its file was named wrongly."""
    if len(i.scene.mains) < 3:
        return None
    a, b = (i.scene.mains[k] for k in rng.permutation(len(i.scene.mains))[:2])
    seat = _pick(rng, i.seat_ids)
    plan = i.copy()
    if rng.random() < 0.5:
        plan.file_of[(a, seat)] = (b, seat)
        plan.replayed.add((a, seat))
        return Planted(
            plan,
            ("measurement.wrong-channel", "measurement.same-recording"),
            frozenset({a}),
            also=frozenset({b}),
            seats=frozenset({seat}),
            decidable=len(i.seat_ids) >= 2,
            why="" if len(i.seat_ids) >= 2 else "one seat",
            text="played again",
        )
    plan.file_of[(a, seat)], plan.file_of[(b, seat)] = (b, seat), (a, seat)
    flights, k = _flights(i), i.seat_ids.index(seat)
    delays = i.delays_s(plan) if i.scene.processor.passes_delays else dict.fromkeys((a, b), 0.0)
    # Aligned channels arrive together near the reference seat, whichever of them plays.
    apart = abs(flights[a][k] + delays[a] - flights[b][k] - delays[b])
    several = len(i.seat_ids) >= (2 if _delays_known(i) else 3)
    good = i.scene.capture.clock != "none" and apart >= SWAP_S and several
    return Planted(
        plan,
        ("measurement.wrong-channel",),
        frozenset({a}),
        also=frozenset({a, b}),
        seats=frozenset({seat}),
        decidable=good,
        why="" if good else f"no clock, too few seats, or only {1000 * apart:.1f} ms between their arrivals",
        text="files exchanged",
    )


def no_clock(i: Installation, rng) -> Planted | None:
    if i.scene.capture.clock == "none":
        return None
    plan = i.copy()
    plan.clock_jitter_s = float(rng.choice([0.02, 0.2, 0.6]))
    return Planted(
        plan,
        ("measurement.clock",),
        decidable=len(i.scene.mains) >= 3,
        why="two channels",
        text=f"{400 * plan.clock_jitter_s:.0f} ms",
        seats_free=True,
    )


def wrong_stimulus(i: Installation, rng) -> Planted | None:
    if not i.scene.capture.raw_sweep:
        return None
    plan = i.copy()
    plan.stimulus_factor = float(rng.choice([0.8, 0.93, 1.06, 1.2]))
    return Planted(
        plan, ("measurement.stimulus",), refused=True, text=f"{plan.stimulus_factor:g} times as long", seats_free=True
    )


def gain_changed(i: Installation, rng) -> Planted | None:
    if len(i.seat_ids) < 2:
        return None
    seat = _pick(rng, i.seat_ids)
    plan = i.copy()
    plan.gain_db[seat] = 3.0 * float(rng.choice([-1, 1]))
    good = len(i.seat_ids) >= 3 and len(i.scene.mains) >= 4
    return Planted(
        plan,
        ("measurement.gain",),
        seats=frozenset({seat}),
        decidable=good,
        why="" if good else "fewer than three seats or four loudspeakers",
        text=f"{plan.gain_db[seat]:+.0f} dB",
    )


def microphone_differs(i: Installation, rng) -> Planted | None:
    if len(i.seat_ids) < 2:
        return None
    seat = _pick(rng, i.seat_ids)
    plan = i.copy()
    corner, change = float(rng.uniform(2000, 5000)), float(rng.uniform(5, 9)) * float(rng.choice([-1, -1, 1]))
    plan.seat_shelf_db[seat] = (corner, change)
    good = len(i.seat_ids) >= 3 and len(i.scene.mains) >= 4
    return Planted(
        plan,
        ("measurement.microphone",),
        seats=frozenset({seat}),
        decidable=good,
        why="" if good else "fewer than three seats or four loudspeakers",
        text=f"{change:+.0f} dB above {corner:.0f} Hz",
    )


def interference(i: Installation, rng) -> Planted | None:
    channel, seat = _pick(rng, i.channels), _pick(rng, i.seat_ids)
    plan = i.copy()
    if rng.random() < 0.4 and i.scene.place(channel).role != "sub":
        plan.extra_hum[(channel, seat)] = (float(rng.choice([50, 60])), float(rng.uniform(-3, 3)))
        text = "hum"
    else:
        sub = i.scene.place(channel).role == "sub"
        low, high = (30, 90) if sub else [(60, 250), (250, 1000), (3500, 9000)][int(rng.integers(3))]
        plan.extra_noise[(channel, seat)] = (low, high, float(rng.uniform(1, 8)))
        text = f"{low}–{high} Hz"
    kind = len(i.scene.subs if i.scene.place(channel).role == "sub" else i.scene.mains)
    alone = kind * len(i.seat_ids) == 1  # nothing to compare with: noise in the room or in this recording
    return Planted(
        plan,
        ("measurement.interference", "measurement.noise") if alone else ("measurement.interference",),
        frozenset({channel}),
        seats=frozenset({seat}),
        symptoms=("measurement.noise",),
        text=text,
    )


def clipped(i: Installation, rng) -> Planted | None:
    if not i.scene.capture.raw_sweep:
        return None
    channel, seat = _pick(rng, i.scene.mains), _pick(rng, i.seat_ids)
    plan = i.copy()
    plan.clip[(channel, seat)] = float(rng.uniform(0.3, 0.6))
    return Planted(plan, ("measurement.clipped",), frozenset({channel}), seats=frozenset({seat}))


def inverted(i: Installation, rng) -> Planted | None:
    plan = i.copy()
    plan.chain_sign = -1
    return Planted(
        plan,
        ("measurement.inverted",),
        decidable=False,
        why="a crossover can turn the phase of all alike",
        seats_free=True,
    )


FAULTS: dict[str, Callable[[Installation, np.random.Generator], Planted | None]] = {
    "swapped pair": swapped_pair,
    "swapped three": swapped_three,
    "reversed loudspeaker": reversed_loudspeaker,
    "reversed subwoofer": reversed_sub,
    "reversed driver": reversed_driver,
    "dead tweeter": dead_tweeter,
    "dead woofer": dead_woofer,
    "dead midrange": dead_midrange,
    "silent channel": silent_channel,
    "doubled channel": doubled,
    "leaking channel": leaking,
    "upmixer on": upmix,
    "limiter": limiter,
    "distortion": distorted,
    "rattle": rattle,
    "hum": hum,
    "ventilation": ventilation,
    "equipment noise": equipment,
    "noise from outside": outside_noise,
    "misplaced loudspeaker": misplaced,
    "misaimed loudspeaker": misaimed,
    "ringing mode": ringing,
    "lip sync": lip_sync,
    "wrong unit": wrong_unit,
    "no delays": no_delays,
    "delay sign": delay_sign,
    "wrong distance": wrong_distance,
    "sub latency": sub_latency,
    "wrong trim": wrong_trim,
    "sub level": sub_level,
    "centre low": centre_low,
    "all levels": all_levels,
    "no high-pass": bass_management,
    "blocked at a seat": blocked,
    "early reflection": reflection,
    "row in a null": row_null,
    "seats exchanged": seats_exchanged,
    "microphone not moved": not_moved,
    "moved too early": moved_early,
    "one file twice": same_recording,
    "one file for two": one_file_for_two,
    "one of two": one_of_two,
    "wrong channel's file": wrong_channel,
    "no shared clock": no_clock,
    "wrong stimulus": wrong_stimulus,
    "gain changed": gain_changed,
    "other microphone": microphone_differs,
    "noise in one": interference,
    "clipped": clipped,
    "chain inverted": inverted,
}
"""Every fault by name: a function of installation and generator; None where the room cannot have it."""
