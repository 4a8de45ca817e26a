"""A cinema drawn from a seed: room, surfaces, loudspeakers, seats, processor, microphone and the manner of measuring."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from rooms.loudspeakers import Loudspeaker, model, specimen, subwoofer

LAYOUTS = (
    "2.0",
    "2.1",
    "3.1",
    "3.2",
    "5.1",
    "5.1",
    "5.2",
    "5.1.2",
    "5.1.4",
    "5.2.4",
    "7.1",
    "7.2",
    "7.1.2",
    "7.1.4",
    "7.2.4",
    "7.4.4",
    "9.1.4",
    "9.2.4",
    "9.2.6",
)
STANDARD = {
    "FL": "Front left",
    "FR": "Front right",
    "FC": "Centre",
    "SiL": "Side left",
    "SiR": "Side right",
    "BL": "Back left",
    "BR": "Back right",
    "FLw": "Wide left",
    "FRw": "Wide right",
    "TpFL": "Top front left",
    "TpFR": "Top front right",
    "TpSiL": "Top side left",
    "TpSiR": "Top side right",
    "TpBL": "Top back left",
    "TpBR": "Top back right",
}
OTHER_NAMES = {
    "FL": "L",
    "FR": "R",
    "FC": "C",
    "SiL": "Ls",
    "SiR": "Rs",
    "BL": "Lrs",
    "BR": "Rrs",
    "FLw": "Lw",
    "FRw": "Rw",
    "TpFL": "Ltf",
    "TpFR": "Rtf",
    "TpSiL": "Ltm",
    "TpSiR": "Rtm",
    "TpBL": "Ltr",
    "TpBR": "Rtr",
}
MIRROR = {c: c.replace("L", "R") if "L" in c else c.replace("R", "L") for c in STANDARD if c != "FC"}


@dataclass
class Place:
    """A loudspeaker standing somewhere; `channel` is what should feed it."""

    channel: str
    key: str
    """Its name in `STANDARD`, or SUB1 …"""
    role: str
    position_m: tuple[float, float, float]
    axis: tuple[float, float, float]
    speaker: Loudspeaker
    group: str
    """Loudspeakers of the same model share it."""


@dataclass
class Seat:
    id: str
    position_m: tuple[float, float, float]
    """Ears, where the tape is held."""
    microphone_m: tuple[float, float, float]
    row: int
    reference: bool = False


@dataclass
class Processor:
    unit: str
    step: float
    speed_m_s: float
    speed_known: bool
    trim_step_db: float
    latency_s: float
    passes_delays: bool = True
    settings_noted: bool = True


@dataclass
class Capture:
    """Manner of measurement of the responses, and their file format."""

    rate_hz: int
    subtype: str
    container: str
    raw_sweep: bool
    seconds: float
    clock: str
    """"shared", "by seat" or "none"."""
    drift_ppm: float
    snr_db: float
    hum_hz: float | None
    hum_db: float
    peak_fs: float
    microphone: tuple[tuple[float, float, float], ...]
    microphone_shelf_db: float
    sweep_s: float = 2.0
    calibrated: bool = False


@dataclass
class Scene:
    seed: int
    simulator: str
    layout: str
    size_m: tuple[float, float, float]
    """Width (x), length (y), height (z) of the box."""
    left_m: float
    """x of the left wall: the room need not be centred on the screen."""
    absorption: np.ndarray
    """[shape=(6, 10)] left, right, front, back, floor, ceiling by octave from 31.5 Hz."""
    scattering: np.ndarray
    temperature_c: float
    stated_temperature_c: float
    places: list[Place]
    seats: list[Seat]
    processor: Processor
    capture: Capture
    high_pass_hz: dict[str, float]
    survey: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    tape_m: dict[str, float] = field(default_factory=dict)
    states_room: bool = True
    meter_readings: bool = True
    meter_offset_db: float = 0.0
    seat_backs_db: float = 0.0
    corners: np.ndarray | None = None
    """Floor plan of a room that is no box [shape=(2, n)], pyroomacoustics only."""

    @property
    def speed_m_s(self) -> float:
        """331.3 m/s at 0 °C and the root of the absolute temperature: dry air, any handbook."""
        return 331.3 * math.sqrt(1 + self.temperature_c / 273.15)

    @property
    def reference(self) -> Seat:
        return next(s for s in self.seats if s.reference)

    @property
    def mains(self) -> list[str]:
        return [p.channel for p in self.places if p.role != "sub"]

    @property
    def subs(self) -> list[str]:
        return [p.channel for p in self.places if p.role == "sub"]

    def place(self, channel: str) -> Place:
        return next(p for p in self.places if p.channel == channel)

    def partner(self, channel: str) -> str | None:
        key = MIRROR.get(self.place(channel).key)
        return next((p.channel for p in self.places if p.key == key), None)

    def alike(self, channel: str) -> list[str]:
        """Other channels with the same model of loudspeaker, not subwoofers."""
        own = self.place(channel)
        return [p.channel for p in self.places if p.group == own.group and p.channel != channel]

    @property
    def volume_m3(self) -> float:
        return math.prod(self.size_m)

    @property
    def mean_absorption(self) -> np.ndarray:
        """By octave."""
        w, length, h = self.size_m
        areas = np.array([length * h, length * h, w * h, w * h, w * length, w * length])
        return (areas[:, None] * self.absorption).sum(axis=0) / areas.sum()

    @property
    def t60_s(self) -> np.ndarray:
        """Eyring 1930."""
        w, length, h = self.size_m
        area = 2 * (w * length + w * h + length * h)
        return 0.161 * self.volume_m3 / (-area * np.log1p(-self.mean_absorption))


def _surfaces(rng: np.random.Generator) -> np.ndarray:
    """Six surfaces by octave 31.5 Hz … 16 kHz; unequal left and right in most rooms."""
    octave = np.arange(10)
    damping = rng.uniform(0.0, 1.0)

    def wall(low, middle, high):
        values = np.interp(octave, [0, 4, 7, 9], [low, middle, high, high * 1.05])
        return np.clip(values * rng.uniform(0.8, 1.25), 0.04, 0.92)

    def plaster():
        return wall(0.10 + 0.06 * damping, 0.10 + 0.35 * damping, 0.10 + 0.45 * damping)

    def panel():
        return wall(0.15, 0.35 + 0.3 * damping, 0.45 + 0.3 * damping)

    left, right = panel() if rng.random() < 0.5 else plaster(), None
    right = left * rng.uniform(0.9, 1.1, 10)
    kind = rng.choice(["equal", "window", "door", "open", "curtain"], p=[0.3, 0.25, 0.15, 0.15, 0.15])
    if kind == "window":
        right = np.interp(octave, [0, 2, 4, 9], [0.22, 0.15, 0.07, 0.05])
    elif kind == "door":
        right = 0.75 * right + 0.25 * np.interp(octave, [0, 3, 9], [0.3, 0.12, 0.08])
    elif kind == "open":
        right = 0.45 * right + 0.55 * 0.95
    elif kind == "curtain":
        right = np.interp(octave, [0, 3, 5, 9], [0.08, 0.2, 0.6, 0.75])
    if rng.random() < 0.5:
        left, right = right, left
    front = panel() if rng.random() < 0.6 else plaster()
    back = panel() if rng.random() < 0.5 else plaster()
    floor = np.interp(octave, [0, 3, 5, 9], [0.06, 0.1, 0.3, 0.6]) if rng.random() < 0.75 else np.full(10, 0.08)
    ceiling = panel() if rng.random() < 0.4 else plaster()
    return np.clip(np.array([left, right, front, back, floor, ceiling]), 0.04, 0.95)


def _seats(rng, size, speaker_y: float) -> list[tuple[float, float, float, int]]:
    """Ears (x, y, z, row)."""
    width, length, height = size
    rows = int(rng.choice([1, 2, 3], p=[0.5, 0.37, 0.13]))
    y = speaker_y + float(rng.uniform(2.2, 3.2)) + (0.4 if length > 6 else 0.0)
    y = min(y, length - 0.75)
    out, z = [], float(rng.uniform(0.95, 1.2))
    for row in range(rows):
        if row and y > length - 0.6:
            break
        most = max(1, min(5, int((width - 0.9) / 0.68)))
        count = int(rng.integers(1, most + 1)) if rows == 1 else int(rng.integers(2, max(3, most + 1)))
        if row == 0 and rows > 1 and rng.random() < 0.15:
            count = max(1, count - 1)
        pitch = min(float(rng.uniform(0.6, 0.85)), (width - 0.9) / max(count, 1))
        shift = 0.0 if rng.random() < 0.75 else float(rng.uniform(-0.5, 0.5))
        shift = float(
            np.clip(shift, -(width / 2 - 0.5 - pitch * (count - 1) / 2), width / 2 - 0.5 - pitch * (count - 1) / 2)
        )
        xs = (np.arange(count) - (count - 1) / 2) * pitch + shift
        out += [(float(x + rng.normal(0, 0.02)), y + float(rng.normal(0, 0.03)), z, row) for x in xs]
        y += float(rng.uniform(1.0, 1.7))
        z = min(z + float(rng.choice([0.0, 0.2, 0.3])), height - 0.8)
    return out[:12]


def _positions(rng, layout: str, size, reference) -> dict[str, tuple[float, float, float]]:
    """Loudspeakers in coordinates with x = 0 in the middle of the room's width."""
    width, length, height = size
    parts = [int(p) for p in layout.split(".")]
    ears, tops = parts[0], parts[2] if len(parts) > 2 else 0
    half = width / 2
    rx, ry, rz = reference
    front_y = float(rng.uniform(0.12, 0.55))
    out: dict[str, tuple[float, float, float]] = {}

    def at(angle_deg: float, far: float, z: float) -> tuple[float, float, float]:
        """On a ray from the seat until a wall comes."""
        a = math.radians(angle_deg)
        dx, dy = -math.sin(a), -math.cos(a)
        limit_x = ((half - 0.12) - abs(rx) if dx * rx >= 0 else (half - 0.12) + abs(rx)) / max(abs(dx), 1e-9)
        limit_y = ((length - 0.12 - ry) if dy > 0 else (ry - 0.12)) / max(abs(dy), 1e-9)
        reach = min(far, limit_x, limit_y)
        return (rx + reach * dx, ry + reach * dy, z)

    spread = min((half - 0.35), (ry - front_y) * math.tan(math.radians(rng.uniform(22, 31))))
    z_front = float(rng.uniform(0.85, 1.25))
    out["FL"], out["FR"] = (-spread, front_y, z_front), (spread, front_y, z_front)
    if ears in (3, 5, 7, 9):
        out["FC"] = (
            float(rng.normal(0, 0.03)),
            front_y,
            z_front if rng.random() < 0.4 else float(rng.uniform(0.4, 0.75)),
        )
    z_surround = float(rng.uniform(1.15, 1.8))
    if ears in (5, 7, 9):
        angle = rng.uniform(92, 118) if ears == 5 else rng.uniform(88, 108)
        out["SiL"], out["SiR"] = at(angle, 9, z_surround), at(-angle, 9, z_surround)
    if ears in (7, 9):
        angle = rng.uniform(135, 152)
        out["BL"], out["BR"] = at(angle, 9, z_surround), at(-angle, 9, z_surround)
    if ears == 9:
        angle = rng.uniform(52, 64)
        out["FLw"], out["FRw"] = at(angle, 9, z_surround), at(-angle, 9, z_surround)
    x_top = min(spread, half - 0.5) * float(rng.uniform(0.75, 1.0))
    z_top = height - 0.02
    up = z_top - rz
    ahead, behind = up / math.tan(math.radians(rng.uniform(38, 52))), up / math.tan(math.radians(rng.uniform(38, 55)))
    y_ahead, y_behind = max(ry - ahead, 0.6), min(ry + behind, length - 0.4)
    if tops == 2:
        y = ry - float(rng.uniform(0.0, 0.7))
        out["TpSiL"], out["TpSiR"] = (-x_top, y, z_top), (x_top, y, z_top)
    if tops in (4, 6):
        out["TpFL"], out["TpFR"] = (-x_top, y_ahead, z_top), (x_top, y_ahead, z_top)
        out["TpBL"], out["TpBR"] = (-x_top, y_behind, z_top), (x_top, y_behind, z_top)
    if tops == 6:
        y = (y_ahead + y_behind) / 2
        out["TpSiL"], out["TpSiR"] = (-x_top, y, z_top), (x_top, y, z_top)
    places = [
        (-half + 0.4, 0.4),
        (half - 0.4, length - 0.4),
        (half - 0.4, 0.4),
        (-half + 0.4, length - 0.4),
        (0.3, 0.3),
    ]
    order = [0, 2, 1, 3] if rng.random() < 0.5 else [0, 1, 2, 3]
    if rng.random() < 0.25:
        order = [4, *order]
    for n in range(parts[1]):
        x, y = places[order[n]]
        out[f"SUB{n + 1}"] = (
            x + float(rng.normal(0, 0.12)),
            y + float(rng.uniform(-0.1, 0.3)),
            float(rng.uniform(0.2, 0.35)),
        )
    jitter = 0.02 if rng.random() < 0.5 else 0.07
    moved = {}
    for key, (x, y, z) in out.items():
        x, y = x + float(rng.normal(0, jitter)), y + float(rng.normal(0, jitter))
        x, y = float(np.clip(x, -half + 0.1, half - 0.1)), float(np.clip(y, 0.1, length - 0.1))
        moved[key] = (x, y, z)
    return moved


