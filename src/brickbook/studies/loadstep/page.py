"""Load steps as shown: each port's farthest step with its band and its last exit, and a table for each port."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from brickbook.core.capture import envelope
from brickbook.core.errors import BrickbookError
from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Band, Block, Cell, Chart, LimitLine, Section, Series, TableBlock, Text
from brickbook.core.study import View
from brickbook.studies.loadstep.point import Shot, courses_of, shots_of

__all__ = ["page"]

FloatArray = NDArray[np.float64]

_COLUMNS = (
    ("undershoot_v", "Undershoot"),
    ("overshoot_v", "Overshoot"),
    ("peak_deviation_v", "From level before"),
    ("level_change_v", "Level changes by"),
    ("ringing_hz", "Rings at"),
    ("damping_ratio", "Damping"),
    ("load_slew_a_per_us", "Load slew"),
)
_BANDS = ("1 %", "2 %", "5 %")
_STRETCHES = 800


def page(view: View) -> Section:
    """For each port: its farthest step, the whole capture, and the numbers of every step."""
    title = "Load steps"
    if not view.figures:
        return Section("loadstep", title, "Load steps were not captured.")
    blocks: list[Block] = []
    shots = [shot for recording in view.read() for shot in shots_of(recording)]
    for port in dict.fromkeys(str(f.conditions["port"]) for f in view.figures):
        mine = [f for f in view.figures if f.conditions["port"] == port]
        blocks += _pictures(mine, shots)
        blocks.append(_table(port, mine))
        recovery = _recovery_table(port, mine, view)
        if recovery is not None:
            blocks.append(recovery)
    blocks.append(
        Text(
            "Undershoot and overshoot count from the level the voltage settles to, the deviation from the level before "
            "the step. The recovery time ends at the last exit from the band about the settled level, not at the first "
            "entry. Deviations are those of the course without ripple and noise; the lowest and highest samples, "
            "which are set against the limits of USB Power Delivery, hold the ripple."
        )
    )
    return Section("loadstep", title, _lead(view.figures), tuple(blocks))


def _lead(figures: Sequence[Figure]) -> str:
    deviations = [f for f in figures if f.name == "peak_deviation_v"]
    steps = len({f.conditions.with_(band=None) for f in figures})
    if not deviations:
        return f"{steps} steps were captured; no deviation stands out of the noise."
    worst = max(deviations, key=_share)
    text = (
        f"{steps} steps of the load were captured; the farthest goes {_volts(worst.value)} from the level before "
        f"({worst.conditions.text()})"
    )
    times = [f for f in figures if f.name == "recovery_time_s" and f.conditions.get("band") == "1 %"]
    if times:
        slowest = max(times, key=lambda f: f.value)
        text += f"; the slowest is back within 1 % after {_seconds(slowest.value)}"
    return text + "."


def _share(figure: Figure) -> float:
    volts = figure.conditions.number("output_v") if "output_v" in figure.conditions else 1.0
    return figure.value / volts


def _pictures(figures: Sequence[Figure], shots: Sequence[Shot]) -> list[Chart]:
    deviations = [f for f in figures if f.name == "peak_deviation_v"]
    if not deviations:
        return []
    charts: list[Chart] = []
    for word in ("up", "down"):
        same = [f for f in deviations if str(f.conditions["step"]).startswith(word)]
        if not same:
            continue
        worst = max(same, key=_share)
        shot = next((s for s in shots if s.rows == worst.sources[0]), None)
        if shot is None:
            continue
        times = {
            str(f.conditions["band"]): f
            for f in figures
            if f.name == "recovery_time_s" and f.conditions.with_(band=None) == worst.conditions
        }
        try:
            charts += _zoomed(shot, worst, times, word)
        except (BrickbookError, KeyError, ValueError):
            continue  # the study's notes say what is wrong with it
    return charts


def _zoomed(shot: Shot, worst: Figure, times: dict[str, Figure], word: str) -> list[Chart]:
    """The step with some of what was before it, as long as it takes and as long again."""
    capture = shot.capture
    place = _place(shot, worst)
    if place is None:
        return []
    at_s, settled_v, turn_s, first, stop = place
    longest = max([f.value for f in times.values()] + [6 * turn_s, 40 * capture.interval_s])
    start = max(capture.index_of(at_s - 0.25 * longest), first)
    end = min(max(capture.index_of(at_s + 1.6 * longest), start + 16), stop)
    factor, unit = _unit((end - start) * capture.interval_s)
    port, at = shot.port, worst.conditions
    series, bands = _course(shot, start, end, at_s, factor, settled_v)
    limits: list[LimitLine] = []
    if "output_v" in at and "1 %" in times:
        band_v = 0.01 * at.number("output_v")
        limits = [
            LimitLine("+1 % of the contract", 1000 * band_v),
            LimitLine("−1 % of the contract", -1000 * band_v),
        ]
    if "1 %" in times:
        exit_s = times["1 %"].value * factor
        reach = 1000 * worst.value
        limits.append(LimitLine("last exit from 1 %", (-reach, reach), (exit_s, exit_s)))
    back = f", back within 1 % after {_seconds(times['1 %'].value)}" if "1 %" in times else ""
    verb = "dips" if word == "up" else "rises"
    return [
        Chart(
            id=f"loadstep-{port.lower()}-{word}",
            title=f"{port} at {at.get('contract', 'its voltage')} {verb} by {_volts(worst.value)}{back}",
            alt=f"Voltage of port {port} about its settled level after a load step {at['step']}.",
            x=Axis("time from the step", unit),
            y=Axis("voltage less the settled level", "mV"),
            series=series,
            bands=bands,
            limits=tuple(limits),
            caption=(
                f"Step {at['step']}, settled at {settled_v:.4g} V; {capture.sample_rate_hz / 1e6:.4g} million samples "
                "a second."
            ),
        )
    ]


def _place(shot: Shot, figure: Figure) -> tuple[float, float, float, int, int] | None:
    """Instant of a figure's step, its settled level, time to its first turn, and the samples that belong to it."""
    # repeats of a step have one name: the one whose deviation is the figure's
    same = [c for c in courses_of(shot) if c.name == str(figure.conditions["step"]) and np.isfinite(c.deviation_v)]
    if not same:
        return None
    chosen = min(same, key=lambda c: abs(c.deviation_v - figure.value))
    return chosen.at_s, chosen.settled_v, chosen.turn_s, chosen.first, chosen.stop


