"""Adjusts the subwoofers by hand: every seat's curve, evenness and output follow each key at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, TypeVar

import numpy as np
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Static

from commission.dsp.bass_sum import SubSettings
from commission.model import CancelToken, CrossoverFilter, Decided, Progress
from commission.model.formatting import filter_texts, number
from commission.model.units import clean_text, round_name
from commission.steps import bass
from commission.steps.bass.by_hand import HAND_KEY, hand_text
from commission.steps.bass.crossover import FrontPair
from commission.steps.bass.entries import SubProposal, proposals, same_settings
from commission.steps.bass.result import USE_KEY, BassResult, search_from
from commission.steps.bass.version import Version, filter_width, version
from commission.ui.blank import PaneRow
from commission.ui.screens.base import VisitScreen
from commission.ui.site.field import CROSSOVER_FILTERS
from commission.ui.widgets.draw.canvas import Run, fit
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Item, Picker, text_item
from commission.ui.widgets.plot import Plot

HELP = """
The dotted area reaches from the lowest to the highest seat as measured. The two lines are the lowest and the highest seat
with the settings at the left.

- **Up** and **down** select a value, **left** and **right** change it by one step of the processor, with Shift by ten.
- **p** returns to the proposal, or to the settings by hand that are stored; **b** to the settings as measured.
- **t** takes the next row of the table of evenness against output, with the filters that suit it.
- **f** searches again from these settings. Escape stops the search and keeps the best settings found so far.
- **Enter** stores the settings and filters that are shown for the settings sheet.

Where type and slope of high-pass and low-pass are entered on *Site*, the last rows show what another crossover would make
of the sum with the front loudspeakers: with these settings, and with the best common delay and polarity of the subwoofers.
This is calculated and not stored: set it in the processor, enter it on *Site*, and measure again.

Evenness is the seat-to-seat standard deviation. Output is the level of the sum relative to the powers of all subwoofers
through the same filters, the loudest one at its limit: what gain, delay and polarity cost in headroom.
"""
BAND_HZ = (15.0, 160.0)
T = TypeVar("T", float, CrossoverFilter)
CROSSOVERS_HZ = (40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0, 110.0, 120.0)
"""Choices if the processor's crossover frequency is not entered."""
CROSSOVER_ROW = "crossover"
LEAST_ROWS = 5
"""Fewest rows of the list of values, on a terminal that is too low for everything."""


