"""Typing readings by keyboard: the entry table alone, in a minimal program."""

from typing import ClassVar

import pytest
from textual import events
from textual.containers import VerticalScroll

from commission.model import Prompt
from commission.ui.typeahead import TypeaheadApp
from commission.ui.widgets.draw.entry import EntryRow
from commission.ui.widgets.entry_table import EntryTable

CHANNELS = ("FL", "FC", "FR")


def rows(unit="dB", expected=(40.0, 110.0)):
    return [
        EntryRow(Prompt(channel=c, seat="A2", quantity="level", unit=unit, text="Read.", expected=expected))
        for c in CHANNELS
    ]


class Bench(TypeaheadApp):
    BINDINGS: ClassVar = [("n", "noted", "Note")]

    def __init__(self, table):
        super().__init__()
        self.table, self.entered, self.withdrawn, self.noted, self.edges = table, [], [], 0, []

    def compose(self):
        with VerticalScroll(can_focus=False):
            yield self.table

    def on_mount(self):
        self.table.focus()

    def on_entry_table_entered(self, event):
        self.entered.append((event.prompt.channel, event.text, event.value))

    def on_entry_table_withdraw_last(self, event):
        self.withdrawn.append(event.prompt.channel)

    def on_painted_edge(self, event):
        self.edges.append(event.direction)

    def action_noted(self):
        self.noted += 1


@pytest.fixture
def bench():
    return Bench(EntryTable(rows()))


async def type_text(pilot, text):
    names = {".": "full_stop", ",": "comma", "-": "minus", "'": "apostrophe", '"': "quotation_mark", " ": "space"}
    await pilot.press(*(names.get(char, char) for char in text))


async def test_digits_are_stored_by_enter_and_by_down(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        for text in ("76.5", "74", "75,25"):
            await type_text(pilot, text)
            await pilot.press("enter")
        assert bench.entered == [("FL", "76.5", 76.5), ("FC", "74", 74.0), ("FR", "75,25", 75.25)]
        assert bench.table.cursor == 2


async def test_keys_that_arrive_together_keep_their_order(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        for key in ("7", "6", "enter", "7", "4", "down", "7", "5", "enter"):
            bench.post_message(events.Key(key, key if len(key) == 1 else None))
        await pilot.pause()
        await pilot.pause()
        assert bench.entered == [("FL", "76", 76.0), ("FC", "74", 74.0), ("FR", "75", 75.0)]


async def test_backspace_corrects_and_escape_discards(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "779")
        await pilot.press("backspace", "backspace")
        await type_text(pilot, "6")
        await pilot.press("enter", "8", "8", "escape", "enter")
        assert bench.entered == [("FL", "76", 76.0)]
        assert bench.table.typing.text == ""


async def test_unusual_value_needs_a_second_enter(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "129.4")
        await pilot.press("enter")
        assert bench.entered == []
        assert "outside the usual" in bench.table.typing.problem
        await pilot.press("enter")
        assert bench.entered == [("FL", "129.4", 129.4)]


async def test_correcting_an_unusual_value_asks_again(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "129")
        await pilot.press("enter", "backspace")
        assert bench.table.typing.problem == ""
        await type_text(pilot, "8")
        await pilot.press("enter")
        assert bench.entered == []  # 128 is unusual as well: asked, not stored


async def test_invalid_text_stores_nothing_and_gives_the_reason(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "7.6.5")
        await pilot.press("enter")
        assert bench.entered == []
        assert "expected a number" in bench.table.typing.problem
        assert bench.table.cursor == 0
        await pilot.press("enter")
        assert bench.entered == []


async def test_commands_work_only_while_nothing_is_typed(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        assert bench.noted == 1
        await pilot.press("7", "n")
        assert bench.noted == 1
        assert bench.table.typing.text == "7n"  # swallowing the letter would change the number


async def test_a_letter_in_a_number_is_shown_and_refused(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "1e9")
        await pilot.press("enter", "enter")
        assert bench.entered == []
        assert bench.table.typing.text == "1e9"
        assert "cannot be right" in bench.table.typing.problem


@pytest.mark.parametrize(("key", "row"), [("down", 1), ("up", 0), ("end", 2)])
async def test_arrows_enter_what_was_typed(bench, key, row):
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "76.5")
        await pilot.press(key)
        assert bench.entered == [("FL", "76.5", 76.5)]
        assert bench.table.cursor == row


async def test_arrows_do_not_confirm_an_unusual_value(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "129")
        await pilot.press("down", "down", "down")
        assert bench.entered == []
        assert bench.table.cursor == 0
        assert "outside the usual" in bench.table.typing.problem


async def test_pasted_text_waits_for_enter_and_a_list_is_not_a_number(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        bench.table.post_message(events.Paste("76,5 dB(C)\n"))
        await pilot.pause()
        assert bench.entered == []
        await pilot.press("enter")
        assert bench.entered == [("FL", "76,5 dB(C)", 76.5)]
        bench.table.post_message(events.Paste("76.5 74.0 75.5 72.0 71.0"))
        await pilot.pause()
        assert "more than one number" in bench.table.typing.problem
        await pilot.press("enter")
        assert len(bench.entered) == 1
        await pilot.press("escape")
        assert bench.table.typing.text == ""
        await type_text(pilot, "75")
        bench.table.post_message(events.Paste("\n"))  # a picture in the clipboard, say
        await pilot.pause()
        assert bench.table.typing.text == "75"


async def test_lengths_take_feet_and_inches():
    bench = Bench(EntryTable(rows("m", None)))
    async with bench.run_test(size=(80, 24)) as pilot:
        await type_text(pilot, "11' 2\"")
        await pilot.press("enter")
        await type_text(pilot, "342 cm")
        await pilot.press("enter")
        assert bench.entered[0][2] == pytest.approx(134 * 0.0254)  # NIST SP 811: 1 in = 25.4 mm
        assert bench.entered[1][2] == pytest.approx(3.42)


async def test_x_withdraws_only_where_there_is_a_reading(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await pilot.press("x")
        assert bench.withdrawn == []
        bench.table.show([EntryRow(row.prompt, (76.0,)) for row in rows()])
        await pilot.press("x")
        assert bench.withdrawn == ["FL"]


async def test_moving_past_the_ends_leaves_the_table(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await pilot.press("up", "down", "down", "down")
        assert bench.edges == [-1, 1]


async def test_new_rows_keep_the_cursor_and_the_typed_text(bench):
    async with bench.run_test(size=(80, 24)) as pilot:
        await pilot.press("down", "7")
        bench.table.show(list(reversed(rows())))
        assert bench.table.prompt.channel == "FC"
        assert bench.table.typing.text == "7"


async def test_cursor_stays_in_view_on_a_long_list():
    prompts = [EntryRow(Prompt(channel=f"CH{n}", seat="A2", quantity="level", unit="dB", text="")) for n in range(40)]
    bench = Bench(EntryTable(prompts))
    async with bench.run_test(size=(80, 12)) as pilot:
        await pilot.press("end")
        await pilot.pause()
        pane = bench.table.parent
        assert pane.scroll_offset.y <= bench.table.cursor + 1 < pane.scroll_offset.y + pane.size.height
