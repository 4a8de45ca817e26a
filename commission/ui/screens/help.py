"""A page of help. Loaded when first asked for: reading Markdown is slow to import."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Markdown, Static

from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.key_line import KeyLine


class Help(PaintedOnce[None]):
    """A page of help."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,question_mark", "app.pop_screen", "Back", id="help.back"),
    ]

    def __init__(self, title: str, text: str) -> None:
        super().__init__()
        self._title, self._text = title, text

    def compose(self) -> ComposeResult:
        title, _, question = self._title.partition(": ")
        yield Static(Content(f" {title}"), classes="headline")
        with VerticalScroll():
            yield Markdown(f"*{question}*\n\n{self._text.strip()}" if question else self._text.strip())
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(VerticalScroll).focus()
