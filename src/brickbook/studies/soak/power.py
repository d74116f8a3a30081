"""What the ports did during a soak: when each lost power and came back, and what they sustained to the end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure
from brickbook.core.quantities import column_name
from brickbook.core.readings import figure_of, reading
from brickbook.core.statistics import autocorrelated_mean
from brickbook.core.study import Evidence
from brickbook.core.table import Recording, Rows, Table
from brickbook.core.uncertainty import Measured, Source, exact, sum_of
from brickbook.plateaus import mean_over, rows_over
from brickbook.studies.soak.course import Course
from brickbook.studies.soak.events import Event, Survival

__all__ = ["SUSTAINED_S", "port_figures"]

STUDY = "soak"
SUSTAINED_S = 600.0
_NAMES = {
    "foldback": "foldback_time_s",
    "drift": "drift_time_s",
    "trip": "trip_time_s",
    "hiccup": "hiccup_time_s",
    "recovery": "recovery_time_s",
    "partial recovery": "partial_recovery_time_s",
    "renegotiation": "renegotiation_time_s",
}
_WORDS = {
    "foldback": "power falls 3 % or more and stays there for a minute",
    "drift": "power falls 3 % or more in more than ten minutes",
    "trip": "below 5 % of the first power or 0.5 V for two seconds or more",
    "hiccup": "three or more trips at regular intervals",
    "recovery": "back at 97 % of the first power for a minute",
    "partial recovery": "power rises 3 % or more, below 97 % of the first",
    "renegotiation": "voltage moves to another contract and power falls with it",
}


def port_figures(recording: Recording, course: Course, base: Conditions, evidence: Evidence) -> Iterator[Figure | str]:
    """Figures of each port and of all together; a text for what could not be found."""
    totals: list[tuple[Measured, tuple[Rows, ...]]] = []
    for port, own in course.ports.items():
        at = base.with_(port=port, contract=_contract(base, port))
        yield from _times(recording, course, port, own, at)
        try:
            measured, rows = _power(recording, port, course.end_s - SUSTAINED_S, course.end_s, evidence)
            first, more = _power(recording, port, own.begin_s + 60.0, own.begin_s + 180.0, evidence)
        except (AnalysisError, KeyError, ValueError) as error:
            yield f"port {port}: no power was found: {error.args[0] if isinstance(error, KeyError) else error}"
            continue
        totals.append((measured, rows))
        how = f"mean of voltage times current over the last {SUSTAINED_S / 60:g} min of {course.length_s / 60:.0f}"
        yield _figure("sustained_power_w", measured, "W", at, how, rows)
        yield _figure("first_power_w", first, "W", at, "mean over minutes 1 to 3 under load", more)
        if float(first.value) > 0.0:
            ratio = measured / first
            yield _figure("sustained_power_ratio", ratio, "", at, "power at the end over power at the start", rows)
        yield from _after_each(recording, course, port, own, at, evidence)
    if totals and len(totals) == len(course.ports):
        rows = tuple(row for _, own_rows in totals for row in own_rows)
        how = f"sum over the ports, last {SUSTAINED_S / 60:g} min"
        yield _figure("sustained_total_power_w", sum_of(m for m, _ in totals), "W", base, how, rows)


def _times(recording: Recording, course: Course, port: str, own: Survival, at: Conditions) -> Iterator[Figure]:
    volts, amps = column_name("port_voltage_v", port), column_name("port_current_a", port)
    table = recording.find(volts)
    assert table is not None
    number: Counter[str] = Counter()
    for event in own.events:
        if event.kind not in _NAMES or event.time_s > course.end_s:
            continue
        number[event.kind] += 1
        when = _when(event, course.begin_s, f"{recording.name}, {port}")
        rows = rows_over(table, event.time_s - 30.0, event.time_s + 30.0, volts, amps)
        numbered = at.with_(event=number[event.kind])
        yield _figure(_NAMES[event.kind], when, "s", numbered, _WORDS[event.kind], (rows,))
    losses = [e for e in own.events if e.kind in ("foldback", "drift", "trip", "hiccup", "renegotiation")]
    losses = [e for e in losses if e.time_s < course.end_s]
    rows = rows_over(table, course.begin_s, course.end_s, volts, amps)
    if losses:
        held = _when(losses[0], own.begin_s, f"{recording.name}, {port}")
        yield _figure("full_power_time_s", held, "s", at, "from the start of load to the first loss of power", (rows,))
    else:
        step = float(np.median(np.diff(table.columns["time_s"])))
        whole = Measured(course.end_s - own.begin_s, {Source("rows of the log", "B", "rectangular"): step / 12**0.5})
        flags = ("no loss of power was seen: it held to the end of the load",)
        yield _figure("full_power_time_s", whole, "s", at, "from the start of load to its end", (rows,), flags)


def _when(event: Event, begin_s: float, point: str) -> Measured:
    source = Source(f"time of the {event.kind} at {event.time_s:.0f} s, {point}", "B", "rectangular")
    return Measured(event.time_s - begin_s, {source: event.u_time_s})


def _after_each(
    recording: Recording, course: Course, port: str, own: Survival, at: Conditions, evidence: Evidence
) -> Iterator[Figure]:
    """Power on each stay between losses, so that a reader sees to what it folded back."""
    events = [e for e in own.events if e.kind in ("foldback", "renegotiation", "partial recovery", "recovery")]
    ends = [e.time_s for e in own.events if e.time_s <= course.end_s]
    number: Counter[str] = Counter()
    for event in events:
        number[event.kind] += 1
        start = event.time_s + 4 * event.u_time_s + 4.0
        stop = min((e for e in ends if e > event.time_s), default=course.end_s) - 4.0
        if event.kind not in ("foldback", "renegotiation") or stop - start < 20.0:
            continue
        try:
            measured, rows = _power(recording, port, start, stop, evidence)
        except (AnalysisError, KeyError, ValueError):
            continue  # the port's sustained power has told why
        step = at.with_(event=number[event.kind], after=event.kind)
        yield _figure("power_after_w", measured, "W", step, "mean until the next event", rows)


def _power(
    recording: Recording, port: str, from_s: float, to_s: float, evidence: Evidence
) -> tuple[Measured, tuple[Rows, ...]]:
    """Mean power at the receptacle over a window."""
    volts, amps = column_name("port_voltage_v", port), column_name("port_current_a", port)
    table = recording.find(volts)
    if table is None:
        raise KeyError(f"there is no {volts}")
    voltage = _read(recording, table, volts, from_s, to_s, evidence)
    current = _read(recording, table, amps, from_s, to_s, evidence)
    time = table.columns["time_s"]
    product = table.columns[volts] * table.columns[amps]
    mean = autocorrelated_mean(product[(time >= from_s) & (time <= to_s)])
    # the mean of the products is not the product of the means where both move
    shift = mean.value - float(voltage.value) * float(current.value)
    power = voltage * current + shift
    if "fixture_ohm" in recording.conditions:
        ohm = recording.conditions.number("fixture_ohm")
        given = recording.conditions
        u = given.number("u_fixture_ohm") if "u_fixture_ohm" in given else 0.0
        fixture = Measured(ohm, {Source("fixture resistance as stated", "B", "normal"): u}) if u else exact(ohm)
        power = power + fixture * (current * current)
    return power, (rows_over(table, from_s, to_s, volts, amps),)


def _read(recording: Recording, table: Table, column: str, from_s: float, to_s: float, evidence: Evidence) -> Measured:
    quantity = column.partition("@")[0]
    return reading(
        mean_over(table, column, from_s, to_s),
        quantity=quantity,
        point=f"{recording.name}, {column}, {from_s:.0f} s",
        instrument=table.origins[column].instrument,
        instruments=evidence.instruments,
        range_max=recording.ranges.get(quantity),
    )


def _contract(base: Conditions, port: str) -> str | None:
    """The port's own part of "C1 20 V + A1 5 V"."""
    text = base.get("contract")
    if not isinstance(text, str):
        return None
    parts = [part.strip() for part in text.split("+")]
    own = [part[len(port) + 1 :] for part in parts if part.startswith(f"{port} ")]
    return own[0] if own else text if len(parts) == 1 else None


def _figure(
    name: str,
    measured: Measured,
    unit: str,
    conditions: Conditions,
    method: str,
    rows: tuple[Rows, ...],
    flags: tuple[str, ...] = (),
) -> Figure:
    return figure_of(
        measured, study=STUDY, name=name, unit=unit, conditions=conditions, method=method, sources=rows, flags=flags
    )
