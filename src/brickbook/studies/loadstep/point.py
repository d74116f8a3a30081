"""Captures of load steps: which channels belong to which port, and under what conditions their figures hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from brickbook.core.capture import Capture, Channel
from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.quantities import column_name
from brickbook.core.table import Recording, Rows
from brickbook.studies.loadstep.response import Response, respond
from brickbook.studies.loadstep.scope import Scope, clipped_ends, scope_of
from brickbook.studies.loadstep.steps import Edge, steps_of_current, steps_of_voltage
from brickbook.studies.loadstep.trace import Stretch, read_stretch

__all__ = ["BANDS", "Course", "Shot", "Step", "base_conditions", "courses_of", "shots_of", "steps_of"]

FloatArray = NDArray[np.float64]

BANDS = (0.01, 0.02, 0.05)  # of the contract voltage
_KEYS = ("mains_v", "mains_hz", "contract", "output_v", "output_kind", "measured_at", "fixture")


@dataclass(frozen=True, slots=True)
class Shot:
    """One port's voltage in a capture, with its current where that was captured as well."""

    capture: Capture
    voltage: Channel
    current: Channel | None
    recording: Recording

    @property
    def port(self) -> str:
        """The port."""
        return self.voltage.place

    @property
    def rows(self) -> Rows:
        """The proof."""
        columns = (self.voltage.column, *((self.current.column,) if self.current is not None else ()))
        return self.capture.rows(*columns)


@dataclass(frozen=True, slots=True)
class Step:
    """One step and what followed.

    Parameters
    ----------
    edge
        In samples of the capture.
    response
        `None` where it could not be told; `why` then says why.
    stretch
        The samples it was found in.
    name
        The step in words, "up 0.35 to 3.5 A".
    number
        Among the steps of that name in this capture, from 1.
    flags
        What spoils any figure of it.
    """

    edge: Edge
    response: Response | None
    stretch: Stretch | None
    name: str
    number: int
    scope: Scope
    current: Scope | None
    flags: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class Course:
    """Where a step is, for drawing it.

    Parameters
    ----------
    name
        The step in words.
    at_s
        Its instant, on the capture's clock [s].
    settled_v
        Level it settles to [V].
    turn_s
        From the step to the first turn [s].
    deviation_v
        From the level before [V]; NaN where none is seen.
    first, stop
        Samples that belong to it.
    """

    name: str
    at_s: float
    settled_v: float
    turn_s: float
    deviation_v: float
    first: int
    stop: int


def shots_of(recording: Recording) -> tuple[Shot, ...]:
    """Captured output voltages of a recording."""
    return tuple(
        Shot(capture, channel, capture.find(column_name("port_current_a", channel.place)), recording)
        for capture in recording.captures
        for channel in capture.channels
        if channel.quantity == "port_voltage_v"
    )


def base_conditions(shot: Shot) -> Conditions:
    """Conditions of all figures of a shot."""
    given = (*shot.recording.conditions.items(), *shot.capture.conditions.items())
    merged: dict[str, Scalar] = {k: v for k, v in given if k in _KEYS}
    merged["port"] = shot.port
    contract = merged.get("contract")
    if isinstance(contract, str) and "output_kind" not in merged:
        merged["output_kind"] = {"PPS": "pps", "AVS": "avs", "legacy": "legacy"}.get(contract.split()[0], "fixed")
    return Conditions.of(merged)


def steps_of(shot: Shot, instruments: Mapping[str, Instrument]) -> tuple[Step, ...]:
    """All steps of a shot, each with its response.

    Raises
    ------
    KeyError
        When an instrument or its accuracy is not in bench.toml.
    """
    capture = shot.capture
    look = shot.voltage.values(0, min(capture.count, 65536))
    height = float(np.nanmedian(np.abs(look))) if np.isfinite(look).any() else 0.0
    scope = scope_of(shot.voltage, height, look, instruments)
    current = None
    edges: tuple[Edge, ...]
    if shot.current is not None:
        seen = shot.current.values(0, min(capture.count, 65536))
        current = scope_of(shot.current, float(np.nanmax(np.abs(seen))), seen, instruments)
        edges = steps_of_current(capture, current)
    else:
        edges = steps_of_voltage(capture, scope)
    found: list[Step] = []
    conditions = base_conditions(shot)
    names = [_name(edge, shot) for edge in edges]
    for k, (edge, name) in enumerate(zip(edges, names, strict=True)):
        number = names[: k + 1].count(name)
        several = f", step {k + 1}" if len(edges) > 1 else ""
        found.append(_step(shot, edge, name, number, scope, current, f"{shot.recording.name}{several}", conditions))
    return tuple(found)


