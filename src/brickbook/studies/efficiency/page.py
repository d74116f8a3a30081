"""Efficiency as shown: curves and tables for each set of loaded ports and voltage."""

from __future__ import annotations

from collections.abc import Sequence

from brickbook.core.figure import Figure, Finding
from brickbook.core.page import Axis, Block, Cell, Chart, LimitLine, Section, Series, TableBlock, Text
from brickbook.core.study import View

__all__ = ["page"]

_PROCEDURES = {
    "us-appendix-z": "US procedure, at the cable's end",
    "eu-2025-2052": "EU 2025 procedure, at the receptacle",
}
_Key = tuple[str, str, str]


def page(view: View) -> Section:
    """For each loaded set: efficiency over load at each mains voltage, then the table, losses and input current."""
    blocks: list[Block] = []
    for case in _cases(view):  # a set of loaded ports at one voltage
        mine = [f for f in view.figures if _case_of(f) == case]
        blocks.append(_curves(view, case, mine))
        blocks += _tables(case, mine)
        blocks.append(_averages(case, mine))
        losses = _losses(case, mine)
        if losses is not None:
            blocks.append(losses)
        blocks += _fit_table(case, mine)
        blocks += _harmonics(case, mine)
    return Section("efficiency", "Efficiency", _lead(view), tuple(blocks))


def _case_of(figure: Figure) -> _Key:
    c = figure.conditions
    return str(c.get("ports", "")), str(c.get("contract", "")), str(c.get("voltage_end", ""))


def _cases(view: View) -> list[_Key]:
    return list(dict.fromkeys(_case_of(f) for f in view.figures if "ports" in f.conditions))


def _slug(case: _Key) -> str:
    return "-".join((case[0], case[2])).lower().replace("+", "-")


def _words(case: _Key) -> str:
    ports, contract, _ = case
    return contract if "+" in ports or contract.split()[0] == ports else f"{ports} at {contract}"


def _lead(view: View) -> str:
    averages = [f for f in view.figures if f.name == "average_active_efficiency_ratio"]
    if not averages:
        return "Efficiency over load was not measured."
    low, high = min(averages, key=lambda f: f.value), max(averages, key=lambda f: f.value)
    return (
        f"The average over 100, 75, 50 and 25 % load lies between {100 * low.value:.1f} % "
        f"({_words(_case_of(low))}, {low.conditions.number('mains_v'):g} V mains) and {100 * high.value:.1f} % "
        f"({_words(_case_of(high))}, {high.conditions.number('mains_v'):g} V mains)."
    )


def _mains(figures: Sequence[Figure]) -> list[float]:
    return sorted({f.conditions.number("mains_v") for f in figures})


def _curves(view: View, case: _Key, figures: Sequence[Figure]) -> Chart:
    series: list[Series] = []
    limits: dict[str, float] = {}
    points = [f for f in figures if f.name == "efficiency_ratio" and f.conditions["procedure"] == "us-appendix-z"]
    for mains in _mains(points):
        mine = sorted(
            (f for f in points if f.conditions.number("mains_v") == mains),
            key=lambda f: f.conditions.number("load_ratio"),
        )
        series.append(
            Series(
                f"{mains:g} V mains",
                tuple(100 * f.conditions.number("load_ratio") for f in mine),
                tuple(100 * f.value for f in mine),
                tuple(100 * (f.upper - f.value) for f in mine),
            )
        )
    averages = [f for f in figures if f.name == "average_active_efficiency_ratio"]
    for figure in averages:
        for finding in _standard(view, figure):
            name = f"{finding.title}: least average"
            limits[name] = max(limits.get(name, 0.0), 100 * finding.limit)
    strictest = sorted(limits.items(), key=lambda item: -item[1])[:1]
    best = max(points, key=lambda f: f.value)
    title = (
        f"{_words(case)}: {100 * best.value:.1f} % at best, at "
        f"{100 * best.conditions.number('load_ratio'):g} % load on {best.conditions.number('mains_v'):g} V"
    )
    return Chart(
        id=f"efficiency-{_slug(case)}",
        title=title,
        alt=f"Efficiency over load for {_words(case)}, a line for each mains voltage.",
        x=Axis("load, share of nameplate current", "%", low=0.0, high=105.0),
        y=Axis("efficiency", "%"),
        series=tuple(series),
        limits=tuple(LimitLine(name, y) for name, y in strictest),
        caption="US procedure: output power at the cable's end. Bars: 95 % intervals, where wider than the mark.",
    )


def _standard(view: View, figure: Figure) -> list[Finding]:
    return [f for f in view.finding_of(figure) if f.origin == "standard" and f.sense == "min"]


def _tables(case: _Key, figures: Sequence[Figure]) -> list[Block]:
    blocks: list[Block] = []
    for mains in _mains(figures):
        mine = [f for f in figures if f.conditions.number("mains_v") == mains]
        loads = sorted({f.conditions.number("load_ratio") for f in mine if f.name == "input_power_w"}, reverse=True)
        rows: list[tuple[Cell, ...]] = [
            (
                f"{100 * load:g} %",
                _pick(mine, "input_power_w", load),
                _pick(mine, "efficiency_ratio", load, "us-appendix-z"),
                _pick(mine, "efficiency_ratio", load, "eu-2025-2052"),
                _pick(mine, "loss_w", load),
                _pick(mine, "power_factor_ratio", load),
                _pick(mine, "input_current_thd_ratio", load),
            )
            for load in loads
        ]
        head = (
            "Load",
            "Input power",
            "Efficiency, US",
            "Efficiency, EU 2025",
            "Loss inside",
            "Power factor",
            "Current THD",
        )
        kept = [k for k in range(len(head)) if any(row[k] is not None for row in rows)]
        cut = tuple(tuple(row[k] for k in kept) for row in rows)
        blocks.append(TableBlock(f"{_words(case)}, {mains:g} V mains", tuple(head[k] for k in kept), cut))
    return blocks