class BassScreen(VisitScreen):
    """A list of values to adjust, with the curves of all seats beside it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "change(-1)", "Less", key_display="←", id="bass.less"),
        Binding("right", "change(1)", "More", key_display="→", id="bass.more"),
        Binding("shift+left", "change(-10)", show=False, id="bass.much-less"),
        Binding("shift+right", "change(10)", show=False, id="bass.much-more"),
        Binding("f", "search", "Search", id="bass.search"),
        Binding("t", "tradeoff", "Trade-off", id="bass.trade"),
        Binding("p", "proposal", show=False, id="bass.proposal"),
        Binding("b", "before", show=False, id="bass.before"),
    ]
    HELP_TITLE, HELP_TEXT = "Bass: settings by hand", HELP
    DEFAULT_CSS = """
    BassScreen #bass-left { width: 40; }
    BassScreen #bass-list { height: auto; overflow-y: auto; scrollbar-size-vertical: 1; }
    BassScreen #bass-figures { height: auto; padding: 1 1 0 1; }
    BassScreen Plot { height: 1fr; width: 1fr; }
    BassScreen.narrow #bass-left { width: 36; }
    """

    def __init__(self, result: BassResult) -> None:
        super().__init__()
        self._result = result
        self.settings, self.filters, self._through = result.proposed.settings, result.filters, result.through
        self._y_limits: tuple[float, float] | None = None
        self._entered = self._other = self._entered_crossover()
        """(frequency, high-pass, low-pass) of the crossover as entered, and of an alternative."""

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Static("", id="todo")
        with PaneRow(id="sides"):
            with Vertical(id="bass-left"):
                with Vertical(id="bass-list"):
                    yield Picker(id="bass-values")
                yield Static("", id="bass-figures")
            yield Plot(id="bass-plot", hint="Tab, then ← → read")
        yield KeyLine()

    def on_mount(self) -> None:
        plot = self.query_one(Plot)
        low, high = self._result.measured.band_hz
        plot.show_band(max(low / 1.02, BAND_HZ[0]), min(high * 1.02, BAND_HZ[1]))
        self.query_one("#bass-values").focus()
        self.refresh_results()

    def on_resize(self) -> None:
        """Give the list of values the height that the figures below it leave."""
        super().on_resize()
        self.call_after_refresh(self._limit_values)

    def _limit_values(self) -> None:
        """Limit the height of the list, which scrolls to the selected value; the figures do not scroll."""
        rows = self.query_one("#bass-left").size.height - self.query_one("#bass-figures").outer_size.height
        self.query_one("#bass-list").styles.max_height = max(LEAST_ROWS, rows)

    def _entered_crossover(self) -> tuple[float, CrossoverFilter, CrossoverFilter] | None:
        """The entered crossover; None if the sum is not determined, or type and slope are not entered."""
        front = self._result.front
        if isinstance(front, str) or front.low_pass is None or front.high_pass is None:
            return None
        system = self.visit.job.system
        main, sub = system.channel(front.mains[0]), system.channel(self.subs[0])
        assert main is not None and sub is not None
        high, low = system.high_pass(main), system.low_pass(sub)
        return None if high is None or low is None else (front.hz, high, low)

    def _is_shown(self, each: Version) -> bool:
        return same_settings(each.settings, self.settings) and each.filters == self.filters

    @property
    def subs(self) -> tuple[str, ...]:
        return self._result.measured.subs

    def refresh_results(self) -> None:
        """Show values, figures and curves of the present settings."""
        if not self.is_mounted:
            return
        result = self._result
        self.show_head(f"Bass by hand, {round_name(result.measured.round)}")
        first = "as stored" if result.by_hand else "proposal"
        todo = f"← → change the value, Enter stores the settings, p: {first}, b: as measured."
        self.query_one("#todo", Static).update(Content(clean_text(self.commission.working or todo)))
        now = version(self._through, "by hand", self.settings)
        entered = proposals(self.visit.job, result.measured, result.space, self.settings, self.filters)
        self.query_one("#bass-values", Picker).show(self._items(entered))
        self.query_one("#bass-figures", Static).update(Content("\n".join(self._figures(now))))
        curve = bass.bands_curve(result, now)
        if self._y_limits is None:
            top = 5 * np.ceil(max(float(s.y.max()) for s in curve.series) / 5 + 0.5)
            self._y_limits = (float(top) - 45.0, float(top))
        self.query_one(Plot).show(curve, self._y_limits)

    def _items(self, entered: dict[str, SubProposal]) -> list[Item]:
        items: list[Item] = []
        unit = self.visit.job.system.processor.delay.unit
        for i, sub in enumerate(self.subs):
            each = entered[sub]
            if items:
                items.append(text_item("", ""))
            items.append(text_item("", f" {sub}", "mark"))
            trim = "" if each.trim_db is None else f"trim {number(each.trim_db, 1, signed=True)} dB"
            new_setting = "" if each.setting is None else f"set {number(each.setting, 2)} {unit}"
            values = (
                ("gain", f"{number(float(self.settings.gain_db[i]), 1, signed=True)} dB", trim),
                ("delay", f"{number(1000 * float(self.settings.delay_s[i]), 2, signed=True)} ms", new_setting),
                ("polarity", "turn over" if self.settings.polarity[i] < 0 else "keep", each.new_polarity),
            )
            for kind, value, setting in values:
                runs: tuple[Run, ...] = (
                    (fit(f" {kind}", 9), "dim"),
                    (fit(value, 11, "right"), "main"),
                    (f"  {setting}", "dim"),
                )
                items.append(Item(f"{i} {kind}", runs))
            ranges = self.visit.job.system.processor.filters
            items += [text_item("", f"   {text}") for text in filter_texts(each.filters, ranges)]
        if self._other is not None:
            hz, high, low = self._other
            kinds = [each.text.removesuffix("/octave") for each in (high, low)]
            shown = zip(("frequency", "high-pass", "low-pass"), (f"{hz:g} Hz", *kinds), strict=True)
            items += [text_item("", ""), text_item("", " Crossover, calculated", "mark")]
            items += [
                Item(f"{CROSSOVER_ROW} {i}", ((fit(f" {name}", 11), "dim"), (value, "main")))
                for i, (name, value) in enumerate(shown)
            ]
        return items

    def _figures(self, now: Version) -> list[str]:
        result = self._result
        seat, off = bass.worst_seat(result, now)
        found = result.as_found
        lines = [
            f"Seat to seat  {number(found.sd_db, 1)} → {number(now.sd_db, 1)} dB",
            f"Output        {_db(found)} → {_db(now)} dB",
            f"Worst seat    {seat} {number(off, 1, signed=True)} dB",
            *self._sum_lines(),
            "",
        ]
        rows = (*result.tradeoff, *result.others)
        if not rows:
            return [*lines, "One subwoofer: no setting trades evenness for output."]
        lines.append(f" {'Choice (t)' if result.tradeoff else '':<11}seat to seat   output")
        for each in rows:
            mark = "▸" if self._is_shown(each) else " "
            lines.append(f"{mark}{fit(each.name, 11)} {number(each.sd_db, 1):>8} dB {_db(each):>5} dB")
        return lines

    def _sum_lines(self) -> list[str]:
        """The sum through the crossover as measured and with the settings, and through an alternative crossover."""
        front = self._result.front
        if isinstance(front, str):
            return []
        before_db = number(float(front.before_db.mean()), 1, signed=True)

        def line(at: FrontPair, settings: SubSettings, words: str) -> str:
            after_db = float(at.crossover(self._through, settings).after_db.mean())
            return f"{words:<14}{before_db} → {number(after_db, 1, signed=True)} dB"

        lines = [line(front, self.settings, f"Sum at {front.hz:g} Hz")]
        if self._other is None or self._other == self._entered:
            return lines
        other = front.through_other(*self._other)
        if isinstance(other, str):
            return [*lines, f"Not shown: {other}"]
        now, best = self.settings, other.fit(self._through, self.settings)
        moved = SubSettings(now.gain_db, now.delay_s + best.delay_s, now.polarity * best.polarity)
        subs = "turned" if best.polarity < 0 else "subs"
        return [
            *lines,
            line(other, self.settings, f"  at {other.hz:g} Hz"),
            line(other, moved, f"  {subs} {number(1000 * best.delay_s, 1, signed=True)} ms "),
        ]

    def _change_crossover(self, row: int, steps: int) -> None:
        """Try another frequency or filter of the crossover."""
        if self._entered is None or self._other is None:
            return
        hz, high, low = self._other
        if row == 0:
            offered = self.visit.job.system.processor.crossovers_hz or CROSSOVERS_HZ
            hz = _stepped(sorted({*offered, self._entered[0]}), hz, steps)
        elif row == 1:
            high = _stepped(CROSSOVER_FILTERS, high, steps)
        else:
            low = _stepped(CROSSOVER_FILTERS, low, steps)
        self._other = (hz, high, low)
        self.refresh_results()

    def action_change(self, steps: int) -> None:
        """Change the selected value by some steps of the processor."""
        key = self.query_one("#bass-values", Picker).key
        if not key:
            return
        if key.startswith(CROSSOVER_ROW):
            self._change_crossover(int(key.split()[1]), steps)
            return
        index, kind = int(key.split()[0]), key.split()[1]
        gain, delay = self.settings.gain_db.copy(), self.settings.delay_s.copy()
        polarity = self.settings.polarity.copy()
        bounds, grid = self._result.space.bounds, self._result.space.grid
        if kind == "gain":
            wanted = gain[index] + steps * grid.gain_step_db
            gain[index] = np.clip(wanted, bounds.gain_low_db[index], bounds.gain_high_db[index])
        elif kind == "delay":
            wanted = delay[index] + steps * grid.delay_step_s
            delay[index] = np.clip(wanted, bounds.delay_low_s[index], bounds.delay_high_s[index])
        else:
            polarity[index] *= -1
        self._set(SubSettings(gain, delay, polarity))

    def _set(self, settings: SubSettings) -> None:
        self.settings = settings
        self.refresh_results()

    def action_proposal(self) -> None:
        self._take(self._result.proposed)

    def action_before(self) -> None:
        self._take(self._result.as_found)

    def _take(self, each: Version) -> None:
        """Take over the settings and filters of a solution."""
        self.filters = each.filters
        self._through = self._result.measured.through(each.filters, filter_width(self.visit.job))
        self._set(each.settings)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Hide the trade-off for a single subwoofer, which has none."""
        return super().check_action(action, parameters) if action != "tradeoff" else bool(self._result.tradeoff)

    def action_tradeoff(self) -> None:
        """Go to the next choice between evenness and output after the present settings."""
        rows = self._result.tradeoff
        alike = [k for k, each in enumerate(rows) if self._is_shown(each)]
        at = alike[-1] if alike else -1
        self._take(rows[(at + 1) % len(rows)])

    def action_search(self) -> None:
        """Search from the present settings in the background."""
        job, analyses, result, start = self.visit.job, self.visit.analyses, self._result, self.settings
        through = self._through

        def search(cancel: CancelToken, progress: Progress) -> tuple[SubSettings, bool]:
            return search_from(
                job, result, through, analyses, start, cancel, lambda share: progress(share, "searching settings")
            )

        self.commission.run_job(search, self._searched)

    def _searched(self, found: tuple[SubSettings, bool]) -> None:
        settings, stopped = found
        self._set(settings)
        self.notify(
            "Stopped; these are the best settings so far." if stopped else "These are the best settings found."
        )

    @on(Picker.Chosen)
    def store_settings(self) -> None:
        """Store the settings for the settings sheet."""
        round_id = self._result.measured.round
        text = hand_text(self.subs, self.settings, self.filters)
        if self.store(
            Decided(round=round_id, step="bass", key=HAND_KEY, value=text),
            Decided(round=round_id, step="bass", key=USE_KEY, value="yes"),
        ):
            self.notify("Stored: the settings sheet takes these settings.")


def _stepped(values: Sequence[T], value: T, steps: int) -> T:
    """The value some steps further, limited to the ends."""
    return values[min(max(values.index(value) + steps, 0), len(values) - 1)]


def _db(each: Version) -> str:
    return number(each.figures.output_db, 1, signed=True)