def _role(key: str) -> str:
    if key.startswith("SUB"):
        return "sub"
    return "height" if key.startswith("Tp") else "screen" if key in ("FL", "FR", "FC") else "surround"


def _models(rng, places: dict[str, tuple[float, float, float]], measured: bool) -> dict[str, tuple[str, Loudspeaker]]:
    """(group, specimen) of every place."""
    fronts = model(
        str(rng.choice(["two-way", "three-way", "in-wall", "horn", "coaxial"], p=[0.3, 0.3, 0.12, 0.13, 0.15])),
        rng,
        "front",
    )
    surrounds = (
        fronts
        if rng.random() < 0.2
        else model(
            str(rng.choice(["two-way", "in-wall", "coaxial", "single"], p=[0.4, 0.25, 0.25, 0.1])), rng, "surround"
        )
    )
    heights = (
        surrounds
        if surrounds.kind == "coaxial"
        else model(str(rng.choice(["coaxial", "in-wall", "two-way"], p=[0.6, 0.3, 0.1])), rng, "height")
    )
    centre = (
        fronts if rng.random() < 0.45 else model(str(rng.choice(["two-way", "three-way", "coaxial"])), rng, "centre")
    )
    if measured:
        fronts = centre = model("measured", rng, "front")
        surrounds = model("measured", rng, "surround") if rng.random() < 0.5 else surrounds
    same_subs = subwoofer(rng, "sub") if rng.random() < 0.7 else None
    out = {}
    for key in places:
        if key.startswith("SUB"):
            own = same_subs or subwoofer(rng, key)
        else:
            role = _role(key)
            own = centre if key == "FC" else {"screen": fronts, "surround": surrounds, "height": heights}[role]
        out[key] = (own.model, specimen(own, rng))
    return out


