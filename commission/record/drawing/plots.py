"""Draws curves of the record as SVG: logarithmic frequency, levels, series that differ in colour and in dash.

Proportions are those of IEC 60263 (from memory): a decade of frequency is as long as 10, 25 or 50 dB. All level axes
span 12, 30 or 60 dB, so that curves can be laid over each other and a slope looks alike in every drawing.

Written by hand and not with a plotting library: importing one takes some 0.65 s, and the whole record must be there
within 2 s, of which the analysis of the recordings takes 1.4 s. Every figure carries in words what it shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from commission.model import Curve, FloatArray, Series
from commission.model.formatting import number
from commission.model.units import clean_text, round_name
from commission.record.document import Figure
from commission.record.drawing.plan import plan_figure
from commission.record.drawing.svg import (
    FINE,
    GRID,
    MEAN,
    MUTED,
    STYLES,
    Style,
    digits,
    drawing,
    element,
    label,
    polyline,
    shortened,
    stroke,
    text_width,
)

WIDTH = 370.0
"""Width in px. Two drawings are set side by side on a page, so that their type prints at 6.5 to 7 points."""
LEFT, RIGHT, TOP, BOTTOM = 40.0, 12.0, 6.0, 34.0
LOW_HZ, HIGH_HZ, BASS_HZ = 20.0, 20000.0, 500.0
"""Ends of the frequency axis; curves of bass alone have a shorter axis."""
TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
SCALES_DB = ((12.0, 2.0), (30.0, 5.0), (60.0, 10.0))
"""Range and step of a level axis: with three decades across, a decade is as long as 10, 25 or 50 dB."""
PLOT = (WIDTH - LEFT - RIGHT) / 50 * 60 / math.log10(HIGH_HZ / LOW_HZ)
"""Height of the axes, px, for 60 dB if a decade is as long as 50 dB."""
EACH_IN_COLOUR = 4
"""Most seats that can be distinguished in one drawing; with more, the two outermost are, over the spread of all."""
LEGEND_ROW, LEGEND_LINE, TICK = 14.0, 22.0, 10.0


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear axis, such as that of levels: lowest and highest value, and the step of its lines."""

    low: float
    high: float
    step: float

    @property
    def decimals(self) -> int:
        """Decimals of the numbers beside its lines."""
        return 0 if self.step >= 1 else 1


def curve_svg(
    series: Sequence[Series],
    *,
    title: str,
    x_label: str,
    y_label: str,
    alt: str = "",
    axis: Axis | None = None,
    band: str = "",
) -> str:
    """A drawing of level over frequency; low and high make a band, others are muted, main ones coloured.

    `axis`: a common axis of several drawings, ignored if the drawing would be empty with it. `band`: the name of the
    band.
    """
    drawn = [pair for pair in _styled(series) if np.isfinite(pair[0].y).any()]
    legend, legend_height = _legend(series, drawn, band)
    top, across = TOP + legend_height, WIDTH - LEFT - RIGHT
    bottom = top + PLOT
    own = y_axis(series)
    axis = own if axis is None or own.high <= axis.low + axis.step or own.low >= axis.high - axis.step else axis
    high_hz = _high_hz(series)
    parts = [legend, frame(top, bottom, axis, _frequencies(top, bottom, high_hz), x_label, y_label)]

    def places(each: Series) -> tuple[FloatArray, FloatArray]:
        inside = (each.x >= LOW_HZ * 0.99) & (each.x <= high_hz * 1.01)
        x = across * np.log(each.x[inside] / LOW_HZ) / math.log(high_hz / LOW_HZ)
        return x, PLOT * (axis.high - each.y[inside]) / (axis.high - axis.low)

    # The subject is on top: drawn last, and the first of several subjects last of all.
    layers = sorted(reversed(drawn), key=lambda pair: ("other", "mean", "main").index(pair[0].kind))
    curves = _band(series, places) + "".join(stroke(polyline(*places(each)), style) for each, style in layers)
    # An inner svg clips what is outside the axes, without the ids of a clip path.
    parts.append(element("svg", curves or " ", x=LEFT, y=top, width=across, height=PLOT, overflow="hidden"))
    return drawing(WIDTH, bottom + BOTTOM, "".join(parts), title=title, alt=alt)


