"""A page of help as one widget: with a widget for each paragraph it would appear too slowly.

Loaded on first use: the Markdown reader is slow to import.
"""

from __future__ import annotations

from typing import ClassVar

from rich.console import Console, ConsoleOptions, RenderResult
from rich.markdown import Markdown
from rich.theme import Theme
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.key_line import KeyLine

STYLES = Theme(
    {f"markdown.{each}": "bold" for each in ("code", "h1", "h2", "h3", "h4", "item.bullet", "item.number")}
)
"""Without colours: the page is read on light and on dark backgrounds."""


class _Page:
    """Markdown in those styles."""

    def __init__(self, text: str) -> None:
        self._markdown = Markdown(text)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        with console.use_theme(STYLES):
            yield from console.render(self._markdown, options)


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
            text = f"*{question}*\n\n{self._text.strip()}" if question else self._text.strip()
            yield Static(_Page(text))
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(VerticalScroll).focus()
