"""What an oscilloscope may have got wrong about a transient: gain, offset, steps of the converter, clock, clipping.

Error model. The accuracy of a scope in per cent, of reading or of full scale, is taken as a bound of its gain error:
one unknown factor common to all differences read by one scope on one range with one probe. A value against ground has
the whole accuracy, offset included. The steps of the converter (q) average out of a mean as far as noise moves the
samples over them: with noise of standard deviation s what is left of a mean is at most the sum over k = 1, 2, ... of
q/(k pi) exp(-2 (k pi s/q)^2), and never more than q/2 (Widrow & Kollar, Quantization Noise, 2008; from memory, high).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.capture import Capture, Channel
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.uncertainty import Source

__all__ = ["TIMEBASE", "Scope", "clipped_ends", "grid_of", "quantisation_bound", "scope_of"]

FloatArray = NDArray[np.float64]

TIMEBASE = 1e-4  # bound of a scope's clock error (common practice, no source)
_RUN = 3  # samples in a row on the end of the range that are taken for clipping


@dataclass(frozen=True, slots=True)
class Scope:
    """One channel of a capture as a source of error.

    Parameters
    ----------
    channel
        The channel.
    accuracy
        Of the instrument for the quantity.
    step
        Step of the converter, stated or seen [unit]; 0 when there is none.
    """

    channel: Channel
    accuracy: Accuracy
    step: float

    @property
    def name(self) -> str:
        """The instrument's name, with range and probe: readings by one such are wrong together."""
        c = self.channel
        scale = f" {c.setting.full_scale:g}" if c.setting.full_scale is not None else ""
        probe = f", {c.setting.probe_ratio:g}:1" if c.setting.probe_ratio != 1 else ""
        return f"{c.instrument}: {c.quantity}{scale}{probe}"

    @property
    def gain_ratio(self) -> float:
        """Bound of the relative gain error."""
        ratio = (self.accuracy.percent_reading + self.accuracy.percent_range) / 100
        if ratio:
            return ratio
        reach = self.channel.setting.full_scale or self.accuracy.range_max
        return self.accuracy.bound(reach) / reach if reach else 0.0

    def gain(self, difference: float) -> tuple[Source, float]:
        """The gain error's part in a difference of this channel [unit]."""
        return Source(f"{self.name}, gain", "B", "rectangular"), difference * self.gain_ratio / 3**0.5

    def absolute(self, value: float) -> tuple[Source, float]:
        """The accuracy's part in a value of this channel against ground [unit]."""
        return Source(f"{self.name}, accuracy", "B", "rectangular"), self.accuracy.bound(value) / 3**0.5

    def clock(self, time_s: float) -> tuple[Source, float]:
        """The clock's part in a stretch of time [s]."""
        return Source(f"{self.channel.instrument or 'scope'}: clock", "B", "rectangular"), time_s * TIMEBASE / 3**0.5


def scope_of(channel: Channel, height: float, seen: FloatArray, instruments: Mapping[str, Instrument]) -> Scope:
    """The channel with its instrument's accuracy.

    Parameters
    ----------
    height
        A typical reading [unit].
    seen
        Some of the samples, from which a step that is not stated is told.

    Raises
    ------
    KeyError
        When the instrument or its accuracy for the quantity is not in bench.toml.
    """
    if channel.instrument not in instruments:
        known = ", ".join(sorted(instruments)) or "none"
        raise KeyError(f"no instrument {channel.instrument!r} in bench.toml for {channel.quantity} (known: {known})")
    instrument, full_scale = instruments[channel.instrument], channel.setting.full_scale
    accuracy = instrument.accuracy_for(channel.quantity, height, full_scale)
    accuracy = accuracy or instrument.accuracy_for(channel.quantity, height)
    if accuracy is None:
        raise KeyError(f"instrument {channel.instrument!r} has no accuracy line for {channel.quantity} at {height:.6g}")
    return Scope(channel, accuracy, grid_of(seen) or channel.setting.step or 0.0)


def grid_of(values: FloatArray) -> float:
    """Spacing of a grid the values stand on, in their unit; 0 when there is none to be seen."""
    distinct = np.unique(values[np.isfinite(values)])
    if not 3 <= len(distinct) <= len(values) // 4:
        return 0.0
    gaps = np.diff(distinct)
    rounding = 8 * np.finfo(np.float32).eps * float(np.max(np.abs(distinct)))
    gaps = gaps[gaps > rounding]
    if not len(gaps):
        return 0.0
    step = float(gaps.min())
    step = float(np.mean(gaps[gaps < 1.5 * step]))
    off = np.abs(gaps / step - np.round(gaps / step))
    return step if bool((off < 0.1 + rounding / step).all()) else 0.0


def quantisation_bound(step: float, noise: float) -> float:
    """What the converter's steps may leave in a mean of samples with this noise [unit of both].

    Parameters
    ----------
    step
        q [unit].
    noise
        Standard deviation of what moves the samples before the converter [unit].
    """
    if step <= 0.0:
        return 0.0
    k = np.arange(1, 50)
    return min(step / 2, step * float(np.sum(np.exp(-2.0 * (k * np.pi * noise / step) ** 2) / (k * np.pi))))


def clipped_ends(capture: Capture, channel: Channel, values: FloatArray, step: float) -> tuple[str, ...]:
    """Flags where three or more samples in a row stand on the end of the converter's range.

    Empty as well where the range is not stated: `Channel.rails` is `None` then, and nothing can be told.
    """
    rails = channel.rails
    if rails is None or capture.count == 0:
        return ()
    slack = 1.01 * (step or 1e-6 * (rails[1] - rails[0]))
    flags = []
    for what, on_end in (("bottom", values <= rails[0] + slack), ("top", values >= rails[1] - slack)):
        run = on_end[: len(on_end) - (_RUN - 1)].copy() if len(on_end) >= _RUN else np.zeros(0, dtype=np.bool_)
        for shift in range(1, _RUN):
            run &= on_end[shift : len(on_end) - (_RUN - 1) + shift]
        if run.any():
            flags.append(f"clipped at the {what} of the screen: the true value goes further; use a larger range")
    return tuple(flags)
