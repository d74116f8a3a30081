"""Standby as shown: bars for each situation, and the table behind them."""

from __future__ import annotations

from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Bars, Block, Cell, Chart, Section, TableBlock, Text
from brickbook.core.study import View

__all__ = ["page"]

_WORDS = {"bare": "nothing plugged in", "cable": "cable alone", "adapter": "adapter alone"}
_POWERS = ("no_load_power_w", "standby_power_w")


def page(view: View) -> Section:
    """Power in each situation at each mains voltage."""
    powers = [f for f in view.figures if f.name in _POWERS]
    if not powers:
        return Section("standby", "Standby", "Power without load was not measured.")
    blocks: list[Block] = [_chart(powers), _table(view, powers)]
    blocks.append(
        Text("A year is 8,760 hours in the situation of the row; nobody leaves a charger so, but the rows compare.")
    )
    return Section("standby", "Standby", _lead(powers), tuple(blocks))


def _situation(figure: Figure) -> str:
    situation = str(figure.conditions["situation"])
    return _WORDS.get(situation, f"{situation}, no current" if situation.endswith("held") else situation)


def _volts(figure: Figure) -> str:
    return f"{figure.conditions.number('mains_v'):g} V"


def _lead(powers: list[Figure]) -> str:
    bare = [f for f in powers if f.name == "no_load_power_w"]
    if not bare:
        return "Power with nothing plugged in was not measured; other situations were."
    parts = " and ".join(f"{1000 * f.value:.0f} mW at {f.conditions.number('mains_v'):g} V" for f in bare)
    return f"With nothing plugged in it takes {parts}."


def _chart(powers: list[Figure]) -> Chart:
    labels = tuple(dict.fromkeys(_situation(f) for f in powers))
    mains = sorted({f.conditions.number("mains_v") for f in powers})
    by = {(_situation(f), f.conditions.number("mains_v")): f for f in powers}
    rows = [(f"{label}, {v:g} V", by[label, v]) for label in labels for v in mains if (label, v) in by]
    worst = max(powers, key=lambda f: f.value)
    return Chart(
        id="standby",
        title=f"It takes up to {1000 * worst.value:.0f} mW idle, with {_situation(worst)} on {_volts(worst)}",
        alt="Input power without load in each situation and at each mains voltage, as bars.",
        x=Axis("input power", "mW", low=0.0),
        y=Axis(""),
        bars=Bars(
            tuple(label for label, _ in rows),
            ("input power",),
            (tuple(1000 * f.value for _, f in rows),),
            tuple(1000 * (f.upper - f.value) for _, f in rows),
        ),
    )


def _table(view: View, powers: list[Figure]) -> TableBlock:
    others = {(f.name, f.conditions): f for f in view.figures}
    rows: list[tuple[Cell, ...]] = [
        (
            _situation(figure),
            _volts(figure),
            figure,
            others.get(("annual_energy_kwh", figure.conditions)),
            others.get(("annual_cost", figure.conditions)),
        )
        for figure in powers
    ]
    head: tuple[str, ...] = ("Situation", "Mains", "Power", "Energy a year", "Cost a year")
    if all(row[4] is None for row in rows):
        head, rows = head[:4], [row[:4] for row in rows]
    return TableBlock("Power without load", head, tuple(rows))
