"""How ports that share a budget may divide it: the family of policies that the inference reckons with.

A policy maps the set of occupied ports T of its group to the power each is offered. All of them offer a port that is
alone its own power m. With several occupied, and B the group's budget:

- `EqualSplit`: every port B/|T|, at most m; what a small port leaves over is lost, or goes to the others.
- `Priority`: ports are served in an order; each gets what is left of B less the reserves of those after it, at most m
  and at least its own reserve.
- `Ladder`: every port starts at m; while the sum exceeds B one port goes one step down, the one that has most, or the
  last in an order that is not yet at the floor.

An allocation may be rounded down to steps (powers that makers like to advertise). These are ways in which chargers
are known to divide power (common practice, no source); nothing says that a given charger is one of them.

All functions work on many parameter sets at once: arrays have one row for each set, one column for each port.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TYPICAL_STEPS_W", "EqualSplit", "Ladder", "Priority", "round_down"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

# Powers often advertised for a port (common practice, no source).
TYPICAL_STEPS_W: tuple[float, ...] = (
    *(5.0, 7.5, 10.0, 12.0, 15.0, 18.0, 20.0, 22.5, 25.0, 27.0, 30.0, 33.0, 35.0, 40.0, 45.0, 50.0, 60.0, 65.0, 67.0),
    *(70.0, 75.0, 80.0, 87.0, 90.0, 96.0, 100.0, 120.0, 140.0, 180.0, 240.0),
)
_SLACK_W = 0.3  # a share this little below a step is taken as that step: currents are offered in 10 mA


def round_down(power_w: FloatArray, steps_w: FloatArray, most_w: FloatArray) -> FloatArray:
    """The highest step at or below a power; a port's own `most_w` is a step of its own; below all steps: unchanged.

    Parameters
    ----------
    power_w
        Shares [W].
    steps_w
        Rising, shape (s,) [W]; empty for no rounding.
    most_w
        Power of the port alone, shaped like `power_w` [W].
    """
    if len(steps_w) == 0:
        return np.minimum(power_w, most_w)
    at = np.searchsorted(steps_w, power_w + _SLACK_W, side="right") - 1
    stepped = np.where(at >= 0, steps_w[np.maximum(at, 0)], power_w)
    return np.where(power_w + _SLACK_W >= most_w, most_w, np.minimum(stepped, most_w))


@dataclass(frozen=True, slots=True, eq=False)
class EqualSplit:
    """Equal shares; `passes_on` says whether what a small port leaves over goes to the others.

    Parameters
    ----------
    budget_w
        Shape (h,) [W].
    """

    budget_w: FloatArray
    steps_w: FloatArray
    passes_on: bool

    def allocate(self, alone_w: FloatArray, occupied: BoolArray) -> FloatArray:
        """Power of each port, shape (h, k); NaN where the port is not occupied [W]."""
        out = np.full((len(self.budget_w), len(alone_w)), np.nan)
        ports = np.flatnonzero(occupied)
        if len(ports) == 1:
            out[:, ports[0]] = alone_w[ports[0]]
            return out
        left, count = self.budget_w.copy(), len(ports)
        for port in ports[np.argsort(alone_w[ports], kind="stable")]:
            share = left / count
            if self.passes_on:
                left, count = left - np.minimum(share, alone_w[port]), count - 1
            out[:, port] = round_down(share, self.steps_w, np.full(len(share), alone_w[port]))
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Priority:
    """An order with reserved minima.

    Parameters
    ----------
    order
        Ports by rank, shape (h, k).
    budget_w
        Shape (h,) [W].
    reserve_w
        What each port keeps, whatever is before it, shape (h, k) [W].
    """

    order: IntArray
    budget_w: FloatArray
    reserve_w: FloatArray
    steps_w: FloatArray

    def allocate(self, alone_w: FloatArray, occupied: BoolArray) -> FloatArray:
        """Power of each port, shape (h, k); NaN where the port is not occupied [W]."""
        count, ports = self.order.shape
        out = np.full((count, ports), np.nan)
        if occupied.sum() == 1:
            out[:, occupied] = alone_w[occupied]
            return out
        row = np.arange(count)
        reserve = np.where(occupied, np.minimum(self.reserve_w, alone_w), 0.0)
        later, left = reserve.sum(axis=1), self.budget_w.copy()
        for rank in range(ports):
            port = self.order[:, rank]
            own = reserve[row, port]
            later = later - own
            given = round_down(np.maximum(left - later, own), self.steps_w, alone_w[port])
            served = occupied[port]
            out[row, port] = np.where(served, given, np.nan)
            left = left - np.where(served, given, 0.0)
        return out

    def reaching(self, alone_w: FloatArray, wanted_w: FloatArray, within_w: FloatArray) -> IntArray:
        """Which rows end at given powers with all ports occupied; as `allocate`, but gives a row up at its first miss.

        Parameters
        ----------
        wanted_w, within_w
            Shape (k,) [W].
        """
        rows = np.arange(len(self.order))
        reserve = np.minimum(self.reserve_w, alone_w)
        later, left = reserve.sum(axis=1), self.budget_w
        for rank in range(self.order.shape[1]):
            port = self.order[rows, rank]
            own = reserve[rows, port]
            later = later - own
            given = round_down(np.maximum(left - later, own), self.steps_w, alone_w[port])
            keep = np.abs(given - wanted_w[port]) <= within_w[port]
            rows, later, left = rows[keep], later[keep], (left - given)[keep]
        return rows


@dataclass(frozen=True, slots=True, eq=False)
class Ladder:
    """Step by step down until the sum fits.

    Parameters
    ----------
    order
        Ports by rank, shape (h, k); of ports with equal power the last goes down first.
    budget_w
        Shape (h,) [W].
    steps_w
        Steps below a port's own power, rising, shape (s,); the first is the floor [W].
    largest_first
        Whether the port with the most power goes down first, or the last in the order.
    """

    order: IntArray
    budget_w: FloatArray
    steps_w: FloatArray
    largest_first: bool

    def allocate(self, alone_w: FloatArray, occupied: BoolArray) -> FloatArray:
        """Power of each port, shape (h, k); NaN where the port is not occupied [W]."""
        count = len(self.order)
        state = np.where(occupied, alone_w, np.nan) * np.ones((count, 1))
        if occupied.sum() == 1:
            return state
        rank = self._rank()
        active = np.arange(count)
        while len(active):
            over = np.nansum(state[active], axis=1) > self.budget_w[active] + _SLACK_W
            active = active[over]
            active = active[self._step(state, rank, active)]
        return state

    def budgets_reaching(
        self, alone_w: FloatArray, wanted_w: FloatArray, within_w: FloatArray
    ) -> tuple[FloatArray, ...]:
        """For each order, the budgets that end at given powers with all ports occupied; `budget_w` is not looked at.

        Parameters
        ----------
        wanted_w
            Shape (k,) [W].
        within_w
            How far each power may be off, shape (k,) [W].

        Returns
        -------
        Lowest budget, and the one from which it would be another step; NaN where no budget leads there, shape (h,) [W].
        """
        count = len(self.order)
        state = alone_w * np.ones((count, 1))
        rank = self._rank()
        low, high = np.full(count, np.nan), np.full(count, np.nan)
        before = np.full(count, np.inf)
        active = np.arange(count)
        while len(active):
            total = state[active].sum(axis=1)
            here = (np.abs(state[active] - wanted_w) <= within_w).all(axis=1)
            first, more = here & np.isnan(low[active]), here
            low[active[more]] = total[more] - _SLACK_W
            high[active[first]] = before[active[first]]
            before[active] = total - _SLACK_W
            # powers only fall: what is below the wanted ones will not come back
            active = active[(state[active] >= wanted_w - within_w).all(axis=1)]
            active = active[self._step(state, rank, active)]
        return low, high

    def _rank(self) -> IntArray:
        rank = np.empty_like(self.order)
        np.put_along_axis(rank, self.order, np.broadcast_to(np.arange(self.order.shape[1]), self.order.shape), axis=1)
        return rank

    def _step(self, state: FloatArray, rank: IntArray, rows: IntArray) -> BoolArray:
        """Take one port of each row one step down, in place; False where all are at the floor."""
        here = state[rows]
        lower = here > self.steps_w[0] + _SLACK_W  # False for NaN: not occupied
        able = lower.any(axis=1)
        worth = rank[rows] + (1000.0 * np.where(lower, here, 0.0) if self.largest_first else 0.0)
        port = np.argmax(np.where(lower, worth, -1.0), axis=1)
        now = here[np.arange(len(rows)), port]
        at = np.searchsorted(self.steps_w, now - _SLACK_W, side="left") - 1
        state[rows[able], port[able]] = self.steps_w[np.maximum(at[able], 0)]
        return np.asarray(able)