def _styled(series: Sequence[Series]) -> list[tuple[Series, Style]]:
    colours = iter(range(len(series)))
    # A single companion of the subject is its earlier state, and must be easy to distinguish.
    before = STYLES[1] if [each.kind for each in series].count("other") == 1 else MUTED
    out: list[tuple[Series, Style]] = []
    for each in series:
        if each.kind == "main":
            out.append((each, STYLES[next(colours) % len(STYLES)]))
        elif each.kind in ("other", "mean"):
            out.append((each, MEAN if each.kind == "mean" else before))
    return out


def _high_hz(series: Sequence[Series]) -> float:
    """The end of the frequency axis: low if nothing is known above."""
    highest = max(
        (float(each.x[np.isfinite(each.y)][-1]) for each in series if np.isfinite(each.y).any()), default=0.0
    )
    return BASS_HZ if 0 < highest <= BASS_HZ else HIGH_HZ


def _edges(series: Sequence[Series]) -> tuple[Series, Series] | None:
    low = next((each for each in series if each.kind == "low"), None)
    high = next((each for each in series if each.kind == "high"), None)
    return None if low is None or high is None else (low, high)


def _band(series: Sequence[Series], places: Callable[[Series], tuple[FloatArray, FloatArray]]) -> str:
    """The spread between the lowest and the highest, for each stretch where both are known."""
    edges = _edges(series)
    if edges is None:
        return ""
    (x, low), (_, high) = places(edges[0]), places(edges[1])
    known = np.isfinite(low) & np.isfinite(high)
    breaks = np.flatnonzero(np.diff(known)) + 1
    path = "".join(
        polyline(np.concatenate([x[part], x[part][::-1]]), np.concatenate([low[part], high[part][::-1]])) + "Z"
        for part in np.split(np.arange(known.size), breaks)
        if part.size > 1 and known[part[0]]
    )
    return element("path", d=path, class_="kb", fill="#000000", fill_opacity=0.12) if path else ""


