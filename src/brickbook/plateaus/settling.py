"""Whether the unit under test has settled during a stay of its loads, and which part of the stay to average."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.quantities import QUANTITIES, column_name
from brickbook.core.statistics import fit_line
from brickbook.core.table import Recording, Table
from brickbook.plateaus.noise import sample_interval_s
from brickbook.plateaus.rules import StabilityRule, slope_limit_w_per_h
from brickbook.plateaus.windows import readings_over

__all__ = ["Settling", "drift_of", "judge_settling"]

FloatArray = NDArray[np.float64]

_LEAST_READINGS = 3
_LONGEST_GAP_S = 10.0
_CALM_BLOCKS = 30
_SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Settling:
    """The outcome for one stay: the part judged [s], the decision, the reason in words, and the drift found."""

    from_s: float
    to_s: float
    settled: bool
    reason: str
    drift: float = float("nan")


def drift_of(readings: FloatArray) -> tuple[float, float]:
    """Drift (largest - smallest)/largest, and largest - smallest.

    10 CFR 430 Subpart B Appendix Z, 5(a)(1)(ii): "does not drift by more than 5 percent from the maximum value
    observed". Reading taken: every reading counts, so the lowest single one decides. The share is infinite where the
    largest reading is not above zero and the readings differ.

    Parameters
    ----------
    readings
        Shape (n,), n >= 1, finite.
    """
    largest = float(readings.max())
    spread = largest - float(readings.min())
    if spread == 0.0:
        return 0.0, 0.0
    return (spread / largest if largest > 0.0 else float("inf")), spread


def judge_settling(
    recording: Recording, rule: StabilityRule, start_s: float, end_s: float, load_interval_s: float
) -> Settling:
    """Judge one stay.

    The part judged, and averaged if the rule is met, is the last `rule.window_s` of the stay for a drift (the unit has
    had longest to settle; no better window is looked for elsewhere), the last two thirds for a slope. One interval of
    the slowest meter is kept from both ends, because a reading may be a mean over its interval; the used part may be
    shorter than the window by that much, the stay may not.

    Parameters
    ----------
    recording
        Tables on one clock.
    rule
        When the unit counts as steady.
    start_s, end_s
        First and last load reading of the stay [s].
    load_interval_s
        Time between load readings; the stay is known to this [s].
    """
    watched = _watched(recording, rule.quantity)
    if not watched:
        return Settling(start_s, end_s, settled=False, reason=f"the recording has no {rule.quantity} with times")
    inside = {column: readings_over(table, column, start_s, end_s) for column, table in watched.items()}
    intervals = [sample_interval_s(readings_over(t, c, -np.inf, np.inf)[0]) for c, t in watched.items()]
    guard = max(load_interval_s, *intervals)
    first, last = start_s + guard, end_s - guard
    length = end_s - start_s + load_interval_s
    begin = first + (last - first) / 3.0 if rule.criterion == "slope" else max(first, last - rule.window_s)
    if last <= begin:
        begin, last = start_s, end_s
    outcomes = [
        _judge(rule, column, _Part(time, readings, begin, last), interval)
        for (column, (time, readings)), interval in zip(inside.items(), intervals, strict=True)
    ]
    worst = min(outcomes, key=lambda s: (s.settled, -s.drift if np.isfinite(s.drift) else -np.inf))
    if length + load_interval_s < rule.window_s:
        reason = f"only {_duration(length)} long, the rule needs {_duration(rule.window_s)}"
        return Settling(begin, last, settled=False, reason=reason, drift=worst.drift)
    return worst


@dataclass(frozen=True, slots=True)
class _Part:
    """Readings within the part that is judged."""

    time_s: FloatArray
    readings: FloatArray
    from_s: float
    to_s: float

    def __post_init__(self) -> None:
        chosen = (self.time_s >= self.from_s) & (self.time_s <= self.to_s)
        object.__setattr__(self, "time_s", self.time_s[chosen])
        object.__setattr__(self, "readings", self.readings[chosen])

    @property
    def length_s(self) -> float:
        return self.to_s - self.from_s

    def outcome(self, *, settled: bool, reason: str, drift: float = float("nan")) -> Settling:
        return Settling(self.from_s, self.to_s, settled=settled, reason=reason, drift=drift)


def _watched(recording: Recording, quantity: str) -> dict[str, Table]:
    """Column to the first table that has it with times."""
    found: dict[str, Table] = {}
    for channel in recording.channels(quantity):
        column = column_name(quantity, channel)
        for table in recording.tables:
            if table.has(column) and table.has("time_s"):
                found[column] = table
                break
    return found


def _judge(rule: StabilityRule, column: str, part: _Part, interval_s: float) -> Settling:
    """Judge one watched column."""
    name, length = _words(column), _duration(part.length_s)
    count = len(part.readings)
    if count < _LEAST_READINGS:
        few = f"only {count} readings of {name} in {length}, at least {_LEAST_READINGS} are needed"
        return part.outcome(settled=False, reason=few)
    gap = float(np.max(np.diff(part.time_s, prepend=part.from_s, append=part.to_s)))
    if gap > max(_LONGEST_GAP_S, 5.0 * interval_s):
        return part.outcome(settled=False, reason=f"no reading of {name} for {_duration(gap)} within the last {length}")
    if rule.longest_interval_s is not None and interval_s > 1.05 * rule.longest_interval_s:
        slow = f"{name} was read every {interval_s:.3g} s, the rule needs {rule.longest_interval_s:.3g} s or less"
        return part.outcome(settled=False, reason=slow)
    return _judge_slope(name, part) if rule.criterion == "slope" else _judge_drift(rule, column, part)


def _judge_slope(name: str, part: _Part) -> Settling:
    line = fit_line(part.time_s / _SECONDS_PER_HOUR, part.readings)
    limit = slope_limit_w_per_h(line.intercept)
    reason = (
        f"{name} changed by {1000.0 * line.slope:+.3g} mW/h over the last {_duration(part.length_s)}, "
        f"the rule allows less than {1000.0 * limit:.3g} mW/h"
    )
    return part.outcome(settled=abs(line.slope) < limit, reason=reason, drift=abs(line.slope))


def _judge_drift(rule: StabilityRule, column: str, part: _Part) -> Settling:
    name, unit = _words(column), _unit(column)
    ratio, spread = drift_of(_block_means(part.time_s, part.readings, rule.smooth_s))
    settled = ratio <= rule.limit_ratio or spread <= rule.limit_absolute
    limits = [f"{100.0 * rule.limit_ratio:.3g} %"] if rule.limit_ratio > 0.0 else []
    found = f"{100.0 * ratio:.3g} %" if np.isfinite(ratio) else f"{spread:.3g} {unit}"
    if rule.limit_absolute > 0.0:
        limits.append(f"{rule.limit_absolute:.3g} {unit}")
        found = f"{100.0 * ratio:.3g} % ({spread:.3g} {unit})" if np.isfinite(ratio) else found
    reason = f"{name} drifted {found} over the last {_duration(part.length_s)}, the rule allows {' or '.join(limits)}"
    if not settled and rule.smooth_s == 0.0:
        # tell a level that moves from single readings that stray; the decision stays with the single readings
        block_s = part.length_s / _CALM_BLOCKS
        calm, _ = drift_of(_block_means(part.time_s, part.readings, block_s))
        if calm <= rule.limit_ratio:
            reason += f"; means over {_duration(block_s)} drifted only {100.0 * calm:.3g} %"
    return part.outcome(settled=settled, reason=reason, drift=ratio)


def _block_means(time: FloatArray, readings: FloatArray, length_s: float) -> FloatArray:
    """Means over blocks of time; the readings themselves for a length of zero."""
    if length_s <= 0.0:
        return readings
    block = np.floor((time - time[0]) / length_s).astype(np.int64)
    counts = np.bincount(block)
    sums = np.bincount(block, weights=readings)
    return np.asarray(sums[counts > 0] / counts[counts > 0], dtype=np.float64)


def _words(column: str) -> str:
    quantity, _, channel = column.partition("@")
    label = QUANTITIES[quantity].label if quantity in QUANTITIES else quantity
    return f"{label} of {channel}" if channel else label


def _unit(column: str) -> str:
    quantity = column.partition("@")[0]
    return QUANTITIES[quantity].unit if quantity in QUANTITIES else ""


def _duration(seconds: float) -> str:
    return f"{seconds / 60.0:.3g} min" if seconds >= 60.0 else f"{seconds:.3g} s"
