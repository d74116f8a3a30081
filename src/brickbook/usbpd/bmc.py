"""Biphase-mark bits out of a sampled wire.

Biphase-mark code has an edge at the start of every bit and a second one mid-bit for a 1 (from
memory, high confidence).  Two ways to read it live here.

`read_edges` finds threshold crossings with hysteresis and sorts the intervals between them into
half bits and whole bits.  It is quick and right on clean signals.

`track_bits` needs only a start inside the preamble.  Write l_k = +1 or -1 for the direction of the
edge at the start of bit k.  The line is at l_k during the first half of bit k and at -l_(k+1)
during the last half of bit k, whatever the bit is, and every sequence of l is a legal message.  So
the most likely l_k in white noise is simply the sign of

    D(T_k) = integral of the line over [T_k, T_k + h] - integral over [T_k - h, T_k]

with h half a bit, and bit k is a 1 exactly when l_k = l_(k+1).  A baseline cancels in D, and all
samples of both half bits count.  The bit clock T_k is kept by comparing D a little early and a
little late.

Positions in this module are in samples of the region: sample i covers [i, i + 1).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .symbols import PREAMBLE_BITS

LOWEST_BIT_RATE_BPS: Final = 245e3
HIGHEST_BIT_RATE_BPS: Final = 360e3
"""Rates still recognised, so that a transmitter outside 270 to 330 kbit/s can be reported."""

_SHORTEST_S: Final = 1.05e-6
_SHORT_LONG_S: Final = 2.4e-6
_LONGEST_S: Final = 4.6e-6
"""Interval limits before the bit rate is known [s].  Half bits last 1.39 to 2.04 us and whole bits
2.78 to 4.08 us over the rates above, so one border at 2.4 us parts them at any rate."""

_PREAMBLE_LEVELS: Final = np.tile([1.0, 1.0, -1.0, 1.0, -1.0, -1.0, 1.0, -1.0], PREAMBLE_BITS // 4)
"""Line levels of the half bits of a preamble: 0 1 0 1 is ++ -+ -- +-."""

_BLOCK_BITS: Final = 24
"""Bits per step of the clock tracking: 0.25 % drift moves the clock 0.06 bit in one step."""

_ACQUIRE_BITS: Final = 32
"""Preamble bits correlated at once when the edges gave no start."""


class Region:
    """A stretch of samples prepared for reading.

    Parameters
    ----------
    samples
        Shape (n,) [V].
    interval_s
        Time between samples [s].
    minimum_swing_v
        Swing below which nothing counts as a signal [V].
    """

    def __init__(self, samples: NDArray[np.float64], interval_s: float, minimum_swing_v: float) -> None:
        self.samples = samples
        self.interval_s = interval_s
        self.minimum_swing_v = minimum_swing_v
        self.half_bit = 0.5 / (300e3 * interval_s)
        self.cumulative = np.concatenate([[0.0], np.cumsum(samples)])
        self._edges: Edges | None = None
        # Smoothed over about 0.6 half bits and cut into blocks of two bits.
        self.smooth_width = max(1, round(0.6 * self.half_bit))
        width = self.smooth_width
        smooth = (self.cumulative[width:] - self.cumulative[:-width]) / width
        block = int(np.ceil(2.0 / (LOWEST_BIT_RATE_BPS * interval_s)))
        blocks = smooth.size // block
        self.rows: NDArray[np.float64] = smooth[: blocks * block].reshape(blocks, block)
        self.high, self.low = self.rows.max(axis=1), self.rows.min(axis=1)

    @property
    def size(self) -> int:
        """Number of samples."""
        return self.samples.size

    def integral(self, positions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Running integral of the line at fractional positions [V sample]."""
        inside = np.clip(positions, 0.0, self.size)
        whole = np.minimum(inside.astype(np.int64), self.size - 1)
        return self.cumulative[whole] + (inside - whole) * self.samples[whole]

    def lively(self, begin: float, end: float) -> list[tuple[float, float]]:
        """Stretches between two positions that swing for 40 bits or more [sample]."""
        block = self.rows.shape[1]
        first = max(0, int(begin / block))
        span = slice(first, int(end / block) + 1)
        swings = self.high[span] - self.low[span] > 0.6 * self.minimum_swing_v
        flips = np.flatnonzero(np.diff(np.concatenate([[False], swings, [False]]).astype(np.int8)))
        bounds = (first + flips.reshape(-1, 2)) * float(block)
        return [
            (max(begin, float(start) - block), min(end, float(stop) + block))
            for start, stop in bounds
            if stop - start >= 20.0 * block
        ]

    def step(self, positions: NDArray[np.float64], half_bit: float) -> NDArray[np.float64]:
        """D of the module's heading at each position, as a voltage [V]."""
        parts = self.integral(np.stack([positions - half_bit, positions, positions + half_bit]))
        result: NDArray[np.float64] = (parts[2] - 2.0 * parts[1] + parts[0]) / half_bit
        return result

    @property
    def edges(self) -> "Edges":
        """Threshold crossings, found on first use."""
        if self._edges is None:
            self._edges = read_edges(self)
        return self._edges