def _course(
    shot: Shot, start: int, end: int, at_s: float, factor: float, level: float
) -> tuple[tuple[Series, ...], tuple[Band, ...]]:
    capture, channel = shot.capture, shot.voltage
    if end - start <= 2 * _STRETCHES:
        time = (capture.time_s(start, end) - at_s) * factor
        values = 1000 * (channel.values(start, end) - level)
        return (Series(f"{shot.port}, samples", tuple(time.tolist()), tuple(values.tolist()), style="line"),), ()
    seen = envelope(capture, channel, start=start, stop=end, buckets=_STRETCHES)
    time = (seen.time_s - at_s) * factor
    low, high, mean = (1000 * (v - level) for v in (seen.low, seen.high, seen.mean))
    x = tuple(time.tolist())
    return (
        (Series(f"{shot.port}, mean of each stretch", x, tuple(mean.tolist()), style="line"),),
        (Band("lowest to highest", x, tuple(low.tolist()), tuple(high.tolist())),),
    )


def _table(port: str, figures: Sequence[Figure]) -> TableBlock:
    shown = [(n, w) for n, w in _COLUMNS if any(f.name == n for f in figures)]
    rows: list[tuple[Cell, ...]] = []
    for at in dict.fromkeys(f.conditions for f in figures if "band" not in f.conditions):
        mine = {f.name: f for f in figures if f.conditions == at}
        rows.append((at.with_(port=None).text(), *(mine.get(n) for n, _ in shown)))
    note = "Empty: nothing stands out of the noise, or it was not captured."
    return TableBlock(f"Load steps of port {port}", ("Step", *(w for _, w in shown)), tuple(rows), note=note)


def _recovery_table(port: str, figures: Sequence[Figure], view: View) -> TableBlock | None:
    rows: list[tuple[Cell, ...]] = []
    for at in dict.fromkeys(f.conditions for f in figures if f.name in ("level_change_v", "peak_deviation_v")):
        cells: list[Cell] = []
        for band in _BANDS:
            here = at.with_(band=band)
            figure = next((f for f in figures if f.name == "recovery_time_s" and f.conditions == here), None)
            cells.append(figure if figure is not None else _why(view, here))
        rows.append((at.with_(port=None).text(), *cells))
    if not rows:
        return None
    return TableBlock(
        f"Time to the last exit, port {port}", ("Step", *(f"±{band} of the contract" for band in _BANDS)), tuple(rows)
    )


def _why(view: View, at: object) -> str | None:
    text = next((note.text for note in view.notes if note.conditions == at), "")
    for key, words in (
        ("stays within", "stays within"),
        ("never settles", "never settles"),
        ("below ripple", "below ripple"),
    ):
        if key in text:
            return words
    return None


def _unit(span_s: float) -> tuple[float, str]:
    return next(((f, u) for f, u in ((1.0, "s"), (1e3, "ms"), (1e6, "µs")) if span_s * f >= 2), (1e9, "ns"))


def _volts(value: float) -> str:
    return f"{value:.3g} V" if value >= 1 else f"{1000 * value:.3g} mV"


def _seconds(value: float) -> str:
    return f"{1000 * value:.3g} ms" if value >= 1e-3 else f"{1e6 * value:.3g} µs"
