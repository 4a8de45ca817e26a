"""Drawings of the record: well-formed, to scale, described in words, and readable without colour."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from builders import tradeoff_curve
from hypothesis import given, settings
from hypothesis import strategies as st
from record_samples import FREQUENCIES, HOSTILE, curve, room, two_states

from commission.model import Curve, PlanItem, RoomPlan, Series
from commission.record.drawing.plan import KINDS
from commission.record.drawing.plots import Axis, curve_figure, curve_svg, curves_by_seat, plan_figure, y_axis
from commission.record.drawing.svg import STYLES, polyline
from commission.record.drawing.tradeoff import linear_axes, tradeoff_figure

NAME = "{http://www.w3.org/2000/svg}"


def parse(svg: str) -> ElementTree.Element:
    root = ElementTree.fromstring(svg)
    assert root.tag == f"{NAME}svg"
    return root


def printed(root: ElementTree.Element) -> list[str]:
    return ["".join(e.itertext()) for e in root.iter(f"{NAME}text")]


def points(path: str) -> list[tuple[float, float]]:
    return [(float(a), float(b)) for a, b in re.findall(r"[ML](-?[\d.e+]+) (-?[\d.e+-]+)", path)]


def test_frequency_is_logarithmic_and_level_linear() -> None:
    """All decades are equally long; 1 kHz is at lg(1000/20)/lg(1000) of the axis from 20 Hz to 20 kHz."""
    x = np.array([20.0, 200.0, 1000.0, 2000.0, 20000.0])
    svg = curve_svg([Series(name="a", x=x, y=np.array([60.0, 70, 80, 70, 65]))], title="t", x_label="f", y_label="L")
    inner = next(e for e in parse(svg).iter(f"{NAME}svg") if e.get("overflow"))
    width, height = float(inner.get("width", 0)), float(inner.get("height", 0))
    path = next(e for e in inner.iter(f"{NAME}path") if e.get("class") == "k0")
    drawn = points(path.get("d", ""))
    assert drawn[0][0] == pytest.approx(0.0, abs=0.1)
    assert drawn[-1][0] == pytest.approx(width, abs=0.1)
    assert drawn[1][0] == pytest.approx(width / 3, abs=0.1)
    assert drawn[2][0] == pytest.approx(width * math.log(50) / math.log(1000), abs=0.1)
    axis = y_axis([Series(name="a", x=x, y=np.array([60.0, 70, 80, 70, 65]))])
    assert drawn[2][1] == pytest.approx(height * (axis.high - 80) / (axis.high - axis.low), abs=0.1)
    assert {"20", "1k", "20k", "f", "L"} <= set(printed(parse(svg)))


@given(st.lists(st.floats(min_value=-300, max_value=300) | st.just(math.nan), min_size=1, max_size=30))
def test_the_level_axis_contains_all_curves(values: list[float]) -> None:
    x = np.geomspace(20, 20000, len(values))
    axis = y_axis([Series(name="a", x=x, y=np.array(values))])
    finite = [v for v in values if math.isfinite(v)]
    assert axis.high - axis.low in (12, 30, 60)
    assert (axis.high - axis.low) / axis.step == 6
    assert (axis.low / axis.step).is_integer()
    if finite:
        assert axis.high >= max(finite)
        assert axis.low <= min(finite) or axis.high - axis.low == 60
        assert axis.low < max(finite) + 1e-9


def test_a_decade_is_as_long_as_fifty_decibels() -> None:
    """IEC 60263, from memory: a decade of frequency as long as 10, 25 or 50 dB."""
    x = np.array([20.0, 200.0, 2000.0, 20000.0])
    for most, per_decade in ((9.0, 10), (25.0, 25), (55.0, 50)):
        series = [Series(name="a", x=x, y=np.array([0.0, most, 0.0, 0.0]))]
        inner = next(
            e
            for e in parse(curve_svg(series, title="t", x_label="f", y_label="L")).iter(f"{NAME}svg")
            if e.get("overflow")
        )
        axis = y_axis(series)
        decade, plot = float(inner.get("width", 0)) / 3, float(inner.get("height", 0))
        assert decade / (plot / (axis.high - axis.low)) == pytest.approx(per_decade, rel=0.005)  # coordinates: 0.1 px


def test_drawings_that_share_an_axis_can_be_compared() -> None:
    shared = Axis(30.0, 90.0, 10.0)
    loud, soft = ([Series(name="a", x=FREQUENCIES, y=np.full(FREQUENCIES.size, v))] for v in (80.0, 20.0))

    def shown(series: list[Series]) -> list[str]:
        return printed(parse(curve_svg(series, title="t", x_label="f", y_label="L", axis=shared)))

    assert {"30", "90"} <= set(shown(loud))
    assert "90" not in shown(soft)  # it would are outside: a drawing is never empty


def test_bass_has_its_own_frequency_axis() -> None:
    y = np.where(FREQUENCIES < 200, 70.0, np.nan)
    svg = curve_svg([Series(name="a", x=FREQUENCIES, y=y)], title="t", x_label="f", y_label="L")
    assert "500" in printed(parse(svg))
    assert "20k" not in printed(parse(svg))


def test_gaps_interrupt_the_line_and_infinities_are_left_out() -> None:
    path = polyline(np.arange(6.0), np.array([1.0, 2.0, math.nan, 4.0, math.inf, 6.0]))
    assert path == "M0 1L1 2M3 4M5 6"


def test_series_differ_in_dash_as_well_as_in_colour() -> None:
    assert len({style.dash for style in STYLES}) == len({style.colour for style in STYLES}) == len(STYLES)
    figure = curves_by_seat("Front left", [curve(f"A{i}", i / 3) for i in range(1, 5)])
    paths = [
        e for e in parse(figure.svg).iter(f"{NAME}path") if (e.get("class") or "")[:2] in {s.css for s in STYLES}
    ]
    assert len({e.get("stroke-dasharray") for e in paths}) == 4
    assert {"A1", "A2", "A3", "A4"} <= set(printed(parse(figure.svg)))


def test_as_found_and_as_left_differ_in_dash_too() -> None:
    """In the order of the visit, the later one on top."""
    root = parse(curve_figure(two_states()).svg)
    names = [text for text in printed(root) if text.startswith("as ")]
    assert names == ["as found", "as left"]
    inner = next(e for e in root.iter(f"{NAME}svg") if e.get("overflow"))
    dashes = [e.get("stroke-dasharray") for e in inner.iter(f"{NAME}path")]
    assert len(dashes) == 2
    assert dashes[0]
    assert dashes[1] is None


def test_the_two_seats_that_deviate_most_keep_their_colour() -> None:
    seats = [curve(f"S{i:02d}") for i in range(20)]
    odd = Curve(
        id="odd", title="odd", seat="Z9", series=(Series(name="Z9", x=FREQUENCIES, y=seats[0].series[-1].y + 9),)
    )
    figure = curves_by_seat("Front left", [*seats, odd])
    named = printed(parse(figure.svg))
    assert "Z9" in named
    assert "all seats" in named
    assert not [text for text in named if "S01" in text]  # a line that cannot be distinguished from its neighbours
    assert "farthest from the mean" in figure.caption


def test_equal_edge_labels_are_drawn_once() -> None:
    x = np.array([20.0, 200.0])
    edges = [
        Series(name="seats as found", x=x, y=x, kind="low"),
        Series(name="seats as found", x=x, y=x, kind="high"),
    ]
    figure = curve_figure(Curve(id="c", title="All subwoofers", series=(*edges, Series(name="mean", x=x, y=x))))
    assert printed(parse(figure.svg)).count("seats as found") == 1


def test_the_description_states_the_key_numbers() -> None:
    x = np.array([20.0, 40.0, 125.0, 500.0, 2000.0, 8000.0, 20000.0])
    y = np.array([50.0, 71.0, 72.0, 73.0, 74.0, 75.0, 60.0])
    figure = curve_figure(Curve(id="c", title="Centre at A2", series=(Series(name="A2", x=x, y=y),)))
    for text in (
        "71.0 dB (40 Hz)",
        "72.0 dB (125 Hz)",
        "75.0 dB (8 kHz)",
        "lowest 50.0 dB at 20 Hz",
        "highest 75.0 dB at 8 kHz",
    ):
        assert text in figure.alt
    pair = curve_figure(two_states())
    assert pair.alt.count("lowest") == 2
    assert pair.title == "Front left at A1"


def test_a_drawing_without_measurements_says_so() -> None:
    empty = Curve(
        id="e", title="Empty", series=(Series(name="A1", x=FREQUENCIES, y=np.full(FREQUENCIES.size, np.nan)),)
    )
    figure = curve_figure(empty)
    assert "nothing measured" in figure.alt
    assert not [e for e in parse(figure.svg).iter(f"{NAME}path") if e.get("class") == "k0"]
    parse(curve_figure(Curve(id="n", title="None", series=())).svg)
    parse(curves_by_seat("X", []).svg)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_names_stay_text(text: str) -> None:
    figure = curves_by_seat(text, [curve(text), curve("A2")])
    root = parse(figure.svg)
    assert {e.tag.removeprefix(NAME) for e in root.iter()} <= {"svg", "title", "desc", "path", "text", "rect", "g"}
    plan = RoomPlan(
        length_m=5, width_m=4, height_m=2.5, items=(PlanItem(label=text, kind="seat", position_m=(0.0, 2.0, 1.0)),)
    )
    parse(plan_figure(plan).svg)


def test_the_plan_is_to_scale() -> None:
    figure = plan_figure(room())
    root = parse(figure.svg)
    walls = [e for e in root.iter(f"{NAME}rect") if e.get("class") == "kx"]
    (w1, h1), (w2, h2) = ((float(e.get("width", 0)), float(e.get("height", 0))) for e in walls)
    assert w1 / 4.7 == pytest.approx(h1 / 6.4, rel=0.005)
    assert w2 / 6.4 == pytest.approx(w1 / 4.7, rel=0.005)
    assert h2 / 2.6 == pytest.approx(w1 / 4.7, rel=0.005)
    assert {"6.40 m", "4.70 m", "2.60 m", "1 m"} <= set(printed(root))
    assert ("SiL", "✗") in set(
        pairwise(printed(root))
    )  # each alone: a font without the symbol would lose the name too
    assert "A2, reference seat: 0.00 m, 3.30 m, 1.10 m." in figure.alt
    assert set(KINDS.values()) <= set(printed(root))
    imperial = plan_figure(room(), "imperial")
    assert "3 ft" in printed(parse(imperial.svg))
    assert "21' 0\"" in printed(parse(imperial.svg))


@settings(max_examples=40, deadline=None)
@given(
    sizes=st.tuples(*[st.floats(min_value=1.5, max_value=30)] * 3),
    places=st.lists(st.tuples(*[st.floats(min_value=-40, max_value=40)] * 3), max_size=12),
)
def test_any_room_is_drawn_within_the_paper(
    sizes: tuple[float, float, float], places: list[tuple[float, float, float]]
) -> None:
    items = tuple(PlanItem(label=f"C{i}", kind="loudspeaker", position_m=p) for i, p in enumerate(places))
    root = parse(plan_figure(RoomPlan(length_m=sizes[0], width_m=sizes[1], height_m=sizes[2], items=items)).svg)
    width, height = float(root.get("width", 0)), float(root.get("height", 0))
    for rect in root.iter(f"{NAME}rect"):
        assert float(rect.get("x", 0)) >= 0
        assert float(rect.get("x", 0)) + float(rect.get("width", 0)) <= width
        assert float(rect.get("y", 0)) + float(rect.get("height", 0)) <= height


def test_a_room_without_size_is_refused() -> None:
    with pytest.raises(ValueError, match="three sizes"):
        plan_figure(RoomPlan(length_m=0.0, width_m=4.0, height_m=2.0, items=()))


@given(st.integers(3, 300), st.integers(0, 2**32 - 1), st.floats(0, 20))
@settings(max_examples=60, deadline=None)
def test_a_thinned_curve_follows_the_full_one(count: int, seed: int, rough: float) -> None:
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 318, count)
    y = 60 + 30 * np.sin(x / 40) + rough * rng.standard_normal(count)
    points = np.array([[float(v) for v in pair.split(" ")] for pair in re.split("[ML]", polyline(x, y))[1:]])
    assert points[0, 0] == pytest.approx(x[0], abs=0.06)
    assert points[-1, 0] == pytest.approx(x[-1], abs=0.06)
    # Four times 0.08 px, and what rounding to a tenth of a px does at a steep slope.
    steep = np.abs(np.diff(y)).max() / (x[1] - x[0])
    assert np.abs(np.interp(points[:, 0], x, y) - points[:, 1]).max() <= 0.06 + 0.06 * steep
    assert np.abs(np.interp(x, points[:, 0], points[:, 1]) - y).max() <= 4 * 0.08 + 0.06 + 0.13 * steep


# --- the trade-off ------------------------------------------------------------------------------------------------------


def test_the_tradeoff_is_linear_on_both_axes_and_names_them() -> None:
    """Points (2, 12), (3, 8), (6, 6) and now (7, 13): both axes in steps of 2: 2 to 8 and 6 to 14, by hand."""
    figure = tradeoff_figure(tradeoff_curve([(2.0, 12.0), (3.0, 8.0), (6.0, 6.0)], 1, (7.0, 13.0)))
    root = parse(figure.svg)
    edge = next(root.iter(f"{NAME}rect"))
    x, y, width, height = (float(edge.get(name, 0)) for name in ("x", "y", "width", "height"))
    drawn = [points(e.get("d", "")) for e in root.iter(f"{NAME}path") if e.get("class") == "k0"]
    line = next(path for path in drawn if len(path) == 3)
    expected = [(x + width * (a - 2) / 6, y + height * (14 - b) / 8) for a, b in ((2, 12), (3, 8), (6, 6))]
    np.testing.assert_allclose(line, expected, atol=0.1)  # a coordinate is printed to 0.1 px
    names = printed(root)
    assert {"Shortfall of one, °", "Shortfall of all, °", "chosen weight 0.5", "as it is", "0.0", "1.0"} <= set(names)
    assert "weight 0.5: 3.0° and 8.0°" in figure.alt


SHORTFALLS = st.lists(st.floats(min_value=0, max_value=180), min_size=1, max_size=12)


@given(SHORTFALLS, SHORTFALLS)
def test_linear_axes_contain_their_values_with_few_lines_of_equal_step(x: list[float], y: list[float]) -> None:
    axes = linear_axes(x, y)
    assert axes[0].step == axes[1].step
    for axis, values in zip(axes, (x, y), strict=True):
        assert 0 <= axis.low <= min(values) + 1e-9
        assert max(values) <= axis.high + 1e-9
        assert 2 <= round((axis.high - axis.low) / axis.step) <= 6
