"""The room plan as plain text."""

from dataclasses import replace
from typing import Any

import pytest
from builders import LOUDSPEAKERS, SEATS

from commission.model import PlanBox, PlanItem, PlanRay, RoomPlan, Verdict
from commission.ui.widgets.draw.canvas import plain
from commission.ui.widgets.draw.plan import draw_plan, frame, outside


def items():
    seats = [PlanItem(label=s, kind="reference" if s == "A2" else "seat", position_m=p) for s, p in SEATS.items()]
    kinds: dict[str, Any] = {c: "sub" if role == "sub" else "loudspeaker" for c, (_, role, _) in LOUDSPEAKERS.items()}
    return (*seats, *(PlanItem(label=c, kind=kinds[c], position_m=p) for c, (_, _, p) in LOUDSPEAKERS.items()))


ROOM = RoomPlan(length_m=6.40, width_m=4.70, height_m=2.60, items=items())


def words(lines):
    """The text in one line with single spaces and without walls."""
    return " ".join(plain(lines).replace("│", " ").split())


def row_of(lines, label):
    """The first row that contains the label as a separate word."""
    return next(i for i, line in enumerate(lines) if label in line.replace("│", " ").split())


def test_every_seat_and_loudspeaker_is_named_once_at_80x24():
    """As the panel at 120x40 and the page at 80x24 (17 rows)."""
    for width, height in ((58, 30), (78, 17)):
        text = plain(draw_plan(ROOM, None, width, height))
        assert len(text.split("\n")) <= height
        for item in ROOM.items:
            assert text.replace("│", " ").split().count(item.label) == 1, item.label


def test_the_selected_item_is_bracketed_and_described():
    text = plain(draw_plan(ROOM, "TpFL", 58, 30))
    assert "[TpFL]" in text
    assert any(0x2800 < ord(char) < 0x2900 for char in text)
    assert "1.10 m left of centre, 2.00 m from the screen wall, 2.50 m high" in words(draw_plan(ROOM, "TpFL", 58, 30))
    assert not any(0x2800 < ord(char) < 0x2900 for char in plain(draw_plan(ROOM, None, 58, 30)))
    assert "┤ 3 ft" in plain(draw_plan(ROOM, None, 58, 30, units="imperial"))


def test_left_is_left_and_the_screen_is_at_the_top():
    lines = plain(draw_plan(ROOM, None, 58, 30)).split("\n")
    assert "screen" in lines[0]
    (front,) = [line for line in lines if "FC" in line]
    assert front.index("FL") < front.index("FC") < front.index("FR")
    assert row_of(lines, "FC") < row_of(lines, "A2") < row_of(lines, "B2") < row_of(lines, "BL")


def test_drawn_to_scale_with_cells_twice_as_tall_as_wide():
    at = frame(ROOM, 78, 26, "top")
    assert at is not None
    assert (2 * at.rows / at.columns) == pytest.approx(6.40 / 4.70, rel=0.08)  # whole cells: half a row in 24


def test_side_view_has_the_ceiling_on_top():
    lines = plain(draw_plan(ROOM, None, 78, 17, "side")).split("\n")
    assert row_of(lines, "TpBL") < row_of(lines, "B2") < row_of(lines, "SUB2")
    assert lines[row_of(lines, "SUB1")].index("SUB1") < lines[row_of(lines, "SUB2")].index("SUB2")


def test_outside_the_room_is_marked_at_the_edge_and_named():
    typo = PlanItem(label="XX", kind="loudspeaker", position_m=(-14.5, 1.0, 1.15))
    plan = RoomPlan(length_m=6.4, width_m=4.7, height_m=2.6, items=(*ROOM.items, typo))
    assert outside(plan) == (typo,)
    text = plain(draw_plan(plan, None, 58, 30))
    assert "!XX" in text
    assert "XX is outside the room: 14.50 m left of centre" in words(draw_plan(plan, None, 58, 30))


def test_nothing_of_the_invented_room_is_outside():
    assert outside(ROOM) == ()


def test_labels_at_one_place_are_both_legible():
    two = (
        PlanItem(label="AA", kind="loudspeaker", position_m=(0.0, 3.0, 1.0)),
        PlanItem(label="BB", kind="loudspeaker", position_m=(0.0, 3.0, 2.0)),
    )
    text = plain(draw_plan(RoomPlan(length_m=6.4, width_m=4.7, height_m=2.6, items=two), "AA", 58, 30))
    assert "[AA]" in text
    assert "BB" in text


def test_crowded_labels_name_the_items_that_were_moved():
    crowd = tuple(PlanItem(label=f"LS{n:02d}", kind="loudspeaker", position_m=(0.0, 3.0, 1.0)) for n in range(30))
    text = plain(draw_plan(RoomPlan(length_m=6.4, width_m=4.7, height_m=2.6, items=crowd), None, 58, 30))
    assert "Moved aside" in text
    assert all(len(line) <= 58 for line in text.split("\n"))


def test_a_sentence_replaces_a_plan_that_cannot_be_drawn():
    assert "No plan" in plain(draw_plan(None, None, 58, 20))
    assert "Too little room" in words(draw_plan(ROOM, None, 12, 4))


def test_imperial_lengths():
    assert "3' 7 1/4\" left of centre" in plain(
        draw_plan(ROOM, "TpFL", 90, 30, "top", "imperial")
    )  # 1.10 m = 43.3 in


def test_failed_places_have_a_different_style():
    bad = PlanItem(label="SL", kind="loudspeaker", position_m=(-2.0, 3.0, 1.0), verdict=Verdict.FAIL)
    plan = RoomPlan(length_m=6.4, width_m=4.7, height_m=2.6, items=(bad,))
    styles = {style for line in draw_plan(plan, None, 58, 30) for text, style in line if "SL" in text}
    assert styles == {"fail"}
    assert "✗ fail" in plain(draw_plan(plan, "SL", 58, 30))


def test_reflections_are_drawn_at_their_surfaces():
    source, ears = LOUDSPEAKERS["FC"][2], SEATS["A2"]
    wall = PlanRay(
        level_db=-8.0,
        channel="FC",
        seat="A2",
        points_m=(source, (-2.35, 1.7, 1.0), ears),
        text="left wall −8 dB after 8.2 ms",
    )
    plan = replace(ROOM, rays=(wall,), items=tuple(i for i in ROOM.items if i.label in ("FC", "A2")))
    pair = draw_plan(plan, "FC", 60, 30, pair=("FC", "A2"))
    lines = plain(pair).split("\n")
    middle = next(i for i, line in enumerate(lines) if "FC" in line)
    left = [line.index("│") + 1 for line in lines[middle + 1 : middle + 12]]
    touched = [
        any(0x2800 < ord(c) for c in line[at : at + 2]) for line, at in zip(lines[middle + 1 :], left, strict=False)
    ]
    assert any(touched)  # the ray reaches the left wall
    assert "FC to A2: left wall −8 dB after 8.2 ms" in words(pair)
    alone = plain(draw_plan(plan, "FC", 60, 30))
    assert "left wall" not in alone
    assert "left wall" not in plain(draw_plan(plan, "FC", 60, 30, pair=("FC", "B1")))


def test_an_obstacle_is_shaded_in_both_views():
    column = PlanBox(label="column", from_m=(-1.6, 2.0, 0.0), to_m=(-1.2, 2.4, 2.6))
    plan = replace(ROOM, boxes=(column,))
    for view in ("top", "side"):
        assert "▒" in plain(draw_plan(plan, None, 78, 30, view))
    assert "▒" not in plain(draw_plan(ROOM, None, 78, 30))
