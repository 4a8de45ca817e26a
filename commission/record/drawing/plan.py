"""The room to scale as SVG: from above and from the side, with seats, loudspeakers and the screen."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from commission.model import PlanItem, PlanRay, Position, RoomPlan, Verdict
from commission.model.units import format_length
from commission.record.document import Figure
from commission.record.drawing.svg import (
    Style,
    digits,
    drawing,
    element,
    label,
    line,
    shortened,
    stroke,
    text_width,
    width_em,
)

Units = Literal["metric", "imperial"]

WIDTH = 640.0
MARGIN, GAP = 20.0, 40.0
TOP = 24.0
TALLEST = 400.0
"""Height of the view from above, px, so that a long room leaves space for text on the page."""
WALL = Style("kx", "#000000", "", 1.6)
LABEL = 9.5
KINDS = {
    "reference": "reference seat",
    "seat": "seat",
    "loudspeaker": "loudspeaker",
    "sub": "subwoofer",
    "screen": "screen",
}
ORDER = tuple(KINDS)
RAY = Style("kx", "#000000", "3 2.5", 0.7)
LOUD_RAY_DB = -10.0
"""Reflections above this level are drawn (ITU-R BS.1116, from memory)."""
NEAR = 5.0
"""Objects of one kind within this distance on paper, px, share one mark, and their names are listed together."""
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class _View:
    """One projection: the position of its inner corner on paper, and the length of a metre."""

    name: Literal["top", "side"]
    x: float
    y: float
    scale: float
    plan: RoomPlan

    @property
    def size(self) -> tuple[float, float]:
        plan = self.plan
        across, down = (plan.width_m, plan.length_m) if self.name == "top" else (plan.length_m, plan.height_m)
        return across * self.scale, down * self.scale

    def place(self, item: PlanItem) -> tuple[float, float]:
        """Position on paper; objects beyond a wall are drawn just outside it."""
        return self.at(item.position_m)

    def at(self, place: Position) -> tuple[float, float]:
        """Position of any point on paper."""
        x, y, z = place
        across, down = (x + self.plan.width_m / 2, y) if self.name == "top" else (y, self.plan.height_m - z)
        width, height = self.size
        return (
            self.x + min(max(across * self.scale, -8.0), width + 8.0),
            self.y + min(max(down * self.scale, -8.0), height + 8.0),
        )


def plan_figure(plan: RoomPlan, units: Units = "metric") -> Figure:
    """The plan of a room, with a description and coordinates for people who cannot see it."""
    title = "Plan of the room, to scale"
    alt = _alt(plan, units)
    sizes = (plan.length_m, plan.width_m, plan.height_m)
    if not all(math.isfinite(size) and size > 0 for size in sizes):
        raise ValueError(f"a room needs three sizes above zero, got {sizes}")
    scale = min(
        (WIDTH - 2 * MARGIN - GAP) / (plan.width_m + plan.length_m), TALLEST / plan.length_m, TALLEST / plan.height_m
    )
    top = _View("top", MARGIN, TOP, scale, plan)
    side = _View("side", WIDTH - MARGIN - plan.length_m * scale, TOP, scale, plan)
    rays = loudest_rays(plan)
    parts = ["".join(_ray(view, ray) for ray in rays) + _room(view, units) for view in (top, side)]
    used = list(dict.fromkeys(item.kind for item in plan.items))
    parts.append(_legend(side, sorted(used, key=ORDER.index), units))
    height = max(top.y + top.size[1], side.y + side.size[1] + 34 + 17 * (len(used) + 1)) + 26
    svg = drawing(WIDTH, height, "".join(parts), title=title, alt=alt)
    caption = "Left: from above, the screen at the top. Right: from the side, the screen at the left."
    for verdict in (Verdict.FAIL, Verdict.UNSURE):
        if any(item.verdict is verdict for item in plan.items):
            caption += f" {verdict.symbol} {verdict.value}."
    if plan.boxes:
        caption += " Grey: obstacles."
    if rays:
        caption += f" Dashed: strong early reflections at {rays[0].seat}."
    return Figure(id="plan", title=title, svg=svg, alt=alt, caption=caption)


def _alt(plan: RoomPlan, units: Units) -> str:
    def length(value: float) -> str:
        return format_length(value, units)

    lines = [
        f"The room is {length(plan.length_m)} long, {length(plan.width_m)} wide and {length(plan.height_m)} high.",
        "Positions: to the right of the middle, from the front wall, above the floor.",
    ]
    for item in sorted(plan.items, key=lambda each: ORDER.index(each.kind)):
        place = ", ".join(length(value) for value in item.position_m)
        mark = f" {item.verdict.symbol}" if item.verdict in (Verdict.FAIL, Verdict.UNSURE) else ""
        lines.append(f"{item.label}{mark}, {KINDS[item.kind]}: {place}.")
    for box in plan.boxes:
        corners = " to ".join(", ".join(length(value) for value in corner) for corner in (box.from_m, box.to_m))
        lines.append(f"{box.label}, obstacle: {corners}.")
    lines += [f"{ray.channel} to {ray.seat}: {ray.text}." for ray in loudest_rays(plan)]
    return " ".join(lines)


def loudest_rays(plan: RoomPlan) -> list[PlanRay]:
    """The strongest reflection of each loudspeaker at the reference seat, if it exceeds `LOUD_RAY_DB`."""
    reference = next((item.label for item in plan.items if item.kind == "reference"), None)
    found: dict[str, PlanRay] = {}
    for ray in plan.rays:
        if ray.seat == reference and ray.level_db > LOUD_RAY_DB:
            found.setdefault(ray.channel, ray)
    return list(found.values())


def _ray(view: _View, ray: PlanRay) -> str:
    """A line from the loudspeaker by the surface to the ears."""
    points = (view.at(place) for place in ray.points_m)
    return stroke("M" + "L".join(f"{digits(x)} {digits(y)}" for x, y in points), RAY)


def _room(view: _View, units: Units) -> str:
    """Walls with their lengths, marks, and names placed where they cover nothing."""
    width, height = view.size
    x, y, plan = view.x, view.y, view.plan
    across, down = (plan.width_m, plan.length_m) if view.name == "top" else (plan.length_m, plan.height_m)
    parts = [
        element(
            "rect", x=x, y=y, width=width, height=height, fill="none", class_="kx", stroke="#000000", stroke_width=1.6
        ),
        label(x + width / 2, y + height + 18, format_length(across, units), anchor="middle", size=LABEL),
        element(
            "g",
            label(x + width + 13, y + height / 2, format_length(down, units), anchor="middle", size=LABEL),
            transform=f"rotate(90 {digits(x + width + 11)} {digits(y + height / 2)})",
        ),
        label(
            x + width / 2,
            y - 9,
            "from above" if view.name == "top" else "from the side",
            anchor="middle",
            bold=True,
        ),
    ]
    for box in plan.boxes:
        (left, top), (right, bottom) = view.at(box.from_m), view.at(box.to_m)
        parts.append(
            element(
                "rect",
                x=min(left, right),
                y=min(top, bottom),
                width=abs(right - left),
                height=abs(bottom - top),
                fill="#b5b5b5",
                stroke="none",
            )
        )
    groups = _groups(view)
    taken: list[Box] = [(px - 6, py - 6, px + 6, py + 6) for _, (px, py) in groups]
    for items, (px, py) in groups:
        parts.append(_mark(items[0].kind, px, py, view.name))
    # Names of seats first: the homeowner looks for them.
    for items, place in sorted(groups, key=lambda group: ORDER.index(group[0][0].kind)):
        if items[0].kind != "screen":
            parts.append(_name(items, place, taken, (x + 1, y + 1, x + width - 1, y + height - 1)))
    return "".join(parts)


def _groups(view: _View) -> list[tuple[list[PlanItem], tuple[float, float]]]:
    groups: list[tuple[list[PlanItem], tuple[float, float]]] = []
    for item in view.plan.items:
        if not all(map(math.isfinite, item.position_m)):
            continue
        place = view.place(item)
        seat = item.kind in ("seat", "reference")
        for items, (x, y) in groups:
            alike = items[0].kind == item.kind or (seat and items[0].kind in ("seat", "reference"))
            if alike and abs(x - place[0]) < NEAR and abs(y - place[1]) < NEAR:
                items.append(item)
                items.sort(key=lambda each: ORDER.index(each.kind))
                break
        else:
            groups.append(([item], place))
    return groups


def _name(items: Iterable[PlanItem], place: tuple[float, float], taken: list[Box], within: Box) -> str:
    """The names at the first free place around the mark; at the right of it if none is free."""
    bad = (Verdict.FAIL, Verdict.UNSURE)
    names = [f"{i.label} {i.verdict.symbol}" if i.verdict in bad and i.verdict else i.label for i in items]
    text = ", ".join(shortened(name, 8.0) for name in names[:6]) + ("…" if names[6:] else "")
    width, (x, y) = text_width(text, LABEL), place
    gap = 10.5 if any(item.kind == "reference" for item in items) else 8.0
    around = [
        (x + gap, y + 3.2),
        (x - gap - width, y + 3.2),
        (x - width / 2, y - 8.5),
        (x - width / 2, y + 15),
        (x + 6, y - 6.5),
        (x - 6 - width, y - 6.5),
        (x + 6, y + 13),
        (x - 6 - width, y + 13),
        (x - width / 2, y - 18.5),
        (x - width / 2, y + 25),
    ]
    boxes = [(left, base - LABEL * 0.8, left + width, base + 2.0) for left, base in around]
    free = [i for i, box in enumerate(boxes) if _inside(box, within) and not any(_overlap(box, t) for t in taken)]
    best = free[0] if free else min(range(len(boxes)), key=lambda i: sum(_overlap(boxes[i], t) for t in taken))
    taken.append(boxes[best])
    return _written(*around[best], text)


def _written(x: float, y: float, text: str) -> str:
    """A name in pieces: a symbol missing from its font is set alone, or all of it would change font."""
    out = ""
    for piece in filter(None, re.split(f" ?({Verdict.FAIL.symbol})", text)):
        out += label(x, y, piece, size=LABEL)
        x += 0.93 * LABEL * width_em(piece) + 1.5  # without the allowance of `text_width`
    return out


def _inside(box: Box, within: Box) -> bool:
    return box[0] >= within[0] and box[1] >= within[1] and box[2] <= within[2] and box[3] <= within[3]


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _mark(kind: str, x: float, y: float, view: str) -> str:
    """A mark; each kind has its own shape, so that colour is not needed."""
    if kind == "screen":
        half = 46.0 if view == "top" else 20.0
        ends = (x - half, y, x + half, y) if view == "top" else (x, y - half, x, y + half)
        return line(*ends, css="kx", colour="#000000", width=3.2)
    if kind in ("seat", "reference"):
        full = kind == "reference"
        square = _square(x, y, 4.5, rx=2.5, fill="currentColor" if full else "none")
        return square + (_square(x, y, 6.8, rx=4, fill="none") if full else "")
    if kind == "sub":
        box = _square(x, y, 5, fill="#D55E00", class_="kf1")
        return box + element("circle", cx=x, cy=y, r=2.6, fill="none", stroke="currentColor", stroke_width=1.1)
    path = f"M{digits(x)} {digits(y - 5.2)}L{digits(x + 5)} {digits(y + 4)}L{digits(x - 5)} {digits(y + 4)}Z"
    return element("path", d=path, fill="#0072B2", class_="kf0", stroke="currentColor", stroke_width=1.1)


def _square(x: float, y: float, half: float, **look: float | str) -> str:
    side = 2 * half
    return element(
        "rect", "", x=x - half, y=y - half, width=side, height=side, **look, stroke="currentColor", stroke_width=1.1
    )


def _legend(side: _View, kinds: Iterable[str], units: Units) -> str:
    """The meaning of each mark, and a scale bar."""
    x, y = side.x + 10, side.y + side.size[1] + 44
    unit_m, text = (1.0, "1 m") if units == "metric" else (3 * 0.3048, "3 ft")
    far = x + unit_m * side.scale
    parts = [
        stroke(
            f"M{digits(x)} {digits(y - 4)}v8M{digits(x)} {digits(y)}H{digits(far)}M{digits(far)} {digits(y - 4)}v8",
            WALL,
        ),
        label(far + 8, y + 3.5, text, size=LABEL),
    ]
    for row, kind in enumerate(kinds, start=1):
        at = y + 17 * row + 4
        if kind == "screen":
            parts.append(line(x - 2, at, x + 14, at, css="kx", colour="#000000", width=3.2))
        else:
            parts.append(_mark(kind, x + 6, at, "top"))
        parts.append(label(x + 22, at + 3.5, KINDS[kind], size=LABEL))
    return "".join(parts)
