"""How far time stamps can be trusted, and times between them.

A stamp errs as `core.instrument` says of every reading: by one unknown fraction of the clock's bound, the same for all
stamps of one clock, and by what differs from stamp to stamp (half the last digit, or the stated linearity). In a time
between two stamps of one clock the first part leaves the clock's rate only; between two clocks it stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from brickbook.core.instrument import Instrument
from brickbook.core.table import Table
from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.usbpd import frame_duration_s

__all__ = ["Clock", "Kind", "stretch"]

Kind = Literal["message", "event", "vbus"]
# Bit rates of 270 to 330 kbit/s are legal (a PHY data sheet): a GoodCRC may be a tenth longer or shorter than nominal.
_FRAME_ERROR_S = 0.1 * frame_duration_s(0)


@dataclass(frozen=True, slots=True)
class Clock:
    """The clock of one file.

    Parameters
    ----------
    table
        The file.
    kind
        What it holds; names the condition that states its stamps' error where no instrument does.
    instruments
        Of bench.toml.
    """

    table: Table
    kind: Kind
    instruments: Mapping[str, Instrument]

    def stamp(self, time_s: float, label: str = "") -> Measured:
        """A time on the recording's clock [s], with the errors of this file's clock.

        Parameters
        ----------
        time_s
            Time [s].
        label
            What else tells this stamp from another at the same time.

        Raises
        ------
        KeyError
            When neither an instrument nor a condition says how far the stamps can be off.
        """
        path = self.table.raw.path
        origin = self.table.origins.get("time_s")
        name = origin.instrument if origin is not None else ""
        own = Source(f"{path}: {self.kind} stamp at {time_s:.6f} s{label}", "B", "rectangular")
        if name:
            if name not in self.instruments:
                raise KeyError(f"no instrument {name!r} in bench.toml for the time of {path}")
            accuracy = self.instruments[name].accuracy_for("time_s", time_s)
            if accuracy is not None:
                clock = Source(f"{name}: {accuracy.reference or 'time_s'}", "B", "rectangular")
                return Measured(time_s, {clock: accuracy.bound(time_s) / 3**0.5, own: accuracy.linearity() / 3**0.5})
        key = f"{self.kind}_time_error_s"
        given = self.table.conditions
        if key not in given:
            raise KeyError(
                f"how far the time stamps of {path} can be off is not stated: give its instrument an accuracy line for "
                f"time_s in bench.toml, or the file the condition {key}"
            )
        rate = given.number("clock_error_ratio") if "clock_error_ratio" in given else 0.0
        terms = {own: given.number(key) / 3**0.5}
        if rate:
            terms[Source(f"{path}: clock rate as stated", "B", "rectangular")] = rate * time_s / 3**0.5
        return Measured(time_s, terms)

    def crossing(self, time_s: float, label: str) -> Measured:
        """The time [s] at which something happened between two readings of a trace: anywhere between them."""
        times = self.table.columns["time_s"]
        after = int(np.clip(np.searchsorted(times, time_s), 1, len(times) - 1))
        reach = max(time_s - float(times[after - 1]), float(times[after]) - time_s, 0.0)
        source = Source(f"{self.table.raw.path}: between two readings at {time_s:.6f} s, {label}", "B", "rectangular")
        return with_source(self.stamp(time_s, f", {label}"), source, reach / 3**0.5)

    def own_error_s(self, time_s: float) -> float:
        """Half-width of what differs from stamp to stamp [s]."""
        terms = self.stamp(time_s).terms
        return float(sum(abs(float(u)) for source, u in terms.items() if "stamp at" in source.id)) * 3**0.5


def stretch(start: Measured, end: Measured, *, frames: bool = False) -> Measured:
    """Time from one stamp to another [s]; with `frames` it runs from the end of a frame whose length is not known well.

    Stamps are starts (or ends) of frames and the specification counts from the end of one frame to the start of the
    next, so one frame's length enters; `usbpd` takes the nominal bit rate for it.
    """
    between = end - start
    if not frames:
        return between
    source = Source(f"length of the frame before {float(end.value):.6f} s", "B", "rectangular")
    return with_source(between, source, _FRAME_ERROR_S / 3**0.5)
