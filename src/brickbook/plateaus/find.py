"""Plateaus: where all loads of a recording stand still, and whether the unit under test has settled there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from brickbook.core.errors import AnalysisError, Fault
from brickbook.core.quantities import column_name
from brickbook.core.table import Recording, Table
from brickbook.plateaus.noise import sample_interval_s
from brickbook.plateaus.rules import StabilityRule
from brickbook.plateaus.settling import Settling, judge_settling
from brickbook.plateaus.stretches import Sensitivity, steady_stretches
from brickbook.plateaus.windows import missing_over, readings_over

__all__ = ["Plateau", "find_plateaus"]


@dataclass(frozen=True, slots=True)
class Plateau:
    """A stay of all loads at one level each.

    Parameters
    ----------
    start_s, end_s
        First and last load reading of the stay [s].
    from_s, to_s
        The part to be averaged [s]; for an unsettled plateau the part that was judged.
    levels
        Port id to mean load current over that part [A].
    settled
        Whether the rule is met. An unsettled plateau may be averaged only with its reason beside the figure.
    reason
        Why it is settled or not, in words with numbers.
    rule
        Name of the stability rule.
    drift
        Largest drift found, as a share of the largest reading, or size of the slope [W/h] for a slope rule; NaN when
        it could not be found.
    missing_count
        Rows of the used part without a load reading.
    """

    start_s: float
    end_s: float
    from_s: float
    to_s: float
    levels: Mapping[str, float]
    settled: bool
    reason: str
    rule: str
    drift: float = float("nan")
    missing_count: int = 0

    @property
    def duration_s(self) -> float:
        """From the first to the last load reading of the stay [s]."""
        return self.end_s - self.start_s


def find_plateaus(
    recording: Recording,
    rule: StabilityRule,
    *,
    ports: Sequence[str] | None = None,
    sensitivity: Sensitivity | None = None,
) -> tuple[Plateau, ...]:
    """The steady stays of a recording, in time order, each judged by a stability rule.

    A plateau is a stretch in which every load current stands still; the loads may be logged by several meters, each
    with its own times. Changes between loads, and stays shorter than `rule.shortest_s`, are left out. Whether the unit
    has settled is then asked of `rule.quantity`, read from whichever table has it.

    Parameters
    ----------
    recording
        Tables on one clock.
    rule
        When the unit counts as steady.
    ports
        Ports whose load currents are looked at; all that the recording has, if not given.
    sensitivity
        What counts as a change of load.

    Raises
    ------
    AnalysisError
        When there is no load current with times, or the times of a file fall.
    """
    tables = _load_tables(recording, ports)
    how = sensitivity or Sensitivity()
    joint: list[tuple[float, float]] | None = None
    intervals: dict[str, float] = {}
    for port, table in tables.items():
        column = column_name("port_current_a", port)
        try:
            stretches = steady_stretches(
                table.columns["time_s"], table.columns[column], shortest_s=rule.shortest_s, sensitivity=how
            )
        except ValueError as error:
            raise AnalysisError(
                Fault(table.raw.path, "time_s", f"{error}.", "Sort the file by time or split it where the clock jumps.")
            ) from error
        time, _ = readings_over(table, column, -np.inf, np.inf)
        intervals[port] = sample_interval_s(time)
        spans = [(s.start_s, s.end_s) for s in stretches]
        joint = spans if joint is None else _intersect(joint, spans)
    interval = max(intervals.values(), default=0.0)
    kept = [(a, b) for a, b in joint or [] if b - a + interval >= rule.shortest_s]
    judged = [judge_settling(recording, rule, a, b, interval) for a, b in kept]
    plateaus = [_plateau(tables, rule, a, b, s) for (a, b), s in zip(kept, judged, strict=True)]
    return tuple(
        _with_next(plateau, plateaus[k + 1] if k + 1 < len(plateaus) else None, how, interval)
        for k, plateau in enumerate(plateaus)
    )


def _load_tables(recording: Recording, ports: Sequence[str] | None) -> dict[str, Table]:
    """Port id to the first table that has its load current with times."""
    wanted = tuple(ports) if ports is not None else recording.channels("port_current_a")
    found: dict[str, Table] = {}
    for port in wanted:
        column = column_name("port_current_a", port)
        table = next((t for t in recording.tables if t.has(column) and t.has("time_s")), None)
        if table is not None:
            found[port] = table
        elif ports is not None:
            known = ", ".join(recording.channels("port_current_a")) or "none"
            raise AnalysisError(
                Fault(recording.name, column, f"no readings of it with times (load currents of ports: {known}).")
            )
    if not found:
        raise AnalysisError(
            Fault(
                recording.name,
                "port_current_a",
                "no load current with times was found, so its steady stretches cannot be told.",
                "Add the load's log to the recording, or map its column to port_current_a@<port>.",
            )
        )
    return found


def _intersect(first: list[tuple[float, float]], second: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Parts that lie in an interval of both lists, each sorted and without overlaps."""
    common: list[tuple[float, float]] = []
    i = j = 0
    while i < len(first) and j < len(second):
        start, end = max(first[i][0], second[j][0]), min(first[i][1], second[j][1])
        if start <= end:
            common.append((start, end))
        if first[i][1] <= second[j][1]:
            i += 1
        else:
            j += 1
    return common


def _plateau(
    tables: Mapping[str, Table], rule: StabilityRule, start_s: float, end_s: float, settling: Settling
) -> Plateau:
    levels: dict[str, float] = {}
    missing = 0
    for port, table in tables.items():
        column = column_name("port_current_a", port)
        _, readings = readings_over(table, column, settling.from_s, settling.to_s)
        if len(readings) == 0:  # the used part is shorter than this load's sampling interval
            _, readings = readings_over(table, column, start_s, end_s)
        levels[port] = float(readings.mean()) if len(readings) else float("nan")
        missing += missing_over(table, column, settling.from_s, settling.to_s)
    return Plateau(
        start_s=start_s,
        end_s=end_s,
        from_s=settling.from_s,
        to_s=settling.to_s,
        levels=levels,
        settled=settling.settled,
        reason=settling.reason,
        rule=rule.name,
        drift=settling.drift,
        missing_count=missing,
    )


def _with_next(plateau: Plateau, after: Plateau | None, how: Sensitivity, interval_s: float) -> Plateau:
    """Say when an unsettled stay ended because a load fell to nothing: it may have been a trip, not a setting."""
    if plateau.settled or after is None or after.start_s - plateau.end_s > max(how.longest_gap_s, 5.0 * interval_s):
        return plateau
    fallen = [
        f"the load on {port} then fell from {level:.3g} A to nothing"
        for port, level in plateau.levels.items()
        if level >= how.step_a and abs(after.levels[port]) < how.step_a
    ]
    return replace(plateau, reason="; ".join([plateau.reason, *fallen])) if fallen else plateau
