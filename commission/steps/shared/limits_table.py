"""The limits in force as a table: what is judged, between which bounds, and where each number comes from."""

from __future__ import annotations

from commission.model import Column, LimitsProfile, Row, Table

_COLUMNS = (
    Column(key="quantity", title="Quantity"),
    Column(key="low", title="Low", decimals=2),
    Column(key="high", title="High", decimals=2),
    Column(key="unit", title="Unit"),
    Column(key="own", title="From"),
    Column(key="applies", title="What it judges"),
    Column(key="basis", title="Basis"),
)


def limits_table(profile: LimitsProfile) -> Table:
    """Every limit of a profile; what the firm's own file changed says so."""
    rows = tuple(
        Row(
            key=each.quantity,
            cells=(
                each.quantity,
                each.low,
                each.high,
                each.unit,
                profile.name if each.own else "default",
                each.applies,
                each.basis,
            ),
        )
        for each in profile.limits
    )
    return Table(id="limits", title=f"Limits: {profile.title}", columns=_COLUMNS, rows=rows)