def _pick(figures: Sequence[Figure], name: str, load: float, procedure: str | None = None) -> Figure | None:
    for figure in figures:
        fits = figure.name == name and figure.conditions.get("load_ratio") == load
        if fits and (procedure is None or figure.conditions.get("procedure") == procedure):
            return figure
    return None


def _averages(case: _Key, figures: Sequence[Figure]) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for procedure, words in _PROCEDURES.items():
        for mains in _mains(figures):
            mine = [
                f
                for f in figures
                if f.conditions.get("procedure") == procedure and f.conditions.number("mains_v") == mains
            ]
            average = next((f for f in mine if f.name == "average_active_efficiency_ratio"), None)
            low = next((f for f in mine if f.name == "low_load_efficiency_ratio"), None)
            if average is not None or low is not None:
                rows.append((words, f"{mains:g} V", average, low))
    head = ("Procedure", "Mains", "Average of 100, 75, 50, 25 %", "At 10 % load")
    return TableBlock(f"{_words(case)}: average and low-load efficiency", head, tuple(rows), align="lrrr")


def _losses(case: _Key, figures: Sequence[Figure]) -> Chart | None:
    series: list[Series] = []
    for mains in _mains(figures):
        mine = [f for f in figures if f.conditions.number("mains_v") == mains]
        losses = {f.conditions.number("load_ratio"): f for f in mine if f.name == "loss_w"}
        powers = {f.conditions.number("load_ratio"): f for f in mine if f.name == "input_power_w"}
        loads = sorted(losses)
        if len(loads) < 2:
            continue
        series.append(
            Series(
                f"{mains:g} V mains",
                tuple(powers[k].value - losses[k].value for k in loads),
                tuple(losses[k].value for k in loads),
                tuple(losses[k].upper - losses[k].value for k in loads),
            )
        )
        fit = {f.name: f for f in mine if f.name in ("fixed_loss_w", "proportional_loss_ratio", "resistive_loss_per_w")}
        if len(fit) == 3:
            top = series[-1].x[-1]
            x = tuple(top * k / 40 for k in range(41))
            p0, a, b = (fit[n].value for n in ("fixed_loss_w", "proportional_loss_ratio", "resistive_loss_per_w"))
            y = tuple(p0 + a * p + b * p * p for p in x)
            series.append(Series(f"{mains:g} V mains, fitted", x, y, style="dashed"))
    if not series:
        return None
    most = max(max(s.y) for s in series if s.style == "points")
    return Chart(
        id=f"loss-{_slug(case)}",
        title=f"{_words(case)}: up to {most:.1f} W turn to heat inside the charger",
        alt=f"Loss inside the charger over output power for {_words(case)}, with fitted curves.",
        x=Axis("output power at the receptacles", "W", low=0.0),
        y=Axis("loss", "W", low=0.0),
        series=tuple(series),
    )


def _fit_table(case: _Key, figures: Sequence[Figure]) -> list[Block]:
    names = (
        "fixed_loss_w",
        "proportional_loss_ratio",
        "resistive_loss_per_w",
        "peak_efficiency_ratio",
        "peak_efficiency_load_ratio",
        "pfc_threshold_w",
    )
    rows: list[tuple[Cell, ...]] = []
    for mains in _mains(figures):
        mine = {f.name: f for f in figures if f.conditions.number("mains_v") == mains and f.name in names}
        if mine:
            rows.append((f"{mains:g} V", *(mine.get(n) for n in names)))
    if not rows:
        return []
    fitted = any(row[1] is not None for row in rows)
    head = (
        "Mains",
        "Fixed loss",
        "Share of power",
        "Growing with power²",
        "Best measured efficiency",
        "Fitted best load",
        "Power-factor stage switches off near",
    )
    kept = [k for k in range(len(head)) if any(row[k] is not None for row in rows)]
    cut = tuple(tuple(row[k] for k in kept) for row in rows)
    note = (
        "Loss = fixed + share x P + growing x P², fitted to the measured loads; P is output power at the receptacles."
    )
    if not fitted:
        note = "No curve is fitted to the losses: it needs four loads with the power-factor stage in one state."
    title = f"{_words(case)}: where the losses come from" if fitted else f"{_words(case)}: best load"
    return [TableBlock(title, tuple(head[k] for k in kept), cut, note=note)]


def _harmonics(case: _Key, figures: Sequence[Figure]) -> list[Block]:
    mine = [f for f in figures if f.name == "input_harmonic_a" and f.conditions.number("load_ratio") == 1.0]
    if not mine:
        return []
    rows = tuple(
        (str(f.conditions["harmonic"]), f) for f in sorted(mine, key=lambda f: f.conditions.number("harmonic"))
    )
    text = Text(
        "Limits on harmonic current begin above 75 W input; below that the numbers are for information "
        "(IEC 61000-3-2 clause 7, from memory, high)."
    )
    mains = mine[0].conditions.number("mains_v")
    return [
        TableBlock(
            f"{_words(case)}: input current harmonics at full load, {mains:g} V mains", ("Order", "Current"), rows
        ),
        text,
    ]
