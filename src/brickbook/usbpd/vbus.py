"""VBUS: the limits of a contract, and what a trace shows of dips and losses.

Limits hold at the source's own connector; a trace taken at the far end of a cable must be corrected
for the drop first. vSrcNew is 0.95 to 1.05 of the voltage (R3.2 V1.2 4.1.2.1.1 and table 4.6, by
way of a public note), vSrcValid 0.5 V beyond that and vPpsValid 0.1 V (public kernel driver); for
AVS 0.5 V (from memory, medium).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brickbook.usbpd.errors import UsbPdError
from brickbook.usbpd.supplies import PdoKind

# vSafe0V and vSafe5V, public controller header.
SAFE_0V_MAX_V = 0.8
SAFE_5V_MIN_V = 4.75
SAFE_5V_MAX_V = 5.5
# IR-drop allowance of cable and return, public kernel driver: 0.5 V and 0.25 V.
CABLE_DROP_V = 0.75


@dataclass(frozen=True, slots=True)
class VoltageLimits:
    """Steady limits (new) and limits for transients (valid) of a contract [V]."""

    new_low_v: float
    new_high_v: float
    valid_low_v: float
    valid_high_v: float
    sink_disconnect_v: float


def voltage_limits(kind: PdoKind, min_voltage_v: float, max_voltage_v: float) -> VoltageLimits:
    """Voltage limits of a contract at the source's connector.

    Sink disconnect threshold: 0.9 x (0.95 V - 0.75 V - 0.5 V), for PPS with 0.1 V in place of
    0.5 V (public kernel driver).

    Parameters
    ----------
    kind
        Kind of the contract's object.
    min_voltage_v, max_voltage_v
        Range of a variable or battery object; for the others both are the fixed or requested
        voltage [V].

    Returns
    -------
    VoltageLimits
        The limits.
    """
    margin_v = 0.1 if kind is PdoKind.PPS else 0.5
    low, high = 0.95 * min_voltage_v, 1.05 * max_voltage_v
    disconnect = 0.9 * (low - CABLE_DROP_V - margin_v)
    return VoltageLimits(low, high, low - margin_v, high + margin_v, disconnect)


@dataclass(frozen=True, slots=True)
class VbusTrace:
    """A recorded VBUS voltage on the log's clock: times [s] and voltages [V], shape (count,)."""

    time_s: NDArray[np.float64]
    voltage_v: NDArray[np.float64]

    def span(self, start_s: float, end_s: float) -> "VbusTrace":
        """Cut out a part, with interpolated points at its ends.

        Parameters
        ----------
        start_s, end_s
            Ends of the part [s].

        Returns
        -------
        VbusTrace
            The part; empty when the trace does not cover it fully.
        """
        if self.time_s.size == 0 or start_s < self.time_s[0] or end_s > self.time_s[-1]:
            return VbusTrace(np.empty(0), np.empty(0))
        first = int(np.searchsorted(self.time_s, start_s, side="right"))
        last = int(np.searchsorted(self.time_s, end_s, side="left"))
        ends = np.interp([start_s, end_s], self.time_s, self.voltage_v)
        return VbusTrace(
            np.concatenate(([start_s], self.time_s[first:last], [end_s])),
            np.concatenate(([ends[0]], self.voltage_v[first:last], [ends[1]])),
        )

    def first_below(self, threshold_v: float, start_s: float) -> float | None:
        """Find when the voltage first goes below a threshold.

        Parameters
        ----------
        threshold_v
            Threshold [V].
        start_s
            Time to start from [s].

        Returns
        -------
        float or None
            Interpolated time; the start itself when it is below already; ``None`` when it stays
            above to the end of the trace.
        """
        return _first(self, threshold_v, start_s, below=True)

    def first_above(self, threshold_v: float, start_s: float) -> float | None:
        """Find when the voltage first reaches a threshold from below.

        Parameters
        ----------
        threshold_v
            Threshold [V].
        start_s
            Time to start from [s].

        Returns
        -------
        float or None
            Interpolated time; the start itself when it is above already; ``None`` when it stays
            below to the end of the trace.
        """
        return _first(self, threshold_v, start_s, below=False)


