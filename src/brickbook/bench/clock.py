"""Bench time: that of the wall, or that of a bench in software, which may run faster than life."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol

from brickbook.bench.driver import Driver
from brickbook.bench.errors import LinkGarbage

__all__ = ["BenchClock", "Clock", "WallClock"]


class Clock(Protocol):
    """What the runner takes its time from.

    `longest_wait_s` is the longest single wait after which the runner looks at what people want.
    """

    @property
    def longest_wait_s(self) -> float:
        """Longest single wait [s]."""
        ...

    def now_s(self) -> float:
        """Bench time [s]; it never goes back."""
        ...

    def wait_until(self, moment_s: float) -> None:
        """Come back when bench time has reached a moment [s]."""
        ...


@dataclass(frozen=True, slots=True)
class WallClock:
    """The system's monotonic clock."""

    longest_wait_s: float = 0.1

    def now_s(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def wait_until(self, moment_s: float) -> None:
        """Sleep."""
        time.sleep(max(0.0, moment_s - time.monotonic()))


@dataclass(frozen=True, slots=True)
class BenchClock:
    """The clock instrument of a bench in software."""

    driver: Driver
    longest_wait_s: float = 1.0

    def now_s(self) -> float:
        """Bench time as the instrument tells it; raises `LinkError`."""
        now = self.driver.numbers("now")["time_s"]
        if now is None:
            raise LinkGarbage(self.driver.name, "now", "the clock does not tell the time.")
        return now

    def wait_until(self, moment_s: float) -> None:
        """Have bench time pass; raises `LinkError`."""
        left = moment_s - self.now_s()
        if left > 0.0:
            self.driver.do("wait", time_s=left)
