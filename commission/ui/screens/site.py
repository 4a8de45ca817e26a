"""The Site form: job, room, processor, seats, channels, instruments, and the settings of the round. One edit, one event."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.model import CommissionError, DelayUnit, Outcome, SettingEntered, SystemDefined
from commission.model.units import clean_text
from commission.steps import step
from commission.ui.blank import Pane, PaneRow
from commission.ui.screens.dialogs import AskText, Choose
from commission.ui.screens.step_actions import OTHER_PAGE, AnyStepScreen, show_page
from commission.ui.site import Field, SettingField, add_items, delete_item, fields_of
from commission.ui.site.delay_unit import unit_events, unit_question
from commission.ui.text import attached_count
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.canvas import fit
from commission.ui.widgets.draw.entry import STARTS
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Form, Item, Picker, text_item
from commission.ui.widgets.room_plan import RoomPlanView
from commission.ui.widgets.seat_grid import SeatGrid

KEYS = """

---
**Enter** or a digit edits the selected field, Enter stores it and goes down; on *Limits* it shows the limits of all
verdicts. After a digit that opened this form, a second one edits nothing: press Enter or an arrow first. **a** adds seats,
channels or an instrument, **d** deletes the selected one, **n** adds a note, **p** attaches a photograph, **r** changes the
round. **v** shows the plan of the room on a narrow terminal. In *Layout*, **Tab** goes on to the directions from each seat,
and **e** moves loudspeakers and seats with the arrow keys.
Lengths: `3.42 m`, `342 cm`, `11' 2 1/2"`, `11.2 ft`, `134.5 in`; a number alone is in the units of the job, metres or
feet. Positions: three lengths, right of the centre, back from the screen, up, with `;` between them. Temperatures: `21.5`,
`70 °F`. Settings are in the processor's unit, which is shown beside them. An unusual value is questioned: **Enter** keeps
it, **Escape** goes back to the field.
"""


ADDED = ("site.seats", "site.channels", "site.meter")
"""Items that are added if they are missing, not filled in."""
LEAVE = "leave"
"""Answer that keeps a present value which is not among the choices."""
LIMITS = "limits"
"""Key of the line that names the limits in force, which is not a field of the system."""


class SiteForm(AnyStepScreen):
    """The form, with the plan of the room beside it to reveal typing errors at once."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("a", "add", "Add", id="site.add"),
        Binding("d", "delete", "Delete", id="site.delete"),
        Binding("d", "delete_unlisted", show=False, id="layout.delete"),
        Binding("v", "page", "Plan", id="site.page"),
        Binding("e", "move", "Move", id="layout.move"),
        Binding("r", "rounds", "Round", show=False, id="app.rounds"),
        Binding("p", "photo", "Photo", show=False, id="step.photo"),
        Binding("u", "budget", "Uncertainty", show=False, id="step.budget"),
        Binding("n", "note", "Note", show=False, id="step.note"),
        Binding("left_square_bracket", "neighbour(-1)", show=False, id="step.previous"),
        Binding("right_square_bracket", "neighbour(1)", show=False, id="step.next"),
    ]

    def __init__(self, step_id: str = "site") -> None:
        super().__init__()
        self.step = step(step_id)
        self.HELP_TITLE, self.HELP_TEXT = f"{self.step.title}: {self.step.question}", self.step.help + KEYS
        self._fields: dict[str, Field | SettingField] = {}
        self._unchosen = ""
        """The field on which a digit opened the form: until Enter or an arrow selects one, another digit must not edit
        it, since it may belong to the number of a step.
        """

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        with PaneRow(id="sides"):
            with Pane(id="form"):
                yield Form(id="fields")
            with Pane(id="beside", classes=OTHER_PAGE):
                yield RoomPlanView(id="room")
        yield Static("", id="judgement")
        yield KeyLine()

    def begin(self) -> None:
        """Focus the form, on the first missing value."""
        self.begin_on(self.query_one("#form"), self.query_one("#beside"))
        for view in (self.query_one("#fields", Picker), self.query_one("#room", RoomPlanView), *self.query(SeatGrid)):
            view.begin()
        outcome = self.commission.outcomes.get(self.step.id)
        if outcome is None or not outcome.grids:
            self.query(SeatGrid).remove()
        self.query_one("#fields").focus()
        self.refresh_changed()
        self._begin_where_wanted()

    def _begin_where_wanted(self) -> None:
        """Select the first gap; for Layout the positions, since its first fields are about other things."""
        key = "seats.0.position" if self.step.id == "layout" else self._first_gap()
        picker = self.query_one("#fields", Picker)
        if key in self._fields:
            picker.select(key)
            picker.row_in_view(picker.cursor - 1, max(self.app.size.height - 5, 1))
        self._unchosen = picker.key if self.by_digit else ""

    def _missing(self) -> str:
        """The first missing thing that other steps need; empty if none is missing."""
        outcome = self.commission.outcomes.get(self.step.id)
        return next((check.id for check in outcome.checks if check.why_not), "") if outcome is not None else ""

    def _first_gap(self) -> str:
        """The first field to select; empty for the first of the form."""
        job = self.visit.job
        match self._missing():
            case "site.room":
                return "room.size"
            case "site.places":
                channels = job.system.channels
                gap = next((n for n, c in enumerate(channels) if c.position_m is None and c.distance_m is None), 0)
                return f"channels.{gap}.position"
            case "site.settings":
                held = ((c.id, job.setting(self.round_id, c.id).trim_db) for c in job.system.channels)
                return next((f"setting.{channel}.trim" for channel, trim in held if trim is None), "")
        return ""

    def refresh_results(self) -> None:
        job = self.visit.job
        self.show_head(self.numbered_title, attached_count(job, self.step.id, self.round_id))
        items: list[Item] = []
        self._fields = {}
        for section, fields in fields_of(job, self.round_id, layout=self.step.id == "layout"):
            items.append(text_item("", f" {section}", "head"))
            for field in fields:
                self._fields[field.key] = field
                items.append(Item(field.key, ((fit(f" {field.label}", 28), "dim"), (field.shown or "–", ""))))
            if section == "Job":
                items.append(Item(LIMITS, ((fit(" Limits", 28), "dim"), (clean_text(job.profile.title), ""))))
        self.query_one("#fields", Picker).show(items)
        self._plan()
        self._show_state()

    def _show_state(self) -> None:
        """Show how much is filled in, and the key that adds what is missing."""
        outcome = self.commission.outcomes.get(self.step.id)
        if outcome is not None:
            text = outcome.main_result or f"{outcome.done} of {outcome.total} filled in"
            if outcome.total == 0:
                text = f"no seats and no loudspeakers yet · {self.commission.key_of('site.add', 'a')} adds them"
            if self._missing() in ADDED:
                text += f" · {self.commission.key_of('site.add', 'a')} adds it"
            self.query_one("#judgement", Static).update(Content(clean_text(text)))

    def _plan(self) -> None:
        outcome = self.commission.outcomes.get("layout")
        plan = outcome.room_plans[0] if outcome is not None and outcome.room_plans else None
        field = self._fields.get(self.query_one("#fields", Picker).key)
        selected = field.item_id if isinstance(field, Field) else (field.channel if field is not None else None)
        room = self.query_one("#room", RoomPlanView)
        room.units = self.visit.job.system.units
        room.show(plan, selected or "")
        if self.step.id == "layout" and outcome is not None:
            self._directions(outcome)

    def _directions(self, outcome: Outcome) -> None:
        """Show below the plan the directions in which each seat hears the loudspeakers."""
        pane = self.query_one("#beside")
        known = self.query(SeatGrid)
        for grid in outcome.grids:
            if known:
                known.first().show(grid)
            else:
                pane.mount(SeatGrid(grid))

    @on(SeatGrid.Selected)
    def direction_selected(self, event: SeatGrid.Selected) -> None:
        """Select in the plan what is selected in the grid."""
        event.stop()
        self.query_one("#room", RoomPlanView).select_pair(event.channel, event.seat)

    @on(Picker.Selected)
    def selected(self, event: Picker.Selected) -> None:
        """Show what is selected in the plan."""
        if event.key != self._unchosen:
            self._chosen()
        self._plan()

    def _chosen(self) -> None:
        """Note that a key has selected a field: from now on a digit edits it."""
        if self._unchosen:
            self._unchosen = ""
            self._show_state()

    @on(Painted.Edge)
    def leave_view(self, event: Painted.Edge) -> None:
        """Move between form and plan."""
        event.stop()
        self.query_one("#fields").focus()

    @on(Picker.Chosen)
    def edit(self, event: Picker.Chosen) -> None:
        self._edit(event.key)

    def _edit(self, key: str) -> None:
        if key == LIMITS:
            self.commission.action_limits()
            return
        field = self._fields.get(key)
        if field is None:
            return
        self._chosen()
        if field.choices:
            self._choose(field)
        else:
            self._ask(field, field.typed)

    def on_key(self, event: events.Key) -> None:
        """Begin to edit the selected field with a digit, as in every table of readings.

        Not if the previous key opened the form: whoever types 1 and 0 for the tenth step has not selected a field.
        """
        fields = self.query_one("#fields", Picker)
        field = self._fields.get(fields.key)
        if event.character is None or event.character not in STARTS or field is None or field.choices:
            return
        event.stop()
        if fields.key == self._unchosen:
            sentence = f"Enter edits “{clean_text(field.title)}”; arrows select another field."
            self.query_one("#judgement", Static).update(Content(sentence))
        else:
            self._ask(field, event.character, begun=True)

    def _ask(self, field: Field | SettingField, value: str, *, begun: bool = False) -> None:
        job = self.visit.job
        replaced = f"replaces {field.shown}" if begun and field.shown else ""
        self.app.push_screen(
            AskText(
                field.title,
                "\n".join(filter(None, (replaced, field.hint))),
                value,
                lambda text: field.apply(job, text),
                begun=begun,
                echo=field.echo if field.read is not None else None,
                question=lambda text: field.question(job, text),
            ),
            lambda answer: self._store(field, answer),
        )

    def _choose(self, field: Field | SettingField) -> None:
        """Open the list on the present value; choosing that again stores nothing."""
        options, present = list(field.choices), field.typed
        if present not in dict(options):
            present = LEAVE
            options.insert(0, (LEAVE, f"{field.shown or 'not entered'}: leave it as it is"))

        def chosen(answer: str | None) -> None:
            if answer is None:
                return
            if answer == present:
                self._go_to(self._following(field))
            elif field.key == "processor.delay.unit":
                self._ask_unit(field, answer)
            else:
                self._store(field, answer)

        self.app.push_screen(Choose(field.title, options, present), chosen)

    def _ask_unit(self, field: Field | SettingField, unit: str) -> None:
        """Ask whether values noted in the old unit must be converted, or were in the new one all along."""
        job = self.visit.job
        chosen: DelayUnit = "ms" if unit == "ms" else "ft" if unit == "ft" else "m"
        title, options = unit_question(job, chosen)

        def answered(answer: str | None) -> None:
            events = unit_events(job, chosen, answer) if answer is not None else ()
            if events and self.store(*events):
                self.refresh_results()
                self._go_to(self._following(field))

        self.app.push_screen(Choose(title, options), answered)

    def _store(self, field: Field | SettingField, value: str | None) -> None:
        if value is None:
            return
        following = self._following(field)
        try:
            result = field.apply(self.visit.job, value)
        except CommissionError as error:
            self.commission.refuse(str(error))
            return
        stored = True
        if isinstance(result, SettingEntered):
            if not field.typed or value.strip() != field.typed:
                stored = self.store(result)
        elif result != self.visit.job.system or field.key == "temperature_c":
            # The temperature counts as read today, even if it equals that of the previous visit.
            stored = self.store(SystemDefined(system=result, note=f"{field.label} {clean_text(value)}"))
        if not stored:  # for example on a full disk: the typed text must not be lost
            if not field.choices:
                self._ask(field, value)
            return
        self.refresh_results()
        self._go_to(following)

    def _following(self, field: Field | SettingField) -> str:
        """Key of the field below: Enter goes down, as in every table of readings."""
        keys = list(self._fields)
        return keys[min(keys.index(field.key) + 1, len(keys) - 1)]

    def _go_to(self, key: str) -> None:
        self.query_one("#fields", Picker).select(key)

    def action_add(self) -> None:
        options = [("seats", "a seat"), ("channels", "a channel"), ("instruments", "an instrument")]
        if self.step.id == "layout":
            options.append(("obstacles", "an obstacle: a column, a door, a projector"))
        self.app.push_screen(Choose("Add what?", options), self._adding)

    def _adding(self, what: str | None) -> None:
        if what == "instruments":
            kinds = [(k, k) for k in ("meter", "microphone", "calibrator", "tape", "thermometer")]
            self.app.push_screen(Choose("Which instrument?", kinds), lambda kind: self._added(what, kind))
        elif what is not None:
            labels = {"seats": "A1 A2 A3 B1 …", "obstacles": "door, column …"}.get(
                what, "FL FC FR SiL SiR TpFL SUB1 …"
            )
            hint = f"one, or several with blanks between them: {labels}"
            job = self.visit.job
            self.app.push_screen(
                AskText("Label", hint, "", lambda text: add_items(job.system, what, text)),
                lambda text: self._added(what, text),
            )

    def _added(self, what: str, text: str | None) -> None:
        if text:
            before = len(getattr(self.visit.job.system, what))
            system = add_items(self.visit.job.system, what, text)
            if self.store(SystemDefined(system=system, note=f"added {clean_text(text)}")):
                self.refresh_results()
                first = next((key for key in self._fields if key.startswith(f"{what}.{before}.")), None)
                if first is not None:
                    self.query_one("#fields", Picker).select(first)

    def action_delete(self) -> None:
        key = self.query_one("#fields", Picker).key
        field = self._fields.get(key)
        if not isinstance(field, Field) or field.item_id is None:
            self.notify("Move to a seat, channel or instrument to delete it.")
            return
        system = delete_item(self.visit.job.system, key)
        options = [("yes", f"delete {field.item_id} (its readings stay in the log)"), ("no", "keep it")]
        self.app.push_screen(
            Choose(f"Delete {field.item_id}?", options, "no"),
            lambda a: self._deleted(replace(system), field.item_id or "") if a == "yes" else None,
        )

    def action_delete_unlisted(self) -> None:
        """`action_delete` when the footer has no room for it."""
        self.action_delete()

    def _deleted(self, system: object, name: str) -> None:
        self.store(SystemDefined(system=system, note=f"deleted {name}"))  # type: ignore[arg-type]
        self.refresh_results()

    def action_budget(self) -> None:
        """Show the uncertainty budgets of the selected seat or channel."""
        from commission.ui.screens.budgets import Budgets, budgets_of

        field = self._fields.get(self.query_one("#fields", Picker).key)
        outcome = self.commission.outcomes.get(self.step.id)
        label = field.item_id if isinstance(field, Field) else None
        check = (
            next((c for c in outcome.checks if label is not None and c.channel == label), None) if outcome else None
        )
        found = budgets_of(outcome, check, label, None) if outcome is not None else ()
        if found:
            self.app.push_screen(Budgets(clean_text(label or ""), found))
        else:
            self.notify("Nothing with a stated uncertainty is selected here.")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer moving only in Layout; the footer holds six keys at most."""
        if action in ("move", "delete", "delete_unlisted"):
            return (self.step.id == "layout") == (action != "delete")
        return True

    def action_move(self) -> None:
        """Move loudspeakers and seats with the arrow keys."""
        from commission.ui.screens.places import PlacesScreen

        field = self._fields.get(self.query_one("#fields", Picker).key)
        self.app.push_screen(PlacesScreen((field.item_id or "") if isinstance(field, Field) else ""))

    def action_page(self) -> None:
        """Show the plan alone on a narrow terminal."""
        form, beside = self.query_one("#form"), self.query_one("#beside")
        to_plan = beside.has_class(OTHER_PAGE)
        show_page(*((beside, form) if to_plan else (form, beside)))
        self.query_one("#room" if to_plan else "#fields").focus()