def _triple(values: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return x, y, z


def _axis(rng, position, target, mount: str, size, role: str) -> tuple[float, float, float]:
    if role == "height":
        return (0.0, 0.0, -1.0)
    if mount == "wall":
        half = size[0] / 2
        x, y, _ = position
        gaps = {
            (1.0, 0.0, 0.0): x + half,
            (-1.0, 0.0, 0.0): half - x,
            (0.0, 1.0, 0.0): y,
            (0.0, -1.0, 0.0): size[1] - y,
        }
        return min(gaps, key=lambda each: gaps[each])
    aim = np.array(target) - np.array(position) + rng.normal(0, 0.25, 3)
    return _triple(aim / np.linalg.norm(aim))


def _against_wall(position, axis, size) -> tuple[float, float, float]:
    """Built-in loudspeakers stand in the plane of their wall."""
    x, y, z = position
    half = size[0] / 2
    if axis[0]:
        x = -half if axis[0] > 0 else half
    elif axis[1]:
        y = 0.0 if axis[1] > 0 else size[1]
    else:
        z = size[2]
    return (x, y, z)


def scene(seed: int, simulator: str = "images") -> Scene:
    """The cinema of a seed."""
    rng = np.random.default_rng([77, seed])
    layout = str(rng.choice(LAYOUTS))
    big = rng.random() < 0.2
    size = (
        float(rng.uniform(2.9, 5.2) if not big else rng.uniform(5.0, 7.5)),
        float(rng.uniform(3.9, 7.2) if not big else rng.uniform(6.5, 10.5)),
        float(rng.uniform(2.25, 2.9) if not big else rng.uniform(2.5, 3.5)),
    )
    if layout.split(".")[0] in ("7", "9"):
        size = (max(size[0], 3.4), max(size[1], 4.9), size[2])
    ears = _seats(rng, size, 0.4)
    first_row = [i for i, e in enumerate(ears) if e[3] == (1 if max(e[3] for e in ears) == 2 else 0)]
    reference = min(first_row, key=lambda i: abs(ears[i][0]))
    where = _positions(rng, layout, size, ears[reference][:3])
    models = _models(rng, where, simulator == "measured")
    other = rng.random() < 0.12
    off_centre = 0.0 if rng.random() < 0.85 else float(rng.uniform(-0.6, 0.6))  # of the screen in the room
    placing_m = float(rng.choice([0.005, 0.012, 0.025]))
    tape_m = float(rng.uniform(0.006, 0.018))
    rows: dict[int, int] = {}
    seats = []
    for i, (x, y, z, row) in enumerate(ears):
        rows[row] = rows.get(row, 0) + 1
        at = (x - off_centre, y, z)
        mic = _triple(np.array(at) + rng.normal(0, placing_m, 3))
        seats.append(Seat(f"{'ABC'[row]}{rows[row]}", at, mic, row, i == reference))
    places = []
    middle = np.mean([e[:3] for e in ears], axis=0)
    for key, position in where.items():
        group, own = models[key]
        role = _role(key)
        built_in = own.mount == "wall" or (role == "height" and own.kind in ("coaxial", "in-wall", "single"))
        axis = _axis(rng, position, middle, own.mount, size, role)
        if built_in:
            position = _against_wall(position, axis, size)
            own = own if own.mount == "wall" else _into_wall(own)
        elif role == "height":
            position = (position[0], position[1], position[2] - 0.12)
        channel = OTHER_NAMES.get(key, key) if other else key
        places.append(Place(channel, key, role, (position[0] - off_centre, *position[1:]), axis, own, group))
    unit = str(rng.choice(["m", "m", "ft", "ms"]))
    step = float(rng.choice({"m": [0.01, 0.03, 0.05, 0.1], "ft": [0.1, 0.5], "ms": [0.02, 0.1]}[unit]))
    known = bool(rng.random() < 0.4)
    processor = Processor(
        unit,
        step,
        float(rng.choice([340.0, 343.0, 344.0, 345.0, 338.0])),
        known,
        float(rng.choice([0.5, 0.5, 0.1, 1.0])),
        float(rng.uniform(0.003, 0.09)),
        bool(rng.random() < 0.9),
        bool(rng.random() < 0.88),
    )
    raw = bool(rng.random() < 0.25)
    clock = str(rng.choice(["shared", "by seat", "none"], p=[0.72, 0.16, 0.12]))
    capture = Capture(
        rate_hz=48000 if raw else int(rng.choice([44100, 48000, 96000], p=[0.25, 0.6, 0.15])),
        subtype=str(rng.choice(["PCM_16", "PCM_24", "FLOAT"], p=[0.3, 0.5, 0.2])),
        container="WAV",
        raw_sweep=raw,
        seconds=float(rng.uniform(0.35, 0.6)),
        clock=clock,
        drift_ppm=float(rng.normal(0, 8)) if raw and rng.random() < 0.5 else 0.0,
        snr_db=float(rng.uniform(37, 58)),
        hum_hz=float(rng.choice([50.0, 60.0])) if rng.random() < 0.4 else None,
        hum_db=float(rng.uniform(-16, -4)),
        peak_fs=float(rng.uniform(0.15, 0.85)),
        microphone=tuple((float(rng.uniform(3000, 14000)), 1.0, float(rng.normal(0, 0.8))) for _ in range(2)),
        microphone_shelf_db=float(rng.uniform(-2.5, 1.5)),
        sweep_s=float(rng.uniform(1.5, 3.0)),
        calibrated=bool(rng.random() < 0.3),
    )
    temperature = float(rng.uniform(17, 27))
    managed = rng.random() < 0.55 and any(p.role == "sub" for p in places)
    hz = float(rng.choice([60.0, 80.0, 80.0, 100.0]))
    result = Scene(
        seed=seed,
        simulator=simulator,
        layout=layout,
        size_m=size,
        left_m=-size[0] / 2 - off_centre,
        absorption=_surfaces(rng),
        scattering=np.interp(np.arange(10), [0, 3, 6, 9], [0.03, 0.1, 0.25, 0.4]) * float(rng.uniform(0.6, 1.6)),
        temperature_c=temperature,
        stated_temperature_c=round(temperature + float(rng.normal(0, 0.6)), 1),
        places=places,
        seats=seats,
        processor=processor,
        capture=capture,
        high_pass_hz={p.channel: hz if p.role != "height" or hz >= 80 else 80.0 for p in places if p.role != "sub"}
        if managed
        else {},
        states_room=off_centre == 0.0 or rng.random() < 0.3,
        meter_readings=bool(rng.random() < 0.85),
        meter_offset_db=float(rng.normal(0, 0.4)),
        seat_backs_db=float(rng.uniform(3, 12)) if rng.random() < 0.3 else 0.0,
    )
    if capture.subtype != "FLOAT" and rng.random() < 0.3:
        capture.container = "FLAC"
    if simulator == "pra-shape":
        result.corners = _floor_plan(rng, size)
    ref = result.reference.position_m
    for place in places:
        result.survey[place.channel] = _triple(np.round(np.array(place.position_m) + rng.normal(0, tape_m, 3), 2))
        result.tape_m[place.channel] = round(math.dist(place.position_m, ref) + float(rng.normal(0, tape_m)), 2)
    return result


def _floor_plan(rng: np.random.Generator, size) -> np.ndarray:
    """A side wall that runs outward, a back wall askew, or an alcove open to one side; the box itself stays inside."""
    width, length, _ = size
    kind = rng.choice(["side", "back", "alcove"])
    if kind == "side":
        plan = [[0, 0], [width, 0], [width + rng.uniform(0.4, 1.1), length], [0, length]]
    elif kind == "back":
        plan = [[0, 0], [width, 0], [width, length + rng.uniform(0.4, 1.2)], [0, length]]
    else:
        begin, deep = length * rng.uniform(0.35, 0.6), rng.uniform(0.8, 2.5)
        plan = [[0, 0], [width, 0], [width, begin], [width + deep, begin], [width + deep, length], [0, length]]
    return np.array(plan, dtype=float).T


def _into_wall(own: Loudspeaker) -> Loudspeaker:
    from dataclasses import replace

    return replace(own, mount="wall")
