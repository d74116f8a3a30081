"""Overload as shown: V(I) of each ramp, and a table of what each port did."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Block, Caution, Cell, Chart, LimitLine, Section, Series, TableBlock
from brickbook.core.study import View
from brickbook.core.table import Recording
from brickbook.studies.overload.figures import reaction_of
from brickbook.studies.overload.reaction import Reaction

__all__ = ["page"]

FloatArray = NDArray[np.float64]

_POINTS = 56
_ALIKE = 0.008
_JUMP = 0.25
_WORDS = {
    "constant current": "holds its current and lets the voltage fall",
    "foldback": "lets current and voltage fall",
    "hiccup": "switches off and tries again and again",
    "trip": "switches off, and comes back once the load is off",
    "latch": "switches off and stays off",
    "off": "switches off to the end of the log",
    "none seen": "did not react",
}
_NOT_A_CERTIFICATE = (
    "A bench overload is an indication. Certification judges faults; a port that switched off here has not been "
    "approved by anyone."
)


def page(view: View) -> Section:
    """For each port: what it did, the V(I) curve, and the numbers."""
    ramps = [
        f
        for f in view.figures
        if f.name in ("limit_current_ratio", "highest_current_a") and "ports" not in f.conditions
    ]
    if not view.figures:
        return Section("overload", "Overload", "Overload was not measured.")
    blocks: list[Block] = []
    for recording in view.read():
        ports = recording.channels("port_voltage_v")
        if "overload" not in recording.studies or len(ports) != 1:
            continue
        try:
            reaction, promised = reaction_of(recording, view.charger.ports, ports[0])
        except (KeyError, ValueError):
            continue  # the study's notes say why
        blocks.append(_chart(recording, ports[0], reaction, promised, len(blocks)))
    blocks += [_table(view.figures), *_sum(view.figures), *_shorts(view.figures)]
    return Section("overload", "Overload", _lead(ramps), (*blocks, Caution(_NOT_A_CERTIFICATE)))


def _lead(ramps: Sequence[Figure]) -> str:
    parts = []
    for figure in ramps:
        port, behaviour = figure.conditions["port"], str(figure.conditions["behaviour"])
        if figure.name == "highest_current_a":
            parts.append(f"{port} did not react up to {figure.value:.2f} A")
        else:
            of_what = "of its promised current " if not parts else ""
            parts.append(f"at {100 * figure.value:.0f} % {of_what}{port} {_WORDS[behaviour]}")
    if not parts:
        return "No single port was overloaded."
    return f"Asked for too much: {'; '.join(parts)}."


def _chart(recording: Recording, port: str, reaction: Reaction, promised_a: float, number: int) -> Chart:
    table = recording.find(f"port_voltage_v@{port}")
    assert table is not None
    time = table.columns["time_s"]
    volts, amps = table.columns[f"port_voltage_v@{port}"], table.columns[f"port_current_a@{port}"]
    good = np.isfinite(volts) & np.isfinite(amps)
    before = good & ~(time >= reaction.reacted_s)  # all of it where there was none
    top = float(np.max(volts[good]))
    series = [_series("before it reacts", amps[before], volts[before], promised_a, top)]
    if np.isfinite(reaction.reacted_s):
        series.append(_series("from then on", amps[good & ~before], volts[good & ~before], promised_a, top))
    contract = recording.conditions.get("contract", "")
    if reaction.behaviour == "none seen":
        title = f"{port} at {contract} gave up to {reaction.held_a:.2f} A and did not react"
    else:
        ratio = 100 * reaction.limit_a / promised_a
        where = f"At {reaction.limit_a:.2f} A, {ratio:.0f} % of what it promises at {contract}"
        title = f"{where}, {port} {_WORDS[reaction.behaviour]}"
    return Chart(
        id=f"overload-{port.lower()}-{number + 1}",
        title=title,
        alt=f"Voltage over current of port {port} while its load was raised beyond the promised current.",
        x=Axis("current", "A", low=0.0),
        y=Axis("voltage", "V", low=0.0),
        series=tuple(series),
        limits=(LimitLine(f"promised {promised_a:g} A", (0.0, 1.05 * top), (promised_a, promised_a)),),
    )


def _series(name: str, amps: FloatArray, volts: FloatArray, promised_a: float, top_v: float) -> Series:
    # one point for each load: the mean of the rows that are alike
    step = (np.abs(np.diff(amps)) > _ALIKE * promised_a) | (np.abs(np.diff(volts)) > _ALIKE * top_v)
    number = np.concatenate([[0], np.cumsum(step)])
    count = np.bincount(number)
    x, y = np.bincount(number, amps) / count, np.bincount(number, volts) / count
    k = np.linspace(0, len(x) - 1, min(_POINTS, len(x))).astype(np.int64)
    x, y = x[k], y[k]
    # a jump is no part of the curve: the line is broken there
    jumps = np.flatnonzero((np.abs(np.diff(x)) > _JUMP * promised_a) | (np.abs(np.diff(y)) > _JUMP * top_v)) + 1
    x, y = np.insert(x, jumps, np.nan), np.insert(y, jumps, np.nan)
    return Series(name, tuple(float(a) for a in x), tuple(float(v) for v in y), style="points")


def _table(figures: Sequence[Figure]) -> TableBlock:
    keys = dict.fromkeys(
        (f.conditions["port"], f.conditions.get("contract"), f.conditions.get("mains_v"))
        for f in figures
        if "behaviour" in f.conditions and "ports" not in f.conditions
    )
    rows: list[tuple[Cell, ...]] = []
    for port, contract, mains in keys:
        mine = {
            f.name: f
            for f in figures
            if (f.conditions.get("port"), f.conditions.get("contract"), f.conditions.get("mains_v"))
            == (port, contract, mains)
            and "ports" not in f.conditions
        }
        behaviour = str(next(iter(mine.values())).conditions["behaviour"])
        rows.append(
            (
                f"{port}, {contract}",
                _WORDS[behaviour],
                mine.get("limit_current_a", mine.get("highest_current_a")),
                mine.get("limit_current_ratio"),
                mine.get("reaction_time_s"),
                mine.get("reaction_energy_j"),
                mine.get("recovery_time_s"),
                mine.get("recovery_voltage_v"),
            )
        )
    head = (
        "Port",
        "What it does",
        "At",
        "Of promised",
        "Time beyond promised",
        "Energy until then",
        "Back after",
        "Back at",
    )
    kept = [k for k in range(len(head)) if any(row[k] is not None for row in rows)]
    cut = tuple(tuple(row[k] for k in kept) for row in rows)
    return TableBlock("One port at a time", tuple(head[k] for k in kept), cut, align="ll" + "r" * (len(kept) - 2))


def _sum(figures: Sequence[Figure]) -> list[Block]:
    totals = [f for f in figures if f.name == "limit_total_power_w"]
    rows: list[tuple[Cell, ...]] = []
    for total in totals:
        ratio = next(
            (f for f in figures if f.name == "limit_total_power_ratio" and f.conditions == total.conditions), None
        )
        who = f"{total.conditions['port']} {_WORDS[str(total.conditions['behaviour'])]}"
        rows.append((str(total.conditions["ports"]), who, total, ratio))
    if not rows:
        return []
    return [
        TableBlock("All ports together", ("Ports", "What gives way", "At", "Of promised"), tuple(rows), align="llrr")
    ]


def _shorts(figures: Sequence[Figure]) -> list[Block]:
    means = [f for f in figures if f.name == "shorted_current_a"]
    if not means:
        return []
    rows = tuple(
        (
            str(mean.conditions["port"]),
            mean,
            next((f for f in figures if f.name == "shorted_peak_current_a" and f.conditions == mean.conditions), None),
        )
        for mean in means
    )
    return [TableBlock("Shorted, as the tester recorded it", ("Port", "Mean", "Highest"), rows)]