def vbus_trace(time_s: ArrayLike, voltage_v: ArrayLike, *, offset_s: float = 0.0) -> VbusTrace:
    """Take a VBUS trace.

    Parameters
    ----------
    time_s
        Times in rising order, shape (count,) [s].
    voltage_v
        Voltages, shape (count,) [V].
    offset_s
        What to add to the trace's times to get the log's [s].

    Returns
    -------
    VbusTrace
        The trace on the log's clock.

    Raises
    ------
    UsbPdError
        If shapes differ, a value is not finite or times do not rise.
    """
    time = np.asarray(time_s, dtype=np.float64)
    voltage = np.asarray(voltage_v, dtype=np.float64)
    if time.ndim != 1 or time.shape != voltage.shape:
        raise UsbPdError(f"expected times and voltages of one shape (count,); got {time.shape}, {voltage.shape}")
    if not (np.all(np.isfinite(time)) and np.all(np.isfinite(voltage))):
        bad = int(np.flatnonzero(~(np.isfinite(time) & np.isfinite(voltage)))[0])
        raise UsbPdError(f"sample {bad} of the VBUS trace is not finite; leave gaps out")
    if np.any(np.diff(time) <= 0):
        bad = int(np.flatnonzero(np.diff(time) <= 0)[0]) + 1
        raise UsbPdError(f"sample {bad} of the VBUS trace is not later than the one before it")
    return VbusTrace(time + offset_s, voltage)


def _first(trace: VbusTrace, threshold_v: float, start_s: float, *, below: bool) -> float | None:
    if trace.time_s.size == 0 or start_s > trace.time_s[-1]:
        return None
    part = trace.span(max(start_s, float(trace.time_s[0])), float(trace.time_s[-1]))
    hit = part.voltage_v < threshold_v if below else part.voltage_v >= threshold_v
    at = np.flatnonzero(hit)
    if at.size == 0:
        return None
    index = int(at[0])
    if index == 0:
        return float(part.time_s[0])
    return _crossing(part, index - 1, threshold_v)


def _crossing(part: VbusTrace, index: int, threshold_v: float) -> float:
    """Time at which the line between two samples meets the threshold."""
    t0, t1 = part.time_s[index], part.time_s[index + 1]
    v0, v1 = part.voltage_v[index], part.voltage_v[index + 1]
    return float(t0 + (threshold_v - v0) / (v1 - v0) * (t1 - t0))


def longest_below(trace: VbusTrace, threshold_v: float) -> float:
    """Longest unbroken time below a threshold.

    Between samples the voltage is taken to run straight.

    Parameters
    ----------
    trace
        The trace.
    threshold_v
        Threshold [V].

    Returns
    -------
    float
        Time [s]; 0 when the voltage never goes below.
    """
    below = trace.voltage_v < threshold_v
    if not np.any(below):
        return 0.0
    change = np.flatnonzero(below[1:] != below[:-1])
    edges = [_crossing(trace, int(index), threshold_v) for index in change]
    if below[0]:
        edges.insert(0, float(trace.time_s[0]))
    if below[-1]:
        edges.append(float(trace.time_s[-1]))
    return max(end - start for start, end in zip(edges[::2], edges[1::2], strict=True))


def movement_start(trace: VbusTrace, start_s: float, end_s: float, *, threshold_v: float = 0.1) -> float | None:
    """Find when VBUS starts to move after an event.

    The level before is the median of the 5 ms before the event (or of what there is); the start is
    where the voltage first leaves it by the threshold, which must be well above ripple (common
    practice, no source).

    Parameters
    ----------
    trace
        The trace.
    start_s, end_s
        Event, and the time by which movement must have begun [s].
    threshold_v
        Distance from the level before [V].

    Returns
    -------
    float or None
        Time [s]; ``None`` when it does not move or the trace does not cover the time.
    """
    part = trace.span(start_s, end_s)
    if part.time_s.size == 0:
        return None
    earlier = trace.span(max(start_s - 0.005, float(trace.time_s[0])), start_s)
    level = float(np.median(earlier.voltage_v))
    away = np.abs(part.voltage_v - level) > threshold_v
    at = np.flatnonzero(away)
    if at.size == 0:
        return None
    index = int(at[0])
    if index == 0:
        return float(part.time_s[0])
    edge = level + threshold_v if part.voltage_v[index] > level else level - threshold_v
    return _crossing(part, index - 1, edge)
