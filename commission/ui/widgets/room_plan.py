"""Shows the room to scale; arrows select what is in it, o changes between top and side view."""

from __future__ import annotations

from typing import ClassVar, Literal

from textual.binding import Binding, BindingType
from textual.message import Message

from commission.model import RoomPlan
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.canvas import Line
from commission.ui.widgets.draw.plan import ViewName, draw_plan


class RoomPlanView(Painted):
    """One `RoomPlan`, or a sentence on the missing entries."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "select(-1)", show=False, id="plan.previous"),
        Binding("right", "select(1)", show=False, id="plan.next"),
        Binding("o", "view", "Side view", show=False, id="plan.view"),
        Binding("up", "leave(-1)", show=False, id="plan.up"),
        Binding("down", "leave(1)", show=False, id="plan.down"),
    ]

    class Selected(Message):
        """Another object in the room was selected."""

        def __init__(self, label: str) -> None:
            self.label = label
            super().__init__()

    def __init__(
        self,
        plan: RoomPlan | None = None,
        selected: str | None = None,
        units: Literal["metric", "imperial"] = "metric",
        *,
        keys: str = "← → select",
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        super().__init__(id=id, classes=classes)
        self.plan = plan
        self.selected = selected
        self.pair: tuple[str, str] | None = None
        """Loudspeaker and seat whose reflections are shown."""
        self.units: Literal["metric", "imperial"] = units
        self.view: ViewName = "top"
        self._keys = keys

    def begin(self) -> None:
        self.selected, self.pair, self.view = None, None, "top"

    def show(self, plan: RoomPlan | None, selected: str | None = None) -> None:
        """Show another plan; keeps the selection unless another is given."""
        self.plan = plan
        self.selected = selected if selected is not None else self.selected
        self.repaint(layout=True)

    def select(self, label: str | None) -> None:
        if label != self.selected or self.pair is not None:
            self.selected, self.pair = label, None
            self.repaint(layout=True)

    def select_pair(self, channel: str, seat: str) -> None:
        """Select a loudspeaker, with its reflections to one seat."""
        self.selected, self.pair = channel, (channel, seat)
        self.repaint(layout=True)

    def paint(self, width: int, height: int) -> list[Line]:
        """The drawing, as large as the region allows."""
        tall = 0 if self.styles.height is not None and self.styles.height.is_auto else height
        return draw_plan(self.plan, self.selected, width, tall, self.view, self.units, self._keys, self.pair)

    def action_select(self, direction: int) -> None:
        labels = [item.label for item in self.plan.items] if self.plan else []
        if not labels:
            return
        now = labels.index(self.selected) + direction if self.selected in labels else 0
        self.select(labels[now % len(labels)])
        self.post_message(self.Selected(labels[now % len(labels)]))

    def action_view(self) -> None:
        self.view = "side" if self.view == "top" else "top"
        self.repaint(layout=True)

    def action_leave(self, direction: int) -> None:
        self.post_message(self.Edge(self, direction))
