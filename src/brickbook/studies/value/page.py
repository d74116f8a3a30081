"""Value as shown."""

from __future__ import annotations

from brickbook.core.page import Cell, Section, TableBlock, Text
from brickbook.core.study import View

__all__ = ["page"]

_WORDS = {
    "specific_power_w_per_g": "Power for its mass",
    "price_per_watt": "Price of a watt",
    "price_per_port": "Price of a port",
}


def page(view: View) -> Section:
    """One table; the words say nameplate power, because that is what is divided."""
    rows: list[tuple[Cell, ...]] = []
    for figure in view.figures:
        words = _WORDS.get(figure.name, f"Power for its volume, {figure.conditions.get('volume', '')}")
        rows.append((words, figure))
    table = TableBlock("Nameplate power against size, mass and price", ("", "Value"), tuple(rows))
    text = Text(
        "Power here is the nameplate total; whether the charger gives it is told under efficiency and regulation."
    )
    return Section("value", "Value", "How much power for its size, mass and price?", (table, text))