@dataclass(frozen=True, slots=True)
class Edges:
    """Threshold crossings of a region.

    Attributes
    ----------
    positions
        Shape (n,), interpolated [sample].
    classes
        Shape (n - 1,): 1 for a half bit between two edges, 2 for a whole bit, 0 for neither.
    breaks
        Shape (b,): where `classes` is 0.
    runs
        Shape (r, 2): first and last edge of each stretch that alternates like a preamble.
    """

    positions: NDArray[np.float64]
    classes: NDArray[np.int8]
    breaks: NDArray[np.intp]
    runs: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class BitStream:
    """Consecutive recovered bits.

    Attributes
    ----------
    bits
        Shape (n,), each 0 or 1.
    boundaries
        Shape (n + 1,): start of each bit and end of the last [sample].
    anchor_bit
        A bit that is inside the preamble; those before it may be noise.
    cut
        True when the region ended before the signal did.
    """

    bits: NDArray[np.uint8]
    boundaries: NDArray[np.float64]
    anchor_bit: int
    cut: bool


def read_edges(region: Region) -> Edges:
    """Find threshold crossings of a region and the preambles among them.

    The line is smoothed over about 0.6 half bits.  The threshold is midway between the highest and
    the lowest level of the preceding two to four bits, so it follows ground shift, and what
    follows a frame (the undriven line may rise to 2 V) does not disturb its last bits.

    Parameters
    ----------
    region
        The samples.

    Returns
    -------
    Edges
        Crossings with hysteresis of 15 % of the local swing each way.
    """
    width, rows = region.smooth_width, region.rows
    blocks, block = rows.shape
    if blocks < 3:
        return _sort_edges(region, np.empty(0))
    smooth = rows.ravel()
    high, low = region.high.copy(), region.low.copy()
    high[1:] = np.maximum(high[1:], high[:-1])
    low[1:] = np.minimum(low[1:], low[:-1])
    # Block j looks at blocks j - 2 and j - 1 only.
    high[1:], low[1:] = high[:-1].copy(), low[:-1].copy()
    middle = 0.5 * (high + low)
    band = np.maximum(0.15 * (high - low), 0.15 * region.minimum_swing_v)
    above = (rows > (middle + band)[:, None]).ravel()
    outside = np.flatnonzero(above | (rows < (middle - band)[:, None]).ravel())
    side = above[outside]
    change = np.flatnonzero(side[1:] != side[:-1])
    before, after = outside[change], outside[change + 1]
    start, stop = smooth[before], smooth[after]
    # The threshold may move between the two samples: stay between them, and if the line did not
    # change at all take their middle.
    rise = stop - start
    share = np.full(rise.size, 0.5)
    np.divide(middle[after // block] - start, rise, out=share, where=rise != 0.0)
    positions = before + np.clip(share, 0.0, 1.0) * (after - before) + 0.5 * width
    return _sort_edges(region, positions)


def _sort_edges(region: Region, positions: NDArray[np.float64]) -> Edges:
    """Classify intervals and find the runs that alternate whole, half, half like a preamble."""
    gaps = np.diff(positions) * region.interval_s
    classes = np.zeros(gaps.size, dtype=np.int8)
    classes[(gaps >= _SHORTEST_S) & (gaps < _SHORT_LONG_S)] = 1
    classes[(gaps >= _SHORT_LONG_S) & (gaps < _LONGEST_S)] = 2
    runs = np.empty((0, 2), dtype=np.int64)
    if classes.size >= 6:
        triples = classes[:-2] + classes[1:-1] + classes[2:]
        valid = (classes[:-2] > 0) & (classes[1:-1] > 0) & (classes[2:] > 0)
        periodic = valid[:-1] & (triples[:-1] == 4) & (classes[3:] == classes[:-3])
        flips = np.flatnonzero(np.diff(np.concatenate([[False], periodic, [False]]).astype(np.int8)))
        begins, ends = flips[0::2], flips[1::2]
        long_enough = ends - begins >= 12
        runs = np.stack([begins[long_enough], ends[long_enough] + 3], axis=1)
    return Edges(positions, classes, np.flatnonzero(classes == 0), runs)


def run_clock(edges: Edges, run: tuple[int, int]) -> tuple[int, float]:
    """Bit clock of a preamble run, from its later half.

    Parameters
    ----------
    edges
        The crossings.
    run
        First and last edge of the run, a row of `Edges.runs`.

    Returns
    -------
    tuple
        An edge on a bit boundary, and half a bit [sample].
    """
    first, last = run
    middle = (first + last) // 2
    half_bits = int(edges.classes[middle:last].sum())
    half_bit = float(edges.positions[last] - edges.positions[middle]) / half_bits
    # A whole-bit interval starts and ends on bit boundaries.
    return middle + int(np.argmax(edges.classes[middle:last] == 2)), half_bit


def bits_from_edges(region: Region, run: tuple[int, int]) -> BitStream | None:
    """Read bits from a preamble run on, by the intervals between edges.

    Parameters
    ----------
    region
        The samples.
    run
        First and last edge of the run, a row of `Edges.runs`.

    Returns
    -------
    BitStream or None
        Bits up to the first interval that fits neither half a bit nor a whole one; None when the
        run's bit rate is not recognised.
    """
    anchor, half_bit = run_clock(region.edges, run)
    rate = 0.5 / (half_bit * region.interval_s)
    if not LOWEST_BIT_RATE_BPS <= rate <= HIGHEST_BIT_RATE_BPS:
        return None
    # Nothing beyond the next interval that is no bit at any rate needs a look.
    beyond = int(np.searchsorted(region.edges.breaks, run[1]))
    breaks = region.edges.breaks
    limit = int(breaks[beyond]) + 2 if beyond < breaks.size else region.edges.positions.size
    positions = region.edges.positions[:limit]
    scaled = np.diff(positions[run[0] :]) / half_bit
    count = np.rint(scaled)
    wrong = np.flatnonzero((np.abs(count - 1.5) > 0.6) | (np.abs(scaled - count) > 0.35))
    # The idle level misplaces the first edges: begin after the last misfit before the anchor.
    split = int(np.searchsorted(wrong, anchor - run[0]))
    skip = int(wrong[split - 1]) + 1 if split else 0
    stop = int(wrong[split]) if split < wrong.size else scaled.size
    first = run[0] + skip
    index = np.concatenate([[0], np.cumsum(count[skip:stop].astype(np.int64))])
    # The anchor is on a bit boundary.
    index -= index[anchor - first] & 1
    place = positions[first : run[0] + stop + 1]
    even = (index & 1 == 0) & (index >= 0)
    bounds, boundaries = index[even] >> 1, place[even]
    # Every bit starts with an edge: stop at the first that is missing.
    missing = np.flatnonzero(bounds != np.arange(bounds.size))
    if missing.size:
        boundaries = boundaries[: missing[0]]
    n_bits = max(0, boundaries.size - 1)
    bits = np.zeros(n_bits, dtype=np.uint8)
    middles = index[(index & 1 == 1) & (index > 0)] >> 1
    bits[middles[middles < n_bits]] = 1
    cut = run[0] + stop + 1 >= region.edges.positions.size and not missing.size
    return BitStream(bits, boundaries, 0, cut)


def extend_back(region: Region, stream: BitStream, ordered_set_bit: int) -> int:
    """How many preamble bits stand before the ordered set, those before the stream included.

    Parameters
    ----------
    region
        The samples.
    stream
        Bits recovered from inside the preamble on.
    ordered_set_bit
        Where the ordered set begins in the stream [bit].

    Returns
    -------
    int
        Alternating bits directly before the ordered set, at most 64 [bit].
    """
    bits = stream.bits[max(0, ordered_set_bit - PREAMBLE_BITS) : ordered_set_bit]
    wrong = np.flatnonzero(bits != np.arange(bits.size, 0, -1) & 1)
    seen = int(bits.size - 1 - wrong[-1]) if wrong.size else int(bits.size)
    if seen == PREAMBLE_BITS or seen < 8:
        return seen
    # Direction of the edge before the first bit is unsure, since the idle line stands before it:
    # compare the levels of both halves of each earlier bit with those of the bits already read.
    known = stream.boundaries[ordered_set_bit - seen : ordered_set_bit + 1]
    period, start = fit_clock(known)
    start += seen * period
    places = start + 0.5 * period * np.arange(-2 * PREAMBLE_BITS, 1, dtype=np.float64)
    halves: NDArray[np.float64] = np.diff(region.integral(places)) / (0.5 * period)
    halves[places[:-1] < 0.0] = np.nan
    level = _PREAMBLE_LEVELS * np.sign(_PREAMBLE_LEVELS[-2 * seen :] @ halves[-2 * seen :])
    near, up = halves[-2 * seen :], level[-2 * seen :] > 0.0
    high, low = float(near[up].mean()), float(near[~up].mean())
    fits = np.abs(halves - np.where(level > 0, high, low)) < 0.35 * (high - low)
    missing = np.flatnonzero(~fits[: -2 * seen].reshape(-1, 2).all(axis=1))
    return PREAMBLE_BITS - 1 - int(missing[-1]) if missing.size else PREAMBLE_BITS


def fit_clock(boundaries: NDArray[np.float64]) -> tuple[float, float]:
    """Straight line through equally numbered instants, by least squares.

    Parameters
    ----------
    boundaries
        Shape (n,), n at least 2, any unit.

    Returns
    -------
    tuple
        Mean distance between neighbours, and the first instant as the line has it.
    """
    count = boundaries.size
    index = np.arange(count) - 0.5 * (count - 1)
    period = float(index @ boundaries) / (count * (count * count - 1.0) / 12.0)
    return period, float(boundaries.mean()) - 0.5 * (count - 1) * period


def track_bits(region: Region, anchor: float, half_bit: float) -> BitStream:
    """Read bits by integrating half bits, with the clock tracked from a start in the preamble.

    Parameters
    ----------
    region
        The samples.
    anchor
        A bit boundary inside the preamble, good to a quarter of a bit [sample].
    half_bit
        Half a bit there, good to about 1 % [sample].

    Returns
    -------
    BitStream
        Bits from up to 80 bits before the anchor to where the signal fades.
    """
    anchor, half_bit, reference = _lock(region, anchor, half_bit)
    back = min(80, int(anchor / (2.0 * half_bit)))
    pieces: list[NDArray[np.floating]] = [anchor + 2.0 * half_bit * np.arange(-back, 0)]
    cut = False
    while True:
        if anchor + 2.0 * half_bit * (_BLOCK_BITS + 1) > region.size:
            remaining = int((region.size - anchor) / (2.0 * half_bit))
            pieces.append(anchor + 2.0 * half_bit * np.arange(max(0, remaining)))
            cut = True
            break
        shift, level = _timing_error(region, anchor, half_bit, _BLOCK_BITS)
        # The error belongs to the middle of the block; a part of it is a rate error.
        anchor += shift
        half_bit += 0.25 * shift / _BLOCK_BITS
        pieces.append(anchor + 2.0 * half_bit * np.arange(_BLOCK_BITS))
        if level < 0.4 * reference:
            break
        reference += 0.2 * (level - reference)
        anchor += 2.0 * half_bit * _BLOCK_BITS
    boundaries = np.concatenate(pieces).astype(np.float64)
    steps = region.step(boundaries, half_bit)
    # The signal has faded at the first boundary from which three in a row have no edge.
    faint = np.abs(steps) < 0.4 * reference
    ends = np.flatnonzero(faint[back:-2] & faint[back + 1 : -1] & faint[back + 2 :])
    if ends.size:
        boundaries, steps = boundaries[: back + ends[0]], steps[: back + ends[0]]
        cut = False
    rising = steps > 0
    bits = (rising[1:] == rising[:-1]).astype(np.uint8)
    return BitStream(bits, boundaries, back, cut)


def _lock(region: Region, anchor: float, half_bit: float) -> tuple[float, float, float]:
    """Bit boundary, half bit and step size from the first 48 bits, eight at a time."""
    group, groups = 8, 6
    errors = np.zeros(groups)
    levels = np.zeros(groups)
    shift = 0.0
    for row in range(groups):
        start = anchor + shift + 2.0 * half_bit * group * row
        more, levels[row] = _timing_error(region, start, half_bit, group)
        shift += more
        errors[row] = shift
    # Each error belongs to the middle of its group.
    slope, first = fit_clock(errors)
    return (
        anchor + first - 0.5 * slope,
        half_bit + slope / (2.0 * group),
        float(np.median(levels)),
    )


def _timing_error(region: Region, anchor: float, half_bit: float, n_bits: int) -> tuple[float, float]:
    """How much later than expected the boundaries of a block are, and their mean step.

    D against a timing error is close to a triangle, so with D at -d, 0 and +d the error is
    d r / (1 + r), r = (D(+d) - D(-d)) / (2 D(0) - D(-d) - D(+d)).
    """
    offsets = anchor + 2.0 * half_bit * np.arange(n_bits)
    reach = 0.4 * half_bit
    shift = 0.0
    level = 0.0
    for _ in range(2):
        here = offsets + shift
        steps = region.step(np.stack([here - reach, here, here + reach]), half_bit)
        early, centre, late = (steps * np.sign(steps[1])).sum(axis=1)
        level = float(centre) / n_bits
        curve = float(2.0 * centre - early - late)
        if curve <= 0.0:
            break
        slant = float(late - early) / curve
        shift += reach * slant / (1.0 + abs(slant))
    return float(np.clip(shift, -0.5 * half_bit, 0.5 * half_bit)), level


def find_preamble(region: Region, begin: float, end: float) -> tuple[float, float] | None:
    """Look for a preamble by correlation, for signals too noisy for their edges.

    In the preamble the directions l_k of the module's heading run + - - + with a period of four
    bits.  D is summed with these signs over 32 bits, for bit rates 2 % apart.

    Parameters
    ----------
    region
        The samples.
    begin, end
        Where to look [sample].

    Returns
    -------
    tuple or None
        A bit boundary inside the first preamble found and half a bit [sample].
    """
    up = max(1, int(np.ceil(8.0 / region.half_bit)))
    start = max(0.0, begin)
    count = int((min(end, region.size) - start) * up)
    longest = _ACQUIRE_BITS / (LOWEST_BIT_RATE_BPS * region.interval_s) * up
    n_places = int(count - longest)
    if n_places < 8:
        return None
    steps = region.step(start + np.arange(count) / up, region.half_bit).astype(np.float32)
    magnitude = np.concatenate([[0.0], np.cumsum(steps.astype(np.float64) ** 2)])
    rates = np.geomspace(LOWEST_BIT_RATE_BPS, HIGHEST_BIT_RATE_BPS, 20)
    best = np.zeros(n_places, dtype=np.float32)
    which = np.zeros(n_places, dtype=np.int8)
    for row, rate in enumerate(rates):
        bit = up / (rate * region.interval_s)
        total = steps
        for factor, sign in ((1, -1), (2, -1), (4, 1), (8, 1), (16, 1)):
            hop = round(factor * bit)
            total = total[:-hop] + sign * total[hop:]
        score = np.abs(total[:n_places])
        better = score > best
        best[better] = score[better]
        which[better] = row
    best /= _ACQUIRE_BITS
    span = int(longest)
    rms = np.sqrt((magnitude[span : span + n_places] - magnitude[:n_places]) / span)
    hits = np.flatnonzero((best > 1.05 * rms) & (best > 0.5 * region.minimum_swing_v))
    if not hits.size:
        return None
    window = best[hits[0] : hits[0] + span]
    place = int(hits[0]) + int(np.argmax(window))
    half_bit = 0.5 / (float(rates[which[place]]) * region.interval_s)
    return start + place / up, half_bit