def courses_of(shot: Shot) -> tuple[Course, ...]:
    """The steps of a shot for drawing, which needs no accuracy of the scope."""
    line = Accuracy(shot.voltage.quantity, percent_reading=1.0)
    amps = Accuracy("port_current_a", percent_reading=1.0)
    scope = Instrument("oscilloscope", (line, amps))
    names = {channel.instrument for channel in (shot.voltage, shot.current) if channel is not None}
    out = []
    for step in steps_of(shot, dict.fromkeys(names, scope)):
        if step.response is not None:
            at_s = shot.capture.start_s + step.edge.at * shot.capture.interval_s
            far = step.response.deviation_v
            out.append(
                Course(
                    name=step.name,
                    at_s=at_s,
                    settled_v=float(step.response.settled_v.value),
                    turn_s=max(step.response.extreme_s, 0.0),
                    deviation_v=float(far.value) if far is not None else float("nan"),
                    first=step.edge.first,
                    stop=step.edge.stop,
                )
            )
    return tuple(out)


def _step(
    shot: Shot,
    edge: Edge,
    name: str,
    number: int,
    scope: Scope,
    current: Scope | None,
    where: str,
    conditions: Conditions,
) -> Step:
    try:
        stretch = read_stretch(shot.capture, shot.voltage, edge.first, edge.stop)
        each = stretch.each
        interval_s = shot.capture.interval_s * each
        local = _coarser(edge, each)
        start = (edge.first + (each - 1) / 2) / each
        nominal = conditions.number("output_v") if "output_v" in conditions else None
        bands = tuple(share * nominal for share in BANDS) if nominal is not None else ()
        # means of many samples stand on no grid
        seen = scope if each == 1 else replace(scope, step=scope.step / each**0.5)
        response = respond(stretch.values, interval_s, start, local, seen, where, bands)
    except ValueError as error:
        return Step(edge, None, None, name, number, scope, current, why=str(error))
    return Step(edge, response, stretch, name, number, scope, current, _flags(shot, stretch, scope, response))


def _coarser(edge: Edge, each: int) -> Edge:
    if each == 1:
        return edge
    return replace(
        edge,
        at=edge.at / each,
        doubt=edge.doubt / each,
        u_at=edge.u_at / each,
        begin=edge.begin // each,
        end=-(-edge.end // each),
        first=edge.first // each,
        stop=edge.stop // each,
    )


def _flags(shot: Shot, stretch: Stretch, scope: Scope, response: Response) -> tuple[str, ...]:
    capture, channel = shot.capture, shot.voltage
    flags: list[str] = []
    if channel.rails is not None:
        values = stretch.raw
        if stretch.each > 1 or len(values) < len(stretch.values):
            values = channel.values(edge_first := stretch.first, edge_first + min(capture.count - edge_first, 1 << 20))
        flags += clipped_ends(capture, channel, values[np.isfinite(values)], scope.step)
    if stretch.missing:
        flags.append(f"{stretch.missing} samples are missing; straight lines stand in for them")
    if stretch.each > 1:
        flags.append(f"means of {stretch.each} samples: a shorter peak is not seen")
    if capture.acquisition == "peak-detect":
        flags.append("captured with peak detection: pairs of extremes, not a course")
    elif capture.acquisition == "average":
        flags.append("sweeps were averaged in the scope: what does not repeat is missing")
    swing = response.deviation_v
    if scope.step and swing is not None and float(swing.value) < 8 * scope.step:
        flags.append(
            f"under-resolved: the deviation is {float(swing.value) / scope.step:.1f} steps of the converter; "
            "use a smaller range"
        )
    if channel.setting.coupling == "ac":
        flags.append("AC coupled: the level after a step returns to the mean by itself")
    return (*flags, *response.flags)


def _name(edge: Edge, shot: Shot) -> str:
    word = "up" if edge.up else "down"
    stated = {**dict(shot.recording.conditions), **dict(shot.capture.conditions)}
    low, high = stated.get("step_low_a"), stated.get("step_high_a")
    ends: tuple[float, float] | None = None
    if np.isfinite(edge.from_a):
        ends = (_rounded(edge.from_a, edge.to_a), _rounded(edge.to_a, edge.from_a))
    elif isinstance(low, (int, float)) and isinstance(high, (int, float)):
        ends = (float(low), float(high)) if edge.up else (float(high), float(low))
    if ends is None:
        return word
    return f"{word} {ends[0]:g} to {ends[1]:g} A"


def _rounded(value: float, other: float) -> float:
    """A level to a hundredth of the step, so that repeats of a step have one name."""
    size = abs(value - other)
    digits = max(0, 2 - int(np.floor(np.log10(size)))) if size > 0 else 2
    # to one decimal less than that: a hundredth of 3 A is 0.03 A, told as 0.1 A
    return round(value, max(digits - 1, 1)) + 0.0
