"""Steady stretches of one load channel.

A log is first thinned to block means and cut where its level changes (PELT, Killick, Fearnhead & Eckley, J. Am. Stat.
Assoc. 107 (2012) 1590, exact least squares), then each cut is tested as a jump and placed among the full-rate readings.
docs/explanation/plateaus.md gives the reasons and how often it fails.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from brickbook.plateaus.noise import Noise, noise_about, sample_interval_s, white_scatter_of

__all__ = ["Sensitivity", "Stretch", "steady_stretches"]

FloatArray = NDArray[np.float64]

_BLOCKS = 3000  # block means PELT sees at most: its time grows as their square where nothing changes
_PENALTY = 6.0  # times log(n): two parameters per change cost 2 log(n) (Yao, Stat. Probab. Lett. 6 (1988) 181)
_SEARCHES = 4
_STRAY = 5  # running median: one or two stray readings do not cut a stretch
_CAP_SQUARE = 25.0  # a reading counts as at most 5 sigma off, so that a lone spike cannot end a stretch
_PULSED = 0.5  # of the largest load lies between the quartiles of the readings
_NEAR = 100  # readings that tell the level next to an edge


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """What is a change of load and what is not.

    Parameters
    ----------
    step_a, step_ratio
        Smallest jump that is a new load: the larger of step_a [A] and step_ratio times the higher of both levels.
    jump_s
        A change slower than the smallest jump in this time is creep within one load, not a ramp to another [s].
    longest_gap_s
        A pause in the readings longer than this, and than five intervals, ends a stretch: nothing is known of it [s].
    """

    step_a: float = 0.005
    step_ratio: float = 0.005
    jump_s: float = 10.0
    longest_gap_s: float = 10.0

    def __post_init__(self) -> None:
        if min(self.step_a, self.jump_s, self.longest_gap_s) <= 0.0 or self.step_ratio < 0.0:
            raise ValueError("step_a, jump_s and longest_gap_s are above zero, step_ratio is not below it")

    def smallest_jump(self, first: float, second: float) -> float:
        """Smallest jump between two levels that is a new load [A]."""
        return max(self.step_a, self.step_ratio * max(abs(first), abs(second)))


@dataclass(frozen=True, slots=True)
class Stretch:
    """A channel at one level from its first to its last reading [s], and that level [A]."""

    start_s: float
    end_s: float
    level: float


def steady_stretches(
    time_s: FloatArray, current_a: FloatArray, *, shortest_s: float, sensitivity: Sensitivity | None = None
) -> tuple[Stretch, ...]:
    """The stretches over which a load stays at one level, in time order.

    Parameters
    ----------
    time_s, current_a
        Times [s], not falling, and readings [A], shape (n,); NaN is a missing reading.
    shortest_s
        Shorter stretches are taken for parts of a change and left out [s].
    sensitivity
        What counts as a change; the default if not given.

    Raises
    ------
    ValueError
        When the times fall or the shapes differ.
    """
    if np.shape(time_s) != np.shape(current_a) or np.ndim(time_s) != 1:
        raise ValueError(f"time and current have shapes {np.shape(time_s)} and {np.shape(current_a)}")
    how = sensitivity or Sensitivity()
    good = np.isfinite(time_s) & np.isfinite(current_a)
    time, current = time_s[good], current_a[good]
    if len(time) < 3:
        return ()
    if np.any(np.diff(time) < 0.0):
        raise ValueError("the times fall: readings must be in time order")
    interval = sample_interval_s(time)
    breaks = np.flatnonzero(np.diff(time) > max(how.longest_gap_s, 5.0 * interval)) + 1
    # one block length for the whole log, short enough to leave a few blocks in the shortest stretch where it can
    per_block = max(1, -(-len(time) // _BLOCKS))
    found: list[Stretch] = []
    for part in np.split(np.arange(len(time)), breaks):
        if len(part) >= 3:
            found += _stretches(time[part], current[part], per_block, how)
    return tuple(s for s in found if s.end_s - s.start_s + interval >= shortest_s)


@dataclass(slots=True)
class _Piece:
    """Readings first to last that belong to one level; the edges move as they become known better."""

    first: int
    last: int
    level: float


def _stretches(time: FloatArray, current: FloatArray, per_block: int, how: Sensitivity) -> list[Stretch]:
    """Stretches of a part without gaps."""
    cuts = _cuts(current, per_block, how)
    noise = noise_about(current, _levels(current, cuts))
    cuts = _jumps_only(time, current, cuts, noise, how)
    # a block that holds a jump has a mean between both levels: it is no stay
    rough = [
        _Piece(a, b - 1, float(np.median(current[a:b])))
        for a, b in pairwise(cuts)
        if b - a > per_block or len(cuts) == 2
    ]
    fine: list[_Piece] = []
    for k, piece in enumerate(rough):
        first, last = piece.first, piece.last
        if k > 0:
            turned = [len(current) - 1 - i for i in (piece.last, piece.first, rough[k - 1].last, rough[k - 1].first)]
            walked = _walk_out(
                current[::-1], turned, rough[k - 1].level, per_block=per_block, sigma=noise.sigma, how=how
            )
            first = len(current) - 1 - walked
        if k < len(rough) - 1:
            straight = [piece.first, piece.last, rough[k + 1].first, rough[k + 1].last]
            last = _walk_out(current, straight, rough[k + 1].level, per_block=per_block, sigma=noise.sigma, how=how)
        fine.append(_Piece(first, last, piece.level))
    for left, right in pairwise(fine):
        if left.last >= right.first:  # noise let both claim the same readings: cut where the squares are least
            left.last = _split(current, left, right)
            right.first = left.last + 1
    fine = [piece for piece in fine if piece.last > piece.first]
    largest = max((abs(piece.level) for piece in fine), default=0.0)
    ramps = _ramps(time, current, fine, noise, how)
    return [
        Stretch(float(time[p.first]), float(time[p.last]), float(np.median(current[p.first : p.last + 1])))
        for k, p in enumerate(fine)
        if k not in ramps and not _is_pulsed(current[p.first : p.last + 1], largest, how)
    ]


def _split(current: FloatArray, left: _Piece, right: _Piece) -> int:
    """The last reading nearer to the level before, among those both neighbours claim."""
    low, high = max(left.first, right.first - 1), min(left.last, right.last - 1)
    disputed = current[low + 1 : high + 1]
    gain = np.cumsum(np.square(disputed - left.level) - np.square(disputed - right.level))
    best = int(np.argmin(gain)) if len(gain) else 0
    return low + 1 + best if len(gain) and gain[best] < 0.0 else low


def _cuts(current: FloatArray, per_block: int, how: Sensitivity) -> list[int]:
    """Indices where the level may change, with both ends, from PELT on block means.

    Noise is first taken as white. What is then left about the levels tells whether it is autocorrelated, and the search
    is repeated with the larger scatter that means of such noise have.
    """
    n_blocks = len(current) // per_block
    if n_blocks < 4:
        return [0, len(current)]
    calm = ndimage.median_filter(current, size=_STRAY, mode="nearest")
    whole = calm[: n_blocks * per_block].reshape(n_blocks, per_block).mean(axis=1)
    # no need to see changes far below the smallest jump: a floor keeps a clean, creeping log in few pieces
    scale = max(white_scatter_of(current) / sqrt(per_block), how.step_a / 5.0)
    import ruptures  # noqa: PLC0415 - slow to load, and most verbs look for no stretches

    search = ruptures.KernelCPD(kernel="linear", min_size=1, jump=1).fit((whole - whole.mean()).reshape(-1, 1))
    cuts = [0, len(current)]
    for _ in range(_SEARCHES):
        ends = search.predict(pen=_PENALTY * float(np.log(n_blocks)) * scale**2)
        cuts = [0, *(int(end) * per_block for end in ends[:-1]), len(current)]
        wider = noise_about(current, _levels(current, cuts)).sigma_of_means / sqrt(per_block)
        if wider <= 1.05 * scale:
            break
        scale = wider
    return cuts


def _levels(readings: FloatArray, cuts: list[int]) -> FloatArray:
    """Median of each piece, for every reading of it."""
    medians = [float(np.median(readings[a:b])) for a, b in pairwise(cuts)]
    return np.repeat(np.array(medians), np.diff(cuts))


def _jumps_only(time: FloatArray, current: FloatArray, cuts: list[int], noise: Noise, how: Sensitivity) -> list[int]:
    """Take out, least jump first, the cuts across which the current does not jump.

    The jump is measured between the readings nearest the cut on both sides, over `jump_s` or as many as the noise
    asks for, so that slow creep adds little to it.
    """
    cuts = list(cuts)
    ratios = [_jump_ratio(time, current, cuts[k - 1 : k + 2], noise, how) for k in range(1, len(cuts) - 1)]
    while ratios:
        least = int(np.argmin(ratios))
        if ratios[least] >= 1.0:
            break
        del cuts[least + 1], ratios[least]
        for k in (least, least + 1):  # the neighbours now have longer pieces beside them
            if 1 <= k < len(cuts) - 1:
                ratios[k - 1] = _jump_ratio(time, current, cuts[k - 1 : k + 2], noise, how)
    return cuts


def _jump_ratio(time: FloatArray, current: FloatArray, around: list[int], noise: Noise, how: Sensitivity) -> float:
    """Jump at around[1] over the smallest jump that counts there."""
    before, cut, after = around
    left, right = current[before:cut], current[cut:after]
    least = how.smallest_jump(float(np.median(left)), float(np.median(right)))
    # enough readings to know the jump to a quarter of the least one
    wanted = int(np.ceil(2.0 * (4.0 * noise.sigma_of_means / least) ** 2))
    in_time = int(np.searchsorted(time, time[cut] + how.jump_s)) - cut
    count = max(wanted, in_time, 3)
    jump = abs(float(np.median(right[:count])) - float(np.median(left[-count:])))
    return jump / least


def _walk_out(
    current: FloatArray, ends: list[int], next_level: float, *, per_block: int, sigma: float, how: Sensitivity
) -> int:
    """The last reading that belongs to a piece, walking out of it towards the next; `ends` are first and last of both.

    With z the distance from the piece's level in units of sigma, the piece ends where sum(min(z^2, 25) - c) is least:
    the most likely end when what follows is worth c per reading. c = 1 + D^2/2, at most 9, lies half way between the
    mean of z^2 inside (1) and on the next level D sigma away (1 + D^2).
    """
    first, last, next_first, next_last = ends
    length = last - first + 1
    inner = min(length // 2, max(2 * per_block, 4))  # the walk begins so far inside
    begin = last + 1 - inner
    reach = min(3 * per_block + max(3, length // 10), (next_last - next_first + 2) // 2)
    level = float(np.median(current[max(first, begin - _NEAR) : max(begin, first + 1)]))
    # creep of less than a third of a jump is not an edge
    scale = max(sigma, how.smallest_jump(level, level) / 3.0)
    worth = min(1.0 + 0.5 * ((next_level - level) / scale) ** 2, 9.0)
    walk = current[begin : next_first + reach]
    cost = np.cumsum(np.minimum(np.square((walk - level) / scale), _CAP_SQUARE) - worth)
    return begin + int(np.argmin(cost))


def _ramps(time: FloatArray, current: FloatArray, pieces: list[_Piece], noise: Noise, how: Sensitivity) -> set[int]:
    """Which pieces are parts of a ramp, that PELT has cut into stairs.

    One piece alone is a ramp if its slope is beyond doubt (4 u). Where noise leaves doubt, neighbours help: pieces that
    step on in one direction and are not flat beyond doubt are asked together whether their slope is that of the whole
    flight of stairs, or none.
    """
    slopes = [_slope_within(time[p.first : p.last + 1], current[p.first : p.last + 1], noise) for p in pieces]
    ramps = {
        k
        for k, (piece, (slope, u, _)) in enumerate(zip(pieces, slopes, strict=True))
        if abs(slope) > max(4.0 * u, _slowest_ramp(time, current, piece, how))
    }
    jumps = [right.level - left.level for left, right in pairwise(pieces)]
    flight: list[int] = []
    rising = False
    for k, (slope, u, duration) in enumerate(slopes):
        beside = jumps[max(k - 1, 0) : k + 1]  # one at the ends of the log
        one_way = len({jump > 0.0 for jump in beside}) == 1  # never for the only piece of a log
        doubtful = one_way and abs(slope) + 4.0 * u > 0.5 * float(np.mean(np.abs(beside))) / duration
        if len(beside) == 1:  # only one neighbour to witness: the piece must lean by itself
            doubtful = doubtful and abs(slope) > 2.0 * u
        if flight and not (doubtful and (beside[0] > 0.0) == rising):
            ramps |= _flight(time, pieces, slopes, flight, how)
            flight = []
        if doubtful:
            flight.append(k)
            rising = beside[0] > 0.0
    return ramps | (_flight(time, pieces, slopes, flight, how) if flight else set())


def _flight(
    time: FloatArray,
    pieces: list[_Piece],
    slopes: list[tuple[float, float, float]],
    flight: list[int],
    how: Sensitivity,
) -> set[int]:
    """The pieces of a flight if it is a ramp, else none."""
    begin, end = pieces[max(flight[0] - 1, 0)], pieces[min(flight[-1] + 1, len(pieces) - 1)]
    # at an end of the log the ramp has no neighbour to come from, and the middle of its own piece stands for it
    begin_s = time[begin.last] if begin is not pieces[flight[0]] else 0.5 * (time[begin.first] + time[begin.last])
    end_s = time[end.first] if end is not pieces[flight[-1]] else 0.5 * (time[end.first] + time[end.last])
    if end_s <= begin_s:
        return set()
    whole = (end.level - begin.level) / float(end_s - begin_s)
    weights = np.array([1.0 / slopes[k][1] ** 2 if slopes[k][1] > 0.0 else 1e300 for k in flight])
    if weights.sum() == 0.0:  # pieces of two readings tell no slope
        return set()
    pooled = float(weights @ np.array([slopes[k][0] for k in flight]) / weights.sum())
    is_ramp = (
        abs(whole) > how.smallest_jump(begin.level, end.level) / how.jump_s
        and pooled / whole > 0.5
        and abs(pooled) > 3.0 / sqrt(float(weights.sum()))
    )
    return set(flight) if is_ramp else set()


def _is_pulsed(current: FloatArray, largest: float, how: Sensitivity) -> bool:
    """Whether the readings jump by half of the largest load and more: a load that is switched, not held."""
    quartiles = np.percentile(current, [25.0, 75.0])
    return bool(quartiles[1] - quartiles[0] > max(_PULSED * largest, 2.0 * how.step_a))


def _slope_within(time: FloatArray, current: FloatArray, noise: Noise) -> tuple[float, float, float]:
    """Least-squares slope of a piece [A/s], its standard uncertainty [A/s], and the duration of the piece [s]."""
    duration = float(time[-1] - time[0])
    centred = time - time.mean()
    spread = float(centred @ centred)
    if len(time) < 3 or spread <= 0.0:
        return 0.0, float("inf"), max(duration, 1e-9)
    return float(centred @ (current - current.mean())) / spread, noise.sigma_of_means / sqrt(spread), duration


def _slowest_ramp(time: FloatArray, current: FloatArray, piece: _Piece, how: Sensitivity) -> float:
    """Slope [A/s] from which a piece moves by a jump in all and by a jump in `jump_s`."""
    inside = current[piece.first : piece.last + 1]
    duration = max(float(time[piece.last] - time[piece.first]), 1e-9)
    return how.smallest_jump(float(inside.max()), float(inside.min())) / min(how.jump_s, duration)
