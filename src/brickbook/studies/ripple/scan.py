"""One pass over a channel: everything the ripple figures need, in memory that does not grow with the capture.

The channel is cut into chunks that two threads work through; a chunk is cut into blocks, and of each block the lowest,
highest, mean and mean square are kept, as captured and in the measuring band. Segments of a chunk go through a Hann
window and a Fourier transform, whose squares are added up (Welch, IEEE Trans. Audio Electroacoust. AU-15 (1967) 70;
from memory) and whose strongest line is kept, so that a switching frequency can be followed. What is below a few
kilohertz is found later, from the block means.

Sums are of numbers with the channel's centre taken off, in float32 over at most 1024 numbers and in float64 beyond: a
float32 sum over a whole capture is wrong in the third digit. The result does not depend on which thread was faster.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from brickbook.core.capture import INVALID, Channel
from brickbook.studies.ripple.band import BandFilter

__all__ = ["Histogram", "Lines", "Scan", "Trace", "dealt", "scan"]

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

_CHUNK = 1 << 18  # samples; a megabyte of float32 stays in a core's own cache
_SUM = 1024  # numbers added up in float32
_BLOCKS = 1 << 17  # most blocks of a capture
_SMALLEST = 16  # samples in a block
_BINS = 8192
_GROUPS = 16  # parts of which the distribution is kept apart
_WHOLE = 1 << 25  # samples up to which every one is counted in the distribution
_RESOLUTION_HZ = 4000.0  # aimed at in the spectrum
_SEGMENTS = (1 << 9, 1 << 15)  # shortest and longest segment
_FEW = 64  # segments below which they overlap by half
_LINES_HZ = (20e3, 3e6)  # where the switching frequency is looked for


@dataclass(frozen=True, slots=True)
class Trace:
    """Blocks of samples in time order; shapes (blocks,), units of the channel. NaN for a block with missing samples.

    Parameters
    ----------
    low, high
        Extremes.
    mean
        Arithmetic mean.
    square
        Mean square about the scan's centre.
    """

    low: FloatArray
    high: FloatArray
    mean: FloatArray
    square: FloatArray


@dataclass(frozen=True, slots=True)
class Lines:
    """Strongest line of each segment between 20 kHz and 3 MHz, shapes (segments,).

    Parameters
    ----------
    start
        Index of the segment's first sample.
    frequency_hz
        Between the bins, from the ratio of the neighbouring bins of a Hann window.
    power
        Mean square of a sine at the line [unit^2].
    """

    start: NDArray[np.int64]
    frequency_hz: FloatArray
    power: FloatArray


@dataclass(frozen=True, slots=True)
class Histogram:
    """How often each value occurred, in equal bins.

    Parameters
    ----------
    low, width
        Lower end of the first bin and width of all.
    counts
        Shape (groups, bins): stretches of the capture dealt to the groups in turn, so that each sees all of it.
    one_in
        Every how many-th block was counted.
    """

    low: float
    width: float
    counts: NDArray[np.int64]
    one_in: int

    def quantiles(self, *p: float, group: int | None = None) -> FloatArray:
        """Values not exceeded by the shares `p` of the samples, straight lines within a bin."""
        counts = self.counts.sum(axis=0) if group is None else self.counts[group]
        cumulative = np.concatenate([[0], np.cumsum(counts)]).astype(np.float64)
        filled = np.concatenate([[True], np.diff(cumulative) > 0])
        edges = self.low + self.width * np.arange(len(cumulative))
        # an empty bin has no width on the way up; it starts where the next sample is
        start = np.where(filled, edges, np.nan)
        wanted = np.asarray(p) * cumulative[-1]
        place = np.clip(np.searchsorted(cumulative, wanted, side="left"), 1, len(cumulative) - 1)
        step = cumulative[place] - cumulative[place - 1]
        inside = np.where(step > 0, (wanted - cumulative[place - 1]) / np.where(step > 0, step, 1.0), 0.0)
        return np.asarray(start[place] - self.width * (1.0 - inside), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Scan:
    """What one pass found; values in the channel's unit.

    Parameters
    ----------
    count, interval_s
        Samples and their spacing.
    centre
        Value that was taken off before anything was squared.
    block
        Samples in a block.
    weights
        Samples used in each block, shape (blocks,); 0 where samples are missing.
    wide, band
        As captured; and within the measuring band, `None` when no filter was asked for. With a band there is no mean
        square of the wide one (NaN), and the means are those of the samples as captured.
    frequency_hz, density
        Spectrum: power density, one-sided [unit^2/Hz]. Of the samples as captured.
    segments
        Number of segments averaged.
    lines
        The strongest line of each.
    histogram
        Of the band where there is one, else as captured.
    missing
        Samples that are no reading.
    run_low, run_high
        How many samples in a row sit on the lowest and the highest value.
    step
        Spacing of the values that occur, where they stand on a grid; 0 when none was seen.
    """

    count: int
    interval_s: float
    centre: float
    block: int
    weights: NDArray[np.int64]
    wide: Trace
    band: Trace | None
    frequency_hz: FloatArray
    density: FloatArray
    segments: int
    lines: Lines
    histogram: Histogram
    missing: int
    run_low: int
    run_high: int
    step: float

    @property
    def block_time_s(self) -> FloatArray:
        """Middle of each block, from the first sample on [s]."""
        start = self.block * np.arange(len(self.weights), dtype=np.float64)
        return (start + (self.block_sizes - 1) / 2) * self.interval_s

    @property
    def block_sizes(self) -> NDArray[np.int64]:
        """Samples in each block, missing or not; the last may be shorter."""
        sizes = np.full(len(self.weights), self.block, dtype=np.int64)
        sizes[-1] = self.count - self.block * (len(sizes) - 1)
        return sizes


@dataclass(frozen=True, slots=True)
class _Plan:
    channel: Channel
    interval_s: float
    count: int
    chunk: int
    block: int
    segment: int
    overlap: bool
    centre: float  # stored units
    low: float  # of the histogram, stored units less centre
    width: float
    one_in: int
    dealt: bool  # whether the blocks of a chunk are dealt to the groups, not whole chunks
    window: Float32
    band: BandFilter | None
    first_line: int
    last_line: int


@dataclass(frozen=True, slots=True)
class _Piece:
    """What a chunk gave, in stored units less centre."""

    start: int
    wide: FloatArray  # (4, blocks): low, high, mean, square
    band: FloatArray | None
    good: NDArray[np.bool_]
    power: FloatArray | None
    segments: int
    lines: FloatArray  # (3, segments)
    counts: NDArray[np.int64]
    missing: int
    low_run: tuple[float, int]
    high_run: tuple[float, int]


def scan(channel: Channel, interval_s: float, *, band: BandFilter | None = None, threads: int = 2) -> Scan:
    """Go through a channel once.

    Parameters
    ----------
    channel
        At least 64 samples.
    interval_s
        Sample interval [s].
    band
        Filter of the measuring band; `None` to take the samples as they are.
    threads
        How many work on it.

    Raises
    ------
    ValueError
        When there are fewer than 64 samples, or none is a reading.
    """
    count = channel.samples.count
    if count < 64:
        raise ValueError(f"a capture of {count} samples is too short for a ripple figure; at least 64 are needed")
    plan, step = _plan(channel, interval_s, band)
    pieces, sums = _gathered(plan, _run(plan, threads))
    if not sums.counts.any():
        raise ValueError("no stretch of the capture is free of missing samples")
    total = sums.counts.sum()
    if max(int(sums.counts[:, 0].sum()), int(sums.counts[:, -1].sum())) > 5e-4 * total:
        # the first look at the capture missed how far it reaches: count again, now that the extremes are known
        plan = _widened(plan, pieces)
        _, again = _gathered(plan, _run(plan, threads, only_counts=True))
        sums = replace(sums, counts=again.counts)
    return _assembled(plan, pieces, sums, _histogram(plan, sums.counts), step)


@dataclass(frozen=True, slots=True)
class _Sums:
    """What is added up over the chunks, so that it need not be kept of each."""

    power: FloatArray
    segments: int
    counts: NDArray[np.int64]
    missing: int


def _gathered(plan: _Plan, run: Iterator[_Piece]) -> tuple[list[_Piece], _Sums]:
    """Pieces without their large arrays, in order, and the sums of those."""
    power = np.zeros(plan.segment // 2 + 1)
    counts = np.zeros((_GROUPS, _BINS), dtype=np.int64)
    none = np.empty((0, 0), dtype=np.int64)
    pieces: list[_Piece] = []
    segments = missing = 0
    for piece in run:
        if piece.power is not None:
            power += piece.power
        segments += piece.segments
        missing += piece.missing
        if plan.dealt:
            counts += piece.counts
        else:
            counts[dealt(np.array([piece.start // plan.chunk]), _GROUPS)[0]] += piece.counts[0]
        pieces.append(replace(piece, power=None, counts=none))
    return pieces, _Sums(power, segments, counts, missing)


def _plan(channel: Channel, interval_s: float, band: BandFilter | None) -> tuple[_Plan, float]:
    count = channel.samples.count
    block = max(_SMALLEST, _power_of_two(count / _BLOCKS))
    segment = min(max(_power_of_two(1.0 / (interval_s * _RESOLUTION_HZ)), _SEGMENTS[0]), _SEGMENTS[1])
    segment = max(min(segment, _power_of_two(count / 4 + 1) >> 1), 16)
    chunk = max(min(_CHUNK, _power_of_two(count / _GROUPS) >> 1), segment, block)
    look = _first_look(channel, count)
    finite = look[np.isfinite(look)]
    if not len(finite):
        finite = np.zeros(1)
    centre = float(np.float32(finite.mean()))  # a float32, so that taking it off and putting it back is exact
    reach = float(finite.max() - finite.min()) or 1e-6 * max(abs(centre), 1e-3)
    low, high = float(finite.min()) - centre - reach / 4, float(finite.max()) - centre + reach / 4
    resolution = 1.0 / (interval_s * segment)
    plan = _Plan(
        channel=channel,
        interval_s=interval_s,
        count=count,
        chunk=chunk,
        block=block,
        segment=segment,
        overlap=count // segment < _FEW,
        centre=centre,
        low=low,
        width=(high - low) / _BINS,
        one_in=1 if count <= _WHOLE else 8,
        dealt=count < _GROUPS * _GROUPS * chunk,
        window=(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(segment) / segment)).astype(np.float32),
        band=band,
        first_line=max(3, int(np.ceil(_LINES_HZ[0] / resolution))),
        last_line=min(int(_LINES_HZ[1] / resolution), int(0.4 * segment)),
    )
    return plan, _grid(finite) * abs(channel.gain)


def _first_look(channel: Channel, count: int) -> FloatArray:
    """Some stretches from all over the capture, in stored units."""
    places = np.linspace(0, max(0, count - 4096), 64).astype(np.int64)
    parts = [channel.samples.read(int(p), min(int(p) + 4096, count)) for p in np.unique(places)]
    look = np.concatenate(parts).astype(np.float64)
    look[~(np.abs(look) < INVALID)] = np.nan
    return look


def _grid(values: FloatArray) -> float:
    """Spacing of a grid the values stand on, in their unit; 0 when there is none."""
    distinct = np.unique(values)
    if not 2 <= len(distinct) <= len(values) // 8:
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


def _power_of_two(x: float) -> int:
    """The power of two at or above x."""
    return 1 << max(0, int(np.ceil(np.log2(max(x, 1.0)))))


def _run(plan: _Plan, threads: int, *, only_counts: bool = False) -> Iterator[_Piece]:
    spans: list[tuple[int, int, int]] = []
    for start in range(0, plan.count, plan.chunk):
        stop = min(start + plan.chunk, plan.count)
        whole = start + (stop - start) // plan.block * plan.block
        if whole > start:
            spans.append((start, whole, plan.block))
        if stop > whole:
            spans.append((whole, stop, stop - whole))
    spaces = threading.local()

    def work(span: tuple[int, int, int]) -> _Piece:
        if not hasattr(spaces, "own"):
            spaces.own = _Space(plan)
        return _piece(plan, spaces.own, *span, only_counts=only_counts)

    if threads == 1 or len(spans) == 1:
        yield from map(work, spans)
        return
    with ThreadPoolExecutor(threads) as pool:
        # not all at once: what waits to be taken would fill the memory
        for first in range(0, len(spans), 64):
            yield from pool.map(work, spans[first : first + 64])


class _Space:
    """Memory one thread uses again and again."""

    def __init__(self, plan: _Plan) -> None:
        lead = plan.band.lead if plan.band is not None else 0
        self.x = np.empty(plan.chunk + lead, dtype=np.float32)
        self.y = np.empty(plan.chunk + lead, dtype=np.float32)
        self.scratch = np.empty(plan.chunk + lead, dtype=np.float32)
        self.index = np.empty(plan.chunk, dtype=np.int64)


def _piece(plan: _Plan, space: _Space, start: int, stop: int, block: int, *, only_counts: bool) -> _Piece:
    n = stop - start
    lead = plan.band.lead if plan.band is not None else 0
    have = min(lead, start)
    stored = plan.channel.samples.read(start - have, stop)
    x = space.x[: lead + n]
    lost = _centred(stored, plan.centre, x[lead - have :])
    if have < lead:
        x[: lead - have] = x[lead - have]  # as if the first sample had stood for ever
    own = x[lead:]
    good = np.ones(n // block, dtype=np.bool_)
    missing = 0
    if lost is not None:
        missing = int(np.count_nonzero(lost[have:]))
        good = np.logical_not(lost[have:].reshape(-1, block).any(axis=1))
        good[1:] &= good[:-1].copy()  # the filter still remembers the gap in the block after it
        if lost[:have].any():
            good[0] = False
    used, filtered = own, None
    if plan.band is not None:
        filtered = plan.band.apply(x, space.y[: lead + n], space.scratch[: lead + n])[lead:]
        used = filtered
    counts = _counted(plan, used, start, good, block, space)
    if only_counts:
        empty = np.empty((4, 0))
        return _Piece(start, empty, None, good, None, 0, empty, counts, missing, (np.inf, 0), (-np.inf, 0))
    wide = _blocks(own, block, square=filtered is None)
    low_run, high_run = _run_at(own, float(wide[0].min())), _run_at(own, float(wide[1].max()))
    band = _blocks(filtered, block, mean=wide[2]) if filtered is not None else None
    power, segments, lines = _spectrum(plan, own, start, None if lost is None else lost[have:], space)
    return _Piece(start, wide, band, good, power, segments, lines, counts, missing, low_run, high_run)


def _centred(stored: NDArray[Any], centre: float, out: Float32) -> NDArray[np.bool_] | None:
    """Stored numbers less the centre as float32; where some are no readings, which ones (they become 0)."""
    if stored.dtype == np.float32:
        with np.errstate(over="ignore", invalid="ignore"):
            np.subtract(stored, np.float32(centre), out=out)
    elif stored.dtype.kind == "f":
        with np.errstate(over="ignore", invalid="ignore"):
            out[:] = stored - centre
    else:
        np.subtract(stored, centre, out=out, casting="unsafe", dtype=np.float64 if stored.dtype.itemsize > 2 else None)
        return None
    # one sum tells whether all are finite; codes for "no reading" are so large that their squares are not
    with np.errstate(over="ignore", invalid="ignore"):
        suspect = not np.isfinite(np.vecdot(out, out))
    if not suspect:
        return None
    lost: NDArray[np.bool_] = ~(np.abs(stored) < INVALID)
    out[lost] = 0.0
    return lost


def _blocks(x: Float32, block: int, *, mean: FloatArray | None = None, square: bool = True) -> FloatArray:
    """Low, high, mean and mean square of each block, shape (4, blocks).

    A filter of gain 1 at rest leaves the mean of a block what it was, but for a few samples at its ends.
    """
    short = block if block <= _SUM or block % _SUM else _SUM
    rows = x.reshape(-1, short)
    many = block // short
    out = np.full((4, len(rows) // many), np.nan)
    out[0] = _joined(np.minimum.reduce(rows, axis=1), many).min(axis=1)
    out[1] = _joined(np.maximum.reduce(rows, axis=1), many).max(axis=1)
    out[2] = _joined(np.add.reduce(rows, axis=1), many).sum(axis=1, dtype=np.float64) / block if mean is None else mean
    if square:
        out[3] = _joined(np.vecdot(rows, rows), many).sum(axis=1, dtype=np.float64) / block
    return out


def _joined(values: Float32, many: int) -> Float32:
    return values.reshape(-1, many)


def _run_at(x: Float32, value: float) -> tuple[float, int]:
    """An extreme of a chunk, and the most samples in a row that sit on it."""
    hits = np.flatnonzero(x == np.float32(value))
    if len(hits) < 2:
        return value, len(hits)
    ends = np.flatnonzero(np.diff(hits) > 1)
    edges = np.concatenate([[-1], ends, [len(hits) - 1]])
    return value, int(np.diff(edges).max())


def _counted(
    plan: _Plan, x: Float32, start: int, good: NDArray[np.bool_], block: int, space: _Space
) -> NDArray[np.int64]:
    """Counts of the groups this chunk has samples for, shape (1, bins) or (groups, bins)."""
    rows = x.reshape(-1, block)
    if not good.all():
        rows = rows[good]
    rows = rows[:: plan.one_in]
    scaled = space.scratch[: rows.size].reshape(rows.shape)
    np.subtract(rows, np.float32(plan.low), out=scaled)
    np.multiply(scaled, np.float32(1.0 / plan.width), out=scaled)
    np.clip(scaled, 0.0, _BINS - 1, out=scaled)
    index = space.index[: rows.size]
    index[:] = scaled.ravel()
    if not plan.dealt:
        return np.bincount(index, minlength=_BINS)[np.newaxis]
    first = start + block * np.flatnonzero(good)[:: plan.one_in]
    group = dealt(first * (_GROUPS * _GROUPS) // plan.count, _GROUPS)
    index.reshape(rows.shape)[:] += _BINS * group[:, np.newaxis]
    return np.bincount(index, minlength=_BINS * _GROUPS).reshape(_GROUPS, _BINS)


def dealt(number: NDArray[np.int64], groups: int) -> NDArray[np.int64]:
    """Group of each of many stretches: dealt by the golden section, which falls in step with no period of a signal."""
    turn = np.mod(number * ((5**0.5 - 1) / 2), 1.0)
    group: NDArray[np.int64] = np.minimum((turn * groups).astype(np.int64), groups - 1)
    return group


def _spectrum(
    plan: _Plan, x: Float32, start: int, lost: NDArray[np.bool_] | None, space: _Space
) -> tuple[FloatArray | None, int, FloatArray]:
    """Sum of the squared transforms, their number, and the strongest line of each (start, bin, power)."""
    size = plan.segment
    total: FloatArray | None = None
    segments = 0
    found: list[FloatArray] = []
    for offset in (0, size // 2) if plan.overlap else (0,):
        many = (len(x) - offset) // size
        if many <= 0:
            continue
        rows = x[offset : offset + many * size].reshape(many, size)
        starts = start + offset + size * np.arange(many, dtype=np.float64)
        if lost is not None:
            whole = ~lost[offset : offset + many * size].reshape(many, size).any(axis=1)
            rows, starts = rows[whole], starts[whole]
            if not len(rows):
                continue
        windowed = space.scratch[: rows.size].reshape(rows.shape)
        np.multiply(rows, plan.window, out=windowed)
        transform = fft.rfft(windowed, axis=1, overwrite_x=True)
        parts = transform.view(np.float32)
        squares = np.einsum("ij,ij->j", parts, parts).astype(np.float64)
        power = squares[0::2] + squares[1::2]
        total = power if total is None else total + power
        segments += len(rows)
        found.append(np.vstack([starts, _strongest(transform, plan.first_line, plan.last_line)]))
    lines = np.concatenate(found, axis=1) if found else np.empty((3, 0))
    return total, segments, lines


def _strongest(transform: NDArray[np.complex64], first: int, last: int) -> FloatArray:
    """Place (in bins) and squared size of the peak of each row, shape (2, rows)."""
    if last - first < 8:
        return np.full((2, len(transform)), np.nan)
    part = transform[:, first - 1 : last + 1]
    squares = part.real**2 + part.imag**2
    inner = squares[:, 1:-1]
    rows = np.arange(len(inner))
    peak = inner.argmax(axis=1)
    middle = np.sqrt(inner[rows, peak]).astype(np.float64)
    left, right = (np.sqrt(squares[rows, peak + k]).astype(np.float64) for k in (0, 2))
    up = right > left
    ratio = np.where(up, right, left) / np.where(middle > 0, middle, 1.0)
    # two neighbouring bins of a Hann-windowed sine d bins from the larger one: r = (1 + d)/(2 - d)
    shift = np.clip((2.0 * ratio - 1.0) / (1.0 + ratio), -0.5, 0.5)
    # and its size there: sin(pi d)/(pi d (1 - d^2)) of the peak
    droop = np.sinc(shift) / np.where(np.abs(shift) < 1, 1.0 - shift**2, 1.0)
    place = first + peak + np.where(up, shift, -shift)
    return np.vstack([place, (middle / droop) ** 2])


def _histogram(plan: _Plan, counts: NDArray[np.int64]) -> Histogram:
    gain = plan.channel.gain
    low, width = plan.low * gain, plan.width * gain
    if gain < 0:
        counts, low, width = counts[:, ::-1], low + _BINS * width, -width
    return Histogram(low + plan.centre * gain + plan.channel.offset, width, counts, plan.one_in)


def _widened(plan: _Plan, pieces: list[_Piece]) -> _Plan:
    traces = [p.wide if p.band is None else p.band for p in pieces]
    low = min(float(t[0][p.good].min(initial=np.inf)) for t, p in zip(traces, pieces, strict=True))
    high = max(float(t[1][p.good].max(initial=-np.inf)) for t, p in zip(traces, pieces, strict=True))
    margin = (high - low) * 1e-6
    return replace(plan, low=low - margin, width=(high - low + 2 * margin) / _BINS)


def _assembled(plan: _Plan, pieces: list[_Piece], sums: _Sums, histogram: Histogram, step: float) -> Scan:
    gain, size = plan.channel.gain, plan.segment
    centre = plan.centre * gain + plan.channel.offset
    good = np.concatenate([p.good for p in pieces])
    wide = _trace(np.concatenate([p.wide for p in pieces], axis=1), good, gain, centre)
    bands = [p.band for p in pieces if p.band is not None]
    band = _trace(np.concatenate(bands, axis=1), good, gain, centre) if bands else None
    # one-sided density 2 |X|^2/(fs sum w^2), sum w^2 = 3/8 of the length for a Hann window
    scale = 2.0 * plan.interval_s * gain**2 / (0.375 * size)
    density = scale * sums.power / max(sums.segments, 1)
    density[0] /= 2
    density[-1] /= 2
    lines = np.concatenate([p.lines for p in pieces], axis=1)
    resolution = 1.0 / (size * plan.interval_s)
    low = min(p.low_run[0] for p in pieces)
    high = max(p.high_run[0] for p in pieces)
    runs = (
        max(p.low_run[1] for p in pieces if p.low_run[0] == low),
        max(p.high_run[1] for p in pieces if p.high_run[0] == high),
    )
    sizes = np.full(len(good), plan.block, dtype=np.int64)
    sizes[-1] = plan.count - plan.block * (len(good) - 1)
    return Scan(
        count=plan.count,
        interval_s=plan.interval_s,
        centre=centre,
        block=plan.block,
        weights=np.where(good, sizes, 0),
        wide=wide,
        band=band,
        frequency_hz=np.arange(size // 2 + 1, dtype=np.float64) * resolution,
        density=density,
        segments=sums.segments,
        lines=Lines(
            start=lines[0].astype(np.int64),
            frequency_hz=lines[1] * resolution,
            # a sine of amplitude a gives |X| = a/2 sum w, sum w = half the length
            power=lines[2] * gain**2 / 2 * (4.0 / size) ** 2,
        ),
        histogram=histogram,
        missing=sums.missing,
        run_low=runs[gain < 0],
        run_high=runs[gain > 0],
        step=step,
    )


def _trace(table: FloatArray, good: NDArray[np.bool_], gain: float, centre: float) -> Trace:
    low, high = table[0] * gain + centre, table[1] * gain + centre
    if gain < 0:
        low, high = high, low
    parts = [low, high, table[2] * gain + centre, table[3] * gain**2]
    for part in parts:
        part[~good] = np.nan
    return Trace(*parts)
