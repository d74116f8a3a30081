"""An oscilloscope, and how one of its captures becomes a file the readers know."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from brickbook.bench.driver import Driver
from brickbook.bench.errors import InstrumentError
from brickbook.core.errors import Fault

__all__ = ["Oscilloscope", "Trace", "archive"]

Coupling = Literal["AC", "DC"]
Trigger = Literal["at_once", "line", "plug"]


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel of a capture: value at the probe's tip = gain times count + offset.

    Parameters
    ----------
    counts
        16-bit integers, shape (n,).
    interval_s, start_s
        Between samples, and of the first [s].
    gain, offset
        Probe ratio included where the instrument states it.
    probe_ratio
        As the instrument states it.
    """

    counts: NDArray[np.int16]
    interval_s: float
    start_s: float
    gain: float
    offset: float
    probe_ratio: float


@dataclass(frozen=True, slots=True)
class Oscilloscope:
    """A digital oscilloscope; its channels are columns: `channels = { "port_voltage_v@C1" = "1" }`."""

    driver: Driver

    @property
    def channels(self) -> Mapping[str, str]:
        """Column to channel."""
        return self.driver.instrument.channels

    def set_up(self, time_s: float, points: int) -> None:
        """Length of a capture [s] and its number of samples."""
        self.driver.do("set_time", time_s=float(time_s))
        self.driver.do("set_points", points=str(points))

    def set_channel(self, column: str, range_v: float, coupling: Coupling) -> None:
        """Top less bottom of the screen, and coupling."""
        self.driver.do("set_coupling", coupling=coupling, channel=self.channels[column])
        self.driver.do("set_range", range_v=float(range_v), channel=self.channels[column])

    def trigger(self, what: Trigger) -> None:
        """What it waits for; raises `InstrumentError` where it cannot."""
        self.driver.do(f"trigger_{what}")

    def trigger_on(self, column: str, level: float) -> None:
        """Wait for a level on a channel."""
        self.driver.do("trigger_channel", channel=self.channels[column], level_v=float(level))

    def start(self) -> None:
        """Begin; what it waits for may come from now on."""
        self.driver.do("start")

    def finish(self) -> None:
        """Wait until the capture is done; raises `LinkTimeout` when its trigger does not come."""
        self.driver.finish("start")

    def read(self, column: str) -> Trace:
        """A channel of the capture; raises `InstrumentError` when samples and preamble disagree."""
        channel = self.channels[column]
        head = self.driver.numbers("preamble", channel=channel)
        data = self.driver.block("samples", channel=channel)
        told = {name: value for name, value in head.items() if value is not None}
        if len(told) < len(head) or len(data) != 2 * int(told["points"]):
            problem = f"{len(data)} bytes of samples came for the preamble {head}."
            raise InstrumentError(Fault(f"instrument {self.driver.name}", f"channel {channel}", problem))
        counts = np.frombuffer(data, dtype="<i2").astype(np.int16)
        ratio = told["probe_ratio"] or 1.0
        return Trace(
            counts, told["interval_s"], told["start_s"], told["volts_per_count"], told["offset_v"], probe_ratio=ratio
        )


def archive(traces: Mapping[str, Trace]) -> bytes:
    """Traces taken together as one NumPy archive: header to counts, and the interval; equal input, equal bytes."""
    out = io.BytesIO()
    first = next(iter(traces.values()))
    arrays: dict[str, Any] = {"interval_s": np.float64(first.interval_s)}
    arrays |= {header: trace.counts for header, trace in traces.items()}
    np.savez_compressed(out, **arrays)
    return out.getvalue()
