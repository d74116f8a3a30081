"""Whether a time column is one of equally spaced samples, found while it streams by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from brickbook.readers.captures_labels import Labels

__all__ = ["TimeCheck"]

FloatArray = NDArray[np.float64]

_DIGITS = 1e-3  # share of the span that rounding may blur where nothing else tells the interval


class TimeCheck:
    """Takes a time column piece by piece [s].

    Parameters
    ----------
    labels, name
        The file, and the column in messages.
    first_line
        Line of the first sample, for messages; 0 for files without lines.
    """

    def __init__(self, labels: Labels, name: str, *, first_line: int = 0) -> None:
        self._labels, self._name, self._line = labels, name, first_line
        self._count = 0
        self._first = self._last = float("nan")
        self._largest, self._smallest = 0.0, float("inf")
        self._where_largest = 0
        self._zero = 0
        self._pairs = 0
        self._start_step = float("nan")
        self._missing = 0

    def add(self, time: FloatArray) -> None:
        """The next times; raises `ReadError` when they run backwards."""
        if not len(time):
            return
        if self._count == 0:
            self._first = float(time[0])
            steps = np.diff(time)
        else:
            steps = np.empty(len(time))
            steps[0] = time[0] - self._last
            np.subtract(time[1:], time[:-1], out=steps[1:])
        if len(steps):
            low, high = float(steps.min()), float(steps.max())
            if not (np.isfinite(low) and np.isfinite(high)):
                self._missing_time(time)
            before = self._count + (self._count == 0)
            if low < 0:
                at = before + int(steps.argmin())
                raise self._labels.fault(
                    self._place(at),
                    f"{self._name} runs backwards, by {-low:.6g} s.",
                    "One sweep is expected: give each sweep a file of its own.",
                )
            if high > self._largest:
                self._largest, self._where_largest = high, before + int(steps.argmax())
            if low == 0.0:
                zero = steps == 0.0
                self._zero += int(zero.sum())
                self._pairs += int((zero[0::2] != zero[1::2][: len(zero[0::2])]).sum()) if len(zero) % 2 == 0 else 0
                if not zero.all():
                    self._smallest = min(self._smallest, float(steps[~zero].min()))
            else:
                self._smallest = min(self._smallest, low)
        self._last = float(time[-1])
        self._count += len(time)

    def _missing_time(self, time: FloatArray) -> None:
        at = self._count + int(np.flatnonzero(~np.isfinite(time))[0])
        raise self._labels.fault(
            self._place(at),
            f"{self._name} is missing there.",
            "Without it the sample's place is not known: mend the file.",
        )

    def _place(self, index: int) -> str:
        return f"line {self._line + index}" if self._line else f"sample {index}"

    @property
    def peak_detect(self) -> bool:
        """Whether times come in pairs, as of lowest and highest in each interval."""
        return self._count >= 8 and abs(2 * self._zero - self._count) <= 2 and self._largest < 1.5 * self._smallest

    def finish(self, stated_s: float | None) -> tuple[float, float, list[str]]:
        """Interval [s], start [s] and notes.

        Parameters
        ----------
        stated_s
            Interval the file states elsewhere.

        Raises
        ------
        ReadError
            When there are gaps, all times are equal, or the stated interval is another one.
        """
        if self._count < 2:
            raise self._labels.fault("", f"holds {self._count} samples; at least two are needed.", "Record it anew.")
        span = self._last - self._first
        if not span > 0:
            if stated_s is not None:
                return stated_s, self._first, [f"{self._name} has too few digits; times are from the stated interval."]
            raise self._labels.fault("", f"{self._name} does not change.", "Add interval_s to its conditions.")
        if self.peak_detect:
            return span / (self._count - 2), self._first, []
        interval = span / (self._count - 1)
        # a step is off by what rounding to the digits of the file does to two times, and no more
        rounding = self._smallest if self._zero else 0.0
        if self._largest > 1.5 * interval + rounding:
            raise self._labels.fault(
                self._place(self._where_largest),
                f"{self._name} jumps by {self._largest:.6g} s where {interval:.6g} s are expected.",
                "Samples are missing, or it is not one sweep: give each sweep a file of its own.",
            )
        notes = []
        if self._zero:
            if stated_s is None and rounding > _DIGITS * span:
                raise self._labels.fault(
                    "",
                    f"{self._name} has too few digits: it steps by {rounding:.3g} s over {span:.3g} s in all.",
                    "Add interval_s to its conditions.",
                )
            notes.append(
                f"{self._zero} times equal the one before, as {self._name} has too few digits; times are rebuilt from "
                f"{interval:.9g} s."
            )
        elif self._smallest < 0.5 * interval:
            raise self._labels.fault(
                "",
                f"{self._name} steps by {self._smallest:.3g} to {self._largest:.3g} s: samples are not equally spaced.",
            )
        if stated_s is not None:
            # the first and last time may each be off by half a rounding step
            slack = 1e-3 + (rounding or 1e-9 * abs(self._last)) / span
            if abs(interval / stated_s - 1.0) > slack:
                raise self._labels.fault(
                    "",
                    f"its head says {stated_s:.6g} s from sample to sample, {self._name} {interval:.6g} s.",
                    "One of the two is wrong: find out which, and save the file without the other.",
                )
            interval = stated_s
        return interval, self._first, notes
