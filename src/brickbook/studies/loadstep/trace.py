"""Samples of a stretch of a capture in bounded memory, and what they do not show: gaps, peaks inside an average."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.capture import Capture, Channel
from brickbook.core.errors import AnalysisError, Fault

__all__ = ["MOST", "Stretch", "read_stretch"]

FloatArray = NDArray[np.float64]

MOST = 1 << 17  # samples kept of a stretch; more are averaged in groups
_GAPS = 0.01  # share of samples that may be missing


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of one channel.

    Parameters
    ----------
    values
        Samples, or means of `each` of them, shape (n,), finite: gaps are bridged by straight lines.
    each
        Samples in a value.
    first
        Sample the stretch begins with.
    low, high
        Extremes among the samples themselves.
    missing
        Samples that are no readings.
    raw
        Some of the samples as they are, from the beginning: their steps and their noise.
    """

    values: FloatArray
    each: int
    first: int
    low: float
    high: float
    missing: int
    raw: FloatArray


def read_stretch(capture: Capture, channel: Channel, first: int, stop: int, most: int = MOST) -> Stretch:
    """Samples first to stop - 1 of a channel.

    Raises
    ------
    AnalysisError
        When more than a hundredth of them are missing.
    """
    count = stop - first
    each = max(1, -(-count // most))
    parts: list[FloatArray] = []
    low, high, missing = np.inf, -np.inf, 0
    raw = np.zeros(0)
    size = max(1, (1 << 20) // each) * each
    for begin, values in channel.pieces(size, first, first + count // each * each):
        lost = ~np.isfinite(values)
        if lost.any():
            missing += int(np.count_nonzero(lost))
            if lost.all():
                continue
            place = np.arange(len(values))
            values[lost] = np.interp(place[lost], place[~lost], values[~lost])
        low, high = min(low, float(values.min())), max(high, float(values.max()))
        parts.append(values.reshape(-1, each).mean(axis=1) if each > 1 else values)
        if begin == first:
            raw = values[:65536]
    if not parts or missing > _GAPS * count:
        text = f"{missing} of {count} samples are missing."
        raise AnalysisError(Fault(capture.raw.path, channel.header, text, "Record it anew."))
    return Stretch(np.concatenate(parts), each, first, low, high, missing, raw)
