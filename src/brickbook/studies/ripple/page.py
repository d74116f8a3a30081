"""Ripple as shown: how it grows with load, one picture for each time scale, the spectrum, and the numbers.

A picture of millions of samples shows the lowest and highest of each stretch as an upright stroke: nothing is left out,
however short. Of each port the capture with the largest ripple is drawn, in full only for the port that ripples most.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from brickbook.core.capture import Capture, Channel, envelope
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Band, Block, Cell, Chart, LimitLine, Section, Series, TableBlock, Text
from brickbook.core.study import View
from brickbook.core.table import Recording
from brickbook.studies.ripple.lines import Spectrum, spectrum
from brickbook.studies.ripple.point import conditions_of, ripple_hz_of
from brickbook.studies.ripple.scan import scan

__all__ = ["page"]

FloatArray = NDArray[np.float64]

_COLUMNS = (
    ("ripple_20mhz_pp_v", "Peak to peak, 20 MHz"),
    ("ripple_pp_v", "As captured"),
    ("ripple_recurring_pp_v", "Recurring"),
    ("ripple_rms_v", "Rms"),
    ("mains_ripple_pp_v", "Twice mains"),
    ("switching_ripple_rms_v", "Switching, rms"),
    ("switching_frequency_hz", "Frequency"),
    ("noise_floor_rms_v", "Noise, rms"),
)
_PICTURE = 900  # stretches of an envelope
_PERIODS = 4  # switching periods in the shortest picture
_BANDS = 160  # stretches of the spectrum
_MOST_LINES = 6  # in one chart over load


@dataclass(frozen=True, slots=True)
class _Shot:
    """A channel of a capture with the conditions its figures have."""

    capture: Capture
    channel: Channel
    conditions: Conditions


def page(view: View) -> Section:
    """Ripple over load; the worst capture on three time scales with its spectrum, one picture for each other port."""
    if not view.figures:
        return Section("ripple", "Ripple and noise", "Ripple was not measured.")
    blocks: list[Block] = []
    shots = _shots(view.read())
    by_port = {
        port: [f for f in view.figures if f.conditions["port"] == port]
        for port in dict.fromkeys(str(f.conditions["port"]) for f in view.figures)
    }
    blocks += _over_loads(by_port)
    worst = max(by_port, key=lambda port: max((f.value for f in _peaks(by_port[port])), default=0.0))
    for port, mine in by_port.items():
        blocks += _pictures(port, mine, shots, full=port == worst)
        blocks.append(_table(port, mine))
    blocks.append(
        Text(
            "Peak-to-peak values grow with the length of a capture and with its bandwidth, so only equal ones compare. "
            "The recurring ripple is the median over stretches of the capture; a single glitch is not in it and is "
            "given apart. Strokes in the pictures reach from the lowest to the highest sample of each stretch."
        )
    )
    return Section("ripple", "Ripple and noise", _lead(view.figures), tuple(blocks))


def _lead(figures: Sequence[Figure]) -> str:
    peaks = _peaks(figures)
    if not peaks:
        return "Ripple was captured, but no peak-to-peak value could be found."
    worst = max(peaks, key=lambda f: f.value)
    least = min(peaks, key=lambda f: f.value)
    band = " within 20 MHz" if worst.name == "ripple_20mhz_pp_v" else ""
    return (
        f"{len(peaks)} combinations of port, contract, mains and load were captured; ripple and noise{band} is between "
        f"{1000 * least.value:.3g} and {1000 * worst.value:.3g} mV peak to peak, the most at {worst.conditions.text()}."
    )


def _peaks(figures: Sequence[Figure]) -> list[Figure]:
    """Peak-to-peak values within 20 MHz; as captured where there is none."""
    return [f for f in figures if f.name == "ripple_20mhz_pp_v"] or [f for f in figures if f.name == "ripple_pp_v"]


def _load(conditions: Conditions) -> float | None:
    for key in ("load_a", "load_ratio"):
        if key in conditions:
            return conditions.number(key)
    return None


def _group(figure: Figure) -> tuple[str, str]:
    c = figure.conditions
    mains = f"{c.number('mains_v'):g} V mains" if "mains_v" in c else ""
    return str(c.get("contract", "")), mains


def _over_loads(by_port: Mapping[str, Sequence[Figure]]) -> list[Chart]:
    """One chart of ripple over load for all ports where their lines fit into it, else one for each port."""
    charts = {port: chart for port, mine in by_port.items() if (chart := _over_load(port, mine)) is not None}
    alike = len({(chart.x, chart.y) for chart in charts.values()}) == 1
    if len(charts) < 2 or not alike or sum(len(chart.series) for chart in charts.values()) > _MOST_LINES:
        return list(charts.values())
    first = next(iter(charts.values()))
    worst = max(charts, key=lambda port: max(max(s.y) for s in charts[port].series))
    series = tuple(replace(s, name=f"{port}, {s.name}") for port, chart in charts.items() for s in chart.series)
    ports = ", ".join(charts)
    return [
        replace(
            first,
            id="ripple-load",
            title=charts[worst].title,
            alt=f"Peak-to-peak ripple of ports {ports} over load, a line for each port, contract and mains voltage.",
            series=series,
            limits=(),
        )
    ]


def _over_load(port: str, figures: Sequence[Figure]) -> Chart | None:
    names = [f.name for f in figures]
    name = "ripple_20mhz_pp_v" if "ripple_20mhz_pp_v" in names else "ripple_pp_v"
    points = [f for f in figures if f.name == name and _load(f.conditions) is not None]
    if len({_load(f.conditions) for f in points}) < 2:
        return None
    in_amperes = all("load_a" in f.conditions for f in points)
    factor = 1.0 if in_amperes else 100.0
    key = "load_a" if in_amperes else "load_ratio"
    points = [f for f in points if key in f.conditions]
    groups = tuple(dict.fromkeys(_group(f) for f in points))
    several_mains = len({g[1] for g in groups}) > 1
    series = []
    for group in groups:
        own = sorted((f for f in points if _group(f) == group), key=lambda f: f.conditions.number(key))
        series.append(
            Series(
                ", ".join(g for g in (group if several_mains else group[:1]) if g) or "ripple",
                tuple(factor * f.conditions.number(key) for f in own),
                tuple(1000 * f.value for f in own),
                tuple(1000 * (f.upper - f.value) for f in own),
            )
        )
    worst = max(points, key=lambda f: f.value)
    where = f"{factor * worst.conditions.number(key):.3g} {'A' if in_amperes else '% load'}"
    limits: tuple[LimitLine, ...] = ()
    volts = {f.conditions.number("output_v") for f in points if "output_v" in f.conditions}
    if len(volts) == 1 and name == "ripple_20mhz_pp_v":
        v = volts.pop()
        limits = (LimitLine(f"1 % of {v:g} V (common practice)", 10 * v),)
    return Chart(
        id=f"ripple-{port.lower()}-load",
        title=f"{port} ripples most at {where}: {1000 * worst.value:.3g} mV peak to peak",
        alt=f"Peak-to-peak ripple of port {port} over load, a line for each contract and mains voltage.",
        x=Axis("load", "A" if in_amperes else "%", low=0.0),
        y=Axis("ripple, peak to peak" + (", 20 MHz" if name == "ripple_20mhz_pp_v" else ""), "mV", low=0.0),
        series=tuple(series),
        limits=limits,
    )


def _shots(recordings: Sequence[Recording]) -> list[_Shot]:
    return [
        _Shot(capture, channel, conditions_of(recording.conditions, capture.conditions, channel.place))
        for recording in recordings
        for capture in recording.captures
        for channel in capture.channels
        if channel.quantity == "port_voltage_v"
    ]


def _pictures(port: str, figures: Sequence[Figure], shots: Sequence[_Shot], *, full: bool) -> list[Chart]:
    """The worst capture of a port on three time scales and its spectrum; else only its switching, or all of it."""
    peaks = _peaks(figures)
    if not peaks:
        return []
    worst = max(peaks, key=lambda f: f.value)
    own = [s for s in shots if s.conditions == worst.conditions]
    if not own:
        return []
    where = worst.conditions.text()
    found = {f.name: f for f in figures if f.conditions == worst.conditions}
    longest = max(own, key=lambda s: s.capture.span_s)
    fastest = max(own, key=lambda s: s.capture.sample_rate_hz)
    stem = f"ripple-{port.lower()}"
    peak = f"{1000 * worst.value:.3g} mV peak to peak"
    frequency = found.get("switching_frequency_hz")
    charts = []
    if full or frequency is None:
        span_ms = 1000 * longest.capture.span_s
        title = f"{where}: {peak}, seen over {span_ms:.3g} ms"
        charts.append(_picture(longest, 0, longest.capture.count, f"{stem}-whole", title, "the whole capture"))
    ripple_hz = ripple_hz_of(worst.conditions)
    if full and ripple_hz is not None and longest.capture.span_s * ripple_hz > 4:
        stop = longest.capture.index_of(longest.capture.start_s + 4 / ripple_hz)
        title = f"{where}: two mains cycles"
        if "mains_ripple_pp_v" in found:
            part = 1000 * found["mains_ripple_pp_v"].value
            title = f"{where}: the mains leaves {part:.3g} mV peak to peak at {ripple_hz:g} Hz"
        charts.append(_picture(longest, 0, stop, f"{stem}-mains", title, "two mains cycles"))
    if frequency is not None:
        first, stop = _around_peak(fastest, _PERIODS / frequency.value)
        title = f"{where}: it switches at {frequency.value / 1000:.4g} kHz" + ("" if full else f", {peak} in all")
        charts.append(_picture(fastest, first, stop, f"{stem}-switching", title, "a few switching periods"))
    if not full:
        return charts
    spectral = _spectrum(fastest, longest, f"{stem}-spectrum", where, frequency)
    if spectral is not None:
        charts.append(spectral)
    return charts


def _around_peak(shot: _Shot, span_s: float) -> tuple[int, int]:
    """A stretch about the middle of the capture where it is as tall as it usually is when it switches."""
    capture, channel = shot.capture, shot.channel
    size = max(8, round(span_s / capture.interval_s))
    if size >= capture.count:
        return 0, capture.count
    many = min(400, capture.count // size)
    seen = envelope(capture, channel, stop=many * size, buckets=many)
    heights = seen.high - seen.low
    wanted = float(np.nanquantile(heights, 0.9))
    best = int(np.nanargmin(np.abs(heights - wanted)))
    return best * size, (best + 1) * size


def _picture(shot: _Shot, first: int, stop: int, name: str, title: str, what: str) -> Chart:
    capture, channel = shot.capture, shot.channel
    span_s = (stop - first) * capture.interval_s
    factor, unit = next(((f, u) for f, u in ((1.0, "s"), (1e3, "ms"), (1e6, "µs")) if span_s * f >= 1), (1e9, "ns"))
    port = channel.place
    series: tuple[Series, ...]
    if stop - first <= 8 * _PICTURE:
        values = channel.values(first, stop)
        level = float(np.nanmean(values))
        time = (capture.time_s(first, stop) - capture.start_s - first * capture.interval_s) * factor
        series = (Series(port, tuple(time.tolist()), tuple((1000 * (values - level)).tolist()), style="line"),)
        count = ""
    else:
        seen = envelope(capture, channel, start=first, stop=stop, buckets=_PICTURE)
        level = float(np.nanmean(seen.mean))
        time = (seen.time_s - capture.start_s - first * capture.interval_s) * factor
        low, high, mean = (1000 * (v - level) for v in (seen.low, seen.high, seen.mean))
        reach = "lowest to highest"
        # up and down, so that a peak of one sample is as dark as the rest
        strokes = np.column_stack([low, high])
        strokes[1::2] = strokes[1::2, ::-1]
        series = (
            Series(reach, tuple(np.repeat(time, 2).tolist()), tuple(strokes.ravel().tolist()), style="line"),
            Series("mean of each stretch", tuple(time.tolist()), tuple(mean.tolist()), style="line"),
        )
        count = f" Each stretch holds {(stop - first) // _PICTURE} samples or more."
    return Chart(
        id=name,
        title=title,
        alt=f"Voltage of port {port} about its mean of {level:.4g} V over time: {what}.",
        x=Axis("time", unit),
        y=Axis("voltage less its mean", "mV"),
        series=series,
        caption=f"{capture.sample_rate_hz / 1e6:.4g} million samples a second, as captured.{count}",
    )


def _spectrum(fast: _Shot, slow: _Shot, name: str, where: str, frequency: Figure | None) -> Chart | None:
    """Rms in each of some stretches of frequency, from the slow capture below and the fast one above."""
    parts = []
    for shot in dict.fromkeys((slow, fast)):
        if shot.capture.acquisition == "peak-detect" or shot.capture.count < 64:
            continue
        found = scan(shot.channel, shot.capture.interval_s)
        parts.append(spectrum(found))
    if not parts:
        return None
    lines = []
    join_hz = 0.0
    for k, part in enumerate(parts):
        later = parts[k + 1].frequency_hz if k + 1 < len(parts) else None
        # the fast capture takes over where it can: faster noise is folded into the slow one
        stop_hz = 1.5 * float(later[0]) if later is not None else float("inf")
        used = (part.frequency_hz >= join_hz) & (part.frequency_hz < stop_hz)
        lines.append((part.frequency_hz[used], part.density[used]))
        join_hz = stop_hz
    hz, density = (np.concatenate([line[k] for line in lines]) for k in (0, 1))
    keep = (hz > 0) & (density > 0)
    hz, density = hz[keep], density[keep]
    if len(hz) < 16:
        return None
    edges = np.unique(np.searchsorted(hz, np.geomspace(hz[0], hz[-1], _BANDS)))
    edges = edges[edges < len(hz)]
    amplitude = 1e6 * np.sqrt(density)
    low, high = np.minimum.reduceat(amplitude, edges), np.maximum.reduceat(amplitude, edges)
    counts = np.diff(np.r_[edges, len(hz)])
    x = np.exp(np.add.reduceat(np.log(hz), edges) / counts)
    middle = np.sqrt(np.add.reduceat(density, edges) / counts) * 1e6
    title = f"{where}: no one switching frequency stands above the noise"
    if frequency is not None:
        title = f"{where}: switching at {frequency.value / 1000:.4g} kHz stands above the noise"
    port = fast.channel.place
    return Chart(
        id=name,
        title=title,
        alt=f"Spectral density of port {port}'s ripple over frequency, both axes logarithmic.",
        x=Axis("frequency", "Hz", scale="log"),
        y=Axis("density", "µV/√Hz", scale="log"),
        series=(Series(f"{port}, mean of each stretch", tuple(x.tolist()), tuple(middle.tolist()), style="line"),),
        bands=(Band("lowest to highest", tuple(x.tolist()), tuple(low.tolist()), tuple(high.tolist())),),
        caption=_spectrum_words(parts, lines),
    )


def _spectrum_words(parts: Sequence[Spectrum], lines: Sequence[tuple[FloatArray, FloatArray]]) -> str:
    words = "As captured, without the digital 20 MHz limit; the height of a line depends on the width of the bins."
    if len(parts) > 1 and len(lines[1][0]):
        words += f" Below {lines[1][0][0] / 1000:.3g} kHz from the slower capture, into which faster noise is folded."
    return words


def _table(port: str, figures: Sequence[Figure]) -> TableBlock:
    shown = [(n, w) for n, w in _COLUMNS if any(f.name == n for f in figures)]
    extra = [(n, w) for n, w in (("glitch_excess_v", "Glitch"), ("burst_frequency_hz", "Bursts a second"))]
    shown += [(n, w) for n, w in extra if any(f.name == n for f in figures)]
    rows: list[tuple[Cell, ...]] = []
    for conditions in dict.fromkeys(f.conditions for f in figures):
        mine = {f.name: f for f in figures if f.conditions == conditions}
        text = conditions.with_(port=None).text() or "as captured"
        rows.append((text, *(mine.get(n) for n, _ in shown)))
    return TableBlock(f"Ripple of port {port}", ("Under", *(w for _, w in shown)), tuple(rows))