def y_axis(series: Iterable[Series]) -> Axis:
    """The level axis of one or several drawings: the widest range needed; high values are never cut off.

    A dead channel or a deep notch must not flatten everything else: values below the range are clipped.
    """
    ends = [(float(y.min()), float(y.max())) for y in map(_shown, series) if y.size]
    if not ends:
        return Axis(0.0, *SCALES_DB[0])
    least, most = min(low for low, _ in ends), max(high for _, high in ends)
    for span, step in SCALES_DB:
        high = math.ceil(most / step) * step
        if least >= high - span or span == SCALES_DB[-1][0]:
            break
    if least >= 0 > high - span:
        return Axis(0.0, span, step)
    # The remaining space is divided between top and bottom.
    high += max(0.0, (least - (high - span)) // step // 2) * step
    return Axis(high - span, high, step)


def _shown(series: Series) -> FloatArray:
    return series.y[np.isfinite(series.y) & (series.x >= LOW_HZ) & (series.x <= HIGH_HZ)]


def frame(top: float, bottom: float, axis: Axis, upright: tuple[str, str, str], x_label: str, y_label: str) -> str:
    """Grid, axes and their labels; `upright`: paths of the fine and the named upright lines, and their labels."""
    right, names, named = WIDTH - RIGHT, [], ""
    count = round((axis.high - axis.low) / axis.step)
    for i in range(count + 1):
        y = bottom - (bottom - top) * i / count
        if 0 < i < count:
            named += f"M{digits(LEFT)} {digits(y)}H{digits(right)}"
        names.append(
            label(LEFT - 5, y + 3.4, number(axis.low + i * axis.step, axis.decimals), anchor="end", size=TICK)
        )
    fine, lines, across = upright
    edge = element(
        "rect",
        x=LEFT,
        y=top,
        width=right - LEFT,
        height=bottom - top,
        fill="none",
        stroke="currentColor",
        stroke_width=0.8,
    )
    middle = (top + bottom) / 2
    turned = label(11, middle, y_label, anchor="middle")
    names.append(label((LEFT + right) / 2, bottom + 28, x_label, anchor="middle"))
    names.append(element("g", turned, transform=f"rotate(-90 11 {digits(middle)})"))
    return stroke(fine, FINE) + stroke(named + lines, GRID) + edge + across + "".join(names)


@lru_cache(maxsize=16)
def _frequencies(top: float, bottom: float, high_hz: float) -> tuple[str, str, str]:
    """Paths of the minor and major lines of the frequency axis, and its labels: the same in most drawings."""
    right, fine, named, names = WIDTH - RIGHT, "", "", ""
    for hz in (m * 10.0**e for e in range(1, 5) for m in range(1, 10) if LOW_HZ <= m * 10.0**e <= high_hz):
        x = LEFT + (right - LEFT) * math.log(hz / LOW_HZ) / math.log(high_hz / LOW_HZ)
        path = f"M{digits(x)} {digits(top)}V{digits(bottom)}" if LOW_HZ < hz < high_hz else ""
        if hz in TICKS_HZ:
            named += path
            short = f"{hz:g}" if hz < 1000 else f"{hz / 1000:g}k"
            names += label(x, bottom + 13, short, anchor="middle", size=TICK)
        else:
            fine += path
    return fine, named, names


def frequency(hz: float) -> str:
    """`20 Hz`, `63 Hz`, `2 kHz`, `12.5 kHz`."""
    if hz < 999.5:
        return f"{hz:.0f} Hz" if hz >= 99.5 else f"{hz:.3g} Hz"
    return f"{hz / 1000:.3g} kHz"


def _legend(series: Sequence[Series], drawn: Sequence[tuple[Series, Style]], band: str) -> tuple[str, float]:
    """A line and a name for each kind of series, in rows as wide as the drawing; muted ones share one entry."""
    muted = [each.name for each, style in drawn if style is MUTED]
    entries: list[tuple[str, Style | None]] = []
    for wanted in (STYLES, (MEAN,)):
        entries += [(each.name, style) for each, style in drawn if style in wanted]
    edges = _edges(series)
    if edges is not None:
        entries.append((band or " – ".join(dict.fromkeys(each.name for each in edges)), None))
    if muted:
        entries.append((", ".join(muted) if len(muted) <= 12 else f"{muted[0]} … {muted[-1]}", MUTED))
    x, y, out = LEFT, TOP + 3.0, []
    for name, style in entries:
        name = shortened(name, 25.0)
        width = LEGEND_LINE + 5 + text_width(name) + 11
        if x > LEFT and x + width - 11 > WIDTH - RIGHT:
            x, y = LEFT, y + LEGEND_ROW
        if style is None:
            out.append(
                element(
                    "rect",
                    x=x,
                    y=y - 4.5,
                    width=LEGEND_LINE,
                    height=9,
                    class_="kb",
                    fill="#000000",
                    fill_opacity=0.12,
                )
            )
        else:
            out.append(stroke(f"M{digits(x)} {digits(y)}L{digits(x + LEGEND_LINE)} {digits(y)}", style))
        out.append(label(x + LEGEND_LINE + 5, y + 3.8, name))
        x += width
    return "".join(out), (y - TOP + LEGEND_ROW - 4 if entries else 0.0)


def _main(curve: Curve) -> Series | None:
    """The series that a curve is about: its main one, else the mean, else the first."""
    found = [s for kind in ("main", "mean") for s in curve.series if s.kind == kind] or list(curve.series)
    return found[0] if found else None


def describe(series: Sequence[Series], unit: str) -> str:
    """A description of a few series: the lowest and the highest, and levels at five frequencies if they are few."""
    out = []
    for each in series:
        inside = np.isfinite(each.y) & (each.x >= LOW_HZ) & (each.x <= HIGH_HZ)
        if not inside.any():
            out.append(f"{each.name}: nothing measured.")
            continue
        x, y = each.x[inside], each.y[inside]

        def level(value: float) -> str:
            return f"{number(float(value), 1)} {unit}".strip()

        at = [
            f"{level(np.interp(math.log(hz), np.log(x), y))} ({frequency(hz)})"
            for hz in (40, 125, 500, 2000, 8000)
            if x[0] <= hz <= x[-1]
        ]
        low, high = int(np.argmin(y)), int(np.argmax(y))
        ends = (
            f"lowest {level(y[low])} at {frequency(float(x[low]))}, "
            f"highest {level(y[high])} at {frequency(float(x[high]))}"
        )
        out.append(f"{each.name}: {', '.join([*at, ends] if len(series) < 3 else [ends])}.")
    return " ".join(out)


def _figure(
    id_: str,
    title: str,
    series: Sequence[Series],
    curve: Curve | None,
    caption: str,
    axis: Axis | None,
    band: str = "",
) -> Figure:
    unit = "dB" if curve is None else curve.y_unit
    muted = [s.kind for s in series].count("other") > 1
    known = [s for s in series if s.kind in ("main", "mean") or (s.kind == "other" and not muted)] or list(series)
    alt = f"{title}. {describe([_renamed(each, round_name(each.name)) for each in known], unit)}"
    y_label = f"{'Level' if curve is None else clean_text(curve.y_name)}, {unit}" if unit.startswith("dB") else unit
    drawn = [_renamed(each, round_name(each.name)) for each in series]
    svg = curve_svg(drawn, title=title, x_label="Frequency, Hz", y_label=y_label, alt=alt, axis=axis, band=band)
    return Figure(id=id_, title=title, svg=svg, alt=alt, caption=caption, wide=False)


def _renamed(series: Series, name: str, kind: str | None = None) -> Series:
    return Series(name=name, x=series.x, y=series.y, kind=kind or series.kind)  # type: ignore[arg-type]


def curve_figure(curve: Curve, axis: Axis | None = None) -> Figure:
    """One curve of a step, unchanged."""
    return _figure(curve.id, clean_text(curve.title), curve.series, curve, clean_text(curve.caption), axis)


def curves_by_seat(channel: str, curves: Sequence[Curve], axis: Axis | None = None) -> Figure:
    """All seats of a channel in one drawing, over the spread and the mean of the seats."""
    shared = [s for s in (curves[0].series if curves else ()) if s.kind in ("low", "high", "mean")]
    seats = [_renamed(main, curve.seat or curve.title, "main") for curve in curves if (main := _main(curve))]
    if len(seats) > EACH_IN_COLOUR:
        seats = _stray_most(seats)
        if _edges(shared) is not None:
            seats = [each for each in seats if each.kind == "main"] or seats
    title = f"{channel}: every seat"
    caption = clean_text(curves[0].caption) if curves else ""
    if len(curves) > EACH_IN_COLOUR:
        caption = "; ".join(filter(None, (caption, "in colour the two seats farthest from the mean")))
    return _figure(
        f"seats-{channel}",
        title,
        [*seats, *shared],
        curves[0] if curves else None,
        caption,
        axis,
        "all seats",
    )


def _stray_most(seats: Sequence[Series]) -> list[Series]:
    """The two seats that differ most from the mean stay coloured; the others are muted."""
    table = np.array([each.y for each in seats if each.y.shape == seats[0].y.shape])
    if len(table) < len(seats):
        return [_renamed(each, each.name, "other") for each in seats]
    known = np.isfinite(table)
    mean = np.where(known, table, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    away = np.where(known, (table - mean) ** 2, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    named = set(np.argsort(-away, kind="stable")[:2].tolist())
    return [_renamed(each, each.name, "main" if i in named else "other") for i, each in enumerate(seats)]


__all__ = ["plan_figure"]
