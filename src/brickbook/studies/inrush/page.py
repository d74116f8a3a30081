"""Switching on and off as shown: the largest inrush, a power-up and a hold-up of each port, and the numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brickbook.core.capture import Capture, Channel, envelope
from brickbook.core.errors import BrickbookError
from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Band, Block, Caution, Cell, Chart, LimitLine, Section, Series, TableBlock, Text
from brickbook.core.study import View
from brickbook.core.table import Recording
from brickbook.studies.inrush.figures import Switching, switching_of

__all__ = ["page"]

_STRETCHES = 800
_NOT_A_CERTIFICATE = (
    "These are single shots of one sample on one supply: the inrush depends on the supply's impedance, the phase and "
    "the temperature, and may be larger elsewhere."
)


@dataclass(frozen=True, slots=True)
class _Shot:
    """A capture with what its mains side tells."""

    recording: Recording
    capture: Capture
    told: Switching

    def seconds(self, samples: float) -> float:
        """Time of a place in the averaged samples, from the capture's first sample [s]."""
        return samples * self.told.each * self.capture.interval_s


def page(view: View) -> Section:
    """The largest inrush drawn, a power-up and the shortest hold-up of each port drawn, and tables."""
    title = "Switching on and off"
    if not view.figures:
        return Section("inrush", title, "Switching on and off was not captured.")
    shots = _shots(view.read())
    blocks: list[Block] = []
    peaks = [f for f in view.figures if f.name == "inrush_peak_a"]
    if peaks:
        chart = _inrush_chart(max(peaks, key=lambda f: f.value), view.figures, shots)
        blocks += [chart] if chart is not None else []
        blocks.append(_inrush_table(view.figures))
    for port in dict.fromkeys(str(f.conditions["port"]) for f in view.figures if "port" in f.conditions):
        mine = [f for f in view.figures if f.conditions.get("port") == port]
        ups = [f for f in mine if f.name == "power_up_time_s"]
        downs = [f for f in mine if f.name == "hold_up_time_s"]
        if ups:
            chart = _port_chart(max(ups, key=lambda f: f.value), shots, port, rising=True)
            blocks += [chart] if chart is not None else []
        if downs:
            chart = _port_chart(min(downs, key=lambda f: f.value), shots, port, rising=False)
            blocks += [chart] if chart is not None else []
        blocks.append(_port_table(port, [*ups, *downs]))
    blocks.append(
        Text(
            "Inrush counts from the instant mains comes to the end of the first pulse. Power-up counts to the first "
            "output of 4.75 V, the lower end of what USB calls 5 V, and holds the time the port takes to detect a "
            "sink. Hold-up counts from the instant mains goes to the output at 95 % of its contract."
        )
    )
    blocks.append(Caution(_NOT_A_CERTIFICATE))
    return Section("inrush", title, _lead(view.figures), tuple(blocks))


def _lead(figures: Sequence[Figure]) -> str:
    parts = []
    peaks = [f for f in figures if f.name == "inrush_peak_a"]
    if peaks:
        worst = max(peaks, key=lambda f: f.value)
        parts.append(f"up to {worst.value:.3g} A rush in ({worst.conditions.text()})")
    ups = [f for f in figures if f.name == "power_up_time_s"]
    if ups:
        slowest = max(ups, key=lambda f: f.value)
        parts.append(f"there is output after {_seconds(slowest.value)} at most")
    downs = [f for f in figures if f.name == "hold_up_time_s"]
    if downs:
        least = min(downs, key=lambda f: f.value)
        parts.append(f"it lasts for {_seconds(least.value)} at least once mains has gone")
    return f"When mains comes and goes: {'; '.join(parts)}." if parts else "Nothing could be told from the captures."


def _shots(recordings: Sequence[Recording]) -> list[_Shot]:
    out = []
    for recording in recordings:
        for capture in recording.captures:
            try:
                out.append(_Shot(recording, capture, switching_of(recording, capture)))
            except (BrickbookError, KeyError, ValueError):
                continue  # the study's notes say what is wrong with it
    return out


def _shot_of(figure: Figure, shots: Sequence[_Shot]) -> _Shot | None:
    return next((s for s in shots if s.capture.rows() == figure.sources[0]), None)


def _inrush_chart(worst: Figure, figures: Sequence[Figure], shots: Sequence[_Shot]) -> Chart | None:
    shot = _shot_of(worst, shots)
    if shot is None or shot.told.on is None:
        return None
    channel = shot.capture.find("mains_current_a")
    if channel is None:
        return None
    width = next((f for f in figures if f.name == "inrush_width_s" and f.conditions == worst.conditions), None)
    on_s = shot.seconds(shot.told.on.at)
    span_s = max(8 * width.value if width is not None else 0.01, 40 * shot.capture.interval_s)
    series, bands = _course(shot, channel, on_s - 0.25 * span_s, on_s + span_s, on_s, 1000.0)
    phase = next((f for f in figures if f.name == "switch_on_phase_deg" and f.conditions == worst.conditions), None)
    when = f", switched on {phase.value:.0f}° after zero" if phase is not None else ""
    return Chart(
        id="inrush-largest",
        title=f"{worst.value:.3g} A rush in{when}",
        alt="Mains current from just before mains comes to after the first pulse.",
        x=Axis("time from mains applied", "ms"),
        y=Axis("mains current", "A"),
        series=series,
        bands=bands,
        limits=(LimitLine("peak", worst.value if _positive(series) else -worst.value),),
        caption=f"{worst.conditions.text()}; {shot.capture.sample_rate_hz / 1000:.4g} thousand samples a second.",
    )


