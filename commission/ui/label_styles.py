"""Styles of painted lines inside labels: maps the names of `widgets.character_view.Painted` to theme colours."""

from __future__ import annotations

from textual.content import Content

from commission.model.units import clean_text
from commission.ui.widgets.draw.canvas import Line

INK = {
    "pass": "$text-success",
    "fail": "bold $text-error",
    "unsure": "$text-warning",
    "none": "$foreground 65%",
    "dim": "$foreground 75%",
    "mark": "bold",
}


def content(line: Line) -> Content:
    """A painted line as the text of a label, never read as markup."""
    return Content.assemble(*((clean_text(text), INK.get(style, "")) for text, style in line))
