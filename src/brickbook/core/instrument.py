"""Instruments as bench.toml describes them, and what their accuracy means for a reading.

Error model (stated so that it can be disputed). The accuracy "p % of reading + q % of range + n digits" is a bound:
with reading x, full scale R and last digit d the error lies within ±a(x), a(x) = p|x| + qR + nd, with equal probability
(rectangular, JCGM 100:2008 4.3.7). Within one instrument, quantity and range the error is taken as one unknown
fraction of that bound, the same for all readings: it does not average away, and it cancels in a difference only as far
as the bound is the same. What does differ from reading to reading, the departure from a straight line, is a source of
its own (`linearity_percent_range`, else half the last digit), drawn anew for each reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Ge, Gt, MinLen

__all__ = ["Accuracy", "Instrument", "current_reach_a"]

NonNegative = Annotated[float, Ge(0)]


@dataclass(frozen=True, slots=True)
class Accuracy:
    """One line of an instrument's accuracy table.

    Parameters
    ----------
    quantity
        A name of `core.quantities`, e.g. "mains_power_w"; for any channel.
    percent_reading, percent_range
        Parts of the bound [%].
    range_max
        Full scale [unit of the quantity]; also the largest reading this line serves. `None`: any reading, and
        `percent_range` must be 0.
    digits, resolution
        Count of last digits in the bound, and one last digit's worth [unit].
    absolute
        A fixed part of the bound [unit].
    linearity_percent_range
        Bound of what differs from reading to reading on one range [%]; `None`: half of `resolution`.
    reference
        Quantities of one instrument that share a reference error carry the same word; else each has its own.
    """

    quantity: Annotated[str, MinLen(1)]
    percent_reading: NonNegative = 0.0
    percent_range: NonNegative = 0.0
    range_max: Annotated[float, Gt(0)] | None = None
    digits: NonNegative = 0.0
    resolution: NonNegative = 0.0
    absolute: NonNegative = 0.0
    linearity_percent_range: NonNegative | None = None
    reference: str = ""

    def __post_init__(self) -> None:
        if self.range_max is None and (self.percent_range or self.linearity_percent_range):
            raise ValueError("percent_range and linearity_percent_range need range_max")
        if self.digits and not self.resolution:
            raise ValueError("digits needs resolution, the worth of one last digit")
        if not (self.percent_reading or self.percent_range or self.digits or self.absolute):
            raise ValueError("the accuracy is zero: give percent_reading, percent_range, digits or absolute")

    def bound(self, reading: float) -> float:
        """Half-width a(x) of the error bound [unit] at a reading [unit]."""
        full_scale = self.range_max or 0.0
        return (
            self.percent_reading / 100 * abs(reading)
            + self.percent_range / 100 * full_scale
            + self.digits * self.resolution
            + self.absolute
        )

    def linearity(self) -> float:
        """Half-width of what differs from reading to reading [unit]."""
        if self.linearity_percent_range is not None:
            return self.linearity_percent_range / 100 * (self.range_max or 0.0)
        return self.resolution / 2


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument of bench.toml.

    Parameters
    ----------
    role
        What it does on the bench.
    accuracy
        Its accuracy table; for each quantity the line with the smallest range that holds the reading is used.
    calibrated, due
        ISO dates; a reading taken after `due` is flagged.
    address
        VISA resource name, e.g. "TCPIP::192.0.2.7::5025::SOCKET" or "ASRL/dev/ttyUSB0::INSTR"; "" for an instrument
        the tester reads by hand or whose files are taken in.
    dialect
        Name of the file that says how to speak to it: one of the generic ones, or a TOML file beside bench.toml.
    channels
        What is connected to each of its channels: port id, or "body", "ambient" ..., to the instrument's channel.
    """

    role: Literal[
        "ac-source",
        "ac-power-meter",
        "dc-load",
        "dc-meter",
        "voltmeter",
        "oscilloscope",
        "temperature-logger",
        "pd-sink",
        "message-recorder",
        "scale",
        "calliper",
        "clock",
        "other",
    ]
    accuracy: tuple[Accuracy, ...] = ()
    description: str = ""
    serial: str = ""
    calibrated: str = ""
    due: str = ""
    address: str = ""
    dialect: str = ""
    channels: Mapping[str, str] = field(default_factory=dict)

    def accuracy_for(self, quantity: str, reading: float, range_max: float | None = None) -> Accuracy | None:
        """The line that applies to a reading [unit], on a stated range or the smallest that holds it.

        `None` when there is none: an accuracy does not speak of readings beyond its full scale.
        """
        fitting = [
            line
            for line in self.accuracy
            if line.quantity == quantity and (line.range_max is None or abs(reading) <= line.range_max)
        ]
        if range_max is not None:
            stated = (line for line in fitting if line.range_max is not None and _close(line.range_max, range_max))
            return next(stated, None)
        return min(fitting, key=lambda line: line.range_max or float("inf"), default=None)


def current_reach_a(instrument: Instrument) -> float | None:
    """Largest current a load or meter states an accuracy for [A]; `None` where it has no full scale."""
    scales = [line.range_max for line in instrument.accuracy if line.quantity == "port_current_a"]
    if not scales or None in scales:
        return None
    return max(scale for scale in scales if scale is not None)


def _close(a: float, b: float) -> bool:
    return abs(a - b) <= 1e-6 * max(a, b)