def _positive(series: Sequence[Series]) -> bool:
    values = series[0].y
    return abs(max(values)) >= abs(min(values))


def _port_chart(figure: Figure, shots: Sequence[_Shot], port: str, *, rising: bool) -> Chart | None:
    shot = _shot_of(figure, shots)
    if shot is None:
        return None
    event = shot.told.on if rising else shot.told.gone
    channel = shot.capture.find(f"port_voltage_v@{port}")
    if event is None or channel is None:
        return None
    event_s = shot.seconds(event.at)
    span_s = max(1.5 * figure.value, 40 * shot.capture.interval_s)
    factor, unit = (1.0, "s") if span_s >= 2 else (1000.0, "ms")
    series, bands = _course(shot, channel, event_s - 0.25 * span_s, event_s + span_s, event_s, factor)
    limit_v = 4.75
    if not rising and "output_v" in figure.conditions:
        limit_v = 0.95 * figure.conditions.number("output_v")
    x = figure.value * factor
    top = max(*series[0].y, limit_v)
    after = _seconds(figure.value)
    told = f"gives output {after} after mains comes" if rising else f"keeps its output for {after} once mains has gone"
    return Chart(
        id=f"inrush-{port.lower()}-{'on' if rising else 'off'}",
        title=f"{port} {told}",
        alt=f"Voltage of port {port} about the instant mains {'comes' if rising else 'goes'}.",
        x=Axis("time from mains applied" if rising else "time from mains gone", unit),
        y=Axis("output voltage", "V", low=min(0.0, *series[0].y)),
        series=series,
        bands=bands,
        limits=(
            LimitLine("mains applied" if rising else "mains gone", (0.0, top), (0.0, 0.0)),
            LimitLine(f"{limit_v:g} V", limit_v),
            LimitLine("output valid" if rising else "output lost", (0.0, top), (x, x)),
        ),
        caption=figure.conditions.text() + ".",
    )


def _course(
    shot: _Shot, channel: Channel, from_s: float, to_s: float, zero_s: float, factor: float
) -> tuple[tuple[Series, ...], tuple[Band, ...]]:
    capture = shot.capture
    start = capture.index_of(capture.start_s + max(from_s, 0.0))
    end = max(capture.index_of(capture.start_s + to_s), min(start + 2, capture.count))
    name = channel.place or "mains current"
    if end - start <= 2 * _STRETCHES:
        time = (capture.time_s(start, end) - capture.start_s - zero_s) * factor
        values = channel.values(start, end)
        return (Series(name, tuple(time.tolist()), tuple(values.tolist()), style="line"),), ()
    seen = envelope(capture, channel, start=start, stop=end, buckets=_STRETCHES)
    x = tuple(((seen.time_s - capture.start_s - zero_s) * factor).tolist())
    return (
        (Series(f"{name}, mean of each stretch", x, tuple(seen.mean.tolist()), style="line"),),
        (Band("lowest to highest", x, tuple(seen.low.tolist()), tuple(seen.high.tolist())),),
    )


def _inrush_table(figures: Sequence[Figure]) -> TableBlock:
    columns = (
        ("switch_on_phase_deg", "Phase"),
        ("inrush_peak_a", "Peak"),
        ("inrush_i2t_a2s", "I²t"),
        ("inrush_width_s", "Above half"),
    )
    rows: list[tuple[Cell, ...]] = []
    for at in dict.fromkeys(f.conditions for f in figures if f.name == "inrush_peak_a"):
        mine = {f.name: f for f in figures if f.conditions == at}
        rows.append((at.text(), *(mine.get(name) for name, _ in columns)))
    return TableBlock("Inrush", ("Shot", *(words for _, words in columns)), tuple(rows))


def _port_table(port: str, figures: Sequence[Figure]) -> TableBlock:
    rows: list[tuple[Cell, ...]] = [
        ("mains applied" if f.name == "power_up_time_s" else "mains gone", f.conditions.with_(port=None).text(), f)
        for f in figures
    ]
    head = ("Event", "Under", "Time to output, or to its loss")
    return TableBlock(f"Output of port {port}", head, tuple(rows), align="llr")


def _seconds(value: float) -> str:
    return f"{value:.3g} s" if value >= 1 else f"{1000 * value:.3g} ms"
