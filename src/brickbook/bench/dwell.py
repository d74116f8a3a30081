"""When a step has lasted long enough: the stability rules of the procedures as stopping rules.

A step ends at the first look at which its rule is met and the mean it will be averaged to is known well enough. Looks
are spaced in proportion to the time that has passed, so that a stay is not looked at a thousand times until noise
alone has met the rule once; docs/how-to/run-the-bench.md has what that does to the mean and to its interval.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.plan import Dwell
from brickbook.core.quantities import quantity_of
from brickbook.core.statistics import autocorrelated_mean
from brickbook.core.table import RawFile, Recording, Table
from brickbook.plateaus import STABILITY_RULES, StabilityRule
from brickbook.plateaus.settling import Settling, judge_settling

__all__ = ["Stay", "Verdict"]

_GROWTH = 1.05  # of the time passed, from look to look
_LEAST_READINGS = 10  # below that a standard uncertainty of a mean is a guess
_MARGIN = 2.0  # intervals more than the window, for the edges the analysis keeps away from


@dataclass(frozen=True, slots=True)
class Verdict:
    """Why a step ends: whether its rule is met, the reason in words, and u(mean)/mean where it was asked for."""

    settled: bool
    reason: str
    relative_u: float | None = None


class Stay:
    """One step under way.

    Parameters
    ----------
    dwell
        When it ends.
    interval_s
        Time between readings [s].
    columns
        What is read.
    """

    def __init__(self, dwell: Dwell, interval_s: float, columns: Sequence[str]) -> None:
        self.dwell, self.interval_s = dwell, interval_s
        self.rule: StabilityRule | None = STABILITY_RULES[dwell.rule] if dwell.rule else None
        quantity = self.rule.quantity if self.rule else _usual(columns)
        self.watched = tuple(column for column in columns if quantity_of(column) == quantity)
        self._time: list[float] = []
        self._values: dict[str, list[float]] = {column: [] for column in self.watched}
        self._next_look = dwell.min_s

    def add(self, time_s: float, values: Mapping[str, float | None]) -> None:
        """Take a reading, at a time since the step began [s]."""
        self._time.append(time_s)
        for column, kept in self._values.items():
            value = values.get(column)
            kept.append(float("nan") if value is None else value)

    def verdict(self) -> Verdict | None:
        """Why the step ends now; `None` while it goes on."""
        if not self._time:
            return None
        now = self._time[-1]
        over = now + 0.5 * self.interval_s >= self.dwell.max_s
        if not over and now + 1e-9 < self._next_look:
            return None
        self._next_look = max(now * _GROWTH, now + self.interval_s)
        found = self._judged()
        if over:
            return found if found.settled else Verdict(settled=False, reason=found.reason, relative_u=found.relative_u)
        return found if found.settled else None

    def _judged(self) -> Verdict:
        if self.rule is None and self.dwell.relative_u == 0.0:
            return Verdict(settled=True, reason="its fixed time is over")
        if not self.watched:
            what = self.rule.quantity if self.rule else "a power or a voltage"
            return Verdict(settled=False, reason=f"there is no reading of {what} to tell by")
        time = np.array(self._time)
        columns = {column: np.array(values) for column, values in self._values.items()}
        if self.rule is None:
            settling = Settling(float(time[0]), float(time[-1]), settled=True, reason="its fixed time is over")
        else:
            table = Table(RawFile("", ""), {"time_s": time, **columns}, np.arange(len(time), dtype=np.int64))
            recording = Recording("", (), (table,), Conditions())
            settling = judge_settling(recording, self.rule, float(time[0]), float(time[-1]), self.interval_s)
            long_enough = float(time[-1] - time[0]) >= self.rule.window_s + _MARGIN * self.interval_s
            if settling.settled and not long_enough:
                return Verdict(settled=False, reason=f"shorter than the rule's {self.rule.window_s:g} s")
        if self.dwell.relative_u == 0.0 or not settling.settled:
            return Verdict(settled=settling.settled, reason=settling.reason)
        part = (time >= settling.from_s) & (time <= settling.to_s)
        reached = max(_relative_u(values[part]) for values in columns.values())
        wanted = f"{100 * reached:.3g} %, {100 * self.dwell.relative_u:.3g} % is asked for"
        return Verdict(
            settled=reached <= self.dwell.relative_u,
            reason=f"{settling.reason}; standard uncertainty of the mean {wanted}",
            relative_u=reached if np.isfinite(reached) else None,
        )


def _relative_u(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    good = values[np.isfinite(values)]
    if len(good) < _LEAST_READINGS:
        return float("inf")
    mean = autocorrelated_mean(good)
    return mean.u / abs(mean.value) if mean.value else float("inf")


def _usual(columns: Sequence[str]) -> str:
    quantities = {quantity_of(column) for column in columns}
    return next((q for q in ("mains_power_w", "port_voltage_v") if q in quantities), "mains_power_w")
